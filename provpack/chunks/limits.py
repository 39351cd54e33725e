"""Bounds that keep hostile files cheap, and small helpers every reader here shares."""

from __future__ import annotations

from collections import Counter

from provpack.findings import Finding, Rule, Severity

MAX_CHUNKS = 100_000
"""Chunks listed per file."""

MAX_SUB_CHUNKS = 20_000
"""Sub-chunks read per LIST."""

MAX_POINTS = 65_536
"""Cue points read."""

MAX_HISTORY = 1024 * 1024
"""Bytes of coding history that are read."""

MAX_METADATA = 16 * 1024 * 1024
"""Bytes read of one metadata chunk."""

MAX_METADATA_TOTAL = 64 * 1024 * 1024
"""Bytes of metadata read per file."""

MAX_REPEATS = 20
"""Findings kept per rule; the rest are counted in one more."""

U32 = 0xFFFF_FFFF
"""Largest 32-bit size, which RF64 and streaming writers use for "not here"."""


def grouped(number: int) -> str:
    """1905120000 -> "1 905 120 000"."""
    return f"{number:,}".replace(",", " ")


def id_text(chunk_id: bytes) -> str:
    """A chunk id for people: printable ASCII as it is, anything else as \\xNN."""
    return "".join(chr(b) if 0x20 <= b < 0x7F else f"\\x{b:02x}" for b in chunk_id)


def decode_text(raw: bytes) -> tuple[str, bool]:
    """Text, and whether it was pure ASCII.

    Other text is read as UTF-8 where valid, else as code page 1252 [common practice, no source]; the five
    bytes that page leaves undefined become the control characters of Latin-1.
    """
    try:
        return raw.decode("ascii"), True
    except UnicodeDecodeError:
        pass
    try:
        return raw.decode("utf-8"), False
    except UnicodeDecodeError:
        text = raw.decode("cp1252", "surrogateescape")
        for byte in _UNDEFINED:
            text = text.replace(chr(0xDC00 + byte), chr(byte))
        return text, False


_UNDEFINED = (0x81, 0x8D, 0x8F, 0x90, 0x9D)
"""Bytes without a meaning in code page 1252."""


def until_nul(raw: bytes) -> bytes:
    """The bytes before the first NUL; what follows it is undefined (EBU Tech 3285 v2, 2.3)."""
    return raw.partition(b"\0")[0]


class Collector:
    """Gathers findings, at most MAX_REPEATS of a rule, so that a hostile file cannot make millions."""

    def __init__(self, where: str) -> None:
        self._where = where
        self._found: list[Finding] = []
        self._count: Counter[str] = Counter()
        self._rules: dict[str, Rule] = {}

    def add(
        self,
        rule: Rule,
        what: str,
        *,
        offset: int | None = None,
        chunk: str = "",
        severity: Severity | None = None,
        todo: str = "",
    ) -> None:
        """Note one finding; offset is in bytes of the file (or of the chunk, when where names a chunk)."""
        self._count[rule.id] += 1
        self._rules[rule.id] = rule
        if self._count[rule.id] > MAX_REPEATS:
            return
        position: dict[str, str | int] = {}
        if self._where:
            position["file"] = self._where
        if chunk:
            position["chunk"] = chunk
        if offset is not None:
            position["offset"] = offset
        place = [p for p in (self._where, f"offset {offset}" if offset is not None else "") if p]
        self._found.append(
            rule.found(what, ", ".join(place) or "file", todo=todo, severity=severity, position=position)
        )

    def extend(self, findings: tuple[Finding, ...]) -> None:
        """Take over findings made elsewhere."""
        self._found.extend(findings)

    def done(self) -> tuple[Finding, ...]:
        """Everything found; a rule met too often ends with one finding that gives the number left out."""
        more = [
            self._rules[rule].found(
                f"{grouped(n - MAX_REPEATS)} more of the same kind are not listed one by one.",
                self._where or "file",
            )
            for rule, n in self._count.items()
            if n > MAX_REPEATS
        ]
        return (*self._found, *more)
