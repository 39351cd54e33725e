"""What the register says is fitted to what: through which machines and chains a part was in the path.

The register is today's; a record names machines and chains. So what follows from here is derived, and said to
be: nobody noted it when the transfer was made.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from provpack.jobs.loaded import Equipment
from provpack.jobs.tracetimes import Stretch, stretch_of_fitting, together

Kind = Literal["equipment", "chain"]
_DEEPEST = 8
_MOST = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """One entry of `fitted`: part is in `into` from since to until (as declared; None = open)."""

    part: str
    into: str
    kind: Kind
    since: str | None = None
    until: str | None = None
    note: str | None = None

    @property
    def stretch(self) -> Stretch:
        return stretch_of_fitting(self.since, self.until)

    def as_json(self) -> dict[str, Any]:
        return {
            "part": self.part, "into": self.into, "kind": self.kind, "since": self.since,
            "until": self.until, "note": self.note,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Through:
    """A machine or chain that records may name, and the steps from the part to it."""

    what: str
    kind: Kind
    steps: tuple[Fitting, ...]

    @property
    def stretches(self) -> tuple[Stretch, ...]:
        return tuple(step.stretch for step in self.steps)


def fittings_of(entry: Equipment) -> Iterator[Fitting]:
    """The entries of `fitted` that name something."""
    told = entry.raw.get("fitted")
    for one in told if isinstance(told, list) else ():
        if not isinstance(one, Mapping):
            continue
        since, until, note = _text(one, "since"), _text(one, "until"), _text(one, "note")
        for key, kind in _KINDS:
            into = _text(one, key)
            if into is not None:
                yield Fitting(part=entry.id, into=into, kind=kind, since=since, until=until, note=note)


_KINDS: tuple[tuple[str, Kind], ...] = (("equipment_id", "equipment"), ("chain_id", "chain"))


def _text(table: Mapping[str, Any], name: str) -> str | None:
    value = table.get(name)
    return value if isinstance(value, str) and value.strip() else None


def ways_from(part: str, register: Mapping[str, Equipment]) -> tuple[Through, ...]:
    """Everything the part is in, also by way of what it is in: a firmware in a board in a decoder.

    Ways that no instant allows are left out; so are circles, ways of more than 8 steps, and what comes after
    1000 ways.
    """
    out: list[Through] = []
    waiting: list[tuple[Fitting, ...]] = [()]
    while waiting and len(out) < _MOST:
        way = waiting.pop(0)
        entry = register.get(way[-1].into if way else part)
        if entry is None or (way and way[-1].kind == "chain") or len(way) >= _DEEPEST:
            continue
        been = {part, *(step.into for step in way)}
        for step in fittings_of(entry):
            longer = (*way, step)
            if step.kind == "equipment" and step.into in been:
                continue
            if together([s.stretch for s in longer]) == "never" or len(out) >= _MOST:
                continue
            out.append(Through(what=step.into, kind=step.kind, steps=longer))
            waiting.append(longer)
    return tuple(out)


def fitted_here(machine: str, register: Mapping[str, Equipment]) -> tuple[Fitting, ...]:
    """What the register says is, or was, in this machine or chain."""
    return tuple(f for f in _all(register.values()) if f.into == machine)


def _all(entries: Iterable[Equipment]) -> Iterator[Fitting]:
    for entry in entries:
        yield from fittings_of(entry)
