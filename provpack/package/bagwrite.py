"""Write the tag files of a BagIt 1.0 bag (RFC 8493), reproducibly: same input, same bytes."""

from __future__ import annotations

import re
from collections.abc import Iterable

from provpack.errors import Bug
from provpack.package.bagpaths import plain, readable, unsafe

BAGIT_TXT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
"""The declaration of every bag we write (section 2.1.1)."""

_LINE_WIDTH = 79
_HEX = re.compile(r"(?:[0-9a-f]{2})+\Z")


def build_manifest(entries: Iterable[tuple[str, str]]) -> bytes:
    """A payload or tag manifest from (path, lower-case hex digest) pairs, sorted by the paths' bytes.

    Two blanks between the columns, so that coreutils reads the file too. LF, CR and % in a path are
    percent-encoded, and only those (section 2.1.3). Raises Bug for a path or digest no bag may list.
    """
    lines = []
    seen: set[str] = set()
    for path, digest in entries:
        why = unsafe(path) or (
            "it is not in plain form" if plain(path) != path or path.endswith("/") else None
        )
        if why is None and path in seen:
            why = "it is listed twice"
        if why is None and not _HEX.match(digest):
            why = "its digest is not lower-case hex"
        if why is not None:
            raise Bug(
                "manifest-entry",
                f"The path {readable(path)!r} cannot be listed: {why}.",
                where="manifest being written",
                todo="Report this with the file's name.",
            )
        seen.add(path)
        lines.append((_encoded(path), digest))
    return b"".join(digest.encode() + b"  " + path + b"\n" for path, digest in sorted(lines))


def _encoded(path: str) -> bytes:
    text = path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError:
        raise Bug(
            "manifest-entry",
            f"The path {readable(path)!r} is not valid Unicode.",
            where="manifest being written",
            todo="Rename the file before it is packaged.",
        ) from None


def build_bag_info(pairs: Iterable[tuple[str, str]]) -> bytes:
    """bag-info.txt from (label, value) pairs, in their order; pairs with an empty value are left out.

    Lines are folded at blanks to 79 characters where possible (section 2.2.2): the blank becomes a line
    end and two blanks of padding. Line breaks in a value become such folds. Raises Bug for a bad label.
    """
    out: list[str] = []
    for label, value in pairs:
        if not label or label != label.strip() or re.search(r"[:\r\n]", label):
            raise Bug(
                "bag-info-label",
                f"The label {label!r} cannot stand in bag-info.txt.",
                where="bag-info.txt being written",
                todo="Report this.",
            )
        lines = [line.strip(" \t") for line in re.split(r"\r\n|\r|\n", value)]
        lines = [line for line in lines if line]
        if lines:
            out.extend(_fold(label, lines))
    return "".join(line + "\n" for line in out).encode("utf-8", "backslashreplace")


def _fold(label: str, lines: list[str]) -> list[str]:
    folded: list[str] = []
    start = f"{label}: "
    for line in lines:
        row = start
        empty = True
        for word in line.split(" "):
            if not empty and len(row) + 1 + len(word) > _LINE_WIDTH and word:
                folded.append(row)
                row, empty = "  ", True
            row += word if empty else " " + word
            empty = False
        folded.append(row)
        start = "  "
    return folded
