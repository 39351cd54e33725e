"""A disk or quota that is full: at every single call of wrap and of the ledger, and really full file systems.

It is told with exit code 15 and what to do, nothing half is left, nothing is lost, and with room the same
command completes.
"""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from cli.commandline import Said, fits, names_of, no_traceback, run, told
from support.copies import NAME, copied, make_package
from support.faults import faults
from support.handover import studio
from support.jobs import make_job, tree

from provpack.edge.commit import PARTIAL_PREFIX
from provpack.edge.ledger import LEDGER_NAME, append_many, read_entries
from provpack.errors import EnvironmentProblem

PACKAGE = "job-1_t01"


def half(folder: Path) -> list[str]:
    """What is left of work in the making anywhere below."""
    return [
        str(p) for p in folder.rglob("*") if p.name.startswith(PARTIAL_PREFIX) or p.name.endswith(".building")
    ]


@pytest.mark.parametrize("lasting", [False, True], ids=["once", "for good"])
def test_every_call_of_wrap(lasting: bool, tmp_path: Path) -> None:
    job = make_job(tmp_path / "job", frames=3000)
    before = tree(job)
    with faults(tmp_path) as counted:
        assert run("wrap", job, "--to", tmp_path / "whole").code == 1
    total = len(counted.log)
    assert total > 60
    outcomes = set()
    for at in range(1, total + 1):
        out = tmp_path / f"out{at}"
        with faults(tmp_path, at=at, number=errno.ENOSPC, lasting=lasting) as made:
            said = run("wrap", job, "--to", out, "--json")
        value = said.json()
        fits("error" if "error" in value else "wrap", value)
        no_traceback(said.err)
        found = names_of(told(value))
        assert tree(job) == before
        assert not out.exists() or not half(out), made.log[at - 1]
        sealed = (out / PACKAGE).exists()
        # the name of a young ledger is synced once more to be sure
        spare = (
            sealed and made.log[at - 1] == f"fsync /{out.name}" and len(read_entries(out / LEDGER_NAME)) == 2
        )
        assert spare or found & {"disk-full", "wrap-ledger-failed", "wrap-sheets-not-entered"}, made.log[
            at - 1
        ]
        assert said.code == (15 if "disk-full" in found and not sealed else said.code)
        assert said.code in (1, 15), (said, made.log[at - 1])
        outcomes.add((said.code, sealed))
        if sealed:
            assert run("verify", out / PACKAGE, "--depth", "bytes", "--no-ledger").code in (0, 1)
        if (out / LEDGER_NAME).exists():
            read_entries(out / LEDGER_NAME)
        if at % 10 == 0 and not sealed:
            again = run("wrap", job, "--to", out)
            assert again.code == 1 and (out / PACKAGE).exists()
        shutil.rmtree(out, ignore_errors=True)
    assert (15, False) in outcomes and (1, True) in outcomes


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EIO])
@pytest.mark.parametrize("lines", [0, 3, 60])
def test_every_call_of_an_append(number: int, lines: int, tmp_path: Path) -> None:
    """lines: already there; at 60 the ledger is no longer young."""
    new = [{"kind": "note", "note": "a"}, {"kind": "note", "note": "b", "filler": "x" * 5000}]
    old = [{"kind": "note", "note": str(n), "filler": "y" * 1500} for n in range(lines)]

    def fresh(name: str) -> Path:
        folder = tmp_path / name
        (folder / PACKAGE).mkdir(parents=True)
        (folder / PACKAGE / "bagit.txt").write_text("BagIt-Version: 1.0\n")
        if old:
            append_many(folder / LEDGER_NAME, old)
        return folder / LEDGER_NAME

    path = fresh("count")
    with faults(path.parent) as counted:
        append_many(path, new)
    assert len(counted.log) >= (6 if not lines else 2)
    for at in range(1, len(counted.log) + 1):
        path = fresh(f"at{at}")
        before = path.read_bytes() if old else None
        with faults(path.parent, at=at, number=number, lasting=True) as made:
            try:
                append_many(path, new)
            except EnvironmentProblem as err:
                assert err.code == ("system-error" if number == errno.EIO else "disk-full")
                assert path.exists() == bool(old), made.log[at - 1]
                assert not old or path.read_bytes() == before
            else:
                # the sync of the folder of a young ledger is made once more to be sure: its name is old
                assert made.log[at - 1] == "fsync " and old
        assert not half(path.parent)
        append_many(path, new)
        assert len(read_entries(path)) >= lines + 2


# --- file systems that are full ---


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of 3 MB of its own."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = (
        os.geteuid() == 0
        and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(place)], capture_output=True, check=False
        ).returncode
    )
    if not mounted:
        pytest.skip("no right to mount a small file system here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def room(place: Path, free: int) -> None:
    """Leave so many bytes on the file system."""
    ballast = place / "ballast"
    ballast.unlink(missing_ok=True)
    size = shutil.disk_usage(place).free - free
    with ballast.open("wb") as file:
        file.write(bytes(max(size, 0)))


ROOMS = (0, 4096, 12_288, 40_960, 102_400, 204_800, 327_680)


def full(said: Said) -> bool:
    """Whether it was told as it should be; False when there was room enough."""
    no_traceback(said.err)
    value = said.json()
    if said.code in (0, 1):
        return False
    assert said.code == 15, said
    assert names_of(told(value)) & {"disk-full", "catalogue-disk", "catalogue-cannot-build"}, said.out
    return True


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Path:
    top = tmp_path_factory.mktemp("world")
    make_job(top / "job", ids=("T01",), frames=20_000)
    original = make_package(top / "original" / NAME, blocks=100)
    copies = list(copied(original, top, 2))
    (copies[0] / "READ-ME-FIRST.txt").write_bytes(b"gone")
    (copies[1] / "data/documents/log.txt").unlink()
    shelf = studio(top / "studio", ids=("T01", "T02"), frames=20_000)
    assert run("deliver", shelf, "--to", top / "to", "--name", "d1").code in (0, 1)
    (shelf / LEDGER_NAME).unlink()
    return top


COMMANDS = {
    "wrap": ("wrap", "job", "--to", "{small}/out"),
    "wrap, derivative": ("wrap", "job", "--to", "{small}/out", "--derive", "deemphasis"),
    "heal": ("heal", f"copy-1/{NAME}", f"copy-2/{NAME}", "--to", "{small}/out"),
    "deliver": ("deliver", "studio/out", "--to", "{small}/out", "--name", "d2"),
    "deliver as zip": ("deliver", "studio/out", "--to", "{small}/out", "--name", "d2", "--as", "zip"),
    "receive": ("receive", "to/d1", "--to", "{small}"),
    "report": ("report", f"studio/out/{PACKAGE}", "--to", "{small}/page.html"),
    "audit": ("audit", "studio/out", "--page", "{small}/page.html"),
    "enter": ("enter", "{small}", "note", "--note", "x"),
    "catalogue": ("catalogue", "add", "studio/out", "--catalogue", "{small}/c.sqlite"),
    "rebuild": ("catalogue", "rebuild", "studio/out", "--catalogue", "{small}/c.sqlite"),
}  # fmt: skip


@pytest.mark.parametrize("name", COMMANDS)
def test_a_file_system_that_is_full(
    name: str, small: Path, world: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(world)
    line = [word.format(small=small) for word in COMMANDS[name]]
    before = tree(world)
    refused = 0
    for free in ROOMS:
        room(small, free)
        there = {p.name for p in small.iterdir()}
        said = run(*line, "--json")
        if full(said):
            refused += 1
            left = {p.name for p in small.iterdir()} - there
            # an empty catalogue is one that holds nothing yet
            assert left <= {"out", "c.sqlite"}, left
            assert not half(small)
            # what the sheets tell is in the ledger before a package is begun
            assert not (small / "out").exists() or {p.name for p in (small / "out").iterdir()} <= {
                LEDGER_NAME
            }
        (small / "ballast").unlink()
        again = run(*line, "--json")
        assert again.code in (0, 1) or said.code in (0, 1), (free, again)
        for thing in small.iterdir():
            shutil.rmtree(thing) if thing.is_dir() else thing.unlink()
    assert refused >= 1
    assert tree(world) == before


def test_a_ledger_on_a_full_file_system(small: Path) -> None:
    for n in range(3):
        assert run("enter", small, "note", "--note", f"{n}" * 1000).code == 0
    before = (small / LEDGER_NAME).read_bytes()
    room(small, 0)
    said = [run("enter", small, "note", "--note", "y" * 3000, "--json") for _ in range(4)]
    assert [s.code for s in said[1:]] == [15] * 3
    entries = read_entries(small / LEDGER_NAME)
    assert len(entries) == 3 + (said[0].code == 0)
    assert (small / LEDGER_NAME).read_bytes().startswith(before)
    (small / "ballast").unlink()
    assert run("enter", small, "note", "--note", "next").code == 0
    assert len(read_entries(small / LEDGER_NAME)) == len(entries) + 1
