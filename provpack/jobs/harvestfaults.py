"""The fault notices of one custody ledger: every one that was noted, and which of them are cleared.

A notice that is noted again under its id does not take the place of the first: what somebody wrote of other
times stands beside it, and each transfer is judged by both. Two wordings of one time are one notice. Only a
notice whose times contradict each other, or cannot be read, gives way to a later one under its id.

A clearing counts when it is not older than the fault: nobody finds that a fault did no harm before it was
there. One at or before the last touched line of a broken ledger does not count.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from provpack.catalogue.values import Fault
from provpack.jobs.harvestwords import text
from provpack.jobs.tracetimes import stretch_of_fault
from provpack.model.formats import read_moment
from provpack.package import ledgerline as kinds
from provpack.package.custodystate import clears_before_fault
from provpack.package.custodystate import text as said
from provpack.package.ledgerchain import Entry

_LONGEST = 2000


@dataclass(slots=True)
class _Noted:
    """A notice, and the clearings that are about it: their line, and when it was cleared."""

    fault: Fault
    clearings: list[tuple[int, str | None]] = field(default_factory=list)


class Faults:
    """Feed it with take(line, entry); afterwards ask after()."""

    def __init__(self) -> None:
        self._noted: dict[tuple[str, str], list[_Noted]] = {}

    def take(self, line: int, entry: Entry) -> None:
        """One line; of another kind than these two it is passed over."""
        kind = entry.get("kind")
        equipment, notice = said(entry, "equipment_id"), said(entry, "notice_id")
        if equipment is None or kind not in (kinds.FAULT_NOTED, kinds.FAULT_CLEARED):
            return
        at = _declared(entry, "happened_at") or _declared(entry, "at")
        if kind == kinds.FAULT_NOTED:
            self._note(equipment, notice, line, entry, at)
            return
        for (name, number), told in self._noted.items():
            if name == equipment and notice in (None, number):
                for one in told:
                    if not clears_before_fault(at, one.fault.since, one.fault.noted_at):
                        one.clearings.append((line, at))

    def after(self, touched: int) -> tuple[Fault, ...]:
        """All of them, those cleared that a line behind `touched` clears."""
        found = []
        for told in self._noted.values():
            for one in told:
                cleared = next((at for line, at in one.clearings if line > touched), None)
                found.append(replace(one.fault, cleared_at=cleared))
        return tuple(found)

    def _note(self, equipment: str, notice: str | None, line: int, entry: Entry, at: str | None) -> None:
        fault = Fault(
            equipment=text(equipment) or "?",
            notice_id=text(notice),
            since=_declared(entry, "since"),
            until=_declared(entry, "until"),
            noted_at=at,
            what=text(entry.get("note"), _LONGEST) or "",
        )
        told = self._noted.setdefault((equipment, notice or f"line {line}"), [])
        for one in [old for old in told if _gives_way(old.fault, fault)]:
            told.remove(one)
            words = "; ".join(dict.fromkeys(filter(None, (one.fault.what, fault.what))))
            fault = replace(fault, what=text(words, _LONGEST) or "", noted_at=one.fault.noted_at)
        told.append(_Noted(fault))


def _gives_way(old: Fault, new: Fault) -> bool:
    """Whether the later notice says all that the earlier one can: the same times, or the first readable."""
    if (old.since, old.until) == (new.since, new.until):
        return True
    return stretch_of_fault(old.since, old.until, old.noted_at).impossible


def _declared(entry: Mapping[str, object], name: str) -> str | None:
    """A day or moment as the ledger declares it (values.Fault); None when it is neither."""
    found = read_moment(entry.get(name))
    return None if found is None else found.text
