"""What was in the received file is still there: real files of other software, and made-up awkward ones.

Sources: RIFF/WAVE 1991 (chunks, pad bytes, cue, INFO), EBU Tech 3285 v2 (bext) and its supplement 5 (axml,
any XML, one per file), AES46 (cart), the iXML specification; the reference files and what is special about
each: reference/wav/ORIGINS.md.
"""

from __future__ import annotations

import json
import random
import struct
from pathlib import Path
from typing import Any

import pytest
from support.jobs import samples
from support.judges import check_decoded, check_fields, check_received, check_recovered, judge
from support.strangers import (
    ANALOGUE,
    NO_DECODER,
    SILENT_ON_PURPOSE,
    Made,
    Riff,
    Tool,
    bext,
    fmt_plain,
    padded,
    run,
    strict_riff,
    sub_chunks,
    wave,
    wrap_one,
)

FRAMES = 9001
EBU = "urn:ebu:metadata-schema:ebuCore_2014"
OURS = {b"bext", b"fmt ", b"data", b"cue ", b"axml", b"JUNK"}

# name -> (channels, header rate, bits), from ffprobe
REAL = {
    "ear-rect_24bit_bext.wav": (2, 44100, 24),
    "ear-test_bwf-chna-axml.wav": (4, 48000, 24),
    "flac-24bit-WaveFmtPCM-odd.wav": (1, 44100, 24),
    "gen-ear_bw64_forced_chna_axml.wav": (2, 44056, 24),
    "gen-ffmpeg_bext_levl.wav": (2, 48000, 16),
    "gen-ffmpeg_pipe_sizes_ffffffff.wav": (1, 48000, 16),
    "gen-sndfile_bext_v2_loudness.wav": (1, 44056, 16),
    "gen-sndfile_rf64.rf64": (1, 44056, 24),
    "gen-sox_44056hz_24bit_wavex.wav": (1, 44056, 24),
    "goaudio-bwf-audio_zeroed.wav": (1, 44100, 24),
    "goaudio-padded24b.wav": (1, 44100, 24),
    "libbw64-noise_24bit_uneven_data.wav": (1, 44100, 24),
    "musicmeta-info_ixml_xmp.wav": (2, 48000, 24),
    "musicmeta-issue-819.wav": (1, 16000, 16),
    "taglib-duplicate_tags.wav": (2, 1000, 16),
    "taglib-git-rf64.wav": (2, 48000, 16),
    "wavefile-test-cue-junk.wav": (1, 8000, 16),
    "wavinfo-A101_1_1.WAV": (1, 48000, 24),
    "wavinfo-A101_3.WAV": (2, 48000, 24),
    "wavinfo-STE-000.wav": (2, 48000, 16),
    "wavinfo-Sr001-2C-01_01.WAV": (1, 48000, 24),
    "wavinfo-umid.wav": (1, 44100, 24),
    "wcp-valid_with_markers-cart.wav": (2, 44100, 16),
}


def analogue_row(channels: int, rate: int, bits: int) -> dict[str, Any]:
    use = {1: "mono", 2: "stereo"}.get(channels, "multitrack")
    extra = {"sampling_frequency": str(rate), "capture_word_length": bits, "channel_use": use}
    return {**dict.fromkeys(NO_DECODER), **ANALOGUE, **extra, "stopped_at": "2026-06-02T10:00:06+02:00"}


def loosely(data: bytes) -> list[tuple[bytes, bytes]]:
    """(id, body) of a received file, sizes believed only up to the end of the file."""
    out, at = [], 12
    while at + 8 <= len(data):
        chunk_id, size = struct.unpack_from("<4sI", data, at)
        out.append((chunk_id, data[at + 8 : at + 8 + size]))
        at += 8 + size + size % 2
    return out


def others(chunks: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    """The chunks that nobody but their writer understands: they must come over as they are."""
    fillers = {b"JUNK", b"PAD ", b"FLLR", b"ds64"}
    return [
        (i, b)
        for i, b in chunks
        if i not in OURS | fillers and not (i == b"LIST" and b[:4] in (b"INFO", b"adtl"))
    ]


def carried(riff: Riff) -> list[tuple[bytes, bytes]]:
    return others([(c.id, c.body) for c in riff.chunks])


@pytest.mark.parametrize("name", REAL)
def test_a_real_file(name: str, reference: Path, tool: Tool, tmp_path: Path) -> None:
    channels, rate, bits = REAL[name]
    content = (reference / "wav" / name).read_bytes()
    made = wrap_one(tmp_path / "w", content, analogue_row(channels, rate, bits) | SILENT_ON_PURPOSE)
    riff = judge(made, tool, tmp_path, reference)
    audio = riff.one(b"data").body
    # ffmpeg reads every one of them, the liars included: the same samples come out of both files. A part of a
    # frame at the end of the data is no sample; ffmpeg gives none of it either.
    received = run(
        tool("ffmpeg"), "-v", "quiet", "-i", tmp_path / "w" / "job" / "T01.wav", "-f", f"s{bits}le", "-"
    )
    assert received == audio
    check_decoded(made, audio, bits, tool)
    if content[:4] == b"RIFF" and "819" not in name:
        mine = [pair for pair in others(loosely(content)) if pair[0] != b"data"]
        assert carried(riff) == mine
    assert (struct.unpack_from("<I", made.master.read_bytes(), 4)[0]) == made.master.stat().st_size - 8


def test_real_files_that_lie_are_cured(reference: Path) -> None:
    # The list above does hold files whose sizes are wrong (ORIGINS.md), else it would prove nothing.
    wrong = 0
    for name in REAL:
        data = (reference / "wav" / name).read_bytes()
        wrong += data[:4] == b"RIFF" and struct.unpack_from("<I", data, 4)[0] != len(data) - 8
    assert wrong >= 4


# -- awkward files of our own making ------------------------------------------------------------------------


def info(*entries: tuple[bytes, bytes]) -> bytes:
    return padded(b"LIST", b"INFO" + b"".join(padded(tag, text + b"\0") for tag, text in entries))


def cues(*points: tuple[int, int]) -> bytes:
    rows = [struct.pack("<II4sIII", name, at, b"data", 0, 0, at) for name, at in points]
    return padded(b"cue ", struct.pack("<I", len(rows)) + b"".join(rows))


def label(name: int, text: bytes, kind: bytes = b"labl") -> bytes:
    return padded(kind, struct.pack("<I", name) + text + b"\0")


HISTORY = (
    "A=PCM,F=44100,W=16,M=stereo,T=Larkfile 2.6; digital in 1\r\n"
    "A=PCM,F=44100,W=16,M=stereo,T=Larkfile 2.6; trimmed,faded\r\n"
)
VENDOR = bytes(range(256)) * 3 + b"\xff\x00\x07"
EBUCORE = (
    f'<?xml version="1.0" encoding="UTF-8"?>\n<ebuCoreMain xmlns="{EBU}" '
    'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xmlns:dc="http://purl.org/dc/elements/1.1/">'
    '<coreMetadata><title><dc:title xml:lang="de">Hafenlieder für drei Stimmen</dc:title></title>'
    '<format xsi:type="audioFormatType"/></coreMetadata></ebuCoreMain>'
).encode()
BEFORE = (
    padded(b"bext", bext(HISTORY, description="LF take 3", reference="LF26-0602"))
    + padded(b"vnd1", VENDOR)
    + padded(b"iXML", b"<BWFXML><NOTE>slate 4</NOTE></BWFXML>   \0")
    + padded(b"cart", b"0101" + b"Evening".ljust(2044, b"\0"))
    + padded(b"JUNK", bytes(28))
)
AFTER = (
    padded(b"vnd2", b"odd")
    + info((b"INAM", b"Somebody else's title"), (b"ICMT", b"lamp on"), (b"IGNR", b"Chamber music"))
    + cues((7, 100), (3, FRAMES - 1), (9, FRAMES), (12, FRAMES + 5))
    + padded(b"LIST", b"adtl" + label(7, b"slate") + label(7, b"quiet", b"note") + label(3, b"caf\xc3\xa9"))
    + padded(b"vnd2", b"a second one of the same kind")
    + padded(b"id3 ", b"ID3\x03\0\0\0\0\0\0")
    + padded(b"axml", EBUCORE)
)


def awkward(axml: bytes = EBUCORE) -> bytes:
    after = AFTER.replace(padded(b"axml", EBUCORE), padded(b"axml", axml))
    return wave(fmt_plain(2, 44100, 16), samples(FRAMES), BEFORE, after)


@pytest.fixture
def made(tmp_path: Path) -> Made:
    return wrap_one(tmp_path / "w", awkward(), {"stopped_at": "2026-06-02T10:00:01+02:00"})


def test_unknown_chunks_come_over_byte_for_byte(
    made: Made, tool: Tool, tmp_path: Path, reference: Path
) -> None:
    riff = judge(made, tool, tmp_path, reference)
    assert made.received is not None
    mine = carried(riff)
    assert [i for i, _ in mine] == [b"vnd1", b"iXML", b"cart", b"vnd2", b"vnd2", b"id3 "]
    assert mine == others([(c.id, c.body) for c in strict_riff(made.received).chunks])
    order = [c.id for c in riff.chunks]
    assert order.index(b"cart") < order.index(b"data") < order.index(b"vnd2")
    for single in (b"bext", b"fmt ", b"data", b"cue ", b"axml"):
        assert order.count(single) == 1
    assert len(riff.all(b"LIST", b"INFO")) == len(riff.all(b"LIST", b"adtl")) == 1


def test_received_coding_history_stands_between_tape_and_capture(made: Made, tool: Tool) -> None:
    # R 98: no comma inside T=; the received one becomes a semicolon.
    rows = HISTORY.replace("trimmed,faded", "trimmed;faded").split("\r\n")[:-1]
    check_fields(made, "T01.wav", rows, tool)
    said = "bext of the received file said otherwise: description, originator, originator reference."
    assert made.findings["wrap-bext-replaced"] == said


def test_received_info_is_merged_and_conflicts_are_told(made: Made) -> None:
    entries = dict(sub_chunks(strict_riff(made.master.read_bytes()).one(b"LIST", b"INFO").body))
    assert entries[b"IGNR"] == b"Chamber music\0"
    assert entries[b"INAM"] == b"Evening T01\0"
    assert "wrap-info-replaced" in made.findings


def test_received_cue_points_keep_their_ids(made: Made) -> None:
    riff = strict_riff(made.master.read_bytes())
    body = riff.one(b"cue ").body
    count = struct.unpack_from("<I", body)[0]
    points = {struct.unpack_from("<II4sIII", body, 4 + 24 * n)[0::5] for n in range(count)}
    # 9 stands at the very end, where the last frame ends; 12 stands beyond it and cannot be a cue point.
    assert points == {(7, 100), (3, FRAMES - 1), (9, FRAMES)}
    assert (
        "Outside the audio, or with an id used twice: 1 received cue point."
        in made.findings["wrap-marker-left-out"]
    )
    said = sub_chunks(riff.one(b"LIST", b"adtl").body)
    assert (b"labl", struct.pack("<I", 7) + b"slate\0") in said
    assert (b"note", struct.pack("<I", 7) + b"quiet\0") in said
    assert (b"labl", struct.pack("<I", 3) + b"cafe\0") in said


def test_a_received_xml_document_is_kept_inside_ours(made: Made) -> None:
    from lxml import etree

    root = etree.fromstring(strict_riff(made.master.read_bytes()).one(b"axml").body)
    text = root.find(".//{urn:provpack:record:1}formerDocument").text
    # xsi:type would lose the meaning of its prefix elsewhere, so the document is kept as text.
    assert text.encode() == EBUCORE
    assert "wrap-axml-kept-aside" not in made.findings


def test_a_plain_received_xml_document_becomes_a_subtree(tmp_path: Path) -> None:
    from lxml import etree

    plain = EBUCORE.replace(b'<format xsi:type="audioFormatType"/>', b"")
    made = wrap_one(tmp_path / "w", awkward(plain), {})
    root = etree.fromstring(strict_riff(made.master.read_bytes()).one(b"axml").body)
    (former,) = root.iter(f"{{{EBU}}}ebuCoreMain")
    title = former.find(".//{http://purl.org/dc/elements/1.1/}title")
    assert title.text == "Hafenlieder für drei Stimmen"
    assert title.get("{http://www.w3.org/XML/1998/namespace}lang") == "de"


DEEP = b"<a>" * 254 + b"</a>" * 254
BAD_XML = {
    "malformed": b"<ebuCoreMain><title></ebuCoreMain>",
    "empty": b"",
    "not text": b"\x00\x01\x02\x03",
    "entities": b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>',
    # 254 deep alone is readable; four levels more inside ours would hide the record from every reader.
    "deep": DEEP,
    "long": b"<a t='" + b"x" * (9 * 1024 * 1024) + b"'/>",
    "odd encoding": '<?xml version="1.0" encoding="UTF-16"?><a>ü</a>'.encode("utf-16"),
}


@pytest.mark.parametrize("kind", BAD_XML)
def test_xml_that_cannot_be_taken_in_never_costs_the_record(
    kind: str, tool: Tool, tmp_path: Path, reference: Path
) -> None:
    made = wrap_one(tmp_path / "w", awkward(BAD_XML[kind]), {})
    riff = judge(made, tool, tmp_path, reference)
    if kind == "odd encoding":
        assert "wrap-axml-kept-aside" not in made.findings
        assert "<a>ü</a>".encode() in riff.one(b"axml").body
    else:
        assert "wrap-axml-kept-aside" in made.findings
    tail = (made.package / "data" / "documents" / "received-tail.bin").read_bytes()
    assert padded(b"axml", BAD_XML[kind]) in tail


NOISE = tuple(range(32)) + tuple(b",=<AFT?") + (127, 133, 160, 255)


@pytest.mark.parametrize("seed", range(24))
def test_spoiled_metadata_never_stops_a_wrap(seed: int, tmp_path: Path) -> None:
    """Bytes of any chunk but fmt and data overwritten: the audio is wrapped, and the file can be rebuilt."""
    dice = random.Random(seed)
    content = bytearray(awkward())
    chunks = [c for c in strict_riff(bytes(content)).chunks if c.id not in (b"fmt ", b"data")]
    for chunk in dice.choices(chunks, k=30):
        # Half of the hits in a bext go to its coding history, the part with a grammar.
        first = 602 if chunk.id == b"bext" and dice.random() < 0.5 else 0
        at = chunk.at + dice.randrange(first, len(chunk.body))
        for offset in range(at, min(at + dice.choice((1, 2, 8)), chunk.at + len(chunk.body))):
            content[offset] = dice.choice(NOISE)
    made = wrap_one(tmp_path / "w", bytes(content), {})
    riff = strict_riff(made.master.read_bytes())
    check_received(made, riff)
    check_recovered(made)


def test_a_coding_history_row_of_control_characters(tmp_path: Path) -> None:
    history = "A=\x01,F=44100\r\nA=PCM,F=\x02,W=16,M=\x03,T=\x7f\r\n,,,\r\n"
    made = wrap_one(
        tmp_path / "w", wave(fmt_plain(2, 44100, 16), samples(3000), padded(b"bext", bext(history))), {}
    )
    rows = strict_riff(made.master.read_bytes()).one(b"bext").body[602:].split(b"\r\n")
    assert rows[1].startswith(b"A=?,F=44100")
    assert b"W=16" in rows[2]
    check_recovered(made)


def test_two_of_a_kind_are_told(tmp_path: Path) -> None:
    twice = wave(fmt_plain(2, 44100, 16), samples(FRAMES), padded(b"bext", bext(HISTORY)) * 2)
    made = wrap_one(tmp_path / "w", twice, {})
    assert "2 bext chunks" in made.findings["wav-several-of-one-kind"]
    assert len(strict_riff(made.master.read_bytes()).all(b"bext")) == 1
    assert made.package.joinpath("data/documents/received-head.bin").read_bytes().count(b"bext") == 2


def test_a_long_title_never_hides_the_emphasis(tmp_path: Path, tool: Tool) -> None:
    title = "A very long evening " * 20
    made = wrap_one(tmp_path / "w", wave(fmt_plain(2, 44100, 16), samples(3000)), {"title": title.strip()})
    told = json.loads(run(tool("exiftool"), "-j", "-G1", made.master))[0]["RIFF:Description"]
    assert len(told) <= 256
    assert "emphasis in this file: present (not de-emphasised)" in told
    assert "full record in the axml chunk" in told
