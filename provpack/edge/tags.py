"""The door to mutagen: what a FLAC file says about itself (RFC 9639: STREAMINFO, Vorbis comment), and the
Vorbis comment of one we write.

Only these two metadata blocks are read, each bounded; mutagen never sees the file itself, so a hostile
block length cannot make it read or allocate more. It is not used for RIFF at all (see chunks).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from provpack.chunks.source import ByteSource
from provpack.errors import EnvironmentProblem, InputProblem

FLAC_MAGIC = b"fLaC"
MAX_BLOCKS = 4096
MAX_COMMENT = 1024 * 1024
"""Bytes of a Vorbis comment that is read."""

STREAMINFO, VORBIS_COMMENT = 0, 4
BLOCK_NAMES = {
    0: "STREAMINFO", 1: "PADDING", 2: "APPLICATION", 3: "SEEKTABLE", 4: "VORBIS_COMMENT", 5: "CUESHEET",
    6: "PICTURE",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FlacBlock:
    """One metadata block: offset is that of its 4-byte header, size that of its body in bytes."""

    name: str
    offset: int
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FlacFacts:
    """STREAMINFO and the Vorbis comments.

    frames: None when the encoder did not know. md5: hex, over the decoded samples; None when not computed,
    which is no evidence of anything. comments: (key, value) in file order. problem: what could not be read,
    "" when all could.
    """

    sample_rate: int
    channels: int
    bits_per_sample: int
    frames: int | None
    md5: str | None
    vendor: str
    comments: tuple[tuple[str, str], ...]
    blocks: tuple[FlacBlock, ...]
    problem: str = ""


def read_flac(source: ByteSource, name: str) -> FlacFacts:
    """The facts of a FLAC stream. Raises InputProblem when STREAMINFO cannot be read."""
    library = _library("FLAC metadata cannot be read", name)
    faults = (library.MutagenError, ValueError, IndexError, KeyError, EOFError, struct.error)
    stream_info, vorbis_comment = library.StreamInfo, library.VCFLACDict
    blocks, problem = _blocks(source)
    if source.read_at(0, 4) != FLAC_MAGIC or not blocks or blocks[0].name != "STREAMINFO":
        raise _refused("its first block is not STREAMINFO", name)
    try:
        info = stream_info(_body(source, blocks[0]))
    except faults as err:
        raise _refused(f"STREAMINFO cannot be read ({err})", name) from None
    vendor = ""
    comments: tuple[tuple[str, str], ...] = ()
    for block in [b for b in blocks if b.name == "VORBIS_COMMENT"][:1]:
        if block.size > MAX_COMMENT:
            problem = f"the Vorbis comment at offset {block.offset} has {block.size} bytes and was not read"
            break
        try:
            tags = vorbis_comment(_body(source, block))
            vendor = str(tags.vendor)
            comments = tuple((str(key), str(value)) for key, value in list(tags))
        except faults as err:
            problem = f"the Vorbis comment at offset {block.offset} cannot be read ({err})"
    return FlacFacts(
        sample_rate=info.sample_rate,
        channels=info.channels,
        bits_per_sample=info.bits_per_sample,
        frames=info.total_samples or None,
        md5=f"{info.md5_signature:032x}" if info.md5_signature else None,
        vendor=vendor,
        comments=comments,
        blocks=blocks,
        problem=problem,
    )


def build_vorbis_comment(vendor: str, comments: Sequence[tuple[str, str]]) -> bytes:
    """The body of a VORBIS_COMMENT block. vendor: the encoder library. Raises InputProblem for a key or text
    that cannot stand there."""
    library = _library("FLAC tags cannot be written", "Vorbis comment")
    tags = library.VCFLACDict()
    tags.vendor = vendor
    tags.extend([(key, value) for key, value in comments])
    try:
        tags.validate()
        return bytes(tags.write(framing=False))
    except (ValueError, UnicodeError) as err:
        raise InputProblem(
            "flac-tags", f"The FLAC tags cannot be written: {err}.", where="Vorbis comment",
            todo="Correct the text of the record; it must be Unicode text.",
        ) from None  # fmt: skip


def _library(what: str, name: str) -> Any:
    try:
        from mutagen import flac
    except ImportError:
        raise EnvironmentProblem(
            "mutagen-missing", f"{what}: the library mutagen is not installed.",
            where=name, todo="Install mutagen into the same environment as provpack.",
        ) from None  # fmt: skip
    return flac


def _body(source: ByteSource, block: FlacBlock) -> bytes:
    return source.read_at(block.offset + 4, block.size)


def _blocks(source: ByteSource) -> tuple[tuple[FlacBlock, ...], str]:
    """Metadata blocks up to the last one, and what is wrong with them ("" for nothing)."""
    blocks: list[FlacBlock] = []
    offset = 4
    for _ in range(MAX_BLOCKS):
        head = source.read_at(offset, 4)
        if len(head) < 4:
            return tuple(blocks), f"the metadata blocks end at offset {offset}, before the last one"
        size = int.from_bytes(head[1:], "big")
        kind = head[0] & 0x7F
        room = source.size - offset - 4
        if size > room:
            return tuple(blocks), f"the block at offset {offset} claims {size} bytes but {room} remain"
        blocks.append(FlacBlock(name=BLOCK_NAMES.get(kind, f"type {kind}"), offset=offset, size=size))
        offset += 4 + size
        if head[0] & 0x80:
            return tuple(blocks), ""
    return tuple(blocks), f"there are more than {MAX_BLOCKS} metadata blocks"


def _refused(why: str, name: str) -> InputProblem:
    return InputProblem(
        "flac-unreadable", f"The FLAC file cannot be read: {why}.", where=name,
        todo="Test it with `flac -t`, or ask for a good copy.",
    )  # fmt: skip
