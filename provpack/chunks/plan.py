"""Plans a new master around the audio of a received one, as values: nothing is written here.

The file is written in one pass, so everything before and after the audio has a known size from the start;
what is only known after the audio was read goes into a tail of fixed size. Sources: RIFF/WAVE 1991 (order,
pad bytes), EBU Tech 3306 Annex A (RF64, ds64 first).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from provpack.chunks.ds64 import build_ds64
from provpack.chunks.headers import printable
from provpack.chunks.layout import FILLERS, Chunk, DataSpan, Format, Layout
from provpack.chunks.limits import U32, id_text
from provpack.errors import Bug, InputProblem

FormWanted = Literal["auto", "RF64", "BW64"]
OutForm = Literal["RIFF", "RF64", "BW64"]

REPLACED_IDS = FILLERS | {b"bext", b"cue ", b"axml", b"ds64"}
REPLACED_LISTS = frozenset({b"INFO", b"adtl"})
FILLER_HEAD = 8
"""The smallest filler: a JUNK header alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Literal_:
    """Bytes to be written as they are."""

    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyRange:
    """A range of the received file to be copied."""

    offset: int
    size: int
    kind: Literal["audio", "chunk"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tail:
    """Room for the bytes of fill_tail, always last."""

    size: int


Segment = Literal_ | CopyRange | Tail


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterPlan:
    """The new file, segment by segment.

    data_offset, data_size: the audio in the new file. carried: chunks of the received file that go over
    byte for byte (fmt and data not counted). replaced: chunks left out because new ones stand for them, and
    fillers.
    """

    form: OutForm
    segments: tuple[Segment, ...]
    total_size: int
    data_offset: int
    data_size: int
    carried: tuple[Chunk, ...]
    replaced: tuple[Chunk, ...]
    after_budget: int


def plan_master(
    layout: Layout,
    *,
    before: Sequence[tuple[bytes, bytes]] = (),
    after_budget: int = 0,
    form_wanted: FormWanted = "auto",
) -> MasterPlan:
    """The plan of a new file.

    before: (id, body) of new chunks to stand ahead of fmt. after_budget: bytes of the tail, even; leave 8
    more than its chunks need (see tail_size). form_wanted: auto writes RIFF and, where that is too small,
    RF64. In RF64 and BW64, carried chunks of odd size that stood ahead of the audio move behind it:
    libsndfile 1.2.0 does not step over their pad byte there and would refuse the file [measured]. Give new
    leading chunks an even size for the same reason (build_bext does). Raises InputProblem when the received
    file has no usable audio, Bug for a wrong argument.
    """
    fmt, data = _audio(layout)
    if after_budget < 0 or after_budget % 2 or 0 < after_budget < FILLER_HEAD:
        raise _bug(f"a tail of {after_budget} bytes; it must be even, and 0 or at least {FILLER_HEAD}")
    fmt_chunk = next(c for c in layout.chunks if c.id == b"fmt ")
    data_chunk = next(c for c in layout.chunks if c.data_offset == data.offset and c.id == b"data")
    others = [c for c in layout.chunks if c is not fmt_chunk and c is not data_chunk]
    replaced = tuple(c for c in others if is_replaced(c))
    carried = tuple(c for c in others if not is_replaced(c))
    content = 4 + sum(_padded(len(body)) for _, body in before) + after_budget
    content += sum(_padded(size) for size in (data.size, fmt_chunk.size, *(c.size for c in carried)))
    form: OutForm = "RIFF" if form_wanted == "auto" else form_wanted
    if form == "RIFF" and max(content, data.size) > U32:
        form = "RF64"
    ahead = [c for c in carried if c.offset < data_chunk.offset and (form == "RIFF" or c.size % 2 == 0)]
    moved = {c.offset for c in ahead}
    behind = [c for c in carried if c.offset not in moved]
    parts = _Parts()
    if form == "RIFF":
        parts.literal(b"RIFF" + content.to_bytes(4, "little") + b"WAVE")
    else:
        table = tuple((c.id, c.size) for c in (*ahead, *behind) if c.size >= U32)
        if any(chunk_id in (b"data", b"fmt ") for chunk_id, _ in table):
            raise _refused(layout, "it has a second data or fmt chunk of more than 4 GiB")
        content += _padded(28 + 12 * len(table))
        samples = 0 if form == "BW64" else data.size // fmt.frame_bytes
        sizes = build_ds64(content, data.size, samples, table)
        parts.literal(form.encode("ascii") + U32.to_bytes(4, "little") + b"WAVE")
        parts.chunk(b"ds64", sizes)
    for chunk_id, body in before:
        parts.chunk(chunk_id, body)
    for chunk in (fmt_chunk, *ahead):
        parts.copy(chunk.id, chunk.data_offset, chunk.size, "chunk")
    parts.header(b"data", data.size if form == "RIFF" else U32)
    data_offset = parts.size
    parts.range(data.offset, data.size, "audio")
    for chunk in behind:
        parts.copy(chunk.id, chunk.data_offset, chunk.size, "chunk")
    segments = parts.done(after_budget)
    return MasterPlan(
        form=form,
        segments=segments,
        total_size=content + 8,
        data_offset=data_offset,
        data_size=data.size,
        carried=carried,
        replaced=replaced,
        after_budget=after_budget,
    )


def is_replaced(chunk: Chunk) -> bool:
    """Whether new chunks stand for it in a master, or it is mere filler; all others are carried over."""
    return chunk.id in REPLACED_IDS or chunk.list_type in REPLACED_LISTS


def tail_size(chunks: Iterable[tuple[bytes, int]]) -> int:
    """Bytes that chunks of such (id, body size) need in the tail, with room for the filler's header."""
    return sum(_padded(size) for _, size in chunks) + FILLER_HEAD


def fill_tail(plan: MasterPlan, chunks: Sequence[tuple[bytes, bytes]]) -> bytes:
    """Exactly plan.after_budget bytes: the chunks, each padded, then a JUNK filler for the rest.

    Raises Bug when they do not fit, or leave 2 to 6 bytes, which no chunk can fill.
    """
    body = b"".join(_header(cid, len(data)) + data + b"\0" * (len(data) % 2) for cid, data in chunks)
    left = plan.after_budget - len(body)
    if left == 0:
        return body
    if left < FILLER_HEAD:
        raise _bug(
            f"{len(body)} bytes of chunks in a tail of {plan.after_budget}: leave 0 or 8 bytes and more"
        )
    return body + _header(b"JUNK", left - FILLER_HEAD) + bytes(left - FILLER_HEAD)


class _Parts:
    """Segments in the making; literals that meet become one."""

    def __init__(self) -> None:
        self.size = 0
        self._segments: list[Segment] = []
        self._pending = b""

    def literal(self, data: bytes) -> None:
        self._pending += data
        self.size += len(data)

    def header(self, chunk_id: bytes, size: int) -> None:
        self.literal(_header(chunk_id, min(size, U32)))

    def chunk(self, chunk_id: bytes, body: bytes) -> None:
        self.header(chunk_id, len(body))
        self.literal(body + b"\0" * (len(body) % 2))

    def range(self, offset: int, size: int, kind: Literal["audio", "chunk"]) -> None:
        self._flush()
        if size:
            self._segments.append(CopyRange(offset=offset, size=size, kind=kind))
        self.size += size
        self.literal(b"\0" * (size % 2))

    def copy(self, chunk_id: bytes, offset: int, size: int, kind: Literal["audio", "chunk"]) -> None:
        self.header(chunk_id, size)
        self.range(offset, size, kind)

    def done(self, tail: int) -> tuple[Segment, ...]:
        self._flush()
        if tail:
            self._segments.append(Tail(size=tail))
        return tuple(self._segments)

    def _flush(self) -> None:
        if self._pending:
            self._segments.append(Literal_(data=self._pending))
            self._pending = b""


def _audio(layout: Layout) -> tuple[Format, DataSpan]:
    if layout.form is None or layout.form == "RIFX":
        raise _refused(layout, "it is no RIFF, RF64 or BW64 WAVE file")
    if layout.format is None or layout.data is None:
        raise _refused(layout, "it has no usable fmt and data chunks")
    if layout.data.size == 0:
        raise _refused(layout, "its data chunk holds no whole frame")
    return layout.format, layout.data


def _padded(size: int) -> int:
    return 8 + size + size % 2


def _header(chunk_id: bytes, size: int) -> bytes:
    if not printable(chunk_id) or not 0 <= size <= U32:
        raise _bug(f"chunk '{id_text(chunk_id)}' of {size} bytes")
    return chunk_id + size.to_bytes(4, "little")


def _refused(layout: Layout, why: str) -> InputProblem:
    return InputProblem(
        "wav-not-wrappable",
        f"No master can be made from the file: {why}.",
        where=layout.name or "received file",
        todo="Look at it with `inspect`; transfer again, or hand in a file with audio.",
    )


def _bug(what: str) -> Bug:
    return Bug(
        "master-plan", f"The plan of the new file does not add up: {what}.", where="chunks.plan",
        todo="Report this with the command and, if you may, the first and last 64 KiB of the file.",
    )  # fmt: skip
