"""Interleaved little-endian PCM bytes as integer arrays, without losing or inventing a bit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from provpack.errors import InputProblem

IntArray = npt.NDArray[np.integer]


@dataclass(frozen=True, slots=True, kw_only=True)
class PcmLayout:
    """channels >= 1; container_bytes per sample 1 to 4. One byte is unsigned with mid-point 128, the
    rest two's complement, valid bits at the top (RIFF-1991, WAVE PCM data format)."""

    channels: int
    container_bytes: int

    @property
    def frame_bytes(self) -> int:
        return self.channels * self.container_bytes

    @property
    def full_scale(self) -> int:
        """The magnitude of the most negative code, 2**(bits-1)."""
        return 1 << (8 * self.container_bytes - 1)


def check_layout(layout: PcmLayout) -> None:
    """Refuse what we cannot measure. Raises InputProblem."""
    if not (1 <= layout.container_bytes <= 4 and layout.channels >= 1):
        raise InputProblem(
            "pcm-layout",
            f"Audio with {layout.channels} channels of {layout.container_bytes} bytes cannot be measured.",
            where="fmt chunk",
            todo="Only linear PCM of 8 to 32 bits is measured.",
        )


def samples(data: bytes | bytearray | memoryview, layout: PcmLayout) -> IntArray:
    """All samples in file order as a flat array: int16 and int32 as views, 8 and 24 bit widened.

    The length of data must be a whole number of samples. 24-bit samples become int32 of the same
    value (not shifted); 8-bit samples become int16 with the mid-point 128 taken off.
    """
    width = layout.container_bytes
    if width == 2:
        return np.frombuffer(data, dtype="<i2")
    if width == 4:
        return np.frombuffer(data, dtype="<i4")
    raw = np.frombuffer(data, dtype=np.uint8)
    if width == 1:
        return raw.astype(np.int16) - 128
    count = raw.size // 3
    wide = np.empty(count, dtype=np.int32)
    if count:
        # Words of four bytes, one every three: each sample, and above it a byte of the next.
        words: IntArray = np.ndarray((count - 1,), "<i4", raw, 0, (3,))
        np.copyto(wide[:-1], words)
        wide[-1] = int.from_bytes(raw[-3:].tobytes(), "little")
        wide <<= 8
        wide >>= 8
    return wide


def silent_frames(codes: IntArray) -> npt.NDArray[np.bool_]:
    """Which frames are zero in every channel; codes (frames, channels), contiguous."""
    if codes.shape[1] == 2:  # two samples are one word of twice the width
        word = np.uint32 if codes.dtype.itemsize == 2 else np.uint64
        return np.asarray(codes.reshape(-1).view(word) == 0)
    silent: npt.NDArray[np.bool_] = codes[:, 0] == 0
    for c in range(1, codes.shape[1]):
        silent &= codes[:, c] == 0
    return silent
