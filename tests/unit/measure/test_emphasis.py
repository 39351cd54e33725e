"""Emphasis hints: strengths 3 to 5 of domain note 3.5, and never a decision."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from support.spectral_sound import R44, coded, filtered, measure, music, shaped

from provpack.measure.emphasis import EmphasisHint, curve_db
from provpack.synth.tape import EmphasisChange, TapePlan, record

FORBIDDEN = ("proves", "proven", "certain", "definitely", "must be", "is emphasised", "is de-emphasised")


def hints(codes: np.ndarray, container: int = 16) -> dict[str, EmphasisHint]:
    """The hints by kind, after the checks that hold for all of them."""
    found = measure(codes, container=container).emphasis_hints
    assert len({h.kind for h in found}) == len(found)
    for hint in found:
        assert hint.words.startswith(("Hint:", "Weak hint:"))
        assert not any(word in hint.words for word in FORBIDDEN)
        assert hint.strength in (3, 4, 5) and np.isfinite(hint.figure) and hint.unit
    return {h.kind: h for h in found}


def test_a_hint_has_no_field_that_could_set_a_state() -> None:
    names = {f.name for f in dataclasses.fields(EmphasisHint)}
    assert names == {"kind", "strength", "figure", "unit", "frame", "words"}


@pytest.mark.parametrize(
    ("hertz", "boost"),
    [(100, 0.004), (1000, 0.370), (3183, 2.636), (5000, 4.529), (10000, 7.602), (20000, 9.489)],
)
def test_the_curve(hertz: float, boost: float) -> None:
    # Domain note 3.1, table.
    assert curve_db(np.array([hertz]))[0] == pytest.approx(boost, abs=0.001)


def test_word_length_logic() -> None:
    rng = np.random.default_rng(0)
    sound = shaped(rng, 44100 * 5, -0.7)
    for bits, container, words in (
        (14, 16, "no more than 14"),
        (16, 16, "no more than 16"),
        (24, 32, "24 bits"),
    ):
        hint = hints(coded(sound, bits, container), container)["word_length"]
        assert hint.strength == 3 and hint.figure == bits and words in hint.words
    assert "one possibility of many" in hint.words


def with_pauses(on: bool, removed: bool = False) -> np.ndarray:
    """Music, then ten seconds in which only the amplifiers' hiss is recorded, with emphasis on or off."""
    tape = {
        "sampling_frequency": R44,
        "bits": 16,
        "skew": False,
        "emphasis": (EmphasisChange(frame=0, on=on),),
    }
    loud = music(15, 1, hiss=20.0, bits=16, emphasis=tape["emphasis"])
    plan = TapePlan(hiss=40.0, seed=9, **tape)  # type: ignore[arg-type]
    codes = np.concatenate([loud, *record(plan, [np.zeros((2, 441000))])])
    if removed:
        hertz = np.linspace(0, 22050, 500)
        gain = 10 ** (-curve_db(hertz) / 20)
        sound = [filtered(codes[:, c] / 32768, 44100, gain, hertz) for c in (0, 1)]
        codes = coded(np.stack(sound), 24, 32)
    return codes


def test_the_floor_of_the_pauses() -> None:
    # Note 3.5, strength 4: hiss recorded with emphasis rises by the curve; flat without; falls after removal.
    assert hints(with_pauses(True))["pause_floor"].figure == pytest.approx(1.0, abs=0.1)
    flat = hints(with_pauses(False))["pause_floor"]
    assert flat.figure == pytest.approx(0.0, abs=0.1) and flat.strength == 4
    fallen = hints(with_pauses(False, removed=True), 32)
    assert fallen["pause_floor"].figure == pytest.approx(-1.0, abs=0.1)
    assert fallen["word_length"].figure > 16
    assert hints(with_pauses(True, removed=True), 32)["pause_floor"].figure == pytest.approx(0.0, abs=0.1)


def test_quantising_noise_in_pauses_says_nothing() -> None:
    rng = np.random.default_rng(1)
    sound = shaped(rng, 44100 * 20, -0.7)
    sound[44100 * 10 :] = 0
    hint = hints(coded(sound, 14, rng=rng))["pause_floor"]
    assert abs(hint.figure) < 0.1 and "says nothing" in hint.words


def test_digital_silence_and_loud_music_have_no_pauses() -> None:
    rng = np.random.default_rng(2)
    sound = shaped(rng, 44100 * 20, -0.7)
    assert "pause_floor" not in hints(coded(sound, 14, rng=rng))
    sound[44100 * 10 :] = 0
    assert "pause_floor" not in hints(coded(sound, 14))


def test_long_term_tilt_moves_by_what_emphasis_adds_and_stays_weak() -> None:
    plain = hints(music(15, 3, bits=16))["long_term_tilt"]
    boosted = hints(music(15, 3, bits=16, emphasis=(EmphasisChange(frame=0, on=True),)))["long_term_tilt"]
    # Note 3.5: "adds about 7.6 dB" between the two bands.
    assert boosted.figure - plain.figure == pytest.approx(7.6, abs=0.6)
    assert boosted.strength == 5 and "differ by more" in boosted.words


@pytest.mark.parametrize("to", [True, False])
def test_a_step_at_a_join_is_told_with_its_place(to: bool) -> None:
    rng = np.random.default_rng(4)
    frames = 44100 * 60
    hertz = np.linspace(0, 22050, 500)
    sound = shaped(rng, frames, -0.7, -26.0)
    boosted = filtered(sound, 44100, 10 ** (curve_db(hertz) / 20), hertz)
    half = frames // 2
    joined = np.concatenate([sound[:half], boosted[half:]] if to else [boosted[:half], sound[half:]])
    hint = hints(coded(joined, 14, rng=rng))["tilt_step"]
    assert hint.figure == pytest.approx(1.0 if to else -1.0, abs=0.15)
    assert hint.frame is not None and abs(hint.frame - half) <= 6 * 65536
    assert ("goes on" in hint.words) == to and "Another programme" in hint.words


def test_no_step_in_steady_sound() -> None:
    for seed in range(3):
        rng = np.random.default_rng(seed)
        assert "tilt_step" not in hints(coded(shaped(rng, 44100 * 40, -0.5), 14, rng=rng))
        assert "tilt_step" not in hints(music(30, seed))
