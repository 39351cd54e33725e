"""One stretch of audio, decoded once and looked at by every analyser."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from fractions import Fraction
from typing import Protocol

import numpy as np
import numpy.typing as npt

from provpack.errors import Bug
from provpack.measure.digests import Buffer
from provpack.measure.pcm import IntArray, PcmLayout, check_layout, samples

FloatArray = npt.NDArray[np.float32]
_LITTLE = sys.byteorder == "little"


def to_planar(codes: IntArray, full_scale: int, out: FloatArray) -> None:
    """The codes (frames, channels) over full_scale, a power of two, into out (channels, frames)."""
    if codes.dtype == np.int16 and codes.shape[1] == 2 and codes.flags.c_contiguous and _LITTLE:
        # A frame is one word of 32 bits, the first channel its lower half: whole words are taken apart at
        # twice the speed of every other sample. Both products are exact.
        words = codes.reshape(-1).view(np.int32)
        out[0] = words << 16
        out[0] *= np.float32(1.0 / (full_scale << 16))
        out[1] = words >> 16
        out[1] *= np.float32(1.0 / full_scale)
        return
    np.copyto(out, codes.T, casting="same_kind")
    out *= np.float32(1.0 / full_scale)


class Block:
    """Frames start .. start + frames - 1 of the file.

    codes: integer sample codes, shape (frames, channels), as stored in the container.
    planar: the same as float32 of full scale 1.0, shape (channels, frames), each channel contiguous.
    """

    __slots__ = ("_planar", "codes", "full_scale", "start")

    def __init__(self, start: int, codes: IntArray, full_scale: int) -> None:
        self.start = start
        self.codes = codes
        self.full_scale = full_scale
        self._planar: FloatArray | None = None

    @property
    def frames(self) -> int:
        return len(self.codes)

    @property
    def planar(self) -> FloatArray:
        """Computed once per block, shared by all analysers; must not be written to."""
        if self._planar is None:
            self._planar = np.empty(self.codes.shape[::-1], dtype=np.float32)
            to_planar(self.codes, self.full_scale, self._planar)
        return self._planar


class Analyser(Protocol):
    """Looks at consecutive blocks. finish() belongs to each analyser and returns a frozen result."""

    def take(self, block: Block) -> None:
        """Look at the next block; blocks come in order and without gaps, of any length."""


class AnalysisSink:
    """A measure.fanout Sink that cuts the byte stream into blocks of at most `block_frames` frames and
    gives each to every analyser. Raises Bug in finish() when bytes are missing or left over."""

    def __init__(
        self,
        layout: PcmLayout,
        frames: int,
        rate: Fraction,
        analysers: Sequence[Analyser],
        block_frames: int = 65536,
    ) -> None:
        check_layout(layout)
        self.layout = layout
        self.rate = rate
        self._expected = frames
        self._analysers = tuple(analysers)
        self._block_frames = block_frames
        self._rest = b""
        self._seen = 0

    def feed(self, data: Buffer) -> None:
        """Take the next bytes of the audio payload."""
        frame_bytes = self.layout.frame_bytes
        view = memoryview(data)
        if self._rest:
            missing = frame_bytes - len(self._rest)
            self._rest += bytes(view[:missing])
            if len(self._rest) < frame_bytes:
                return
            first, self._rest, view = self._rest, b"", view[missing:]
            self._give(first)
        whole = len(view) - len(view) % frame_bytes
        for at in range(0, whole, self._block_frames * frame_bytes):
            self._give(view[at : min(whole, at + self._block_frames * frame_bytes)])
        self._rest = bytes(view[whole:])

    def _give(self, data: Buffer) -> None:
        codes = samples(data, self.layout).reshape(-1, self.layout.channels)
        block = Block(self._seen, codes, self.layout.full_scale)
        for analyser in self._analysers:
            analyser.take(block)
        self._seen += len(codes)

    def finish(self) -> None:
        """Check that the whole audio was seen; the results are the analysers' own."""
        if self._rest or self._seen != self._expected:
            raise Bug(
                "analysis-incomplete",
                f"Analysed {self._seen} frames and {len(self._rest)} bytes of {self._expected} frames.",
                where="measure/block",
                todo="Report this: an analysis missed part of the audio.",
            )
