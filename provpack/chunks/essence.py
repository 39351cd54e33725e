"""Format and audio of a walked file: which fmt and data chunk count, how many whole frames are there."""

from __future__ import annotations

from dataclasses import dataclass

from provpack.chunks import rules
from provpack.chunks.fmt import parse_format
from provpack.chunks.headers import Order
from provpack.chunks.layout import Chunk, DataSpan, Ds64, Form, Format
from provpack.chunks.limits import U32, Collector, grouped
from provpack.chunks.source import ByteSource

FMT_READ = 4096
"""Bytes read of a fmt chunk; 40 are ever needed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Essence:
    """What the walk learned.

    missing: bytes by which the RIFF size exceeds the file (0 where that size means nothing). interrupted:
    the walk has already told that audio follows an empty data chunk.
    """

    source: ByteSource
    chunks: tuple[Chunk, ...]
    found: Collector
    form: Form
    ds64: Ds64 | None
    missing: int
    interrupted: bool

    def find(self) -> tuple[Format | None, DataSpan | None]:
        """Format and audio, each None where missing or unusable, with findings that say why."""
        if self.form == "RIFX":
            self._refuse_rifx()
            return None, None
        fmts, datas = self._all(b"fmt "), self._all(b"data")
        fmt = self._fmt(fmts[0], self.found) if fmts else None
        if not fmts:
            self.found.add(rules.NO_FMT, "There is no fmt chunk.")
        if len(fmts) > 1:
            self.found.add(rules.SEVERAL_FMT, f"{len(fmts)} fmt chunks.", offset=fmts[1].offset, chunk="fmt ")
        if not datas:
            if not any(c.list_type == b"wavl" for c in self.chunks):
                self.found.add(rules.NO_DATA, "There is no data chunk.")
            return fmt, None
        if len(datas) > 1:
            self.found.add(
                rules.SEVERAL_DATA, f"{len(datas)} data chunks.", offset=datas[1].offset, chunk="data"
            )
        if fmts and fmts[0].offset > datas[0].offset:
            self.found.add(
                rules.FMT_AFTER_DATA, "The fmt chunk stands after data.", offset=fmts[0].offset, chunk="fmt "
            )
        return fmt, self._span(datas[0], fmt)

    def _all(self, chunk_id: bytes) -> list[Chunk]:
        return [c for c in self.chunks if c.id == chunk_id]

    def _fmt(self, chunk: Chunk, found: Collector, order: Order = "little") -> Format | None:
        body = self.source.read_at(chunk.data_offset, min(chunk.size, FMT_READ))
        return parse_format(body, chunk.data_offset, found, order)

    def _span(self, chunk: Chunk, fmt: Format | None) -> DataSpan:
        size = chunk.size
        if size == 0:
            self._empty(chunk)
        elif fmt is not None and fmt.encoding != "other":
            left = size % fmt.frame_bytes
            size -= left
            if left and not size:
                what = f"The audio has {grouped(left)} bytes, less than one frame of {fmt.frame_bytes} bytes."
                self.found.add(rules.DATA_EMPTY, what, offset=chunk.offset, chunk="data")
            elif left:
                self.found.add(
                    rules.DATA_PARTIAL,
                    f"The audio has {grouped(chunk.size)} bytes: {grouped(size // fmt.frame_bytes)} frames "
                    f"of {fmt.frame_bytes} bytes and {left} bytes more.",
                    offset=chunk.data_offset + size,
                    chunk="data",
                )
        if fmt is not None and fmt.encoding != "other":
            self._judge_counts(size // fmt.frame_bytes)
        return DataSpan(offset=chunk.data_offset, size=size, declared_size=chunk.declared_size)

    def _empty(self, chunk: Chunk) -> None:
        """A data chunk without bytes that chunks follow: cut off, or really empty."""
        if self.interrupted:
            return
        if self.missing:
            self.found.add(
                rules.INTERRUPTED,
                f"The data chunk says 0 bytes, while the RIFF size speaks of {grouped(self.missing)} bytes "
                "more than the file has.",
                offset=chunk.offset,
                chunk="data",
            )
            return
        self.found.add(rules.DATA_EMPTY, "The data chunk has 0 bytes.", offset=chunk.offset, chunk="data")

    def _judge_counts(self, frames: int) -> None:
        """ds64 sampleCount (a dummy in BW64) and fact against the audio that is there."""
        ds64 = self.ds64
        if ds64 is not None and self.form == "RF64" and ds64.sample_count != frames:
            self.found.add(
                rules.SAMPLE_COUNT,
                f"The ds64 chunk says {grouped(ds64.sample_count)} frames; the audio has {grouped(frames)}.",
                offset=12,
                chunk="ds64",
            )
        for fact in self._all(b"fact")[:1]:
            body = self.source.read_at(fact.data_offset, min(fact.size, 4))
            value = int.from_bytes(body, "little")
            if len(body) < 4 or value == frames or self.form == "BW64" or (ds64 and value == U32):
                continue
            self.found.add(
                rules.FACT_DIFFERS,
                f"The fact chunk says {grouped(value)} frames; the audio has {grouped(frames)}.",
                offset=fact.offset,
                chunk="fact",
            )

    def _refuse_rifx(self) -> None:
        fmts = self._all(b"fmt ")
        fmt = self._fmt(fmts[0], Collector(""), "big") if fmts else None
        told = ""
        if fmt:
            told = f" It states {fmt.channels} channels, {fmt.sample_rate} Hz, {fmt.bits_per_sample} bits."
        self.found.add(
            rules.RIFX, f"The file is big-endian (RIFX); its audio is not read here.{told}", offset=0
        )
