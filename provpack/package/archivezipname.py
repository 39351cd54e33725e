"""Names of zip members: UTF-8 when they say so, else the old code page, unless the bytes tell otherwise.

APPNOTE.TXT 6.3, section 4.4.17 (slashes), appendix D (encodings) and 4.6.9 (Unicode path), from memory.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping

_UNICODE_PATH = 0x7075


class NameProblem(Exception):
    """The name must be refused. text: because it is not the text it is said to be."""

    def __init__(self, what: str, *, text: bool = False) -> None:
        super().__init__(what)
        self.text = text


def zip_path(raw: bytes, utf8: bool, extra: Mapping[int, bytes]) -> tuple[str, str]:
    """(path, doubt about its encoding or ""). Raises NameProblem."""
    path, doubt = _decoded(raw, utf8, extra)
    if "\\" in path:
        raise NameProblem("only / may stand between the parts of a name, never a backslash")
    return path, doubt


def _decoded(raw: bytes, utf8: bool, extra: Mapping[int, bytes]) -> tuple[str, str]:
    if utf8:
        try:
            return raw.decode("utf-8"), ""
        except UnicodeDecodeError:
            raise NameProblem("its name is said to be UTF-8 and is not", text=True) from None
    if raw.isascii():
        return raw.decode("ascii"), ""
    field = extra.get(_UNICODE_PATH, b"")
    if field[:1] == b"\1" and int.from_bytes(field[1:5], "little") == zlib.crc32(raw):
        try:
            return field[5:].decode("utf-8"), ""
        except UnicodeDecodeError:
            raise NameProblem("its second name is said to be UTF-8 and is not", text=True) from None
    try:
        return raw.decode("utf-8"), "its name was read as UTF-8, though the archive does not say so"
    except UnicodeDecodeError:
        return raw.decode("cp437"), "its name was read in code page 437, as the format has it"
