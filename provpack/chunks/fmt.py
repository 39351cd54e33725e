"""The `fmt ` chunk (RIFF-1991 WAVE chapter; extensible form: sub-format GUIDs)."""

from __future__ import annotations

import struct

from provpack.chunks import rules
from provpack.chunks.headers import Order
from provpack.chunks.layout import Encoding, Format
from provpack.chunks.limits import Collector

EXTENSIBLE = 0xFFFE
GUID_TAIL = bytes.fromhex("000000001000800000AA00389B71")
"""Bytes 2..16 of the sub-format GUIDs that stand for a format tag; bytes 0..2 are the tag."""

_TAGS: dict[int, Encoding] = {1: "pcm", 3: "float", 6: "alaw", 7: "mulaw"}
_NAMES = {2: "ADPCM", 0x11: "IMA ADPCM", 0x31: "GSM 6.10", 0x50: "MPEG audio", 0x55: "MPEG layer 3"}
HIGHEST_RATE = 6_144_000
"""Above this a sampling frequency in PCM is not believed (ours; 128 x 48 kHz)."""


def parse_format(body: bytes, offset: int, found: Collector, order: Order = "little") -> Format | None:
    """The format, or None when it cannot be used; offset is that of body in the file. Never raises."""
    if len(body) < 16:
        found.add(
            rules.FMT_SHORT,
            f"The fmt chunk has {len(body)} bytes, 16 are needed.",
            offset=offset,
            chunk="fmt ",
        )
        return None
    mark = "<" if order == "little" else ">"
    tag, channels, rate, byte_rate, align, bits = struct.unpack_from(f"{mark}HHIIHH", body)
    extra = struct.unpack_from(f"{mark}H", body, 16)[0] if len(body) >= 18 else 0
    valid, mask, guid = bits, None, None
    real_tag = tag
    if tag == EXTENSIBLE:
        if len(body) < 40 or extra < 22:
            real_tag = 0
        else:
            valid, mask = struct.unpack_from(f"{mark}HI", body, 18)
            guid = body[24:40]
            real_tag = int.from_bytes(guid[:2], order) if guid[2:] == GUID_TAIL else 0
    encoding = _TAGS.get(real_tag, "other")
    used = 16 if len(body) < 18 else 18 + (extra if tag == EXTENSIBLE or encoding == "other" else 0)
    if len(body) > used or (encoding != "other" and tag != EXTENSIBLE and extra):
        found.add(
            rules.FMT_TAIL,
            f"The fmt chunk has {len(body)} bytes and cbSize {extra}; format tag {tag} needs {used}.",
            offset=offset + min(used, len(body)),
            chunk="fmt ",
        )
    if not _possible(channels, rate, bits, encoding, offset, found):
        return None
    if tag == EXTENSIBLE and not 0 < valid <= bits:
        if valid:
            found.add(
                rules.VALID_BITS,
                f"The fmt chunk states {valid} valid bits in samples of {bits}.",
                offset=offset + 18,
                chunk="fmt ",
            )
        valid = bits
    result = Format(
        tag=tag,
        channels=channels,
        sample_rate=rate,
        byte_rate=byte_rate,
        block_align=align,
        bits_per_sample=bits,
        valid_bits=valid,
        channel_mask=mask,
        subformat_guid=guid,
        encoding=encoding,
    )
    _judge(result, offset, found)
    return result


def _possible(channels: int, rate: int, bits: int, encoding: Encoding, offset: int, found: Collector) -> bool:
    wrong = [
        text
        for text, bad in (
            ("no channel", channels == 0),
            ("a sampling frequency of 0 Hz", rate == 0),
            ("0 bits per sample", bits == 0 and encoding != "other"),
            (f"{bits} bits per sample", bits > 64 and encoding != "other"),
        )
        if bad
    ]
    if wrong:
        found.add(
            rules.FMT_IMPOSSIBLE,
            f"The fmt chunk states {', '.join(wrong)} "
            f"(channels {channels}, sampling frequency {rate} Hz, bits {bits}).",
            offset=offset,
            chunk="fmt ",
        )
    return not wrong


def _judge(fmt: Format, offset: int, found: Collector) -> None:
    """Findings on a format that can be expressed."""
    widths = {"pcm": range(1, 33), "float": (32, 64), "alaw": (8,), "mulaw": (8,)}
    if fmt.encoding == "other":
        name = _NAMES.get(fmt.tag, "unknown")
        guid = f", sub-format {fmt.subformat_guid.hex()}" if fmt.subformat_guid else ""
        found.add(
            rules.FMT_UNSUPPORTED,
            f"Format tag 0x{fmt.tag:04x} ({name}{guid}) is not PCM, float, A-law or mu-law.",
            offset=offset,
            chunk="fmt ",
        )
        return
    if fmt.bits_per_sample not in widths[fmt.encoding]:
        found.add(
            rules.FMT_UNSUPPORTED,
            f"{fmt.bits_per_sample}-bit {fmt.encoding} in {fmt.container_bytes}-byte containers.",
            offset=offset + 14,
            chunk="fmt ",
        )
    if fmt.channels > 128 or fmt.sample_rate > HIGHEST_RATE:
        found.add(
            rules.FMT_UNUSUAL,
            f"{fmt.channels} channels at {fmt.sample_rate} Hz.",
            offset=offset + 2,
            chunk="fmt ",
        )
    if fmt.block_align != fmt.frame_bytes:
        found.add(
            rules.BLOCK_ALIGN,
            f"Block align is {fmt.block_align}; {fmt.channels} channels of {fmt.container_bytes} bytes "
            f"make {fmt.frame_bytes}.",
            offset=offset + 12,
            chunk="fmt ",
        )
    if fmt.byte_rate != fmt.sample_rate * fmt.frame_bytes:
        found.add(
            rules.BYTE_RATE,
            f"The byte rate is {fmt.byte_rate}; {fmt.sample_rate} Hz times {fmt.frame_bytes} bytes make "
            f"{fmt.sample_rate * fmt.frame_bytes}.",
            offset=offset + 8,
            chunk="fmt ",
        )
