"""How fast everything is measured, on one core, and how much memory a long file takes.

    .venv/bin/python -m pytest -m perf -s tests/perf/test_measuring.py

Each run is a process of its own, tied to one core, one BLAS thread; figures are CPU seconds (user and
system), so that other people's work on the machine counts as little as it can. The sound is music with both
channels from one converter, 14 bits, 44.1 kHz stereo, repeated to the length wanted (PROVPACK_PERF_MINUTES,
default 20). Beside it ffmpeg's ebur128 with true peak, which measures loudness alone, on the same samples.
Nothing here fails for being slow: it prints. Design goal: 300 times real time with everything on.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

pytestmark = pytest.mark.perf
MINUTES = float(os.environ.get("PROVPACK_PERF_MINUTES", "20"))
ROUNDS = int(os.environ.get("PROVPACK_PERF_ROUNDS", "3"))

CHILD = """
import json, resource, sys
from fractions import Fraction
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout
from provpack.chunks.layout import DataSpan
from dataclasses import replace
from provpack.jobs.measuring import Measuring
head = open(sys.argv[1], "rb").read()
layout = read_layout(BytesSource(head), "tape")
piece = memoryview(head)[layout.data.offset : layout.data.offset + layout.data.size]
times = int(float(sys.argv[2]) * 60 * 44100 * 4 // len(piece)) + 1
size = times * len(piece)
layout = replace(layout, data=replace(layout.data, size=size))
record = {"carrier": {"source_bit_depth": 14, "line_standard": "625_50"}}
measuring = Measuring(layout, Fraction(44100), record)
use = resource.getrusage(resource.RUSAGE_SELF)
before = use.ru_utime + use.ru_stime
for _ in range(times):
    for at in range(0, len(piece), 4 << 20):
        part = piece[at : at + (4 << 20)]
        for sink in measuring.sinks:
            sink.feed(part)
measuring.finish()
use = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps({"seconds": use.ru_utime + use.ru_stime - before, "audio": size / 4 / 44100,
                  "megabytes": use.ru_maxrss / 1024}))
"""


def sound(folder: Path, seconds: float) -> Path:
    from support.interleave import music
    from support.strangers import fmt_plain, wave

    codes = music(3, seconds, bits=14, level="loud", tone="bright").astype("<i2")
    path = folder / "tape.wav"
    path.write_bytes(wave(fmt_plain(2, 44100, 16), codes.tobytes()))
    return path


def measured(path: Path, minutes: float) -> dict[str, float]:
    alone = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    command = ["taskset", "-c", "1", sys.executable, "-c", CHILD, str(path), str(minutes)]
    done = subprocess.run(command, capture_output=True, env={**os.environ, **alone}, text=True)
    assert done.returncode == 0, done.stderr
    out: dict[str, float] = json.loads(done.stdout)
    return out


def ffmpeg_seconds(ffmpeg: str, path: Path) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    words = ["-v", "quiet", "-threads", "1", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"]
    assert subprocess.run([ffmpeg, *words]).returncode == 0
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_everything_measured_on_one_core(tmp_path: Path, tool: Callable[[str], str]) -> None:
    path = sound(tmp_path, 60)
    for minutes in (1.0, MINUTES):
        runs = [measured(path, minutes) for _ in range(ROUNDS)]
        best = min(runs, key=lambda run: run["seconds"])
        print(f"\nall measurements, {best['audio'] / 60:.0f} min: {best['seconds']:.2f} CPU s, "
              f"{best['audio'] / best['seconds']:.0f} x real time, {best['megabytes']:.0f} MiB")  # fmt: skip
    minute = min(ffmpeg_seconds(tool("ffmpeg"), path) for _ in range(ROUNDS))
    per_minute = best["seconds"] / (best["audio"] / 60)
    print(f"ffmpeg ebur128 with true peak alone: {60 / minute:.0f} x real time; all of ours takes "
          f"{per_minute / minute:.2f} of its time")  # fmt: skip


def test_memory_of_a_six_hour_file(tmp_path: Path) -> None:
    path = sound(tmp_path, 60)
    short, long = measured(path, 5), measured(path, 360)
    print(f"\npeak memory: {short['megabytes']:.0f} MiB for 5 minutes, {long['megabytes']:.0f} MiB for "
          f"{long['audio'] / 3600:.1f} h ({long['audio'] / long['seconds']:.0f} x real time)")  # fmt: skip
    assert long["megabytes"] < 300
