"""Speed as ratios against general tools in the same run. Not part of the normal test run:

    .venv/bin/python -m pytest -m perf -s tests/perf

The machine is shared and noisy, so every figure is the best of several rounds, taken in turn, on a warm
cache. Size with PROVPACK_PERF_MB (default 1000). Beside the clock on the wall, on which other people's work
counts as well, the seconds of processors of each command and of what it started. `wrap` is given music and,
as the worst case, white noise of 14 bits (tests/perf/test_measuring.py); what it can reach at most stands in
tests/perf/test_limits.py. Nothing here fails for being slow: it prints.
"""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from support.interleave import music
from support.jobs import make_job, wav

pytestmark = pytest.mark.perf
MEGABYTES = int(os.environ.get("PROVPACK_PERF_MB", "1000"))
ROUNDS = int(os.environ.get("PROVPACK_PERF_ROUNDS", "3"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Took:
    """Seconds of a clock on the wall, and of all processors together."""

    wall: float
    cpu: float


def timed(action: Callable[[], object]) -> Took:
    before, start = os.times(), time.perf_counter()
    action()
    wall, after = time.perf_counter() - start, os.times()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return Took(wall=wall, cpu=cpu)


def run(*words: str | Path, ok: tuple[int, ...] = (0,)) -> None:
    done = subprocess.run([str(w) for w in words], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert done.returncode in ok, done.stderr.decode()


def provpack(*words: str | Path) -> None:
    run(sys.executable, "-m", "provpack", *words, ok=(0, 1))


def big_job(folder: Path, sound: str) -> Path:
    """One transfer of MEGABYTES of 14-bit stereo: noise, or music repeated."""
    frames = MEGABYTES * 1_000_000 // 4
    if sound == "noise":
        return make_job(folder, frames=frames)
    piece = music(3, 60, bits=14, level="loud", tone="bright").astype("<i2").tobytes()
    data = piece * (frames * 4 // len(piece) + 1)
    return make_job(folder, frames=frames, files={"T01.wav": wav(data[: frames * 4])})


def report(name: str, took: dict[str, Took], base: str) -> None:
    print(f"\n{name}, {MEGABYTES} MB, best of {ROUNDS}; against {base}:")
    for what, one in took.items():
        print(
            f"  {what:30s}{one.wall:7.2f} s {MEGABYTES / 1000 / one.wall:5.2f} GB/s "
            f"{one.wall / took[base].wall:5.2f} x; "
            f"{one.cpu:6.2f} s of processors {one.cpu / took[base].cpu:5.2f} x"
        )


def best(times: dict[str, Took], what: str, took: Took) -> None:
    known = times.get(what, took)
    times[what] = Took(wall=min(took.wall, known.wall), cpu=min(took.cpu, known.cpu))


@pytest.mark.parametrize("sound", ["music", "noise"])
def test_wrap_and_verify(sound: str, tmp_path: Path, tool: Callable[[str], str]) -> None:
    job = big_job(tmp_path / "job", sound)
    wav = next(job.glob("*.wav"))
    wav.read_bytes()
    copy = tmp_path / "copy.wav"
    wrap: dict[str, Took] = {}
    verify: dict[str, Took] = {}
    for n in range(ROUNDS):
        copy.unlink(missing_ok=True)
        os.sync()
        both = timed(lambda: (run("cp", wav, copy), run("sha512sum", copy)))
        best(wrap, "cp then sha512sum", both)
        copy.unlink()
        os.sync()
        synced = timed(lambda: (run("cp", wav, copy), run("sync", copy), run("sha512sum", copy)))
        best(wrap, "cp, sync, sha512sum", synced)
        out = tmp_path / f"out{n}"
        os.sync()
        best(wrap, "provpack wrap", timed(functools.partial(provpack, "wrap", job, "--to", out)))
        package = next(p for p in out.iterdir() if p.is_dir())
        master = next((package / "data" / "master").iterdir())
        master.read_bytes()
        for depth in ("bytes", "meaning"):
            seconds = timed(functools.partial(provpack, "verify", package, "--depth", depth))
            best(verify, f"provpack verify --depth {depth}", seconds)
        best(verify, "sha512sum", timed(functools.partial(run, "sha512sum", master)))
        best(
            verify,
            "openssl dgst -sha512",
            timed(functools.partial(run, tool("openssl"), "dgst", "-sha512", master)),
        )
        shutil.rmtree(out)
    report(f"wrap of {sound}", wrap, "cp then sha512sum")
    report("verify", verify, "openssl dgst -sha512")


def test_help_answers_at_once() -> None:
    seconds = min(timed(lambda: provpack("--help")).wall for _ in range(5))
    bare = min(timed(lambda: run(sys.executable, "-c", "pass")).wall for _ in range(5))
    print(f"\nprovpack --help: {seconds:.3f} s ({bare:.3f} s of it Python's own start)")
