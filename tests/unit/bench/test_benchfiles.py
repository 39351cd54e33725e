"""Audio files of a job folder as they come in: which have settled, and what their headers say."""

from __future__ import annotations

import os
import struct
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from support.jobs import wav

from provpack.chunks.bext import Bext, build_bext
from provpack.jobs import benchfiles
from provpack.jobs.benchfiles import FileWatch
from provpack.package.benchmatch import FileSeen

TAKEN = 1_900_000_000_000_000_000
"""2030-03-17T17:46:40Z in nanoseconds. [computed: date -u -d @1900000000, GNU coreutils]"""


class Clock:
    """Seconds, as the test says."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


class Folder:
    """A job folder under watch."""

    def __init__(self, root: Path) -> None:
        self.root, self.clock = root, Clock()
        self.watch = FileWatch(root, clock=self.clock)

    def put(self, name: str, data: bytes, *, at: int = TAKEN) -> Path:
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        os.utime(path, ns=(at, at))
        return path

    def look(self, later: float = 0.0) -> dict[str, FileSeen]:
        self.clock.now += later
        return {seen.name: seen for seen in self.watch.look()}


@pytest.fixture
def job(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


def chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)


def with_bext(date: str, clock: str) -> bytes:
    # patched into the built body, so that a date can be any (EBU Tech 3285: 10 bytes at 320, 8 bytes at 330)
    body = bytearray(build_bext(Bext(origination_date="2030-03-17", origination_time="18:46:00")))
    body[320:330] = date.encode().ljust(10, b"\0")[:10]
    body[330:338] = clock.encode().ljust(8, b"\0")[:8]
    return wav(bytes(4000), before=chunk(b"bext", bytes(body)))


def test_a_file_settles_when_two_looks_two_seconds_apart_find_the_same(job: Folder) -> None:
    job.put("captures/one.wav", wav(bytes(4000)))
    (seen,) = job.look().values()
    assert seen == FileSeen(
        name="captures/one.wav", bytes=4044, modified_at=seen.modified_at, stable=False, frames=1000,
        header_hz=44100, channels=2, bits=16,
    )  # fmt: skip
    assert datetime.fromisoformat(seen.modified_at).timestamp() == 1_900_000_000
    assert not job.look(1.9)["captures/one.wav"].stable
    assert job.look(0.2)["captures/one.wav"] == replace(seen, stable=True)
    assert job.watch.files == (replace(seen, stable=True),)


def test_a_file_that_changes_begins_to_settle_anew(job: Folder) -> None:
    job.put("one.wav", wav(bytes(4000)))
    job.look()
    assert job.look(3)["one.wav"].stable
    job.put("one.wav", wav(bytes(4000)), at=TAKEN + 1)  # the same size, another time
    assert not job.look(3)["one.wav"].stable
    assert job.look(3)["one.wav"].stable


def test_headers_are_read_once_as_long_as_nothing_changes(
    job: Folder, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    real = benchfiles._read

    def counted(path: Path, name: str, size: int, changed: int) -> FileSeen:
        read.append(name)
        return real(path, name, size, changed)

    monkeypatch.setattr(benchfiles, "_read", counted)
    for n in range(3):
        job.put(f"{n}.wav", wav(bytes(400)))
    for _ in range(5):
        job.look(1)
    assert read == ["0.wav", "1.wav", "2.wav"]
    job.put("1.wav", wav(bytes(800)))
    job.look(1)
    assert read[3:] == ["1.wav"]


GROWING = wav(bytes(4000))


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "empty"),
        (b"RIFF", ""),
        (b"no audio at all, but long enough", ""),
        (GROWING[:-400], "declares 4000 bytes of audio, 3600 are there"),
        (GROWING[:40] + struct.pack("<I", 0) + GROWING[44:], "declares no audio yet"),
        (GROWING[:40] + b"\xff\xff\xff\xff" + GROWING[44:], "declares 4294967295 bytes of audio, 4000"),
        (GROWING + bytes(5000), "5000 bytes stand beyond the end"),
    ],
)
def test_a_capture_that_is_not_finished_never_settles(job: Folder, data: bytes, word: str) -> None:
    job.put("one.wav", data)
    job.look()
    seen = job.look(10)["one.wav"]
    assert not seen.stable
    assert any(word in fault for fault in seen.faults)


def test_other_containers_are_read_as_inspect_reads_them(job: Folder, reference: Path) -> None:
    """Files made by libsndfile; see ORIGINS.md beside them."""
    folder = reference / "wav"
    for path in sorted(folder.glob("*rf64*"))[:2]:
        job.put(f"{path.stem}.rf64", path.read_bytes())
    flac = next(iter(sorted(reference.rglob("*.flac"))), None)
    if flac is not None:
        job.put("one.flac", flac.read_bytes())
    found = job.look()
    assert found
    assert all(seen.frames and seen.header_hz for seen in found.values() if not seen.faults)


def test_what_is_no_audio_of_the_job_is_passed_over(job: Folder) -> None:
    audio = wav(bytes(400))
    job.put("paper.txt", b"paper")
    job.put(".hidden.wav", audio)
    job.put("packages/job_t01/bagit.txt", b"")
    job.put("packages/job_t01/data/master/job_t01.wav", audio)
    outside = job.root.parent / "outside.wav"
    outside.write_bytes(audio)
    (job.root / "link.wav").symlink_to(outside)
    os.mkfifo(job.root / "pipe.wav")
    job.put("ONE.WAV", audio)
    assert list(job.look()) == ["ONE.WAV"]


def test_a_file_that_goes_away_is_gone(job: Folder) -> None:
    path = job.put("one.wav", wav(bytes(400)))
    assert job.look()
    path.unlink()
    assert job.look() == {}


@pytest.mark.parametrize(
    ("date", "clock", "told"),
    [
        ("2030-03-17", "18:46:00", "2030-03-17T18:46:00"),
        ("2030:03:17", "18-46-00", "2030-03-17T18:46:00"),  # EBU Tech 3285: other separators are allowed
        ("2030-02-30", "18:46:00", None),
        ("0000-00-00", "00:00:00", None),
        ("2030-03-17", "24:00:00", None),
        ("", "", None),
        ("2030-03-17", "", None),
    ],
)
def test_the_origination_of_a_bext(job: Folder, date: str, clock: str, told: str | None) -> None:
    job.put("one.wav", with_bext(date, clock))
    assert job.look()["one.wav"].origination == told


@pytest.mark.parametrize("at", [0, -10_000_000_000_000_000_000, 9_000_000_000_000_000_000])
def test_any_time_of_a_file_system_is_a_date_time(at: int) -> None:
    told = datetime.fromisoformat(benchfiles.local_time(at))
    assert told.tzinfo is not None
    assert told.year >= 1000
