"""Trace one piece of equipment: every pass it took part in, and the word of each fault notice on it. Reads
only."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Protocol

from provpack.errors import InputProblem
from provpack.findings import Finding
from provpack.jobs import tracerules as rules
from provpack.jobs.traced import ClientPasses, Entry, Looked, Played, Traced, transfer_of
from provpack.jobs.tracefaults import Notice, notices_of
from provpack.jobs.tracefitted import Through, fitted_here, fittings_of, ways_from
from provpack.jobs.tracetimes import FOREVER, Stretch, Window, judge, together
from provpack.model.formats import read_moment
from provpack.package.bagpaths import position, readable
from provpack.package.figures import counted, moment_words
from provpack.package.noticewords import PEOPLE

if TYPE_CHECKING:
    from provpack.catalogue.values import Answer, Fault, Ledger, Touch
    from provpack.jobs.loaded import Equipment

_NEAR: Final = 5
_TOLD: Final = 20
"""Packages that are named because they could not be read; the others are counted."""
_NO_MACHINE: Final = PEOPLE | {"software", "chain"}
"""Roles that an identifier of the register cannot mean."""
_HELD: Final = "(name held back)"


class Asked(Protocol):
    """What is asked of a catalogue (catalogue/asking.py)."""

    def touched(self, what: str, since: str | None, until: str | None) -> Iterable[Touch]: ...
    def parts_like(self, text: str, limit: int) -> list[tuple[str, str, int]]: ...
    def faults(self, equipment: str) -> list[Fault]: ...
    def broken_ledgers(self) -> list[Ledger]: ...
    def not_read(self, limit: int) -> Answer: ...
    def roots(self) -> list[tuple[str, str]]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What was asked for. register: entries by id, None when there is no register."""

    equipment: str
    window: Window
    register: Mapping[str, Equipment] | None = None


def trace(asked: Asked, question: Question, looked: Looked, findings: Iterable[Finding] = ()) -> Traced:
    """The answer, without letters. findings: about the register, told first.

    Raises InputProblem when neither the packages nor the ledgers nor the register know the equipment.
    """
    what, register = question.equipment, question.register or {}
    entry, before = register.get(what), tuple(findings)
    faults = asked.faults(what)
    direct = _merged(_direct(asked, question))
    here = fitted_here(what, register)
    if not direct and not faults and entry is None and not here and not _known(asked, what):
        raise _unknown(asked, what, register, before)
    notices = notices_of(faults, entry)
    times = [notice.stretch for notice in notices]
    unread = asked.not_read(_TOLD)
    judged = [_judged(one, times) for one in (*direct, *_by_way(asked, question, direct))]
    result = Traced(
        equipment=what,
        window=question.window,
        looked=replace(looked, not_read=unread.total, seen=tuple(asked.roots())),
        roles=tuple(sorted({role for one in direct for role in one.roles})),
        entry=_entry(entry),
        fitted_here=here,
        notices=notices,
        clients=_by_client(judged),
    )
    said = [*before, *_about(result, question, asked), *_not_read(unread)]
    return replace(result, findings=tuple(said))


def everyone(asked: Asked, question: Question) -> Iterator[Touch]:
    """All touches at any time, also by way of the register: whose things somebody may speak of who speaks of
    the equipment."""
    ways = {way.what for way in ways_from(question.equipment, question.register or {})}
    for what in (question.equipment, *ways):
        yield from asked.touched(what, None, None)


def _known(asked: Asked, what: str) -> bool:
    return next(iter(asked.touched(what, None, None)), None) is not None


def _unknown(
    asked: Asked, what: str, register: Mapping[str, Equipment], before: Sequence[Finding]
) -> InputProblem:
    known = dict.fromkeys((name, role) for name, role, _ in asked.parts_like(what, _NEAR))
    named = {name for name, _ in known}
    alike = difflib.get_close_matches(what, [n for n in register if n not in named], n=_NEAR)
    known.update(dict.fromkeys((name, "register") for name in alike))
    near = sorted(known, key=lambda pair: -difflib.SequenceMatcher(None, what[:200], pair[0][:200]).ratio())
    hint = ", ".join(f"{readable(name)} ({readable(role)})" for name, role in near[:_NEAR])
    hint = f" Did you mean {hint}?" if hint else ""
    missing = asked.not_read(1)
    if before:
        hint += f" Not everything was read: {before[0].where}: {before[0].what}"
    elif missing.total:
        first = missing.first[0]
        hint += f" Not everything was read: {readable(first.place)}: {readable(first.detail)[:400]}"
    return InputProblem(
        "equipment-unknown",
        f"No package, no ledger and no register that was looked at knows '{readable(what)}'.{hint}",
        where="--equipment",
        todo="Write the identifier as the register or the record has it; capitals and blanks count. A person "
        "whose name is held back cannot be found by it.",
    )


def _direct(asked: Asked, question: Question) -> Iterator[Played]:
    since, until = question.window.as_utc()
    for touch in asked.touched(question.equipment, since, until):
        one = _played(touch)
        if question.window.may_hold(one.stretch):
            yield one


def _played(touch: Touch) -> Played:
    return Played(
        package=touch.package, roles=(touch.role,), pass_n=touch.pass_n, started_at=touch.started_at,
        stopped_at=touch.stopped_at,
    )  # fmt: skip


def _merged(passes: Iterable[Played]) -> list[Played]:
    """One value for each pass, with every role the equipment had in it and every copy that tells of it."""
    out: dict[object, Played] = {}
    for one in passes:
        key = (one.transfer, one.pass_n, one.started_at, one.stopped_at)
        known = out.get(key)
        out[key] = one if known is None else known.also(one)
    return list(out.values())


def _by_way(asked: Asked, question: Question, direct: Iterable[Played]) -> Iterable[Played]:
    """Passes of the machines and chains it was in; not those whose record names the equipment itself."""
    since, until = question.window.as_utc()
    named = {(one.transfer, one.pass_n) for one in direct}
    out: dict[object, Played] = {}
    for way in ways_from(question.equipment, question.register or {}):
        for touch in asked.touched(way.what, since, until):
            transfer = transfer_of(touch.package)
            if not _is_meant(touch, way) or {(transfer, touch.pass_n), (transfer, None)} & named:
                continue
            one = replace(_played(touch), through=way)
            fitted = together([*way.stretches, one.stretch])
            if fitted == "never" or not question.window.may_hold(one.stretch):
                continue
            key = (transfer, touch.pass_n, touch.started_at, touch.stopped_at)
            known, one = out.get(key), replace(one, fitted=fitted)
            if known is None:
                out[key] = one
            elif known.fitted == "perhaps" and fitted == "surely":
                out[key] = replace(one.also(known), roles=one.roles)
            else:
                out[key] = replace(known.also(one), roles=known.roles)
    return out.values()


def _is_meant(touch: Touch, way: Through) -> bool:
    return touch.role == "chain" if way.kind == "chain" else touch.role not in _NO_MACHINE


def _judged(one: Played, times: Sequence[Stretch]) -> Played:
    fitted, played = one.through.stretches if one.through else (), one.stretch
    return replace(one, judgements=tuple(judge(played, fault, fitted) for fault in times))


def _entry(entry: Equipment | None) -> Entry | None:
    if entry is None:
        return None
    return Entry(
        kind=entry.kind, make_model=entry.make_model, serial=entry.serial,
        fitted_to=tuple(fittings_of(entry)),
    )  # fmt: skip


def _by_client(passes: Iterable[Played]) -> tuple[ClientPasses, ...]:
    groups: dict[str | None, list[Played]] = {}
    for one in passes:
        groups.setdefault(one.package.client, []).append(one)
    return tuple(
        ClientPasses(
            client=client,
            passes=tuple(p for p in found if p.dated),
            undated=tuple(p for p in found if not p.dated),
        )
        for client, found in sorted(
            ((c, sorted(ps, key=_when)) for c, ps in groups.items()),
            key=lambda group: (group[0] is None, (group[0] or "").casefold(), group[0] or ""),
        )
    )


def _when(one: Played) -> tuple[str, str, int, int]:
    moment = read_moment(one.started_at) or read_moment(one.stopped_at)
    at = moment.earliest if moment else FOREVER
    return (at.isoformat(), one.package.name, one.package.id, one.pass_n or 0)


# --- what is worth saying ---


def _about(result: Traced, question: Question, asked: Asked) -> Iterator[Finding]:
    what = readable(result.equipment)
    for notice in result.notices:
        if not notice.cleared:
            yield from _about_notice(notice, result)
    ids = [n.id for n in result.notices if n.id is not None]
    for name in sorted({i for i in ids if ids.count(i) > 1}):
        yield rules.NOTICES_DIFFER.found(
            f"Fault notice {readable(name)} is told {ids.count(name)} times, with different times.", what
        )
    for ledger in asked.broken_ledgers():
        shown = readable(ledger.path)
        yield rules.LEDGER_BROKEN.found(f"{readable(ledger.broken)[:400]}", shown, position=position(shown))
    if result.equipment.endswith(_HELD):
        yield rules.HELD_LABEL.found(f"'{what}' stands where a name is held back.", "--equipment")
    if question.register is not None and result.entry is None:
        yield rules.NOT_IN_REGISTER.found(f"The register has no entry {what}.", result.looked.register or "")
    by_way = [p for p in result.everything if p.through is not None]
    if by_way:
        through = ", ".join(sorted({readable(p.through.what) for p in by_way if p.through}))
        yield rules.DERIVED.found(
            f"{_many(by_way)} listed because the register says that {what} was fitted to {through}.", what
        )
    if PEOPLE & set(result.roles) or not (result.roles or result.notices or result.entry or by_way):
        yield rules.NAMES_HELD.found(
            f"Packages in which names were held back do not name {what} and are missing from this list.", what
        )
    undated = [p for p in result.everything if not p.dated]
    if undated:
        yield rules.UNDATED.found(f"{_many(undated)} listed for which nobody noted a time.", what)
    yield from _about_packages(result)


def _about_notice(notice: Notice, result: Traced) -> Iterator[Finding]:
    counts = result.counts(notice.n)
    name = readable(notice.called)
    unread = [t for t in (notice.since, notice.until) if t is not None and read_moment(t) is None]
    if notice.stretch.impossible or unread:
        begin = notice.since or (f"{notice.last_good} (last known good)" if notice.last_good else "?")
        yield rules.NOTICE_TIMES.found(
            f"By {name} the fault lasted from {readable(begin)} to {readable(notice.until or '?')}.",
            readable(result.equipment),
        )
    if counts["covered"]:
        yield rules.COVERED.found(
            f"{_transfers(counts['covered'])} into the time of {name}.", readable(result.equipment)
        )
    if counts["cannot_be_told"]:
        yield rules.CANNOT_BE_TOLD.found(
            f"{_transfers(counts['cannot_be_told'], 'may fall')} into the time of {name}; what was "
            "noted does not tell.",
            readable(result.equipment),
        )


def _transfers(count: int, word: str = "") -> str:
    verb = word or ("falls" if count == 1 else "fall")
    return f"{count} {'transfer' if count == 1 else 'transfers'} {verb}"


def _many(passes: list[Played]) -> str:
    return "1 pass is" if len(passes) == 1 else f"{len(passes)} passes are"


def _about_packages(result: Traced) -> Iterator[Finding]:
    for package in {p.id: p for one in result.everything for p in one.places}.values():
        shown = readable(package.place)
        if package.gone:
            yield rules.GONE.found(f"{readable(package.name)} is not there any more.", shown)
        if package.superseded:
            what = f"{readable(package.name)} was superseded by a newer package of the same transfer."
            yield rules.SUPERSEDED.found(what, shown, position=position(shown))
        if package.last_outcome not in (None, "good"):
            day = moment_words(package.last_checked_at or "an unknown day")
            what = f"{readable(package.name)}: {package.last_outcome} on {day}."
            yield rules.CHECK_NOT_GOOD.found(what, shown, position=position(shown))


def _not_read(unread: Answer) -> Iterator[Finding]:
    for package in unread.first:
        shown = readable(package.place)
        what = f"{readable(package.name)}: {readable(package.detail)[:400]}"
        yield rules.NOT_READ.found(what, shown, position=position(shown))
    more = unread.total - len(unread.first)
    if more > 0:
        what = f"{counted(more, 'more package')} could not be read wholly."
        yield rules.NOT_READ.found(what, "")
