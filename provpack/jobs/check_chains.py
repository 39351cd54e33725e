"""Checks of equipment and clock: who was used when, and can all of it be true at once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any

from provpack.findings import Finding
from provpack.jobs import rules, valuerules
from provpack.jobs.check_files import FileFacts
from provpack.jobs.declared import found_at
from provpack.jobs.draft import started, used_equipment
from provpack.jobs.loaded import Concerning, LoadedJob, LoadedTransfer, Origin
from provpack.jobs.merge import exact_rate
from provpack.jobs.register import KINDS, moment_range, surely_before
from provpack.package.benchfit import RATE_UNSURE, may_be_longer

# How much longer than its pass a file may be is said in package/benchfit.py, where files are attached to
# passes. A file may be shorter by more than there, for times in a sheet are often noted by hand, in minutes,
# and the deck may be wound on before anybody writes down that the pass is over: common practice, no source.
PASS_MAY_EXCEED = timedelta(minutes=2)
PASS_MAY_EXCEED_SHARE = Fraction(1, 20)
CLOCK_MAY_DIFFER = timedelta(minutes=5)
FILES_SINCE = 1970
"""No transfer room captured sound to a file before; common practice, no source."""
NOBODY_KNOWS = frozenset({"unknown", "not known", "none", "?", "-", "n/a", "not_observed", "not_fitted"})
NO_SERIAL = frozenset({"", "-", "?", "unknown", "none", "n/a"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Playback:
    """One pass of one transfer with what it used; start and stop are None where nobody wrote them down."""

    transfer: LoadedTransfer
    n: int
    origin: Origin
    start: datetime | None
    stop: datetime | None
    resources: tuple[tuple[str, str], ...]
    """(what it is, which one): two passes that share one cannot run at the same time."""


def playbacks(transfer: LoadedTransfer, facts: FileFacts | None) -> list[Playback]:
    """The passes of a transfer. A pass without a stop lasts as long as its file, if that is known."""
    passes = transfer.values.get("passes")
    entries: list[Mapping[str, Any]] = [e for e in passes if isinstance(e, Mapping)] if passes else []
    simple = not entries
    if simple:
        entries = [{"n": 1, "started_at": transfer.started_at, "stopped_at": transfer.stopped_at}]
    out = []
    for index, entry in enumerate(entries):
        start = _instant(entry.get("started_at"))
        stop = _instant(entry.get("stopped_at"))
        if stop is None and start is not None and len(entries) == 1:
            length = _length(transfer, facts)
            stop = start + length if length is not None else None
        name = "started_at" if simple else f"passes/{index}"
        out.append(
            Playback(
                transfer=transfer,
                n=entry.get("n", index + 1),
                origin=transfer.origins.get(name, transfer.origin_of("passes")),
                start=start,
                stop=stop,
                resources=tuple(_resources(transfer.values, entry)),
            )
        )
    return out


def _instant(text: object) -> datetime | None:
    span = moment_range(text)
    return span[0] if span is not None and span[0] == span[1] else None


def _length(transfer: LoadedTransfer, facts: FileFacts | None) -> timedelta | None:
    rate = exact_rate(transfer.values)
    if rate is None or facts is None:
        return None
    return timedelta(seconds=min(float(facts.seconds(rate[0])), 1e9))


def _resources(values: Mapping[str, Any], entry: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    merged = {**values, **entry}
    for role in ("deck", "decoder"):
        if merged.get(f"{role}_id"):
            yield role, str(merged[f"{role}_id"])
    if merged.get("capture_device_id") and merged.get("capture_input"):
        yield "capture input", f"{merged['capture_device_id']} input {merged['capture_input']}"
    elif merged.get("capture_device_id"):
        # Two at once on one device may be right on two inputs; then the inputs have to be named.
        yield "capture input", f"{merged['capture_device_id']} (input not named)"


def crossed(all_playbacks: Sequence[Playback]) -> list[Concerning]:
    """Pairs of transfers that use one thing at one time. Sorted once per thing, then one sweep."""
    lanes: dict[tuple[str, str], list[Playback]] = {}
    for playback in all_playbacks:
        if playback.start is None or playback.stop is None or playback.stop <= playback.start:
            continue
        for resource in playback.resources:
            lanes.setdefault(resource, []).append(playback)
    shared: dict[tuple[int, int], tuple[Playback, Playback, list[str]]] = {}
    for (kind, which), lane in lanes.items():
        lane.sort(key=_start)
        # The latest stop seen, and the latest of any other transfer: enough to find a clash for each
        # pass without comparing every pair.
        latest: list[Playback] = []
        for playback in lane:
            for other in latest:
                if not _one(other, playback) and _stop(other) > _start(playback):
                    key = (id(other), id(playback))
                    shared.setdefault(key, (other, playback, []))[2].append(f"{kind} {which}")
                    break
            latest = _two_latest([*latest, playback])
    return [_clash(*pair) for pair in shared.values()]


def _start(playback: Playback) -> datetime:
    assert playback.start is not None
    return playback.start


def _stop(playback: Playback) -> datetime:
    assert playback.stop is not None
    return playback.stop


def _two_latest(candidates: list[Playback]) -> list[Playback]:
    candidates.sort(key=_stop, reverse=True)
    first = candidates[0]
    second = next((c for c in candidates if not _one(c, first)), None)
    return [first] if second is None else [first, second]


def _one(playback: Playback, other: Playback) -> bool:
    """Of one transfer, or of two that have one recording."""
    return playback.transfer is other.transfer or playback.transfer.shares_recording(other.transfer)


def _clash(first: Playback, second: Playback, things: list[str]) -> Concerning:
    overlap = min(_stop(first), _stop(second)) - _start(second)
    what = (
        f"{second.transfer.transfer_id} and {first.transfer.transfer_id} ({first.origin}) both use "
        f"{' and '.join(things)} for {_span(overlap)} from {_start(second).isoformat()}."
    )
    return found_at(rules.PASSES_CROSSED, what, second.origin), (first.transfer, second.transfer)


def _span(length: timedelta) -> str:
    seconds = round(abs(length.total_seconds()))
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def times(
    transfer: LoadedTransfer, passes: Sequence[Playback], facts: FileFacts | None, now: datetime
) -> Iterator[Finding]:
    """Passes in the future, a pass and its file of different length."""
    for playback in passes:
        if playback.start is None:
            if facts is not None and not transfer.refused & {"started_at", "passes"}:
                what = f"Pass {playback.n} has no time of start."
                yield found_at(rules.PASS_UNTIMED, what, playback.origin)
            continue
        if playback.start > now + CLOCK_MAY_DIFFER:
            what = f"Pass {playback.n} starts at {playback.start.isoformat()}, now is {now.isoformat()}."
            yield found_at(rules.PASS_FUTURE, what, playback.origin)
        if playback.start.year < FILES_SINCE:
            what = f"Pass {playback.n} starts in the year {playback.start.year}."
            yield found_at(valuerules.PASS_TOO_EARLY, what, playback.origin)
    length = _length(transfer, facts)
    single = passes[0] if len(passes) == 1 else None
    if length is None or single is None or single.start is None or transfer.values.get("assembly"):
        return
    if single.stop is None or single.stop < single.start:
        return
    lasted = single.stop - single.start
    too_long = max(PASS_MAY_EXCEED, length * float(PASS_MAY_EXCEED_SHARE))
    # twice: the bench goes by the header's rate, which may be off by as much, and here it is the exact one
    unsure = 2 * RATE_UNSURE * length.total_seconds()
    over = timedelta(seconds=may_be_longer(lasted.total_seconds()) + unsure)
    if length > lasted + over or lasted > length + too_long:
        what = (
            f"The pass lasted {_span(lasted)}, the file holds {_span(length)} "
            f"({facts.frames if facts else 0} frames at the exact rate)."
        )
        yield found_at(rules.PASS_LENGTH, what, single.origin)


def equipment(job: LoadedJob, transfer: LoadedTransfer) -> Iterator[Finding]:
    """Ids that are not in the register or of another kind, and disagreements with it."""
    values = transfer.values
    for role, kinds in KINDS.items():
        for item_id, place in _named(transfer, role):
            item = job.equipment.get(item_id)
            if item is None:
                if job.equipment:
                    what = f"There is no equipment '{item_id}' in the register."
                    yield found_at(rules.EQUIPMENT_UNKNOWN, what, place, todo=stand_in(role, item_id))
            elif item.kind and item.kind not in kinds:
                what = f"'{item_id}' is registered as {item.kind}, not as {role}."
                yield found_at(rules.EQUIPMENT_KIND, what, place)
    used = used_equipment(job, values)
    for role, item in used.items():
        for name, key in ((f"{role}_serial", "serial"), (f"{role}_make_model", "make_model")):
            declared, registered = values.get(name), item.raw.get(key)
            if declared and registered and declared != registered:
                what = f"'{declared}' is declared, the register says '{registered}' for {item.id}."
                yield found_at(rules.EQUIPMENT_DIFFERS, what, transfer.origin_of(name))


def stand_in(role: str, item_id: str) -> str:
    """What to do where a word stands in place of an identifier because nobody knows which machine it was."""
    if item_id.strip().casefold() not in NOBODY_KNOWS:
        return ""
    kind = role.replace("_", " ")
    return (
        f"An identifier of the register belongs there. If nobody knows which {kind} it was, add one to the "
        f"register that stands for it, such as '{kind.replace(' ', '-')}-not-known' with make and model 'not "
        "known' and serial 'none visible', and name that. If there was none, leave it empty."
    )


def _named(transfer: LoadedTransfer, role: str) -> Iterator[tuple[str, Origin]]:
    seen: set[str] = set()
    name = f"{role}_id"
    entries: list[Any] = transfer.values.get("passes") or []
    places = [(transfer.values, transfer.origin_of(name))]
    places += [(e, transfer.origins.get(f"passes/{n}", transfer.origin)) for n, e in enumerate(entries)]
    for holder, place in places:
        value = holder.get(name) if isinstance(holder, Mapping) else None
        if isinstance(value, str) and value not in seen:
            seen.add(value)
            yield value, place


def serials(job: LoadedJob, used: set[str]) -> Iterator[Finding]:
    """Equipment that was used and has no serial number."""
    for item_id in sorted(used & set(job.equipment)):
        item = job.equipment[item_id]
        if item.serial.strip().casefold() in NO_SERIAL:
            yield found_at(rules.EQUIPMENT_SERIAL, f"'{item_id}' has no serial number.", item.origin)


def chain_check(job: LoadedJob, transfer: LoadedTransfer, checked_at: object) -> Iterator[Finding]:
    """What the register says of the check that is named, and of those between it and the pass.

    Also: the last check came before a service of decoder or capture device (the deck: a rule of records).
    """
    begun = started(transfer)
    yield from _named_check(job, transfer, checked_at)
    yield from _failed_since(job, transfer, checked_at, begun)
    if begun is None or not isinstance(checked_at, str) or moment_range(checked_at) is None:
        return
    name = "chain_check_at" if "chain_check_at" in transfer.origins else "chain_check_id"
    place = transfer.origin_of(name)
    for role, item in used_equipment(job, transfer.values).items():
        for service in item.services if role != "deck" else ():
            if surely_before(checked_at, service) and surely_before(service, begun):
                what = f"{item.id} was serviced on {service}, the chain was last checked on {checked_at}."
                yield found_at(rules.CHECK_BEFORE_SERVICE, what, place)
                break


def _checks(job: LoadedJob) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """(equipment id, check) for every check of the register."""
    for item in job.equipment.values():
        raw = item.raw.get("checks", [])
        for check in raw if isinstance(raw, list) else []:
            yield item.id, check


def _named_check(job: LoadedJob, transfer: LoadedTransfer, checked_at: object) -> Iterator[Finding]:
    """A check that is named was passed, on this chain; else no date of it could be true."""
    wanted = transfer.values.get("chain_check_id")
    if not isinstance(wanted, str) or wanted in ("none", "unknown"):
        return
    place = transfer.origin_of("chain_check_id")
    mine = {item.id for item in used_equipment(job, transfer.values).values()}
    same = [(holder, check) for holder, check in _checks(job) if check.get("id") == wanted]
    if any(check.get("outcome") == "failed" for _, check in same):
        what = f"The register says that check '{wanted}' failed."
        yield found_at(rules.CHECK_FAILED, what, place)
    elif checked_at is None and "chain_check_at" not in transfer.refused:
        why = "The register has no such check"
        for holder, check in same:
            other = check.get("chain_id")
            why = f"The register has it on {holder}, which this chain does not use"
            if holder in mine:
                why = f"The register has it for chain {other}, this is chain {transfer.chain_id}"
        yield found_at(rules.CHECK_UNKNOWN, f"Check '{wanted}' is named. {why}.", place)


def _failed_since(
    job: LoadedJob, transfer: LoadedTransfer, checked_at: object, begun: str | None
) -> Iterator[Finding]:
    """A check of this chain that failed after the one named and before the pass."""
    if begun is None or not isinstance(checked_at, str):
        return
    mine = {item.id for item in used_equipment(job, transfer.values).values()}
    for holder, check in _checks(job):
        at, chain = check.get("at"), check.get("chain_id")
        if holder not in mine or check.get("outcome") != "failed" or chain not in (None, transfer.chain_id):
            continue
        if isinstance(at, str) and surely_before(checked_at, at) and surely_before(at, begun):
            what = f"Check '{check.get('id')}' of {holder} failed on {at}, after the check named here."
            yield found_at(rules.CHECK_FAILED_SINCE, what, transfer.origin_of("chain_check_id"))
