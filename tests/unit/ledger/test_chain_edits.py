"""A thousand random edits of a ledger: each is found, and the very entry is named."""

from __future__ import annotations

import hashlib
import json
import random
from collections import Counter

import pytest

from provpack.package.ledgerchain import NO_PREVIOUS, Chain, Witness, parse_chain

ENTRIES = 60


def ledger(count: int = ENTRIES, seed: int = 1) -> list[bytes]:
    """Lines of an untouched ledger, made here, not by the program; its rule: sha512 of the line before."""
    dice = random.Random(seed)
    lines: list[bytes] = []
    previous = NO_PREVIOUS
    for n in range(1, count + 1):
        entry = {
            "schema_version": "1.1.0", "n": n, "previous": previous, "tool": "provpack",
            "at": f"2031-05-{dice.randint(1, 28):02d}T10:{dice.randint(0, 59):02d}:00+02:00",
            "kind": dice.choice(["wrapped", "fixity_checked", "delivered", "note"]),
            "package": f"job-1_t{dice.randint(1, 9):02d}", "note": dice.choice([None, "größer", "0 found"]),
        }  # fmt: skip
        lines.append(json.dumps(entry, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode())
        previous = hashlib.sha512(lines[-1]).hexdigest()
    return lines


LINES = ledger()
WHOLE = b"".join(line + b"\n" for line in LINES)
HEAD = Witness(entries=ENTRIES, sha512=hashlib.sha512(LINES[-1]).hexdigest(), source="delivery-note.json")


def named(chain: Chain) -> set[int]:
    """Numbers of all entries that the breaks name."""
    out: set[int] = set()
    for one in chain.breaks:
        if one.entries:
            out |= set(range(one.entries[0], one.entries[1] + 1))
    return out


def shown(chain: Chain) -> set[int]:
    return {line for one in chain.breaks for line in one.lines}


def joined(lines: list[bytes]) -> bytes:
    return b"".join(line + b"\n" for line in lines)


def byte(dice: random.Random) -> None:
    at = dice.randrange(len(WHOLE))
    new = dice.choice([b for b in range(256) if b != WHOLE[at]])
    data = WHOLE[:at] + bytes([new]) + WHOLE[at + 1 :]
    entry = WHOLE[:at].count(b"\n") + 1
    chain = parse_chain(data, [HEAD])
    wanted = {entry, entry + 1} & set(range(ENTRIES + 1)) if WHOLE[at] == 10 else {entry}
    assert named(chain) == wanted, (entry, chain.breaks)
    assert {b.kind for b in chain.breaks} <= {"changed", "cut_off"}


def removal(dice: random.Random) -> None:
    k = dice.randrange(ENTRIES)
    chain = parse_chain(joined(LINES[:k] + LINES[k + 1 :]), [HEAD])
    assert named(chain) == {k + 1}
    assert [b.kind for b in chain.breaks] == ["cut_off" if k == ENTRIES - 1 else "removed"]


def swap(dice: random.Random) -> None:
    i, j = sorted(dice.sample(range(ENTRIES), 2))
    lines = LINES.copy()
    lines[i], lines[j] = lines[j], lines[i]
    chain = parse_chain(joined(lines), [HEAD])
    assert named(chain) == {i + 1, j + 1}, chain.breaks
    assert {b.kind for b in chain.breaks} == {"swapped"} and shown(chain) == {i + 1, j + 1}


def duplication(dice: random.Random) -> None:
    k, at = dice.randrange(ENTRIES), dice.randrange(ENTRIES + 1)
    chain = parse_chain(joined([*LINES[:at], LINES[k], *LINES[at:]]), [HEAD])
    (one,) = chain.breaks
    assert (one.kind, one.entries) == ("duplicated", (k + 1, k + 1))
    # two copies side by side are the same bytes: either may be called the copy
    assert one.lines[0] in ({k + 1, k + 2} if at in (k, k + 1) else {at + 1})


def insertion(dice: random.Random) -> None:
    at = dice.randrange(ENTRIES)
    forged = json.loads(LINES[at])
    how = dice.choice(["linked", "loose", "text", "empty", "number"])
    forged["note"] = f"never happened {dice.random()}"
    if how == "loose":
        forged["previous"] = f"{dice.getrandbits(512):0128x}"
    elif how == "number":
        forged["n"] = dice.randint(1, 10_000)
    line = {"text": b"hello", "empty": b""}.get(how, json.dumps(forged).encode())
    chain = parse_chain(joined([*LINES[:at], line, *LINES[at:]]), [HEAD])
    (one,) = chain.breaks
    assert (one.kind, one.lines) == ("inserted", (at + 1,)), (how, at, chain.breaks)


def cut_at_a_line(dice: random.Random) -> None:
    k = dice.randrange(ENTRIES)
    chain = parse_chain(joined(LINES[:k]), [HEAD])
    (one,) = chain.breaks
    assert (one.kind, one.entries, chain.torn) == ("cut_off", (k + 1, ENTRIES), None)


def cut_inside_a_line(dice: random.Random) -> None:
    size = dice.choice([i for i in range(1, len(WHOLE)) if WHOLE[i - 1] != 10])
    data = WHOLE[:size]
    k = data.count(b"\n") + 1
    chain = parse_chain(data, [HEAD])
    assert chain.torn is not None
    if WHOLE[size] == 10:  # only the line end is gone: nothing is lost, and the entry counts
        assert chain.torn.complete and chain.lines == k
        assert named(chain) == set(range(k + 1, ENTRIES + 1))
    else:
        assert not chain.torn.complete and chain.lines == k - 1
        assert named(chain) == set(range(k, ENTRIES + 1))
        (one,) = chain.breaks
        assert f"Left of entry {k}" in one.what


EDITS = [byte, byte, byte, removal, swap, duplication, insertion, cut_at_a_line, cut_inside_a_line]


def test_the_untouched_ledger_is_whole() -> None:
    chain = parse_chain(WHOLE, [HEAD])
    assert chain.holds and chain.met == (True,) and chain.torn is None
    assert chain.head == (ENTRIES, HEAD.sha512) and chain.lines == len(chain.entries) == ENTRIES


@pytest.mark.parametrize("hundred", range(10))
def test_a_thousand_random_edits_are_found_at_the_very_entry(hundred: int) -> None:
    done: Counter[str] = Counter()
    for n in range(100):
        dice = random.Random(f"edit {hundred}-{n}")
        edit = dice.choice(EDITS)
        try:
            edit(dice)
        except AssertionError as err:
            raise AssertionError(f"{edit.__name__}, seed 'edit {hundred}-{n}': {err}") from err
        done[edit.__name__] += 1
    assert len(done) == len(set(EDITS)), "every kind of edit was made"
