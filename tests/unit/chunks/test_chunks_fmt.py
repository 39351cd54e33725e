"""The fmt chunk. Sources: RIFF/WAVE 1991 WAVE chapter; extensible form and the broken ones as in the fact
sheet sections 1 and 16 (traps 19 and 20)."""

from __future__ import annotations

import struct

import pytest
from unit.chunks.wavbytes import AUDIO, chunk, riff, rule_ids, walk

from provpack.chunks.layout import Format, Layout

PCM_GUID = bytes.fromhex("0100000000001000800000AA00389B71")
FLOAT_GUID = b"\x03" + PCM_GUID[1:]


def fmt(
    tag: int = 1,
    channels: int = 2,
    rate: int = 44056,
    bits: int = 16,
    *,
    align: int | None = None,
    byte_rate: int | None = None,
    tail: bytes = b"",
) -> bytes:
    block = channels * ((bits + 7) // 8) if align is None else align
    per_second = rate * block if byte_rate is None else byte_rate
    return struct.pack("<HHIIHH", tag, channels, rate, per_second & 0xFFFFFFFF, block, bits) + tail


def extensible(valid: int, mask: int = 3, guid: bytes = PCM_GUID, cb: int = 22) -> bytes:
    return struct.pack("<HHI", cb, valid, mask) + guid


def read(body: bytes, audio: bytes = AUDIO) -> Layout:
    return walk(riff(chunk(b"fmt ", body), chunk(b"data", audio)))


def good(body: bytes, audio: bytes = AUDIO) -> Format:
    layout = read(body, audio)
    assert layout.findings == ()
    assert layout.format is not None
    return layout.format


def test_pcm() -> None:
    found = good(fmt())
    assert (found.tag, found.channels, found.sample_rate, found.byte_rate) == (1, 2, 44056, 176224)
    assert (found.bits_per_sample, found.valid_bits, found.container_bytes, found.frame_bytes) == (
        16,
        16,
        2,
        4,
    )
    assert (found.encoding, found.is_pcm, found.is_float) == ("pcm", True, False)
    assert (found.channel_mask, found.subformat_guid) == (None, None)


@pytest.mark.parametrize(
    ("bits", "container", "frames"),
    [(8, 1, 60), (12, 2, 30), (14, 2, 30), (16, 2, 30), (20, 3, 20), (24, 3, 20), (32, 4, 15)],
)
def test_bits_are_rounded_up_to_whole_bytes(bits: int, container: int, frames: int) -> None:  # trap 20
    layout = read(fmt(channels=1, bits=bits), bytes(60))
    assert layout.findings == ()
    assert layout.format is not None
    assert (layout.format.container_bytes, layout.format.valid_bits, layout.frames) == (
        container,
        bits,
        frames,
    )


@pytest.mark.parametrize(
    ("tag", "bits", "encoding"), [(3, 32, "float"), (3, 64, "float"), (6, 8, "alaw"), (7, 8, "mulaw")]
)
def test_other_known_tags(tag: int, bits: int, encoding: str) -> None:
    assert good(fmt(tag, 1, bits=bits, tail=b"\0\0")).encoding == encoding


def test_extensible() -> None:
    found = good(fmt(0xFFFE, tail=extensible(14)))
    assert (found.encoding, found.bits_per_sample, found.valid_bits) == ("pcm", 16, 14)
    assert (found.channel_mask, found.subformat_guid) == (3, PCM_GUID)
    assert good(fmt(0xFFFE, 1, bits=32, tail=extensible(0, 4, FLOAT_GUID))).is_float
    assert good(fmt(0xFFFE, tail=extensible(0))).valid_bits == 16


def test_more_valid_bits_than_the_container() -> None:
    layout = read(fmt(0xFFFE, tail=extensible(24)))
    assert rule_ids(layout) == ["wav-valid-bits-wrong"]
    assert layout.format is not None
    assert layout.format.valid_bits == 16


@pytest.mark.parametrize(
    "tail", [b"", b"\0\0", extensible(16, cb=10), extensible(16, guid=bytes(16)), extensible(16)[:20]]
)
def test_extensible_without_a_known_sub_format_is_not_guessed(tail: bytes) -> None:
    layout = read(fmt(0xFFFE, tail=tail))
    assert "wav-fmt-unsupported" in rule_ids(layout)
    assert layout.format is not None
    assert layout.format.encoding == "other"


@pytest.mark.parametrize("tail", [bytes(24), struct.pack("<H", 22) + bytes(22), bytes(4)])
def test_tail_of_a_pcm_fmt_is_ignored(tail: bytes) -> None:  # trap 19
    layout = read(fmt(tail=tail))
    assert rule_ids(layout) == ["wav-fmt-tail"]
    assert layout.frames == 10


def test_tail_of_an_extensible_fmt_is_ignored_and_its_length_told() -> None:
    body = fmt(tag=0xFFFE, tail=extensible(16) + bytes(4))
    layout = read(body)
    assert rule_ids(layout) == ["wav-fmt-tail"]
    assert "44 bytes and cbSize 22; format tag 65534 needs 40." in layout.findings[0].what
    assert layout.format is not None and layout.format.valid_bits == 16


def test_fmt_of_17_bytes() -> None:
    assert rule_ids(read(fmt(tail=b"\0"))) == ["wav-fmt-tail"]


@pytest.mark.parametrize("length", [0, 1, 14, 15])
def test_short_fmt(length: int) -> None:
    layout = read(fmt()[:length])
    assert rule_ids(layout) == ["wav-fmt-too-short"]
    assert layout.format is None
    assert layout.data is not None
    assert layout.frames == 0


@pytest.mark.parametrize(
    ("body", "word"),
    [
        (fmt(channels=0), "no channel"),
        (fmt(bits=0), "0 bits per sample"),
        (fmt(bits=65535), "65535 bits"),
        (fmt(rate=0), "0 Hz"),
        (bytes(16), "no channel, a sampling frequency of 0 Hz"),
        (b"\xff" * 16, None),
    ],
)
def test_impossible_values(body: bytes, word: str | None) -> None:
    layout = read(body)
    if word is None:  # tag 0xFFFF is an unknown encoding: nothing is impossible in it, nothing is believed
        assert "wav-fmt-unsupported" in rule_ids(layout)
        return
    assert rule_ids(layout) == ["wav-fmt-impossible"]
    assert layout.format is None
    assert word in layout.findings[0].what


def test_unsupported_encodings_are_named() -> None:
    layout = read(fmt(0x55, bits=0, align=1))
    assert rule_ids(layout) == ["wav-fmt-unsupported"]
    assert "MPEG layer 3" in layout.findings[0].what
    assert layout.format is not None
    assert (layout.format.encoding, layout.format.frame_bytes) == ("other", 1)
    assert read(fmt(2, bits=4, align=0)).format is not None
    wide = read(fmt(channels=3, bits=36), bytes(75))
    assert rule_ids(wide) == ["wav-fmt-unsupported"]
    assert wide.frames == 5


def test_values_hard_to_believe() -> None:
    assert rule_ids(read(fmt(channels=200), bytes(400))) == ["wav-fmt-unusual"]
    assert rule_ids(read(fmt(rate=4_000_000_000))) == ["wav-fmt-unusual", "wav-byte-rate-wrong"]


def test_block_align_and_byte_rate_are_not_believed() -> None:
    layout = read(fmt(align=5))
    assert rule_ids(layout) == ["wav-block-align-wrong", "wav-byte-rate-wrong"]
    assert layout.frames == 10
    assert rule_ids(read(fmt(byte_rate=1))) == ["wav-byte-rate-wrong"]
