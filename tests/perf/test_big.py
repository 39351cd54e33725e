"""A transfer of almost seven hours, above 4 GiB, from end to end: RF64, flat memory. PROVPACK_BIG=1 runs it.

It needs about 9 GB beside the sparse source, which is told beforehand.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import struct
import subprocess
import time
from pathlib import Path

import pytest
from cli.commandline import command
from support.jobs import make_job

pytestmark = [
    pytest.mark.perf,
    pytest.mark.skipif(not os.environ.get("PROVPACK_BIG"), reason="PROVPACK_BIG=1 writes 4.3 GB"),
]
SECONDS = 6 * 3600 + 50 * 60
FRAMES = SECONDS * 44100
LIMIT = 300 * 1024
"""KiB of resident memory; design.md section 7."""


def sparse(path: Path, frames: int) -> None:
    """RF64 (EBU Tech 3306): 16-bit stereo, a second of noise in each quarter of an hour, else zeros."""
    size = frames * 4
    fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 2, 44100, 44100 * 4, 4, 16)
    head = 12 + 36 + len(fmt) + 8
    ds64 = struct.pack("<4sIQQQI", b"ds64", 28, head - 8 + size, size, frames, 0)
    dice = random.Random(6)
    second = bytes(b & 0xFC if n % 2 == 0 else b for n, b in enumerate(dice.randbytes(44100 * 4)))
    with path.open("wb") as file:
        file.write(struct.pack("<4sI4s", b"RF64", 0xFFFFFFFF, b"WAVE") + ds64 + fmt)
        file.write(struct.pack("<4sI", b"data", 0xFFFFFFFF))
        for start in range(0, frames, 900 * 44100):
            file.seek(head + start * 4)
            file.write(second)
        file.truncate(head + size)


def measured(*words: str | Path) -> tuple[int, str, int, float]:
    """(exit code, standard output, most resident memory in KiB, seconds) of a process of its own."""
    begun = time.monotonic()
    process = subprocess.Popen(command(*words), stdout=subprocess.PIPE)
    assert process.stdout is not None
    out = process.stdout.read().decode()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    process.stdout.close()
    return process.returncode, out, used.ru_maxrss, time.monotonic() - begun


def test_above_4_gib_from_end_to_end(tmp_path: Path) -> None:
    if shutil.disk_usage(tmp_path).free < 12 * 10**9:
        pytest.skip("less than 12 GB free")
    job = make_job(tmp_path / "job", frames=FRAMES, files={"T01.wav": b"x"})
    received = job / "T01.wav"
    sparse(received, FRAMES)
    assert received.stat().st_size > 1 << 32
    before = received.stat()
    code, out, memory, took = measured("wrap", job, "--to", tmp_path / "out", "--json")
    print(f"wrap {received.stat().st_size / 1e9:.2f} GB: {took:.0f} s, {memory / 1024:.0f} MiB")
    value = json.loads(out)
    assert code in (0, 1) and value["units"][0]["outcome"] == "wrapped", out[:2000]
    assert memory <= LIMIT
    package = tmp_path / "out/job-1_t01"
    master = next(package.glob("data/master/*.wav"))
    with master.open("rb") as file:
        start = file.read(48)
    assert (start[:4], start[4:8], start[12:16]) == (b"RF64", b"\xff\xff\xff\xff", b"ds64")
    # EBU Tech 3306 section 4.3: RIFF size, data size, sample count
    riff, data, frames = struct.unpack("<QQQ", start[20:44])
    assert (riff, data, frames) == (master.stat().st_size - 8, FRAMES * 4, FRAMES)
    import soundfile

    assert soundfile.info(master).frames == FRAMES  # libsndfile reads the length that was written
    for words in (
        ("verify", package, "--depth", "bytes", "--json"),
        ("verify", package, "--depth", "meaning", "--json"),
        ("inspect", master, "--json"),
    ):
        code, out, memory, took = measured(*words)
        print(f"{words[0]} {words[-2]}: {took:.0f} s, {memory / 1024:.0f} MiB, exit code {code}")
        assert memory <= LIMIT
        assert json.loads(out)["outcome"] == "good" or words[0] == "inspect"
    page = tmp_path / "page.html"
    code, out, memory, took = measured("report", package, "--to", page)
    print(f"report: {took:.0f} s, {memory / 1024:.0f} MiB, {page.stat().st_size / 1e6:.1f} MB of page")
    assert code == 0 and memory <= LIMIT
    assert (before.st_size, before.st_mtime_ns) == (received.stat().st_size, received.stat().st_mtime_ns)
