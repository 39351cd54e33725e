"""What a walked file looks like: plain values. All sizes and offsets in bytes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from provpack.chunks.limits import id_text
from provpack.findings import Finding

Form = Literal["RIFF", "RF64", "BW64", "RIFX"]
Pad = Literal["none", "zero", "nonzero", "absent"]
Encoding = Literal["pcm", "float", "alaw", "mulaw", "other"]

FILLERS = frozenset({b"JUNK", b"PAD ", b"FLLR"})
"""Chunks without meaning (RIFF-1991 JUNK, RIFF-1994 PAD; FLLR common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """One chunk: offset is that of its 8-byte header, size the bytes really there.

    declared_size is the 32-bit field, or the ds64 value it stands for. list_type is the first word of a
    `LIST` chunk, else None. pad "none" means that no pad byte was due (even size, or cut short).
    """

    id: bytes
    offset: int
    data_offset: int
    declared_size: int
    size: int
    pad: Pad
    list_type: bytes | None = None

    @property
    def name(self) -> str:
        """The id for people, unprintable bytes as \\xNN."""
        return id_text(self.id)


@dataclass(frozen=True, slots=True, kw_only=True)
class DataSpan:
    """The audio: size is what is there, in whole frames; declared_size what the file claims."""

    offset: int
    size: int
    declared_size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ds64:
    """64-bit sizes (EBU Tech 3306 Annex A); table has (chunk id, size) for chunks other than data."""

    riff_size: int
    data_size: int
    sample_count: int
    table: tuple[tuple[bytes, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """The `fmt ` chunk. sample_rate is the header's whole hertz, not the true rate of the recording.

    bits_per_sample is as written (for extensible: the container), valid_bits the significant ones.
    """

    tag: int
    channels: int
    sample_rate: int
    byte_rate: int
    block_align: int
    bits_per_sample: int
    valid_bits: int
    channel_mask: int | None
    subformat_guid: bytes | None
    encoding: Encoding

    @property
    def container_bytes(self) -> int:
        """Bytes of one sample of one channel: bits rounded up to whole bytes, at least 1."""
        return max((self.bits_per_sample + 7) // 8, 1)

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame (one sample of every channel), at least 1; block align where not PCM-like."""
        if self.encoding == "other":
            return max(self.block_align, 1)
        return self.channels * self.container_bytes

    @property
    def is_pcm(self) -> bool:
        return self.encoding == "pcm"

    @property
    def is_float(self) -> bool:
        return self.encoding == "float"


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A whole file, walked. form is None when it is no WAVE file.

    declared_size is the RIFF size (32-bit field, or ds64 where that is in force). format and data are None
    where they are missing or unusable; then a finding of severity error says why. name is what findings
    call the file.
    """

    form: Form | None
    declared_size: int
    file_size: int
    chunks: tuple[Chunk, ...]
    format: Format | None
    data: DataSpan | None
    ds64: Ds64 | None
    trailing_bytes: int
    findings: tuple[Finding, ...]
    name: str = ""

    @property
    def frames(self) -> int:
        """Whole frames of audio, 0 without format or data."""
        if self.format is None or self.data is None:
            return 0
        return self.data.size // self.format.frame_bytes
