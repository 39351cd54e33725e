"""bagit.txt, manifests and fetch.txt as text, by declared version."""

from __future__ import annotations

import pytest

from provpack.package.bagdeclaration import Declaration
from provpack.package.baginfo import parse_bag_info
from provpack.package.bagtext import parse_declaration, parse_fetch, parse_manifest
from provpack.package.bagwrite import BAGIT_TXT

V10 = parse_declaration(BAGIT_TXT)
V097 = parse_declaration(b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n")
SHA = "ab" * 32


def found(findings: object) -> list[tuple[str, str]]:
    return [(f.rule.removeprefix("bag-"), f.severity) for f in findings]  # type: ignore[attr-defined]


# RFC 8493 section 2.1.1, each row: text, version read, findings
DECLARATIONS = [
    (BAGIT_TXT, (1, 0), []),
    (BAGIT_TXT.replace(b"\n", b"\r\n"), (1, 0), []),
    (BAGIT_TXT.replace(b"\n", b"\r"), (1, 0), []),
    (BAGIT_TXT[:-1], (1, 0), []),
    (b"\xef\xbb\xbf" + BAGIT_TXT, (1, 0), [("byte-order-mark", "error")]),
    (BAGIT_TXT + b"\n", (1, 0), [("declaration", "error")]),
    (BAGIT_TXT + b"X: y\n", (1, 0), [("declaration", "error")]),
    (BAGIT_TXT.replace(b"Version:", b"Version :"), (1, 0), [("declaration", "error")]),
    (BAGIT_TXT.replace(b": 1", b":1"), (1, 0), [("declaration", "error")]),
    (BAGIT_TXT.replace(b"1.0", b"1.0 "), (1, 0), [("declaration", "error")]),
    (BAGIT_TXT.replace(b"1.0", b"1"), None, [("declaration", "error")]),
    # section 4.1 of the RFC itself spells it with a small v
    (BAGIT_TXT.replace(b"BagIt-V", b"BagIt-v"), (1, 0), [("declaration", "warning")]),
    (BAGIT_TXT.replace(b"1.0", b"1.7"), (1, 7), [("version-undefined", "error")]),
    (b"\n".join(reversed(BAGIT_TXT.split(b"\n")[:2])), (1, 0), [("declaration", "error")] * 2),
    (b"BagIt-Version: 1.0\n", (1, 0), [("declaration", "error")]),
    (b"", None, [("declaration", "error")] * 2),
    (b"\0" * 100_000, None, [("declaration", "error")] * 2),
    (BAGIT_TXT.replace(b"UTF-8", b"UTF-9"), (1, 0), [("encoding-unknown", "error")]),
    (BAGIT_TXT.replace(b"UTF-8", b"hex"), (1, 0), [("encoding-unknown", "error")]),
    (BAGIT_TXT.replace(b"UTF-8", b"IBM1047"), (1, 0), [("encoding-unsupported", "error")]),
    (BAGIT_TXT.replace(b"UTF-8", b"ISO-8859-1"), (1, 0), [("encoding-not-utf8", "warning")]),
    # the drafts before 1.0: read, and said
    (b"BagIt-Version:0.97\nTag-File-Character-Encoding : UTF-8\n", (0, 97), [("declaration", "warning")] * 2),
]


@pytest.mark.parametrize(("data", "version", "findings"), DECLARATIONS)
def test_declaration(data: bytes, version: tuple[int, int] | None, findings: list[tuple[str, str]]) -> None:
    declaration = parse_declaration(data)
    assert declaration.version == version
    assert found(declaration.findings) == findings


# RFC 8493 section 2.1.3 (and the 0.97 draft): line, declaration, (digest, path, other) or None, findings
LINES = [
    (f"{SHA}  data/a", V10, ("data/a", None), []),
    (f"{SHA.upper()}\t \tdata/a", V10, ("data/a", None), []),
    (f"{SHA}  data/ a b ", V10, ("data/ a b ", None), []),
    (f"{SHA}  data/a\u2028\x85\x0b\x1cb", V10, ("data/a\u2028\x85\x0b\x1cb", None), []),
    (f"{SHA}  data/50%25", V10, ("data/50%", None), []),
    (f"{SHA}  data/%250A", V10, ("data/%0A", None), []),
    (f"{SHA}  data/a%0d%0A%0a%0D", V10, ("data/a\r\n\n\r", None), []),
    (f"{SHA}  data/50%", V10, ("data/50%", None), [("percent-encoding", "error")]),
    (f"{SHA}  data/a%20b", V10, ("data/a%20b", None), [("percent-encoding", "error")]),
    (f"{SHA}  data/a%20b%25", V097, ("data/a%20b%25", None), []),
    (f"{SHA}  data/a%0Ab", V097, ("data/a%0Ab", "data/a\nb"), []),
    (f"{SHA} *data/a", V10, ("data/a", None), [("md5sum-line", "warning")]),
    (f"\\{SHA}  data/a\\\\b", V10, ("data/a\\b", None), [("md5sum-line", "warning")]),
    (f"{SHA}  ./data/a", V10, ("data/a", None), [("path-not-plain", "warning")]),
    (f"{SHA}  data//a/./b", V10, ("data/a/b", None), [("path-not-plain", "warning")]),
    (f"{SHA}  data/~a/..b/C:", V10, ("data/~a/..b/C:", None), []),
    (f"{SHA}", V10, None, [("manifest-line", "error")]),
    (f"{SHA}  ", V10, None, [("manifest-line", "error")]),
    (f" {SHA}  data/a", V10, None, [("manifest-line", "error")]),
    ("", V10, None, [("manifest-line", "error")]),
    ("", V097, None, [("manifest-line", "warning")]),
    (f"{SHA[1:]}  data/a", V10, ("data/a", None), [("checksum-form", "error")]),
    (f"{SHA[1:]}g  data/a", V10, ("data/a", None), [("checksum-form", "error")]),
    (f"{SHA}  data/", V10, None, [("lists-folder", "error")]),
    (f"{SHA}  bagit.txt", V10, None, [("path-outside-payload", "error")]),
    (f"{SHA}  data", V10, None, [("path-outside-payload", "error")]),
    (f"{SHA}  Data/a", V10, None, [("path-outside-payload", "error")]),
    (f"{SHA}  data\\a", V10, None, [("path-outside-payload", "error")]),
    # section 5.1
    (f"{SHA}  data/../../x", V10, None, [("path-unsafe", "error")]),
    (f"{SHA}  data/..\\..\\x", V10, None, [("path-unsafe", "error")]),
    (f"{SHA}  /data/a", V10, None, [("path-unsafe", "error")]),
    (f"{SHA}  ~/data/a", V10, None, [("path-unsafe", "error")]),
    (f"{SHA}  C:\\data\\a", V10, None, [("path-unsafe", "error")]),
    (f"{SHA}  \\\\?\\UNC\\h\\a", V10, None, [("path-unsafe", "error")]),
    (f"{SHA}  data/a\0b", V10, None, [("path-unsafe", "error")]),
]


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
@pytest.mark.parametrize(("text", "declaration", "path", "findings"), LINES)
def test_manifest_line(
    text: str,
    declaration: Declaration,
    path: tuple[str, str | None] | None,
    findings: list[tuple[str, str]],
    end: str,
) -> None:
    data = (text + end + f"{SHA}  data/last").encode()
    manifest = parse_manifest(data, "manifest-sha256.txt", declaration)
    assert found(manifest.findings) == findings
    assert manifest.lines[-1].path == "data/last" and manifest.lines[-1].line == 2
    read = [(line.path, line.other) for line in manifest.lines[:-1]]
    assert read == ([path] if path is not None else [])
    for line in manifest.lines:
        assert line.digest in (SHA, "")


def test_findings_say_file_line_and_path() -> None:
    manifest = parse_manifest(f"{SHA}  data/x\n{SHA}  /etc/x\n".encode(), "manifest-sha256.txt", V10)
    finding = manifest.findings[0]
    assert finding.where == "manifest-sha256.txt, line 2"
    assert finding.position == {"path": "/etc/x", "file": "manifest-sha256.txt", "row": 2}
    assert finding.todo and finding.reference == "RFC 8493 section 5.1"


@pytest.mark.parametrize(
    ("declaration", "second", "severity"),
    [(V10, SHA, "error"), (V097, SHA, "warning"), (V10, "cd" * 32, "error"), (V097, "cd" * 32, "error")],
)
def test_listed_twice(declaration: Declaration, second: str, severity: str) -> None:
    data = f"{SHA}  data/x\n{second} data/./x\n".encode()
    manifest = parse_manifest(data, "manifest-sha256.txt", declaration)
    assert ("listed-twice", severity) in found(manifest.findings)


def test_byte_order_mark() -> None:
    data = b"\xef\xbb\xbf" + f"{SHA}  data/x\n".encode()
    assert found(parse_manifest(data, "manifest-sha256.txt", V10).findings) == [("byte-order-mark", "error")]
    assert found(parse_manifest(data, "manifest-sha256.txt", V097).findings) == [
        ("byte-order-mark", "warning")
    ]


def test_encodings() -> None:
    latin = parse_declaration(BAGIT_TXT.replace(b"UTF-8", b"ISO-8859-1"))
    wide = parse_declaration(BAGIT_TXT.replace(b"UTF-8", b"UTF-16"))
    text = f"{SHA}  data/café\n"
    assert parse_manifest(text.encode("latin-1"), "manifest-sha256.txt", latin).lines[0].path == "data/café"
    assert parse_manifest(text.encode("utf-16"), "manifest-sha256.txt", wide).lines[0].path == "data/café"
    broken = parse_manifest(text.encode("latin-1"), "manifest-sha256.txt", V10)
    assert found(broken.findings) == [("text-encoding", "error")]
    assert broken.lines[0].path == "data/caf\udce9"  # as the file system spells that byte


@pytest.mark.parametrize(
    ("name", "algorithm", "findings"),
    [
        ("manifest-sha256.txt", "sha256", []),
        ("manifest-SHA-256.txt", "sha256", [("algorithm-name", "error")]),
        ("manifest-shake128.txt", "shake128", [("algorithm-unknown", "error")]),
        ("manifest-foo.txt", "foo", [("algorithm-unknown", "error")]),
    ],
)
def test_algorithm_names(name: str, algorithm: str, findings: list[tuple[str, str]]) -> None:
    # RFC 8493 section 2.4
    manifest = parse_manifest(b"", name, V10)
    assert manifest.algorithm == algorithm and found(manifest.findings) == findings


FETCH = [
    ("https://host.example/a 12 data/a", V10, []),
    ("https://host.example/a - data/a", V10, []),
    ("relative/a - data/a", V10, [("fetch-url", "error")]),
    ("C:\\a - data/a", V10, [("fetch-url", "error")]),
    ("file:///etc/passwd - data/a", V10, [("fetch-url", "error")]),
    ("https://host.example/a x data/a", V10, [("fetch-line", "error")]),
    ("https://host.example/a data/a", V10, [("fetch-line", "error")]),
    ("https://host.example/a 1 bag-info.txt", V10, [("path-outside-payload", "error")]),
    ("https://host.example/a 1 data/../x", V10, [("path-unsafe", "error")]),
    ("https://host.example/a 1 ~user/x", V097, [("path-unsafe", "error")]),
    ("", V10, [("fetch-line", "error")]),
    ("", V097, [("fetch-line", "warning")]),
]


@pytest.mark.parametrize(("text", "declaration", "findings"), FETCH)
def test_fetch_line(text: str, declaration: Declaration, findings: list[tuple[str, str]]) -> None:
    # RFC 8493 section 2.2.3
    assert found(parse_fetch((text + "\n").encode(), declaration).findings) == findings


def test_fetch_values() -> None:
    fetch = parse_fetch(b"https://host.example/a%20b 12 data/a%25 b\n", V10)
    line = fetch.lines[0]
    assert (line.url, line.length, line.path) == ("https://host.example/a%20b", 12, "data/a% b")


def test_a_flood_of_faults_stays_bounded() -> None:
    manifest = parse_manifest(b"x\n" * 50_000, "manifest-sha256.txt", V10)
    assert len(manifest.findings) == 10_001
    assert "40000 more of the same kind" in manifest.findings[-1].what


def test_a_line_longer_than_any_path_is_no_line() -> None:
    manifest = parse_manifest(f"{SHA}  data/{'x' * 70_000}\n".encode(), "manifest-sha256.txt", V10)
    assert found(manifest.findings) == [("manifest-line", "error")] and manifest.lines == ()


def test_reading_stops_when_it_is_hopeless() -> None:
    data = b"x\n" * 300_000 + f"{SHA}  data/a\n".encode()
    assert parse_manifest(data, "manifest-sha256.txt", V10).lines == ()
    assert parse_fetch(data, V10).lines == ()
    assert parse_bag_info(data, V10).elements == ()


def test_fetched_twice() -> None:
    fetch = parse_fetch(b"https://host.example/a - data/a\nhttps://host.example/b - data/a\n", V10)
    assert found(fetch.findings) == [("listed-twice", "warning")] and len(fetch.lines) == 1
