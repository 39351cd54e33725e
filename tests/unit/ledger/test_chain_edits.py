"""A thousand random edits of a ledger: each is found, and the very entry is named."""

from __future__ import annotations

import hashlib
import json
import random
from collections import Counter
from dataclasses import replace

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
    strange_end = {"unclear"} if at == len(WHOLE) - 1 else set()
    assert {b.kind for b in chain.breaks} <= {"changed", "cut_off"} | strange_end


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


def forge(dice: random.Random, lines: list[bytes]) -> None:
    """One more harm to a list of lines, in place."""
    at = dice.randrange(len(lines) + 1)
    how = dice.randrange(6)
    if how == 0:
        lines.insert(at, dice.choice([b"", b"{}", b"hello", dice.choice(LINES), dice.randbytes(40)]))
    elif how == 1 and lines:
        del lines[min(at, len(lines) - 1)]
    elif how == 2 and len(lines) > 2:
        i, j = dice.sample(range(len(lines)), 2)
        lines[i], lines[j] = lines[j], lines[i]
    elif how == 3 and lines:
        line = bytearray(lines[min(at, len(lines) - 1)] or b"x")
        line[dice.randrange(len(line))] = dice.randrange(256)
        lines[min(at, len(lines) - 1)] = bytes(line)
    elif how == 4:  # a stretch carried elsewhere
        stretch = lines[at : at + 5]
        del lines[at : at + 5]
        to = dice.randrange(len(lines) + 1)
        lines[to:to] = stretch
    elif how == 5:  # entries made up and chained by the rules
        previous, number = hashlib.sha512(lines[at - 1]).hexdigest() if at else NO_PREVIOUS, at
        for _ in range(dice.randrange(1, 4)):
            number += 1
            lines.insert(number - 1, json.dumps({"n": number, "previous": previous}).encode())
            previous = hashlib.sha512(lines[number - 1]).hexdigest()


def test_many_harms_at_once_never_pass_for_a_whole_ledger() -> None:
    for seed in range(1500):
        dice = random.Random(f"harms {seed}")
        lines = LINES.copy()
        for _ in range(dice.randrange(2, 9)):
            forge(dice, lines)
        data = joined(lines)[: None if dice.random() < 0.7 else -dice.randrange(1, 300)]
        for witnesses in (
            [],
            [HEAD],
            [Witness(entries=20, sha512=hashlib.sha512(LINES[19]).hexdigest()), HEAD],
        ):
            chain = parse_chain(data, witnesses)
            for one in chain.breaks:
                assert one.what and all(1 <= line <= data.count(b"\n") + 1 for line in one.lines), one
                assert one.entries is None or one.entries[0] <= one.entries[1]
            if witnesses and not data.startswith(WHOLE):
                assert not chain.holds, f"harms {seed}"


def test_a_rewritten_stretch_is_found_between_two_witnesses() -> None:
    """Everything from entry 30 on made anew and chained by the rules: only the papers tell."""
    lines = LINES[:29]
    for n in range(30, ENTRIES + 1):
        entry = json.loads(LINES[n - 1]) | {"previous": hashlib.sha512(lines[-1]).hexdigest()}
        entry["note"] = "nothing happened" if n == 30 else entry["note"]
        lines.append(json.dumps(entry).encode())
    assert parse_chain(joined(lines)).holds
    old = Witness(entries=20, sha512=hashlib.sha512(LINES[19]).hexdigest(), source="receipt.json")
    between = Witness(entries=40, sha512=hashlib.sha512(LINES[39]).hexdigest(), source="delivery-note.json")
    (one,) = parse_chain(joined(lines), [old, between]).breaks
    assert (one.kind, one.entries, one.lines) == ("contradicted", (21, 40), (40,))
    assert "delivery-note.json" in one.what


def test_numbers_that_do_not_count_on_are_named() -> None:
    lines = LINES[:4]
    for n in (7, 8):  # chained, but two numbers were left out
        entry = {"n": n, "previous": hashlib.sha512(lines[-1]).hexdigest()}
        lines.append(json.dumps(entry).encode())
    (one,) = parse_chain(joined(lines)).breaks
    assert (one.kind, one.lines) == ("misnumbered", (5,))


def test_what_is_wrong_is_told_in_a_sentence_with_the_number_of_further_places() -> None:
    assert parse_chain(WHOLE, [HEAD]).trouble == ""
    one = parse_chain(joined(LINES[:1] + LINES[2:]), [HEAD])
    assert one.trouble == one.breaks[0].what
    two = parse_chain(joined([b for n, b in enumerate(LINES) if n not in (1, 4)]), [HEAD])
    assert len(two.breaks) == 2 and two.trouble == f"{two.breaks[0].what} 1 more place is wrong."
    three = replace(two, breaks=(*two.breaks, two.breaks[0]))
    assert three.trouble.endswith(" 2 more places are wrong.")


def test_copies_of_copies_do_not_take_for_ever() -> None:
    nested = [line for n in range(1, 400) for line in LINES_LONG[:n]]
    chain = parse_chain(joined(nested))
    assert [b.kind for b in chain.breaks] == ["too_many"]
    assert len(parse_chain(joined(LINES_LONG[:300] * 3)).breaks) > 1


LINES_LONG = ledger(400, seed=2)
