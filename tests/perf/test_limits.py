"""What this machine can do at most, and what that leaves of the goal for `wrap`. Run on request only:

    .venv/bin/python -m pytest -m perf -s tests/perf/test_limits.py

Method: seconds of one processor (getrusage, user and system; of the child for `cp` and `sha512sum`), best of
several rounds, on a warm cache, so that other people's work on the machine counts as little as it can. `cp`
then `sha512sum` keeps one processor busy from end to end, so its processor seconds are its time on a machine
with nothing else to do. `wrap` needs at least the seconds of its parts, shared evenly by two processors with
none waiting for the other: that is the floor given here, and no scheduling gets below it.
Size with PROVPACK_PERF_MB (default 1000; half of it is held in memory). Nothing here fails for being slow.
"""

from __future__ import annotations

import hashlib
import os
import resource
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from support.soundspeed import measured, sound

pytestmark = pytest.mark.perf
MEGABYTES = int(os.environ.get("PROVPACK_PERF_MB", "1000"))
ROUNDS = int(os.environ.get("PROVPACK_PERF_ROUNDS", "3"))
PIECE = 4 << 20
PER_SECOND = 4 * 44100  # bytes of 16-bit stereo
GOAL = 1.2
DIGESTS = ("sha512", "sha256", "sha256", "sha256", "sha256")  # file; file, received, audio, its blocks


def used(who: int, action: Callable[[], object]) -> float:
    before = resource.getrusage(who)
    action()
    after = resource.getrusage(who)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def best(action: Callable[[], object], who: int = resource.RUSAGE_SELF) -> float:
    return min(used(who, action) for _ in range(ROUNDS))


def run(*words: str | Path) -> None:
    subprocess.run([str(w) for w in words], stdout=subprocess.DEVNULL, check=True)


def digest(data: memoryview, algorithms: tuple[str, ...]) -> None:
    hashes = [hashlib.new(a) for a in algorithms]
    for at in range(0, len(data), PIECE):
        for one in hashes:
            one.update(data[at : at + PIECE])


def copied(source: Path, target: Path) -> None:
    buffer = bytearray(PIECE)
    with source.open("rb", buffering=0) as file, target.open("wb", buffering=0) as out:
        while got := file.readinto(buffer):
            out.write(memoryview(buffer)[:got])
    target.unlink()


def test_floor_of_wrap(tmp_path: Path, tool: Callable[[str], str]) -> None:
    tool("sha512sum")
    path, copy = tmp_path / "random", tmp_path / "copy"
    with path.open("wb") as file:
        for _ in range(MEGABYTES):
            file.write(os.urandom(1_000_000))
    giga = path.stat().st_size / 1e9
    data = memoryview(bytearray(path.read_bytes()[: int(giga * 5e8)]))
    half = len(data) / 1e9
    spare = memoryview(bytearray(len(data)))
    children = resource.RUSAGE_CHILDREN

    def both() -> None:
        run("cp", path, copy)
        run("sha512sum", copy)
        copy.unlink()

    def in_memory() -> None:
        spare[:] = data

    print(f"\nProcessor seconds per gigabyte, best of {ROUNDS}:")
    memory = best(in_memory) / half
    print(f"  copy in memory            {memory:6.3f}  ({1 / memory:5.1f} GB/s read and written)")
    for algorithm in ("sha256", "sha512"):
        one = best(lambda algorithm=algorithm: digest(data, (algorithm,))) / half  # type: ignore[misc]
        print(f"  {algorithm} alone              {one:6.3f}  ({1 / one:5.2f} GB/s)")
    base = best(both, children) / giga
    digests = best(lambda: digest(data, DIGESTS)) / half
    copying = best(lambda: copied(path, copy)) / giga
    path.unlink()
    tape = sound(tmp_path, 60)
    runs = [measured(tape, 20) for _ in range(ROUNDS)]
    fastest = min(runs, key=lambda r: r["seconds"])
    speed = fastest["audio"] / fastest["seconds"]
    audio = 1e9 / PER_SECOND
    measuring = audio / speed
    print(f"  cp, then sha512sum        {base:6.3f}")
    print(f"  wrap: read and write      {copying:6.3f}")
    print(f"  wrap: its five digests    {digests:6.3f}")
    print(
        f"  wrap: measuring           {measuring:6.3f}  ({audio:.0f} s of audio at {speed:.0f} x real time)"
    )
    floor = (copying + digests + measuring) / 2 / base
    print(f"Floor of wrap on two processors that never wait: {floor:.2f} x cp then sha512sum")
    print(f"  without measuring: {(copying + digests) / 2 / base:.2f} x")
    at_300 = (copying + digests + audio / 300) / 2 / base
    print(f"  at the goal of 300 x real time for measuring: {at_300:.2f} x")
    left = 2 * GOAL * base - copying - digests
    if left > 0:
        print(f"For {GOAL} x, all measuring would have to run at {audio / left:.0f} x real time on one core.")
    else:
        print(f"{GOAL} x is out of reach here even without measuring.")
    assert min(base, digests, copying, measuring) > 0
