"""WAV files as capture programs hand them over: a header literal and the samples, written by hand.

Independent on purpose of the chunk writer of the product: what is tested with these files does not come from
the code under test. Layouts: RIFF/WAVE (1991) fmt 16 bytes, WAVEFORMATEXTENSIBLE 40 bytes, EBU Tech 3285 v1
for the `bext` of an older capture program, RIFF LIST INFO.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

PCM_GUID = bytes.fromhex("0100000000001000800000aa00389b71")
BEXT_V1 = struct.Struct("<256s32s32s10s8sIIH64s190s")  # packed, 602 bytes before the coding history


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureNotes:
    """What a capture program has already written into the file: `bext` v1 before the audio, INFO after it.

    date yyyy-mm-dd, time hh:mm:ss; frames_since_midnight: the TimeReference it claims.
    history: coding history rows without line ends. info: (tag, text) of LIST INFO.
    """

    description: str
    originator: str
    reference: str
    date: str
    time: str
    frames_since_midnight: int
    history: tuple[str, ...] = ()
    info: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WavForm:
    """The file around the samples. bits: 16 or 24 in the container; header_hz: integer, as in `fmt `.

    valid_bits: significant bits, written only into an extensible header.
    """

    header_hz: int
    channels: int = 2
    bits: Literal[16, 24] = 16
    extensible: bool = False
    valid_bits: int = 16
    notes: CaptureNotes | None = None


def wav_bytes(form: WavForm, frames: int, codes: Iterable[NDArray[np.int16]]) -> Iterator[bytes]:
    """The file in pieces: header, then one piece per block of codes (shape (n, channels)), then what follows.

    frames: how many sample frames `codes` will give; ValueError at the end when it gave another number.
    16-bit codes go to a 24-bit container in the upper bits, eight zero bits below.
    """
    audio = frames * form.channels * form.bits // 8
    lead = _chunk(b"fmt ", _format(form))
    tail = bytes(audio & 1)
    if form.notes:
        lead = _chunk(b"bext", _bext(form.notes)) + lead
        if form.notes.info:
            tail += _chunk(b"LIST", _info(form.notes.info))
    size = 4 + len(lead) + 8 + audio + len(tail)
    yield struct.pack("<4sI4s", b"RIFF", size, b"WAVE") + lead + struct.pack("<4sI", b"data", audio)
    given = 0
    for block in codes:
        given += len(block)
        yield _packed(block, form.bits)
    if given != frames:
        raise ValueError(f"the header says {frames} frames, the samples were {given}")
    if tail:
        yield tail


def _packed(block: NDArray[np.int16], bits: int) -> bytes:
    if bits == 16:
        return block.astype("<i2").tobytes()
    wide = (block.astype("<i4") << 8).reshape(-1, 1).view(np.uint8)
    return wide[:, :3].tobytes()


def _format(form: WavForm) -> bytes:
    frame = form.channels * form.bits // 8
    tag = 0xFFFE if form.extensible else 1
    common = struct.pack(
        "<HHIIHH", tag, form.channels, form.header_hz, form.header_hz * frame, frame, form.bits
    )
    if not form.extensible:
        return common
    mask = {1: 0x4, 2: 0x3}.get(form.channels, 0)
    return common + struct.pack("<HHI", 22, form.valid_bits, mask) + PCM_GUID


def _bext(notes: CaptureNotes) -> bytes:
    fixed = BEXT_V1.pack(
        notes.description.encode("ascii"),
        notes.originator.encode("ascii"),
        notes.reference.encode("ascii"),
        notes.date.encode("ascii"),
        notes.time.encode("ascii"),
        notes.frames_since_midnight & 0xFFFFFFFF,
        notes.frames_since_midnight >> 32,
        1,
        bytes(64),
        bytes(190),
    )
    return fixed + "".join(row + "\r\n" for row in notes.history).encode("ascii")


def _info(entries: tuple[tuple[str, str], ...]) -> bytes:
    body = b"INFO"
    for tag, text in entries:
        body += _chunk(tag.encode("ascii"), text.encode("ascii") + b"\0")
    return body


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack("<4sI", kind, len(data)) + data + bytes(len(data) & 1)
