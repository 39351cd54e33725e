"""Read bagit.txt, and the lines of any tag file in its encoding. RFC 8493 sections 2.1.1 and 2.3."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from dataclasses import dataclass

from provpack.findings import Finding, Severity
from provpack.package import bagrules as text_rules
from provpack.package import rules
from provpack.package.bagpaths import Findings, readable

KNOWN_VERSIONS = frozenset({(0, 93), (0, 94), (0, 95), (0, 96), (0, 97), (1, 0)})

_CODECS = frozenset(
    {
        "cp866",
        "cp1252",
        "iso8859-14",
        "cp932",
        "cp862",
        "utf-16",
        "iso8859-16",
        "cp1250",
        "cp852",
        "gb2312",
        "cp437",
        "euc_jp",
        "utf-16-le",
        "utf-8",
        "koi8-r",
        "utf-32-le",
        "utf-7",
        "utf-32",
        "cp1256",
        "iso8859-2",
        "cp1254",
        "shift_jis",
        "mac-roman",
        "iso8859-13",
        "cp1257",
        "cp858",
        "tis-620",
        "gb18030",
        "iso8859-4",
        "iso8859-10",
        "utf-32-be",
        "cp1253",
        "gbk",
        "iso8859-3",
        "big5",
        "cp850",
        "iso8859-8",
        "cp1258",
        "iso2022_jp",
        "ascii",
        "iso8859-7",
        "iso8859-1",
        "cp1251",
        "koi8-u",
        "iso8859-9",
        "utf-16-be",
        "iso8859-5",
        "iso8859-15",
        "euc_kr",
        "cp1255",
        "iso8859-6",
        "cp855",
    }
)
_REGISTERED_UNREADABLE = re.compile(
    r"(?:ibm|cp|ebcdic|windows-|iso-?8859|iso-?2022|iso[-_]?ir|scsu|bocu|cesu|hp-|dec-|macintosh|viscii)",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Declaration:
    """bagit.txt as read. version None: not readable; codec None: encoding unknown, UTF-8 is tried."""

    version: tuple[int, int] | None
    encoding: str
    codec: str | None
    findings: tuple[Finding, ...]

    @property
    def strict(self) -> bool:
        """Judged by RFC 8493, not by the older drafts."""
        return self.version is None or self.version >= (0, 98)

    @property
    def laxer(self) -> Severity:
        """Severity of what 1.0 forbids and older drafts let pass or left open."""
        return "error" if self.strict else "warning"


_FORMS = (
    (
        re.compile(r"BagIt-Version: [0-9]{1,3}\.[0-9]{1,3}\Z"),
        re.compile(r"BagIt-Version: [0-9]{1,3}\.[0-9]{1,3}\Z", re.IGNORECASE),
        "BagIt-Version: M.N",
    ),
    (
        re.compile(r"Tag-File-Character-Encoding: \S+\Z"),
        re.compile(r"Tag-File-Character-Encoding: \S+\Z", re.IGNORECASE),
        "Tag-File-Character-Encoding: NAME",
    ),
)
_LOOSE = (
    re.compile(r"\s*BagIt-Version\s*:\s*([0-9]{1,3})\.([0-9]{1,3})\s*\Z", re.IGNORECASE),
    re.compile(r"\s*Tag-File-Character-Encoding\s*:\s*(\S+)\s*\Z", re.IGNORECASE),
)


def _codec(encoding: str) -> str | None:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._:()+-]{0,40}", encoding):
        return None
    try:
        name = codecs.lookup(encoding).name
    except (LookupError, ValueError):
        return None
    return name if name in _CODECS else None


def is_foreign(version: tuple[int, int]) -> bool:
    """A version that may exist but is not known here: a later major one, or one before the published drafts.

    Between 0.93 and 2.0 only the known ones were ever published (RFC 8493 and the drafts it names).
    """
    return version >= (2, 0) or version < (0, 93)


def parse_declaration(data: bytes, name: str = "bagit.txt") -> Declaration:
    """Read bagit.txt (section 2.1.1): exactly two lines, in UTF-8 without a byte order mark."""
    found = Findings(name)
    if data.startswith(codecs.BOM_UTF8):
        found.add(text_rules.BOM, "bagit.txt starts with a byte order mark, which it must not.")
        data = data[3:]
    text = data.decode("utf-8", "surrogateescape")
    rows = re.split(r"\r\n|\r|\n", text[:4096])
    if rows[-1] == "" and len(text) <= 4096:
        rows.pop()
    hits = [next((m for row in rows if (m := pattern.match(row))), None) for pattern in _LOOSE]
    version = (int(hits[0][1]), int(hits[0][2])) if hits[0] else None
    encoding = hits[1][1] if hits[1] else ""
    severity: Severity = "warning" if version is not None and version < (1, 0) else "error"
    for index, (strict, case_aside, form) in enumerate(_FORMS):
        row = rows[index] if index < len(rows) else ""
        if strict.match(row):
            continue
        judged: Severity = severity if _LOOSE[index].match(row) else "error"
        if case_aside.match(row):
            # Examples of the RFC itself (section 4.1) write BagIt-version: case alone is no error.
            judged = "warning"
        has = f"line {index + 1} is {readable(row[:200])!r}" if row else f"there is no line {index + 1}"
        found.add(
            text_rules.DECLARATION,
            f"bagit.txt must have the line '{form}'; {has}.",
            line=index + 1,
            severity=judged,
        )
    if len(rows) > 2:
        extra = any(row.strip() for row in rows[2:])
        found.add(
            text_rules.DECLARATION,
            f"bagit.txt has {len(rows)} lines; it must have exactly two.",
            line=3,
            severity="error" if extra else severity,
        )
    codec = _codec(encoding) if encoding else None
    if encoding and codec is None:
        known = _REGISTERED_UNREADABLE.match(encoding)
        found.add(
            rules.ENCODING_UNSUPPORTED if known else text_rules.ENCODING_UNKNOWN,
            f"The tag files are declared to be in {readable(encoding[:80])!r}, "
            + (
                "which cannot be decoded here."
                if known
                else "which is no registered character set known here."
            ),
            line=2,
        )
    if codec not in (None, "utf-8") and (version or (1, 0)) >= (1, 0):
        found.add(text_rules.ENCODING_OLD, f"The tag files are declared to be in {encoding}.", line=2)
    if version is not None and version not in KNOWN_VERSIONS and not is_foreign(version):
        what = f"BagIt version {version[0]}.{version[1]} was never published; the bag was judged by 1.0."
        found.add(text_rules.NO_SUCH_VERSION, what, line=1)
    return Declaration(version=version, encoding=encoding, codec=codec, findings=found.done())


_LINE_END = re.compile(r"\r\n|\r|\n")


def text_lines(data: bytes, declaration: Declaration, found: Findings) -> Iterator[tuple[int, str]]:
    """(line number, text) of a tag file. Only LF, CR and CRLF end a line (section 2.3)."""
    codec = declaration.codec or "utf-8"
    if codec == "utf-8" and data.startswith(codecs.BOM_UTF8):
        found.add(
            text_rules.BOM,
            "The file starts with a byte order mark, which a UTF-8 tag file must not.",
            line=1,
            severity=declaration.laxer,
        )
        data = data[3:]
    try:
        text = data.decode(codec)
    except (UnicodeError, ValueError) as err:
        line = data.count(b"\n", 0, err.start) + 1 if isinstance(err, UnicodeDecodeError) else None
        name = readable(declaration.encoding[:80]) or "UTF-8"
        found.add(text_rules.NOT_DECODABLE, f"The bytes are not valid {name}.", line=line)
        text = data.decode(codec, "surrogateescape" if codec in ("utf-8", "ascii") else "replace")
    start = number = 0
    while start < len(text):
        number += 1
        end = _LINE_END.search(text, start)
        if end is None:
            yield number, text[start:]
            return
        yield number, text[start : end.start()]
        start = end.end()
