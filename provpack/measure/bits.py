"""Bits in use, block by block, and the stretches where the word length differs.

Definitions
    bits in use   container bits less the low bits that are 0 in every sample looked at (trailing zeros of
                  the OR of all codes, as measure/levels.py); 0 when every sample is 0
    histogram     bits in use of each block of BLOCK_SECONDS; a last shorter block counts as one
    word class    of CELL frames of one channel: none (all zero), up to 14, up to 16, or more bits in use.
                  One sample is enough to show a longer word. A narrower class counts only where at least
                  MIN_CELLS in a row span LEAST_SPAN codes of the narrower length, or LONG_CELLS one code:
                  sound that stands still has no low bits to show, sound that moves does (32 samples of real
                  16-bit sound with both low bits at rest: one chance in 4 to the 32nd)
    stretch       consecutive cells of one class (cells that prove nothing go with those before them)
    usual class   that of the declared word length, or, when none is declared, the one of most frames

So a 16-bit recording decoded as 14 bits shows as a stretch of 14, and a 14-bit one decoded as 16 as a stretch
of 16, whose two lowest bits are check bits and not sound (domain note 1.3). Samples cannot tell that stretch
from a true 16-bit recording or from later processing: it is reported as bits in use, nothing more.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from provpack.measure.damage_segments import Event, EventList, Segment
from provpack.measure.pcm import IntArray, PcmLayout

BLOCK_SECONDS = 10
CELL = 16
MIN_CELLS = 2
LEAST_SPAN = 4
LONG_CELLS = 64
_FALLBACK_RATE = 44100  # for the length of a block only, when no rate is known
_LENGTHS = (14, 16)
MAX_STRETCHES = 2000
_ROW = 128  # frames: long rows reduce fast, see measure/levels.py


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Frames start .. start + length - 1 of a channel have `bits` in use (the widest sample of them)."""

    start: int
    length: int
    bits: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelBits:
    """histogram: (bits in use, blocks), fewest bits first. other: the stretches not of the usual class, as
    far as they are listed; other_frames: frames of all of them."""

    bits: int
    histogram: tuple[tuple[int, int], ...]
    other: tuple[Stretch, ...]
    other_frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BitsResult:
    """usual_bits: the declared word length, or 14, 16 or the container's, None when all is silent.
    left_out: stretches not of the usual class beyond those listed (MAX_STRETCHES changes a channel)."""

    block_frames: int
    usual_bits: int | None
    channels: tuple[ChannelBits, ...]
    events: tuple[Event, ...]
    left_out: int


@dataclass(slots=True)
class _Part:
    """A stretch being built: first frame, class 0 to 3, OR of its codes; stop: past the last frame, once it
    is known."""

    start: int
    kind: int
    mask: int
    stop: int | None = None


class BitsDetector:
    """Give it segments in order, then finish()."""

    def __init__(self, *, layout: PcmLayout, rate: Fraction | None, declared_bits: int | None) -> None:
        self._bits = 8 * layout.container_bytes
        self._widest = 1 + sum(length < self._bits for length in _LENGTHS)
        self._declared = declared_bits
        self._block_frames = max(1, round(BLOCK_SECONDS * (rate or _FALLBACK_RATE)))
        channels = layout.channels
        self._blocks: list[dict[int, int]] = [{} for _ in range(channels)]
        self._block = np.zeros(channels, dtype=np.int64)
        self._in_block = 0
        self._all = np.zeros(channels, dtype=np.int64)
        self._parts: list[list[_Part]] = [[_Part(0, 0, 0)] for _ in range(channels)]
        self._unlisted: list[list[int]] = [[0, 0, 0, 0] for _ in range(channels)]  # changes, by class
        self._closed: list[list[int]] = [[0, 0, 0, 0] for _ in range(channels)]  # frames, by class
        self._frames = 0

    def scan(self, seg: Segment) -> None:
        """Look at one segment; its first judged frame is a multiple of CELL."""
        codes = seg.codes[seg.lo : seg.hi]
        used = self._note_blocks(codes)
        self._frames = seg.first + seg.hi
        low = [(1 << (self._bits - length)) - 1 for length in _LENGTHS if length < self._bits]
        if low and not (used & low[0]).any() and all(parts[-1].kind == 1 for parts in self._parts):
            for parts, mask in zip(self._parts, used.tolist(), strict=True):
                parts[-1].mask |= mask
            return
        cells = _cell_masks(codes)
        kinds = (cells != 0).astype(np.int8)
        for mask in low:
            kinds += (cells & mask) != 0
        for c, parts in enumerate(self._parts):
            own = kinds[:, c]
            if ((own == 0) | (own == parts[-1].kind)).all():
                parts[-1].mask |= int(used[c])
            else:
                self._change(c, seg.first + seg.lo, codes[:, c], own, cells[:, c])

    def _note_blocks(self, codes: IntArray) -> npt.NDArray[np.int64]:
        """Add to the block and close it when full; the OR of all, per channel."""
        used = np.zeros(codes.shape[1], dtype=np.int64)
        at = 0
        while at < len(codes):
            n = min(self._block_frames - self._in_block, len(codes) - at)
            part = _or_of(codes[at : at + n])
            used |= part
            self._block |= part
            at += n
            self._in_block += n
            if self._in_block == self._block_frames:
                self._close_block()
        return used

    def _close_block(self) -> None:
        for c, histogram in enumerate(self._blocks):
            bits = self._used(int(self._block[c]))
            histogram[bits] = histogram.get(bits, 0) + 1
        self._all |= self._block
        self._block[:] = 0
        self._in_block = 0

    def _used(self, mask: int) -> int:
        return self._bits - ((mask & -mask).bit_length() - 1) if mask else 0

    def _change(
        self, c: int, frame: int, codes: IntArray, kinds: npt.NDArray[np.int8], cells: IntArray
    ) -> None:
        """Several classes in one segment: continue, or begin stretches."""
        starts = np.flatnonzero(np.diff(kinds, prepend=-1))
        counts = np.diff(starts, append=len(kinds))
        masks = np.bitwise_or.reduceat(cells, starts)
        high = np.maximum.reduceat(codes, starts * CELL).astype(np.int64)
        span = high - np.minimum.reduceat(codes, starts * CELL)
        parts = self._parts[c]
        for i, kind in enumerate(kinds[starts].tolist()):
            now = parts[-1]
            wider = kind > now.kind and (now.kind > 0 or kind == self._widest)
            if kind not in (0, now.kind) and (wider or self._narrow(kind, counts[i], span[i])):
                if now.kind == 0:
                    now.kind = kind
                else:
                    now = self._begin(c, now, frame + int(starts[i]) * CELL, kind)
            now.mask |= int(masks[i])

    def _begin(self, c: int, now: _Part, frame: int, kind: int) -> _Part:
        """End a stretch and begin one. Beyond MAX_STRETCHES only the one being built is kept, in the last
        place, and the others are counted."""
        parts = self._parts[c]
        now.stop = frame
        self._closed[c][now.kind] += frame - now.start
        if len(parts) > MAX_STRETCHES:
            self._unlisted[c][now.kind] += 1
            parts.pop()
        parts.append(_Part(frame, kind, 0))
        return parts[-1]

    def _narrow(self, kind: int, cells: int, span: int) -> bool:
        """Whether so many cells of a narrower class spanning so many codes are more than chance."""
        length = _LENGTHS[min(kind, len(_LENGTHS)) - 1]
        codes = span >> max(self._bits - length, 0)
        return (cells >= MIN_CELLS and codes >= LEAST_SPAN) or (cells >= LONG_CELLS and codes >= 1)

    def finish(self) -> BitsResult:
        """The result for the whole file."""
        if self._in_block:
            self._close_block()
        for c, parts in enumerate(self._parts):
            parts[-1].stop = self._frames
            self._closed[c][parts[-1].kind] += self._frames - parts[-1].start
        usual = self._usual()
        events = EventList(MAX_STRETCHES)
        channels = []
        seen: dict[tuple[int, int, int], list[int]] = {}
        for c in range(len(self._parts)):
            other = tuple(s for kind, s in self._stretches(c) if kind not in (0, usual))
            for s in other:
                seen.setdefault((s.start, s.length, s.bits), []).append(c)
            channels.append(
                ChannelBits(
                    bits=self._used(int(self._all[c])),
                    histogram=tuple(sorted(self._blocks[c].items())),
                    other=other,
                    other_frames=sum(n for kind, n in enumerate(self._closed[c]) if kind not in (0, usual)),
                )
            )
        expected = self._length_of(usual)
        for (start, length, bits), who in sorted(seen.items()):
            for channel in [None] if len(who) == len(self._parts) else who:
                events.add(
                    Event(
                        type="other",
                        start=start,
                        length=length,
                        channel=channel,
                        confidence=None,
                        note=f"{bits} bits in use, "
                        + (f"{expected} declared" if self._declared else f"{expected} elsewhere"),
                    )
                )
        unlisted = sum(n for part in self._unlisted for kind, n in enumerate(part) if kind not in (0, usual))
        return BitsResult(
            block_frames=self._block_frames,
            usual_bits=expected,
            channels=tuple(channels),
            events=tuple(events.kept),
            left_out=events.left_out + unlisted,
        )

    def _usual(self) -> int:
        if self._declared:
            return 1 + sum(self._declared > length for length in _LENGTHS)
        frames = np.sum(self._closed, axis=0).tolist()
        return 1 + max(range(3), key=lambda k: frames[k + 1]) if any(frames[1:]) else 0

    def _length_of(self, kind: int) -> int | None:
        if self._declared:
            return self._declared
        return (None, *(min(n, self._bits) for n in (*_LENGTHS, self._bits)))[kind]

    def _stretches(self, c: int) -> list[tuple[int, Stretch]]:
        return [
            (p.kind, Stretch(start=p.start, length=(p.stop or p.start) - p.start, bits=self._used(p.mask)))
            for p in self._parts[c]
        ]


def _or_of(codes: IntArray) -> npt.NDArray[np.int64]:
    """OR of all codes per channel; codes (frames, channels)."""
    long = len(codes) // _ROW * _ROW
    rows = np.bitwise_or.reduce(codes[:long].reshape(-1, _ROW * codes.shape[1]), axis=0)
    both = np.concatenate((rows.reshape(-1, codes.shape[1]), codes[long:]))
    used: npt.NDArray[np.int64] = np.bitwise_or.reduce(both, axis=0).astype(np.int64)
    return used


def _cell_masks(codes: IntArray) -> IntArray:
    """OR of the codes of each CELL frames (the last may be shorter), shape (cells, channels)."""
    frames, channels = codes.shape
    whole = frames // CELL
    head = codes[: whole * CELL]
    masks: IntArray
    if channels == 2 and codes.dtype.itemsize == 2:  # two frames are one word of 64 bits
        words = head.reshape(-1).view(np.uint64)
        for reach in (1, 2, 4):  # doubling: each word with those after it, then every eighth
            words = words[reach:] | words[:-reach]
        pairs = words[::8].copy().view(codes.dtype).reshape(whole, 2, 2)
        masks = pairs[:, 0] | pairs[:, 1]
    else:
        masks = np.bitwise_or.reduce(head.reshape(whole, CELL, channels), axis=1)
    if whole * CELL < frames:
        masks = np.concatenate((masks, np.bitwise_or.reduce(codes[whole * CELL :], axis=0)[None]))
    return masks
