"""Disks that fail while they are read, media that cannot be written, clocks that go back, files that change,
shares that cannot sync a folder, and two of us at once."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import command, fits, names_of, no_traceback, run, told
from support.copies import NAME, copied, make_package
from support.faults import faults
from support.jobs import make_job, tree

from provpack.edge import clock, hashing
from provpack.edge.commit import PARTIAL_PREFIX
from provpack.edge.ledger import LEDGER_NAME, append, read_entries, read_ledger

PACKAGE = "job-1_t01"


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf with one package and its ledger."""
    top = tmp_path_factory.mktemp("sealed")
    make_job(top / "job", frames=30_000)
    assert run("wrap", top / "job", "--to", top / "out").code == 1
    return top / "out"


@pytest.fixture
def shelf(sealed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sealed, tmp_path / "out"))


def partials(folder: Path) -> list[str]:
    return [p.name for p in folder.rglob(f"{PARTIAL_PREFIX}*")]


# --- while it is read ---


def hooked(monkeypatch: pytest.MonkeyPatch, name: str, act: Any) -> list[int]:
    """act(path, how often) before each read for digests of files whose name ends so; the reads are noted."""
    real = hashing._read
    seen: list[int] = []

    def read(file: Any, view: memoryview) -> int:
        inner = getattr(file, "raw", file)
        try:
            path = Path(f"/proc/self/fd/{inner.fileno()}").readlink()
        except (OSError, AttributeError):
            return real(file, view)
        if path.name.endswith(name):
            seen.append(len(view))
            act(path, len(seen))
        return real(file, view)

    monkeypatch.setattr(hashing, "_read", read)
    return seen


def fails(_path: Path, _many: int) -> None:
    raise OSError(errno.EIO, os.strerror(errno.EIO))


def test_a_disk_that_fails_under_verify(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = tree(shelf / PACKAGE)
    seen = hooked(monkeypatch, "job-1_t01.wav", fails)
    said = run("verify", shelf / PACKAGE, "--json")
    value = said.json()
    assert seen and (said.code, value["outcome"]) == (11, "could_not_check")
    assert any("Input/output error" in one["what"] for one in told(value))
    assert read_entries(shelf / LEDGER_NAME)[-1]["outcome"] == "could_not_check"
    assert tree(shelf / PACKAGE) == before


def test_a_file_that_changes_under_verify(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = hooked(monkeypatch, "job-1_t01.wav", lambda path, many: os.utime(path, (many, many)))
    said = run("verify", shelf / PACKAGE, "--json")
    assert seen and (said.code, said.json()["outcome"]) == (11, "could_not_check")
    assert any("changed while it was being read" in one["what"] for one in told(said.json()))


@pytest.fixture
def copies(tmp_path: Path) -> list[Path]:
    original = make_package(tmp_path / NAME, blocks=40)
    made = list(copied(original, tmp_path, 2))
    (made[1] / "READ-ME-FIRST.txt").write_bytes(b"gone")
    (made[0] / "data/documents/log.txt").write_bytes(b"gone")
    return made


def test_a_copy_whose_disk_fails_under_heal(
    copies: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The master can only be read from the other copy, and is."""
    before = [tree(c) for c in copies]

    def act(path: Path, many: int) -> None:
        if copies[0] in path.parents:
            fails(path, many)

    seen = hooked(monkeypatch, "tape-7.wav", act)
    said = run("heal", *copies, "--to", tmp_path / "out", "--json")
    no_traceback(said.err)
    assert seen and said.code in (0, 1), said
    assert tree(tmp_path / "out" / NAME) == tree(tmp_path / NAME)
    assert [tree(c) for c in copies] == before


def test_a_copy_that_changes_under_heal(
    copies: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Changed after it was looked at: what is written is digested, and does not come out as planned."""
    from provpack.jobs import heal as healing

    real = healing.read_pieces
    done: list[Path] = []

    def read_pieces(given: Any, pieces: Any, told_: Any) -> Iterator[bytes]:
        for copy in copies:
            master = copy / "data/master/tape-7.wav"
            data = bytearray(master.read_bytes())
            data[len(data) // 2] ^= 1
            master.write_bytes(data)
            done.append(master)
        yield from real(given, pieces, told_)

    monkeypatch.setattr(healing, "read_pieces", read_pieces)
    said = run("heal", *copies, "--to", tmp_path / "out", "--json")
    no_traceback(said.err)
    assert done and said.code == 11, said
    assert names_of(told(said.json())) & {"copy-changed", "changed"}
    assert not (tmp_path / "out" / NAME).exists() and not partials(tmp_path / "out")


# --- media that cannot be written ---


@pytest.fixture
def read_only(shelf: Path) -> Iterator[Path]:
    """The shelf on a medium that is mounted read-only."""
    line = ["mount", "--bind", str(shelf), str(shelf)]
    if os.geteuid() or subprocess.run(line, capture_output=True, check=False).returncode:
        pytest.skip("no right to mount here")
    subprocess.run(["mount", "-o", "remount,ro,bind", str(shelf)], check=True)
    yield shelf
    subprocess.run(["umount", "-l", str(shelf)], check=True)


def test_a_read_only_shelf(read_only: Path, tmp_path: Path) -> None:
    before = tree(read_only)
    said = run("verify", read_only, "--json")
    assert said.json()["outcome"] == "good" and said.code == 1
    assert said.json()["ledgers"]["failed"][0]["problem"]["code"] == "read-only"
    job = make_job(tmp_path / "job2", ids=("T02",), frames=3000)
    said = run("wrap", job, "--to", read_only, "--json")
    assert said.code == 15 and "read-only" in names_of(told(said.json()))
    for line in (
        ("enter", read_only, "note", "--note", "x"),
        ("catalogue", "add", read_only, "--catalogue", read_only / "c.sqlite"),
        ("report", read_only / PACKAGE, "--to", read_only / "page.html"),
        ("receive", read_only / PACKAGE, "--to", read_only),
    ):
        said = run(*line, "--json")
        no_traceback(said.err)
        fits("error", said.json())
        assert said.code == 15, (line, said)
    assert run("audit", read_only, "--json").code in (0, 1)
    (tmp_path / "mine").mkdir()
    assert run("receive", read_only / PACKAGE, "--to", tmp_path / "mine").code in (0, 1)
    # a delivery that its ledger could not tell of is not begun
    assert run("deliver", read_only, "--to", tmp_path / "to", "--name", "d").code == 15
    assert not (tmp_path / "to").exists()
    assert tree(read_only) == before


# --- a clock moved back ---


def test_a_clock_moved_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Order in the ledger is that of its lines; times before their time are told, and nothing is lost."""
    job = make_job(tmp_path / "job", ids=("T01", "T02"), frames=3000)
    out = tmp_path / "out"
    assert run("wrap", job, "--to", out).code == 1
    then = datetime(2001, 1, 1, tzinfo=UTC)
    monkeypatch.setattr(clock, "now", lambda: then)
    assert run("enter", out, "note", "--note", "by an old clock").code == 0
    said = run("verify", out, "--json")
    assert said.json()["outcome"] == "good" and said.code in (0, 1)
    entries = read_entries(out / LEDGER_NAME)
    assert [e["at"] for e in entries[-2:]] == sorted(e["at"] for e in entries)[:2]
    assert read_ledger(out / LEDGER_NAME).holds
    late = make_job(tmp_path / "late", ids=("T03",), frames=3000)
    said = run("wrap", late, "--to", tmp_path / "out2", "--json")
    no_traceback(said.err)
    fits("wrap", said.json())
    assert said.code in (1, 12) and any(
        "2001" in one["what"] or "future" in one["what"] for one in told(said.json())
    )


# --- a share that cannot sync a folder ---


@pytest.mark.parametrize("number", [errno.EINVAL, errno.ENOTSUP, errno.ENOSYS])
def test_a_share_that_cannot_sync_folders(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = make_job(tmp_path / "job", frames=3000)
    real = os.fsync

    def fsync(fd: int) -> None:
        if Path(f"/proc/self/fd/{fd}").readlink().is_dir():
            raise OSError(number, os.strerror(number))
        real(fd)

    monkeypatch.setattr(os, "fsync", fsync)
    said = run("wrap", job, "--to", tmp_path / "out", "--json")
    fits("wrap", said.json())
    assert said.code == 1 and (tmp_path / "out" / PACKAGE).is_dir()
    assert [f["rule"] for f in said.json()["findings"]].count("wrap-folder-not-synced") == 1
    assert "wrap-ledger-failed" not in names_of(told(said.json()))
    assert len(read_entries(tmp_path / "out" / LEDGER_NAME)) == 2
    monkeypatch.undo()
    said = run(
        "wrap", make_job(tmp_path / "j2", ids=("T02",), frames=3000), "--to", tmp_path / "out", "--json"
    )
    assert "wrap-folder-not-synced" not in names_of(told(said.json()))


def test_a_disk_whose_folder_sync_fails_is_no_such_share(tmp_path: Path) -> None:
    job = make_job(tmp_path / "job", frames=3000)
    with faults(tmp_path / "out", at=1, number=errno.EIO, lasting=True, calls=("fsync",)):
        said = run("wrap", job, "--to", tmp_path / "out", "--json")
    assert said.code == 15 and not (tmp_path / "out" / PACKAGE).exists()


# --- two at once ---


def both(*lines: list[str | Path]) -> list[tuple[int, str, str]]:
    """Processes started together: (exit code, standard output, standard error) of each."""
    begun = [
        subprocess.Popen(command(*line), stdout=subprocess.PIPE, stderr=subprocess.PIPE) for line in lines
    ]
    said = [one.communicate(timeout=180) for one in begun]
    for _, err in said:
        no_traceback(err.decode())
    return [(one.returncode, out.decode(), err.decode()) for one, (out, err) in zip(begun, said, strict=True)]


def test_two_wraps_of_one_job_into_one_place(tmp_path: Path) -> None:
    ids = ("T01", "T02", "T03")
    job = make_job(tmp_path / "job", ids=ids, frames=20_000)
    before = tree(job)
    line: list[str | Path] = ["wrap", job, "--to", tmp_path / "out", "--json"]
    said = both(line, line)
    units = [json.loads(out)["units"] for _, out, _ in said if "units" in json.loads(out)]
    assert units, said
    wrapped = sorted(u["transfer_id"] for many in units for u in many if u["outcome"] == "wrapped")
    assert wrapped == list(ids), "each once"
    assert {code for code, _, _ in said} <= {1, 14}
    assert not partials(tmp_path / "out")
    entries = read_entries(tmp_path / "out" / LEDGER_NAME)
    assert sorted(e["package"] for e in entries if e["kind"] == "wrapped") == [
        f"job-1_{i.lower()}" for i in ids
    ]
    assert sum(e["kind"] == "pass_made" for e in entries) == len(ids), "no pass is entered twice"
    assert run("verify", tmp_path / "out", "--depth", "meaning", "--json").json()["outcome"] == "good"
    assert tree(job) == before


def test_a_wrap_beside_a_verify(shelf: Path, tmp_path: Path) -> None:
    job = make_job(tmp_path / "job2", ids=("T02", "T03"), frames=20_000)
    verify: list[str | Path] = ["verify", shelf, "--json"]
    said = both(["wrap", job, "--to", shelf, "--json"], verify, verify)
    assert said[0][0] == 1
    for code, out, _ in said[1:]:
        assert code in (0, 1)
        assert all(u["outcome"] == "good" for u in json.loads(out)["units"])
    assert read_ledger(shelf / LEDGER_NAME).holds and not partials(shelf)


def test_many_enter_at_once_and_none_is_lost(tmp_path: Path) -> None:
    """The first of them begins the ledger."""
    tmp_path = tmp_path / "shelf"
    tmp_path.mkdir()
    said = both(*[["enter", tmp_path, "note", "--note", f"line {n}", "--json"] for n in range(8)])
    assert [code for code, _, _ in said] == [0] * 8
    entries = read_entries(tmp_path / LEDGER_NAME)
    assert sorted(str(e["note"]) for e in entries) == [f"line {n}" for n in range(8)]
    assert [p.name for p in tmp_path.iterdir()] == [LEDGER_NAME]


def test_two_who_begin_a_ledger_where_no_folder_can_be_locked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Then the name is given by a link, which is refused when there is one: nobody's lines are replaced."""
    import fcntl

    from provpack.edge import ledgerbirth
    from provpack.errors import EnvironmentProblem

    real, locked = fcntl.flock, ledgerbirth.alone_in
    assert locked
    path = tmp_path / LEDGER_NAME

    def flock(fd: int, how: int) -> None:
        if Path(f"/proc/self/fd/{fd}").readlink().is_dir():
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        real(fd, how)

    monkeypatch.setattr(fcntl, "flock", flock)
    link = os.link

    def late(*args: Any, **named: Any) -> None:
        if not path.exists():
            path.write_text('{"kind":"note","n":1,"previous":"' + "0" * 128 + '"}\n')
        link(*args, **named)

    monkeypatch.setattr(os, "link", late)
    with pytest.raises(EnvironmentProblem) as refused:
        append(path, {"kind": "note", "note": "mine"})
    assert refused.value.code == "ledger-replaced"
    assert [p.name for p in tmp_path.iterdir()] == [LEDGER_NAME]
    assert len(read_entries(path)) == 1
    append(path, {"kind": "note", "note": "mine"})
    assert len(read_entries(path)) == 2
    monkeypatch.setattr(os, "link", link)
    path.unlink()
    begun = time.monotonic()
    append(path, {"kind": "note", "note": "alone"})
    assert len(read_entries(path)) == 1 and time.monotonic() - begun < timedelta(seconds=20).total_seconds()
