"""Fault notices about one piece of equipment: those of the ledgers and those of the register, as one list."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from provpack.jobs.tracetimes import Stretch, stretch_of_fault
from provpack.model.formats import read_moment

if TYPE_CHECKING:
    from provpack.catalogue.values import Fault
    from provpack.jobs.loaded import Equipment

Source = Literal["ledger", "register"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """A fault notice. Moments as declared; words: what was found, in every wording there is.

    last_good: the last time the equipment was known to be good, where it stands in for `since`. cleared_at:
    when it was found to have done no harm; a cleared notice casts no doubt on anything any more.
    """

    n: int = 0
    id: str | None = None
    words: tuple[str, ...] = ()
    since: str | None = None
    until: str | None = None
    last_good: str | None = None
    noted_at: str | None = None
    cleared_at: str | None = None
    sources: tuple[Source, ...] = ()

    @property
    def cleared(self) -> bool:
        return self.cleared_at is not None

    @property
    def name(self) -> str:
        """What people call it, where it is plain that a fault notice is meant."""
        return self.id or f"fault notice {self.n}"

    @property
    def called(self) -> str:
        """What it is called where the notice to a client might be meant too."""
        return f"fault notice {self.id}" if self.id else self.name

    @property
    def stretch(self) -> Stretch:
        """The time in which the fault may have had an effect."""
        return stretch_of_fault(self.since or self.last_good, self.until, self.noted_at)

    def as_json(self) -> dict[str, Any]:
        return {
            "n": self.n,
            "id": self.id,
            "words": list(self.words),
            "since": self.since,
            "last_known_good": self.last_good,
            "until": self.until,
            "noted_at": self.noted_at,
            "cleared_at": self.cleared_at,
            "sources": list(self.sources),
        }


def notices_of(faults: Iterable[Fault], entry: Equipment | None) -> tuple[Notice, ...]:
    """All notices, numbered from 1, oldest first. entry: of the register, None when there is none.

    Two that have the same id and tell of the same time are one: each source adds what it knows, and it is
    cleared when one of them says so. Two with the same id that tell of different times stay two.
    """
    good = _last_good(entry)
    merged: dict[object, Notice] = {}
    for number, one in enumerate([*map(_of_ledger, faults), *_of_register(entry)]):
        if one.since is None and good is not None and _was_before(good, one.noted_at):
            one = replace(one, last_good=good)
        key = (one.id, _instants(one.since), _instants(one.until)) if one.id is not None else number
        known = merged.get(key)
        merged[key] = one if known is None else _both(known, one)
    inorder = sorted(merged.values(), key=_age)
    return tuple(replace(one, n=n) for n, one in enumerate(inorder, 1))


def _of_ledger(fault: Fault) -> Notice:
    return Notice(
        id=fault.notice_id, words=(fault.what,) if fault.what.strip() else (), since=fault.since,
        until=fault.until, noted_at=fault.noted_at, cleared_at=fault.cleared_at, sources=("ledger",),
    )  # fmt: skip


def _of_register(entry: Equipment | None) -> list[Notice]:
    out = []
    for told in entry.faults if entry else ():
        if not isinstance(told, Mapping):
            continue
        what = _text(told, "what")
        out.append(
            Notice(
                id=_text(told, "id"),
                words=(what,) if what else (),
                since=_text(told, "since"),
                until=_text(told, "until"),
                noted_at=_text(told, "found_at"),
                cleared_at=_text(told, "cleared_at"),
                sources=("register",),
            )
        )
    return out


def _text(table: Mapping[str, Any], name: str) -> str | None:
    value = table.get(name)
    return value if isinstance(value, str) and value.strip() else None


def _both(one: Notice, two: Notice) -> Notice:
    return replace(
        one,
        words=tuple(dict.fromkeys((*one.words, *two.words))),
        last_good=one.last_good or two.last_good,
        noted_at=min(filter(None, (one.noted_at, two.noted_at)), key=_sorted, default=None),
        cleared_at=one.cleared_at or two.cleared_at,
        sources=tuple(dict.fromkeys((*one.sources, *two.sources))),
    )


def _last_good(entry: Equipment | None) -> str | None:
    told = entry.raw.get("last_known_good") if entry else None
    good = _text(told, "at") if isinstance(told, Mapping) else None
    return good if read_moment(good) is not None else None


def _was_before(good: str, noted: str | None) -> bool:
    """Whether it was known to be good before the fault was found: only then the fault began after that.
    Equipment that was mended since is known to be good too, which says nothing of the time before."""
    one, two = read_moment(good), read_moment(noted)
    return one is not None and two is not None and one.surely_before(two)


def _instants(text: str | None) -> object:
    """The same for one moment told in two zones; a day is not its first second."""
    moment = read_moment(text)
    return (moment.earliest, moment.latest) if moment else text


def _age(one: Notice) -> tuple[str, str]:
    return (_sorted(one.since or one.last_good or one.noted_at or ""), one.id or "")


def _sorted(text: str) -> str:
    moment = read_moment(text)
    return moment.earliest.isoformat() if moment else ""
