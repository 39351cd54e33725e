"""What `inspect` says of a file: what it states itself, shortened and safe for a terminal."""

from __future__ import annotations

import struct
from decimal import Decimal

import pytest
from unit.chunks.wavbytes import AUDIO, FMT, chunk, riff

from provpack.chunks.bext import Bext, build_bext
from provpack.chunks.info import build_info
from provpack.chunks.markers import Marker, build_adtl, build_cue
from provpack.chunks.source import BytesSource
from provpack.edge.tags import FlacFacts
from provpack.jobs.inspect import Facts, InspectResult, inspect_file
from provpack.report.text_inspect import MOST, inspect_lines

F, D = chunk(b"fmt ", FMT), chunk(b"data", AUDIO)


def told(*parts: bytes, name: str = "tape-12.wav") -> list[str]:
    return list(inspect_lines(inspect_file(BytesSource(riff(*parts)), name)))


def value(lines: list[str], label: str) -> str:
    (line,) = [line for line in lines if line.startswith(f"  {label:24}")]
    return line[26:]


def test_a_plain_file_states_little() -> None:
    lines = told(F, D)
    assert lines[0] == "tape-12.wav"
    assert value(lines, "container") == "RIFF"
    assert value(lines, "encoding") == "pcm, 16 bits, 2 channels"
    assert value(lines, "rate in the header") == "44056 Hz"
    assert value(lines, "audio payload") == "40 bytes from offset 44"
    assert "Chunks" in lines and not any("more (see --json)" in line for line in lines)
    assert not any(line.startswith(("bext", "LIST INFO", "Markers", "Also inside")) for line in lines)


def test_what_is_no_sound_file_says_what_is_known() -> None:
    lines = list(inspect_lines(inspect_file(BytesSource(b"<html></html>"), "a\x1b[2J.wav\u202e")))
    assert lines[0] == "a\ufffd[2J.wav\ufffd"
    assert value(lines, "container") == "not recognised" and value(lines, "file") == "13 bytes"
    assert not any(line.startswith(("  encoding", "  length", "  audio payload")) for line in lines)


def test_bext_tells_what_was_not_filled_in_and_not_measured() -> None:
    empty = told(chunk(b"bext", build_bext(Bext())), F, D)
    assert value(empty, "description") == value(empty, "originator") == "(empty)"
    assert value(empty, "UMID") == "none" and value(empty, "loudness") == "not measured"
    full = Bext(
        description="d" * 250, originator="Aldbrae", originator_reference="R", origination_date="2031-05-01",
        origination_time="10:00:00", time_reference=7, version=2, loudness_value=Decimal("-23.04"),
        coding_history="A=PCM,F=44056,W=14,M=stereo,T=deck; tape\r\nA=PCM,F=44056,W=16\r\n",
    )  # fmt: skip
    lines = told(chunk(b"bext", build_bext(full)), F, D)
    assert value(lines, "origination") == "2031-05-01 10:00:00"
    assert value(lines, "loudness") == "-23.04 LUFS"
    assert value(lines, "time reference") == "7 frames since midnight"
    at = lines.index("Coding history (oldest first)")
    assert lines[at + 1 : at + 4] == [
        "  A=PCM, F=44056, W=14, M=stereo", "      deck; tape", "  A=PCM, F=44056, W=16",
    ]  # fmt: skip


@pytest.mark.parametrize("lists", [1, 2])
def test_lists_of_info_are_numbered_when_there_are_several(lists: int) -> None:
    lines = told(F, D, *[chunk(b"LIST", build_info([("INAM", f"Reel {n}")])) for n in range(lists)])
    assert ("LIST INFO" in lines) == (lists == 1) and ("LIST INFO (2)" in lines) == (lists == 2)
    assert "Reel 0" in " ".join(lines) and ("Reel 1" in " ".join(lines)) == (lists == 2)


@pytest.mark.parametrize("many", [1, MOST, MOST + 2])
def test_markers_are_listed_up_to_a_bound(many: int) -> None:
    marks = tuple(
        Marker(
            id=n + 1,
            frame=n % 9,
            label=f"m{n}",
            note="short" if n == 0 else None,
            length=3 if n == 0 else None,
        )
        for n in range(many)
    )
    lines = told(F, D, chunk(b"cue ", build_cue(marks)), chunk(b"LIST", build_adtl(marks)))
    assert f"Markers ({many})" in lines
    assert f"  {0:>14}  m0, 3 frames long - short" in lines
    assert ("  ... 2 more (see --json)" in lines) == (many > MOST)


def test_what_else_is_inside_is_named() -> None:
    chna = struct.pack("<HH", 0, 0)  # EBU Tech 3285 / ITU-R BS.2088: numbers of tracks and of UIDs
    papers = (chunk(b"axml", b"<a/>"), chunk(b"iXML", b"<BWFXML/>"), chunk(b"chna", chna))
    lines = told(F, D, *papers, chunk(b"ID3 ", bytes(10)))
    (said,) = [line for line in lines if line.startswith("Also inside: ")]
    assert "axml of 4 bytes; iXML of 9 bytes; 1 ID3 chunks" in said and said.endswith("; chna with 0 tracks")


def test_chunks_are_listed_up_to_a_bound_and_cut_ones_say_so() -> None:
    many = told(F, *[chunk(b"abcd", b"xy")] * 201, D)
    assert "  ... 3 more (see --json)" in many
    short = list(inspect_lines(inspect_file(BytesSource(riff(F, D)[:-10]), "x.wav")))
    (row,) = [line for line in short if line.split()[1:2] == ["data"]]
    assert "30 of 40" in row


def test_a_flac_file_and_a_record_inside() -> None:
    facts = Facts(
        container="FLAC", file_bytes=9, encoding="pcm", channels=2, sample_rate=44100, bits_per_sample=24,
        valid_bits=20, rate_note="as the header has it",
    )  # fmt: skip
    flac = FlacFacts(
        sample_rate=44100, channels=2, bits_per_sample=24, frames=None, md5=None, vendor="",
        comments=(("TITLE", "Reel 7"),), blocks=(),
    )  # fmt: skip
    result = InspectResult(
        name="a.flac", facts=facts, chunks=(), embedded=None, flac=flac, has_record=True, findings=()
    )
    lines = list(inspect_lines(result))
    assert value(lines, "encoding") == "pcm, 20 bits in 24, 2 channels"
    assert value(lines, "MD5 of the samples") == "not stated" and value(lines, "TITLE") == "Reel 7"
    assert "A transfer record is embedded: provpack inspect FILE --record prints it." in lines
    assert value(lines, "") == "as the header has it"
