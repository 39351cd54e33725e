"""The derivative as bytes: ranges, block borders, determinism, headers, and that nothing else is touched."""

from __future__ import annotations

import hashlib
import json
import struct
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.derivatives import (
    AT,
    HISTORY,
    RATES,
    RECORD,
    derive,
    ranges,
    received,
    record_with,
    sine,
    wanted,
)
from support.strangers import strict_riff, sub_chunks

from provpack.chunks.bext import parse_bext
from provpack.chunks.history import parse_history
from provpack.chunks.walk import read_layout
from provpack.edge.commit import RealDisk
from provpack.edge.received import ReceivedFile
from provpack.edge.workers import crew
from provpack.errors import InputProblem
from provpack.jobs.derive import plan_derivative
from provpack.jobs.derivefile import wav_head, write_derivative
from provpack.jobs.deriveplan import Container
from provpack.jobs.progress import Silent
from provpack.jobs.staging import Staging
from provpack.measure.deemphasis import CROSSOVER
from provpack.measure.deemphasis_kernel import design

R = RATES[0]


def noise(n: int, seed: int = 1, channels: int = 2) -> Any:
    return np.random.default_rng(seed).integers(-9000, 9000, (n, channels)) & ~3


def mixed(n: int, *marks: int, first: bool = False) -> dict[str, Any]:
    """A record whose emphasis changes at each mark."""
    edges = [0, *marks, n]
    parts = [(a, b, "on" if (i + first) % 2 else "off") for i, (a, b) in enumerate(pairwise(edges))]
    return record_with(signal=ranges(*parts))


# ---- ranges


def test_the_emphasised_part_is_filtered_and_the_other_stays_bit_for_bit(tmp_path: Path) -> None:
    """Outside the crossover of 128 frames around each change: off = the received bits shifted to 24, on = the
    very samples that filtering the whole file gives."""
    n, half = 50_000, CROSSOVER // 2
    codes = noise(n)
    part = derive(tmp_path / "part", received(codes, 44056), R, record=mixed(n, 20_000, 35_000))
    whole = derive(tmp_path / "whole", received(codes, 44056), R)
    out, plain, all_on = part.codes, codes.astype(np.int32) << 8, whole.codes
    assert np.array_equal(out[: 20_000 - half], plain[: 20_000 - half])
    assert np.array_equal(out[20_000 + half : 35_000 - half], all_on[20_000 + half : 35_000 - half])
    assert np.array_equal(out[35_000 + half :], plain[35_000 + half :])
    assert not np.array_equal(plain[20_000:35_000], all_on[20_000:35_000])
    (step,) = part.record["processing"]["processing_steps"]
    assert step["ranges"] == [{"start": 20_000, "end": 35_000, "crossover_frames": CROSSOVER}]
    assert "ranges" not in whole.record["processing"]["processing_steps"][0]


@pytest.mark.parametrize("hertz", [440, 3000])
def test_a_change_of_state_leaves_no_seam(tmp_path: Path, hertz: int) -> None:
    """A tone that runs on smoothly through two changes, with block borders on and beside them: the largest
    bend (second difference) near a change is at most 1.1 times that of the steady tone; switching hard
    would make one more than twice as large at one of them at least (it depends on the phase met)."""
    n = 40_000
    tone = np.rint(sine(R, hertz, n, 8e5)).astype(np.int32)[:, None].repeat(2, axis=1)
    record = mixed(n, 15_000, 30_007)
    work = derive(tmp_path, received(tone, 44056, 24), R, record=record, block_frames=5000)
    bend = np.abs(np.diff(work.codes[:, 0].astype(float), n=2))
    steady = np.abs(np.diff(tone[:, 0].astype(float), n=2)).max()
    avoided = []
    soft = np.convolve(tone[:, 0], design(R).taps, "same")
    for at in (15_000, 30_007):
        near = slice(at - 200, at + 200)
        assert bend[near].max() < 1.1 * steady
        hard = np.concatenate([tone[:at, 0], soft[at:]] if at == 15_000 else [soft[:at], tone[at:, 0]])
        avoided.append(np.abs(np.diff(hard, n=2))[near].max())
    assert max(avoided) > 2 * steady


# ---- block borders, determinism


@pytest.mark.parametrize("container", ["wav", "flac"])
def test_block_size_and_threads_leave_no_trace(tmp_path: Path, container: Container) -> None:
    """Bit for bit the same file, whatever it was read in, however often it is made."""
    n = 30_011
    codes, record = noise(n, 5), mixed(n, 9_000, 9_700, 21_000)
    record["decoder"]["shared_converter"] = "yes"
    wish = wanted("deemphasis", "deskew", container=container, late=1)
    seen = set()
    for i, (block, threads) in enumerate(
        [(1 << 17, 2), (1 << 17, 1), (4096, 2), (977, 2), (30_010, 1), (61, 2)]
    ):
        work = derive(
            tmp_path / str(i), received(codes, 44056), R, record=record, wish=wish, block_frames=block,
            threads=threads,
        )  # fmt: skip
        seen.add(
            (hashlib.sha256(work.path.read_bytes()).hexdigest(), json.dumps(work.told.entry, sort_keys=True))
        )
    assert len(seen) == 1


def test_a_file_shorter_than_the_filter(tmp_path: Path) -> None:
    work = derive(tmp_path, received(np.array([[400, -400]]), 44100), RATES[1])
    assert work.codes.tolist() == [[400 << 8, -400 << 8]]  # one held value: gain 1 at 0 Hz


# ---- the file


def test_every_byte_of_the_wav_file(tmp_path: Path) -> None:
    work = derive(tmp_path, received(noise(5001, channels=1), 44056), R)
    riff = strict_riff(work.path.read_bytes())  # sizes and pad bytes right to the last byte; 15003 is odd
    assert [c.id for c in riff.chunks] == [b"bext", b"LIST", b"fmt ", b"data"]
    assert riff.one(b"fmt ").body == struct.pack("<HHIIHH", 1, 1, 44056, 44056 * 3, 3, 24)
    audio = riff.one(b"data").body
    assert len(audio) == 5001 * 3
    entry = work.told.entry
    assert entry["audio_sha256"] == hashlib.sha256(audio).hexdigest()
    assert entry["sha256"] == hashlib.sha256(riff.data).hexdigest()
    assert entry["sha512"] == hashlib.sha512(riff.data).hexdigest()
    assert entry["bytes"] == len(riff.data)
    assert entry["path"] == "data/derivatives/job-1_t01_deemph.wav"
    assert (entry["role"], entry["file_emphasis"], entry["media_type"]) == (
        "derivative", "removed", "audio/vnd.wave",
    )  # fmt: skip


def test_what_the_file_says_of_itself(tmp_path: Path) -> None:
    """bext version 2 (EBU Tech 3285 v2), one coding-history row more than the master (R 98), INFO."""
    work = derive(tmp_path, received(noise(5000), 44056), R)
    riff = strict_riff(work.path.read_bytes())
    bext, faults = parse_bext(riff.one(b"bext").body)
    assert bext is not None
    assert not faults
    assert bext.version == 2
    assert bext.description.startswith("Abendkonzert fur Streicher; Teil 2"[:20])
    assert "emphasis in this file: removed" in bext.description
    assert (bext.origination_date, bext.origination_time) == ("2026-06-02", "10:00:00")
    assert bext.time_reference == int(36000 * R)
    assert bext.loudness_value is None
    parent = work.told.entry["parent"]
    rows, faults = parse_history(bext.coding_history)
    assert not faults
    assert bext.coding_history.startswith(HISTORY)
    last = rows[-1]
    assert len(rows) == 3
    assert (last.algorithm, last.frequency, last.word_length, last.mode) == ("PCM", 44056, 24, "stereo")
    for word in ("digital de-emphasis 50/15 us", "without dither", parent, "provpack 1.2.3"):
        assert word in last.text
    info = {tag: body.rstrip(b"\0").decode() for tag, body in sub_chunks(riff.one(b"LIST", b"INFO").body)}
    assert info[b"INAM"] == "Abendkonzert fur Streicher, Teil 2"
    assert parent in info[b"ICMT"]
    assert RECORD["record_id"] in info[b"ICMT"]


def test_more_than_two_channels_keep_their_places(tmp_path: Path) -> None:
    codes = noise(3000, channels=4)
    work = derive(tmp_path, received(codes, 48000, 16, extensible=True), RATES[2])
    layout = read_layout_of(work.path)
    assert layout.format is not None
    assert (layout.format.channels, layout.format.valid_bits, layout.format.channel_mask) == (4, 24, 3)
    assert layout.format.is_pcm
    assert not layout.findings
    assert work.codes.shape == (3000, 4)


def read_layout_of(path: Path) -> Any:
    with ReceivedFile(path) as source:
        return read_layout(source, path.name)


class Long:
    """A source that has a head and claims any length of audio after it."""

    def __init__(self, head: bytes, size: int) -> None:
        self._head, self.size = head, size

    def read_at(self, offset: int, length: int) -> bytes:
        want = max(0, min(length, self.size - offset))
        return self._head[offset : offset + want].ljust(want, b"\0")


@pytest.mark.parametrize(("hours", "form"), [(4.5, "RIFF"), (4.52, "RF64"), (30, "RF64")])
def test_beyond_four_gigabytes_it_is_rf64(tmp_path: Path, hours: float, form: str) -> None:
    """24-bit stereo reaches 4 GiB at 4 h 30 min (domain note 1.4); RF64 with ds64 first (EBU Tech 3306)."""
    work = derive(tmp_path, received(noise(10), 44056), R)
    frames = int(hours * 3600 * R)
    bext = strict_riff(work.path.read_bytes()).one(b"bext").body
    head = wav_head(work.plan.format, frames, ((b"bext", bext),))
    layout = read_layout(Long(head, len(head) + frames * 6), "long.wav")
    assert layout.form == form
    assert layout.data is not None
    assert (layout.data.offset, layout.data.size) == (len(head), frames * 6)
    assert not layout.findings
    assert layout.trailing_bytes == 0
    if form == "RF64":
        assert layout.ds64 is not None
        assert layout.ds64.sample_count == frames


# ---- what is found while it is made


def test_samples_raised_above_full_scale_are_clipped_counted_and_told(tmp_path: Path) -> None:
    taps = np.asarray(design(R).taps)
    hostile = np.where(np.tile(np.sign(taps[::-1]), 40) < 0, -32768, 32767)[:, None].repeat(2, axis=1)
    work = derive(tmp_path, received(hostile, 44056), R)
    assert [f.rule for f in work.told.findings] == ["derive-clipped"] * 2
    count = work.record["processing"]["processing_steps"][0]["parameters"]["clipped_samples"]
    assert count == work.told.made.clipped > 0
    assert f"Channel 1: {count // 2} samples" in work.told.findings[0].what
    assert work.codes.max() == (1 << 23) - 1
    clean = derive(tmp_path / "clean", received(noise(3000), 44056), R)
    assert clean.told.findings == ()
    assert clean.told.made.clipped == 0


@pytest.mark.parametrize("container", ["wav", "flac"])
def test_a_second_reading_that_differs_is_refused(tmp_path: Path, container: Container) -> None:
    """The derivative must come from the very audio that the master has."""
    file = tmp_path / "T01.wav"
    file.write_bytes(received(noise(9000), 44056))
    stage = Staging(RealDisk(), tmp_path / ".partial-x")
    with ReceivedFile(file) as source, crew(2) as run_all:
        layout = read_layout(source, "T01.wav")
        assert layout.format is not None
        assert layout.data is not None
        plan, _ = plan_derivative(RECORD, layout.format, R, 9000, wanted(container=container), name="p")
        assert plan is not None
        stage.begin()
        record = record_with()
        with pytest.raises(InputProblem) as problem:
            write_derivative(
                stage, source, layout, plan, record, parent="0" * 64, master="T01.wav", at=AT,
                run_all=run_all, progress=Silent(),
            )  # fmt: skip
    assert problem.value.code == "file-changed"
    assert record["processing"]["processing_steps"] == []


def test_other_rates(tmp_path: Path) -> None:
    for rate in (Fraction(32_000), Fraction(96_000)):
        work = derive(tmp_path / str(rate), received(noise(500), int(rate)), rate)
        assert work.codes.shape == (500, 2)
