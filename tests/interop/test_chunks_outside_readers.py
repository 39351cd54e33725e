"""A planned master, read by programs that know nothing of ours.

Who reads what (ffmpeg 5.1, libsndfile 1.2.0, sox 14.4.2, exiftool 12.57, mediainfo 23.04): broadcast-wave
fact sheet, section 13. Fields: EBU Tech 3285 v2, RIFF/WAVE 1991; RF64: EBU Tech 3306 v1.1 Annex A.
"""

from __future__ import annotations

import json
import re
import struct
import subprocess
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from provpack.chunks.bext import Bext, build_bext
from provpack.chunks.history import CodingRow, format_history
from provpack.chunks.info import build_info
from provpack.chunks.markers import Marker, build_adtl, build_cue
from provpack.chunks.plan import CopyRange, FormWanted, Literal_, fill_tail, plan_master, tail_size
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout

Tool = Callable[[str], str]

FRAMES = 11_014
HISTORY = format_history(
    [
        CodingRow(
            algorithm="PCM", frequency=44056, word_length=14, mode="stereo", text="STC-007; emphasis on"
        ),
        CodingRow(algorithm="PCM", frequency=44056, word_length=16, mode="stereo", text="S/PDIF capture"),
    ]
)
BEXT = Bext(
    description="Harbour choir; reel 7; side B",
    originator="XX, Lantern Sound Archive",
    originator_reference="XXLSA0123456789AB235959000000042",
    origination_date="2025-03-04",
    origination_time="05:06:07",
    time_reference=3_806_438_399,
    umid=bytes.fromhex("060A2B340101010501010F1013000000") + bytes(range(16)) + bytes(32),
    loudness_value=Decimal("-23.05"),
    loudness_range=Decimal("7.55"),
    max_true_peak=Decimal("-1.25"),
    max_short_term=Decimal("-20.15"),
    coding_history=HISTORY,
)
INFO = [
    ("IARL", "XX, Lantern Sound Archive"),
    ("INAM", "Harbour choir"),
    ("ICRD", "1984-05-01"),
    ("ICMT", "tape LSA-12"),
]
MARKS = (
    Marker(id=1, frame=0, label="start"),
    Marker(id=2, frame=5000, label="dropout", note="two frames", length=44),
)


def padded(chunk_id: bytes, body: bytes) -> bytes:
    return chunk_id + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def audio(size: int) -> bytes:
    """Bytes that differ everywhere: every 16- or 24-bit value range occurs."""
    state, out = 12345, bytearray()
    for _ in range(size):
        state = (state * 1_103_515_245 + 12_345) & 0x7FFFFFFF
        out.append(state >> 16 & 0xFF)
    return bytes(out)


def master(channels: int, bits: int, form: FormWanted) -> tuple[bytes, bytes]:
    """(new file, its audio): a received file with odd chunks around the audio, planned and carried out."""
    align = channels * bits // 8
    fmt = struct.pack("<HHIIHH", 1, channels, 44056, 44056 * align, align, bits)
    samples = audio((FRAMES + channels % 2) * align)
    body = (
        b"WAVE" + padded(b"JUNK", bytes(28)) + padded(b"fmt ", fmt) + padded(b"iXML", b"<BWFXML/>")
        + padded(b"data", samples) + padded(b"abcd", b"odd") + padded(b"LIST", build_info([("INAM", "old")]))
    )  # fmt: skip
    source = b"RIFF" + struct.pack("<I", len(body)) + body
    tail = (
        (b"LIST", build_info(INFO)),
        (b"cue ", build_cue(MARKS)),
        (b"LIST", build_adtl(MARKS)),
        (b"axml", b"<a>record</a>"),
    )
    plan = plan_master(
        read_layout(BytesSource(source)),
        before=((b"bext", build_bext(BEXT)),),
        after_budget=tail_size([(i, len(b)) for i, b in tail]) + 100,
        form_wanted=form,
    )
    parts: list[bytes] = []
    for segment in plan.segments:
        if isinstance(segment, Literal_):
            parts.append(segment.data)
        elif isinstance(segment, CopyRange):
            parts.append(source[segment.offset : segment.offset + segment.size])
        else:
            parts.append(fill_tail(plan, tail))
    return b"".join(parts), samples


@pytest.fixture(scope="module", params=["RIFF", "RF64"])
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A 16-bit stereo master at 44056 Hz."""
    path = tmp_path_factory.mktemp("master") / f"tape-{request.param.lower()}.wav"
    path.write_bytes(master(2, 16, "RF64" if request.param == "RF64" else "auto")[0])
    return path


def run(*command: str | Path) -> bytes:
    done = subprocess.run([str(c) for c in command], capture_output=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr.decode("utf-8", "replace")
    return done.stdout


def test_exiftool_reads_bext_info_and_markers(made: Path, tool: Tool) -> None:
    told = json.loads(run(tool("exiftool"), "-j", "-G1", made))[0]
    assert "ExifTool:Warning" not in told
    assert "ExifTool:Error" not in told
    expected = {
        "RIFF:Description": "Harbour choir; reel 7; side B",
        "RIFF:Originator": "XX, Lantern Sound Archive",
        "RIFF:OriginatorReference": "XXLSA0123456789AB235959000000042",
        "RIFF:DateTimeOriginal": "2025:03:04 05:06:07",
        "RIFF:TimeReference": 3_806_438_399,
        "RIFF:BWFVersion": 2,
        "RIFF:BWF_UMID": BEXT.umid[:32].hex().upper(),
        "RIFF:CodingHistory": HISTORY,
        "RIFF:SampleRate": 44056,
        "RIFF:NumChannels": 2,
        "RIFF:BitsPerSample": 16,
        "RIFF:ArchivalLocation": "XX, Lantern Sound Archive",
        "RIFF:Title": "Harbour choir",
        "RIFF:DateCreated": "1984:05:01",
        "RIFF:Comment": "tape LSA-12",
        "RIFF:CuePointNote": "2 two frames",
        "RIFF:LabeledText": "2 44 'rgn ' 0 0 0 0 ",
    }
    assert {key: told.get(key) for key in expected} == expected


def test_exiftool_sees_every_label(made: Path, tool: Tool) -> None:
    lines = run(tool("exiftool"), "-a", "-s", "-CuePointLabel", made).decode()
    assert re.findall(r": (.*)", lines) == ["1 start", "2 dropout"]


def test_sndfile_metadata_get_reads_bext_and_loudness(made: Path, tool: Tool) -> None:
    text = run(tool("sndfile-metadata-get"), "--all", made).decode("latin-1")
    told = dict(re.findall(r"^(.+?) *: *(.*)$", text, re.MULTILINE))
    expected = {
        "Description": "Harbour choir; reel 7; side B",
        "Originator": "XX, Lantern Sound Archive",
        "Origination ref": "XXLSA0123456789AB235959000000042",
        "Origination date": "2025-03-04",
        "Origination time": "05:06:07",
        "Loudness value": "-23.05",
        "Loudness range": "7.55",
        "Max. true peak level": "-1.25",
        "Max. momentary level": "327.67",  # 7FFFh: this program has no word for "not measured"
        "Max. short term level": "-20.15",
    }
    assert {key: told.get(key) for key in expected} == expected
    assert "A=PCM,F=44056,W=14,M=stereo,T=STC-007; emphasis on" in text
    assert "A=PCM,F=44056,W=16,M=stereo,T=S/PDIF capture" in text


def test_mediainfo_reads_structure_and_loudness(made: Path, tool: Tool) -> None:
    trace = run(tool("mediainfo"), "--Details=1", made).decode("utf-8", "replace")
    told = dict(re.findall(r"^[0-9A-F]+ +([A-Za-z]+): +(.*?)\s*$", trace, re.MULTILINE))
    assert told["Description"] == "Harbour choir; reel 7; side B"
    assert told["TimeReference"].startswith("3806438399 ")
    # The trace shows the words unsigned: -23.05, 7.55, -1.25, not measured, -20.15.
    words = [told[n].split()[0] for n in (
        "LoudnessValue", "LoudnessRange", "MaxTruePeakLevel", "MaxMomentaryLoudness", "MaxShortTermLoudness",
    )]  # fmt: skip
    assert [int(w) for w in words] == [65536 - 2305, 755, 65536 - 125, 32767, 65536 - 2015]
    assert told["numCuePoints"].startswith("2 ")
    plain = json.loads(run(tool("mediainfo"), "--Output=JSON", made))["media"]["track"]
    sound = next(t for t in plain if t["@type"] == "Audio")
    assert (sound["SamplingRate"], sound["SamplingCount"], sound["BitDepth"]) == ("44056", str(FRAMES), "16")


def test_sndfile_info_counts_frames(made: Path, tool: Tool) -> None:
    text = run(tool("sndfile-info"), made).decode("latin-1")
    told = dict(re.findall(r"^(Sample Rate|Frames|Channels) +: +(\d+)$", text, re.MULTILINE))
    assert told == {"Sample Rate": "44056", "Frames": str(FRAMES), "Channels": "2"}
    assert "Error" not in text
    if made.name == "tape-riff.wav":
        assert "Cue ID :  2  Pos :  5000" in text
        assert "IARL : XX, Lantern Sound Archive" in text
    else:
        assert f"Frames    : {FRAMES}" in text  # the ds64 sample count


def test_ffprobe_reads_stream_tags_and_chapters(made: Path, tool: Tool) -> None:
    command = ["-v", "warning", "-show_format", "-show_streams", "-show_chapters", "-of", "json"]
    told = json.loads(run(tool("ffprobe"), *command, made))
    stream, tags = told["streams"][0], told["format"]["tags"]
    assert (stream["sample_rate"], stream["channels"], stream["duration_ts"]) == ("44056", 2, FRAMES)
    assert stream["codec_name"] == "pcm_s16le"
    assert tags["time_reference"] == "3806438399"
    assert tags["umid"] == "0x" + BEXT.umid[:32].hex().upper()
    assert tags["coding_history"] == HISTORY
    # INFO tags of the same name overwrite bext ones in this reader (trap 17): comment, date, title.
    assert (tags["comment"], tags["date"], tags["title"]) == ("tape LSA-12", "1984-05-01", "Harbour choir")
    assert [(c["start"], c["tags"]["title"]) for c in told["chapters"]] == [(0, "start"), (5000, "dropout")]


def test_soxi_reads_the_header(made: Path, tool: Tool) -> None:
    sox = tool("sox")
    assert [run(sox, "--i", f"-{option}", made).decode().strip() for option in "crsb"] == [
        "2", "44056", str(FRAMES), "16",
    ]  # fmt: skip


@pytest.mark.parametrize("form", ["auto", "RF64"])
@pytest.mark.parametrize(("channels", "bits"), [(2, 16), (1, 24), (2, 24)])
def test_decoded_samples_are_bit_identical(
    channels: int, bits: int, form: FormWanted, tmp_path: Path, tool: Tool
) -> None:
    data, samples = master(channels, bits, form)
    path = tmp_path / "tape.wav"
    path.write_bytes(data)
    assert run(tool("sox"), "-D", path, "-t", "raw", "-") == samples
    assert run(tool("ffmpeg"), "-v", "error", "-i", path, "-f", f"s{bits}le", "-") == samples
    told = run(tool("sndfile-info"), path).decode("latin-1")
    assert f"Frames      : {len(samples) // (channels * bits // 8)}" in told


def test_ffmpeg_reads_bw64(tmp_path: Path, tool: Tool) -> None:
    data, samples = master(2, 24, "BW64")
    path = tmp_path / "tape.wav"
    path.write_bytes(data)
    assert run(tool("ffmpeg"), "-v", "error", "-i", path, "-f", "s24le", "-") == samples


def test_flac_takes_the_master_and_gives_every_chunk_back(tmp_path: Path, tool: Tool) -> None:
    # flac 1.4.2 --keep-foreign-metadata restores a WAVE file byte for byte: fact sheet, section 12.
    flac = tool("flac")
    data, _ = master(2, 16, "auto")
    path, packed, back = (tmp_path / name for name in ("tape.wav", "tape.flac", "back.wav"))
    path.write_bytes(data)
    run(flac, "--silent", "--keep-foreign-metadata", "-o", packed, path)
    run(flac, "--silent", "--decode", "--keep-foreign-metadata", "-o", back, packed)
    assert back.read_bytes() == data
