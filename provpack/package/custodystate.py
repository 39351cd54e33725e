"""What a custody ledger amounts to: carriers, packages, deliveries and faults after its last line.

Fed one entry after the other; holds one small value per carrier and package, however long the ledger. The
order of two events is that of the moments at which they happened, where both are known well enough, else that
of the lines. A line with `place` is about a package elsewhere: it goes by its place, and says nothing of
the package of that name beside the ledger.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from provpack.model.formats import read_moment, told_backwards
from provpack.package import ledgerline as kinds
from provpack.package.ledgerchain import Entry
from provpack.package.names import package_name

_ENDS = frozenset({kinds.CARRIER_RETURNED, kinds.RETAINED, kinds.DESTROYED})
_NO_RESULT = frozenset({"no_pcm_found", "failed", "stopped_for_safety"})
SETTLED = "settled"
"""Refused, and something else was done about it since."""
_LOOKS_AT_BYTES = frozenset({"bytes", "meaning", None})


@dataclass(frozen=True, slots=True)
class Event:
    """One line: its number in the file, its kind, when it happened (as declared), and the other side."""

    line: int
    kind: str
    moment: str
    organisation: str | None = None


@dataclass(slots=True)
class Carrier:
    """A physical carrier. without_result: a pass that showed that nothing comes of it."""

    received: Event | None = None
    ended: Event | None = None
    without_result: Event | None = None
    packages: set[str] = field(default_factory=set)


@dataclass(slots=True)
class Package:
    """A package by its name, or by its place elsewhere. sealed: wrapped or healed. checked: the last check
    that compared digests; outcome of that check."""

    sealed: Event | None = None
    checked: Event | None = None
    outcome: str | None = None
    gone: bool = False


@dataclass(slots=True)
class Delivery:
    """A hand-over. answers: package -> accepted, refused, SETTLED or None; "" when no package was named."""

    event: Event
    delivery_id: str | None
    answers: dict[str, str | None] = field(default_factory=dict)
    answered: Event | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """An open fault notice."""

    event: Event
    equipment_id: str
    notice_id: str | None
    since: str | None
    until: str | None
    note: str | None


FaultKey = tuple[str, str, int]
"""Equipment, notice (or "line N", when it has no id), and the line that noted it first."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Something kept until a day."""

    event: Event
    until: str
    is_package: bool


class CustodyState:
    """Feed it with add(line, entry); afterwards finish() and read its members."""

    def __init__(self) -> None:
        self.carriers: dict[str, Carrier] = {}
        self.packages: dict[str, Package] = {}
        self.deliveries: dict[str, Delivery] = {}
        self.faults: dict[FaultKey, Fault] = {}
        self.kept: dict[str, Kept] = {}
        self._items: dict[str, set[str]] = {}
        self._delivered: dict[str, str] = {}

    def add(self, line: int, entry: Entry) -> None:
        """Take in one line. Members of a wrong type count as absent; unknown kinds are passed over."""
        kind = entry.get("kind")
        if not isinstance(kind, str):
            return
        event = Event(line, kind, moment_of(entry), text(entry, "organisation"))
        carrier, item = text(entry, "carrier_id"), text(entry, "client_item_id")
        package = package_of(entry)
        for name in dict.fromkeys(n for n in (carrier, item) if n):
            self._link(name, package, event, entry)
        if carrier and item and carrier != item:
            self._items.setdefault(item, set()).add(carrier)
        subject = carrier or item
        if subject and kind == kinds.CARRIER_RECEIVED:
            held = self.carriers[subject]
            held.received = _later(held.received, event)
        elif subject and kind in _ENDS and not text(entry, "package"):
            held = self.carriers[subject]
            held.ended = _later(held.ended, event)
        place = text(entry, "place")
        named = place or text(entry, "package")
        self._take_package(named, event, entry)
        if place is None:
            self._take_delivery(event, entry)
        self._take_fault(event, entry)
        self._take_retention(named, subject, event, entry)

    def finish(self) -> None:
        """Events entered under an item's name belong to its carrier, when it has just one."""
        for item, carriers in self._items.items():
            held = self.carriers.get(item)
            if held is None or held.received is not None or len(carriers) != 1:
                continue
            other = self.carriers[next(iter(carriers))]
            other.ended = _later(other.ended, held.ended) if held.ended else other.ended
            other.packages |= held.packages

    def outcome_of(self, carrier: Carrier) -> bool:
        """Whether anything came of a carrier since it last came in: a package, or a pass without result."""
        since = carrier.received
        found = [p.sealed for name in carrier.packages if (p := self.packages.get(name)) and p.sealed]
        if carrier.without_result is not None:
            found.append(carrier.without_result)
        return any(since is None or not _surely_before(event, since) for event in found)

    def in_house(self, carrier: Carrier) -> bool:
        """Whether a carrier came in and did not leave afterwards."""
        if carrier.received is None:
            return False
        return carrier.ended is None or _surely_before(carrier.ended, carrier.received)

    # --- the kinds of line ---

    def _link(self, name: str, package: str | None, event: Event, entry: Entry) -> None:
        held = self.carriers.setdefault(name, Carrier())
        if package is not None:
            held.packages.add(package)
        if event.kind == kinds.PASS_MADE and entry.get("pass_outcome") in _NO_RESULT:
            held.without_result = _later(held.without_result, event)

    def _take_package(self, name: str | None, event: Event, entry: Entry) -> None:
        if name is None:
            return
        if event.kind in (kinds.WRAPPED, kinds.HEALED):
            self.packages.setdefault(name, Package()).sealed = event
        elif event.kind == kinds.FIXITY_CHECKED and entry.get("depth") in _LOOKS_AT_BYTES:
            held = self.packages.setdefault(name, Package())
            held.checked, held.outcome = event, text(entry, "outcome")
        elif event.kind in (kinds.MOVED, kinds.DESTROYED):
            self.packages.setdefault(name, Package()).gone = True

    def _take_delivery(self, event: Event, entry: Entry) -> None:
        package, number = text(entry, "package"), text(entry, "delivery_id")
        if event.kind == kinds.DELIVERED:
            key = number or f"package {package}"
            held = self.deliveries.get(key)
            if held is None or number is None:
                held = self.deliveries[key] = Delivery(event, number)
            if package is not None:
                held.answers[package] = None
                before = self.deliveries.get(self._delivered.get(package, ""))
                if before is not None and before is not held and before.answers.get(package) == kinds.REFUSED:
                    before.answers[package] = SETTLED  # handed over anew: what comes of that counts
                self._delivered[package] = key
            else:
                held.answers.setdefault("", None)
        elif event.kind in (kinds.ACCEPTED, kinds.REFUSED):
            held = self.deliveries.get(number or self._delivered.get(package or "", ""))
            if held is None:
                if event.kind == kinds.REFUSED:
                    held = self.deliveries[number or f"package {package}"] = Delivery(event, number)
                else:
                    return
            if package is not None:
                held.answers.pop("", None)
            for name in [package] if package is not None else list(held.answers) or [""]:
                held.answers[name] = event.kind
            held.answered = event
        elif event.kind in (kinds.SUPERSEDED, kinds.DESTROYED) and package is not None:
            held = self.deliveries.get(self._delivered.get(package, ""))
            if held is not None and held.answers.get(package) == kinds.REFUSED:
                held.answers[package] = SETTLED

    def _take_fault(self, event: Event, entry: Entry) -> None:
        equipment, notice = text(entry, "equipment_id"), text(entry, "notice_id")
        if equipment is None:
            return
        if event.kind == kinds.FAULT_NOTED:
            fault = Fault(
                event=event, equipment_id=equipment, notice_id=notice, since=text(entry, "since"),
                until=text(entry, "until"), note=text(entry, "note"),
            )  # fmt: skip
            self._note(fault)
        elif event.kind == kinds.FAULT_CLEARED:
            for key in [k for k in self.faults if k[0] == equipment and notice in (None, k[1])]:
                noted = self.faults[key]
                if not clears_before_fault(event.moment, noted.since, noted.event.moment):
                    del self.faults[key]

    def _note(self, fault: Fault) -> None:
        """A notice stands beside others under its id, unless it only words one of them anew, or that one's
        times contradict each other."""
        number = fault.notice_id or f"line {fault.event.line}"
        for key, old in list(self.faults.items()):
            if key[:2] != (fault.equipment_id, number):
                continue
            if (old.since, old.until) == (fault.since, fault.until) or told_backwards(old.since, old.until):
                notes = dict.fromkeys(filter(None, (old.note, fault.note)))
                fault = replace(fault, event=old.event, note="; ".join(notes) or None)
                del self.faults[key]
        self.faults[(fault.equipment_id, number, fault.event.line)] = fault

    def _take_retention(self, package: str | None, subject: str | None, event: Event, entry: Entry) -> None:
        name = package or subject
        if name is None:
            return
        until = text(entry, "until")
        if event.kind == kinds.RETAINED and until is not None:
            self.kept[name] = Kept(event, until, package is not None)
        elif event.kind in (kinds.DESTROYED, kinds.MOVED, kinds.CARRIER_RETURNED):
            self.kept.pop(name, None)


def text(entry: Entry, name: str) -> str | None:
    """A text of an entry; None when it is absent, empty or something else."""
    value = entry.get(name)
    return value if isinstance(value, str) and value else None


def moment_of(entry: Entry) -> str:
    """When the event of a line happened: as declared, else when the line was written."""
    return text(entry, "happened_at") or text(entry, "started_at") or text(entry, "at") or ""


def package_of(entry: Mapping[str, Any]) -> str | None:
    """The package a line is about, or the one its transfer became."""
    named, job, transfer = text(entry, "package"), text(entry, "job_id"), text(entry, "transfer_id")
    return named or (package_name(job, transfer) if job and transfer else None)


def clears_before_fault(cleared: str | None, since: str | None, noted: str | None) -> bool:
    """Whether a clearing is surely older than the fault: than its begin, or than when it was noted."""
    at = read_moment(cleared)
    begins = [found for text_ in (since, noted) if (found := read_moment(text_)) is not None]
    return at is not None and any(at.surely_before(begin) for begin in begins)


def _surely_before(one: Event, two: Event) -> bool:
    first, second = read_moment(one.moment), read_moment(two.moment)
    return first is not None and second is not None and first.surely_before(second)


def _later(old: Event | None, new: Event) -> Event:
    return old if old is not None and _surely_before(new, old) else new
