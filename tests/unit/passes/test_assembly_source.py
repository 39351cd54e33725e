"""The assembled file that lies nowhere: its bytes, its header, and passes that do not hold still.

Sources: RIFF/WAVE 1991 (chunks, pad byte); EBU Tech 3306 Annex A (RF64 above 4 GiB).
"""

from __future__ import annotations

import random
import struct
from pathlib import Path

import numpy as np
import pytest
from unit.passes.pass_jobs import RATE, clean, job_with, muted, told, transfer_of

from provpack.chunks.bext import parse_bext
from provpack.chunks.embedded import read_embedded
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout
from provpack.errors import InputProblem
from provpack.jobs import passrules
from provpack.jobs.assembly import Assembly, is_assembled, open_assembled, plan_assembly
from provpack.jobs.loaded import LoadedTransfer

N = len(clean())
HALVES = [(1, 0, 100_000, 0, 100_000), (2, 100_000, N, 100_000, N)]


def chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)


def riff(*chunks: bytes) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def fmt(channels: int, bits: int, rate: int = 44100) -> bytes:
    frame = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", 1, channels, rate, rate * frame, frame, bits))


def planned(transfer: LoadedTransfer) -> Assembly:
    assembly, findings = plan_assembly(transfer, RATE)
    assert assembly is not None, findings
    return assembly


def test_its_bytes_are_a_wav_file_of_the_ranges(tmp_path: Path) -> None:
    transfer = transfer_of(
        job_with(
            tmp_path / "job",
            {1: muted(clean(), 150_000, 151_000), 2: muted(clean(), 50_000, 50_100)},
            assembly=HALVES,
        )
    )
    assert is_assembled(transfer)
    assembly = planned(transfer)
    assert (assembly.frames, assembly.base, assembly.channels, assembly.bits) == (N, 2, 2, 16)
    with open_assembled(transfer, RATE) as made:
        whole = made.read_at(0, made.size + 100)
        assert len(whole) == made.size
        assert not made.path.exists() and "passes 1, 2" in made.path.name
        made.check_unchanged()
    layout = read_layout(BytesSource(whole), "made")
    assert layout.findings == () and layout.data is not None and layout.declared_size == len(whole) - 8
    assert whole[layout.data.offset :] == clean().tobytes()


def test_any_piece_is_what_the_whole_has_there(tmp_path: Path) -> None:
    """Thousands of ranges, some of one frame; pieces across borders; an odd number of bytes."""
    dice = random.Random(5)
    mono = [
        np.random.default_rng(seed).integers(0, 256, size=9001, dtype=np.uint8).tobytes() for seed in (1, 2)
    ]
    files = {n + 1: riff(fmt(1, 8), chunk(b"data", data)) for n, data in enumerate(mono)}
    ranges, at = [], 0
    while at < 9001:
        size = min(9001 - at, dice.choice([1, 1, 1, 2, 3, 9]))
        ranges.append((dice.choice([1, 2]), at, at + size, at, at + size))
        at += size
    shuffled = dice.sample(ranges, len(ranges))  # the order of rows in the sheet does not matter
    transfer = transfer_of(job_with(tmp_path / "job", files, assembly=shuffled))
    audio = b"".join(mono[n - 1][a:b] for n, a, b, _, _ in ranges)
    with open_assembled(transfer, RATE) as made:
        whole = made.read_at(0, made.size)
        assert whole == riff(fmt(1, 8), chunk(b"data", audio))
        for _ in range(500):
            start, length = dice.randrange(-3, made.size + 5), dice.randrange(0, 600)
            wanted = whole[start : start + length] if start >= 0 else b""
            assert made.read_at(start, length) == wanted
            view = bytearray(length)
            got = made.read_into(start, memoryview(view))
            assert bytes(view[:got]) == wanted


def test_history_goes_over_and_positions_do_not(tmp_path: Path) -> None:
    bext = bytes(602) + b"A=PCM,F=44100,W=16,M=stereo,T=the second pass\r\n"
    data = chunk(b"data", clean().tobytes())
    head = [
        chunk(b"JUNK", bytes(28)), chunk(b"cue ", struct.pack("<I", 0)), fmt(2, 16),
        chunk(b"fact", struct.pack("<I", N)),
    ]  # fmt: skip
    info = chunk(b"LIST", b"INFO" + chunk(b"INAM", b"Odd\0"))
    files = {1: clean(), 2: riff(*head, data, chunk(b"bext", bext), info, chunk(b"bext", bext))}
    transfer = transfer_of(job_with(tmp_path / "job", files, assembly=[(2, 0, N, 0, N)]))
    assembly, findings = plan_assembly(transfer, RATE)
    assert assembly is not None and assembly.base == 2
    (left,) = [f for f in findings if f.rule == passrules.CHUNKS_LEFT.id]
    assert left.severity == "note" and "'cue '" in left.what and "'fact'" in left.what
    assert "JUNK" not in left.what
    with open_assembled(transfer, RATE) as made:
        layout = read_layout(made, "made")
        embedded = read_embedded(made, layout)
        assert [c.id for c in layout.chunks] == [b"bext", b"LIST", b"fmt ", b"data"]
        assert made.read_at(layout.chunks[0].data_offset, len(bext)) == bext
    assert [r.text for r in embedded.history] == ["the second pass"]
    assert parse_bext(bext)[0] == embedded.bext
    assert embedded.info_lists == ((("INAM", "Odd"),),)


def sparse(path: Path, data: int) -> None:
    """A RIFF file whose audio is a hole with a mark in each of its ends."""
    head = b"RIFF" + struct.pack("<I", 36 + data) + b"WAVE" + fmt(2, 16) + b"data" + struct.pack("<I", data)
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + data)
        file.write(b"first pass bytes")
        file.seek(len(head) + data - 16)
        file.write(b"the last of them")


def test_more_than_four_gib_makes_an_rf64_file(tmp_path: Path) -> None:
    data = 3_000_000_000
    frames = data // 4
    ranges = [(1, 0, frames, 0, frames), (2, 0, frames, frames, 2 * frames)]
    folder = job_with(tmp_path / "job", {1: clean(), 2: clean()}, assembly=ranges)
    for n in (1, 2):
        sparse(folder / f"p{n}.wav", data)
    with open_assembled(transfer_of(folder), RATE) as made:
        layout = read_layout(made, "made")
        assert layout.form == "RF64" and layout.data is not None and layout.ds64 is not None
        assert layout.data.size == 2 * data == layout.ds64.data_size
        assert layout.ds64.sample_count == 2 * frames and layout.findings == ()
        assert layout.ds64.riff_size == made.size - 8 == layout.declared_size
        border = layout.data.offset + data
        assert made.read_at(border - 16, 32) == b"the last of them" + b"first pass bytes"
        assert made.read_at(made.size - 16, 32) == b"the last of them"


def test_a_pass_that_shrinks(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: clean(), 2: clean()}, assembly=HALVES)
    with open_assembled(transfer_of(folder), RATE) as made:
        with (folder / "p2.wav").open("r+b") as file:
            file.truncate(44 + 4 * 150_000)
        assert len(made.read_at(0, 4 * 140_000)) == 4 * 140_000
        with pytest.raises(InputProblem) as caught:
            made.read_at(4 * 140_000, 4 * 100_000)
        assert "pass 2" in caught.value.what and "p2.wav" in caught.value.where
        with pytest.raises(InputProblem):
            made.check_unchanged()


def test_it_can_be_closed_twice_and_holds_no_file_open(tmp_path: Path) -> None:
    fds = Path("/proc/self/fd")
    before = set(fds.iterdir()) if fds.exists() else set()
    transfer = transfer_of(job_with(tmp_path / "job", {1: clean(), 2: clean()}, assembly=HALVES))
    made = open_assembled(transfer, RATE)
    made.close()
    made.close()
    bad = transfer_of(job_with(tmp_path / "bad", {1: clean(), 2: b""}, assembly=HALVES))
    with pytest.raises(InputProblem) as caught:
        open_assembled(bad, RATE)
    assert caught.value.code == "pass-assembly-source"
    if before:
        assert set(fds.iterdir()) == before


def test_a_transfer_with_a_file_is_not_assembled(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: clean(), 2: clean()}, own=1, assembly=HALVES)
    assert not is_assembled(transfer_of(folder))
    assert not is_assembled(transfer_of(job_with(tmp_path / "none", {1: clean(), 2: clean()})))


def test_header_rates_that_differ_are_told_and_the_base_gives_its_own(tmp_path: Path) -> None:
    other = riff(fmt(2, 16, 44056), chunk(b"data", clean().tobytes()))
    transfer = transfer_of(job_with(tmp_path / "job", {1: clean(), 2: other}, assembly=HALVES))
    assembly, findings = plan_assembly(transfer, RATE)
    assert told(findings) == ["header-rate"] and assembly is not None
    assert assembly.base == 2 and assembly.header_rate == 44056
