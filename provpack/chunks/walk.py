"""Walks a RIFF, RF64, BW64 or RIFX file chunk by chunk, never trusting a size it declares.

Sources: RIFF/WAVE 1991 (chunk, pad byte, WAVE form), EBU Tech 3306 Annex A and ITU-R BS.2088-2 (RF64, BW64,
ds64). The policies for files that break them are our own: walk by chunks to the end of the file, believe
bytes rather than sizes, say what was found. The audio itself is never read.
"""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

from provpack.chunks import rules
from provpack.chunks.ds64 import Sizes, parse_ds64
from provpack.chunks.essence import Essence
from provpack.chunks.headers import Order, after_odd, chain_reaches, printable
from provpack.chunks.layout import Chunk, DataSpan, Ds64, Form, Format, Layout, Pad
from provpack.chunks.limits import MAX_CHUNKS, U32, Collector, grouped, id_text
from provpack.chunks.source import ByteSource

__all__ = ["Chunk", "DataSpan", "Ds64", "Form", "Format", "Layout", "Pad", "read_layout"]

STREAMED = 0x7FFF_F000
"""What one streaming writer puts for an unknown length; others use the top of the 32-bit range."""


def read_layout(source: ByteSource, name: str = "") -> Layout:
    """What the file holds and what is wrong with it.

    source: the whole file. name: how findings call it. Raises nothing of its own (an error of the source
    passes through); reads at most about 30 bytes per chunk and at most MAX_CHUNKS chunks.
    """
    return _Walker(source, name).run()


def looks_streamed(size: int) -> bool:
    """Whether a 32-bit size is one that streaming writers leave behind."""
    return STREAMED <= size <= STREAMED + 0x1000 or size >= 0xFFFF_FF00


class _Walker:
    def __init__(self, source: ByteSource, name: str) -> None:
        self.source = source
        self.size = source.size
        self.name = name
        self.found = Collector(name)
        self.sizes = Sizes(self.found)
        self.chunks: list[Chunk] = []
        self.order: Order = "little"
        self.form: Form = "RIFF"
        self.field = 0
        self.stop_told = False
        self.seen_data = False
        self.interrupted = False

    def run(self) -> Layout:
        head = self.source.read_at(0, 12)
        magic = next((f for f in get_args(Form) if head[:4] == f.encode()), None)
        if len(head) < 12 or magic is None or head[8:12] != b"WAVE":
            return self._not_wave(head)
        self.form = magic
        self.order = "big" if magic == "RIFX" else "little"
        self.field = self._u32(head[4:8])
        end = self._walk()
        declared = self._declared()
        self._judge_riff_size(end, declared)
        fmt, data = Essence(
            source=self.source,
            chunks=tuple(self.chunks),
            found=self.found,
            form=magic,
            ds64=self.sizes.ds64,
            missing=0 if looks_streamed(declared) else max(declared + 8 - self.size, 0),
            interrupted=self.interrupted,
        ).find()
        return Layout(
            form=magic,
            declared_size=declared,
            file_size=self.size,
            chunks=tuple(self.chunks),
            format=fmt,
            data=data,
            ds64=self.sizes.ds64,
            trailing_bytes=self.size - end,
            findings=self.found.done(),
            name=self.name,
        )

    def _u32(self, raw: bytes) -> int:
        return int.from_bytes(raw[:4], self.order)

    def _peek(self, offset: int) -> bytes:
        return self.source.read_at(offset, 8)

    def _declared(self) -> int:
        """The RIFF size in force: ds64's where the 32-bit field is the sentinel."""
        if self.sizes.ds64 is not None and self.field == U32:
            return self.sizes.ds64.riff_size
        return self.field

    # -- the walk ------------------------------------------------------------------------------------

    def _walk(self) -> int:
        """Lists the chunks; returns where the last one ends."""
        position = 12
        while self.size - position >= 8 and not self.interrupted:
            if len(self.chunks) >= MAX_CHUNKS:
                self.stop_told = True
                self.found.add(
                    rules.TOO_MANY,
                    f"More than {grouped(MAX_CHUNKS)} chunks; {grouped(self.size - position)} bytes left.",
                    offset=position,
                )
                break
            following = self._one(position)
            if following is None:
                break
            position = following
        if self.size > position and not self.stop_told:
            self._trailing(position)
        return min(position, self.size)

    def _one(self, offset: int) -> int | None:
        """Lists the chunk at offset; returns where the next header is, None when there is no chunk."""
        head = self.source.read_at(offset, 12)
        inside = self.field == U32 or offset < 8 + self._declared()
        if len(head) < 8 or not printable(head[:4]):
            if inside:
                self._no_chunk(offset, head)
            return None
        chunk_id, field = head[:4], self._u32(head[4:8])
        start = offset + 8
        room = self.size - start
        declared = self.sizes.resolve(chunk_id, field, offset, room)
        if declared > room and not inside and chunk_id not in (b"data", b"fmt "):
            return None
        size = min(declared, room)
        chunk = Chunk(
            id=chunk_id,
            offset=offset,
            data_offset=start,
            declared_size=declared,
            size=size,
            pad="none",
            list_type=head[8:12] if chunk_id == b"LIST" and size >= 4 else None,
        )
        if declared > room:
            self._cut_short(chunk, room)
            self.chunks.append(chunk)
            return self.size
        following = start + size
        if size % 2:
            following, pad = after_odd(self._peek, following, self.size, self.order)
            chunk = replace(chunk, pad=pad)
            self._judge_pad(chunk)
        first_data = chunk_id == b"data" and not self.seen_data
        self.seen_data |= first_data
        self.chunks.append(chunk)
        self._special(chunk)
        if first_data and size == 0:
            self._judge_empty_data(chunk)
        return following

    def _special(self, chunk: Chunk) -> None:
        """Chunks that change how the rest is read, or that are refused."""
        at = chunk.offset
        if chunk.id == b"ds64" and self.form in ("RF64", "BW64") and self.sizes.ds64 is None:
            body = self.source.read_at(chunk.data_offset, min(chunk.size, 28 + 12 * 4096))
            self.sizes.learn(parse_ds64(body, chunk.data_offset, self.found))
            if at != 12:
                self.found.add(
                    rules.DS64_LATE, f"The ds64 chunk stands at offset {at}, not 12.", offset=at, chunk="ds64"
                )
        elif chunk.list_type == b"wavl":
            self.found.add(
                rules.SEGMENTED,
                "The audio is a list of segments (LIST wavl); such files are not read.",
                offset=at,
                chunk="LIST",
            )
        elif chunk.id in (b"list", b"junk"):
            self.found.add(
                rules.LOWER_CASE,
                f"Chunk '{chunk.name}': ids are case-sensitive, this is not '{chunk.name.upper()}'.",
                offset=at,
                chunk=chunk.name,
            )

    def _judge_empty_data(self, data: Chunk) -> None:
        """Whether chunks follow a data chunk of size 0; when not, audio does and the walk ends."""
        rest = self.size - data.data_offset
        if rest == 0 or chain_reaches(self._peek, data.data_offset, self.size, self.order):
            return
        self.stop_told = self.interrupted = True
        self.found.add(
            rules.INTERRUPTED,
            f"The data chunk says 0 bytes, yet {grouped(rest)} bytes follow that are no chunks: the writer "
            "never came back to fill in the size.",
            offset=data.offset,
            chunk="data",
        )

    # -- what is said about it -----------------------------------------------------------------------

    def _cut_short(self, chunk: Chunk, room: int) -> None:
        claim = (
            f"Chunk '{chunk.name}' claims {grouped(chunk.declared_size)} bytes but {grouped(room)} remain."
        )
        rule = rules.CHUNK_CUT
        if chunk.id == b"data":
            rule = rules.DATA_CUT
            if self.sizes.ds64 is None and looks_streamed(chunk.declared_size):
                rule = rules.DATA_STREAMED
                claim += (
                    " Writers that stream leave such a size; chunks after the audio, if any, cannot be told "
                    "from it."
                )
        self.found.add(rule, claim, offset=chunk.offset, chunk=chunk.name)

    def _judge_pad(self, chunk: Chunk) -> None:
        end = chunk.data_offset + chunk.size
        if chunk.pad == "absent":
            where = "the file ends" if end >= self.size else "the next chunk starts"
            self.found.add(
                rules.PAD_MISSING,
                f"Chunk '{chunk.name}' has the odd size {chunk.size}; {where} without a pad byte.",
                offset=end,
                chunk=chunk.name,
            )
        elif chunk.pad == "nonzero":
            value = self.source.read_at(end, 1).hex()
            self.found.add(
                rules.PAD_NOT_ZERO,
                f"The pad byte of chunk '{chunk.name}' is 0x{value}, not 0.",
                offset=end,
                chunk=chunk.name,
            )

    def _no_chunk(self, offset: int, head: bytes) -> None:
        self.stop_told = True
        after = f" after chunk '{self.chunks[-1].name}'" if self.chunks else ""
        audio = " They may be audio." if self.chunks and self.chunks[-1].id == b"data" else ""
        self.found.add(
            rules.ID_UNREADABLE,
            f"No chunk starts here{after} (found '{id_text(head[:4])}'); {grouped(self.size - offset)} bytes "
            f"are left unread.{audio}",
            offset=offset,
        )

    def _trailing(self, offset: int) -> None:
        count = self.size - offset
        sample = self.source.read_at(offset, 65536)
        kind = "zero bytes" if not any(sample) and len(sample) == count else "bytes"
        audio = " They may be audio." if self.chunks and self.chunks[-1].id == b"data" else ""
        self.found.add(
            rules.TRAILING, f"{grouped(count)} {kind} follow the last chunk.{audio}", offset=offset
        )

    def _judge_riff_size(self, end: int, declared: int) -> None:
        if self.form in ("RF64", "BW64"):
            if self.sizes.ds64 is None:
                self.found.add(
                    rules.NO_DS64, f"The file starts with {self.form} but has no usable ds64.", offset=12
                )
            if self.field != U32:
                self.found.add(
                    rules.DS64_UNUSED,
                    f"The {self.form} header has the 32-bit size {self.field} where 0xFFFFFFFF is expected.",
                    offset=4,
                )
        if self.field == U32 and self.sizes.ds64 is None:
            if self.form in ("RIFF", "RIFX"):
                self.found.add(rules.RIFF_SIZE_UNSET, "The RIFF size is 0xFFFFFFFF.", offset=4)
            return
        if declared + 8 in (self.size, end):
            return
        if looks_streamed(declared) and declared + 8 > self.size:
            self.found.add(
                rules.RIFF_SIZE_UNSET, f"The RIFF size is 0x{declared:08X}: never filled in.", offset=4
            )
            return
        self.found.add(
            rules.RIFF_SIZE_WRONG,
            f"The RIFF size says the file has {grouped(declared + 8)} bytes; it has {grouped(self.size)}, "
            f"and its chunks end at {grouped(end)}.",
            offset=4,
        )

    def _not_wave(self, head: bytes) -> Layout:
        what = "The file is empty." if not head else f"The file starts with '{id_text(head[:4])}'"
        if head and len(head) < 12:
            what = f"The file has only {self.size} bytes; a WAVE header needs 12."
        elif head:
            what += f" and '{id_text(head[8:12])}', not with RIFF and WAVE."
        self.found.add(rules.NOT_RIFF, what, offset=0)
        return Layout(
            form=None,
            declared_size=0,
            file_size=self.size,
            chunks=(),
            format=None,
            data=None,
            ds64=None,
            trailing_bytes=0,
            findings=self.found.done(),
            name=self.name,
        )
