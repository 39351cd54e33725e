"""Appending to the ledger: all or nothing, several processes, a file that is replaced, a torn end."""

from __future__ import annotations

import errno
import hashlib
import json
import multiprocessing
import os
import resource
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from provpack.edge import ledger as edge
from provpack.edge.ledger import LEDGER_NAME, append, append_many, append_new, head, read_entries, read_ledger
from provpack.errors import CouldNotCheck, EnvironmentProblem
from provpack.package.ledgerchain import Witness
from provpack.package.ledgertorn import LONGEST_FIRST, LONGEST_LINE


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / LEDGER_NAME


def filled(path: Path, count: int) -> bytes:
    append_many(path, [{"kind": "note", "note": f"größe {i}"} for i in range(count)])
    return path.read_bytes()


def test_many_at_once_are_the_same_bytes_as_one_by_one(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.jsonl"
    lines = [{"kind": "note", "note": str(i)} for i in range(5)]
    told = append_many(path, lines)
    assert [append(other, line) for line in lines] == told
    assert other.read_bytes() == path.read_bytes()
    assert [e["n"] for e in told] == [1, 2, 3, 4, 5]
    assert append_many(path, []) == []


def test_the_head_is_the_digest_of_the_last_line(path: Path) -> None:
    assert head(path) is None
    data = filled(path, 3)
    last = data.splitlines()[-1]
    assert head(path) == (3, hashlib.sha512(last).hexdigest())
    with path.open("ab") as f:
        f.write(b'{"torn')
    assert head(path) == (3, hashlib.sha512(last).hexdigest())
    path.write_bytes(b"no entry\n")
    with pytest.raises(EnvironmentProblem):
        head(path)


def test_nothing_new_writes_nothing(path: Path) -> None:
    assert append_new(path, lambda: ()) == []
    assert not path.exists()
    filled(path, 2)
    seen: list[int] = []
    out = append_new(
        path, lambda: [{"kind": "note", "note": str(len(seen))}], see=lambda e: seen.append(e["n"])
    )
    assert (seen, out[0]["note"], out[0]["n"]) == ([1, 2], "2", 3)


# --- a torn end ---

NO_END = {
    "zeros for lines": b"\0" * (LONGEST_LINE + 1),
    "zeros before": b'\0\0{"kind":"no',
    "text": b"hello",
    "a list": b'[{"kind":"no',
    "an object of another": b"{}",
    "a whole entry out of place": json.dumps({"n": 7, "previous": "0" * 128, "kind": "note"}).encode(),
    "a number out of place": b'{"kind":"note","n":77,"note":"x',
    "a digest out of place": b'{"kind":"note","previous":"ab',
    "a line break": b'{"kind":"no\rte',
    "not UTF-8": b'{"kind":"\xff',
    "no JSON": b'{"kind":note',
    "closed twice": b'{"kind":"note"}}',
    "something behind": b'{"kind":"note"} x',
    "deep": b'{"a":' + b"[" * 100_000,
    "longer than a line": b'{"kind":"' + b"x" * LONGEST_LINE,
}


def test_zeros_behind_a_beginning_are_what_a_power_cut_leaves(path: Path) -> None:
    """A file that grew before its bytes reached the disk; common practice of journalling, no source."""
    data = filled(path, 3)
    path.write_bytes(data[:-40] + b"\0" * 40)
    assert read_ledger(path).holds
    append(path, {"kind": "note"})
    assert len(read_entries(path)) == 3


@pytest.mark.parametrize("zeros", [1, 637, 5000, 300_000])
def test_zeros_in_the_place_of_a_line_are_too(path: Path, zeros: int) -> None:
    """The file's new length reached the disk and none of the bytes did; but a file of zeros alone is lost."""
    data = filled(path, 3)
    path.write_bytes(data + b"\0" * zeros)
    chain = read_ledger(path)
    assert chain.holds and chain.lines == 3 and chain.torn is not None and not chain.torn.complete
    append(path, {"kind": "note"})
    assert path.read_bytes().startswith(data) and len(read_entries(path)) == 4
    assert [p.read_bytes() for p in path.parent.glob("*.torn-*")] == [b"\0" * zeros]
    path.write_bytes(b"\0" * zeros)
    assert not read_ledger(path).holds
    with pytest.raises(EnvironmentProblem):
        append(path, {"kind": "note"})


@pytest.mark.parametrize("count", [1, 3])
def test_a_last_line_that_lacks_only_its_end_is_completed(path: Path, count: int) -> None:
    data = filled(path, count)
    path.write_bytes(data[:-1])
    chain = read_ledger(path)
    assert chain.holds and chain.torn is not None and chain.torn.complete and chain.lines == count
    append(path, {"kind": "note", "note": "next"})
    assert path.read_bytes().startswith(data)
    assert [e["n"] for e in read_entries(path)] == list(range(1, count + 2))
    assert list(path.parent.glob("*.torn-*")) == []


def test_whatever_is_torn_nothing_is_lost(path: Path) -> None:
    """Cuts all over the last two lines: what stood is still there, in the ledger or set aside."""
    data = filled(path, 3)
    lines = data.split(b"\n")
    ends = {len(data) - n for n in range(4)} | {len(data) - len(lines[2]) - n for n in range(4)}
    for size in sorted(ends | set(range(len(lines[0]) + 2, len(data), 17))):
        for old in path.parent.iterdir():
            old.unlink()
        path.write_bytes(data[:size])
        append(path, {"kind": "note", "note": "next"})
        assert read_ledger(path).holds
        kept = b"".join(p.read_bytes() for p in path.parent.glob("*.torn-*"))
        whole = data[:size].rpartition(b"\n")[0]
        assert path.read_bytes().startswith(whole)
        complete = size < len(data) and data[size : size + 1] == b"\n"
        assert kept == (b"" if complete else data[:size].rpartition(b"\n")[2])


@pytest.mark.parametrize("lines", [0, 2])
@pytest.mark.parametrize("end", list(NO_END))
def test_what_no_append_leaves_behind_is_not_followed(path: Path, end: str, lines: int) -> None:
    data = (filled(path, lines) if lines else b"") + NO_END[end]
    path.write_bytes(data)
    chain = read_ledger(path)
    assert not chain.holds and chain.torn is None
    (one,) = chain.breaks
    assert one.lines == (lines + 1,) and f"{len(NO_END[end])} bytes" in one.what
    with pytest.raises(EnvironmentProblem) as err:
        append(path, {"kind": "note"})
    assert "copy" in err.value.todo
    assert path.read_bytes() == data and list(path.parent.iterdir()) == [path]


def test_a_long_beginning_of_nothing_else_is_a_lost_ledger(path: Path) -> None:
    rest = b'{"kind":"' + b"x" * LONGEST_FIRST
    path.write_bytes(rest)
    assert not read_ledger(path).holds
    path.write_bytes(filled(path.with_name("other"), 1) + rest)
    assert read_ledger(path).holds


@pytest.mark.parametrize("packages", [0, 1, 2])
@pytest.mark.parametrize("data", [b"", b'{"at":"2031'])
def test_a_ledger_without_entries_beside_packages_lost_its_history(
    path: Path, data: bytes, packages: int
) -> None:
    for n in range(packages):
        (path.parent / f"p{n}").mkdir()
        (path.parent / f"p{n}" / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    path.write_bytes(data)
    whole = packages <= len(data[:1])  # a first append, cut short, may stand beside the first package
    chain = read_ledger(path)
    assert chain.holds == whole
    if whole:
        append(path, {"kind": "note"})
        assert len(read_entries(path)) == 1
        return
    assert [b.kind for b in chain.breaks] == ["cut_off"] and "p0" in chain.breaks[0].what
    with pytest.raises(EnvironmentProblem, match="history is gone"):
        append(path, {"kind": "note"})
    assert path.read_bytes() == data


@pytest.mark.parametrize("number", [errno.EROFS, errno.ENOSPC, errno.EACCES, errno.EFBIG])
def test_what_to_do_fits_commands_without_a_destination(
    path: Path, number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(path, 1)

    def failing(*more: object) -> int:
        raise OSError(number, os.strerror(number))

    for call in ("open", "fsync"):
        with monkeypatch.context() as patch:
            patch.setattr(os, call, failing)
            with pytest.raises(EnvironmentProblem) as err:
                append(path, {"kind": "note"})
        assert "--to" not in err.value.todo and "again" in err.value.todo


# --- what fails in the middle ---


@pytest.mark.parametrize("torn", [False, True])
@pytest.mark.parametrize("call", ["write", "fsync"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_what_fails_is_taken_back(
    path: Path, call: str, number: int, torn: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = filled(path, 4)
    if torn:
        data = data[:-1]
        path.write_bytes(data)
    real = getattr(os, call)
    written = 0

    def failing(fd: int, *more: object) -> object:
        nonlocal written
        if not str(Path(f"/proc/self/fd/{fd}").readlink()).endswith(LEDGER_NAME):
            return real(fd, *more)
        if call == "write" and written == 0:  # some bytes go through, then the disk is full
            written = 10
            return real(fd, bytes(more[0])[:10])  # type: ignore[call-overload]
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(os, call, failing)
        with pytest.raises(EnvironmentProblem):
            append_many(path, [{"kind": "note", "note": "x" * 5000}] * 3)
    assert path.read_bytes() == data
    append(path, {"kind": "note"})
    assert len(read_entries(path)) == 5


class Stopped(BaseException):
    pass


def test_a_signal_in_the_middle_takes_it_back(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = filled(path, 2)
    real = os.write

    def interrupted(fd: int, part: bytes) -> int:
        real(fd, bytes(part)[:20])
        raise Stopped

    with monkeypatch.context() as patch:
        patch.setattr(edge.os, "write", interrupted)
        with pytest.raises(Stopped):
            append(path, {"kind": "note"})
    assert path.read_bytes() == data


def test_a_limit_on_the_size_of_files_does_no_harm(path: Path) -> None:
    """A real short write: RLIMIT_FSIZE lets a part through, then the answer is EFBIG (setrlimit(2))."""
    script = (
        "import sys\nfrom pathlib import Path\nfrom provpack.edge.ledger import append\n"
        "from provpack.errors import ProvpackError\n"
        "line = {'kind': 'note', 'note': 'x' * 700}\n"
        "try:\n for i in range(1000): append(Path(sys.argv[1]), line); print(i)\n"
        "except ProvpackError as err: print(err.code)\n"
    )

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    done = subprocess.run(
        [sys.executable, "-c", script, str(path)], capture_output=True, text=True, preexec_fn=limit,
        timeout=60, check=True,
    )  # fmt: skip
    *acknowledged, why = done.stdout.split()
    assert why == "file-too-large-here" and len(acknowledged) > 10
    assert len(read_entries(path)) == len(acknowledged)
    assert path.read_bytes().endswith(b"\n")


# --- several at once ---


def _write_many(args: tuple[str, int, int]) -> list[str]:
    path, who, count = args
    return [append(Path(path), {"kind": "note", "note": f"{who}-{i}"})["note"] for i in range(count)]


def test_two_processes_lose_nothing(path: Path) -> None:
    """In small what was once run by hand with 2 x 10 000 entries (figures in DEVELOPERS.md)."""
    count = 1000
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        told = pool.map(_write_many, [(str(path), 1, count), (str(path), 2, count)])
    entries = read_entries(path)
    assert [e["n"] for e in entries] == list(range(1, 2 * count + 1))
    for who, mine in enumerate(told, 1):
        assert [e["note"] for e in entries if e["note"].startswith(f"{who}-")] == mine and len(mine) == count


def test_whoever_waited_writes_into_the_file_that_bears_the_name(path: Path) -> None:
    import fcntl

    data = filled(path, 2)
    old = path.with_name("old.jsonl")
    with path.open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        waiting = threading.Thread(target=append, args=(path, {"kind": "note", "note": "late"}))
        waiting.start()
        waiting.join(0.3)
        assert waiting.is_alive()
        path.rename(old)
        path.write_bytes(data.split(b"\n")[0] + b"\n")
        fcntl.flock(held, fcntl.LOCK_UN)
        waiting.join(10)
    assert not waiting.is_alive()
    assert old.read_bytes() == data
    assert [e["n"] for e in read_entries(path)] == [1, 2]
    assert read_entries(path)[1]["note"] == "late"


def test_a_reader_does_not_see_half_an_append(path: Path) -> None:
    """While another appends, every reading is a whole ledger that begins with what was there before."""
    filled(path, 1)
    writing = threading.Thread(target=_write_many, args=((str(path), 1, 60),))
    writing.start()
    sizes = []
    while writing.is_alive():
        chain = read_ledger(path)
        assert chain.holds and chain.torn is None
        sizes.append(chain.lines)
    writing.join()
    assert sizes == sorted(sizes) and read_ledger(path).lines == 61


# --- reading what is no ledger ---


def test_a_line_without_end_is_told_and_not_held(path: Path) -> None:
    data = filled(path, 3)
    lines = data.split(b"\n")[:-1]
    path.write_bytes(lines[0] + b"\n" + b"x" * (LONGEST_LINE + 1) + b"\n" + lines[2] + b"\n")
    chain = read_ledger(path, witnesses=[Witness(entries=3, sha512=hashlib.sha512(lines[2]).hexdigest())])
    assert [(b.kind, b.entries, b.lines) for b in chain.breaks] == [("changed", (2, 2), (2,))]


@pytest.mark.parametrize(
    "data", [b"", b"\n", b"\n\n\n", b"hello\n", b"{}\n", b"[" * 100_000, b"\0" * 5000, b'{"n":1e999}\n',
             b'{"n":true,"previous":""}\n', b'{"n":1,"previous":null}\n', b"\xff\xfe\n" * 3000, b"{}"]
)  # fmt: skip
def test_anything_gets_an_answer(path: Path, data: bytes) -> None:
    path.write_bytes(data)
    for witnesses in ([], [Witness(entries=4, sha512="a" * 128)]):
        chain = read_ledger(path, witnesses=witnesses, keep=True)
        assert chain.holds == (data == b"" and not witnesses)
        assert chain.entries == ()


@pytest.mark.parametrize("make", [Path.mkdir, os.mkfifo, lambda p: p.symlink_to("elsewhere")])
def test_what_is_no_file_is_not_read(path: Path, make: object) -> None:
    make(path)  # type: ignore[operator]
    with pytest.raises(CouldNotCheck):
        read_ledger(path)
    with pytest.raises(CouldNotCheck):
        read_ledger(path.with_name("nothing"))
