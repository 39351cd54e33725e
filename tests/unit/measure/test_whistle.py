"""The line-whistle rate check against the table and the precision of domain note 4.1."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from support.spectral_sound import R44, R525, Sound, coded, measure, shaped, white

from provpack.measure.whistle import Whistle, WhistleMeter, readings, true_rates

LINE_525 = 4_500_000 / 286
SECONDS = 30


def tone(hertz: float, true_rate: Fraction, frames: int, db: float = -80.0) -> Sound:
    """A sine as it stands in samples taken at the true rate."""
    return 10 ** (db / 20) * np.sin(2 * np.pi * (hertz / float(true_rate)) * np.arange(frames) + 0.7)


def look(sound: Sound, header: int = 44100, rate: Fraction = R44, seed: int = 0) -> Whistle:
    """The meter alone, on one channel of 14 bits with triangular dither."""
    planar = (coded(sound, 14, rng=np.random.default_rng(seed)).T / 32768).astype(np.float32)
    meter = WhistleMeter(channels=1, rate=rate, header=header, units=-(-len(sound) // 65536))
    for at in range(0, len(sound), 65536):
        meter.take(planar[:, at : at + 65536])
    return meter.finish()


# Origin of the tone, true fs, header, "appears at", verdict on what the header says: domain note 4.1, in its
# order. The verdicts follow from its column "header (wrong)"; row 9 is its "ambiguous with row 1".
TABLE = [
    (LINE_525, R525, 44100, 15750.000, "against", True),
    (LINE_525, R525, 44056, 15734.286, "consistent", True),
    (LINE_525, R44, 44100, 15734.266, "consistent", False),
    (LINE_525, R44, 44056, 15718.567, "against", False),
    (15625.0, R44, 44100, 15625.000, "consistent", False),
    (15625.0, R525, 44100, 15640.625, "against", False),
    (15625.0, R525, 44056, 15625.020, "consistent", False),
    (15625.0, R44, 44056, 15609.410, "against", False),
    (15750.0, R44, 44100, 15750.000, "against", True),
]


@pytest.mark.parametrize(("line", "true", "header", "appears", "verdict", "ambiguous"), TABLE)
def test_the_nine_rows(
    line: float, true: Fraction, header: int, appears: float, verdict: str, ambiguous: bool
) -> None:
    frames = 44100 * SECONDS
    rng = np.random.default_rng(int(appears * 1000) + header)
    sound = np.stack([shaped(rng, frames, -1.0, -30.0), shaped(rng, frames, -1.0, -30.0)])
    sound += tone(line, true, frames, -72.0)
    declared = R525 if header == 44056 else R44
    result = measure(coded(sound, 14, rng=rng), rate=declared, header=header).whistle
    assert result.hertz == pytest.approx(appears, abs=0.005)
    assert (result.verdict, result.ambiguous) == (verdict, ambiguous)
    assert result.tones[0].windows >= 3 and result.tones[0].spread_hz <= 0.05
    assert ("Ambiguous" in result.words) == ambiguous and "not prove" in result.words
    # Both channels carry it: twice the power.
    assert result.tones[0].level_dbfs == pytest.approx(-72.0 + 3.0, abs=0.5)


def test_a_relabelled_525_recording_declared_rightly_is_consistent() -> None:
    # Row 1 again, but the record declares 44100/1.001 and keeps the header 44100: nothing speaks against it.
    sound = tone(LINE_525, R525, 44100 * SECONDS)
    result = look(sound, header=44100, rate=R525)
    assert result.verdict == "consistent" and result.hertz == pytest.approx(15750.0, abs=0.001)


def test_a_conversion_to_48_khz_leaves_the_tone_where_it_was() -> None:
    frames = 48000 * SECONDS
    result = look(tone(LINE_525, Fraction(48000), frames), header=48000, rate=Fraction(48000))
    assert result.verdict == "consistent" and result.hertz == pytest.approx(LINE_525, abs=0.001)
    slow = look(tone(LINE_525, Fraction(48000, 1) / Fraction(1001, 1000), frames), 48000, Fraction(48000))
    assert slow.verdict == "against"


def test_an_adaptor_crystal_off_by_100_ppm_changes_no_verdict() -> None:
    for ppm in (-100, 100):
        result = look(tone(15625 * (1 + ppm * 1e-6), R44, 44100 * SECONDS))
        assert result.verdict == "consistent"
        assert result.tones[0].readings[0].offset_ppm == pytest.approx(ppm, abs=1)


def precision(db: float, seconds: int, seeds: int, music: bool) -> tuple[float, float]:
    """RMS error in Hz of the windows' middle, and length of the windows."""
    errors, length = [], 0.0
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        true = LINE_525 + rng.uniform(-0.5, 0.5)
        sound = tone(true, R44, 44100 * seconds, db)
        if music:
            sound += shaped(rng, len(sound), -1.0, -26.0)
        planar = (coded(sound, 14, rng=rng).T / 32768).astype(np.float32)
        meter = WhistleMeter(channels=1, rate=R44, header=44100, units=-(-len(sound) // 65536))
        for at in range(0, len(sound), 65536):
            meter.take(planar[:, at : at + 65536])
        found = [hit[0] for hits in meter._found for hit in hits if abs(hit[0] - true) < 1]
        assert len(found) >= meter._windows - 1 and meter._windows >= 3
        errors += [f - true for f in found]
        length = meter.finish().window_seconds
    return float(np.sqrt(np.mean(np.square(errors)))), length


def test_precision_of_the_note_on_14_bit_dither() -> None:
    # Domain note 4.1: tone at -80 dBFS in 10 s 0.00025 Hz rms.
    error, length = precision(-80.0, 50, 3, music=False)
    assert 8.0 < length < 12.5 and error < 0.00025


def test_precision_at_100_db_below_full_scale() -> None:
    # Domain note 4.1: -100 dBFS in 60 s, 0.0001 Hz rms (measured here over 60 windows: 0.000097).
    error, length = precision(-100.0, 60 * 4 + 20, 1, music=False)
    assert 48.0 < length < 63.0 and error < 0.0002


def test_precision_under_music_is_bound_by_the_music() -> None:
    # White noise through 6 dB per octave above 20 Hz is far stronger at 15.7 kHz than the note's music: the
    # least possible error there is 0.0013 Hz (Cramer-Rao), a thousandth of what the check needs.
    error, _ = precision(-80.0, 50, 3, music=True)
    assert error < 0.005


def test_a_television_that_is_on_for_part_of_the_tape() -> None:
    sound = tone(15625, R44, 44100 * 60)
    sound[: 44100 * 20] = 0
    assert look(sound).verdict == "consistent"


@pytest.mark.parametrize("fault", ["once", "wandering", "broad", "weak", "elsewhere"])
def test_what_is_not_a_steady_narrow_tone_is_no_pilot(fault: str) -> None:
    frames = 44100 * 40
    n = np.arange(frames)
    rng = np.random.default_rng(1)
    sound = tone(15625, R44, frames)
    if fault == "once":
        sound[44100 * 8 :] = 0
    elif fault == "wandering":
        sound = 1e-4 * np.sin(2 * np.pi * (15624.0 * n + 0.5 * 0.05 / 44100 * n * n) / 44100)
    elif fault == "broad":
        sound = 1e-3 * np.sin(2 * np.pi * 15625 / 44100 * n + np.cumsum(rng.standard_normal(frames)) * 0.02)
    elif fault == "weak":
        sound = tone(15625, R44, frames, -118.0)
    else:
        sound = tone(15690, R44, frames)
    result = look(sound)
    assert result.verdict == "no_pilot" and result.hertz is None and result.tones == ()


@pytest.mark.parametrize(("samples", "line"), [(1470, 525), (1764, 625)])
def test_damage_at_the_frame_rate_is_not_taken_for_a_whistle(samples: int, line: int) -> None:
    # The 525th harmonic of fs/1470 (and the 625th of fs/1764) lies exactly on the line frequency.
    sound = white(np.random.default_rng(2), 44100 * SECONDS, -80.0)
    sound[::samples] += 0.5
    result = look(sound)
    assert result.verdict == "no_pilot" and "damage" in result.words
    assert line * 44100 / samples == 15750 - 125 * (line == 625)


def test_too_short_is_said() -> None:
    result = look(tone(15625, R44, 44100 * 12))
    assert result.verdict == "no_pilot" and "Too short" in result.words


def test_two_tones_that_disagree_are_ambiguous() -> None:
    result = look(tone(15625, R44, 44100 * SECONDS) + tone(15625, R525, 44100 * SECONDS))
    assert result.ambiguous and len(result.tones) == 2 and result.verdict == "consistent"


def test_long_files_are_seen_whole_in_windows_of_a_minute() -> None:
    meter = WhistleMeter(channels=1, rate=R44, header=44100, units=300)
    for _ in range(300):
        meter.take(np.zeros((1, 65536), np.float32))
    result = meter.finish()
    assert result.window_seconds > 60 and result.windows == 7


def test_rates_and_readings() -> None:
    assert true_rates(R44) == (R44, R525) and true_rates(R525) == (R525, R44)
    assert true_rates(Fraction(44056)) == (R525, R44)  # a header rounds
    assert true_rates(Fraction(50000)) == (Fraction(50000),)
    both = readings(5 / 14, (R44, R525))
    assert [(r.rate, r.broadcast) for r in both] == [(R525, True), (R44, False)]


def test_low_rates_have_no_room_for_it() -> None:
    result = look(white(np.random.default_rng(0), 22050 * SECONDS), header=22050, rate=Fraction(22050))
    assert result.verdict == "no_pilot"


def test_no_tone_is_found_in_100_clean_seeds() -> None:
    """White, pink and dull noise of 18 s; the long run is in test_spectra_alarms.py (-m perf)."""
    frames = 13 * 65536
    chance = np.random.default_rng(3)
    pool = [shaped(chance, frames, slope, -26.0) for slope in (0.0, -0.5, -1.0)]
    for seed in range(100):
        rng = np.random.default_rng(seed)
        sound = np.roll(pool[seed % 3], int(rng.integers(frames))) + np.roll(
            pool[(seed + 1) % 3], int(rng.integers(frames))
        )
        result = look(sound, seed=seed)
        assert result.verdict == "no_pilot" and result.windows == 3, seed
