"""Any single flipped bit anywhere in a package is found, and audio damage is located (our own promise;
RFC 8493 section 3 gives validity, section 2.2.1 says that nothing covers a tag manifest)."""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from support.jobs import samples
from support.judges import metadata
from support.strangers import Made, fmt_plain, padded, strict_riff, wave, wrap_one

from provpack.edge import clock
from provpack.jobs.progress import Silent
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify import verify_paths
from provpack.package import rules

FLIPS = 500
FRAMES = 330_000  # 7.49 s at 44100/1.001 Hz: eight blocks, the last one short
RATE = Fraction(44_100_000, 1001)
BLOCK = 44_056
NO_PCM = {
    "recording_format": "none_found", "source_domain": "unknown", "source_bit_depth": "not_applicable",
    "outcome": "no_pcm_found", "outcome_note": "Played for a minute, no data lines.", "channel_use": None,
    "tape_emphasis": None, "tape_emphasis_evidence": None, "file_emphasis": None,
}  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A package of about 1.5 MB with papers and chunks around the audio."""
    # Noise of its own in every block, so that no block looks like another.
    audio = b"".join(samples(BLOCK, seed) for seed in range(1, 9))[: FRAMES * 4]
    content = wave(
        fmt_plain(2, 44056, 16), audio, padded(b"vnd1", b"before" * 9), padded(b"vnd2", b"after" * 9)
    )
    row = {
        "line_standard": "525_5994",
        "stopped_at": "2026-06-02T10:00:08+02:00",
        "documents": ["log.txt", "Größe 1.pdf"],
    }
    papers = {"log.txt": b"levels checked\n" * 40, "Größe 1.pdf": random.Random(5).randbytes(20_000)}
    return wrap_one(tmp_path_factory.mktemp("flips"), content, row, papers)


@pytest.fixture
def copy(made: Made, tmp_path: Path) -> Path:
    """A copy to be maltreated."""
    return Path(shutil.copytree(made.package, tmp_path / made.package.name))


@pytest.fixture(scope="module")
def silent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A package without audio: a cassette on which no PCM was found."""
    return wrap_one(tmp_path_factory.mktemp("no-pcm"), None, NO_PCM).package


def check(package: Path, depth: Any = "bytes") -> UnitResult:
    (unit,) = verify_paths([package], depth, progress=Silent(), clock=clock.now, workers=1).units
    return unit


def told(unit: UnitResult) -> set[str]:
    return {f.rule for f in unit.findings}


@contextmanager
def flipped(path: Path, offset: int, bit: int) -> Iterator[None]:
    """One bit flipped in place, and flipped back."""
    with path.open("r+b", buffering=0) as file:
        file.seek(offset)
        was = file.read(1)
        file.seek(offset)
        file.write(bytes([was[0] ^ (1 << bit)]))
        try:
            yield
        finally:
            file.seek(offset)
            file.write(was)


def places(package: Path, count: int, dice: random.Random) -> list[tuple[Path, int, int]]:
    """(file, offset, bit): twice in every file, eight times in every tag file, the rest anywhere."""
    files = sorted(p for p in package.rglob("*") if p.is_file())
    sizes = [p.stat().st_size for p in files]
    out = []
    for path, size in zip(files, sizes, strict=True):
        times = 8 if path.parent == package else 2
        out += [(path, dice.randrange(size), dice.randrange(8)) for _ in range(times)]
    anywhere = dice.choices(files, sizes, k=max(count - len(out), 0))
    out += [(path, dice.randrange(path.stat().st_size), dice.randrange(8)) for path in anywhere]
    return out


def milliseconds(clock_text: str) -> int:
    hours, minutes, seconds = clock_text.split(":")
    return (int(hours) * 60 + int(minutes)) * 60_000 + round(float(seconds) * 1000)


def judge_master(unit: UnitResult, audio: range, offset: int) -> None:
    """Damage in the audio is located to its block and time; damage outside it leaves the audio intact."""
    (damage,) = unit.damage
    if offset not in audio:
        assert (damage.extent, damage.audio_intact) == ("around", True)
        assert (damage.head_changed, damage.tail_changed) == (offset < audio.start, offset >= audio.stop)
        assert rules.AUDIO_INTACT.id in told(unit)
        assert rules.AUDIO_DAMAGED.id not in told(unit)
        return
    block = (offset - audio.start) // 4 // BLOCK
    (found,) = damage.ranges
    assert (damage.extent, damage.bad_blocks, found.first_block, found.last_block) == (
        "audio",
        1,
        block,
        block,
    )
    first, after = block * BLOCK, min((block + 1) * BLOCK, FRAMES)
    assert (found.first_frame, found.last_frame) == (first, after - 1)
    # The exact rate, not the header's 44056 Hz; rounded outwards to the millisecond.
    assert milliseconds(found.start) == first * 1000 // RATE
    assert milliseconds(found.end) == -(-after * 1000 // RATE)
    assert not damage.head_changed
    assert not damage.tail_changed


def test_every_flipped_bit_is_found(made: Made) -> None:
    package, dice = made.package, random.Random(20260602)
    data = strict_riff(made.master.read_bytes()).one(b"data")
    audio = range(data.at, data.at + len(data.body))
    todo = places(package, FLIPS, dice)
    # The master has most of the bytes; its surroundings get their share all the same.
    size = made.master.stat().st_size
    outside = [dice.randrange(audio.start) for _ in range(20)]
    outside += [dice.randrange(audio.stop, size) for _ in range(20)]
    todo += [(made.master, at, dice.randrange(8)) for at in outside]
    todo += [(made.master, at, 0) for at in (0, audio.start - 1, audio.start, audio.stop - 1, audio.stop)]
    assert len(todo) >= FLIPS
    assert {p for p, _, _ in todo} == {p for p in package.rglob("*") if p.is_file()}
    assert check(package).verdict == "good"
    for path, offset, bit in todo:
        with flipped(path, offset, bit):
            unit = check(package)
        where = f"{path.relative_to(package)}, byte {offset}, bit {bit}"
        assert unit.outcome != "good", f"not found: {where}"
        if path.parts[len(package.parts)] == "data":
            # a file of the payload is named, and called bad, not merely suspicious
            name = str(path.relative_to(package))
            assert unit.outcome == "bad", where
            named = {f.position.get("path") for f in unit.findings if f.rule == rules.DIGEST_MISMATCH.id}
            assert named == {name}, where
        if path == made.master:
            judge_master(unit, audio, offset)
        else:
            assert not unit.damage, where
    assert check(package).verdict == "good"


def test_a_damaged_manifest_is_not_blamed_on_the_master(made: Made) -> None:
    name = "manifest-sha256.txt"
    text = (made.package / name).read_bytes()
    start = text.index(b"  data/master/") - 64
    digit = next(n for n in range(start, start + 64) if text[n : n + 1].isdigit())
    with flipped(made.package / name, digit, 0):  # another digit, so that it is still a digest
        unit = check(made.package)
    assert unit.outcome == "bad"
    assert rules.MASTER_UNCHANGED.id in told(unit)
    assert rules.AUDIO_INTACT.id not in told(unit)
    assert not unit.damage


@pytest.mark.parametrize("name", ["tagmanifest-sha256.txt", "tagmanifest-sha512.txt"])
def test_every_bit_of_a_tag_manifest_matters(made: Made, silent: Path, name: str) -> None:
    # Nothing covers these two (RFC 8493, 2.2.1): they are found out by what they say of the others, and a
    # letter's case, which the RFC leaves free, by our writing lower case only.
    for package, step in ((made.package, 7), (silent, 3)):
        size = (package / name).stat().st_size
        for offset in range(0, size, step):
            bit = (5, offset % 8)[offset % 2]
            with flipped(package / name, offset, bit):
                unit = check(package, "listed")
            assert unit.outcome != "good", f"{package.name}/{name}, byte {offset}, bit {bit}"


def test_flips_in_a_package_without_audio(silent: Path) -> None:
    dice = random.Random(7)
    assert check(silent).verdict == "good"
    for path, offset, bit in places(silent, 150, dice):
        with flipped(path, offset, bit):
            assert check(silent).outcome != "good", f"{path.name}, byte {offset}, bit {bit}"


def test_flips_are_found_at_depth_meaning_too(made: Made) -> None:
    for path, offset, bit in places(made.package, 0, random.Random(11))[::9]:
        with flipped(path, offset, bit):
            assert check(made.package, "meaning").outcome != "good", f"{path.name}, byte {offset}"


# -- more than one bit --------------------------------------------------------------------------------


def master_of(package: Path) -> Path:
    (found,) = (package / "data" / "master").iterdir()
    return found


def audio_of(package: Path) -> tuple[int, int]:
    said = metadata(package, "block-digests.json")
    return said["audio_offset"], said["audio_bytes"]


@pytest.mark.parametrize("gone", [1, 4, 40_000, 300_000])
def test_a_master_cut_short(copy: Path, gone: int) -> None:
    master = master_of(copy)
    start, length = audio_of(copy)
    size = master.stat().st_size
    os.truncate(master, size - gone)
    unit = check(copy)
    assert unit.outcome == "bad"
    (damage,) = unit.damage
    assert damage.size_change == -gone
    lost = max(start + length - (size - gone), 0)
    assert damage.lost_frames == -(-lost // 4)
    assert damage.audio_intact is (lost == 0)
    if lost:
        first = (length - lost) // 4 // BLOCK
        assert [(r.first_block, r.last_block) for r in damage.ranges] == [(first, 7)]


def test_one_byte_appended_to_any_file(copy: Path) -> None:
    for path in sorted(p for p in copy.rglob("*") if p.is_file()):
        was = path.read_bytes()
        path.write_bytes(was + b"\n")
        unit = check(copy)
        if path.name.startswith("tagmanifest-"):
            # A blank line says nothing about any file (RFC 8493, 2.1.3), but it is told.
            assert unit.verdict != "good", path.name
        else:
            assert unit.outcome == "bad", path.name
        if path == master_of(copy):
            (damage,) = unit.damage
            assert (damage.audio_intact, damage.size_change) == (True, 1)
        path.write_bytes(was)
    assert check(copy).verdict == "good"


def test_two_files_swapped(copy: Path) -> None:
    one, two = (copy / "data" / "documents" / n for n in ("log.txt", "received-head.bin"))
    a, b = one.read_bytes(), two.read_bytes()
    one.write_bytes(b)
    two.write_bytes(a)
    unit = check(copy)
    named = {f.position.get("path") for f in unit.findings if f.rule == rules.DIGEST_MISMATCH.id}
    assert unit.outcome == "bad"
    assert named == {"data/documents/log.txt", "data/documents/received-head.bin"}


def test_any_file_deleted(copy: Path) -> None:
    for path in sorted(p for p in copy.rglob("*") if p.is_file()):
        was = path.read_bytes()
        path.unlink()
        unit = check(copy)
        assert unit.outcome in ("missing", "bad"), path.name
        path.write_bytes(was)
    assert check(copy).verdict == "good"


def test_a_file_added(copy: Path) -> None:
    (copy / "data" / "documents" / "stray.txt").write_bytes(b"")
    assert check(copy).outcome == "bad"
    (copy / "data" / "documents" / "stray.txt").unlink()
    # Extra tag files never break validity (RFC 8493 section 3), but this package never had one.
    (copy / "stray.txt").write_bytes(b"")
    assert check(copy).verdict != "good"


def test_two_blocks_damaged(copy: Path) -> None:
    start, _ = audio_of(copy)
    data = bytearray(master_of(copy).read_bytes())
    for block in (2, 5):
        data[start + block * BLOCK * 4 + 17] ^= 0x10
    master_of(copy).write_bytes(data)
    unit = check(copy)
    (damage,) = unit.damage
    assert [(r.first_block, r.last_block) for r in damage.ranges] == [(2, 2), (5, 5)]
    assert sum(f.rule == rules.AUDIO_DAMAGED.id for f in unit.findings) == 2


@pytest.mark.parametrize("by", [4, -4, 1])
def test_shifted_audio(copy: Path, by: int) -> None:
    """Bytes slipped in or lost in the middle of block 3: what follows is found again, so many bytes on."""
    start, _ = audio_of(copy)
    at = start + 3 * BLOCK * 4 + 400
    data = master_of(copy).read_bytes()
    master_of(copy).write_bytes(data[:at] + b"\1" * by + data[at:] if by > 0 else data[:at] + data[at - by :])
    unit = check(copy)
    (damage,) = unit.damage
    assert unit.outcome == "bad"
    assert not damage.audio_intact
    assert damage.shifted_bytes == by
    assert [(r.first_block, r.last_block) for r in damage.ranges] == [(3, 3)]


def test_audio_moved_as_a_whole_is_intact(copy: Path) -> None:
    """A chunk put in front of the audio by some other program: every block is found again."""
    data = master_of(copy).read_bytes()
    body = data[:12] + padded(b"PAD ", bytes(1000)) + data[12:]
    body = body[:4] + (len(body) - 8).to_bytes(4, "little") + body[8:]
    master_of(copy).write_bytes(body)
    unit = check(copy)
    (damage,) = unit.damage
    assert unit.outcome == "bad"
    assert (damage.audio_intact, damage.size_change, damage.ranges) == (True, 1008, ())
