"""What macOS and Windows lack or do otherwise, taken away or put in by hand; nothing here ran on them."""

from __future__ import annotations

import errno
import io
import os
import stat
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from provpack.catalogue import opening
from provpack.cli import streams
from provpack.edge import benchphoto, chainedfile, commit, lasting, reading, tree, workerpool
from provpack.edge.ledger import append, read_entries
from provpack.edge.received import ReceivedFile
from provpack.errors import EnvironmentProblem

fcntl = pytest.importorskip("fcntl")
FULL = 51  # the number is a stand-in; what F_FULLFSYNC is on macOS does not matter here


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What a system with F_FULLFSYNC is asked, in order."""
    calls: list[Any] = []
    monkeypatch.setattr(fcntl, "F_FULLFSYNC", FULL, raising=False)
    monkeypatch.setattr(fcntl, "fcntl", lambda fd, what: calls.append(what))
    monkeypatch.setattr(os, "fsync", lambda fd: calls.append("fsync"))
    return calls


def test_where_there_is_a_full_sync_it_is_used(asked: list[Any], tmp_path: Path) -> None:
    writer = commit.RealDisk().create(tmp_path / "x")
    writer.write(b"x")
    writer.sync()
    writer.close()
    assert asked == [FULL]
    commit.RealDisk().sync_folder(tmp_path)
    assert asked == [FULL, FULL]
    append(tmp_path / "custody-ledger.jsonl", {"kind": "note", "at": "2031-05-02T10:00:00+02:00"})
    assert set(asked) == {FULL}


def test_a_file_system_without_full_sync_is_synced_as_elsewhere(
    asked: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(fd: int, what: int) -> None:
        raise OSError(errno.ENOTSUP, "not supported")

    monkeypatch.setattr(fcntl, "fcntl", refused)
    lasting.sync(1)
    assert asked == ["fsync"]


def test_a_full_sync_that_fails_is_a_failed_sync(
    asked: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failed(fd: int, what: int) -> None:
        raise OSError(errno.EIO, "input/output error")

    monkeypatch.setattr(fcntl, "fcntl", failed)
    with pytest.raises(OSError, match="input/output"):
        lasting.sync(1)
    assert asked == []
    with pytest.raises(EnvironmentProblem, match="Could not sync the folder"):
        commit.RealDisk().sync_folder(tmp_path)


def test_without_fcntl_fsync_is_asked(asked: list[Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "fcntl", None)
    lasting.sync(1)
    assert asked == ["fsync"]


def test_where_folders_cannot_be_synced_they_are_let_pass(
    asked: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(os, "name", "nt")
        lasting.sync_folder(tmp_path)
        assert opening._keep_names(tmp_path)
    assert asked == []
    monkeypatch.delattr(fcntl, "F_FULLFSYNC")

    def refused(fd: int) -> None:
        raise OSError(errno.EINVAL, "invalid argument")

    monkeypatch.setattr(os, "fsync", refused)
    lasting.sync_folder(tmp_path)


class Console:
    """The module msvcrt, as far as it is used; locks and unlocks with the position they were asked at."""

    LK_LOCK, LK_UNLCK = 1, 0

    def __init__(self, busy: bool = False) -> None:
        self.busy, self.calls = busy, list[tuple[int, int]]()

    def locking(self, fd: int, mode: int, length: int) -> None:
        assert length == 1
        if self.busy:
            raise OSError(errno.EDEADLK, "resource deadlock avoided")
        self.calls.append((mode, os.lseek(fd, 0, os.SEEK_CUR)))


@pytest.mark.parametrize("busy", [False, True])
def test_on_windows_a_byte_that_nobody_reads_is_locked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, busy: bool
) -> None:
    words: Any = SimpleNamespace(code="ledger", name="custody ledger", patience=None)
    path = tmp_path / "l"
    path.write_bytes(b"line\n")
    console = Console(busy)
    fd = os.open(path, os.O_RDWR)
    try:
        monkeypatch.setitem(sys.modules, "msvcrt", console)
        with monkeypatch.context() as patch:
            patch.setattr(os, "name", "nt")
            if busy:
                with pytest.raises(EnvironmentProblem) as told, chainedfile._locked(fd, path, words):
                    pass
                assert told.value.code == "ledger-busy"
                return
            with chainedfile._locked(fd, path, words):
                assert os.read(fd, 4) == b"line"
                os.lseek(fd, 0, os.SEEK_END)
    finally:
        os.close(fd)
    assert [mode for mode, _ in console.calls] == [1, 0]
    (place,) = {at for _, at in console.calls}
    assert place > 1 << 36  # no ledger and no log comes near it


def test_without_positioned_reads_the_same_bytes_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x"
    path.write_bytes(bytes(range(200)))
    monkeypatch.delattr(os, "preadv")
    monkeypatch.delattr(os, "pread")
    with path.open("rb") as file:
        source = reading.FileSource(file)
        view = memoryview(bytearray(20))
        assert source.read_into(100, view) == 20 and bytes(view) == bytes(range(100, 120))
        assert source.read_at(190, 50) == bytes(range(190, 200))
    with ReceivedFile(path) as received:
        assert received.read_at(150, 100) == bytes(range(150, 200))


def test_without_folder_descriptors_no_link_is_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "in" / "a").mkdir(parents=True)
    (tmp_path / "in" / "a" / "f").write_bytes(b"1")
    (tmp_path / "in" / "out").symlink_to(tmp_path)
    with_them = tree.list_tree(tmp_path / "in")
    monkeypatch.setattr(tree, "_AT", False)
    monkeypatch.setattr(tree, "_NOFOLLOW", 0)
    assert tree.list_tree(tmp_path / "in") == with_them
    assert {e.path: e.kind for e in with_them.entries} == {
        "a": "directory", "a/f": "file", "out": "symlink",
    }  # fmt: skip


def test_a_junction_of_windows_is_a_link() -> None:
    info: Any = SimpleNamespace(st_mode=stat.S_IFDIR | 0o755, st_reparse_tag=0xA0000003)
    assert tree._kind(info) == "symlink"


def test_without_signal_masks_processes_are_started_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    import signal

    monkeypatch.delattr(signal, "pthread_sigmask")
    with workerpool.signals_held():
        workerpool.signals_released()


@pytest.mark.parametrize(
    ("winerror", "code", "words"),
    [(32, "file-in-use", "Another program has it open"), (33, "file-in-use", "Another program"),
     (206, "name-too-long", "longer than this system allows")],
)  # fmt: skip
def test_what_windows_refuses_is_explained(winerror: int, code: str, words: str) -> None:
    err = OSError(errno.EACCES if winerror != 206 else errno.ENOENT, "refused")
    err.winerror = winerror  # type: ignore[attr-defined,unused-ignore]
    problem = commit.explain(err, "C:\\packages\\x", "rename the finished package")
    assert problem.code == code and words in problem.what


def test_a_second_name_without_the_wish_about_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.link

    def link(source: Path, target: Path) -> None:  # as on Windows: it knows no such argument
        real(source, target)

    monkeypatch.setattr(os, "link", link)
    desk = SimpleNamespace(_staged=tmp_path / "staged")
    desk._staged.write_bytes(b"photo")
    owner = next(c for c in vars(benchphoto).values() if isinstance(c, type) and hasattr(c, "_named"))
    assert owner._named(desk, tmp_path / "photo.jpg") is True
    assert (tmp_path / "photo.jpg").read_bytes() == b"photo"
    desk._staged.write_bytes(b"other")
    assert owner._named(desk, tmp_path / "photo.jpg") is False
    assert (tmp_path / "photo.jpg").read_bytes() == b"photo"


def test_a_console_of_windows_keeps_its_own_stream(monkeypatch: pytest.MonkeyPatch) -> None:
    console = io.TextIOWrapper(io.BytesIO(), encoding="cp1252")
    monkeypatch.setattr(os, "isatty", lambda number: True)
    with monkeypatch.context() as patch:
        patch.setattr(os, "name", "nt")
        assert streams._stream(console, 1, needed=True) is console
    console.write("ż")
    console.flush()
    assert console.buffer.getvalue() == b"\\u017c"  # type: ignore[attr-defined]


def test_a_ledger_is_read_as_it_was_written_without_locks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "custody-ledger.jsonl"

    def none(fd: int, what: int) -> None:
        raise OSError(errno.ENOTSUP, "no locks on this file system")

    append(path, {"kind": "note", "at": "2031-05-02T10:00:00+02:00"})
    monkeypatch.setattr(fcntl, "flock", none)
    assert [e["n"] for e in read_entries(path)] == [1]
