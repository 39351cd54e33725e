"""Damage that comes back with the field or the head: 735/1470 and 882/1764 frames (domain note 1.4, 2.1)."""

from __future__ import annotations

import numpy as np
import pytest
from support.interleave import analyse, music, play

from provpack.measure.periodic import MAX_PLACES, periodicity


def jitter(seed: int, n: int, most: int = 6) -> np.ndarray:
    return np.random.default_rng(seed).integers(-most, most + 1, n)


@pytest.mark.parametrize(("standard", "field"), [("525_5994", 735), ("525_60", 735), ("625_50", 882)])
def test_one_head_and_every_field(standard: str, field: int) -> None:
    k = np.arange(60)
    for seed in range(20):
        (one,) = periodicity((5000 + 2 * field * k + jitter(seed, 60)).tolist(), standard)
        assert (one.pattern, one.period, one.field_frames) == ("one_head", 2 * field, field)
        (every,) = periodicity((5000 + field * k + jitter(seed, 60)).tolist(), standard)
        assert (every.pattern, every.period) == ("every_field", field)
        assert min(one.score, every.score) > 0.99


def test_fields_that_happen_to_be_whole_do_not_matter() -> None:
    """A worn head damages some of its fields, not all; a relock shifts the place in the field."""
    rng = np.random.default_rng(3)
    kept = [1470 * k for k in range(400) if rng.random() < 0.4]
    shifted = [f + (311 if f > 250_000 else 0) for f in kept]
    (got,) = periodicity(shifted, "525_5994")
    assert got.pattern == "one_head"


def test_unknown_standard_tries_both_and_the_right_one_comes_first() -> None:
    frames = [1764 * k for k in range(40)]
    best, other = periodicity(frames, None)
    assert (best.field_frames, best.pattern) == (882, "one_head")
    assert other.pattern == "none"
    assert len(periodicity(frames, "unknown")) == 2


def test_chance_and_music_do_not_repeat_with_the_field() -> None:
    """No false alarm in 300 random lists, nor for any tempo from 40 to 240 beats in a minute."""
    for seed in range(300):
        rng = np.random.default_rng(seed)
        frames = rng.integers(0, 10**6, int(rng.integers(5, 900))).tolist()
        assert all(p.pattern in ("none", "too_few_events") for p in periodicity(frames, None))
    for beats in range(40, 241):
        frames = (np.arange(400) * 44056 * 60 / beats / 4).astype(int).tolist()
        assert all(p.pattern in ("none", "too_few_events") for p in periodicity(frames, None)), beats


def test_too_few_say_nothing() -> None:
    for frames in ([], [5], [0, 735, 1470]):
        assert {p.pattern for p in periodicity(frames, "525_5994")} == {"too_few_events"}


def test_many_events_are_bounded() -> None:
    (got,) = periodicity(range(0, 10**7, 300), "525_5994")
    assert got.places == MAX_PLACES
    assert got.pattern == "none"


@pytest.mark.parametrize("how", ["mute", "hold", "interpolation", "none"])
def test_a_worn_head_in_the_sound(how: str) -> None:
    """From the dropouts to the verdict: one field in two loses 40 lines at one place (245 lines a field)."""
    clean = music(21, 4, bits=14, level="loud", tone="bright")
    places = [(3000 + 490 * k, 40) for k in range(80)]
    got = analyse(play(clean, bits=14, bursts=places, how=how).codes, declared_bits=14)  # type: ignore[arg-type]
    assert (got.repetition[0].pattern, got.repetition[0].period) == ("one_head", 1470)
    clean_result = analyse(clean, declared_bits=14)
    assert clean_result.repetition[0].pattern == "too_few_events"


@pytest.mark.parametrize(("standard", "lines"), [("525_5994", 245), ("625_50", 294)])
@pytest.mark.parametrize("how", ["mute", "hold", "none"])
def test_dropouts_of_any_length_on_one_head_or_both(standard: str, lines: int, how: str) -> None:
    """245 and 294 data lines a field (domain note 1.1); lengths from just too long to twice as long."""
    clean = music(21, 4, bits=14, level="loud", tone="bright")
    chance = np.random.default_rng(7)
    for heads, name in ((2, "one_head"), (1, "every_field")):
        places = [(600 + heads * lines * k, int(chance.integers(33, 70))) for k in range(60)]
        got = analyse(
            play(clean, bits=14, bursts=places, how=how).codes,  # type: ignore[arg-type]
            declared_bits=14,
            line_standard=standard,
        )
        assert (got.repetition[0].pattern, got.repetition[0].period) == (name, 3 * heads * lines)
    places = sorted((int(at), 40) for at in chance.integers(600, len(clean) // 3 - 600, 60))
    got = analyse(play(clean, bits=14, bursts=places, how=how).codes, line_standard=standard)  # type: ignore[arg-type]
    assert got.repetition[0].pattern in ("none", "too_few_events")
