"""Figures and pictures of measurements that are seldom met. What is expected follows from the docstrings, and
from the small documents written down here; the meaning of their members: schemas/measurements.schema.json."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from support.audits import trend

from provpack.report.audit_trends import lines_of
from provpack.report.html_values import position
from provpack.report.picture_bits import LANES_MAX, ROWS_MAX, bits
from provpack.report.picture_lanes import lanes_of
from provpack.report.picture_loudness import loudness
from provpack.report.picture_spectrogram import STEP_DB, STEPS, _paths
from provpack.report.picture_spectrum import HEIGHT, _Scale, spectrum
from provpack.report.picture_wave import LANES_MAX as LANES_DRAWN
from provpack.report.picture_wave import Wave
from provpack.report.sound_compare import compared
from provpack.report.sound_damage import damage_part
from provpack.report.sound_levels import _bits, _clipped, _clipping_words, _dc, _dc_over_time
from provpack.report.sound_parts import length
from provpack.report.sound_spectra import _delay, _looked_at
from provpack.report.sound_view import sound_view
from provpack.report.timeline import timeline
from provpack.report.trend_picture import _brief
from provpack.report.wave_view import wave_words

Json = dict[str, Any]
RATE = Fraction(44_100_000, 1001)


# ---- places and lengths


def test_without_a_rate_places_and_lengths_are_frames() -> None:
    assert position(44_100, None) == "frame 44\u202f100"
    assert position(44_100, RATE) == "0:00:01.001 (frame 44\u202f100)"
    assert length(1, None) == "1 frame" and length(44_100, None) == "44\u202f100 frames"
    assert length(44_100, RATE) == "1.00 s (44\u202f100 frames)"


# ---- levels


@pytest.mark.parametrize(
    ("codes", "said"),
    [(None, "no samples"), (0.0, "0.00 codes"), (-327.68, "−327.68 codes (−40 dBFS)")],
)
def test_an_offset_in_words(codes: float | None, said: str) -> None:
    assert _dc(codes, 32_768.0) == said


def test_clipping_and_bits_in_words() -> None:
    assert _clipping_words({}) == _clipping_words({"clipping": None}) == ""
    ends = {"top_code": 32764, "bottom_code": -32768}
    declared = _clipping_words({"clipping": {**ends, "word_length_declared": True}})
    assert declared.endswith("32\u202f764 and −32\u202f768, the outermost codes of the declared word length.")
    assert "no word length is declared" in _clipping_words({"clipping": ends})
    assert _clipped({"runs": 0}) == _clipped({}) == "no"
    assert _clipped({"runs": 1, "samples": 4, "longest": 4}) == "1 run, 4 samples, longest 4"
    assert _clipped({"runs": 2, "samples": 1234, "longest": 9}) == "2 runs, 1\u202f234 samples, longest 9"
    assert (_bits(None), _bits(14)) == ("does not apply", "14 bits")


def test_the_offset_over_time_is_told_from_two_pieces_on() -> None:
    def said(*values: list[float] | None) -> str:
        document = {"channels": [{}, {}], "dc_history": {"values": list(values)}}
        return _dc_over_time(document, 100.0)

    assert said() == said([0.1, 0.2]) == said([0.1, 0.2], None, []) == ""
    each = "left between −1.00 and 3.00 codes; right between 2.00 and 2.00 codes"
    assert said([0.03, 0.02], None, [-0.01, 0.02]) == f"DC offset over time, in 2 pieces: {each}."


# ---- declared beside measured


def fact(name: str, record: Json, document: Json) -> Any:
    return next((row for row in compared(record, {"events": {}, **document}) if row.fact == name), None)


def test_bits_of_more_than_two_channels_are_a_range() -> None:
    record = {"carrier": {"source_bit_depth": 16}}
    channels = [{"effective_bits": bits} for bits in (16, 14, 12)]
    found = fact("Bits per sample", record, {"channels": channels})
    assert (found.measured, found.verdict, found.why) == (
        "12 to 16 bits, by channel",
        "agree",
        "Not in every channel.",
    )
    two = fact("Bits per sample", record, {"channels": channels[:2]})
    assert two.measured == "16 bits and 14 bits"
    assert fact("Bits per sample", record, {"channels": [{"effective_bits": None}]}) is None


@pytest.mark.parametrize(
    ("declared", "relation", "verdict", "why"),
    [
        ("mono", "skewed", "open", "Mono through one shared converter looks like that, and so does stereo."),
        ("stereo", "skewed", "agree", "Half a sample apart, as after one shared converter."),
        ("mono", "dual_mono", "agree", "The same sound stands on both channels."),
        ("stereo", "stereo", "agree", ""),
        ("stereo", "undetermined", "open", "See the notes on the channels."),
    ],
)
def test_why_the_use_of_the_channels_agrees_or_not(
    declared: str, relation: str, verdict: str, why: str
) -> None:
    document = {"channels": [{}, {}], "relation": {"relation": relation}}
    found = fact("Use of the channels", {"signal": {"channel_use": declared}}, document)
    assert (found.verdict, found.why) == (verdict, why)


@pytest.mark.parametrize(
    ("relation", "measured", "verdict"),
    [
        ("stereo", "cannot be told from this sound", "open"),
        ("inverted", "one channel upside down", "agree"),
        ("dual_mono", "no channel upside down against the other", "differ"),
    ],
)
def test_polarity_that_the_sound_cannot_tell_is_open(relation: str, measured: str, verdict: str) -> None:
    document = {"channels": [{}, {}], "relation": {"relation": relation}}
    found = fact("Polarity", {"signal": {"channel_polarity": "inverted_l"}}, document)
    assert (found.measured, found.verdict) == (measured, verdict)


def test_hints_of_emphasis_are_not_compared_where_nobody_looked() -> None:
    record = {"signal": {"file_emphasis": "absent"}}
    assert fact("Pre-emphasis in the file", record, {"channels": []}) is None
    assert fact("Pre-emphasis in the file", {}, {"emphasis_hints": []}) is None
    many = [
        fact("Pre-emphasis in the file", record, {"emphasis_hints": [{}] * n}).measured for n in (0, 1, 2)
    ]
    assert many == ["no hints", "1 hint", "2 hints"]


# ---- damage


def damaged(**more: Any) -> str:
    part = damage_part({"frames": 88_200, "events": {"counts": {"mute": 0}, "listed": []}, **more}, RATE)
    assert part is not None
    return " | ".join([*part.said, *part.limits, *(sheet.caption for sheet in part.sheets)])


def test_the_ends_of_the_file_in_words() -> None:
    assert "of digital silence" not in damaged()
    assert "The file begins with 1.00 s (44\u202f100 frames) of digital silence." in damaged(
        runs={"leader": 44_100}
    )
    assert "The file ends with 2.00 s (88\u202f200 frames) of digital silence." in damaged(
        runs={"trailer": 88_200}
    )
    both = damaged(runs={"leader": 44_100, "trailer": 44_100})
    assert "begins with 1.00 s (44\u202f100 frames) and ends with 1.00 s" in both


def test_without_marks_there_is_no_sheet_of_marks() -> None:
    mark = {"mark": "mute", "verdict": "none_found", "applicable_frames": 44_100}
    assert "Concealed samples on the interleave grid" in damaged(marks=[mark])
    assert "Concealed samples on the interleave grid" not in damaged(marks=[])


def test_a_lost_lock_that_was_counted_was_looked_for() -> None:
    said = "Lost lock of the decoder was not looked for: samples cannot show it."
    assert said in damaged()
    assert said not in damaged(events={"counts": {"mute": 0, "unlock": 0}, "listed": []})


# ---- spectra


@pytest.mark.parametrize(
    ("delay", "rate", "said"),
    [
        ({"samples": None}, RATE, "undetermined: the sound gives no answer that can be relied on"),
        ({"samples": 0.5}, None, "0.500 samples: it comes later than the left"),
        ({"samples": 0.5, "error": 0.0001}, None, "0.500 samples ± 0.001: it comes later than the left"),
        ({"samples": 0.0}, Fraction(44_100), "0.000 samples (0.0 µs)"),
        # 0.5 / 44100 s = 11.3 µs
        (
            {"samples": -0.5, "error": 0.004, "inverted": True}, Fraction(44_100),
            "−0.500 samples ± 0.004 (−11.3 µs): it comes earlier than the left; one of the two is "
            "upside down",
        ),
    ],
)  # fmt: skip
def test_a_delay_in_words(delay: Json, rate: Fraction | None, said: str) -> None:
    assert _delay(delay, rate) == said


@pytest.mark.parametrize(
    ("every", "said"),
    [(1, "All of the sound was transformed (60 windows of 4096 frames)."), (2, "Every second piece"),
     (4, "Every fourth piece"), (16, "Every 16th piece of 61\u202f440 frames was transformed (60 windows ")],
)  # fmt: skip
def test_how_much_was_transformed(every: int, said: str) -> None:
    looked = {"every_unit": every, "used": 60, "length": 4096, "unit_frames": 61_440}
    assert _looked_at({"looked_at": looked}).startswith(said)


def test_a_flat_spectrum_has_a_scale_all_the_same() -> None:
    scale = _Scale([-37.0, -37.0], -200.0)
    assert scale.bottom < scale.top and 0 <= scale.y(-37.0) <= HEIGHT
    assert (scale.bottom, scale.top) == (-40, -30), "ten decibels at the least"
    deep = _Scale([-300.0, -20.0], -20.0)
    assert deep.y(-300.0) == HEIGHT
    assert _Scale([-30.0], -20.0).top >= -17


def test_a_curve_for_the_eye_only_where_the_spectrum_reaches_it() -> None:
    def drawn(*hertz: float) -> str:
        found = spectrum(
            {"spectrum": {"hertz": list(hertz), "level_db": [[-40.0] * len(hertz)]}, "channels": [{}]}
        )
        assert found is not None
        return found.svg

    assert "curve for-eye" in drawn(10.0, 1000.0, 20_000.0)
    assert "curve for-eye" not in drawn(10.0, 20.0, 30.0)


def test_columns_of_a_spectrogram() -> None:
    """One path per step, the quietest first: a column of one band, drawn from its lower edge up."""
    rows = [100, 50, 0]
    loud = _paths([(0, 500)], [[0.0, 0.0]], rows, 1000, 0.0)
    assert [bool(path) for path in loud] == [False] * (STEPS - 1) + [True]
    assert loud[-1].count("M") == 1
    two = _paths([(0, 500)], [[0.0, -2.5 * STEP_DB]], rows, 1000, 0.0)
    assert [n for n, path in enumerate(two) if path] == [STEPS - 3, STEPS - 1]
    assert _paths([(0, 500)], [[-1000.0, -1000.0]], rows, 1000, 0.0) == [""] * STEPS
    assert _paths([(500, 500), (7, 7)], [[0.0], [0.0]], rows, 1000, 0.0) == [""] * STEPS, (
        "no width, nothing drawn"
    )
    assert _paths([(0, 500)], [[0.0, 0.0]], [100, 100, 100], 1000, 0.0) == [""] * STEPS, "no height either"


# ---- pictures


def test_bars_of_hints_of_emphasis() -> None:
    listed = {"counts": {"click": 7}, "listed": [{"type": "click", "start": 5, "length": 1}]}
    hints = [{"frame": 10}, {"frame": None}, {"frame": 99}]
    clicks, hint = lanes_of({"events": listed, "emphasis_hints": hints}) or []
    assert (clicks.kind, clicks.found, list(clicks.spans)) == ("click", 7, [(5, 1)])
    assert (hint.kind, hint.found, list(hint.spans)) == ("hint", 2, [(10, 1), (99, 1)])
    assert hint.name == "Change like that of pre-emphasis (a hint only)"
    assert lanes_of({"emphasis_hints": hints}) is None
    assert lanes_of({"events": {}, "emphasis_hints": [{"frame": None}]}) == []


def test_many_widths_and_many_changes_of_width_are_cut_and_counted() -> None:
    widths = ROWS_MAX + 3
    histogram = [{"bits": n + 1, "blocks": 1000 - n} for n in range(widths)]
    stretches = [{"bits": n + 1, "start": 100 * n, "length": 50} for n in range(LANES_MAX + 2)]
    channels = [{"bits_histogram": histogram, "bits_stretches": stretches}]
    document = {"frames": 441_000, "bits": {"block_frames": 44_056}, "channels": channels}
    found = bits(document, RATE)
    assert found is not None
    last_three = sum(1000 - n for n in range(ROWS_MAX, widths))
    assert f"3 other widths: {last_three:,} blocks".replace(",", "\u202f") in found.words
    assert "The width changes: " in found.words and "2 more are in the measurements." in found.words


def loud(**more: Any) -> Any:
    contour = {"step_s": 1.0, "points": [-30.0, None, -20.0]}
    return loudness({"frames": 3 * 44_100, "loudness": {"contour": contour, **more}}, Fraction(44_100))


def test_loudness_without_figures_of_the_whole_file() -> None:
    found = loud()
    assert found is not None
    assert found.words.startswith("Loudest 3 seconds −20.0 LUFS") and "Integrated" not in found.words
    assert "Range" not in found.words and "Greatest of 0.4 seconds" not in found.words
    assert [sample.meaning for sample in found.key] == ["loudness of 3 seconds"]
    full = loud(integrated_lufs=-23.0, range_lu=6.5, max_momentary_lufs=-18.0)
    for said in ("Integrated −23.0 LUFS.", "Range 6.5 LU.", "Greatest of 0.4 seconds −18.0 LUFS."):
        assert said in full.words
    assert "integrated" in " ".join(sample.meaning for sample in full.key)


def test_who_measured_and_when_as_far_as_it_is_told() -> None:
    events = {"counts": {"mute": 0}, "listed": []}
    said = [
        sound_view({}, {"events": events, **more}, RATE)
        for more in (
            {},
            {"tool": "provpack", "version": "0.1.0"},
            {"tool": "x", "at": "2031-05-06T10:00:00Z"},
        )
    ]
    assert [one.by if one else None for one in said[:2]] == ["a program", "provpack 0.1.0"]
    assert said[2] is not None and said[2].by.startswith("x, 2031-05-06")


@pytest.mark.parametrize("channels", [LANES_DRAWN, LANES_DRAWN + 1])
def test_of_very_many_channels_the_first_are_drawn(channels: int) -> None:
    names = [f"channel {n + 1}" for n in range(channels)]
    wave = Wave(
        frames=44_100, rate=Fraction(44_100), frames_per_bin=44_100, bins=[[(-1.0, 1.0)] * channels],
        full_scale=32768.0, channel_names=names,
    )  # fmt: skip
    said = wave_words(wave, {"measured": {"peak_dbfs": [-6.0] * channels}}, None)
    assert said.startswith(f"Level of {channels} channels over 0:00:01.000.")
    assert (f"Only the first {LANES_DRAWN} are drawn." in said) == (channels > LANES_DRAWN)
    assert said.count("Peak channel") == channels


def test_a_machine_nothing_was_measured_of_says_so() -> None:
    (line,) = lines_of([trend("DECK-1", "2030-01", 0.0, 0, transfers=3, unmeasured=3)])
    assert _brief(line) == "nothing measured in 3 transfers"
    (line,) = lines_of([trend("DECK-1", "2030-01", 2.0, 3)])
    assert _brief(line).startswith("1.5 per hour, over 2")


@pytest.mark.parametrize("at", [None, "2031-05-05T09:00:00+02:00"])
def test_what_has_no_time_of_its_own_is_no_step(at: str | None) -> None:
    treatment = {"type": "cleaning", "start": "2031-05-01", "agent": "A", "consent_by": "B", "consent_at": at}
    record = {
        "capture": {"chain_check_id": "CC-1", "chain_check_at": at},
        "condition": {"treatments": [treatment], "condition_assessed_at": at, "condition_terms": ["mould"]},
    }
    steps = [step.what.partition(":")[0] for step in timeline(record).dated]
    for what in ("Chain check passed", "Consent to treatment", "Condition assessed"):
        assert (what in steps) == (at is not None)
    assert "Treatment" in steps
