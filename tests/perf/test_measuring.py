"""How fast everything is measured, on one core, and how much memory a long file takes.

    .venv/bin/python -m pytest -m perf -s tests/perf/test_measuring.py

Each run is a process of its own, tied to one core, one BLAS thread; figures are CPU seconds (user and
system), so that other people's work on the machine counts as little as it can. The sound is music with both
channels from one converter, 14 bits, 44.1 kHz stereo, repeated to the length wanted (PROVPACK_PERF_MINUTES,
default 20). Beside it ffmpeg's ebur128 with true peak, which measures loudness alone, on the same samples.
Then other sounds and layouts, and what each of the four sinks takes. Full-scale white noise, which no tape
holds, is the worst case of the true peak (nothing of it can be left out) and of the damage detectors.
Nothing here fails for being slow: it prints. Design goal: 300 times real time with everything on.
"""

from __future__ import annotations

import os
import resource
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from support.soundspeed import measured, sound

pytestmark = pytest.mark.perf
MINUTES = float(os.environ.get("PROVPACK_PERF_MINUTES", "20"))
ROUNDS = int(os.environ.get("PROVPACK_PERF_ROUNDS", "3"))

KINDS = ("loud and bright", "quiet and dull", "one channel", "six channels", "24 bits", "noise")
SINKS = ("damage", "loudness and peaks", "spectra and channels", "levels")


def test_each_sound_and_each_sink(tmp_path: Path) -> None:
    """Milliseconds of a processor per minute of audio."""
    print("\n" + " " * 17 + "x real time   " + "".join(f"{name:>22s}" for name in SINKS))
    for kind in KINDS:
        path = sound(tmp_path, 30, kind)
        runs = [measured(path, MINUTES) for _ in range(ROUNDS)]
        fastest = min(runs, key=lambda run: run["seconds"])
        path.unlink()
        minutes = fastest["audio"] / 60
        each = [min(run["each"][n] for run in runs) * 1000 / minutes for n in range(len(SINKS))]
        print(f"{kind:17s}{fastest['audio'] / fastest['seconds']:11.0f}   "
              + "".join(f"{value:19.1f} ms" for value in each))  # fmt: skip
        assert len(fastest["each"]) == len(SINKS)


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
