"""Block digests of a master's audio, and what their disagreement means in frames and time.

The file is `data/metadata/block-digests.json` (schemas/block-digests.schema.json). Times come from the exact
sampling frequency, as a fraction, never from the header's whole hertz.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

Extent = Literal["audio", "around", "length", "unknown"]

_HEX = re.compile(r"[0-9a-f]{64}\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockDigests:
    """What was noted when the package was made. Offsets and sizes in bytes, rate in Hz, digests SHA-256."""

    file: str
    file_bytes: int
    audio_offset: int
    audio_bytes: int
    frame_bytes: int
    frames: int
    rate: Fraction
    block_frames: int
    audio_sha256: str
    head_sha256: str
    tail_sha256: str
    blocks: tuple[str, ...]

    @property
    def block_bytes(self) -> int:
        """Bytes of every block but the last."""
        return self.block_frames * self.frame_bytes

    def span(self, block: int) -> tuple[int, int]:
        """(offset within the audio, bytes) of a block."""
        start = block * self.block_bytes
        return start, min(self.block_bytes, self.audio_bytes - start)


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRange:
    """Neighbouring damaged blocks: block numbers from 0, frames first to last inclusive, times h:mm:ss.mmm.

    start is rounded down and end up, so the damage lies within them.
    """

    first_block: int
    last_block: int
    first_frame: int
    last_frame: int
    start: str
    end: str

    def sentence(self) -> str:
        """For people."""
        blocks = f"block {self.first_block}"
        if self.last_block != self.first_block:
            blocks = f"blocks {self.first_block}-{self.last_block}"
        return f"{blocks}, frames {self.first_frame}-{self.last_frame}, {self.start} to {self.end}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """Where a master differs from the one that was packaged.

    extent `around`: only bytes outside the audio; `audio`: the ranges given; `length`: the file got longer or
    shorter as well; `unknown`: it could not be located. lost_frames: frames at the end that are gone.
    shifted_bytes: audio found moved by so many bytes after a point (0 = none). frames, rate: of the master as
    it was packaged, for a picture of it; 0 and None when not told.
    """

    path: str
    extent: Extent
    ranges: tuple[BlockRange, ...] = ()
    bad_blocks: int = 0
    blocks: int = 0
    head_changed: bool = False
    tail_changed: bool = False
    size_change: int = 0
    lost_frames: int = 0
    shifted_bytes: int = 0
    frames: int = 0
    rate: Fraction | None = None

    @property
    def audio_intact(self) -> bool:
        """Every block of the audio was found with its digest."""
        return self.extent != "unknown" and self.bad_blocks == 0 and not self.shifted_bytes

    @property
    def nothing(self) -> bool:
        """The file is, byte for byte, the one that was packaged."""
        return self.audio_intact and not (self.head_changed or self.tail_changed or self.size_change)

    def as_json(self) -> dict[str, object]:
        """The shape `damage` of the verify result."""
        return {
            "path": self.path,
            "extent": self.extent,
            "audio_intact": self.audio_intact,
            "blocks": self.blocks,
            "bad_blocks": self.bad_blocks,
            "ranges": [
                {
                    "first_block": r.first_block,
                    "last_block": r.last_block,
                    "first_frame": r.first_frame,
                    "last_frame": r.last_frame,
                    "start": r.start,
                    "end": r.end,
                }
                for r in self.ranges
            ],
            "head_changed": self.head_changed,
            "tail_changed": self.tail_changed,
            "size_change": self.size_change,
            "lost_frames": self.lost_frames,
            "shifted_bytes": self.shifted_bytes,
        }


def parse_block_digests(data: bytes) -> tuple[BlockDigests | None, str]:
    """(digests, "") or (None, why they cannot be used). Bounded by the size of data; raises nothing."""
    try:
        obj = json.loads(data)
    except (ValueError, RecursionError) as err:
        return None, f"it is not readable JSON ({err.__class__.__name__})"
    if not isinstance(obj, dict):
        return None, "it is no JSON object"
    if not str(obj.get("schema_version", "")).startswith("1."):
        return None, "its schema_version is not 1"
    if obj.get("algorithm") != "sha256":
        return None, "its algorithm is not sha256"
    names = ("file_bytes", "audio_offset", "audio_bytes", "frame_bytes", "frames", "block_frames")
    numbers = [obj.get(name) for name in names]
    rate = obj.get("sampling_frequency")
    rate_parts = [rate.get("num"), rate.get("den")] if isinstance(rate, dict) else [None]
    if not all(type(n) is int and 0 <= n < 2**63 for n in (*numbers, *rate_parts)):
        return None, "a number in it is missing or out of range"
    blocks = obj.get("blocks")
    digests = [obj.get(name) for name in ("audio_sha256", "head_sha256", "tail_sha256")]
    if not isinstance(blocks, list) or not all(
        isinstance(d, str) and _HEX.match(d) for d in (*digests, *blocks)
    ):
        return None, "a digest in it is missing or malformed"
    if not isinstance(obj.get("file"), str) or 0 in (obj["frame_bytes"], obj["block_frames"], *rate_parts):
        return None, "a value in it is missing or zero"
    result = BlockDigests(
        file=obj["file"],
        **{name: obj[name] for name in names},
        rate=Fraction(obj["sampling_frequency"]["num"], obj["sampling_frequency"]["den"]),
        audio_sha256=obj["audio_sha256"],
        head_sha256=obj["head_sha256"],
        tail_sha256=obj["tail_sha256"],
        blocks=tuple(blocks),
    )
    wanted = -(-result.audio_bytes // result.block_bytes)
    if (
        len(blocks) != wanted
        or result.frames * result.frame_bytes != result.audio_bytes
        or result.audio_offset + result.audio_bytes > result.file_bytes
    ):
        return None, "its numbers do not fit one another"
    return result, ""


def clock_time(frame: int, rate: Fraction, *, up: bool = False) -> str:
    """The time of a frame as h:mm:ss.mmm, exact, rounded down (or up) to the millisecond."""
    exact = Fraction(frame * 1000) / rate
    total = -((-exact) // 1) if up else exact // 1
    seconds, milli = divmod(int(total), 1000)
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{milli:03d}"


def ranges(digests: BlockDigests, bad: Iterable[int]) -> tuple[BlockRange, ...]:
    """Damaged block numbers, merged where neighbours, in frames and time."""
    runs: list[list[int]] = []
    for block in sorted(bad):
        if runs and block == runs[-1][1] + 1:
            runs[-1][1] = block
        else:
            runs.append([block, block])
    found = []
    for first, last in runs:
        start = first * digests.block_frames
        end = min((last + 1) * digests.block_frames, digests.frames)
        found.append(
            BlockRange(
                first_block=first,
                last_block=last,
                first_frame=start,
                last_frame=end - 1,
                start=clock_time(start, digests.rate),
                end=clock_time(end, digests.rate, up=True),
            )
        )
    return tuple(found)
