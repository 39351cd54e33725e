"""The plug pulled at every moment of real commands, whatever was not synced lost or kept, each independently.

What lay there before is untouched, what stands under a final name is whole, a line the ledger acknowledged is
there, and so is what a line tells of. The last moment is that of the answer: what was said is safe.
"""

from __future__ import annotations

import contextlib
import json
import random
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from cli.commandline import run
from support.copies import NAME, copied, make_package
from support.handover import ALL, signer, studio
from support.jobs import make_job, tree
from support.powercut import Moment, Watch, states, watching

from provpack.edge import chainedfile
from provpack.edge.commit import PARTIAL_PREFIX, RealDisk
from provpack.edge.ledger import LEDGER_NAME, append_many, read_entries
from provpack.errors import EnvironmentProblem
from provpack.package.signers import signer_line

FRAMES = 3000
Tree = dict[str, bytes]


def finals(folder: Path) -> dict[str, Tree]:
    """What stands under final names, with all its files."""
    if not folder.exists():
        return {}
    return {
        p.name: tree(p) if p.is_dir() else {"": p.read_bytes()}
        for p in folder.iterdir()
        if not p.name.startswith(PARTIAL_PREFIX)
    }


def lines_in(folder: Path) -> list[dict[str, object]]:
    """The whole lines of a ledger up to what a cut may have torn."""
    path = folder / LEDGER_NAME
    out = []
    for line in path.read_bytes().split(b"\n")[:-1] if path.exists() else []:
        try:
            out.append(json.loads(line))
        except ValueError:
            break
    return out


def cuts(watch: Watch, where: Path, seed: int, *, each: int = 3) -> Iterator[tuple[Moment, Path, bool]]:
    """(moment, what is left of the root, whether the command had answered) for each moment and way."""
    for moment, state in states(watch.moments, where, random.Random(seed), each=each):
        yield moment, state, moment is watch.moments[-1]
        shutil.rmtree(state)


def goes_on(folder: Path, acknowledged: int) -> bool:
    """Whether the next line can be appended; if not, it is said and nothing is touched."""
    before = lines_in(folder)
    assert len(before) >= acknowledged
    path = folder / LEDGER_NAME
    content = path.read_bytes() if path.exists() else b""
    try:
        append_many(path, [{"kind": "note", "note": "next"}])
        assert read_entries(path)[: len(before)] == before
    except EnvironmentProblem as err:
        assert err.code in ("ledger-broken", "ledger-unreadable") and path.read_bytes().startswith(content)
        new = content[sum(len(line) + 1 for line in content.split(b"\n")[: len(before)]) :]
        assert b"\0" in new.rstrip(b"\0"), "only text behind zeros is nothing that an append leaves"
        return False
    return True


def test_wrap(tmp_path: Path) -> None:
    root = tmp_path / "disk"
    job = make_job(root / "job", ids=("T01", "T02"), frames=FRAMES)
    sheet = job / "job.toml"
    sheet.write_text("hold_back_names = true\n" + sheet.read_text())
    before = tree(job)
    with watching(root) as watch:
        assert run("wrap", job, "--to", root / "out").code == 1
    whole = finals(root / "out")
    names = {"job-1_t01", "job-1_t02"}
    assert {*names, LEDGER_NAME, "studio-only"} == set(whole)
    assert len(watch.moments) > 150
    seen, again = set(), 0
    for moment, state, answered in cuts(watch, tmp_path, 1, each=2):
        assert tree(state / "job") == before
        found = finals(state / "out")
        for name in names & set(found):
            assert found[name] == whole[name], f"half a package after a cut at {moment.what}"
            kept = [p for p in found.get("studio-only", {}) if p.startswith(name)]
            assert kept and found["studio-only"][kept[0]] == whole["studio-only"][kept[0]], moment.what
        told = {str(x["package"]) for x in lines_in(state / "out") if x["kind"] == "wrapped"}
        assert told <= set(found), moment.what
        if answered:
            assert found == whole, "said to be done, and lost"
        key = (len(told), len(names & set(found)))
        if key not in seen or (again < 12 and random.Random(moment.what).random() < 0.05):
            again += 1
            left = [p.name for p in (state / "out").iterdir()] if (state / "out").exists() else []
            said = run("wrap", state / "job", "--to", state / "out", "--json")
            assert said.code == (14 if names & set(found) else 1)
            for name in left:
                assert not name.startswith(PARTIAL_PREFIX) or name in said.out
            assert names <= set(finals(state / "out"))
            assert run("verify", state / "out", "--depth", "bytes", "--json").json()["outcome"] == "good"
        seen.add(key)
    assert {(0, 0), (0, 1), (1, 1), (1, 2), (2, 2)} <= seen
    assert again > 5


def append_all(folder: Path, watch: Watch, turns: int) -> None:
    for turn in range(turns):
        lines = [
            {"kind": "note", "note": f"{turn}-{n}", "filler": "x" * (turn * 1900)}
            for n in range(1 + turn % 2)
        ]
        append_many(folder / LEDGER_NAME, lines)
        for _ in lines:
            watch.acknowledged()


def ledger_cuts(tmp_path: Path) -> list[bool]:
    """Whether the ledger can be written on, for each state that each moment of ten appends may leave."""
    folder = tmp_path / "disk"
    package = folder / "job-1_t01"
    package.mkdir(parents=True)
    (package / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    with watching(folder) as watch:
        append_all(folder, watch, 10)
    assert len(watch.moments) > 30
    out = []
    for moment, state, _ in cuts(watch, tmp_path, 2, each=12):
        before = lines_in(state)
        assert len(before) >= moment.said, f"acknowledged and lost at {moment.what}"
        assert [e["n"] for e in before] == list(range(1, len(before) + 1))
        out.append(goes_on(state, moment.said))
    return out


def test_the_ledger_has_every_line_it_acknowledged(tmp_path: Path) -> None:
    """Beside a package, so that an empty ledger would accuse. Pages of an append may come in any order."""
    went = ledger_cuts(tmp_path)
    assert len(went) > 200
    assert went.count(False) < len(went) / 10


@pytest.mark.parametrize("what", ["file", "folder"])
def test_the_model_does_find_a_missing_sync_of_the_ledger(
    what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if what == "file":
        monkeypatch.setattr(chainedfile, "sync", lambda fd: None)
    else:
        monkeypatch.setattr(RealDisk, "sync_folder", lambda self, path: None)
    with pytest.raises(AssertionError):
        ledger_cuts(tmp_path)


def test_heal(tmp_path: Path) -> None:
    original = make_package(tmp_path / NAME, blocks=4)
    root = tmp_path / "disk"
    copies = list(copied(original, root, 2))
    (copies[0] / "READ-ME-FIRST.txt").write_bytes(b"gone")
    (copies[1] / "data/documents/log.txt").unlink()
    before = [tree(c) for c in copies]
    with watching(root) as watch:
        assert run("heal", *copies, "--to", root / "out").code in (0, 1)
    whole = finals(root / "out")
    assert whole[NAME] == tree(original) and {NAME, f"{NAME}.healing.json", LEDGER_NAME} == set(whole)
    seen = set()
    for moment, state, answered in cuts(watch, tmp_path, 3):
        assert [tree(state / c.relative_to(root)) for c in copies] == before
        found = finals(state / "out")
        for name in {NAME, f"{NAME}.healing.json"} & set(found):
            assert found[name] == whole[name], f"half of it after a cut at {moment.what}"
        lines = lines_in(state / "out")
        assert not lines or set(found) == set(whole), moment.what
        if answered:
            assert found == whole
        key = (*sorted(found), bool(lines))
        if key not in seen and not lines:
            said = run("heal", *(state / c.relative_to(root) for c in copies), "--to", state / "out")
            assert said.code in (0, 1), (moment.what, said.err)
            assert finals(state / "out")[NAME] == tree(original)
            assert [x["kind"] for x in lines_in(state / "out")] == ["healed"]
        seen.add(key)
    assert len(seen) >= 4


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return studio(tmp_path_factory.mktemp("studio"), ids=("T01", "T02"), frames=FRAMES)


@pytest.mark.parametrize("form", ["folder", "zip"])
def test_deliver(form: str, shelf: Path, tmp_path: Path) -> None:
    root = tmp_path / "disk"
    root.mkdir()
    shutil.copytree(shelf, root / "out")
    before = tree(root / "out")
    with watching(root) as watch:
        line = ["deliver", root / "out", "--to", root / "to", "--name", "d1", "--as", form]
        assert run(*line).code in (0, 1)
    whole = finals(root / "to")
    assert set(whole) == {"d1"}
    seen = set()
    for moment, state, answered in cuts(watch, tmp_path, 4, each=1):
        found, mine = finals(state / "to"), tree(state / "out")
        assert mine.pop(LEDGER_NAME).startswith(before[LEDGER_NAME])
        assert mine == {k: v for k, v in before.items() if k != LEDGER_NAME}
        assert found in ({}, whole), f"half a delivery after a cut at {moment.what}"
        lines = [x for x in lines_in(state / "out") if x["kind"] == "delivered"]
        assert not lines or found == whole, moment.what
        assert not answered or (found == whole and len(lines) == 2)
        seen.add((len(lines), len(found)))
    assert {(0, 0), (0, 1), (2, 1)} <= seen


def test_receive_and_close(shelf: Path, tmp_path: Path) -> None:
    root = tmp_path / "disk"
    root.mkdir()
    who = signer(tmp_path / "keys", "registrar")
    assert run("deliver", shelf, "--to", root / "to", "--name", "d1").code in (0, 1)
    shutil.copytree(shelf, root / "out")
    (root / "mine").mkdir()
    came = tree(root / "to")
    with watching(root) as watch:
        line = ["receive", root / "to/d1", "--to", root / "mine", "--sign", tmp_path / "keys/registrar"]
        assert run(*line, "--signer", "registrar").code in (0, 1)
    whole = finals(root / "mine")
    assert set(whole) == {"receipt-d1.json", "receipt-d1.json.sig"}
    for moment, state, answered in cuts(watch, tmp_path, 5, each=8):
        found = finals(state / "mine")
        assert tree(state / "to") == came
        assert all(found[name] == whole[name] for name in found), (
            f"half a receipt after a cut at {moment.what}"
        )
        assert not answered or found == whole
        if "receipt-d1.json" in found and "receipt-d1.json.sig" not in found:
            raise AssertionError(f"a signed receipt without its signature after a cut at {moment.what}")
    assert signer_line(who.principal, who.public_line, ALL)


def known(path: Path) -> int | None:
    """Packages in a catalogue that is in order; None when it cannot be read as one."""
    if not path.exists():
        return None
    with contextlib.closing(sqlite3.connect(path)) as conn:
        try:
            if conn.execute("PRAGMA integrity_check").fetchone() != ("ok",):
                return None
            return int(conn.execute("SELECT count(*) FROM package").fetchone()[0])
        except sqlite3.DatabaseError:
            return None


def test_the_catalogue_is_the_old_one_or_the_new_one(shelf: Path, tmp_path: Path) -> None:
    """A rebuild puts a file in the place of another: SQLite's own syncs are SQLite's affair, these ours."""
    root = tmp_path / "disk"
    root.mkdir()
    where = ["--catalogue", root / "c.sqlite"]
    assert run("catalogue", "add", shelf / "job-1_t01", *where).code in (0, 1)
    assert known(root / "c.sqlite") == 1
    with watching(root) as watch:
        assert run("catalogue", "rebuild", shelf, *where).code in (0, 1)
    assert known(root / "c.sqlite") == 2
    seen = set()
    for moment, state, answered in cuts(watch, tmp_path, 6, each=6):
        many = known(state / "c.sqlite")
        assert many in (1, 2), f"neither the old nor the new catalogue after a cut at {moment.what}"
        assert not answered or many == 2
        left = state / "c.sqlite.building"
        if left.exists() and "left over" not in seen:
            assert run("catalogue", "rebuild", shelf, "--catalogue", state / "c.sqlite").code in (0, 1)
            assert known(state / "c.sqlite") == 2 and not left.exists()
            seen.add("left over")
        seen.add(str(many))
    assert {"1", "2", "left over"} <= seen
