"""Sounds to measure, and one run of all measurements on one core. Used by the benchmarks of tests/perf."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np

from support.interleave import music
from support.strangers import fmt_plain, wave

CHILD = """
import json, resource, sys, time
from fractions import Fraction
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout
from provpack.chunks.layout import DataSpan
from dataclasses import replace
from provpack.jobs.measuring import Measuring
head = open(sys.argv[1], "rb").read()
layout = read_layout(BytesSource(head), "tape")
piece = memoryview(head)[layout.data.offset : layout.data.offset + layout.data.size]
per_second = layout.format.frame_bytes * 44100
times = max(1, round(float(sys.argv[2]) * 60 * per_second / len(piece)))
size = times * len(piece)
layout = replace(layout, data=replace(layout.data, size=size))
record = {"carrier": {"source_bit_depth": 14, "line_standard": "625_50"}}
measuring = Measuring(layout, Fraction(44100), record)
each = [0.0] * len(measuring.sinks)
use = resource.getrusage(resource.RUSAGE_SELF)
before = use.ru_utime + use.ru_stime
for _ in range(times):
    for at in range(0, len(piece), 4 << 20):
        part = piece[at : at + (4 << 20)]
        for n, sink in enumerate(measuring.sinks):
            start = time.thread_time()
            sink.feed(part)
            each[n] += time.thread_time() - start
measuring.finish()
use = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps({"seconds": use.ru_utime + use.ru_stime - before, "audio": size / per_second,
                  "megabytes": use.ru_maxrss / 1024, "each": each}))
"""


def sound(folder: Path, seconds: float, kind: str = "loud and bright") -> Path:
    dice, channels, bits = np.random.default_rng(3), 2, 16
    if kind == "noise":
        codes = dice.integers(-8192, 8192, (int(seconds * 44100), 2)) * 4
    else:
        quiet = kind == "quiet and dull"
        codes = music(
            3, seconds, bits=14, level="quiet" if quiet else "loud", tone="dull" if quiet else "bright"
        )
    if kind == "one channel":
        channels, codes = 1, codes[:, :1]
    elif kind == "24 bits":
        bits, codes = 24, codes.astype(np.int32) * 256 + dice.integers(-128, 128, codes.shape)
    elif kind == "six channels":
        channels, codes = 6, np.concatenate([np.roll(codes, 100 * n, axis=0) for n in range(3)], axis=1)
    data = codes.astype("<i2").tobytes()
    if bits == 24:
        data = np.ascontiguousarray(codes.astype("<i4")).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    path = folder / f"{kind}.wav"
    path.write_bytes(wave(fmt_plain(channels, 44100, bits), data))
    return path


def measured(path: Path, minutes: float) -> dict[str, Any]:
    alone = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    command = ["taskset", "-c", "1", sys.executable, "-c", CHILD, str(path), str(minutes)]
    done = subprocess.run(command, capture_output=True, env={**os.environ, **alone}, text=True)
    assert done.returncode == 0, done.stderr
    out: dict[str, Any] = json.loads(done.stdout)
    return out
