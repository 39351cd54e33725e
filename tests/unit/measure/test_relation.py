"""How two channels relate: domain note section 4 (rows dual mono, swapped / inverted, inter-channel delay).

Figures held against the note: -0.500 +/- 0.005 with an uncorrelated part down to 0 dB, no answer at +10 dB,
and no skew claimed for microphones that stand apart.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.spectral_sound import Sound, coded, delayed, measure, music, shaped, white

from provpack.measure.relation import ChannelRelation

SECONDS = 20
FRAMES = 44100 * SECONDS


def relate(left: Sound, right: Sound, seed: int = 0, bits: int = 14) -> ChannelRelation:
    """The relation of two sounds after a 14-bit converter with triangular dither of its own per channel."""
    return measure(coded(np.stack([left, right]), bits, rng=np.random.default_rng([seed, 99]))).relation


@pytest.mark.parametrize("beside_db", [None, -20.0, -10.0, -3.0, 0.0])
@pytest.mark.parametrize("seed", [0])
def test_half_a_sample_on_centred_mono(beside_db: float | None, seed: int) -> None:
    rng = np.random.default_rng(seed)
    frames = 3 * FRAMES // 2
    mono = shaped(rng, frames, -0.5, -26.0)
    left, right = mono, delayed(mono, -0.5)
    if beside_db is not None:
        left, right = (
            left + shaped(rng, frames, -0.5, -26.0 + beside_db),
            right + shaped(rng, frames, -0.5, -26.0 + beside_db),
        )
    result = relate(left, right, seed)
    assert result.relation == "skewed"
    assert result.delay.samples == pytest.approx(-0.500, abs=0.005)
    assert result.delay.agreeing >= 3 and result.delay.agreeing >= 0.6 * result.delay.answering
    assert "second channel is half a sample early" in " ".join(result.notes)
    assert ("as mono would be" in " ".join(result.notes)) == (beside_db is None)


@pytest.mark.parametrize("seed", range(2))
def test_no_answer_when_ten_decibels_of_other_sound_cover_the_common(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mono = shaped(rng, FRAMES, -0.5, -36.0)
    left, right = (
        mono + shaped(rng, FRAMES, -0.5, -26.0),
        delayed(mono, -0.5) + shaped(rng, FRAMES, -0.5, -26.0),
    )
    result = relate(left, right, seed)
    assert result.delay.samples is None and result.relation != "skewed"


def test_the_other_order_and_a_panned_mix_are_told_too() -> None:
    rng = np.random.default_rng(4)
    a, b = shaped(rng, FRAMES, -0.5), shaped(rng, FRAMES, -0.7)
    result = relate(a + 0.3 * b, delayed(0.4 * a + b, 0.5))
    assert result.relation == "skewed" and result.delay.samples == pytest.approx(0.5, abs=0.005)
    assert "first channel is half a sample early" in " ".join(result.notes)


def test_the_invented_tape_recorder_is_found_skewed_and_its_unskewed_twin_not() -> None:
    skewed, straight = (
        measure(music(24, 3, skew=True)).relation,
        measure(music(24, 3, skew=False)).relation,
    )
    assert skewed.relation == "skewed" and skewed.delay.samples == pytest.approx(-0.5, abs=0.01)
    assert straight.relation == "stereo" and straight.delay.samples == pytest.approx(0.0, abs=0.01)


def spaced(seed: int, frames: int = FRAMES, reach: float = 40.0) -> tuple[Sound, Sound]:
    """Five players before two microphones: each its own delay and level, each with three reflections."""
    rng = np.random.default_rng(seed)
    left, right = np.zeros(frames), np.zeros(frames)
    for _ in range(5):
        player = shaped(rng, frames, -0.8, -28.0)
        gain = 10 ** (rng.uniform(-4, 4) / 20)
        left += player * gain
        right += delayed(player, rng.uniform(-reach, reach)) / gain
        for _ in range(3):
            late = rng.integers(50, 800, 2)
            left += 0.35 * np.roll(player, late[0])
            right += 0.35 * np.roll(player, late[1])
    return left, right


@pytest.mark.parametrize("seed", range(3))
def test_microphones_apart_are_not_called_skew(seed: int) -> None:
    result = relate(*spaced(seed, FRAMES // 2), seed)
    assert result.relation == "stereo"


@pytest.mark.parametrize("delay", [1.8, -2.2, 3.6, 0.46, -0.54, 0.25])
def test_a_steady_other_delay_is_a_figure_but_not_skew(delay: float) -> None:
    # The three first are the note's own values for spaced microphones.
    rng = np.random.default_rng(8)
    mono = shaped(rng, FRAMES // 2, -0.5)
    side = shaped(rng, FRAMES // 2, -0.5, -26.0)
    result = relate(mono + side, delayed(mono - side, delay))
    assert result.relation == "stereo" and result.delay.samples == pytest.approx(delay, abs=0.02)


def test_windows_that_disagree_give_no_answer() -> None:
    rng = np.random.default_rng(9)
    mono = shaped(rng, FRAMES, -0.5)
    parts = [delayed(p, d) for p, d in zip(np.split(mono, 5), (-0.5, 1.5, 4.0, -3.0, -0.5), strict=True)]
    result = relate(mono, np.concatenate(parts))
    assert result.delay.samples is None and result.delay.answering >= 4 and result.relation != "skewed"


def test_dual_mono_bit_for_bit_and_within_one_step() -> None:
    rng = np.random.default_rng(0)
    codes = coded(np.stack([shaped(rng, FRAMES // 4, -1.0)] * 2), 14)
    result = measure(codes).relation
    assert result.relation == "dual_mono" and result.bits_in_use == 14
    assert "bit for bit" in " ".join(result.notes)
    codes[::7, 1] += 4  # one step of 14 bits
    assert measure(codes).relation.relation == "dual_mono"
    codes[1000, 1] += 8
    assert measure(codes).relation.relation != "dual_mono"  # one frame of two steps disproves it


@pytest.mark.parametrize("by", ["negative", "complement", "with noise"])
def test_inverted(by: str) -> None:
    rng = np.random.default_rng(1)
    codes = coded(np.stack([shaped(rng, FRAMES // 4, -1.0)] * 2), 16)
    codes[:, 1] = ~codes[:, 0] if by == "complement" else -codes[:, 0]
    if by == "with noise":
        codes[:, 1] += rng.integers(-90, 90, len(codes)).astype(np.int16)
    result = measure(codes).relation
    assert result.relation == "inverted" and result.correlation == pytest.approx(-1.0, abs=0.01)


def test_half_out_of_phase_is_not_called_inverted() -> None:
    rng = np.random.default_rng(2)
    common, a, b = (shaped(rng, FRAMES // 2, -0.5) for _ in range(3))
    result = relate(common + a, -common + b)
    assert result.relation == "undetermined" and "upside down" in " ".join(result.notes)


@pytest.mark.parametrize("dead", [0, 1])
@pytest.mark.parametrize("floor", ["zero", "dither", "DC"])
def test_one_dead_channel(dead: int, floor: str) -> None:
    rng = np.random.default_rng(3)
    codes = coded(np.stack([shaped(rng, FRAMES // 4, -1.0)] * 2), 16)
    codes[:, dead] = {"zero": 0, "DC": 57}.get(floor, rng.integers(-2, 3, len(codes)))
    result = measure(codes).relation
    assert result.relation == "one_silent"
    assert f"Channel {dead + 1}" in result.notes[0]


def test_a_word_in_the_dead_channel_makes_it_not_dead() -> None:
    rng = np.random.default_rng(3)
    codes = coded(np.stack([shaped(rng, FRAMES // 2, -1.0)] * 2), 16)
    codes[:, 1] = 0
    codes[9000:30000, 1] = (3000 * np.sin(np.arange(21000) * 0.05)).astype(np.int16)
    result = measure(codes).relation
    assert result.relation != "one_silent"
    assert any("Channel 2 is silent in" in note for note in result.notes)


def test_swapped_channels_cannot_be_told() -> None:
    codes = music(20, 5, skew=False)
    straight, swapped = measure(codes).relation, measure(np.ascontiguousarray(codes[:, ::-1])).relation
    assert straight.relation == swapped.relation == "stereo"
    assert straight.channel_order == swapped.channel_order == "undetermined"
    assert straight.correlation == swapped.correlation


def test_silence_noise_and_nearly_mono_stay_undetermined() -> None:
    rng = np.random.default_rng(6)
    assert measure(np.zeros((FRAMES // 4, 2), np.int16)).relation.relation == "undetermined"
    assert relate(white(rng, FRAMES // 4), white(rng, FRAMES // 4)).relation == "undetermined"
    mono = shaped(rng, FRAMES // 4, -0.5)
    near = relate(mono, mono + white(rng, FRAMES // 4, -75.0))
    assert near.relation == "undetermined" and near.difference_db is not None and near.difference_db < -30


def test_no_skew_claimed_on_100_clean_seeds() -> None:
    """Short excerpts; the long run is in test_spectra_alarms.py (-m perf)."""
    frames = 4 * 65536
    chance = np.random.default_rng(0)
    pools = [[shaped(chance, frames, slope, -30.0) for _ in range(8)] for slope in (0.0, -0.5, -1.0)]
    apart = [[delayed(sound, chance.uniform(-12, 12)) for sound in pool] for pool in pools]
    claims = 0
    for seed in range(120):
        rng = np.random.default_rng(seed)
        pool, moved = pools[seed % 3], apart[seed % 3]
        a, b, c = rng.permutation(8)[:3]
        turn = rng.integers(1000, frames - 1000, 3)
        left = np.roll(pool[a], turn[0]) + rng.uniform(0, 1) * np.roll(pool[b], turn[1])
        shared = moved[a] if seed % 2 else pool[a]
        right = np.roll(shared, turn[0]) + rng.uniform(0, 1) * np.roll(pool[c], turn[2])
        relation = relate(left, right, seed).relation
        assert relation in ("stereo", "undetermined", "skewed"), seed
        claims += relation == "skewed"
    assert claims == 0
