"""Taking a line back: it stays in the log, and no longer counts.

What a line carries must not vanish with it: where others rest on it, they are taken back first, so that
nobody loses by one key what took an evening to write.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import combinations
from typing import Any

from provpack.jobs.benchact import (
    Bench,
    Line,
    clock_words,
    maybe,
    of_pass,
    only,
    refused,
    whole,
)
from provpack.jobs.benchattach import refuse_sealed
from provpack.jobs.benchplay import why_not_both
from provpack.jobs.benchsaid import with_log
from provpack.model.labels import label
from provpack.package.benchstate import BenchState, Pass


def taken_back(members: Mapping[str, Any], bench: Bench) -> Line:
    """Take an earlier line back. A taken_back line may be taken back itself: then the first counts again."""
    only(members, "entry", "reason")
    number = whole(members, "entry")
    if number is None:
        raise refused("member-missing", "Which line?", todo="Give its number.", where="entry")
    entry = _line(bench.state, number)
    if not entry:
        raise refused(
            "line-unknown",
            f"The log has no line {number}; it has {bench.state.n}.",
            todo="Look at what is written down: on the page Chains, or by `provpack jot show`.",
            where="entry",
        )
    if number in bench.state.taken_back:
        raise refused(
            "taken-back-already",
            f"Line {number} was taken back already.",
            todo="Nothing is to be done. To have it count again, take the line back that took it back.",
            where="entry",
        )
    transfer_id = transfer_of(entry, bench.state)
    if transfer_id is not None:
        refuse_sealed(bench, transfer_id, str(entry.get("at")), f"Line {number} stays as it is")
    line = {"entry": number, "reason": maybe(members, "reason")}
    after = bench.without(number)
    if entry.get("kind") == "taken_back":
        _not_done_anew(bench, number, entry, after)
    _nothing_lost(bench, number, after)
    wrong = next(clashes(after), None)
    if wrong is not None:
        raise refused(
            "cannot-be-taken-back",
            f"Line {number} cannot be taken back: {wrong}.",
            todo="Put that right first, then take it back. If it cannot be, leave it and write a note.",
            where="entry",
        )
    return Line(members=line, about=f"line {number} taken back: {summary(entry)}")


def transfer_of(entry: Mapping[str, Any], state: BenchState) -> str | None:
    """The transfer a line is about, None when it is about none."""
    if entry.get("kind") == "taken_back":
        first = _line(state, entry.get("entry"))
        return transfer_of(first, state) if first.get("n") != entry.get("n") else None
    if entry.get("scope") == "transfer":
        return str(entry.get("id") or "") or None
    return str(entry.get("transfer_id") or "") or None


def summary(entry: Mapping[str, Any]) -> str:
    """A line in a few words, for lists and for what was taken back."""
    about, number = entry.get("transfer_id"), entry.get("pass")
    of = f"pass {number} of {about}" if number is not None else str(about or "")
    match entry.get("kind"):
        case "taken_in":
            return f"{entry.get('transfer_id')} taken in"
        case "declared":
            place = f" of {entry['id']}" if entry.get("id") else ""
            what = "taken away" if entry.get("value") is None else "stated"
            return f"{label(str(entry.get('field')))}{place} {what}"
        case "pass_started":
            return f"{of} started on chain {entry.get('chain_id')}"
        case "pass_stopped":
            return f"{of} stopped: {str(entry.get('outcome')).replace('_', ' ')}"
        case "event":
            return f"{str(entry.get('type')).replace('_', ' ')}, {of}"
        case "noted":
            return f"note{', ' + of if of else ''}"
        case "file_attached":
            return f"{entry.get('file')} attached to {of}"
        case "file_detached":
            return f"{entry.get('file')} taken off {of}"
        case "judged":
            return f"{of} {'accepted' if entry.get('verdict') == 'accepted' else 'to be made again'}"
        case "taken_back":
            return f"line {entry.get('entry')} taken back"
    return str(entry.get("kind"))


def _not_done_anew(bench: Bench, number: int, entry: Mapping[str, Any], after: BenchState) -> None:
    """Refuse to restore what somebody has done anew meanwhile: a pass of that number or on those machines,
    its end, its file, its verdict."""
    back = entry
    while back.get("kind") == "taken_back":
        back = _line(bench.state, back.get("entry"))
    transfer_id, pass_number, kind = str(back.get("transfer_id")), back.get("pass"), back.get("kind")
    if not isinstance(pass_number, int):
        return
    now, then = bench.state.pass_of(transfer_id, pass_number), after.pass_of(transfer_id, pass_number)
    anew = ""
    if now is not None and then is not None and now.n != then.n:
        at = clock_words(now.started_at, bench.at)
        anew = f"it was started anew at {at} on chain {now.chain_id} (line {now.n})"
    elif now is None and then is not None and then.running:
        other = _used_since(then, [p for t in after.transfers.values() for p in t.passes])
        if other is not None:
            at = clock_words(other.started_at, bench.at)
            anew = f"{of_pass(other)} was played on its machines since, from {at} on (line {other.n})"
            now = then
    elif now is not None and kind == "pass_stopped" and now.stopped_n is not None:
        at = clock_words(now.stopped_at, bench.at)
        anew = f"it was stopped anew at {at} (line {now.stopped_n})"
    elif now is not None and kind == "file_attached" and now.attached is not None:
        anew = f"it has the file '{now.attached.file}' since (line {now.attached.n})"
    elif now is not None and kind == "judged" and now.verdict_n is not None:
        anew = f"it was judged anew (line {now.verdict_n})"
    if anew and now is not None:
        raise refused(
            "done-anew",
            f"Line {number} cannot be taken back: it would bring back an earlier line about {of_pass(now)}, "
            f"but {anew}.",
            todo="Leave it as it is. If the earlier line was right after all, write a note that says so.",
            where="entry",
        )


def _used_since(one: Pass, passes: Iterable[Pass]) -> Pass | None:
    """A pass begun after this one on one of its machines, and over by now."""
    since = [p for p in passes if p.n > one.n and p.transfer_id != one.transfer_id and not p.running]
    return next((p for p in since if why_not_both(one.transfer_id, one.chain_id, one.settings, p)), None)


def _nothing_lost(bench: Bench, number: int, after: BenchState) -> None:
    now, then = _differing(bench.state, after)
    gone = now - then - {number}
    taken = next((t for t in bench.state.transfers.values() if t.n == number), None)
    if taken is not None and taken.transfer_id not in bench.sheets().transfers:
        gone |= set(counting_of(after, taken.transfer_id))
        own = ("transfer", taken.transfer_id)
        gone |= {stated.n for key, stated in after.values.items() if key[:2] == own}
    chains = with_log(bench.sheets(), after).chains
    gone |= {p.n for t in after.transfers.values() for p in t.passes if p.chain_id not in chains}
    if gone:
        first = ", ".join(str(n) for n in sorted(gone, reverse=True)[:10])
        more = f" and {len(gone) - 10} earlier ones" if len(gone) > 10 else ""
        raise refused(
            "others-rest-on-it",
            f"Other lines rest on line {number}: {first}{more}.",
            todo="Nothing logged is lost with another line: take those back first, the last one first. A "
            "pass that went wrong is stopped, with its outcome, and made again.",
            where="entry",
        )


def _line(state: BenchState, number: object) -> Mapping[str, Any]:
    """The line of that number, {} when there is none; at its own place in a log of which nothing is lost."""
    if type(number) is not int:
        return {}
    there = state.entries[number - 1] if 0 < number <= len(state.entries) else {}
    if there.get("n") == number:
        return there
    return next((e for e in state.entries if e.get("n") == number), {})


def _differing(now: BenchState, then: BenchState) -> tuple[set[int], set[int]]:
    """Numbers of the lines that have an effect in one state and in the other, where the two are not one."""
    out: tuple[set[int], set[int]] = (set(), set())
    for numbers, state, other in zip(out, (now, then), (then, now), strict=True):
        if state.values is not other.values:
            numbers |= {s.n for key, s in state.values.items() if other.values.get(key) is not s}
        if state.notes != other.notes:
            numbers |= {n.n for n in state.notes}
        for transfer_id, taken in state.transfers.items():
            if other.transfers.get(transfer_id) is not taken:
                numbers |= set(counting_of(state, transfer_id))
    return out


def counting_of(state: BenchState, transfer_id: str) -> Iterator[int]:
    """The same for one transfer, its values left out."""
    taken = state.transfers.get(transfer_id)
    if taken is None:
        return
    yield from ([taken.n] if taken.n is not None else [])
    yield from (n.n for n in taken.notes)
    for one in taken.passes:
        yield one.n
        yield from (n for n in (one.stopped_n, one.verdict_n) if n is not None)
        yield from (e.n for e in one.events)
        yield from (n.n for n in one.notes)
        yield from ([one.attached.n] if one.attached is not None else [])


def clashes(state: BenchState) -> Iterator[str]:
    """What cannot be, in words: none of it can come about by acts, only by taking lines back."""
    passes = [p for t in state.transfers.values() for p in t.passes]
    for one, other in combinations(state.running(), 2):
        if why := why_not_both(one.transfer_id, one.chain_id, one.settings, other):
            yield why
    held: dict[str, Pass] = {}
    for one in passes:
        if one.running:
            later = [p for p in passes if p.transfer_id == one.transfer_id and p.number > one.number]
            if later:
                yield f"{of_pass(one)} would run again, though {of_pass(later[0])} came after it"
            if one.attached is not None:
                yield f"{of_pass(one)} would run again, though it has the file '{one.attached.file}'"
            if one.verdict is not None:
                yield f"{of_pass(one)} would run again, though it was judged (line {one.verdict_n})"
        if one.attached is not None:
            other_ = held.setdefault(one.attached.file, one)
            if other_ is not one:
                yield f"'{one.attached.file}' would be the file of {of_pass(other_)} and of {of_pass(one)}"
    for transfer_id, taken in state.transfers.items():
        numbers = [p.number for p in taken.passes]
        if len(set(numbers)) != len(numbers):
            yield f"{transfer_id} would have two passes of the same number"
