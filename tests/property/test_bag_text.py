"""Whatever the bytes: a result, never an exception, and nothing unsafe in it."""

from __future__ import annotations

from hashlib import sha256

from hypothesis import given, settings
from hypothesis import strategies as st

from provpack.package.bagblocks import parse_block_digests
from provpack.package.baginfo import parse_bag_info
from provpack.package.bagpaths import path_base64, plain, portability, readable, unsafe
from provpack.package.bagtext import (
    build_bag_info,
    build_manifest,
    parse_declaration,
    parse_fetch,
    parse_manifest,
)

VERSIONS = st.sampled_from([b"0.93", b"0.95", b"0.97", b"1.0", b"1.9", b"3.0", b"", b"x"])
ENCODINGS = st.sampled_from(
    [b"UTF-8", b"ISO-8859-1", b"UTF-16", b"UTF-32", b"UTF-7", b"Shift_JIS", b"hex", b"idna", b"\xff"]
)
# Bytes with the marks of these formats in them, so that lines are often nearly right.
PIECES = st.sampled_from(
    [
        b"\n",
        b"\r",
        b"\r\n",
        b" ",
        b"  ",
        b"\t",
        b"*",
        b"%0A",
        b"%25",
        b"%",
        b"data/",
        b"../",
        b"/",
        b"\\",
        b"~",
        b"C:",
        b":",
        b"ab" * 32,
        b"Payload-Oxum: 1.1",
        b"https://host.example/x",
        b"-",
        b"12",
        b"\xef\xbb\xbf",
        b"\xff",
        b"\0",
        b"a",
    ]
)
TEXTS = st.one_of(st.binary(max_size=300), st.lists(PIECES, max_size=40).map(b"".join))


@settings(max_examples=300, deadline=None)
@given(data=TEXTS, version=VERSIONS, encoding=ENCODINGS)
def test_parsers_never_raise(data: bytes, version: bytes, encoding: bytes) -> None:
    head = b"BagIt-Version: " + version + b"\nTag-File-Character-Encoding: " + encoding + b"\n"
    for declaration in (parse_declaration(data), parse_declaration(head)):
        manifest = parse_manifest(data, "manifest-sha256.txt", declaration)
        tags = parse_manifest(data, "tagmanifest-sha256.txt", declaration)
        fetch = parse_fetch(data, declaration)
        info = parse_bag_info(data, declaration)
        for line in (*manifest.lines, *tags.lines, *fetch.lines):
            for path in (line.path, line.other):
                assert path is None or unsafe(path) is None
        assert all(line.path.startswith("data/") for line in (*manifest.lines, *fetch.lines))
        for finding in (*manifest.findings, *tags.findings, *fetch.findings, *info.findings):
            assert finding.what and finding.where and finding.todo
            finding.what.encode("utf-8", "strict")


@settings(max_examples=200, deadline=None)
@given(paths=st.sets(st.text(min_size=1, max_size=30), max_size=8))
def test_manifests_read_back_as_written(paths: set[str]) -> None:
    # RFC 8493 section 2.1.3: the encoding of CR, LF and % is reversible
    kept = {f"data/{p}" for p in paths if not p.startswith((" ", "\t"))}
    kept = {
        p for p in kept if unsafe(p) is None and plain(p) == p and not p.endswith("/") and p.isprintable()
    }
    kept |= {p.replace("x", "\n").replace("y", "\r").replace("z", "%") for p in kept}
    data = build_manifest((p, sha256(p.encode()).hexdigest()) for p in kept)
    manifest = parse_manifest(data, "manifest-sha256.txt", parse_declaration(b""))
    assert {line.path: line.digest for line in manifest.lines} == {
        p: sha256(p.encode()).hexdigest() for p in kept
    }


@settings(max_examples=200, deadline=None)
@given(value=st.text(max_size=300))
def test_bag_info_keeps_the_words(value: str) -> None:
    info = parse_bag_info(build_bag_info([("Label", value)]), parse_declaration(b""))
    assert info.findings == ()
    ends = str.maketrans("\n\r\t", "   ")
    encodable = value.encode("utf-8", "backslashreplace").decode()
    told = " ".join(info.values("label")).translate(ends)
    assert told.replace(" ", "") == encodable.translate(ends).replace(" ", "")


@settings(max_examples=300, deadline=None)
@given(path=st.text(max_size=40) | st.binary(max_size=40).map(lambda b: b.decode("utf-8", "surrogateescape")))
def test_every_name_can_be_told(path: str) -> None:
    readable(path).encode("utf-8", "strict")
    portability(path)
    assert path_base64(path) is None or path_base64(path) != ""


@settings(max_examples=200, deadline=None)
@given(
    data=TEXTS
    | st.recursive(st.none() | st.integers() | st.text(), lambda c: st.lists(c)).map(
        lambda v: str(v).encode()
    )
)
def test_block_digests_never_raise(data: bytes) -> None:
    digests, why = parse_block_digests(data)
    assert (digests is None) == bool(why)
