"""Read what a tar archive holds, header by header, without reading a member.

Read are ustar, pax extended headers, GNU long names and plain old headers. POSIX.1-2001 (IEEE 1003.1, utility
pax: "ustar Interchange Format", "pax Interchange Format"), from memory; GNU long names from the manual of GNU
tar, from memory. Sparse members, parts of archives and unknown kinds are refused, not guessed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from provpack.chunks.source import ByteSource
from provpack.package import archiverules as rules
from provpack.package.archive import Contents, Gatherer, Member, StopReading
from provpack.package.archivebytes import BLOCK, tar_padding
from provpack.package.bagpaths import Kind, readable, unsafe

MAX_EXTENDED = 256 * 1024
"""Bytes of one extended header or long name that are read."""

MAX_TRAILER = 16 * 1024 * 1024
"""Bytes after the end mark that are looked at."""

_KINDS: dict[bytes, Kind] = {
    b"0": "file", b"\0": "file", b"7": "file", b"2": "symlink", b"5": "directory",
    b"3": "other", b"4": "other", b"6": "other",
}  # fmt: skip
_UNREAD = {
    b"1": "a hard link with content", b"S": "a sparse file", b"M": "the rest of a file begun in another part",
    b"D": "a folder of an incremental backup", b"N": "a table of long names of an old kind",
}  # fmt: skip
_IN_PARTS = frozenset({b"M"})
_SPARSE, _UNKNOWN = "sparse", "unknown"
# Key words of POSIX pax; those of makers of programs begin with their name and a dot.
_STANDARD = frozenset(
    b"atime charset comment ctime gid gname hdrcharset linkpath mtime path size uid uname".split()
)


@dataclass(slots=True)
class _Reader:
    source: ByteSource
    gather: Gatherer
    at: int = 0
    shared: dict[str, bytes] = field(default_factory=dict)  # global pax records
    own: dict[str, bytes] = field(default_factory=dict)  # pax records for the next member
    long_name: bytes | None = None


def looks_like_tar(first: bytes) -> bool:
    """Whether these first 512 bytes are a tar header with the mark of ustar or GNU tar."""
    return first[257:262] == b"ustar" and _checksum_fits(first)


def read_tar(source: ByteSource) -> Contents:
    """What the archive holds, and what is wrong with it. Raises only OSError, when the source does."""
    reader = _Reader(source=source, gather=Gatherer(source.size))
    try:
        while _entry(reader):
            pass
    except StopReading:
        return reader.gather.gave_up()
    return reader.gather.done()


def _entry(reader: _Reader) -> bool:
    """Read the entry at the reader's place; False after the last one. Raises StopReading, OSError."""
    gather, start = reader.gather, reader.at
    head = reader.source.read_at(start, BLOCK)
    if len(head) < BLOCK:
        what = f"The archive ends after {reader.source.size} bytes without its end mark of two empty blocks."
        raise gather.stop(rules.CUT_SHORT, what, start)
    if not any(head):
        _end(reader)
        return False
    if not _checksum_fits(head):
        raise gather.stop(rules.DAMAGED, "This is no tar header: its checksum is wrong.", start)
    if not _checksum_usual(head):
        gather.say(rules.SLACK, "The checksum of the header is not in its usual form.", start)
    kind, size = head[156:157], _number(head[124:136])
    if size is None:
        raise gather.stop(rules.DAMAGED, "The size in the header is no number.", start)
    reader.at = start + BLOCK
    if kind in (b"x", b"g", b"L", b"K"):
        _extended(reader, kind, size, start)
        return True
    return _member(reader, head, kind, size, start)


def _extended(reader: _Reader, kind: bytes, size: int, start: int) -> None:
    """A header that speaks of the next member (x, L, K), or of all that follow (g)."""
    gather = reader.gather
    if size > MAX_EXTENDED:
        raise gather.stop(rules.TOO_MUCH, f"An extended header claims {size} bytes.", start)
    body = reader.source.read_at(reader.at, size)
    _pass_data(reader, size, start)
    if kind == b"L":
        reader.long_name = body.rstrip(b"\0")
    elif kind in (b"x", b"g"):
        records = _records(body)
        if records is None:
            raise gather.stop(rules.DAMAGED, "An extended header is not made of 'length key=value'.", start)
        if kind == b"g" and {"path", "linkpath", "size"} & records.keys():
            what = "A header for all members sets a name or a size, which cannot be that of each."
            raise gather.stop(rules.CONTRADICTS, what, start)
        unknown = records.pop(_UNKNOWN, None)
        if unknown is not None:
            what = f"An extended header has the key word {readable(unknown.decode('latin-1'))!r}, "
            gather.say(rules.SLACK, f"{what}which no standard knows.", start)
        (reader.own if kind == b"x" else reader.shared).update(records)


def _member(reader: _Reader, head: bytes, kind: bytes, size: int, start: int) -> bool:
    gather = reader.gather
    told = {**reader.shared, **reader.own}
    name = _name(reader, head, told)
    reader.own, reader.long_name = {}, None
    if not gather.room(name):
        return False
    path = name.decode("utf-8", "surrogateescape")
    if "size" in told:
        if not told["size"].isdigit() or len(told["size"]) > 18:
            raise gather.stop(rules.DAMAGED, "The size in the extended header is no number.", start, path)
        size = int(told["size"])
    sparse = _SPARSE in told
    if kind in _UNREAD or sparse or (kind not in _KINDS and kind != b"V"):
        what = _UNREAD.get(
            kind, "a sparse file" if sparse else f"an entry of kind {readable(chr(kind[0]))!r}"
        )
        rule = rules.IN_PARTS if kind in _IN_PARTS else rules.ENTRY_KIND
        if kind == b"1" and not size:
            _hard_link(reader, head, told, path, start)
            return True
        raise gather.stop(rule, f"{readable(path)!r} is {what}.", start, path)
    if kind == b"V":
        return True  # the name of the volume, for people
    entry = _KINDS[kind]
    if entry == "file" and name.endswith(b"/"):
        entry = "directory"  # as it was told before ustar
    if size and entry != "file":
        what = f"{readable(path)!r} is no file, and yet claims {size} bytes of content."
        raise gather.stop(rules.CONTRADICTS, what, start, path)
    gather.take(
        Member(path=path, kind=entry, size=size, offset=reader.at, stored=size, header=start)
    )  # fmt: skip
    _pass_data(reader, size, start, path)
    return True


def _hard_link(reader: _Reader, head: bytes, told: dict[str, bytes], path: str, start: int) -> None:
    """Another name for a member that went before. It is not followed; a target outside is never innocent."""
    raw = told.get("linkpath", head[157:257].split(b"\0", 1)[0])
    why = unsafe(raw.decode("utf-8", "surrogateescape"))
    if why is not None:
        what = f"{readable(path)!r} is a hard link whose target is refused: {why}."
        reader.gather.say(rules.NAME_UNSAFE, what, start, path)
        return
    what = f"{readable(path)!r} is a hard link; it was not followed."
    reader.gather.say(rules.ENTRY_KIND, what, start, path)
    reader.gather.take(Member(path=path, kind="unreadable", header=start, problem="it is a hard link"))


def _name(reader: _Reader, head: bytes, told: dict[str, bytes]) -> bytes:
    if "path" in told:
        name = told["path"]
    elif reader.long_name is not None:
        name = reader.long_name
    else:
        name = head[:100].split(b"\0", 1)[0]
        # Old GNU headers ("ustar" and two blanks) keep other things where ustar has the prefix.
        prefix = head[345:500].split(b"\0", 1)[0] if head[257:263] == b"ustar\0" else b""
        name = prefix + b"/" + name if prefix else name
    return name


def _pass_data(reader: _Reader, size: int, start: int, path: str | None = None) -> None:
    """Go to the next header; the bytes that fill the last block must be there, and zero."""
    left = reader.source.size - reader.at
    if size > left:
        what = f"The header claims {size} bytes of content, but only {max(left, 0)} bytes follow."
        raise reader.gather.stop(rules.CUT_SHORT, what, start, path)
    fill = tar_padding(size)
    padding = reader.source.read_at(reader.at + size, fill) if fill else b""
    reader.at += size + fill
    if len(padding) < fill:
        what = f"The archive ends after {reader.source.size} bytes, within a block."
        raise reader.gather.stop(rules.CUT_SHORT, what, start, path)
    if any(padding):
        reader.gather.say(rules.SLACK, "The bytes that fill the last block are not zero.", start, path)


def _end(reader: _Reader) -> None:
    """Two empty blocks, then nothing but zeros to the end of the archive."""
    source, gather = reader.source, reader.gather
    if reader.own or reader.long_name is not None:
        gather.say(rules.DAMAGED, "An extended header stands before the end, without a member.", reader.at)
    second = source.read_at(reader.at + BLOCK, BLOCK)
    if len(second) < BLOCK:
        gather.say(rules.SLACK, "The end mark has one empty block instead of two.", reader.at)
        return
    at = reader.at + BLOCK
    last = min(source.size, at + MAX_TRAILER)
    while at < last and (piece := source.read_at(at, min(last - at, 1 << 20))):
        if any(piece):
            what = f"After the end mark, {source.size - at} bytes follow that are not all zero."
            gather.say(rules.EXTRA_BYTES, what, at)
            return
        at += len(piece)
    if last < source.size:
        gather.say(rules.EXTRA_BYTES, f"{source.size - last} bytes after the end were not looked at.", last)


def _records(body: bytes) -> dict[str, bytes] | None:
    """The records of a pax header that matter here, None when it is not made of records."""
    out: dict[str, bytes] = {}
    at = 0
    while at < len(body):
        blank = body.find(b" ", at, at + 20)
        digits = body[at:blank] if blank > 0 else b""
        if not digits.isdigit():
            return None
        end = at + int(digits)
        if end <= blank + 1 or end > len(body) or body[end - 1 : end] != b"\n":
            return None
        key, equals, value = body[blank + 1 : end - 1].partition(b"=")
        if not equals or not key:
            return None
        if key in (b"path", b"linkpath", b"size"):
            out[key.decode()] = value
        elif key.startswith(b"GNU.sparse"):
            out[_SPARSE] = b""
        elif key not in _STANDARD and b"." not in key:
            out[_UNKNOWN] = key[:40]
        at = end
    return out


def _number(raw: bytes) -> int | None:
    """A numeric field: octal digits with blanks or NUL around, or the binary form of GNU tar; else None."""
    if raw[:1] == b"\x80":
        value = int.from_bytes(raw[1:], "big")
        return value if value < 1 << 63 else None
    digits = raw.strip(b" \0")
    if not digits:
        return 0
    if len(digits) > 21 or any(d not in b"01234567" for d in digits):
        return None
    return int(digits, 8)


def _checksum_fits(head: bytes) -> bool:
    """Sum of all bytes, the field itself counted as blanks; old programs summed signed bytes."""
    told = _number(head[148:156])
    if len(head) < BLOCK or told is None:
        return False
    rest = head[:148] + head[156:BLOCK]
    unsigned = sum(rest) + 8 * 32
    if told == unsigned:
        return True
    return told == unsigned - 256 * sum(byte > 127 for byte in rest)


def _checksum_usual(head: bytes) -> bool:
    return head[154:156] == b"\0 " and all(d in b"01234567" for d in head[148:154])
