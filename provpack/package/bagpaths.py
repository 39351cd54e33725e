"""Paths inside a bag: which are safe to look up, which travel badly, and how to name them to people.

Paths are `/`-separated and relative to the bag's base directory. Names that are not valid UTF-8 on disk are
held with surrogate escapes (PEP 383), so every file can be named exactly.
"""

from __future__ import annotations

import base64
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from provpack.findings import Finding, Rule, Severity

Kind = Literal["file", "directory", "symlink", "other", "unreadable"]

MAX_FINDINGS_PER_RULE = 10_000
"""Findings kept per rule and source; the rest are counted in one more."""

HOPELESS = 100_000
"""Lines that are no lines of their kind, after which a tag file is read no further."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One thing on disk: path from the root, kind, size in bytes (files), what was wrong (unreadable)."""

    path: str
    kind: Kind
    size: int = 0
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """Everything beneath a root, links not followed. complete is False when a bound was reached."""

    entries: tuple[Entry, ...]
    complete: bool = True


def readable(path: str) -> str:
    """A path for people: escaped bytes and control characters as \\xNN, the rest as it is."""
    if path.isprintable() and path.isascii():
        return path
    out = []
    for char in path:
        code = ord(char)
        if 0xDC80 <= code <= 0xDCFF:
            out.append(f"\\x{code - 0xDC00:02x}")
        elif 0xD800 <= code <= 0xDFFF:
            out.append("\ufffd")
        elif code < 0x20 or 0x7F <= code < 0xA0:
            out.append(f"\\x{code:02x}")
        elif char in "\u2028\u2029\u200e\u200f" or 0x202A <= code <= 0x202E or 0x2066 <= code <= 0x2069:
            out.append(f"\\u{code:04x}")
        else:
            out.append(char)
    return "".join(out)


def path_base64(path: str) -> str | None:
    """Base64 of the name's bytes when the readable form is not the name itself, else None."""
    if readable(path) == path:
        return None
    return base64.b64encode(
        path.encode("utf-8", "surrogateescape" if _escapes_only(path) else "surrogatepass")
    ).decode()


def _escapes_only(path: str) -> bool:
    return all(not 0xD800 <= ord(c) <= 0xDFFF or 0xDC80 <= ord(c) <= 0xDCFF for c in path)


def position(path: str, **more: str | int) -> dict[str, str | int]:
    """Where a finding is, for programs: `path`, and `path_base64` when the name is not plain text."""
    encoded = path_base64(path)
    place: dict[str, str | int] = {"path": readable(path), **more}
    if encoded is not None:
        place["path_base64"] = encoded
    return place


class Findings:
    """Gathers findings, a bounded number per rule, so that a hostile manifest cannot make millions."""

    def __init__(self, source: str = "") -> None:
        self._source = source
        self._found: list[Finding] = []
        self._count: Counter[str] = Counter()
        self._rules: dict[str, tuple[Rule, Severity]] = {}

    def add(
        self,
        rule: Rule,
        what: str,
        where: str = "",
        *,
        path: str | None = None,
        line: int | None = None,
        severity: Severity | None = None,
        todo: str = "",
    ) -> None:
        """Note one finding. where defaults to the source with the line, else to the path."""
        key = f"{rule.id} {severity or rule.severity}"
        self._count[key] += 1
        self._rules[key] = (rule, severity or rule.severity)
        if self._count[key] > MAX_FINDINGS_PER_RULE:
            return
        place = where or (f"{self._source}, line {line}" if line is not None else self._source)
        place = place or readable(path or "") or "bag"
        spot: dict[str, str | int] = position(path) if path is not None else {}
        if self._source:
            spot["file"] = self._source
        if line is not None:
            spot["row"] = line
        self._found.append(rule.found(what, place, todo=todo, severity=severity, position=spot))

    def hopeless(self, rule: Rule) -> bool:
        """So many faults of this rule that reading on would tell nobody anything."""
        return self._count[f"{rule.id} error"] > HOPELESS

    def done(self) -> tuple[Finding, ...]:
        """Everything found; a rule met too often ends with one finding that counts the rest."""
        more = [
            rule.found(
                f"{self._count[key] - MAX_FINDINGS_PER_RULE} more of the same kind are not listed.",
                self._source or "bag",
                severity=severity,
            )
            for key, (rule, severity) in self._rules.items()
            if self._count[key] > MAX_FINDINGS_PER_RULE
        ]
        return (*self._found, *more)


_DRIVE = re.compile(r"[A-Za-z]:")
_HERE = re.compile(r"\A(?:\./+)+")
_PERCENT_VARIABLE = re.compile(r"%[^%/\\]+%")


def unsafe(path: str) -> str | None:
    """Why this path must not be looked up, or None when it stays beneath the base directory.

    RFC 8493 section 5.1. Components are judged, not prefixes; every system's rules apply on every system,
    for the bag may be unpacked elsewhere next time.
    """
    if not path:
        return "it is empty"
    if "\0" in path:
        return "it holds a NUL character"
    if path.startswith("/"):
        return "it is absolute"
    if path.startswith("./"):  # what plain() takes away hides nothing
        path = _HERE.sub("", path, count=1)
    if path.startswith("~"):
        return "a shell would expand the ~ to somebody's home folder"
    if path.startswith("\\"):
        return "it starts with a backslash, which names a root, a share or a device on Windows"
    if _DRIVE.match(path):
        return "it starts with a drive letter"
    if _PERCENT_VARIABLE.match(path):
        return "it starts with an environment variable of Windows"
    if ".." in re.split(r"[/\\]", path):
        return "it climbs with '..'"
    return None


def plain(path: str) -> str:
    """The path without `./` and doubled `/`. Only for paths that are not unsafe; may become empty."""
    if "//" not in path and "./" not in path and not path.endswith("/."):
        return path
    parts = path.split("/")
    kept = [part for part in parts if part not in ("", ".")]
    return "/".join(kept) + ("/" if parts[-1] in ("", ".") and kept else "")


_RESERVED = re.compile(r"(?:CON|PRN|AUX|NUL|COM[1-9]|LPT[1-9])(?:\..*)?\Z", re.IGNORECASE | re.DOTALL)
_FORBIDDEN = re.compile(r'[<>:"\\|?*\x00-\x1f]')


def portability(path: str) -> str | None:
    """Why a name cannot exist on every file system (RFC 8493 section 6.1.2), or None."""
    if not path.isascii() and any(0xD800 <= ord(c) <= 0xDFFF for c in path):
        return "the name is not valid UTF-8"
    hit = _FORBIDDEN.search(path)
    if hit:
        return f"Windows does not allow the character {readable(hit.group())!r}"
    for part in path.split("/"):
        if _RESERVED.match(part):
            return f"{part!r} is a reserved device name on Windows"
        if part.endswith((" ", ".")):
            return f"{part!r} ends with a blank or a dot, which Windows removes"
    return None


_SYSTEM_NAMES = frozenset({".ds_store", "thumbs.db", "desktop.ini", ".directory", "ehthumbs.db", "icon\r"})
_SYSTEM_FOLDERS = frozenset({".spotlight-v100", ".trashes", ".fseventsd", "__macosx", "$recycle.bin"})


def is_system_file(path: str) -> bool:
    """A file that operating systems leave in folders: thumbnails, folder settings, resource forks."""
    *folders, name = path.lower().split("/")
    return name in _SYSTEM_NAMES or name.startswith("._") or any(f in _SYSTEM_FOLDERS for f in folders)


def collisions(paths: Iterable[str]) -> list[tuple[str, ...]]:
    """Groups of paths that are one name where case or normalisation does not count (section 6.1.1.3)."""
    groups: dict[str, list[str]] = {}
    for path in paths:
        groups.setdefault(folded(path), []).append(path)
    return [tuple(sorted(group)) for group in groups.values() if len(group) > 1]


def folded(path: str) -> str:
    """The path with case and normalisation taken away, for comparison only."""
    return path.lower() if path.isascii() else unicodedata.normalize("NFC", path.casefold())


def normalised(path: str) -> str:
    """The path in Unicode normalisation form C, for comparison only."""
    return path if path.isascii() else unicodedata.normalize("NFC", path)
