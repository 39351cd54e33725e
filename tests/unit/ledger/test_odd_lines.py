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
from provpack.package.ledgerchain import ANY_LINE, NO_PREVIOUS, Witness, parse_chain, read_chain
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


def digest(data: bytes) -> str:
    return hashlib.sha512(data).hexdigest()


LINES = chained(*[line("note", note=f"{n}") for n in range(6)]).splitlines()


def edited(lines: list[bytes], at: int, **members: Any) -> list[bytes]:
    return [*lines[:at], json.dumps({**json.loads(lines[at]), **members}).encode(), *lines[at + 1 :]]


def rewritten(lines: list[bytes], at: int, **members: Any) -> list[bytes]:
    """Line index `at` changed, and everything behind it made to follow."""
    lines = edited(lines, at, **members)
    for after in range(at + 1, len(lines)):
        lines = edited(lines, after, previous=digest(lines[after - 1]))
    return lines


def told(
    lines: list[bytes], *witnesses: Witness
) -> list[tuple[str, tuple[int, int] | None, tuple[int, ...]]]:
    chain = parse_chain(b"".join(one + b"\n" for one in lines), witnesses)
    return [(b.kind, b.entries, b.lines) for b in chain.breaks]


def test_a_first_line_that_does_not_say_so() -> None:
    data = rewritten(LINES, 0, previous="ab" * 64)
    (one,) = parse_chain(b"".join(one + b"\n" for one in data)).breaks
    assert (one.kind, one.entries, one.lines) == ("unclear", (1, 1), (1,))
    assert one.what.startswith("Line 1 does not say that it is the first")
    assert parse_chain(b"".join(one + b"\n" for one in data)).last_touched == 1


def test_a_line_that_says_it_is_the_first_and_is_not() -> None:
    """The line behind it asks for another one, so it is the line that was changed; nothing else was."""
    assert told(edited(LINES, 2, previous=NO_PREVIOUS)) == [("changed", (3, 3), (3,))]


@pytest.mark.parametrize("second", [False, True])
def test_a_line_that_a_witness_attests_is_not_called_changed(second: bool) -> None:
    """Line 4 and all behind it were rewritten. Without a witness line 4 is believed, for lines follow it;
    with one, line 3 is."""
    lines = edited(LINES, 1, note="x") if second else LINES
    lines = rewritten(lines, 3, previous="ab" * 64)
    witness = Witness(entries=3, sha512=digest(LINES[2]), source="note.json")
    before = [("changed", (2, 2), (2,))] if second else []
    assert told(lines, witness) == [*before, ("unclear", (4, 4), (4,))]
    chain = parse_chain(b"".join(one + b"\n" for one in lines), [witness])
    assert chain.met == (True,) and chain.last_touched == 4
    assert "which note.json attests: line 4 was changed or put in" in chain.breaks[-1].what
    if not second:
        assert told(lines) == [("changed", (3, 3), (3,))]


@pytest.mark.parametrize("copies", [499, 500, 2000])
def test_a_line_that_stands_there_hundreds_of_times(copies: int) -> None:
    lines = [*LINES[:2], *[LINES[1]] * copies, *LINES[2:]]
    chain = parse_chain(b"".join(one + b"\n" for one in lines))
    if copies < 500:
        assert {b.kind for b in chain.breaks} == {"duplicated"} and len(chain.breaks) == copies
        assert chain.last_touched in (copies + 1, copies + 2)  # the same bytes: any may be called the copy
    else:
        (one,) = chain.breaks
        assert one.kind == "too_many" and chain.head is None
        assert chain.last_touched == ANY_LINE > len(lines)
        # without keeping the lines, reading stops where it is hopeless
        read = read_chain(lambda: iter([b"".join(one + b"\n" for one in lines)]))
        assert read.breaks == chain.breaks and read.lines == 502


@pytest.mark.parametrize("strange", [b"[1]", b'"n"', b"3", b"null", b'{"n":1.0,"previous":""}', b'{"n":1}'])
def test_json_that_is_no_entry(strange: bytes) -> None:
    data = b"".join(one + b"\n" for one in (*LINES[:3], strange, *LINES[3:]))
    chain = parse_chain(data)
    assert [(b.kind, b.lines) for b in chain.breaks] == [("inserted", (4,))]
    assert [entry["n"] for entry in chain.entries] == [1, 2, 3, 4, 5, 6]
