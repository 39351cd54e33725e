"""A disk that fails, a file that moves, a user without rights: told as designed, nothing half left."""

from __future__ import annotations

import contextlib
import errno
import os
import resource
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import Said, command, fits, names_of, no_traceback, run, told
from support.jobs import make_job, tree

Faulty = Callable[..., Any]


@pytest.fixture
def place(tmp_path: Path) -> Path:
    make_job(tmp_path / "job", ids=("T01", "T02"), frames=30000)
    return tmp_path


def failing(real: Faulty, number: int, name: str, after: int = 0) -> Faulty:
    """A system call that fails with this errno where the path holds `name`, from the nth call on."""
    seen = 0

    def call(target: Any, *more: Any, **options: Any) -> Any:
        nonlocal seen
        path = (
            str(Path(f"/proc/self/fd/{target}").readlink())
            if isinstance(target, int)
            else os.fsdecode(target)
        )
        if name in path:
            seen += 1
            if seen > after:
                raise OSError(number, os.strerror(number))
        return real(target, *more, **options)

    return call


# system call, errno, part of the path, calls let through -> what must be told, exit code, how many wrapped
FAULTS: dict[str, tuple[str, int, str, int, str, int, int]] = {
    "disk full at the first byte": ("write", errno.ENOSPC, ".partial-", 0, "disk-full", 15, 0),
    "disk full later": ("write", errno.ENOSPC, "t02", 12, "disk-full", 15, 1),
    "quota": ("write", errno.EDQUOT, ".partial-", 9, "disk-full", 15, 0),
    "file system of small files": ("write", errno.EFBIG, "/master/", 0, "file-too-large-here", 15, 0),
    "cable pulled while writing": ("write", errno.EIO, "/master/", 0, "system-error", 15, 0),
    "sync fails": ("fsync", errno.EIO, "manifest-sha512", 0, "system-error", 15, 0),
    "folder sync fails": ("fsync", errno.EIO, "/report", 1, "system-error", 15, 0),
    "read-only medium": ("mkdir", errno.EROFS, "/out", 0, "read-only", 15, 0),
    "no right to make folders": ("mkdir", errno.EACCES, ".partial-", 0, "no-permission", 15, 0),
    "no right to make files": ("open", errno.EACCES, "record.json", 0, "no-permission", 15, 0),
    "rename refused": ("rename", errno.EACCES, ".partial-", 0, "no-permission", 15, 0),
    "received file unreadable": ("open", errno.EACCES, "T01.wav", 0, "row-file-unreadable", 12, 1),
    "received file cut off at its header": ("preadv", errno.EIO, "T01.wav", 0, "row-file-unreadable", 12, 1),
    "received file's disk fails later": ("preadv", errno.EIO, "T01.wav", 12, "system-error", 15, 1),
    "sheet's disk fails": ("open", errno.EIO, "job.toml", 0, "job-sheet-unreadable", 12, 0),
    "ledger cannot be opened": ("open", errno.EROFS, "custody-ledger", 0, "wrap-ledger-failed", 1, 2),
    "ledger cannot be synced": ("fsync", errno.EIO, "custody-ledger", 0, "wrap-ledger-failed", 1, 2),
}  # fmt: skip


def whole(out: Path) -> int:
    """Packages under a final name, each verified; nothing else may lie there but the ledger."""
    found = sorted(p for p in out.iterdir() if p.is_dir()) if out.is_dir() else []
    assert not [p.name for p in found if p.name.startswith(".partial-")]
    for package in found:
        value = run("verify", package, "--depth", "meaning", "--no-ledger", "--json").json()
        assert value["outcome"] == "good"
    return len(found)


@pytest.mark.parametrize("name", FAULTS)
def test_a_system_call_that_fails(name: str, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    call, number, part, after, expected, code, made = FAULTS[name]
    before = tree(place / "job")
    real = getattr(os, call)
    with monkeypatch.context() as patch:
        patch.setattr(os, call, failing(real, number, part, after))
        said = run("wrap", place / "job", "--to", place / "out", "--json")
    value = said.json()
    fits("error" if "error" in value else "wrap", value)
    no_traceback(said.err)
    assert expected in names_of(told(value)), sorted(names_of(told(value)))
    assert said.code == code
    assert tree(place / "job") == before
    assert whole(place / "out") == made
    # with the fault mended the same command goes on where it stopped
    again = run("wrap", place / "job", "--to", place / "out", "--json")
    assert again.code in ((1,) if made == 0 else (14,))
    assert whole(place / "out") == 2


@pytest.mark.parametrize("change", ["grows", "shrinks", "is touched", "is replaced"])
def test_a_file_that_changes_while_it_is_wrapped(
    change: str, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    received = place / "job/T01.wav"
    real = os.preadv
    seen = 0

    def preadv(fd: int, *more: Any) -> int:
        nonlocal seen
        if Path(f"/proc/self/fd/{fd}").readlink().name == "T01.wav" and len(more[0][0]) > 100_000:
            seen += 1
            if seen == 1:
                if change == "grows":
                    with received.open("ab") as f:
                        f.write(b"more")
                elif change == "shrinks":
                    os.truncate(received, 70_000)
                elif change == "is touched":
                    os.utime(received, (1, 1))
                else:
                    shutil.copy(received, place / "copy")
                    os.replace(place / "copy", received)  # noqa: PTH105
        return real(fd, *more)

    monkeypatch.setattr(os, "preadv", preadv)
    said = run("wrap", place / "job", "--to", place / "out", "--json")
    monkeypatch.undo()
    value = said.json()
    assert seen
    if change == "is replaced":
        # what was opened is read to its end, and is what the sheet named at that moment
        assert said.code == 1
        assert whole(place / "out") == 2
        return
    assert said.code == 12
    assert value["outcome"] == "partly_done"
    assert names_of(told(value)) & {"file-changed", "file-shorter"}
    assert whole(place / "out") == 1


def test_a_mistake_of_ours_in_one_transfer_leaves_the_others_alone(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from provpack.jobs import wrapmeta

    real = wrapmeta.build_premis

    def broken(record: Any, **more: Any) -> bytes:
        if record["transfer_id"] == "T01":
            raise KeyError("something nobody thought of")
        return real(record, **more)

    monkeypatch.setattr(wrapmeta, "build_premis", broken)
    said = run("wrap", place / "job", "--to", place / "out", "--json")
    value = said.json()
    fits("wrap", value)
    assert (said.code, value["outcome"]) == (70, "partly_done")
    assert [u["outcome"] for u in value["units"]] == ["failed", "wrapped"]
    assert value["units"][0]["problem"]["code"] == "bug"
    no_traceback(said.err)
    assert whole(place / "out") == 1
    told_why = run("--debug", "wrap", place / "job", "--to", place / "other")
    assert "KeyError: 'something nobody thought of'" in told_why.err


# --- real processes, real refusals of the system ---


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A place another user may enter (pytest's own folders are private)."""
    folder = Path(tempfile.mkdtemp(prefix="provpack-test-"))
    folder.chmod(0o755)
    make_job(folder / "job", frames=30000)
    yield folder
    shutil.rmtree(folder)


@contextlib.contextmanager
def nobody() -> Iterator[None]:
    """The rights of a user who owns nothing; whoever runs the tests without being root has few as it is."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def run_as_nobody(*words: str | Path) -> Said:
    run(*words)  # what is imported late may lie where only root can read
    with nobody():
        return run(*words)


def test_an_unreadable_file(open_place: Path) -> None:
    (open_place / "job/T01.wav").chmod(0)
    said = run_as_nobody("check", open_place / "job", "--json")
    assert said.code == 12
    assert "row-file-unreadable" in names_of(told(said.json()))
    said = run_as_nobody("inspect", open_place / "job/T01.wav", "--json")
    assert said.code == 15
    assert said.json()["error"]["code"] == "no-permission"


def test_an_unreadable_job_folder(open_place: Path) -> None:
    (open_place / "job").chmod(0)
    said = run_as_nobody("check", open_place / "job", "--json")
    assert said.code == 12
    assert said.json()["error"]["code"] == "job-folder-unreadable"
    (open_place / "job").chmod(0o755)


def test_a_destination_of_somebody_else(open_place: Path) -> None:
    assert run("wrap", open_place / "job", "--to", open_place / "first").code == 1
    out = open_place / "out"
    out.mkdir(mode=0o555)
    with nobody():
        said = run("wrap", open_place / "job", "--to", out, "--json")
    assert said.code == 15
    assert "no-permission" in names_of(told(said.json()))
    assert list(out.iterdir()) == []


def test_a_package_that_cannot_be_read_is_neither_good_nor_bad(open_place: Path) -> None:
    assert run("wrap", open_place / "job", "--to", open_place / "out").code == 1
    master = next(open_place.glob("out/*/data/master/*.wav"))
    master.chmod(0)
    said = run_as_nobody("verify", open_place / "out", "--json")
    assert (said.code, said.json()["outcome"]) == (11, "could_not_check")
    # the ledger is not ours to write either, and the check is told all the same
    assert said.json()["ledgers"]["failed"][0]["problem"]["code"] == "no-permission"


def test_a_limit_on_the_size_of_files(place: Path) -> None:
    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    done = subprocess.run(
        command("wrap", place / "job", "--to", place / "out", "--json"),
        capture_output=True, preexec_fn=limit, timeout=60, check=False,
    )  # fmt: skip
    said = Said(code=done.returncode, out=done.stdout.decode(), err=done.stderr.decode())
    assert said.code == 15
    assert "file-too-large-here" in names_of(told(said.json()))
    assert whole(place / "out") == 0
