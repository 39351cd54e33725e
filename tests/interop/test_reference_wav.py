"""The reference WAVE, RF64, BW64, W64 and FLAC files, written by other software: what we say about each.

Source: the reference folder's own list (ORIGINS.md), which gives for each file what is special about it and
how many frames libsndfile 1.2.0 counts. The files stay where they are; only numbers are asserted here.
"""

from __future__ import annotations

import json
import re
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple

import pytest

from provpack.chunks.embedded import Embedded
from provpack.chunks.source import BytesSource
from provpack.jobs.inspect import InspectResult, inspect_file


class Row(NamedTuple):
    """One file; findings: rule ids without their prefix `wav-`, each once, in alphabetical order."""

    name: str
    container: str
    channels: int | None
    rate: int | None
    bits: int | None
    valid_bits: int | None
    frames: int | None
    findings: str


ROWS = (
    Row("alsa-Front_Center.wav", "RIFF", 1, 48000, 16, 16, 68545, ""),
    Row("cellar-faulty-03-wrong_bit_depth.flac", "FLAC", 1, 24000, 24, 24, 89903, "other-container"),
    Row("cellar-faulty-05-wrong_total_samples.flac", "FLAC", 1, 24000, 16, 16, 39842, "other-container"),
    Row(
        "cellar-faulty-10-invalid_vorbis_comment.flac",
        "FLAC",
        1,
        24000,
        16,
        16,
        119279,
        "other-container other-container-unreadable",
    ),
    Row("cellar-subset-14-wasted_bits.flac", "FLAC", 2, 44100, 16, 16, 218101, "other-container"),
    Row("cpython-pluck-pcm24.wav", "RIFF", 2, 11025, 24, 24, 3307, ""),
    Row("ear-empty_extradata.wav", "RIFF", 1, 48000, 16, 16, 4, "fmt-tail"),
    Row("ear-fmt_padding.wav", "RIFF", 1, 48000, 16, 16, 4, "fmt-tail"),
    Row("ear-git-24bit_missing_padding.wav", "RIFF", 1, 48000, 24, 24, 1, "pad-missing"),
    Row("ear-pcm_extradata.wav", "RIFF", 1, 48000, 16, 16, 4, ""),
    Row("ear-rect_24bit_bext.wav", "RIFF", 2, 44100, 24, 24, 22050, ""),
    Row("ear-test_bwf-chna-axml.wav", "RIFF", 4, 48000, 24, 24, 12000, ""),
    Row("flac-24bit-WaveFmtPCM-odd.wav", "RIFF", 1, 44100, 24, 24, 441, ""),
    Row("gen-ear_bw64_forced_chna_axml.wav", "BW64", 2, 44056, 24, 24, 4405, ""),
    Row("gen-ffmpeg.w64", "W64", 1, 48000, None, None, 14400, "other-container"),
    Row(
        "gen-ffmpeg_aborted_header_only_bext.wav",
        "RIFF",
        2,
        48000,
        24,
        24,
        None,
        "history-line-ends no-data riff-size-unset time-reference-beyond-day",
    ),
    Row(
        "gen-ffmpeg_bext_levl.wav",
        "RIFF",
        2,
        48000,
        16,
        16,
        24000,
        "history-line-ends time-reference-beyond-day",
    ),
    Row(
        "gen-ffmpeg_pipe_sizes_ffffffff.wav",
        "RIFF",
        1,
        48000,
        16,
        16,
        14400,
        "data-size-unset riff-size-unset",
    ),
    Row("gen-ffmpeg_rf64_auto_junk.wav", "RIFF", 1, 48000, 16, 16, 19200, ""),
    Row(
        "gen-sndfile_bext_v2_loudness.wav",
        "RIFF",
        1,
        44056,
        16,
        16,
        13217,
        "time-reference-beyond-day umid-invalid",
    ),
    Row("gen-sndfile_rf64.rf64", "RF64", 1, 44056, 24, 24, 13217, ""),
    Row("gen-sox_44056hz_24bit_wavex.wav", "RIFF", 1, 44056, 24, 24, 13217, ""),
    Row(
        "goaudio-bwf-audio_zeroed.wav",
        "RIFF",
        1,
        44100,
        24,
        24,
        7287,
        "bext-date bext-stray-bytes riff-size-wrong umid-invalid",
    ),
    Row("goaudio-listinfo.wav", "RIFF", 1, 44100, 16, 16, 88200, ""),
    Row("goaudio-padded24b.wav", "RIFF", 1, 44100, 24, 24, 3713, "data-partial-frame"),
    Row("libbw64-noise_24bit_uneven_data.wav", "RIFF", 1, 44100, 24, 24, 13, "riff-size-wrong"),
    Row(
        "musicmeta-ffmpeg-missing-chunksize.wav",
        "RIFF",
        2,
        44100,
        16,
        16,
        27648,
        "data-size-unset riff-size-unset",
    ),
    Row(
        "musicmeta-header_only_100_bytes.wav",
        "RIFF",
        2,
        44100,
        24,
        24,
        3,
        "data-cut-short data-partial-frame riff-size-wrong",
    ),
    Row("musicmeta-info_ixml_xmp.wav", "RIFF", 2, 48000, 24, 24, 13171, ""),
    Row("musicmeta-issue-1163.bwf", "RIFF", 2, 48000, 24, 24, 0, "fmt-tail interrupted riff-size-wrong"),
    Row("musicmeta-issue-819.wav", "RIFF", 1, 16000, 16, 16, 2478, "data-size-unset riff-size-unset"),
    Row("mutagen-flac_application.flac", "FLAC", 2, 44100, 16, 16, 12067524, "other-container"),
    Row("mutagen-silence-8bit-INFO-ID3.wav", "RIFF", 2, 16000, 8, 8, 32000, ""),
    Row("rfc9639-example_1.flac", "FLAC", 2, 44100, 16, 16, 1, "other-container"),
    Row("rfc9639-example_2.flac", "FLAC", 2, 44100, 16, 16, 19, "other-container"),
    Row("rfc9639-example_3.flac", "FLAC", 1, 32000, 8, 8, 24, "other-container"),
    Row("scipy-test-1234Hz-le-1ch-10S-20bit-extra.wav", "RIFF", 1, 1234, 20, 20, 10, ""),
    Row(
        "scipy-test-44100Hz-le-1ch-4bytes-early-eof.wav",
        "RIFF",
        1,
        44100,
        32,
        32,
        236,
        "data-cut-short fact-differs riff-size-wrong",
    ),
    Row(
        "scipy-test-44100Hz-le-1ch-4bytes-rf64.wav",
        "RF64",
        1,
        44100,
        32,
        32,
        4410,
        "real-size-in-rf64 sample-count-wrong",
    ),
    Row("scipy-test-44100Hz-le-1ch-4bytes.wav", "RIFF", 1, 44100, 32, 32, 4410, "riff-size-wrong"),
    Row("scipy-test-48000Hz-2ch-64bit-float-le-wavex.wav", "RIFF", 2, 48000, 64, 64, 480, ""),
    Row("scipy-test-8000Hz-be-3ch-5S-24bit.wav", "RIFX", None, None, None, None, None, "big-endian"),
    Row("scipy-test-8000Hz-le-1ch-1byte-ulaw.wav", "RIFF", 1, 8000, 8, 8, 9, "fmt-tail"),
    Row("scipy-test-8000Hz-le-2ch-1byteu.wav", "RIFF", 2, 8000, 8, 8, 800, ""),
    Row("scipy-test-8000Hz-le-3ch-5S-36bit.wav", "RIFF", 3, 8000, 36, 36, 5, "fmt-unsupported"),
    Row("scipy-test-8000Hz-le-4ch-9S-12bit.wav", "RIFF", 4, 8000, 12, 12, 9, ""),
    Row("sox-monkey.wav", "RIFF", 1, 8012, 8, 8, 1612, ""),
    Row("taglib-duplicate_tags.wav", "RIFF", 2, 1000, 16, 16, 3675, "several-of-one-kind"),
    Row("taglib-git-rf64.wav", "RF64", 2, 48000, 16, 16, 2400, ""),
    Row(
        "taglib-invalid-chunk.wav",
        "RIFF",
        None,
        None,
        None,
        None,
        None,
        "chunk-id-unreadable no-data no-fmt riff-size-wrong",
    ),
    Row("taglib-pcm_with_fact_chunk.wav", "RIFF", 2, 1000, 16, 16, 3675, "fact-differs"),
    Row("wavefile-8bit-bext-odd-data.wav", "RIFF", 1, 16000, 8, 8, 219429, "bext-stray-bytes lower-case-id"),
    Row("wavefile-M1F1-int12WE-AFsp.wav", "RIFF", 2, 8000, 16, 12, 23493, ""),
    Row("wavefile-rf64-64bit-bext.wav", "RF64", 1, 8000, 64, 64, 48000, "real-size-in-rf64"),
    Row("wavefile-test-cue-junk.wav", "RIFF", 1, 8000, 16, 16, 16000, "lower-case-id"),
    Row("wavefile-utf8-label.wav", "RIFF", 1, 8000, 16, 16, 14208, "text-not-ascii"),
    Row("wavinfo-A101_1_1.WAV", "RIFF", 1, 48000, 24, 24, 240239, "pad-missing"),
    Row("wavinfo-A101_3.WAV", "RIFF", 2, 48000, 24, 24, 48044, "history-row-unusual"),
    Row("wavinfo-STE-000.wav", "RIFF", 2, 48000, 16, 16, 242624, "history-line-ends lower-case-id"),
    Row(
        "wavinfo-Sr001-2C-01_01.WAV",
        "RIFF",
        1,
        48000,
        24,
        24,
        336000,
        "bext-date bext-stray-bytes ixml-differs",
    ),
    Row("wavinfo-cues_test.wav", "RIFF", 1, 48000, 32, 32, 48000, "text-not-ascii"),
    Row("wavinfo-umid.wav", "RIFF", 1, 44100, 24, 24, 44100, "fmt-tail"),
    Row("wcp-valid_with_markers-cart.wav", "RIFF", 2, 44100, 16, 16, 111020, ""),
)

OTHER_COUNTS = {
    # libsndfile believes the ds64 sample count, which the list calls wrong: 4410 frames are there.
    "scipy-test-44100Hz-le-1ch-4bytes-rf64.wav",
    # Big-endian: refused here, read by libsndfile.
    "scipy-test-8000Hz-be-3ch-5S-24bit.wav",
}


def inspect(folder: Path, name: str) -> InspectResult:
    return inspect_file(BytesSource((folder / "wav" / name).read_bytes()), name)


def embedded(folder: Path, name: str) -> Embedded:
    found = inspect(folder, name).embedded
    assert found is not None
    return found


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r.name)
def test_facts_and_findings(row: Row, reference: Path) -> None:
    result = inspect(reference, row.name)
    facts = result.facts
    assert (
        Row(
            row.name,
            facts.container or "",
            facts.channels,
            facts.sample_rate,
            facts.bits_per_sample,
            facts.valid_bits,
            facts.frames,
            " ".join(sorted({f.rule.removeprefix("wav-") for f in result.findings})),
        )
        == row
    )
    plain = result.as_json()
    assert json.loads(json.dumps(plain)) == plain
    assert all(f.what and f.where and f.todo for f in result.findings)


def test_the_table_covers_every_file(reference: Path) -> None:
    present = {p.name for p in (reference / "wav").iterdir() if p.suffix != ".md" and p.name != "SHA256SUMS"}
    assert {row.name for row in ROWS} == present


def test_frame_counts_agree_with_libsndfile(reference: Path) -> None:
    text = (reference / "wav" / "ORIGINS.md").read_text(encoding="utf-8")
    counts = {name: int(n) for name, n in re.findall(r"^\| `([^`]+)` .* S\+(\d+)b? ", text, re.MULTILINE)}
    ours = {row.name: row.frames for row in ROWS}
    assert len(counts) > 50
    assert {n: ours[n] for n in counts if n not in OTHER_COUNTS} == {
        n: c for n, c in counts.items() if n not in OTHER_COUNTS
    }


def test_wrong_bext_dates_and_umid_are_kept_raw(reference: Path) -> None:
    bext = embedded(reference, "goaudio-bwf-audio_zeroed.wav").bext
    assert bext is not None
    assert (len(bext.origination_date), bext.iso_date) == (9, None)
    assert (len(bext.origination_time), bext.iso_time) == (7, None)
    assert bext.umid_is_valid is False
    dotted = embedded(reference, "wavinfo-Sr001-2C-01_01.WAV").bext
    assert dotted is not None
    assert (dotted.origination_date, dotted.iso_date) == ("2019:01:01", "2019-01-01")
    assert dotted.time_reference == 2_354_414_956  # bit 31 set: unsigned


def test_loudness_and_wide_time_reference(reference: Path) -> None:
    bext = embedded(reference, "gen-sndfile_bext_v2_loudness.wav").bext
    assert bext is not None
    assert (bext.loudness_value, bext.loudness_range, bext.max_true_peak) == (
        Decimal("-23.05"),
        Decimal("7.55"),
        Decimal("-1.25"),
    )
    assert (bext.max_momentary, bext.max_short_term) == (Decimal("-18.40"), Decimal("-20.15"))
    assert bext.time_reference > 2**32
    assert len(bext.originator_reference) == 32
    assert len(embedded(reference, "gen-sndfile_bext_v2_loudness.wav").history) == 2


def test_full_reference_without_nul_and_unknown_history_key(reference: Path) -> None:
    found = embedded(reference, "wavinfo-A101_3.WAV")
    assert found.bext is not None
    assert len(found.bext.originator_reference) == 32
    assert [key for key, _ in found.history[0].extra] == ["R"]
    assert (found.history[0].frequency, found.history[0].word_length) == (48000, 24)


def test_umid_of_a_workstation(reference: Path) -> None:
    bext = embedded(reference, "wavinfo-umid.wav").bext
    assert bext is not None
    assert bext.umid_is_valid
    assert bext.umid[12] == 0x13  # basic UMID
    assert bext.umid[32:] == bytes(32)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("wavinfo-cues_test.wav", [(1000, None), (5000, 5000), (10000, 10000)]),
        ("wavefile-test-cue-junk.wav", [(8000, None)]),
        ("wavefile-utf8-label.wav", [(4000, None)]),
        ("wavinfo-STE-000.wav", [(29616, None), (74592, None), (121200, None)]),
        ("wcp-valid_with_markers-cart.wav", [(32000, None)]),
    ],
)
def test_markers(name: str, expected: list[tuple[int, int | None]], reference: Path) -> None:
    assert [(m.frame, m.length) for m in embedded(reference, name).markers] == expected


def test_channel_tables_and_xml(reference: Path) -> None:
    adm = embedded(reference, "ear-test_bwf-chna-axml.wav")
    assert adm.chna is not None
    assert (adm.chna.tracks, adm.chna.uids, len(adm.chna.records)) == (4, 5, 5)
    assert adm.axml is not None
    spare = embedded(reference, "libbw64-noise_24bit_uneven_data.wav").chna
    assert spare is not None
    assert spare.uids <= 79
    bw64 = embedded(reference, "gen-ear_bw64_forced_chna_axml.wav")
    assert bw64.chna is not None
    assert bw64.axml is not None
    assert len(bw64.axml) == 233


def test_disagreeing_tags_are_all_listed(reference: Path) -> None:
    found = embedded(reference, "taglib-duplicate_tags.wav")
    assert len(found.info_lists) == 2
    assert found.info_lists[0] != found.info_lists[1]
    assert found.id3_count == 2


def test_info_and_chunks_of_an_editor_export(reference: Path) -> None:
    result = inspect(reference, "musicmeta-info_ixml_xmp.wav")
    assert [c.name for c in result.chunks] == ["fmt ", "data", "LIST", "DISP", "iXML", "_PMX"]
    assert result.embedded is not None
    assert {"IARL", "ISRC", "ICRD"} <= {tag for tag, _ in result.embedded.info_lists[0]}


def test_rifx_chunks_are_listed(reference: Path) -> None:
    result = inspect(reference, "scipy-test-8000Hz-be-3ch-5S-24bit.wav")
    assert [(c.name, c.size, c.pad) for c in result.chunks] == [("fmt ", 16, "none"), ("data", 45, "zero")]
    assert result.outcome == "refused"


def test_flac_comment_of_147_megabytes(reference: Path) -> None:
    flac = inspect(reference, "cellar-faulty-10-invalid_vorbis_comment.flac").flac
    assert flac is not None
    assert flac.comments == ()
    assert "Vorbis comment" in flac.problem


def test_rfc_9639_worked_examples(reference: Path) -> None:
    # RFC 9639 appendix D [section number from memory]: the three worked examples.
    md5 = [inspect(reference, f"rfc9639-example_{n}.flac").flac for n in (1, 2, 3)]
    assert [m.md5[:8] if m and m.md5 else None for m in md5] == ["3e84b418", "d5b05649", "f8f9e396"]
    assert md5[1] is not None
    assert [b.name for b in md5[1].blocks] == ["STREAMINFO", "SEEKTABLE", "VORBIS_COMMENT", "PADDING"]
