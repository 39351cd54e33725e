"""Speed as ratios against general tools in the same run. Not part of the normal test run:

    .venv/bin/python -m pytest -m perf -s tests/perf

The machine is shared and noisy, so every figure is the best of several rounds, taken in turn, on a warm
cache. Size with PROVPACK_PERF_MB (default 1000). Nothing here fails for being slow: it prints.
"""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from support.jobs import make_job

pytestmark = pytest.mark.perf
MEGABYTES = int(os.environ.get("PROVPACK_PERF_MB", "1000"))
ROUNDS = int(os.environ.get("PROVPACK_PERF_ROUNDS", "3"))


def timed(action: Callable[[], object]) -> float:
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def run(*words: str | Path, ok: tuple[int, ...] = (0,)) -> None:
    done = subprocess.run([str(w) for w in words], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert done.returncode in ok, done.stderr.decode()


def provpack(*words: str | Path) -> None:
    run(sys.executable, "-m", "provpack", *words, ok=(0, 1))


def big_job(folder: Path) -> Path:
    """One transfer of MEGABYTES of 14-bit stereo noise."""
    return make_job(folder, frames=MEGABYTES * 1_000_000 // 4)


def report(name: str, seconds: dict[str, float], base: str) -> None:
    print(f"\n{name}, {MEGABYTES} MB, best of {ROUNDS}:")
    for what, value in seconds.items():
        rate = MEGABYTES / 1000 / value
        print(f"  {what:42s} {value:7.2f} s  {rate:5.2f} GB/s  {value / seconds[base]:5.2f} x {base}")


def best(times: dict[str, float], what: str, seconds: float) -> None:
    times[what] = min(seconds, times.get(what, 1e9))


def test_wrap_and_verify(tmp_path: Path, tool: Callable[[str], str]) -> None:
    job = big_job(tmp_path / "job")
    wav = next(job.glob("*.wav"))
    wav.read_bytes()
    copy = tmp_path / "copy.wav"
    wrap: dict[str, float] = {}
    verify: dict[str, float] = {}
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
    report("wrap", wrap, "cp then sha512sum")
    report("verify", verify, "openssl dgst -sha512")


def test_help_answers_at_once() -> None:
    seconds = min(timed(lambda: provpack("--help")) for _ in range(5))
    bare = min(timed(lambda: run(sys.executable, "-c", "pass")) for _ in range(5))
    print(f"\nprovpack --help: {seconds:.3f} s ({bare:.3f} s of it Python's own start)")
