"""Packages of ours: damage located in blocks and time, metadata changes told apart, depth meaning."""

from __future__ import annotations

import json
import os
import struct
from collections.abc import Callable, Iterable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from support.bagmaking import BLOCK_FRAMES, MASTER, RATE, rules_of, seal

from provpack.chunks.source import ByteSource
from provpack.edge.bag import second_opinion
from provpack.jobs import verify_unit
from provpack.jobs.verify import VerifyResult
from provpack.package import rules

Package = Callable[..., Path]
Verify = Callable[..., VerifyResult]
AUDIO = 44  # 12 bytes of RIFF header, 24 of fmt, 8 of the data chunk's header


def no_faults(_name: str, _value: object) -> Iterable[tuple[str, str]]:
    return ()


def flip(path: Path, offset: int, bit: int = 0) -> None:
    data = bytearray(path.read_bytes())
    data[offset] ^= 1 << bit
    path.write_bytes(data)


def test_a_good_package(package: Package, verify: Verify) -> None:
    root = package()
    result = verify(root)
    assert result.verdict == "good" and result.units[0].ours


@pytest.mark.parametrize("frame", [0, 99, 100, 555, 1049])
def test_one_flipped_bit_is_located(package: Package, verify: Verify, frame: int) -> None:
    root = package()
    flip(root / MASTER, AUDIO + frame * 4 + 1, 6)
    result = verify(root)
    assert result.outcome == "bad" and rules.AUDIO_DAMAGED.id in rules_of(result)
    damage = result.units[0].damage[0]
    assert (damage.extent, damage.audio_intact, damage.bad_blocks, damage.blocks) == ("audio", False, 1, 11)
    found = damage.ranges[0]
    block = frame // BLOCK_FRAMES
    assert (found.first_block, found.last_block) == (block, block)
    assert found.first_frame == block * 100 and found.last_frame == min(block * 100 + 99, 1049)
    # the exact rate, 44 100 000/1001 Hz: rounded outwards to milliseconds
    start = Fraction(found.first_frame) / RATE * 1000
    assert found.start == f"0:00:00.{int(start):03d}"
    assert not damage.head_changed and not damage.tail_changed


def test_the_sentence_names_block_frames_and_time(package: Package, verify: Verify) -> None:
    root = package()
    for frame in (310, 420, 900):
        flip(root / MASTER, AUDIO + frame * 4)
    unit = verify(root).units[0]
    said = [f.what for f in unit.findings if f.rule == rules.AUDIO_DAMAGED.id]
    # 300 x 1001/44100000 s = 6.81 ms, 500 x = 11.35 ms, 900 x = 20.43 ms, 1000 x = 22.70 ms
    assert "blocks 3-4, frames 300-499, 0:00:00.006 to 0:00:00.012" in said[0]
    assert "block 9, frames 900-999, 0:00:00.020 to 0:00:00.023" in said[1]
    assert "8 of 11 blocks are good" in said[0]
    assert json.loads(json.dumps(unit.as_json()))["damage"][0]["ranges"][0]["last_frame"] == 499


@pytest.mark.parametrize(("offset", "head"), [(20, True), (-10, False)])
def test_changed_metadata_is_told_apart_from_damaged_audio(
    package: Package, verify: Verify, offset: int, head: bool
) -> None:
    root = package()
    flip(root / MASTER, offset)
    result = verify(root)
    damage = result.units[0].damage[0]
    assert result.outcome == "bad"
    assert damage.audio_intact and damage.extent == "around"
    assert (damage.head_changed, damage.tail_changed) == (head, not head)
    what = next(f.what for f in result.units[0].findings if f.rule == rules.AUDIO_INTACT.id)
    assert "audio intact, only metadata changed" in what


def test_a_chunk_put_before_the_audio(package: Package, verify: Verify) -> None:
    root = package()
    data = (root / MASTER).read_bytes()
    chunk = struct.pack("<4sI", b"note", 10) + b"0123456789"
    longer = data[:12] + chunk + data[12:]
    (root / MASTER).write_bytes(longer[:4] + struct.pack("<I", len(longer) - 8) + longer[8:])
    damage = verify(root).units[0].damage[0]
    assert damage.audio_intact and damage.extent == "around" and damage.size_change == 18
    assert damage.head_changed and not damage.tail_changed


def test_bytes_appended(package: Package, verify: Verify) -> None:
    root = package()
    with (root / MASTER).open("ab") as file:
        file.write(b"more")
    damage = verify(root).units[0].damage[0]
    assert damage.audio_intact and damage.tail_changed and not damage.head_changed


def test_a_master_cut_short(package: Package, verify: Verify) -> None:
    root = package()
    data = (root / MASTER).read_bytes()
    (root / MASTER).write_bytes(data[: AUDIO + 4 * 730])
    result = verify(root)
    damage = result.units[0].damage[0]
    assert damage.extent == "length" and damage.lost_frames == 320
    assert [(r.first_block, r.last_block) for r in damage.ranges] == [(7, 10)]
    assert any("the last 320 of 1050 frames are gone" in f.what for f in result.units[0].findings)


@pytest.mark.parametrize("grown", [True, False])
def test_bytes_slipped_in_or_lost_within_the_audio(package: Package, verify: Verify, grown: bool) -> None:
    root = package()
    data = (root / MASTER).read_bytes()
    cut = AUDIO + 4 * 450
    changed = data[:cut] + b"xyz" + data[cut:] if grown else data[:cut] + data[cut + 3 :]
    (root / MASTER).write_bytes(changed)
    damage = verify(root).units[0].damage[0]
    assert damage.extent == "length" and not damage.audio_intact
    assert damage.shifted_bytes == (3 if grown else -3)
    assert [(r.first_block, r.last_block) for r in damage.ranges] == [(4, 4)]


def test_a_master_replaced_by_something_else(package: Package, verify: Verify) -> None:
    root = package()
    (root / MASTER).write_bytes(b"not a wave at all" * 500)
    result = verify(root)
    assert result.outcome == "bad"
    assert result.units[0].damage[0].extent == "unknown"
    assert rules.AUDIO_NOT_LOCATED.id in rules_of(result)


def test_damaged_block_digests_are_said_and_not_used(package: Package, verify: Verify) -> None:
    root = package()
    flip(root / MASTER, AUDIO + 8)
    flip(root / "data/metadata/block-digests.json", 300)
    result = verify(root)
    assert result.outcome == "bad" and result.units[0].damage == ()
    assert rules.BLOCKS_UNUSABLE.id in rules_of(result)


def test_missing_block_digests(package: Package, verify: Verify) -> None:
    root = package()
    flip(root / MASTER, AUDIO + 8)
    (root / "data/metadata/block-digests.json").unlink()
    result = verify(root)
    assert result.outcome == "bad"
    assert {rules.BLOCKS_UNUSABLE.id, "bag-file-missing"} <= set(rules_of(result))


# --- meaning -------------------------------------------------------------------------------------------


def test_meaning_of_a_good_package(package: Package, verify: Verify) -> None:
    root = package()
    record = (root / "data/metadata/record.json").read_bytes()
    seen: list[str] = []

    def validate(name: str, _value: object) -> Iterable[tuple[str, str]]:
        seen.append(name)
        return ()

    def recover(source: ByteSource) -> bytes | None:
        assert source.read_at(0, 4) == b"RIFF"
        return json.dumps({**json.loads(record), "files": []}).encode()

    here = Path.cwd()
    result = verify(root, depth="meaning", validate=validate, recover=recover)
    assert result.verdict == "good", result
    assert seen == ["transfer-record"] and Path.cwd() == here
    size = (root / MASTER).stat().st_size
    assert result.units[0].bytes_read > 2 * size  # the essence was read again, block by block


def test_meaning_without_a_validator_is_not_good(package: Package, verify: Verify) -> None:
    assert verify(package(), depth="meaning").outcome == "could_not_check"


def rewrite(root: Path, name: str, **changes: Any) -> None:
    """Change values of a JSON file and seal the bag again, as a forger or a faulty tool would."""
    path = root / "data/metadata" / name
    path.write_text(json.dumps({**json.loads(path.read_text()), **changes}))
    seal(root)


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("record.json", {"audio_sha256": "0" * 64}),
        ("record.json", {"measured": {"frames": 1051}}),
        ("record.json", {"signal": {"sampling_frequency": {"num": 44100, "den": 1}}}),
        ("record.json", {"files": [{"path": MASTER, "sha256": "0" * 64}]}),
        ("block-digests.json", {"audio_sha256": "0" * 64}),
        ("block-digests.json", {"head_sha256": "0" * 64}),
        ("block-digests.json", {"tail_sha256": "0" * 64}),
        ("block-digests.json", {"blocks": ["0" * 64] * 11}),
    ],
)
def test_record_blocks_and_master_must_agree(
    package: Package, verify: Verify, name: str, changes: dict[str, Any]
) -> None:
    root = package()
    rewrite(root, name, **changes)
    assert verify(root).outcome == "good"  # every manifest agrees
    result = verify(root, depth="meaning", validate=no_faults)
    assert result.outcome == "bad"
    assert set(rules_of(result, "error")) == {rules.RECORD_DISAGREES.id}


def test_an_equal_rate_in_other_terms_agrees(package: Package, verify: Verify) -> None:
    root = package()
    rewrite(root, "record.json", signal={"sampling_frequency": {"num": 88_200_000, "den": 2002}})
    assert verify(root, depth="meaning", validate=no_faults).outcome == "good"


def test_an_invalid_record(package: Package, verify: Verify) -> None:
    def validate(_name: str, _value: object) -> Iterable[tuple[str, str]]:
        return [("/carrier/carrier_id", "is missing")]

    result = verify(package(), depth="meaning", validate=validate)
    assert rules_of(result, "error") == [rules.RECORD_INVALID.id]
    finding = next(f for f in result.units[0].findings if f.severity == "error")
    assert finding.position["key"] == "/carrier/carrier_id"


@pytest.mark.parametrize("data", [b"{", b"[]", b"[" * 100_000, b"\xff\xfe"])
def test_a_record_that_is_no_record(package: Package, verify: Verify, data: bytes) -> None:
    root = package()
    (root / "data/metadata/record.json").write_bytes(data)
    seal(root)
    result = verify(root, depth="meaning", validate=no_faults)
    assert result.outcome == "bad" and rules.RECORD_INVALID.id in rules_of(result)


@pytest.mark.parametrize("inside", [None, b"{", b"[]", b'{"audio_sha256": "f00"}'])
def test_the_embedded_record_must_be_the_same(package: Package, verify: Verify, inside: bytes | None) -> None:
    result = verify(package(), depth="meaning", validate=no_faults, recover=lambda _source: inside)
    assert rules_of(result, "error") == [rules.EMBEDDED_DISAGREES.id]


def test_second_opinion_disagreement_is_a_warning(
    package: Package, verify: Verify, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("provpack.jobs.verify_meaning.second_opinion", lambda _root: ["it is odd"])
    result = verify(package(), depth="meaning", validate=no_faults)
    assert result.verdict == "warnings" and rules_of(result, "warning") == [rules.SECOND_OPINION.id]


def test_second_opinion_itself(package: Package, tmp_path: Path) -> None:
    # source: the bagit library, run here
    here = os.getcwd()  # noqa: PTH109 - the very call under test
    root = package()
    assert second_opinion(root) == []
    (root / "data/extra").write_bytes(b"")
    assert len(second_opinion(root)) == 1
    assert second_opinion(tmp_path / "nowhere")
    assert os.getcwd() == here  # noqa: PTH109


def soundless(root: Path, audio_sha256: str | None) -> None:
    """Make it the package of a transfer without audio."""
    (root / MASTER).unlink()
    (root / "data/master").rmdir()
    (root / "data/metadata/block-digests.json").unlink()
    record = {"schema_version": "1.0.0", "record_id": "r", "transfer_id": "t", "audio_sha256": audio_sha256}
    (root / "data/metadata/record.json").write_text(json.dumps(record))
    seal(root)


@pytest.mark.parametrize(("audio", "outcome"), [(None, "good"), ("0" * 64, "bad")])
def test_a_package_without_audio(package: Package, verify: Verify, audio: str | None, outcome: str) -> None:
    root = package()
    soundless(root, audio)
    result = verify(root, depth="meaning", validate=no_faults)
    assert result.outcome == outcome and result.units[0].ours


def test_unreadable_block_digests_are_could_not_check(
    package: Package, verify: Verify, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = package()
    real = os.open

    def fake(path: Any, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if path == "block-digests.json":
            raise OSError(5, "Input/output error")
        return real(path, flags, mode, dir_fd=dir_fd)

    monkeypatch.setattr(os, "open", fake)
    result = verify(root, depth="meaning", validate=no_faults)
    assert result.outcome == "could_not_check"
    assert rules.BLOCKS_UNUSABLE.id in rules_of(result, "warning")


def test_a_flipped_letter_case_in_a_tag_manifest_is_found(package: Package, verify: Verify) -> None:
    # RFC 8493 section 2.1.3 allows hex digits of either case: only what we know of our own writing helps.
    root = package()
    path = root / "tagmanifest-sha512.txt"
    whole = path.read_bytes()
    for offset in [i for i, byte in enumerate(whole) if byte in b"abcdef" and i < 128]:
        flip(path, offset, 5)
        assert verify(root, depth="listed").outcome == "bad"
        path.write_bytes(whole)
    path.write_bytes(b"\n".join(b"  ".join((d.upper(), p)) for d, p in map(bytes.split, whole.splitlines())))
    assert verify(root).outcome == "good"  # another tool's honest rewriting


@pytest.mark.parametrize("depth", ["bytes", "meaning"])
def test_a_read_error_while_looking_closer_is_could_not_check(
    package: Package, verify: Verify, monkeypatch: pytest.MonkeyPatch, depth: str
) -> None:
    root = package()
    if depth == "bytes":
        flip(root / MASTER, AUDIO)

    def fails(_self: object, _offset: int, _length: int) -> bytes:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("provpack.edge.reading.FileSource.read_at", fails)
    result = verify(root, depth=depth, validate=no_faults, recover=lambda source: source.read_at(0, 4))
    assert result.outcome == ("bad" if depth == "bytes" else "could_not_check")
    assert rules.UNREADABLE.id in rules_of(result, "error")


def test_the_master_vanishing_meanwhile(
    package: Package, verify: Verify, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = package()
    flip(root / MASTER, AUDIO)
    real = verify_unit.read_all

    def then_gone(*args: Any) -> Any:
        reading = real(*args)
        if MASTER in reading.digests:
            (root / MASTER).unlink()
        return reading

    monkeypatch.setattr(verify_unit, "read_all", then_gone)
    result = verify(root)
    assert result.outcome == "bad" and rules.UNREADABLE.id in rules_of(result, "error")


def test_a_block_digest_file_sealed_but_wrong(package: Package, verify: Verify) -> None:
    root = package()
    (root / "data/metadata/block-digests.json").write_bytes(b"{}")
    seal(root)
    assert rules_of(verify(root), "error") == [rules.BLOCKS_UNUSABLE.id]
    rewritten = package("other")
    rewrite(rewritten, "block-digests.json", file_bytes=10**6)
    result = verify(rewritten, depth="meaning", validate=no_faults)
    assert rules_of(result, "error") == [rules.RECORD_DISAGREES.id]
