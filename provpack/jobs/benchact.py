"""What every act at the bench needs: what it may look at, the line it becomes, and its refusals.

An act is a function from what somebody wants to write down to the members of one line, or a refusal in
words. It writes nothing itself: jobs/benchdesk.py does, so that page and command line have the same rules.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from provpack.errors import InputProblem
from provpack.jobs.benchsaid import Said
from provpack.jobs.unseen import unseen
from provpack.model.formats import read_date_time
from provpack.model.labels import called
from provpack.package.benchstate import BenchState, Pass

if TYPE_CHECKING:
    from provpack.package.benchmatch import FileSeen

LOG: Final = "bench-log.jsonl"
SLACK: Final = timedelta(seconds=2)
"""A clock read to the second, and another a moment later, may differ by this without one being wrong."""
LONG_AGO: Final = timedelta(days=366)
"""What happened longer ago than this was not just forgotten to be logged: the year was mistyped."""
_LONGEST: Final = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What an act may look at. at: the time of the line; sheets: what the sheets state without the log; said:
    what both state together; merged: transfer, field -> the value its record would have, from wherever.

    sealed: transfer, time of a line -> name of the package that rests on it, None when none does. see: name
    of a file of the job folder -> what can be seen of it; InputProblem when that is no audio file. without:
    number of a line -> the state if it were taken back.
    """

    folder: Path
    state: BenchState
    at: datetime
    sheets: Callable[[], Said]
    said: Callable[[], Said]
    merged: Callable[[str, str], Any]
    sealed: Callable[[str, str], str | None]
    see: Callable[[str], FileSeen]
    without: Callable[[int], BenchState]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """An act that may be written. about: what was done, in words; when: its time if not that of the line."""

    members: Mapping[str, Any]
    about: str
    when: datetime | None = None
    warnings: tuple[str, ...] = ()
    undo: bool = True


def refused(code: str, what: str, *, todo: str, where: str = LOG) -> InputProblem:
    """A refusal: nothing was written. code without its prefix."""
    return InputProblem(f"bench-{code}", what, where=where, todo=todo)


def listed(words: Iterable[str], last: str = "and") -> str:
    """ "a, b and c"."""
    them = list(words)
    return f" {last} ".join([", ".join(them[:-1]), them[-1]]) if len(them) > 1 else "".join(them)


def near(word: str, known: Iterable[str]) -> str:
    """ "Did you mean 'x'? ", or nothing."""
    found = difflib.get_close_matches(word[:100], sorted(known), n=1)
    return f"Did you mean '{found[0]}'? " if found else ""


# --- members ---


def only(members: Mapping[str, Any], *names: str) -> None:
    """Refuse members that such an act does not have."""
    for name in members:
        if name not in names:
            raise refused(
                "no-such-member",
                f"'{str(name)[:80]}' is nothing that this act has.",
                todo=f"Leave it out. The act has: {', '.join(names)}.",
                where=str(name)[:80],
            )


def text(members: Mapping[str, Any], name: str) -> str:
    """A text that must be there. One that holds only spaces is none."""
    found = maybe(members, name)
    if found is None:
        raise refused("member-missing", f"{called(name)} is missing.", todo="Say it.", where=name)
    return found


def maybe(members: Mapping[str, Any], name: str) -> str | None:
    """A text without the space around it, None when there is none."""
    value = members.get(name)
    if value is None:
        return None
    if not isinstance(value, str) or len(value) > _LONGEST or any(0xD800 <= ord(c) <= 0xDFFF for c in value):
        raise refused(
            "not-a-text",
            f"{called(name)} is not a text of at most {_LONGEST} characters.",
            todo="Shorten it, or write the rest as a second note.",
            where=name,
        )
    hidden = unseen(value, name=name)
    if hidden is not None:
        rule, what = hidden
        code = "not-an-id" if name in ("id", "transfer_id", "chain_id") else "not-a-text"
        raise refused(code, what, todo=rule.todo, where=name)
    return value.strip() or None


def whole(members: Mapping[str, Any], name: str) -> int | None:
    """A whole number from 1, None when there is none."""
    value = members.get(name)
    if value is None:
        return None
    if type(value) is not int or not 1 <= value < 10**9:
        raise refused(
            "not-a-number", f"{called(name)} is no whole number from 1.", todo="Correct it.", where=name
        )
    return value


def one_of(members: Mapping[str, Any], name: str, words: tuple[str, ...]) -> str:
    """A word of a vocabulary."""
    word = text(members, name)
    if word not in words:
        raise refused(
            "not-a-word",
            f"'{word[:80]}' is not a word of {called(name)}.",
            todo=f"{near(word, words)}Use one of: {', '.join(words)}.",
            where=name,
        )
    return word


# --- time ---


def stamp(moment: datetime) -> str:
    """ISO 8601 with offset, to the second, or to the millisecond where the clock gives them."""
    return moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds")


def instant(text_: str | None) -> datetime | None:
    """The moment a line states, None when it states none that can be read."""
    return read_date_time(text_) if text_ else None


def happened(members: Mapping[str, Any], bench: Bench) -> datetime | None:
    """When it happened, where that was said. Refuses a time without offset, and one still to come."""
    said = maybe(members, "happened_at")
    if said is None:
        return None
    moment = read_date_time(said)
    if moment is None:
        raise refused(
            "not-a-time",
            f"'{said[:80]}' is not a date and time with its offset from UTC.",
            todo="Say the day, the hour, minute and second, and the offset of the clock from UTC.",
            where="happened_at",
        )
    if moment > bench.at + SLACK:
        raise refused(
            "not-yet",
            f"{clock_words(said, bench.at)} is still to come: it is {bench.at:%H:%M:%S} now.",
            todo="State when it happened, or leave the time out: then it is now. If the clock of this "
            "machine is wrong, set it right first.",
            where="happened_at",
        )
    if moment < bench.at - LONG_AGO:
        raise refused(
            "long-ago",
            f"{clock_words(said, bench.at)} is more than a year ago.",
            todo="Correct the day. What was done so long ago is not logged now: state it among the fields of "
            "the transfer.",
            where="happened_at",
        )
    return moment


def clock_words(text: str | None, now: datetime) -> str:
    """Local time with seconds, with the date when it is another day than now's; the text when unreadable."""
    try:
        at = datetime.fromisoformat(text or "")
        at = at.astimezone(now.tzinfo) if at.tzinfo is not None else at
    except (ValueError, OverflowError):
        return text or "a time that is not known"
    if at.tzinfo is None:
        return str(text)
    return f"{at:%H:%M:%S}" if at.date() == now.date() else f"{at:%Y-%m-%d %H:%M:%S}"


def within(moment: datetime, one: Pass, now: datetime) -> None:
    """Refuse a time outside the pass."""
    start, stop = instant(one.started_at), instant(one.stopped_at)
    if start is not None and moment < start:
        raise refused(
            "before-the-pass",
            f"{clock_words(stamp(moment), now)} lies before the start of {of_pass(one)}, "
            f"{clock_words(one.started_at, now)}.",
            todo="State a time inside the pass, or write a note on the transfer instead.",
            where="happened_at",
        )
    if stop is not None and moment > stop:
        raise refused(
            "after-the-pass",
            f"{clock_words(stamp(moment), now)} lies after the end of {of_pass(one)}, "
            f"{clock_words(one.stopped_at, now)}.",
            todo="State a time inside the pass, or write a note on the transfer instead.",
            where="happened_at",
        )


# --- transfers and passes ---


def of_pass(one: Pass) -> str:
    """ "pass 2 of T07 on chain A"."""
    return f"pass {one.number} of {one.transfer_id} on chain {one.chain_id}"


def this_pass(one: Pass) -> str:
    """The same at the beginning of a sentence."""
    return f"P{of_pass(one)[1:]}"


def known_transfers(bench: Bench) -> tuple[str, ...]:
    """Every transfer of the sheets and of the log, in that order."""
    return known_ids(bench.said(), bench.state)


def known_ids(said: Said, state: BenchState) -> tuple[str, ...]:
    """The same, for whoever looks without acting."""
    return tuple(dict.fromkeys([*said.transfers, *state.transfers]))


def transfer(members: Mapping[str, Any], bench: Bench, name: str = "transfer_id") -> str:
    """The transfer an act is about. Refuses one that neither the sheets nor the log know."""
    said = text(members, name)
    if said in bench.state.transfers:  # the log alone answers fast enough for what happens during a pass
        return said
    known = known_transfers(bench)
    if said not in known:
        raise refused(
            "transfer-unknown",
            f"There is no transfer '{said[:80]}' in this job.",
            todo=f"{near(said, known)}Take the carrier in first, or correct the identifier.",
            where=name,
        )
    return said


def running_pass(members: Mapping[str, Any], bench: Bench) -> Pass:
    """The pass that an act is about: the one it names, else the one of its transfer that runs."""
    transfer_id, number = transfer(members, bench), whole(members, "pass")
    if number is not None:
        return _numbered(bench, transfer_id, number)
    found = next((p for p in bench.state.running() if p.transfer_id == transfer_id), None)
    if found is None:
        raise refused(
            "no-pass-runs",
            f"No pass of {transfer_id} is running.",
            todo="Name the pass by its number, and when it happened; or start a pass.",
            where=transfer_id,
        )
    return found


def stopped_pass(members: Mapping[str, Any], bench: Bench, wanted: Callable[[Pass], bool], what: str) -> Pass:
    """The pass an act is about: the one it names, else the only stopped one that is `wanted`.

    what: the wanted ones in words, for the refusal.
    """
    transfer_id, number = transfer(members, bench), whole(members, "pass")
    if number is not None:
        found = _numbered(bench, transfer_id, number)
        if found.running:
            raise refused(
                "pass-runs",
                f"{this_pass(found)} still runs.",
                todo="Stop it first.",
                where=transfer_id,
            )
        return found
    taken = bench.state.transfers.get(transfer_id)
    fitting = [p for p in (taken.passes if taken else ()) if not p.running and wanted(p)]
    runs = next((p for p in bench.state.running() if p.transfer_id == transfer_id), None)
    if not fitting and runs is not None:
        raise refused("pass-runs", f"{this_pass(runs)} still runs.", todo="Stop it first.", where=transfer_id)
    if len(fitting) != 1:
        many = f"{len(fitting)} passes" if fitting else "no pass"
        numbers = f": {listed(str(p.number) for p in fitting)}" if fitting else ""
        raise refused(
            "which-pass",
            f"{transfer_id} has {many} {what}{numbers}.",
            todo="Name the pass by its number."
            if fitting
            else "See what there is: on the page Chains, or by `provpack jot show`.",
            where=transfer_id,
        )
    return fitting[0]


def _numbered(bench: Bench, transfer_id: str, number: int) -> Pass:
    found = bench.state.pass_of(transfer_id, number)
    if found is None:
        taken = bench.state.transfers.get(transfer_id)
        there = [str(p.number) for p in taken.passes] if taken else []
        has = f"It has {listed(there)}" if there else "It has none yet"
        raise refused(
            "pass-unknown",
            f"{transfer_id} has no pass {number} in the bench log.",
            todo=f"{has}: correct the number, or start a pass.",
            where=transfer_id,
        )
    return found
