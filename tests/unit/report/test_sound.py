"""Measured figures in words, and declared beside measured. The facts of each sound are those it was made with
(conftest.py, tests/support); the meaning of the input stands in the docstrings of provpack/measure."""

from __future__ import annotations

import copy
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from support.measured import R525, measure, tape

from provpack.report.sound_compare import FITS, Compared, compared
from provpack.report.sound_damage import damage_part
from provpack.report.sound_levels import levels_part, loudness_part
from provpack.report.sound_parts import Part, figure, length, share
from provpack.report.sound_spectra import channels_part, emphasis_part, spectrum_part, whistle_part
from provpack.report.sound_view import Sound, sound_view

Json = dict[str, Any]
Made = Callable[[Json], Json]


def view(document: Json, record: Json) -> Sound:
    found = sound_view(record, document, R525)
    assert found is not None
    return found


def everything(part: Part | None) -> str:
    """All that a part says, in one text."""
    assert part is not None
    cells = [cell for sheet in part.sheets for row in (sheet.columns, *sheet.lines) for cell in row]
    picture = [part.picture.words] if part.picture else []
    return " | ".join([part.title, *part.said, *picture, *cells, *part.limits])


def row(record: Json, document: Json, fact: str) -> Compared:
    (found,) = [r for r in compared(record, document) if r.fact == fact]
    return found


def test_all_parts_are_there_in_order(damaged_tape: tuple[Json, Json], record: Made) -> None:
    document, measured = damaged_tape
    sound = view(document, record(measured))
    assert [part.ident for part in sound.parts] == [
        "levels", "bits", "loudness", "channels", "spectrum", "spectrogram", "whistle",
        "emphasis-hints", "damage",
    ]  # fmt: skip
    assert sound.by.startswith("provpack ") and "2031-05-06" in sound.by
    assert sound.file == "data/master/tape.wav"


def test_measurements_of_schema_1_0_have_no_such_section(
    record: Made, damaged_tape: tuple[Json, Json]
) -> None:
    old = {
        key: damaged_tape[0][key] for key in ("frames", "sampling_frequency", "digital_silence", "envelope")
    }
    channels = [{"peak_dbfs": -3.0, "effective_bits": 14, "dc_offset_codes": 1.0}] * 2
    assert sound_view(record(damaged_tape[1]), {**old, "channels": channels}, R525) is None
    assert sound_view(record(damaged_tape[1]), None, R525) is None
    assert compared(record(damaged_tape[1]), old) == ()


def test_levels_are_those_of_the_measurement(damaged_tape: tuple[Json, Json]) -> None:
    document = damaged_tape[0]
    part = levels_part(document, 16)
    assert part is not None
    (sheet,) = part.sheets
    for line, channel in zip(sheet.lines, document["channels"], strict=True):
        assert line[1] == figure(channel["peak_dbfs"], "dBFS") and line[2].endswith(" dBTP")
        assert line[3] == figure(channel["rms_dbfs"], "dBFS") and " codes (−" in line[4]
        assert line[5] == "16 bits" and line[6] == "no"
    said = everything(part)
    assert "32\u202f764 and −32\u202f768, the outermost codes of the declared word length" in said


def test_loudness_says_what_emphasis_does_to_it(damaged_tape: tuple[Json, Json], record: Made) -> None:
    document, measured = damaged_tape
    made = record(measured)
    assert "carries pre-emphasis, and it was measured as it is" in everything(
        loudness_part(document, made, R525)
    )
    made["signal"]["file_emphasis"] = "unknown"
    assert "Nobody knows whether" in everything(loudness_part(document, made, R525))
    made["signal"]["file_emphasis"] = "absent"
    said = everything(loudness_part(document, made, R525))
    assert "emphasis" not in said
    assert figure(document["loudness"]["integrated_lufs"], "LUFS") in said and "Loudness range" in said


def test_what_cannot_be_stated_is_said_in_words() -> None:
    document, measured = measure(np.zeros((44_056 * 4, 2), dtype=np.int16))
    silent: Json = {"signal": {"file_emphasis": "present"}, "measured": measured}
    said = " ".join(everything(part) for part in view(document, silent).parts)
    assert "Every sample is zero: no bits are in use." in said
    assert "cannot be stated: silent or too short" in said and "Neither channel holds any sound." in said
    assert "There is no spectrum: nothing but digital silence" in said
    assert "undetermined: the sound gives no answer that can be relied on" in said
    assert "carries pre-emphasis" not in said, "silence has no loudness to read wrongly"
    assert "nan" not in said.lower().split() and "None " not in said.replace("None of these", "")


def test_marks_that_could_not_be_looked_for_are_named() -> None:
    document, _ = measure(tape(3)[:, :1], declared_bits=None)
    said = everything(damage_part(document, R525))
    assert "not applicable here: could not be looked for" in said
    assert "Could not be looked for: interpolated samples, single held samples and single muted" in said
    assert "does not mean that there are none" in said
    assert "Lost lock of the decoder was not looked for" in said


def test_delay_with_its_evidence_or_undetermined(damaged_tape: tuple[Json, Json]) -> None:
    # the invented tape has one converter for both channels: R stands half a sample early (domain note 2.2)
    said = everything(channels_part(damaged_tape[0], R525))
    assert "half a sample apart" in said and "earlier than the left" in said and "µs" in said
    assert "mean coherence 0." in said and "of them agree" in said
    unsure = copy.deepcopy(damaged_tape[0]["relation"])
    unsure["delay"] |= {"samples": None, "error": None, "agreeing": 1, "answering": 5}
    said = everything(channels_part({"relation": unsure}, R525))
    assert "undetermined" in said and "5 with an answer, 1 of them agree, which is too few to rely on" in said
    assert "Which channel is left and which is right cannot be told" in said


def test_whistle_verdict_in_words_with_its_readings(damaged_tape: tuple[Json, Json]) -> None:
    said = everything(whistle_part(damaged_tape[0]))
    assert "Consistent: the line tone found fits the declared sampling frequency." in said
    assert "525-line picture" in said and "44\u202f055.944 Hz" in said and "never proof" in said
    none = copy.deepcopy(damaged_tape[0]["line_whistle"])
    none |= {"verdict": "no_pilot", "tones": [], "words": "None."}
    assert "could not be checked this way" in everything(whistle_part({"line_whistle": none}))


def test_emphasis_hints_never_decide(damaged_tape: tuple[Json, Json]) -> None:
    said = everything(emphasis_part(damaged_tape[0], R525))
    assert "None of these hints decides anything" in said and "3 of 5 (medium)" in said
    none = emphasis_part({"emphasis_hints": []}, R525)
    assert none is not None and none.said[1] == "There are no hints." and none.sheets == ()


def test_damage_is_counted_by_kind_and_its_places_found(damaged_tape: tuple[Json, Json]) -> None:
    document = damaged_tape[0]
    part = damage_part(document, R525)
    assert part is not None
    lines = {line[0]: line for line in part.sheets[0].lines}
    assert lines["Mute"][1] == "1" and "(frame 900\u202f000)" in lines["Mute"][2]
    assert lines["Mute"][3].endswith("(3\u202f000 frames)") and lines["Held value"][1] == "1"
    assert lines["Interpolated samples"][1] == f"{document['events']['counts']['interpolation']}"
    assert lines["Clipped run"][1] == "none"
    assert "The file begins with 1.00 s (44\u202f100 frames) of digital silence." in part.said


def test_repetition_says_what_it_means(damaged_tape: tuple[Json, Json]) -> None:
    found = copy.deepcopy(damaged_tape[0])
    base = {"field_frames": 735, "places": 90, "lags": 200, "score": 0.93, "chance": 0.0449}
    found["repetition"] = [{**base, "pattern": "one_head", "period": 1470}]
    said = everything(damage_part(found, R525))
    assert "every 1\u202f470 frames, once per picture frame: as when one of the two video heads" in said
    assert "93.0 % of the 200 distances" in said and "chance would give 4.5 %" in said
    found["repetition"] = [{**base, "pattern": "every_field", "period": 735}]
    assert "in every picture field: as when both heads" in everything(damage_part(found, R525))
    found["repetition"] = [{**base, "pattern": "none", "period": None}]
    assert "does not come back with fields of 735 frames (525 lines)" in everything(damage_part(found, R525))
    found["repetition"] = [{**base, "field_frames": 882, "pattern": "too_few_events", "period": None}]
    assert "too few events to tell" in everything(damage_part(found, R525))
    found["repetition"][0]["places"] = 0
    assert "too few" not in everything(damage_part(found, R525)), "without damage there is nothing to repeat"


def test_more_events_than_the_list_holds_are_not_passed_over(damaged_tape: tuple[Json, Json]) -> None:
    found = copy.deepcopy(damaged_tape[0])
    found["events"]["left_out"] = 1234
    assert "1\u202f234 further events" in everything(damage_part(found, R525))
    assert "may look better than they are" in everything(damage_part(found, R525))


def test_declared_beside_measured_on_a_clean_tape(clean_tape: tuple[Json, Json], record: Made) -> None:
    document, measured = clean_tape
    made = record(measured)
    verdicts = {r.fact: r.verdict for r in compared(made, document)}
    assert verdicts["Bits per sample"] == "agree" and "differ" not in verdicts.values()
    assert verdicts["Pre-emphasis in the file"] == "open", "hints never decide"
    bits = row(made, document, "Bits per sample")
    assert (bits.declared, bits.measured, bits.sign) == ("14 bits", "14 bits", "✓ agree")


def test_differences_are_flagged_in_words(clean_tape: tuple[Json, Json], record: Made) -> None:
    document, measured = clean_tape
    made = record(measured)
    made["carrier"]["source_bit_depth"] = 16
    bits = row(made, document, "Bits per sample")
    assert bits.sign == "▲ differ" and "Fewer bits are in use than declared" in bits.why
    made["carrier"]["source_bit_depth"] = 13
    assert "More bits are in use than declared" in row(made, document, "Bits per sample").why
    made["carrier"]["carrier_nominal_minutes"] = 0
    assert row(made, document, "Playing time").verdict == "agree", "3 minutes are allowed (domain rule 20)"
    long = {**document, "frames": int(4 * 60 * R525)}
    assert row(made, long, "Playing time").verdict == "differ"
    made["decoder"]["error_indication"] = "none_seen"
    hurt = copy.deepcopy(document)
    hurt["events"]["counts"]["mute"] = 2
    assert row(made, hurt, "Errors of the decoder").verdict == "differ"
    assert "2 mutes" in row(made, hurt, "Errors of the decoder").measured


def test_stereo_declared_and_dual_mono_measured(record: Made) -> None:
    document, measured = measure(np.repeat(tape(3)[:, :1], 2, axis=1))
    made = record(measured)
    found = row(made, document, "Use of the channels")
    assert (found.declared, found.measured, found.verdict) == ("stereo", "the same sound on both", "differ")
    made["signal"]["channel_use"] = "dual_mono"
    assert row(made, document, "Use of the channels").verdict == "agree"


@pytest.mark.parametrize("declared", sorted(FITS))
def test_undetermined_never_agrees_nor_differs(
    declared: str, record: Made, clean_tape: tuple[Json, Json]
) -> None:
    document = copy.deepcopy(clean_tape[0])
    document["relation"]["relation"] = "undetermined"
    made = record(clean_tape[1])
    made["signal"]["channel_use"] = declared
    assert row(made, document, "Use of the channels").verdict == "open"
    assert not FITS[declared][0] & FITS[declared][1]


@pytest.mark.parametrize(("declared", "verdict"), [("left_only", "agree"), ("right_only", "differ")])
def test_the_channel_that_sounds_must_be_the_declared_one(declared: str, verdict: str, record: Made) -> None:
    codes = tape(3).copy()
    codes[:, 1] = 0
    document, measured = measure(codes)
    made = record(measured)
    made["signal"]["channel_use"] = declared
    assert row(made, document, "Use of the channels").verdict == verdict


@pytest.mark.parametrize(
    ("polarity", "verdict"), [("normal", "differ"), ("inverted_l", "agree"), ("both", "differ")]
)
def test_polarity_against_an_inverted_channel(polarity: str, verdict: str, record: Made) -> None:
    codes = tape(3)
    document, measured = measure(np.stack([codes[:, 0], -codes[:, 0]], axis=1))
    made = record(measured)
    made["signal"]["channel_polarity"] = polarity
    assert row(made, document, "Polarity").verdict == verdict


def test_rate_against_the_line_tone(damaged_tape: tuple[Json, Json], record: Made) -> None:
    document, measured = damaged_tape
    made = record(measured)
    assert row(made, document, "Sampling frequency").verdict == "agree"
    against = copy.deepcopy(document)
    against["line_whistle"]["verdict"] = "against"
    assert row(made, against, "Sampling frequency").verdict == "differ"
    assert "not proof" in row(made, against, "Sampling frequency").why
    against["line_whistle"] |= {"verdict": "no_pilot", "hertz": None, "ambiguous": False}
    assert row(made, against, "Sampling frequency").verdict == "open"


def test_many_channels(record: Made) -> None:
    document, measured = measure(np.repeat(tape(2), 4, axis=1), line_standard=None)
    made = record(measured)
    said = " ".join(everything(part) for part in view(document, made).parts)
    assert "channel 8" in said and "they were not compared" in said
    assert "Of 8 channels only the first two were looked at." in said
    assert row(made, document, "Use of the channels").why == "The file has 8 channels."
    assert "channel 3" not in everything(spectrum_part(document))


def test_figures_in_words() -> None:
    assert figure(-23.04, "LUFS") == "−23.0 LUFS" and figure(-0.04, "dBTP") == "0.0 dBTP"
    assert figure(None, "LUFS") == "cannot be stated" and figure(15734.2657, "Hz", 1) == "15\u202f734.3 Hz"
    assert share(0.99999) == "99.9 %" and share(1e-6) == "under 0.1 %"
    assert share(1) == "100 %" and share(0) == "0 %"
    assert length(1, Fraction(44_100)) == "0.02 ms (1 frame)"
    assert length(441_000, Fraction(44_100)) == "0:00:10.000 (441\u202f000 frames)"
