"""Acts around a pass: started with confirmed settings, stopped, events and notes while it runs, a verdict."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from provpack.jobs.benchact import (
    Bench,
    Line,
    clock_words,
    happened,
    instant,
    listed,
    maybe,
    near,
    of_pass,
    one_of,
    only,
    refused,
    running_pass,
    stamp,
    stopped_pass,
    text,
    this_pass,
    transfer,
    whole,
    within,
)
from provpack.jobs.benchsaid import same, settings_of
from provpack.jobs.benchvalues import settings, shown
from provpack.jobs.corrections import CORRECTS
from provpack.model.labels import called
from provpack.model.vocab import PASS_OUTCOME, PASS_VERDICT, TRANSFER_EVENT_TYPE
from provpack.package.benchstate import Pass


def pass_started(members: Mapping[str, Any], bench: Bench) -> Line:
    """A pass begins on a chain whose settings somebody has looked at, all of them, this time."""
    only(
        members, "transfer_id", "pass", "chain_id", "settings", "changed", "reason", "note", "happened_at"
    )  # fmt: skip
    transfer_id, chain_id = transfer(members, bench), text(members, "chain_id")
    _not_a_correction(transfer_id, bench)
    chains = bench.said().chains
    if chain_id not in chains:
        has = f"The job has {listed(chains)}." if chains else "The job has none yet: state one first."
        raise refused(
            "chain-unknown",
            f"There is no chain '{chain_id[:80]}' in this job.",
            todo=near(chain_id, chains) + has,
            where="chain_id",
        )
    moment = happened(members, bench)
    warnings: list[str] = []
    if moment is not None and moment < bench.at - timedelta(days=2):
        days = (bench.at - moment).days
        warnings.append(f"That is {days} days ago. If the day is mistyped, take the start back.")
    given = settings(members.get("settings"), warnings)
    changed = _confirmed(chain_id, given, bench)
    said = members.get("changed") or []
    if not isinstance(said, list | tuple) or ("changed" in members and sorted(map(str, said)) != changed):
        raise refused(
            "changed-meanwhile",
            f"What differs from chain {chain_id} as stated is now: {called(*changed) or 'nothing'}.",
            todo="Somebody stated something else since you looked. Look at the settings again, then start.",
            where="settings",
        )
    for other in bench.state.running():
        clash = why_not_both(transfer_id, chain_id, given, other)
        if clash:
            raise refused(
                "in-use",
                f"{clash}, since {clock_words(other.started_at, bench.at)}.",
                todo=f"Stop {of_pass(other)} first, or use what is free.",
                where=chain_id,
            )
    _not_within_another(transfer_id, chain_id, given, moment, bench)
    number, asked = next_number(bench, transfer_id), whole(members, "pass")
    if asked is not None and asked != number:
        raise refused(
            "changed-meanwhile",
            f"The next pass of {transfer_id} is pass {number}, not {asked}.",
            todo="Look at the passes it has, then start again.",
            where="pass",
        )
    taken = bench.state.transfers.get(transfer_id)
    before = taken.passes[-1] if taken and taken.passes else None
    ended = instant(before.stopped_at) if before is not None else None
    if before is not None and moment is not None and ended is not None and moment < ended:
        raise refused(
            "before-the-pass",
            f"{clock_words(stamp(moment), bench.at)} lies before the end of {of_pass(before)}, "
            f"{clock_words(before.stopped_at, bench.at)}.",
            todo="State when this pass began: a carrier is played once at a time.",
            where="happened_at",
        )
    line = {
        "transfer_id": transfer_id, "pass": number, "chain_id": chain_id, "settings": given,
        "changed": changed, "reason": maybe(members, "reason"), "note": maybe(members, "note"),
    }  # fmt: skip
    if moment is not None:
        line["happened_at"] = stamp(moment)
    if number > 1 and not line["reason"]:
        warnings.append(
            f"Pass {number} of {transfer_id} has no reason: write a note that says why it is made."
        )
    tail = f"; changed: {called(*changed)}" if changed else ""
    about = f"pass {number} of {transfer_id} started on chain {chain_id}{tail}"
    return Line(members=line, about=about, when=moment, warnings=tuple(warnings))


def _not_a_correction(transfer_id: str, bench: Bench) -> None:
    """A transfer that corrects another has that one's recording: a pass of its own would be another one."""
    of = bench.said().transfers.get(transfer_id, {}).get(CORRECTS)
    if of:
        raise refused(
            "has-a-recording",
            f"{transfer_id} corrects {of}, and has its recording.",
            todo=f"To play the carrier again, take the correction back and make one that plays {of} again.",
            where=transfer_id,
        )


def _not_within_another(
    transfer_id: str, chain_id: str, given: Mapping[str, Any], moment: datetime | None, bench: Bench
) -> None:
    """Refuse a start in the past when a pass that is over used the same machines then."""
    if moment is None:
        return
    for other in (p for t in bench.state.transfers.values() for p in t.passes if not p.running):
        ended = instant(other.stopped_at)
        if ended is None or ended <= moment or other.transfer_id == transfer_id:
            continue
        if why_not_both(transfer_id, chain_id, given, other):
            raise refused(
                "in-use",
                f"{this_pass(other)} used its machines until {clock_words(other.stopped_at, bench.at)}.",
                todo="State when this pass began: after that.",
                where="happened_at",
            )


def _confirmed(chain_id: str, given: dict[str, Any], bench: Bench) -> list[str]:
    """Which settings differ from what is in force, the defaults for what the chain leaves open. What has no
    value and had none is taken out of `given`. Refuses settings that are not complete."""
    said = bench.said()
    own = settings_of(said.chains[chain_id])
    in_force = {**{n: v for n, v in said.defaults.items() if n in given}, **own}
    forgotten = [name for name in own if name not in given]
    # the date goes with the check: nobody confirms it by itself, and it is not that of another check
    if "chain_check_at" in forgotten and same(given.get("chain_check_id"), own.get("chain_check_id")):
        forgotten.remove("chain_check_at")
    if forgotten:
        raise refused(
            "settings-unconfirmed",
            f"Not confirmed for chain {chain_id}: {called(*forgotten)}.",
            todo="Look at each on the machine and state it, as it was or as it is now. Nothing is taken over "
            "from last time unseen.",
            where="settings",
        )
    for name in [n for n, value in given.items() if value is None and in_force.get(n) is None]:
        del given[name]
    return sorted(n for n, value in given.items() if not same(value, in_force.get(n)))


def why_not_both(transfer_id: str, chain_id: str, given: Mapping[str, Any], other: Pass) -> str:
    """Why a pass cannot run beside another one, in words; "" when it can."""
    if other.transfer_id == transfer_id:
        return f"{transfer_id} is being played already, on chain {other.chain_id}"
    if other.chain_id == chain_id:
        return f"Chain {chain_id} is in use by pass {other.number} of {other.transfer_id}"
    theirs = other.settings
    if given.get("deck_id") and given["deck_id"] == theirs.get("deck_id"):
        return f"Deck {shown(given['deck_id'])} is in use by {of_pass(other)}"
    device, entry = given.get("capture_device_id"), given.get("capture_input")
    if device and device == theirs.get("capture_device_id") and entry == theirs.get("capture_input"):
        which = f", input {shown(entry)}" if entry is not None else ""
        return f"Capture device {shown(device)}{which} is in use by {of_pass(other)}"
    return ""


def next_number(bench: Bench, transfer_id: str) -> int:
    """Number of the next pass of a transfer: after those of the log and of the sheets."""
    taken = bench.state.transfers.get(transfer_id)
    numbers = [p.number for p in taken.passes] if taken else []
    in_sheets = bench.said().transfers.get(transfer_id, {}).get("passes")
    for entry in in_sheets if isinstance(in_sheets, list) else []:
        number = entry.get("n") if isinstance(entry, Mapping) else None
        if type(number) is int:
            numbers.append(number)
    return max(numbers, default=0) + 1


def _used_since(one: Pass, until: datetime, bench: Bench) -> Pass | None:
    """A later pass that used a machine of this one before that time: where a stop was taken back."""
    for other in (p for t in bench.state.transfers.values() for p in t.passes):
        begun = instant(other.started_at)
        if other.n <= one.n or begun is None or begun >= until or other.transfer_id == one.transfer_id:
            continue
        if why_not_both(one.transfer_id, one.chain_id, one.settings, other):
            return other
    return None


def pass_stopped(members: Mapping[str, Any], bench: Bench) -> Line:
    """A pass ends, and how."""
    only(members, "transfer_id", "pass", "outcome", "note", "happened_at")
    one = running_pass(members, bench)
    if not one.running:
        raise refused(
            "stopped-already",
            f"{this_pass(one)} was stopped already, at {clock_words(one.stopped_at, bench.at)} (line "
            f"{one.stopped_n}).",
            todo=f"If the outcome or time is wrong, take line {one.stopped_n} back and stop it anew.",
            where=one.transfer_id,
        )
    outcome = one_of(members, "outcome", PASS_OUTCOME)
    moment = happened(members, bench)
    if moment is not None:
        within(moment, one, bench.at)
        late = [e for e in one.events if (at := instant(e.at)) is not None and at > moment]
        if late:
            raise refused(
                "events-after-stop",
                f"{this_pass(one)} has an event after that: {late[-1].type.replace('_', ' ')} at "
                f"{clock_words(late[-1].at, bench.at)} (line {late[-1].n}).",
                todo="State a later end, or take the event back first.",
                where="happened_at",
            )
    used = _used_since(one, moment or bench.at, bench)
    if used is not None:
        raise refused(
            "used-since",
            f"{this_pass(used)} was played on the machines of {of_pass(one)}, from "
            f"{clock_words(used.started_at, bench.at)} on.",
            todo="State when this pass ended: before that.",
            where="happened_at",
        )
    line = {
        "transfer_id": one.transfer_id, "pass": one.number, "outcome": outcome, "note": maybe(members, "note")
    }  # fmt: skip
    if moment is not None:
        line["happened_at"] = stamp(moment)
    return Line(members=line, about=f"{of_pass(one)} stopped: {outcome.replace('_', ' ')}", when=moment)


def event(members: Mapping[str, Any], bench: Bench) -> Line:
    """Something happened during a pass: now while it runs, or at a stated time inside it."""
    only(members, "transfer_id", "pass", "type", "note", "happened_at")
    one = running_pass(members, bench)
    kind = one_of(members, "type", TRANSFER_EVENT_TYPE)
    note, moment = maybe(members, "note"), happened(members, bench)
    if moment is not None:
        within(moment, one, bench.at)
    elif not one.running:
        raise refused(
            "no-pass-runs",
            f"{this_pass(one)} ended at {clock_words(one.stopped_at, bench.at)}.",
            todo="State when it happened, or write a note on the pass instead.",
            where=one.transfer_id,
        )
    if kind == "operator_note" and note is None:
        raise refused("member-missing", "A note without words.", todo="Say it in words.", where="note")
    line = {"transfer_id": one.transfer_id, "pass": one.number, "type": kind, "note": note}
    if moment is not None:
        line["happened_at"] = stamp(moment)
    words = kind.replace("_", " ") + (f" ({shown(note)})" if note else "")
    return Line(members=line, about=f"{words}, chain {one.chain_id}, {one.transfer_id}", when=moment)


def noted(members: Mapping[str, Any], bench: Bench) -> Line:
    """A free note: on a pass, on a transfer, or on the evening as a whole."""
    only(members, "transfer_id", "pass", "note", "happened_at")
    note, moment = text(members, "note"), happened(members, bench)
    line: dict[str, Any] = {"note": note}
    about = ""
    if members.get("pass") is not None:
        one = running_pass(members, bench)
        if moment is not None:
            within(moment, one, bench.at)
        line |= {"transfer_id": one.transfer_id, "pass": one.number}
        about = f"{of_pass(one)}: "
    elif members.get("transfer_id") is not None:
        line["transfer_id"] = transfer(members, bench)
        about = f"{line['transfer_id']}: "
    if moment is not None:
        line["happened_at"] = stamp(moment)
    return Line(members=line, about=f"note, {about}{shown(note)}", when=moment)


def judged(members: Mapping[str, Any], bench: Bench) -> Line:
    """What was decided about a pass after listening and looking; a later verdict replaces an earlier one."""
    only(members, "transfer_id", "pass", "verdict", "note")
    one = stopped_pass(members, bench, lambda p: p.verdict is None, "without a verdict")
    verdict = one_of(members, "verdict", PASS_VERDICT)
    warnings = []
    if verdict == "accepted" and one.attached is None and one.outcome in ("complete", "partial"):
        warnings.append(f"{this_pass(one)} has no file attached.")
    line = {
        "transfer_id": one.transfer_id, "pass": one.number, "verdict": verdict, "note": maybe(members, "note")
    }  # fmt: skip
    said = "accepted" if verdict == "accepted" else "to be made again"
    return Line(members=line, about=f"{of_pass(one)} {said}", warnings=tuple(warnings))
