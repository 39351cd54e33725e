"""Addresses, their secrets, hostile lists of names, and the errors of drivers in plain words."""

from __future__ import annotations

import builtins
import hashlib
import io
import os
import pickle
import sys
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from support.bagmaking import seal
from support.worktime import at_most

from provpack.edge import clock, remote
from provpack.edge.hashing import digest_file
from provpack.edge.remoteaddress import (
    is_address,
    last_name,
    local_path,
    misspelled,
    shown_address,
    with_plain_protocol,
    without_secrets,
)
from provpack.edge.remotefault import Broken, why
from provpack.edge.remotefile import BLOCK, RemoteFile
from provpack.edge.remotehttp import links
from provpack.edge.remotenames import Thing, listing_of, stamp_of
from provpack.errors import CouldNotCheck, EnvironmentProblem
from provpack.jobs.progress import Silent
from provpack.jobs.verified import VerifyResult
from provpack.jobs.verify import verify_paths
from provpack.jobs.verify_find import Found, find_units
from provpack.package import rules


@pytest.fixture(autouse=True)
def fresh(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(remote, "_stores", {})


@pytest.fixture
def memory() -> Iterator[Any]:
    """fsspec's storage in memory, empty before and after."""
    import fsspec

    system = fsspec.filesystem("memory")
    system.store.clear()
    yield system
    system.store.clear()


def verified(*where: Path | str) -> VerifyResult:
    return verify_paths(where, "bytes", progress=Silent(), clock=clock.now)


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("s3://bucket/a/b", "s3://bucket/a/b"),
        ("s3://key:secret@bucket/a@b?c", "s3://bucket/a@b?c"),
        ("https://me:pw@host.example:80/a?X-Sig=1#f", "https://host.example:80/a"),
        ("https://host.example?sig=1", "https://host.example"),
        ("ftp://me:p@ss@host.example/a", "ftp://host.example/a"),
        ("/plain/path", "/plain/path"),
    ],
)
def test_addresses_are_shown_without_secrets(address: str, said: str) -> None:
    assert shown_address(address) == said
    assert Found(path=address).shown == said
    assert "secret" not in without_secrets(f"cannot reach {address} now")
    assert "pw" not in without_secrets(f"cannot reach {address} now")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("see 1s3://u:pw@h/x?y", "see 1s3://h/x"),
        ("-.http://u:pw@h", "-.http://h"),
        ("1://http://u:pw@h", "1://http://h"),
        ("://s3://u:pw@h and ftp://u:pw@h#z.", "://s3://h and ftp://h"),
        ("a" * 200_000, "a" * 200_000),
        ("1a" * 100_000 + ":", "1a" * 100_000 + ":"),
    ],
)
def test_secrets_are_found_wherever_an_address_stands_and_at_once(text: str, said: str) -> None:
    with at_most(5, "each letter of a long word was tried as the first"):
        assert without_secrets(text) == said


def test_what_is_an_address() -> None:
    assert is_address("s3://b") and is_address("FILE:///x") and is_address("a+b://x")
    assert not is_address("./s3://b") and not is_address("/a://b") and not is_address("C:\\a")
    assert last_name("s3://bucket/shelf/tape 7/") == "tape 7"
    assert last_name("https://h.example/shelf/tape%207?x=/y") == "tape 7"


def test_file_addresses_are_paths(tmp_path: Path) -> None:
    """RFC 8089 sections 2 and 3, appendix E.2."""
    assert local_path("file:///a%20b/c%C3%BC") == Path("/a b/cü")
    assert local_path("file://localhost/a") == Path("/a")
    assert local_path("file:///C:/a") == Path("C:/a")
    assert os.fsencode(str(local_path("file:///%ff"))) == b"/\xff"
    assert local_path("s3://b/a") is None
    for other in ("file://elsewhere/a", "file://a"):
        with pytest.raises(ValueError, match="three slashes"):
            local_path(other)
    units, _ = find_units([f"file://{tmp_path}", str(tmp_path), tmp_path])
    assert [unit.path for unit in units] == [tmp_path]  # one place, however it is called
    assert find_units(["file://elsewhere/a"])[0][0].findings[0].rule == rules.UNREADABLE.id


def test_found_can_be_sent_to_another_process() -> None:
    finding = rules.UNREADABLE.found("what", "where", position={"path": "x"})
    for found in (Found(path=Path("/a"), archive="tar"), Found(path="s3://b/a", findings=(finding,))):
        assert pickle.loads(pickle.dumps(found)) == found


def test_a_bag_in_memory(memory: Any, tmp_path: Path) -> None:
    root = tmp_path / "t"
    (root / "data").mkdir(parents=True)
    (root / "data" / "a.bin").write_bytes(os.urandom(3 * BLOCK))
    seal(root)
    for path in root.rglob("*"):
        if path.is_file():
            memory.pipe_file(f"/shelf/t/{path.relative_to(root).as_posix()}", path.read_bytes())
    there = verified("memory://shelf")
    assert [(u.path, u.name, u.outcome) for u in there.units] == [("memory://shelf/t", "t", "good")]
    assert verified("memory://").outcome == "good"
    memory.rm("/shelf/t/data/a.bin")
    gone = verified("memory://shelf/t")
    assert {f.rule for f in gone.units[0].findings} >= {"bag-file-missing"}


def test_an_address_without_its_driver_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    genuine = builtins.__import__

    def without(name: str, *more: Any, **named: Any) -> Any:
        if name.split(".")[0] in ("fsspec", "s3fs", "aiohttp"):
            raise ImportError(f"No module named {name!r}")
        return genuine(name, *more, **named)

    monkeypatch.setattr(builtins, "__import__", without)
    monkeypatch.delitem(sys.modules, "fsspec", raising=False)
    for address in ("s3://b/a", "https://h.example/a"):
        with pytest.raises(EnvironmentProblem) as err:
            remote.store_of(address)
        assert "pip install 'provpack[remote]'" in err.value.todo
        result = verified(address)
        assert result.outcome == "could_not_check"
        assert "provpack[remote]" in result.units[0].findings[0].todo


@pytest.mark.parametrize("address", ["nosuch://x/y", "zip://a.zip", "simplecache::s3://b/a", "://x"])
def test_addresses_of_no_known_kind(address: str) -> None:
    """Also what would unpack, or copy to a disk on the way."""
    result = verified(address)
    assert result.outcome in ("could_not_check", "missing") and len(result.units) == 1


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("http://", "It names no host."),
        ("http:///x", "It names no host."),
        ("https://me:pw@/x", "It names no host."),
        ("http://?x", "It names no host."),
        ("http://127.0.0.1:99999/", "Its port is no whole number from 1 to 65535."),
        ("http://127.0.0.1:0/", "Its port is no whole number from 1 to 65535."),
        ("http://host.example:-1/", "Its port is no whole number from 1 to 65535."),
        ("http://host.example:eighty/", "Its port is no whole number from 1 to 65535."),
        ("https://[::1/x", "The brackets around its host are not those of an IPv6 address."),
        ("https://[x", "The brackets around its host are not those of an IPv6 address."),
        ("https://x]/y", "The brackets around its host are not those of an IPv6 address."),
        ("s3://[x", "The brackets around its host are not those of an IPv6 address."),
        ("sftp://me@[x/y", "The brackets around its host are not those of an IPv6 address."),
        ("http://a b/", "Its host holds a blank or another character that no name of a host has."),
        ("http://a\u2100b/", "Its host holds a blank or another character that no name of a host has."),
        ("http://host.example/a\nb", "It holds a control character or a line break."),
        ("http://.../", "A part of its host's name is empty."),
        ("s3://", "It names no bucket: s3:// is followed by one."),
        ("s3:///x", "It names no bucket: s3:// is followed by one."),
        ("S3://key:pw@/x", "It names no bucket: s3:// is followed by one."),
        ("sftp:///x", "It names no host: sftp:// is followed by one."),
        ("nosuch://", "Nothing stands after nosuch://."),
        ("file://host/x", "A file:// address has three slashes and a path of this machine after them."),
        ("file:///a%00b", "It holds a NUL character, which no path has."),
        ("memory://", None),
        ("file:///x", None),
        ("s3://bucket", None),
        ("s3://b/a b\nc", None),
        ("s3://b/[x", None),
        ("sftp://[::1]/x", None),
        ("http://[::1]:8080/x", None),
        ("http://host.example.:80/x?y#z", None),
        ("http://b\u00fccher.example/x", None),
        ("https://me:p@ss@host.example/a", None),
    ],
)  # fmt: skip
def test_a_misspelled_address_is_told_from_one_that_does_not_answer(address: str, said: str | None) -> None:
    """RFC 3986 sections 3.2.2 and 3.2.3. U+2100 would become "a/c" in a host (Unicode NFKC)."""
    assert misspelled(address) == said
    if said is not None and not address.startswith("file"):
        (unit,) = verified(address).units
        assert unit.outcome == "could_not_check" and said in unit.findings[0].what
        assert "pw" not in unit.findings[0].what + unit.findings[0].where


@pytest.mark.parametrize("address", ["generic://x", "data://x", "tar://x", "reference://x", "dir://x"])
def test_what_is_no_storage_of_its_own_is_no_address(address: str) -> None:
    (unit,) = verified(address).units
    assert unit.outcome == "could_not_check"
    assert "is no kind of address that is known here" in unit.findings[0].what


def test_a_driver_that_stumbles_over_a_name_only_could_not_check(memory: Any) -> None:
    class Endless(type(memory)):  # type: ignore[misc]
        @classmethod
        def _strip_protocol(cls, path: str) -> str:
            return cls._strip_protocol(path)

    remote._stores[(os.getpid(), "memory")] = remote.Store(Endless())
    (unit,) = verified("memory://x").units
    assert unit.outcome == "could_not_check" and "RecursionError" in unit.findings[0].what


def test_the_case_of_a_protocol_does_not_matter(memory: Any, tmp_path: Path) -> None:
    assert with_plain_protocol("S3://Bucket/A") == "s3://Bucket/A"
    assert with_plain_protocol("http://Host") == "http://Host"


def listed(*things: Thing, most: int = 100) -> tuple[dict[str, str], set[str], bool]:
    listing, files = listing_of(things, most)
    return {e.path: e.kind for e in listing.entries}, set(files), listing.complete


def file(path: str, size: int | None = 1) -> Thing:
    return Thing(path=path, name=path, size=size)


@pytest.mark.parametrize(
    "name", ["a//b", "/a", "../a", "a/..", "./a", "a/.", "a\0b", "x/" * 200 + "y", "a/../../etc/passwd"]
)
def test_names_that_fit_no_tree_are_unreadable(name: str) -> None:
    kinds, files, _ = listed(file("ok"), file(name))
    assert kinds[name] == "unreadable" and files == {"ok"}


def test_names_that_are_two_things() -> None:
    for order in ((file("a"), file("a/b")), (file("a/b"), file("a"))):
        kinds, files, _ = listed(*order)
        assert kinds["a"] == "unreadable" and "a" not in files
    kinds, files, _ = listed(file("a"), file("a"))
    assert kinds == {"a": "unreadable"} and not files
    kinds, files, _ = listed(file("a/", 0), file("a/b"), file("c/", 3), file("", 0))
    assert kinds == {"a": "directory", "a/b": "file", "c/": "unreadable"} and files == {"a/b"}
    kinds, files, _ = listed(file("a", None))
    assert kinds == {"a": "unreadable"} and not files


def test_a_list_without_end_is_cut_and_said() -> None:
    def endless() -> Iterator[Thing]:
        n = 0
        while True:
            yield file(str(n))
            n += 1

    listing, _ = listing_of(endless(), 50)
    assert len(listing.entries) == 50 and not listing.complete


class Page(io.BytesIO):
    r = SimpleNamespace(headers={"Content-Type": "text/html"})


def linked(page: bytes) -> list[str]:
    """What links() finds in a page of fsspec's web file system."""
    return [
        thing.path
        for thing in links(SimpleNamespace(open=lambda *_, **__: Page(page)), "https://h.example/b")
    ]


def test_a_link_that_is_no_address_hides_no_other() -> None:
    assert linked(b'<a href="http://[x">?</a> <a href="//[">?</a> <a href="a.wav">a</a>') == ["a.wav"]


@pytest.mark.parametrize(
    "page", [b"<a href=x " * 800_000, b"<!--" + b"x" * 3_000_000, b'<a href="a"><![<![', b"<![<!["]
)
def test_a_page_that_is_no_html_is_given_up_at_once(page: bytes) -> None:
    with at_most(5), pytest.raises(Broken) as caught:
        linked(page)
    assert caught.value.closed


def test_what_is_an_object_and_something_else_is_not_handed_out() -> None:
    pipe = Thing(path="data/a", name="data/a", kind="other", size=1)
    for things in ((file("data/a"), pipe), (pipe, file("data/a"))):
        kinds, files, _ = listed(*things)
        assert kinds["data/a"] == "unreadable" and not files


def test_the_stamp_is_the_surest_thing_told() -> None:
    assert stamp_of({"ETag": '"a"', "LastModified": 1}) == stamp_of({"etag": '"a"', "mtime": 2})
    assert stamp_of({"mtime": 1}) != stamp_of({"mtime": 2})
    assert stamp_of({"size": 3}) == ""


class Slow(Exception):
    pass


@pytest.mark.parametrize(
    ("err", "said"),
    [
        (FileNotFoundError("x"), "nothing of that name"),
        (FileNotFoundError("The specified bucket does not exist"), "no such bucket"),
        (PermissionError("x"), "access was refused"),
        (TimeoutError(), "did not answer in time"),
        (ConnectionResetError(), "refused or lost"),
        (Slow("at https://a:b@h.example/x?sig=y broke."), "Slow: at https://h.example/x broke"),
        (Broken("so it is"), "so it is"),
    ],
)
def test_errors_in_plain_words(err: Exception, said: str) -> None:
    assert said in str(why(err)) and why(err).strerror == str(why(err))


class Shelf:
    """A storage of one object, which counts what is asked of it."""

    def __init__(self, data: bytes, fail_at: int | None = None) -> None:
        self.data, self.fail_at = data, fail_at
        self.asked: list[tuple[int, int]] = []
        self.position = 0

    def look(self, name: str) -> Thing:
        return Thing(path="", name=name, size=len(self.data), stamp="1")

    def open(self, thing: Thing, *, ranges: bool = True) -> Shelf:
        return self

    def seek(self, offset: int) -> None:
        self.position = offset

    def read(self, length: int) -> bytes:
        self.asked.append((self.position, length))
        if self.fail_at is not None and self.position >= self.fail_at:
            raise TimeoutError
        return self.data[self.position : self.position + length]

    def close(self) -> None:
        pass


def opened(shelf: Shelf) -> RemoteFile:
    return RemoteFile(shelf, Thing(path="a", name="a", size=len(shelf.data), stamp="1"))


def test_a_stream_asks_once_for_every_block_and_no_byte_more() -> None:
    shelf = Shelf(os.urandom(5 * BLOCK + 9))
    file = opened(shelf)
    parts = []
    while part := file.stream.read(1_000_003):
        parts.append(part)
    assert b"".join(parts) == shelf.data and file.held_still()
    assert shelf.asked == [(n * BLOCK, min(BLOCK, len(shelf.data) - n * BLOCK)) for n in range(6)]
    file.close()


def test_a_stream_that_is_left_fetches_no_further() -> None:
    shelf = Shelf(bytes(20 * BLOCK))
    file = opened(shelf)
    assert file.stream.read(10) == bytes(10)
    file.close()
    assert len(shelf.asked) <= 4  # one worked on, one waiting, one under way


def test_a_fault_reaches_the_reader_after_the_good_blocks() -> None:
    shelf = Shelf(bytes(4 * BLOCK), fail_at=2 * BLOCK)
    file = opened(shelf)
    count = 0
    with pytest.raises(Broken, match="did not answer in time"):
        while part := file.stream.read(BLOCK):
            count += len(part)
    assert count == 2 * BLOCK
    with pytest.raises(Broken, match="did not answer in time"):  # and again, instead of waiting for ever
        file.stream.read(1)
    file.close()


def test_memory_stays_flat() -> None:
    """A quarter of a gigabyte that exists nowhere, digested and read by position."""

    class Endless(Shelf):
        def read(self, length: int) -> bytes:
            return bytes(length)

    size = 64 * BLOCK
    file = RemoteFile(Endless(b""), Thing(path="a", name="a", size=size, stamp="1"))
    tracemalloc.start()
    try:
        digests = digest_file(file.stream, ("sha256",))
        for offset in range(0, size, BLOCK):
            assert file.read_at(offset, 1000) == bytes(1000)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    expected = hashlib.sha256()
    for _ in range(64):
        expected.update(bytes(BLOCK))
    assert digests["sha256"] == expected.hexdigest()
    assert peak < 10 * BLOCK
    file.close()


def test_reading_onwards_by_position_takes_few_requests() -> None:
    """A second of a tape at a time, as the blocks of a master are read."""
    shelf = Shelf(os.urandom(6 * BLOCK))
    file = opened(shelf)
    step = 176_224
    data = b"".join(file.read_at(n, step) for n in range(0, len(shelf.data), step))
    assert data == shelf.data and len(shelf.asked) < 25
    assert file.read_at(5, 3) == shelf.data[5:8] and file.read_at(len(data), 3) == file.read_at(-1, 3) == b""
    assert max(length for _, length in shelf.asked) <= BLOCK


def test_a_file_that_was_not_listed_is_not_asked_for(memory: Any) -> None:
    memory.pipe_file("/t/bagit.txt", b"x")
    place = remote.RemotePlace("memory://t")
    for path in ("data/a", "../t/bagit.txt", "/t/bagit.txt", ""):
        with pytest.raises(CouldNotCheck), place.open(path):
            pass
    with place.open("bagit.txt") as file:
        assert file.stream.read(5) == b"x"
