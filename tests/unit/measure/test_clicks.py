"""Impulses: found where a bad word stands, not where a drum or a voice sounds."""

from __future__ import annotations

import numpy as np
import pytest
from support.interleave import RATE, analyse, harm, hit, music, of_type, play, quantised, random_bursts

FS = float(RATE)


@pytest.mark.parametrize("tone", ["bright", "dull"])
@pytest.mark.parametrize("level", ["loud", "quiet"])
def test_single_wrong_samples_have_their_place(level: str, tone: str) -> None:
    codes = music(12, 4, bits=14, level=level, tone=tone)
    places = list(range(20_000, 140_000, 10_000))
    for k, at in enumerate(places):
        codes[at, k % 2] = (-1) ** k * 32_000
    got = analyse(codes, declared_bits=14)
    assert [(e.start, e.length, e.channel) for e in of_type(got, "click")] == [
        (at, 1, k % 2) for k, at in enumerate(places)
    ]
    assert got.strongest_click is not None
    assert got.strongest_click > 20


def test_both_channels_at_once_are_one_event() -> None:
    codes = music(12, 3, bits=16, level="loud", tone="dull")
    codes[50_000:50_003] = [[30_000, -30_000], [-30_000, 30_000], [30_000, -9_000]]
    (event,) = harm(analyse(codes, declared_bits=16))
    assert (event.start, event.length, event.channel) == (50_000, 3, None)


def test_a_long_dropout_that_nobody_conceals_is_one_burst() -> None:
    """A board may tap before concealment (domain note 2.2): 64 lines leave some 100 bad words per channel."""
    codes = music(2, 4, bits=14, level="loud", tone="bright")
    places = random_bursts(len(codes), 64, 3, 1)
    events = of_type(analyse(play(codes, bits=14, bursts=places, how="none").codes), "click")
    assert all(hit(events, place) for place in places)
    assert sum(e.length > 100 for e in events) >= 3


def drum(seed: int, decay: int) -> np.ndarray:
    """Noise bursts that begin within one sample and die away within `decay` frames (1/e)."""
    rng = np.random.default_rng(seed)
    frames, after = int(10 * FS), np.arange(6 * decay)
    sound = rng.normal(0, 3e-4, (frames, 2))
    for at in rng.integers(0, frames - len(after), 50):
        hit_ = rng.normal(0, 0.2 * rng.uniform(0.1, 1), (len(after), 2))
        sound[at : at + len(after)] += hit_ * np.exp(-after / decay)[:, None]
    return sound


def voice(seed: int) -> np.ndarray:
    """Pulses at the pitch of a voice, ringing in two formants, with pauses."""
    rng = np.random.default_rng(seed)
    frames, k, at = int(10 * FS), np.arange(1200), 0
    sound = np.zeros(frames)
    ring = np.exp(-k / 150) * np.sin(2 * np.pi * 700 * k / FS) + 0.5 * np.exp(-k / 100) * np.sin(
        2 * np.pi * 2300 * k / FS
    )
    while (at := at + int(FS / rng.uniform(90, 220))) < frames - len(k):
        sound[at : at + len(k)] += rng.uniform(0.05, 0.3) * ring
        if rng.random() < 0.01:
            at += int(0.3 * FS)
    return sound[:, None] * [1, 0.9] + rng.normal(0, 2e-4, (frames, 2))


@pytest.mark.parametrize("bits", [14, 16])
def test_drums_and_voices_are_not_clicks(bits: int) -> None:
    for seed in range(2):
        assert not harm(analyse(quantised(drum(seed, 900), bits), declared_bits=bits))
        assert not harm(analyse(quantised(drum(seed, 200), bits), declared_bits=bits))
        assert not harm(analyse(quantised(drum(seed, 40), bits), declared_bits=bits))  # a millisecond
        assert not harm(analyse(quantised(voice(seed), bits), declared_bits=bits))


def test_the_edge_of_a_mute_is_the_mutes_own() -> None:
    codes = music(12, 3, bits=14, level="loud", tone="dull")
    codes[50_000:50_400] = 0
    got = analyse(codes, declared_bits=14)
    assert [e.type for e in harm(got)] == ["mute"]
    assert got.absorbed_clicks >= 1


@pytest.mark.parametrize("hertz", [31.0, 61.7, 73.0, 145.0, 611.0])
def test_square_waves_and_low_reeds_are_rows_of_impulses(hertz: float) -> None:
    """Each edge stands alone among flat samples, but comes back after every period."""
    t = np.arange(int(6 * FS)) / FS
    reed = sum(np.sin(2 * np.pi * hertz * k * t) / k for k in range(1, int(min(80, 18_000 / hertz))))
    for one in (0.8 * np.sign(np.sin(2 * np.pi * hertz * t)), 0.4 * np.asarray(reed)):
        got = analyse(quantised(np.stack([one, 0.7 * np.roll(one, 5)], axis=1), 14), declared_bits=14)
        assert len(harm(got)) <= 2  # at the ends of the file there is no row to look back on


def test_a_file_of_nothing_but_clicks_takes_no_list_without_end() -> None:
    codes = music(12, 4, bits=14, level="loud", tone="dull")
    codes[::64] = np.random.default_rng(1).integers(-8000, 8000, codes[::64].shape) * 4
    assert len(analyse(codes, declared_bits=14, max_events=50).events) <= 50
