"""Read the manifests and fetch.txt of a bag from bytes (bag-info is in baginfo, bagit.txt in bagdeclaration).

Reading never raises: every departure from the declared version's rules is a finding, and reading goes on.
RFC 8493 for 1.0; for 0.93 to 0.97 the drafts of their time, which were looser (then often a warning only).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from provpack.findings import Finding
from provpack.package import bagrules as text_rules
from provpack.package import rules
from provpack.package.bagdeclaration import KNOWN_VERSIONS, Declaration, parse_declaration, text_lines
from provpack.package.bagpaths import Findings, plain, readable, unsafe
from provpack.package.bagwrite import BAGIT_TXT, build_bag_info, build_manifest

__all__ = [
    "BAGIT_TXT",
    "DIGEST_LENGTH",
    "KNOWN_VERSIONS",
    "MAX_TAG_FILE",
    "Declaration",
    "Fetch",
    "FetchLine",
    "Manifest",
    "ManifestLine",
    "build_bag_info",
    "build_manifest",
    "manifest_kind",
    "normal_algorithm",
    "parse_declaration",
    "parse_fetch",
    "parse_manifest",
]

MAX_LINE = 65_536
"""Characters of one line; twice the longest path any common system allows."""

MAX_TAG_FILE = 256 * 1024 * 1024
"""Bytes of one manifest that are read at most; about one and a half million files."""

DIGEST_LENGTH: dict[str, int] = {
    "md5": 32,
    "sha1": 40,
    "sha224": 56,
    "sha256": 64,
    "sha384": 96,
    "sha512": 128,
    "sha512224": 56,
    "sha512256": 64,
    "sha3224": 56,
    "sha3256": 64,
    "sha3384": 96,
    "sha3512": 128,
    "blake2b": 128,
    "blake2b512": 128,
    "blake2s": 64,
    "blake2s256": 64,
    "ripemd160": 40,
    "sm3": 64,
}
"""Hex digits of a digest, by the algorithm's normalised name (RFC 8493 section 2.4)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ManifestLine:
    """One listed file: line number, lower-case digest ("" when it has no proper form), the path it means.

    other: as which other name it may lie on disk (0.9x bags only, where %0A and %0D were ambiguous).
    """

    line: int
    digest: str
    path: str
    other: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """A manifest as read. algorithm is the normalised name; lines hold only what is safe to look up."""

    name: str
    kind: Literal["payload", "tag"]
    algorithm: str
    lines: tuple[ManifestLine, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FetchLine:
    """One file to be downloaded; length in bytes or None."""

    line: int
    url: str
    length: int | None
    path: str
    other: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetch:
    """fetch.txt as read."""

    lines: tuple[FetchLine, ...]
    findings: tuple[Finding, ...]


_MANIFEST_NAME = re.compile(r"(tag)?manifest-([^/]+)\.txt\Z")


def manifest_kind(name: str) -> tuple[Literal["payload", "tag"], str] | None:
    """(kind, algorithm as written) when the name is that of a manifest in the base directory."""
    match = _MANIFEST_NAME.match(name)
    if match is None:
        return None
    return ("tag" if match[1] else "payload"), match[2]


@lru_cache(maxsize=256)
def normal_algorithm(name: str) -> str:
    """SHA3-256 -> sha3256: lower case, letters and digits only (section 2.4)."""
    return "".join(c for c in name.lower() if c.isalnum() and c.isascii())


_ENCODED = re.compile(r"%0[DdAa]|%25")
_ENCODED_TO = {"%0d": "\r", "%0a": "\n", "%25": "%"}
_LINE_ENDS = re.compile(r"%0[DdAa]")


def _path(
    written: str, declaration: Declaration, found: Findings, line: int, *, payload: bool
) -> tuple[str, str | None] | None:
    """(path, other name or None) meant by the text of a path column; None when it must not be looked up."""
    path = written
    other: str | None = None
    if "%" not in written:
        pass
    elif declaration.strict:
        if "%" in _ENCODED.sub("", written):
            found.add(
                text_rules.PERCENT,
                f"{readable(written)!r}: a percent sign is written %25, and only CR, LF and % are encoded.",
                path=written,
                line=line,
            )
        path = _ENCODED.sub(lambda m: _ENCODED_TO[m[0].lower()], written)
    elif _LINE_ENDS.search(written):
        other = _LINE_ENDS.sub(lambda m: _ENCODED_TO[m[0].lower()], written)
    for candidate in dict.fromkeys((written, path, other)):
        why = unsafe(candidate) if candidate is not None else None
        if why:
            found.add(
                text_rules.PATH_UNSAFE,
                f"The path {readable(written)!r} is refused: {why}.",
                path=written,
                line=line,
            )
            return None
    straight = plain(path)
    if straight.endswith("/") or not straight:
        found.add(
            text_rules.LISTS_FOLDER,
            f"{readable(written)!r} names a folder, not a file.",
            path=written,
            line=line,
        )
        return None
    if straight != path:
        found.add(
            text_rules.PATH_NOT_PLAIN,
            f"{readable(written)!r} was read as {readable(straight)!r}.",
            path=straight,
            line=line,
        )
    if payload and not straight.startswith("data/"):
        found.add(
            text_rules.PATH_OUTSIDE_PAYLOAD,
            f"{readable(written)!r} does not lie under data/.",
            path=written,
            line=line,
        )
        return None
    return straight, (plain(other) if other is not None else None)


_ROW = re.compile(r"([^ \t]+)[ \t]++(\*?)(.+)\Z", re.DOTALL)
_HEX = re.compile(r"[0-9A-Fa-f]+\Z")


def parse_manifest(data: bytes, name: str, declaration: Declaration) -> Manifest:
    """Read `manifest-<alg>.txt` or `tagmanifest-<alg>.txt` (sections 2.1.3, 2.2.1)."""
    kind, written_algorithm = manifest_kind(name) or ("payload", "")
    algorithm = normal_algorithm(written_algorithm)
    found = Findings(name)
    length = DIGEST_LENGTH.get(algorithm)
    if length is None:
        found.add(
            rules.UNKNOWN_ALGORITHM,
            f"The digest algorithm {readable(written_algorithm)!r} is unknown here: "
            f"nothing in {name} can be verified.",
        )
    elif algorithm != written_algorithm:
        good_name = f"{'tag' if kind == 'tag' else ''}manifest-{algorithm}.txt"
        found.add(
            text_rules.ALGORITHM_NAME,
            f"The file should be named {good_name!r}.",
            severity=declaration.laxer,
        )
    lines: list[ManifestLine] = []
    first: dict[str, ManifestLine] = {}
    for number, text in text_lines(data, declaration, found):
        if found.hopeless(text_rules.MANIFEST_LINE):
            break
        row = _ROW.match(text) if len(text) <= MAX_LINE else None
        if row is None:
            blank = not text.strip(" \t")
            found.add(
                text_rules.MANIFEST_LINE,
                "The line is blank."
                if blank
                else f"{readable(text[:200])!r} is not a checksum, a blank and a path.",
                line=number,
                severity=declaration.laxer if blank else "error",
            )
            continue
        digest, mark, written = row[1], row[2], row[3]
        formed = True
        if digest.startswith("\\"):
            digest, mark = digest[1:], "\\"
            written = written.replace("\\\\", "\\")
        if mark:
            found.add(
                text_rules.ASTERISK,
                f"The line has the mark {mark!r} of a checksum tool; it was read without it, "
                "but strict validation fails.",
                line=number,
            )
        if not _HEX.match(digest) or (length is not None and len(digest) != length):
            formed = False
            found.add(
                text_rules.CHECKSUM_FORM,
                f"{readable(digest[:160])!r} is no {algorithm} digest"
                + (f" ({len(digest)} characters; {length} hex digits are needed)." if length else "."),
                line=number,
            )
        resolved = _path(written, declaration, found, number, payload=kind == "payload")
        if resolved is None:
            continue
        line = ManifestLine(
            line=number, digest=digest.lower() if formed else "", path=resolved[0], other=resolved[1]
        )
        earlier = first.setdefault(line.path, line)
        if earlier is not line:
            same = earlier.digest == line.digest
            found.add(
                text_rules.LISTED_TWICE,
                f"{readable(line.path)!r} is listed in lines {earlier.line} and {number}, with "
                + ("the same digest." if same else "different digests."),
                path=line.path,
                line=number,
                severity=declaration.laxer if same else "error",
            )
            if same:
                continue
        lines.append(line)
    return Manifest(name=name, kind=kind, algorithm=algorithm, lines=tuple(lines), findings=found.done())


_FETCH_ROW = re.compile(r"([^ \t]+)[ \t]++([^ \t]+)[ \t]++(.+)\Z", re.DOTALL)
_URI = re.compile(r"([A-Za-z][A-Za-z0-9+.\-]+):[^\s]+\Z")


def parse_fetch(data: bytes, declaration: Declaration, name: str = "fetch.txt") -> Fetch:
    """Read fetch.txt (section 2.2.3). Nothing is ever fetched."""
    found = Findings(name)
    lines: list[FetchLine] = []
    seen: dict[str, int] = {}
    for number, text in text_lines(data, declaration, found):
        if found.hopeless(text_rules.FETCH_LINE):
            break
        row = _FETCH_ROW.match(text) if len(text) <= MAX_LINE else None
        if row is None:
            blank = not text.strip(" \t")
            found.add(
                text_rules.FETCH_LINE,
                "The line is blank." if blank else f"{readable(text[:200])!r} is not url, length and path.",
                line=number,
                severity=declaration.laxer if blank else "error",
            )
            continue
        url, size, written = row.groups()
        if not _URI.match(url):
            found.add(text_rules.FETCH_URL, f"{readable(url[:200])!r} is not an absolute URI.", line=number)
        elif url.lower().startswith("file:"):
            # An absolute URI, but it would have the receiver read its own disk (section 5.1).
            what = f"{readable(url[:200])!r} points into the reader's own file system."
            found.add(text_rules.FETCH_URL, what, line=number)
        if size != "-" and not re.fullmatch(r"[0-9]{1,19}", size):
            found.add(
                text_rules.FETCH_LINE,
                f"The length {readable(size[:40])!r} is neither a number nor '-'.",
                line=number,
            )
        resolved = _path(written, declaration, found, number, payload=True)
        if resolved is None:
            continue
        path, other = resolved
        if path in seen:
            found.add(
                text_rules.LISTED_TWICE,
                f"{readable(path)!r} is in lines {seen[path]} and {number}.",
                path=path,
                line=number,
                severity="warning",
            )
            continue
        seen[path] = number
        length = int(size) if re.fullmatch(r"[0-9]{1,19}", size) else None
        lines.append(FetchLine(line=number, url=url, length=length, path=path, other=other))
    return Fetch(lines=tuple(lines), findings=found.done())
