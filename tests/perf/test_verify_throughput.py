"""`provpack verify` against `sha512sum` over the very same files, as ratios in one run. Run on request only:

    .venv/bin/python -m pytest -m perf -s tests/perf/test_verify_throughput.py

One bag with one large file (PROVPACK_PERF_MB, default 1000), and many small packages (PROVPACK_PERF_PACKAGES,
default 2000 copies of a kept sample, 26 files and 0.5 MB each); from the disk and from memory. verify
computes SHA-512 and SHA-256 of each file, sha512sum the one; both as a user types them, the start of the
program included. On a machine that has other work, only the seconds of processors tell. Nothing here fails
for being slow: it prints. It fails when a package was not found good.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from support.bagmaking import seal

pytestmark = pytest.mark.perf
MEGABYTES = int(os.environ.get("PROVPACK_PERF_MB", "1000"))
PACKAGES = int(os.environ.get("PROVPACK_PERF_PACKAGES", "2000"))
ROUNDS = int(os.environ.get("PROVPACK_PERF_ROUNDS", "3"))
SAMPLE = Path(__file__).resolve().parents[1] / "samples" / "old-13_k01.zip"
DROP = Path("/proc/sys/vm/drop_caches")
SUM = 'find "$0" -type f -print0 | xargs -0 {} sha512sum > /dev/null'


@dataclass(frozen=True, slots=True, kw_only=True)
class Took:
    """Seconds of a clock on the wall, and of all processors together."""

    wall: float
    cpu: float


def forget(folder: Path) -> str:
    """Let the system forget what it read of these files; how, for the printed line."""
    os.sync()
    if os.access(DROP, os.W_OK):
        DROP.write_text("3")
        return "caches dropped"
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("rb") as file:
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    return "files evicted one by one"


def timed(*words: str | Path) -> tuple[Took, bytes]:
    before, start = os.times(), time.perf_counter()
    done = subprocess.run([str(w) for w in words], capture_output=True)
    wall, after = time.perf_counter() - start, os.times()
    assert done.returncode in (0, 1), done.stderr.decode()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return Took(wall=wall, cpu=cpu), done.stdout


def compare(name: str, folder: Path, expected: int) -> None:
    size = sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) / 1e9
    verify = (sys.executable, "-m", "provpack", "verify", "--no-ledger", "--json", folder)
    ways: dict[str, tuple[str | Path, ...]] = {
        "sha512sum": ("sh", "-c", SUM.format(""), folder),
        "sha512sum, 2 at a time": ("sh", "-c", SUM.format("-P 2 -n 256"), folder),
        "provpack verify": verify,
    }
    for cold in (True, False):
        best: dict[str, Took] = {}
        how = "from memory"
        for _ in range(ROUNDS):
            for way, words in ways.items():
                if cold:
                    how = f"from the disk ({forget(folder)})"
                took, said = timed(*words)
                if words is verify:
                    counts = json.loads(said)["counts"]
                    assert counts["good"] == expected == sum(counts.values())
                if way not in best or took.wall < best[way].wall:
                    best[way] = took
        print(f"\n{name}, {size:.2f} GB, {how}, best of {ROUNDS}:")
        base = best["sha512sum"].wall
        for way, took in best.items():
            print(
                f"  {way:24s} {took.wall:6.2f} s  {size / took.wall:5.2f} GB/s  "
                f"{took.wall / base:5.2f} x sha512sum  "
                f"{took.cpu:6.2f} s of processors, {took.cpu / took.wall:4.2f} at once"
            )


def test_one_large_file(tmp_path: Path, tool: Callable[[str], str]) -> None:
    tool("sha512sum")
    root = tmp_path / "large"
    (root / "data").mkdir(parents=True)
    seal(root)
    with (root / "data" / "large.wav").open("wb") as file:
        for _ in range(MEGABYTES):
            file.write(os.urandom(1_000_000))
    for algorithm in ("sha256", "sha512"):
        said = subprocess.run(
            [f"{algorithm}sum", "data/large.wav"], cwd=root, capture_output=True, check=True
        )
        (root / f"manifest-{algorithm}.txt").write_bytes(said.stdout)
    (root / "bag-info.txt").unlink()
    for tag in root.glob("tagmanifest-*.txt"):
        tag.unlink()
    compare("one bag with one large file", root, 1)
    shutil.rmtree(root)


def test_many_small_packages(tmp_path: Path, tool: Callable[[str], str]) -> None:
    tool("xargs")
    with zipfile.ZipFile(SAMPLE) as archive:
        archive.extractall(tmp_path / "one")
    for n in range(PACKAGES):
        shutil.copytree(tmp_path / "one" / SAMPLE.stem, tmp_path / "many" / f"p{n:05}")
    compare(f"{PACKAGES} packages of {SAMPLE.stem}", tmp_path / "many", PACKAGES)
    shutil.rmtree(tmp_path / "many")
