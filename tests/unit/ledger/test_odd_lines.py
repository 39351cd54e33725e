"""Lines that follow from each other and hold what no line of ours holds: such members count as absent."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from provpack.jobs.harvestledger import ledger_values
from provpack.jobs.ledgertold import LedgerTold
from provpack.package.checkhistory import LedgerChecks
from provpack.package.custodystate import CustodyState
from provpack.package.ledgerchain import NO_PREVIOUS, parse_chain
from provpack.package.ledgerline import ALWAYS, OPTIONAL

NAMES = sorted({"kind", "at", *ALWAYS, *OPTIONAL})


def chained(*entries: dict[str, Any]) -> bytes:
    """Lines with n and previous as they must be, unless the entry has its own n."""
    out, previous = b"", NO_PREVIOUS
    for n, entry in enumerate(entries, 1):
        line = json.dumps({"n": n, **entry, "previous": previous}).encode()
        previous = hashlib.sha512(line).hexdigest()
        out += line + b"\n"
    return out


def line(kind: str, **more: Any) -> dict[str, Any]:
    return {"kind": kind, "at": "2031-05-01T10:00:00+02:00", "package": "J_T", **more}


@pytest.mark.parametrize("odd", [["x"], {"x": 1}, [], [[{}]]])
@pytest.mark.parametrize("name", NAMES)
def test_lists_and_objects_count_as_absent(name: str, odd: Any, tmp_path: Path) -> None:
    kinds = ("wrapped", "fixity_checked", "pass_made", "delivered", "refused", "fault_noted", "retained")
    more = {"carrier_id": "C", "equipment_id": "D", "place": "/x", name: odd}
    data = chained(*({**line(kind), **more} for kind in kinds))
    chain = parse_chain(data)
    assert chain.holds and len(chain.entries) == len(kinds)
    kept = name in ("equipment_ids", "findings")
    assert all(entry[name] == (odd if kept else None) for entry in chain.entries)
    state, told = CustodyState(), LedgerTold(folder="/x", checks=LedgerChecks("bytes"))
    for number, entry in enumerate(chain.entries, 1):
        state.add(number, entry)
        told.take(number, entry)
    state.finish()
    path = tmp_path / "custody-ledger.jsonl"
    path.write_bytes(data)
    assert ledger_values(path).lines == len(kinds)


def test_a_number_beyond_all_counting_is_none() -> None:
    """Python refuses to print whole numbers of more than 4300 digits, so they must not get as far as that."""
    data = chained(line("wrapped"), line("moved", n=10**4299 - 1), line("wrapped", n=1 << 63))
    chain = parse_chain(data)
    assert [entry["n"] for entry in chain.entries] == [1] and not chain.holds
    assert all(one.what for one in chain.breaks)
