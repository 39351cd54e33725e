"""Commands stopped at random moments of their work: by Ctrl-C, by the system, by force.

Received files, copies and packages are untouched; what stands under a final name is whole; every line a
command acknowledged is in the ledger; SIGINT and SIGTERM end in a clean place, with the right code and words;
what SIGKILL leaves is told by `audit` and by the next run, and the next run completes. A short run here;
PROVPACK_TRIALS=300 for that many of each signal, spread over the commands.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import sqlite3
import statistics
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from cli.commandline import fits, no_traceback, run
from support.copies import NAME, copied, make_package
from support.handover import studio
from support.jobs import make_job, tree
from support.zygote import Ended, Zygote, zygote

from provpack.edge.commit import PARTIAL_PREFIX
from provpack.edge.ledger import LEDGER_NAME, read_entries, read_ledger

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="forks")
TRIALS = int(os.environ.get("PROVPACK_TRIALS", "10"))
SIGNALS = {"SIGINT": 130, "SIGTERM": 143, "SIGKILL": -9}


@pytest.fixture(scope="module")
def processes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Zygote]:
    with zygote(tmp_path_factory.mktemp("said")) as one:
        yield one


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job, two copies of a damaged package, a delivery, a shelf: none of it may ever be changed."""
    top = tmp_path_factory.mktemp("world")
    make_job(top / "job", ids=("T01", "T02"), frames=60_000)
    original = make_package(top / "original" / NAME, blocks=200)
    copies = list(copied(original, top, 2))
    (copies[0] / "READ-ME-FIRST.txt").write_bytes(b"gone")
    (copies[1] / "data/documents/log.txt").unlink()
    shelf = studio(top / "studio", ids=("T01", "T02", "T03"), frames=20_000)
    assert run("deliver", shelf, "--to", top / "to", "--name", "d1").code in (0, 1)
    (shelf / LEDGER_NAME).rename(top / "studio" / "ledger-of-the-shelf.jsonl")
    return top


@dataclass(frozen=True)
class Work:
    """words: the command line, with its place. right: whether what stands under final names there is right.
    done: whether something stands that a second run refuses to overwrite, with code_when_done."""

    words: Callable[[Path, Path], list[str | Path]]
    right: Callable[[Path, Path], bool]
    done: Callable[[Path], bool]
    code_when_done: int
    words_again: str


def finals(place: Path) -> list[Path]:
    there = sorted(place.iterdir()) if place.exists() else []
    return [p for p in there if not p.name.startswith(PARTIAL_PREFIX)]


def left_in(place: Path) -> set[str]:
    return {p.name for p in place.iterdir() if p.name.startswith(PARTIAL_PREFIX)} if place.exists() else set()


def good(place: Path) -> bool:
    return run("verify", place, "--depth", "bytes", "--no-ledger", "--json").json()["outcome"] == "good"


def ledger_holds(place: Path) -> bool:
    path = place / LEDGER_NAME
    return not path.exists() or read_ledger(path).holds


def wrapped_right(world: Path, place: Path) -> bool:
    packages = [p for p in finals(place) if p.is_dir()]
    assert {p.name for p in packages} <= {"job-1_t01", "job-1_t02"}
    told = (
        [e["package"] for e in read_entries(place / LEDGER_NAME) if e["kind"] == "wrapped"]
        if (place / LEDGER_NAME).exists()
        else []
    )
    return set(told) <= {p.name for p in packages} and (not packages or good(place))


def healed_right(world: Path, place: Path) -> bool:
    there = {p.name for p in finals(place)}
    assert there <= {NAME, f"{NAME}.healing.json", LEDGER_NAME}
    if f"{NAME}.healing.json" in there:
        assert json.loads((place / f"{NAME}.healing.json").read_bytes())["package"] == NAME
        assert NAME in there
    return NAME not in there or tree(place / NAME) == tree(world / "original" / NAME)


def received_right(world: Path, place: Path) -> bool:
    there = finals(place)
    assert {p.name for p in there} <= {"receipt-d1.json"}
    return all(json.loads(p.read_bytes())["conclusion"].startswith("accepted") for p in there)


def indexed_right(world: Path, place: Path) -> bool:
    """SQLite finds nothing wrong, and every package is there or none: one transaction takes them in."""
    path = place / "c.sqlite"
    if not path.exists() or path.stat().st_size == 0:
        return True
    with contextlib.closing(sqlite3.connect(path)) as conn:
        tables = {name for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        many = conn.execute("SELECT count(*) FROM package").fetchone()[0] if "package" in tables else 0
        return bool(conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)) and many in (0, 3)


def delivered_right(world: Path, place: Path) -> bool:
    there = finals(place)
    assert {p.name for p in there} <= {"d2"}
    return not there or good(there[0])


WORKS = {
    "wrap": Work(
        lambda world, place: ["wrap", world / "job", "--to", place],
        wrapped_right, lambda place: any(p.is_dir() for p in finals(place)), 14,
        "Every package that stands under its final name is complete",
    ),
    "heal": Work(
        lambda world, place: ["heal", world / "copy-1" / NAME, world / "copy-2" / NAME, "--to", place],
        healed_right, lambda place: (place / f"{NAME}.healing.json").exists(), 14,
        "no package stands under its final name unless it is complete",
    ),
    "receive": Work(
        lambda world, place: ["receive", world / "to/d1", "--to", place],
        received_right, lambda place: (place / "receipt-d1.json").exists(), 14, "no receipt was written",
    ),
    "deliver": Work(
        lambda world, place: ["deliver", world / "studio/out", "--to", place, "--name", "d2"],
        delivered_right, lambda place: (place / "d2").exists(), 14, "unless it is complete",
    ),
    "catalogue": Work(
        lambda world, place: ["catalogue", "add", world / "studio/out", "--catalogue", place / "c.sqlite"],
        indexed_right, lambda place: False, 0, "Packages and ledgers were only read",
    ),
    "enter": Work(
        lambda world, place: ["enter", place, "note", "--note", "said"],
        lambda world, place: ledger_holds(place), lambda place: False, 0, "whole or not at all",
    ),
}  # fmt: skip


def stopped_well(said: Ended, expected: int, work: Work) -> None:
    no_traceback(said.err)
    if said.code == expected:
        value = json.loads(said.out)  # one object, whenever the signal came
        fits("error", value)
        assert (value["outcome"], value["exit_code"]) == ("stopped", expected)
        assert work.words_again in said.err


def clean(place: Path) -> bool:
    """Nothing begun is left; the record of a healed package waits where the package was sealed before it."""
    return not left_in(place) or ((place / NAME).exists() and not (place / f"{NAME}.healing.json").exists())


@pytest.mark.parametrize("name", WORKS)
def test_ctrl_c_at_a_place(name: str, processes: Zygote, world: Path, tmp_path: Path) -> None:
    """Before an instruction at which it can come, drawn from the later half: files are written there."""
    work, dice, before = WORKS[name], random.Random(name), tree(world)
    place = tmp_path / "p"
    place.mkdir()
    whole, _, numbers = processes.stopped_at(*work.words(world, place), "--json", place=0)
    assert whole.code in (0, 1), whole.err
    stopped = 0
    for number in dice.sample(numbers[len(numbers) // 2 :], max(4, round(TRIALS / len(WORKS)))):
        shutil.rmtree(place)
        place.mkdir()
        said, where, _ = processes.stopped_at(*work.words(world, place), "--json", place=number)
        assert said.code == 130 or (said.code in (0, 1) and not where), (number, where, said)
        stopped += said.code == 130
        stopped_well(said, 130, work)
        assert clean(place), (number, where, left_in(place))
        assert work.right(world, place), (number, where)
        assert ledger_holds(place), (number, where)
    assert stopped
    assert tree(world) == before


@pytest.mark.parametrize("name", WORKS)
@pytest.mark.parametrize("by", SIGNALS)
def test_at_random(by: str, name: str, processes: Zygote, world: Path, tmp_path: Path) -> None:
    work, code, number = WORKS[name], SIGNALS[by], getattr(signal, by)
    dice = random.Random(f"{by} {name}")
    before = tree(world)
    took = []
    for n in range(3):
        place = tmp_path / f"whole{n}"
        place.mkdir()
        said = processes.run(*work.words(world, place), "--json")
        assert said.code in (0, 1), said.err
        took.append(said.took)
        shutil.rmtree(place)
    longest = statistics.median(took)
    stopped = entered = 0
    share = max(2, round(TRIALS / len(WORKS)))
    shelf = tmp_path / "entered"
    shelf.mkdir()
    for trial in range(share):
        place = shelf if name == "enter" else tmp_path / f"p{trial}"
        place.mkdir(exist_ok=True)
        said = processes.run(
            *work.words(world, place), "--json", number=number, after=dice.uniform(0, 1.05) * longest
        )
        stopped += said.code == code
        assert said.code in (0, 1, code), (trial, said)
        left = left_in(place)
        if by != "SIGKILL":
            stopped_well(said, code, work)
            assert clean(place), (trial, left)
        assert work.right(world, place), (trial, said)
        assert ledger_holds(place), trial
        if name == "enter":
            entered += said.code in (0, 1)
            continue
        if left and name in ("wrap", "heal", "deliver"):
            told = run("audit", place, "--json")
            assert all(one in told.out for one in left), (trial, left)
        again = run(*work.words(world, place), "--json")
        done = work.done(place) and said.code == code
        assert again.code in (0, 1) or (again.code == work.code_when_done and done) or said.code in (0, 1), (
            again
        )
        if left and name in ("wrap", "heal", "deliver") and again.code != 14:
            assert all(one in again.out for one in left), (trial, left)
        assert work.right(world, place)
        shutil.rmtree(place)
    if name == "enter":
        notes = read_entries(shelf / LEDGER_NAME) if entered else []
        assert entered <= len(notes) <= share
        assert run("enter", shelf, "note", "--note", "next").code == 0
    assert tree(world) == before
    assert stopped or share < 5
    print(f"{by} {name}: {share} trials, {stopped} stopped")
