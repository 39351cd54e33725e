"""Derivatives judged by programs that share nothing with us: flac, ffmpeg, ffprobe, exiftool, mediainfo,
xmllint. (libsndfile and sox judge the samples in tests/unit/derive/test_derive_response.py.)"""

from __future__ import annotations

import hashlib
import json
import os
import struct
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.derivatives import HISTORY, RATES, RECORD, Work, derive, ranges, received, record_with, wanted
from support.strangers import Tool, run, strict_riff

from provpack.jobs.deriveplan import Container
from provpack.package.premis import build_premis

N = 70_000
TITLE = RECORD["item"]["title"]
DONE = "digital de-emphasis 50/15 us (where the record says emphasis is on)"


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Mapping[Container, Work]:
    """The same derivative as WAV and as FLAC: 14-bit noise with two changes of state, full-scale bursts."""
    folder = tmp_path_factory.mktemp("derivatives")
    codes = np.random.default_rng(4).integers(-8192, 8192, (N, 2)) * 4
    codes[N // 2 :] //= 64
    record = record_with(signal=ranges((0, 20_000, "off"), (20_000, 60_000, "on"), (60_000, N, "off")))
    content = received(codes, 44056)

    def made(container: Container) -> Work:
        wish = wanted(container=container)
        return derive(folder / container, content, RATES[0], record=record, wish=wish)

    return {"wav": made("wav"), "flac": made("flac")}


def test_flac_decodes_to_the_samples_of_the_wav(
    pair: Mapping[Container, Work], tool: Tool, tmp_path: Path
) -> None:
    """`flac -d` and ffmpeg give, bit for bit, what the data chunk of the WAV derivative holds; `flac -t`
    finds the digest in STREAMINFO right (RFC 9639 section 8.2, by number from memory)."""
    flac, wav = pair["flac"].path, strict_riff(pair["wav"].path.read_bytes()).one(b"data").body
    assert len(wav) == N * 6
    run(tool("flac"), "-t", "--silent", "--warnings-as-errors", flac)
    raw = ["--force-raw-format", "--endian=little", "--sign=signed"]
    run(tool("flac"), "-d", "--silent", *raw, "-o", tmp_path / "a.raw", flac)
    assert (tmp_path / "a.raw").read_bytes() == wav
    run(tool("ffmpeg"), "-v", "error", "-i", flac, "-f", "s24le", tmp_path / "b.raw")
    assert (tmp_path / "b.raw").read_bytes() == wav
    digest = hashlib.sha256(wav).hexdigest()
    assert {work.told.entry["audio_sha256"] for work in pair.values()} == {digest}


def test_metaflac_finds_the_stream_and_its_tags(pair: Mapping[Container, Work], tool: Tool) -> None:
    flac = pair["flac"].path
    shown = ("--show-sample-rate", "--show-bps", "--show-channels", "--show-total-samples", "--show-md5sum")
    said = run(tool("metaflac"), *shown, flac).decode().split()
    wav = strict_riff(pair["wav"].path.read_bytes()).one(b"data").body
    assert said == ["44056", "24", "2", str(N), hashlib.md5(wav, usedforsecurity=False).hexdigest()]
    blocks = run(tool("metaflac"), "--list", flac).decode()
    assert [line.split()[-1] for line in blocks.splitlines() if line.startswith("  type:")] == [
        "(STREAMINFO)", "(VORBIS_COMMENT)",
    ]  # fmt: skip


def exiftool(tool: Tool, path: Path) -> dict[str, Any]:
    said = json.loads(run(tool("exiftool"), "-j", "-charset", "UTF8", path))
    return dict(said[0])


def test_exiftool_reads_both(pair: Mapping[Container, Work], tool: Tool) -> None:
    wav, flac = (exiftool(tool, pair[c].path) for c in ("wav", "flac"))
    parent = pair["wav"].told.entry["parent"]
    assert wav["Title"] == "Abendkonzert fur Streicher, Teil 2"  # INFO and bext hold ASCII only
    assert wav["Description"].startswith("Abendkonzert fur Streicher, Teil 2; item AK-17; job JOB-1; ")
    assert "emphasis in this file: removed" in wav["Description"]
    assert wav["BWFVersion"] == 2
    assert wav["TimeReference"] == int(36_000 * RATES[0])
    assert wav["DateTimeOriginal"] == "2026:06:02 10:00:00"
    rows = wav["CodingHistory"].replace("..", "\r\n")
    assert rows.startswith(HISTORY)
    assert rows.removeprefix(HISTORY).startswith(f"A=PCM,F=44056,W=24,M=stereo,T={DONE}; ")
    assert parent in wav["Comment"]
    assert (wav["SampleRate"], wav["BitsPerSample"], wav["NumChannels"]) == (44056, 24, 2)
    assert flac["Title"] == TITLE  # UTF-8, whole
    assert flac["Date"] == "1986-11"
    assert flac["Version"] == DONE
    assert flac["Organization"] == "Grauwell Transfer Room"
    assert flac["ParentAudioSha256"] == parent
    assert flac["RecordId"] == RECORD["record_id"]
    assert (flac["SampleRate"], flac["BitsPerSample"], flac["TotalSamples"]) == (44056, 24, N)
    assert not {"Warning", "Error"} & (wav.keys() | flac.keys())


def test_ffprobe_reads_both(pair: Mapping[Container, Work], tool: Tool) -> None:
    for container, codec in (("wav", "pcm_s24le"), ("flac", "flac")):
        path = pair[container].path
        shown = ("-v", "error", "-show_streams", "-show_format", "-of", "json", path)
        said = json.loads(run(tool("ffprobe"), *shown))
        (stream,) = said["streams"]
        assert (stream["codec_name"], stream["sample_rate"], stream["channels"]) == (codec, "44056", 2)
        assert (stream["bits_per_raw_sample"], stream["duration_ts"]) == ("24", N)
        tags = {key.lower(): value for key, value in said["format"]["tags"].items()}
        assert tags["title"] in (TITLE, "Abendkonzert fur Streicher, Teil 2")
        assert tags["date"] == "1986-11"
        assert tags["coding_history"].startswith(HISTORY)


def test_mediainfo_reads_both(pair: Mapping[Container, Work], tool: Tool) -> None:
    for container, name in (("wav", "Wave"), ("flac", "FLAC")):
        said = json.loads(run(tool("mediainfo"), "--Output=JSON", pair[container].path))
        general, audio = said["media"]["track"]
        assert general["Format"] == name
        assert general["Recorded_Date"] == "1986-11"
        assert general["Title"] in (TITLE, "Abendkonzert fur Streicher, Teil 2")
        assert (audio["SamplingRate"], audio["BitDepth"], audio["SamplingCount"]) == ("44056", "24", str(N))
        if container == "wav":
            assert general["extra"]["bext_Version"] == "2"
            # loudness was not measured on the derivative: 7FFFh, which must not show as a value
            assert not [key for key in (*general, *audio) if "Loudness" in key]


def test_the_gain_of_the_file_is_seen_by_ffmpeg(tool: Tool, tmp_path: Path) -> None:
    """A full look from outside: ffmpeg measures the level of a 10 kHz tone before and after; 50/15 us takes
    7.602 dB off it (domain note 3.1)."""
    rate = RATES[1]
    t = np.arange(44_100) / 44_100
    tone = np.rint(16_000 * np.sin(2 * np.pi * 10_000 * t)).astype(int)[:, None].repeat(2, axis=1)
    work = derive(tmp_path, received(tone, 44_100), rate)
    levels = []
    for path in (tmp_path / "T01.wav", work.path):
        run(
            tool("ffmpeg"),
            "-v",
            "error",
            "-ss",
            "0.1",
            "-t",
            "0.8",
            "-i",
            path,
            "-f",
            "f64le",
            tmp_path / "x.raw",
        )
        sound = np.frombuffer((tmp_path / "x.raw").read_bytes(), dtype="<f8")
        levels.append(20 * np.log10(np.sqrt(np.mean(sound**2))))
        (tmp_path / "x.raw").unlink()
    assert levels[0] - levels[1] == pytest.approx(7.602, abs=0.002)


def test_the_schema_of_the_library_of_congress_takes_the_event(
    pair: Mapping[Container, Work], reference: Path, tool: Tool, tmp_path: Path
) -> None:
    """premis-v3-0.xsd (PREMIS 3.0, January 2016), no network."""
    work = pair["flac"]
    master = {"role": "master", "path": "data/master/m.wav", "media_type": "audio/vnd.wave", "bytes": 9,
              "sha256": "b" * 64, "audio_sha256": work.told.entry["parent"]}  # fmt: skip
    record = work.record | {"audio_sha256": work.told.entry["parent"], "files": [master, work.told.entry]}
    (tmp_path / "premis.xml").write_bytes(build_premis(record, files=record["files"]))
    schema = reference / "xsd" / "premis" / "premis-v3-0.xsd"
    catalogue = {**os.environ, "XML_CATALOG_FILES": str(reference / "xsd" / "catalog.xml")}
    run(tool("xmllint"), "--noout", "--nonet", "--schema", schema, tmp_path / "premis.xml", env=catalogue)
    assert b"processing-1" in (tmp_path / "premis.xml").read_bytes()


def test_the_header_is_plain_24_bit_pcm(pair: Mapping[Container, Work]) -> None:
    """The form every reader takes (broadcast-wave note section 1): tag 1, 24 bits, rate as handed in."""
    fmt = strict_riff(pair["wav"].path.read_bytes()).one(b"fmt ").body
    assert fmt == struct.pack("<HHIIHH", 1, 2, 44056, 44056 * 6, 6, 24)
