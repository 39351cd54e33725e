"""The second reading of a ledger: the lines about one carrier or package, and what bad equipment touched."""

from __future__ import annotations

import difflib

from provpack.model.formats import Moment, read_moment
from provpack.package import ledgerline as kinds
from provpack.package.custodystate import CustodyState, Fault, FaultKey, package_of, text
from provpack.package.ledgerchain import Entry

_MOST_LINES = 100_000


class History:
    """Collects with add(line, entry). touched: fault -> packages (or transfers) it may have touched."""

    def __init__(self, state: CustodyState, carrier: str | None, package: str | None) -> None:
        self._state = state
        self._names = {n for n in (carrier,) if n}
        self._packages = {n for n in (package,) if n}
        if carrier and carrier in state.carriers:
            self._packages |= state.carriers[carrier].packages
        if package:
            self._names |= {name for name, held in state.carriers.items() if package in held.packages}
        deliveries = [d for d in state.deliveries.values() if self._packages & set(d.answers)]
        self._deliveries = {d.delivery_id for d in deliveries if d.delivery_id}
        self._used: set[str] = set()
        self._asked = bool(carrier or package)
        self.lines: list[Entry] = []
        self.touched: dict[FaultKey, dict[str, None]] = {key: {} for key in state.faults}
        self._by_equipment: dict[str, list[tuple[FaultKey, Fault]]] = {}
        for key, fault in state.faults.items():
            self._by_equipment.setdefault(fault.equipment_id, []).append((key, fault))

    @property
    def wanted(self) -> bool:
        """Whether a second reading tells anything."""
        return self._asked or bool(self._by_equipment)

    def add(self, line: int, entry: Entry) -> None:
        """Look at one line."""
        if self._by_equipment and entry.get("kind") == kinds.PASS_MADE:
            self._touch(entry)
        if self._asked and len(self.lines) < _MOST_LINES and self._concerns(entry):
            self.lines.append(entry)

    def near(self, name: str) -> list[str]:
        """Names in the ledger that look like this one."""
        known = [*self._state.carriers, *self._state.packages]
        return difflib.get_close_matches(name, known[:20_000], n=3)

    def _concerns(self, entry: Entry) -> bool:
        names = {text(entry, "carrier_id"), text(entry, "client_item_id")} - {None}
        package = package_of(entry)
        place = text(entry, "place")
        mine = bool(names & self._names) or package in self._packages or place in self._packages
        if mine and entry.get("kind") == kinds.PASS_MADE:
            self._used |= set(_equipment(entry))
        if not mine and not names and package is None:
            mine = text(entry, "delivery_id") in self._deliveries or (
                text(entry, "equipment_id") in self._used and entry.get("kind") != kinds.PASS_MADE
            )
        return mine

    def _touch(self, entry: Entry) -> None:
        begun, ended = read_moment(entry.get("started_at")), read_moment(entry.get("stopped_at"))
        name = package_of(entry) or text(entry, "transfer_id") or text(entry, "carrier_id")
        for equipment in _equipment(entry):
            for key, fault in self._by_equipment.get(equipment, ()):
                if name and _overlaps(begun, ended or begun, fault):
                    self.touched[key][name] = None


def _equipment(entry: Entry) -> list[str]:
    used = entry.get("equipment_ids")
    out = [u for u in used if isinstance(u, str)] if isinstance(used, list) else []
    one = text(entry, "equipment_id")
    return [*out, one] if one else out


def _overlaps(begun: Moment | None, ended: Moment | None, fault: Fault) -> bool:
    """Whether a pass may lie in the time of the fault; what is not known may be."""
    since, until = read_moment(fault.since), read_moment(fault.until)
    if ended is not None and since is not None and ended.surely_before(since):
        return False
    return not (begun is not None and until is not None and until.surely_before(begun))
