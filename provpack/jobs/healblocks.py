"""Look for the blocks of one master in every damaged copy of it, also where its bytes have moved.

A block that is found has its SHA-256 from the package's block digests; where in a copy it lies does not
matter. Three places are tried first: where it was, moved by the change of length, and where the file's chunks
now say that the audio begins. If a block is then nowhere, what stands beside it in another copy is looked for
in this one: bytes put in or cut out more than once move the rest by amounts that only this tells. At last,
moves are tried (healshift.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from provpack.chunks.source import ByteSource
from provpack.chunks.walk import read_layout
from provpack.edge.place import Place
from provpack.errors import CouldNotCheck
from provpack.jobs.healshift import Shifts
from provpack.jobs.localise import sha256_of
from provpack.package.bagblocks import BlockDigests, BlockRange, ranges
from provpack.package.healstock import Piece

_PIECE = 1024 * 1024
_MARK = 64
"""Bytes of another copy that are looked for."""
_MARKS = 32
_SHIFTS = 16

Told = Callable[[int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A file of a copy in which the master's bytes may be."""

    copy: int
    place: Place
    path: str
    size: int


@dataclass(slots=True, kw_only=True)
class Seen:
    """What was found in one file. blocks: block number -> offset in that file. head, tail: their offsets.
    unreadable: blocks over which reading failed; -1 is the head, the number of blocks the tail."""

    where: Candidate
    blocks: dict[int, int] = field(default_factory=dict)
    head: int | None = None
    tail: int | None = None
    unreadable: set[int] = field(default_factory=set)


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockMap:
    """The master as all copies together hold it."""

    digests: BlockDigests
    seen: tuple[Seen, ...]

    @property
    def lost_blocks(self) -> tuple[int, ...]:
        """Blocks that no copy holds, ascending."""
        held = {n for one in self.seen for n in one.blocks}
        return tuple(n for n in range(len(self.digests.blocks)) if n not in held)

    @property
    def lost_ranges(self) -> tuple[BlockRange, ...]:
        return ranges(self.digests, self.lost_blocks)

    @property
    def head_lost(self) -> bool:
        return all(one.head is None for one in self.seen)

    @property
    def tail_lost(self) -> bool:
        return all(one.tail is None for one in self.seen)

    @property
    def lost_parts(self) -> tuple[int, ...]:
        """lost_blocks, with -1 for a lost head and the number of blocks for a lost tail."""
        return (*[-1] * self.head_lost, *self.lost_blocks, *[len(self.digests.blocks)] * self.tail_lost)

    @property
    def complete(self) -> bool:
        return not (self.lost_blocks or self.head_lost or self.tail_lost)

    @property
    def lost_bytes(self) -> int:
        """Bytes that would have to come from elsewhere."""
        d = self.digests
        lost = sum(d.span(n)[1] for n in self.lost_blocks)
        return lost + d.audio_offset * self.head_lost + tail_bytes(d) * self.tail_lost

    def pieces(self) -> tuple[Piece, ...]:
        """The whole file in order, from the first copy that has each part; neighbours joined."""
        d = self.digests
        out: list[Piece] = []

        def add(one: Seen, offset: int, length: int, part: str, block: int = 0) -> None:
            at = one.where.copy, one.where.path
            last = out[-1] if out else None
            if (
                last is not None
                and part == last.part == "blocks"
                and (last.copy, last.path) == at
                and last.offset + last.length == offset
            ):
                out[-1] = Piece(
                    copy=last.copy, path=last.path, offset=last.offset, length=last.length + length,
                    first=last.first, last=block,
                )  # fmt: skip
            elif length or part != "blocks":
                out.append(
                    Piece(copy=at[0], path=at[1], offset=offset, length=length, part=part, first=block,
                          last=block)
                )  # fmt: skip

        for one in self.seen:
            if one.head is not None:
                add(one, one.head, d.audio_offset, "head")
                break
        for n in range(len(d.blocks)):
            holder = next(one for one in self.seen if n in one.blocks)
            add(holder, holder.blocks[n], d.span(n)[1], "blocks", n)
        for one in self.seen:
            if one.tail is not None:
                add(one, one.tail, tail_bytes(d), "tail")
                break
        return tuple(out)


def tail_bytes(digests: BlockDigests) -> int:
    """Bytes of the master after its audio."""
    return digests.file_bytes - digests.audio_offset - digests.audio_bytes


def search(digests: BlockDigests, candidates: Sequence[Candidate], told: Told) -> BlockMap:
    """Everything of this master that the files hold. What cannot be read is simply not found there."""
    seen = [Seen(where=where) for where in candidates]
    for one in seen:
        with _opened(one) as source:
            if source is None:
                one.unreadable.update(range(-1, len(digests.blocks) + 1))
            else:
                _look(one, source, digests, _first_shifts(source, digests), told)
    found = BlockMap(digests=digests, seen=tuple(seen))
    if not found.complete and len(seen) > 1:
        lost = found.lost_parts
        for one in seen:
            _look_beside(one, seen, digests, lost, told)
    for one in seen:
        if not found.complete:
            _look_around(one, digests, found, told)
    return found


class _opened:
    """The file of a candidate, None when it cannot be opened."""

    def __init__(self, one: Seen) -> None:
        self._one = one
        self._file: Any = None

    def __enter__(self) -> ByteSource | None:
        self._file = self._one.where.place.open(self._one.where.path)
        try:
            source: ByteSource = self._file.__enter__()
        except (CouldNotCheck, OSError):
            self._file = None
            return None
        return source

    def __exit__(self, *raised: object) -> None:
        if self._file is not None:
            self._file.__exit__(*raised)


def _first_shifts(source: ByteSource, digests: BlockDigests) -> list[int]:
    shifts = [0, source.size - digests.file_bytes]
    try:
        data = read_layout(source).data
    except OSError:
        data = None
    if data is not None:
        shifts.append(data.offset - digests.audio_offset)
    return list(dict.fromkeys(shifts))


def _look(one: Seen, source: ByteSource, digests: BlockDigests, shifts: Sequence[int], told: Told) -> None:
    """Try every part not found yet at each shift (bytes by which it may have moved)."""
    for shift in shifts:
        start = digests.audio_offset + shift
        for n, wanted in enumerate(digests.blocks):
            if n not in one.blocks:
                offset, length = digests.span(n)
                there = _sha256(source, start + offset, length, told)
                if there == wanted:
                    one.blocks[n] = start + offset
                _note(one, n, there, wanted)
        if one.head is None:
            there = _sha256(source, shift, digests.audio_offset, told)
            if there == digests.head_sha256:
                one.head = shift
            _note(one, -1, there, digests.head_sha256)
        if one.tail is None:
            end = start + digests.audio_bytes
            there = _sha256(source, end, tail_bytes(digests), told)
            if there == digests.tail_sha256:
                one.tail = end
            _note(one, len(digests.blocks), there, digests.tail_sha256)


def _note(one: Seen, part: int, there: str | None, wanted: str) -> None:
    """Keep in mind what could not be read, until it is found elsewhere."""
    if there == wanted:
        one.unreadable.discard(part)
    elif there == "":
        one.unreadable.add(part)


def _sha256(source: ByteSource, offset: int, length: int, told: Told) -> str | None:
    """SHA-256 of a range; None when the file does not reach so far, "" when it cannot be read."""
    try:
        return sha256_of(source, offset if length else 0, length, told)
    except OSError:
        return ""


def _look_beside(
    one: Seen, seen: Sequence[Seen], digests: BlockDigests, lost: Sequence[int], told: Told
) -> None:
    """Look for lost blocks next to the bytes of others that a further copy has and this one seems not to."""
    marks: list[tuple[bytes, int]] = []
    for block in _neighbours(lost, len(digests.blocks)):
        holder = next((other for other in seen if block in other.blocks), None)
        if holder is None or block in one.blocks or len(marks) >= _MARKS:
            continue
        with _opened(holder) as source:
            try:
                mark = source.read_at(holder.blocks[block], _MARK) if source is not None else b""
            except OSError:
                continue
        if len(set(mark)) >= 8:  # silence is everywhere
            marks.append((mark, digests.audio_offset + digests.span(block)[0]))
    if not marks:
        return
    with _opened(one) as source:
        if source is None:
            return
        shifts = [there - was for mark, was in marks for there in _find(source, mark, told)]
        _look(one, source, digests, list(dict.fromkeys(shifts))[:_SHIFTS], told)


def _look_around(one: Seen, digests: BlockDigests, found: BlockMap, told: Told) -> None:
    """Try moves of the lost blocks in this file, one stretch after the other."""
    with _opened(one) as source:
        if source is None:
            return
        shifts = Shifts(source, digests, one.blocks, told)
        while (shift := shifts.next(found.lost_blocks)) is not None:
            _look(one, source, digests, [shift], told)
        for lost, find in ((found.head_lost, shifts.of_head), (found.tail_lost, shifts.of_tail)):
            shift = find() if lost else None
            if shift is not None:
                _look(one, source, digests, [shift], told)


def _neighbours(lost: Sequence[int], count: int) -> Iterator[int]:
    """Blocks around each lost stretch (-1: the head, count: the tail), nearest first."""
    gone = set(lost)
    edges = [n for n in lost if n - 1 not in gone or n + 1 not in gone]
    for away in range(1, 5):
        for n in edges:
            for near in (n + away, n - away):
                if near not in gone and 0 <= near < count:
                    yield near


def _find(source: ByteSource, mark: bytes, told: Told) -> list[int]:
    """Where the mark stands first, at most a few places. Flat memory."""
    found: list[int] = []
    at, rest = 0, b""
    while at < source.size and len(found) < 2:
        try:
            piece = source.read_at(at, _PIECE)
        except OSError:
            piece = bytes(min(_PIECE, source.size - at))  # over a place that cannot be read
        if not piece:
            break
        told(len(piece))
        window = rest + piece
        begin = 0
        while (hit := window.find(mark, begin)) >= 0 and len(found) < 2:
            found.append(at - len(rest) + hit)
            begin = hit + 1
        at += len(piece)
        rest = window[-(len(mark) - 1) :]
    return found
