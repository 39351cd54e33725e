"""Notes, receipts and checksums that somebody tampered with: a finding or an error, never a crash."""

from __future__ import annotations

import copy
import json
import random
import shutil
from pathlib import Path
from typing import Any

import pytest
from support.handover import close_with, hand_over, signer, studio, take_in

from provpack.edge import clock
from provpack.edge.ledger import LEDGER_NAME
from provpack.errors import ProvpackError
from provpack.jobs.receivepapers import read_papers
from provpack.package.deliverynote import parse_checksums

ROUNDS = 1000
NASTY: tuple[Any, ...] = (
    None, True, -1, 0, 2**70, 1e300, "", "x" * 30000, "../../etc/passwd", "/etc/passwd", "a\0b", "\u202e",
    "é", [], {}, [[]], [None], {"a": 1}, "0" * 128, "packages/..", "9.9.9", "tar", "refused", "good",
    "2026-13-45T99:99:99Z",
)  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    top = tmp_path_factory.mktemp("made")
    out = studio(top, ids=("T01", "T02"))
    hand_over(out, top / "d", signer=signer(top / "k", "studio@grauwell"))
    take_in(top / "d/d1", top / "r")
    return top


def mutated(data: bytes, dice: random.Random) -> bytes:
    """Bits, bytes, stretches, or values of the document changed."""
    kind = dice.randrange(6)
    if kind < 3:
        raw = bytearray(data)
        for _ in range(dice.randint(1, 6)):
            at = dice.randrange(len(raw))
            if kind == 0:
                raw[at] ^= 1 << dice.randrange(8)
            elif kind == 1:
                raw[at : at + dice.randint(0, 40)] = dice.randbytes(dice.randint(0, 8))
            else:
                raw[at:at] = raw[at // 2 : at // 2 + dice.randint(0, 60)]
        return bytes(raw)
    value = json.loads(data)
    for _ in range(dice.randint(1, 3)):
        place: Any = value
        while True:
            keys = list(place) if isinstance(place, dict) else list(range(len(place)))
            if not keys:
                break
            key = dice.choice(keys)
            if isinstance(place[key], dict | list) and place[key] and dice.random() < 0.75:
                place = place[key]
                continue
            if dice.random() < 0.2:
                del place[key]
            else:
                place[key] = copy.deepcopy(dice.choice(NASTY))
            break
    return json.dumps(value, ensure_ascii=dice.random() < 0.5).encode("utf-8", "surrogatepass")


def test_tampered_notes(made: Path, tmp_path: Path) -> None:
    delivery = tmp_path / "d1"
    shutil.copytree(made / "d/d1", delivery, ignore=shutil.ignore_patterns("packages"))
    note = delivery / "delivery-note.json"
    whole, used = note.read_bytes(), 0
    for seed in range(ROUNDS):
        note.write_bytes(mutated(whole, random.Random(seed)))
        came = read_papers(delivery, None, False, lambda amount: None, clock.now())
        used += came.note is not None
        if note.read_bytes() != whole:
            assert came.signature.state == "wrong"
            assert any(f.severity == "error" for f in came.findings)
        for place in came.noted:
            assert place.startswith("packages/")
            assert ".." not in place
    assert used > 20, "no mutation got past the schema: the test is too crude"


def test_tampered_receipts_close_nothing_that_does_not_fit(made: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    ledger = tmp_path / "out" / LEDGER_NAME
    kept = (made / "out" / LEDGER_NAME).read_bytes()
    whole = (made / "r/receipt-d1.json").read_bytes()
    theirs = json.loads(whole)
    path = tmp_path / "receipt.json"
    closed = refused = 0
    for seed in range(ROUNDS):
        ledger.write_bytes(kept)
        path.write_bytes(mutated(whole, random.Random(seed)))
        try:
            result = close_with(path, tmp_path / "out", unvouched=True)
        except ProvpackError as err:
            assert err.exit_code in (11, 12, 13)
            assert err.todo
            refused += 1
            continue
        if result.lines_written:
            closed += 1
            content = json.loads(path.read_bytes())
            for key in ("delivery_id", "delivery_note_sha512"):
                assert content[key] == theirs[key]
            if content["conclusion"] != "refused":
                named = {p["name"]: p["tagmanifest_sha512"] for p in content["packages"]}
                assert {
                    p["name"]: p["tagmanifest_sha512"] for p in theirs["packages"]
                }.items() <= named.items()
        else:
            assert ledger.read_bytes() == kept
    assert refused > 200
    assert closed > 10


def test_tampered_checksums(made: Path) -> None:
    whole = (made / "d/d1/checksums-sha512.txt").read_bytes()
    for seed in range(ROUNDS):
        dice = random.Random(seed)
        raw = bytearray(whole)
        for _ in range(dice.randint(1, 8)):
            at = dice.randrange(len(raw))
            raw[at : at + dice.randint(0, 3)] = dice.choice(
                (b"../", b"/", b"\0", b"\n", b"  ", b"\xff", b"%2e", b"\\")
            )
        found, wrong = parse_checksums(bytes(raw))
        assert len(wrong) <= 21
        for path in found:
            assert not path.startswith("/")
            assert not {".", ".."} & set(path.split("/"))
