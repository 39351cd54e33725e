"""Holds and mutes, told from what sound does by itself and from silence."""

from __future__ import annotations

import numpy as np
import pytest
from support.interleave import analyse, falling_noise, harm, music, of_type

from provpack.measure.damage_segments import MARGIN, SEGMENT

LENGTH = 100


def longest_run(x: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(x, prepend=x[0] + 1, append=x[-1] + 1))
    return int(np.diff(edges).max())


@pytest.mark.parametrize(
    ("dbfs", "slope", "least", "most"), [(-40, -9, 12, 40), (-60, -9, 60, 260), (-60, 0, 4, 9)]
)
def test_runs_that_sound_makes_are_no_holds(dbfs: float, slope: float, least: int, most: int) -> None:
    """Domain note section 4: 14-bit noise falling 9 dB per octave has runs to 21 at -40 dBFS, to 140 at -60,
    bright noise at -60 only to 7 (computed there; longest of some seconds, so the order is checked)."""
    for seed in range(3):
        codes = falling_noise(seed, 10 * 44056, bits=14, dbfs=dbfs, slope=slope)
        assert least <= longest_run(codes[:, 0]) <= most
        for declared in (14, None):
            assert not harm(analyse(codes, declared_bits=declared))


def test_a_hold_shorter_than_the_sound_makes_by_itself_is_none() -> None:
    """The same 60 equal samples: found in bright sound, not told from the sound's own in slow sound."""
    slow = falling_noise(1, 6 * 44056, bits=14, dbfs=-60, slope=-9)
    bright = falling_noise(1, 6 * 44056, bits=14, dbfs=-30, slope=0)
    for codes in (slow, bright):
        codes[100_000:100_060] = codes[100_000]
    assert [e.start for e in of_type(analyse(bright), "hold")] == [100_000]
    assert all(e.length > 55 for e in of_type(analyse(slow), "hold"))  # nothing shorter is ever claimed


@pytest.mark.parametrize("bits", [14, 16])
@pytest.mark.parametrize("level", ["loud", "quiet"])
@pytest.mark.parametrize("tone", ["bright", "dull"])
def test_holds_and_mutes_have_their_place_length_and_channel(bits: int, level: str, tone: str) -> None:
    codes = music(11, 4, bits=bits, level=level, tone=tone)  # type: ignore[arg-type]
    codes[30_000 : 30_000 + LENGTH] = codes[30_000]
    codes[60_000 : 60_000 + LENGTH, 1] = codes[60_000, 1]
    codes[90_000 : 90_000 + LENGTH] = 0
    codes[120_000 : 120_000 + LENGTH, 0] = 0
    found = {
        (e.type, e.channel, round(e.start / 10_000)): e for e in harm(analyse(codes, declared_bits=bits))
    }
    assert set(found) == {("hold", None, 3), ("hold", 1, 6), ("mute", None, 9), ("mute", 0, 12)}
    for event in found.values():
        # a neighbour may happen to have the held value
        assert abs(event.start % 10_000) <= 3 or event.start % 10_000 > 9_996
        assert LENGTH <= event.length <= LENGTH + 6
        assert event.confidence is not None
        assert event.confidence >= 0.8


def test_a_constant_other_than_zero_is_a_hold_never_silence() -> None:
    """Domain note section 4, digital silence: "A constant DC value is a hold, not a mute"."""
    codes = music(3, 5, bits=14, level="loud", tone="bright")
    codes[80_000:130_000] = -12
    got = analyse(codes, declared_bits=14)
    (event,) = harm(got)
    assert (event.type, event.start, event.channel) == ("hold", 80_000, None)
    assert event.length >= 50_000
    assert not of_type(got, "digital_silence", "mute")


def test_leader_trailer_pause_and_mute_are_told_apart() -> None:
    codes = music(5, 6, bits=14, level="loud", tone="dull")
    codes[:20_000] = 0
    codes[-9_000:] = 0
    codes[-9_001] = 400
    codes[100_000:101_000] = 0
    fade = np.linspace(1, 0, 20_000)[:, None]
    codes[140_000:160_000] = (codes[140_000:160_000] * fade).astype(np.int16) >> 2 << 2
    codes[160_000:170_000] = 0
    codes[170_000:190_000] = (codes[170_000:190_000] * fade[::-1]).astype(np.int16) >> 2 << 2
    got = analyse(codes, declared_bits=14)
    assert (got.runs.leader, got.runs.trailer) == (20_000, 9_000)
    assert [(e.start, e.length) for e in of_type(got, "mute")] == [(100_000, 1_000)]
    assert got.runs.mute_frames == 1_000
    kinds = [e.note.split(":")[0] for e in of_type(got, "digital_silence")]
    assert kinds == ["leader", "the sound fades into it and out of it", "trailer"]
    assert len(harm(got)) == 1


@pytest.mark.parametrize("length", [63, 64, 3 * SEGMENT])
def test_mutes_from_64_frames_whatever_the_seams(length: int) -> None:
    seam = SEGMENT + MARGIN
    codes = np.random.default_rng(2).normal(0, 4000, (6 * SEGMENT, 2)).astype(np.int16) | 4
    for start in (seam - 40, max(seam - length, 100), seam, 2 * seam - 5):
        damaged = codes.copy()
        damaged[start : start + length] = 0
        (event,) = harm(analyse(damaged, declared_bits=16))
        assert (event.type, event.start, event.length, event.channel) == ("mute", start, length, None)


@pytest.mark.parametrize("length", [9, 60, 2 * SEGMENT])
def test_holds_whatever_the_seams(length: int) -> None:
    seam = SEGMENT + MARGIN
    codes = np.random.default_rng(2).normal(0, 4000, (6 * SEGMENT, 2)).astype(np.int16) | 4
    for start in (seam - 40, max(seam - length, 100), seam - 5, seam):
        damaged = codes.copy()
        damaged[start : start + length] = [777, -300]
        (event,) = harm(analyse(damaged, declared_bits=16))
        assert (event.type, event.start, event.length, event.channel) == ("hold", start, length, None)


def test_a_dead_channel_is_neither_mute_nor_hold() -> None:
    codes = music(6, 3, bits=14, level="loud", tone="bright")
    for value in (0, 40):
        codes[:, 1] = value
        assert not harm(analyse(codes, declared_bits=14))


def test_a_louder_copy_has_gaps_between_codes_and_still_no_damage() -> None:
    """Digital gain of 18 dB leaves steps of eight codes: they are not jumps."""
    codes = music(8, 4, bits=14, level="quiet", tone="dull").astype(np.int32) * 8
    assert not harm(analyse(codes.astype(np.int16), declared_bits=14))


def test_a_pause_that_ends_abruptly_is_no_mute_and_one_that_begins_so_is() -> None:
    """Words and drums begin out of silence as abruptly as a mute ends (common practice, no source)."""
    codes = music(5, 4, bits=14, level="loud", tone="bright")
    fade = np.linspace(1, 0, 600)[:, None]  # 14 ms, as between gated words
    faded = codes.copy()
    faded[60_000:60_600] = (faded[60_000:60_600] * fade).astype(np.int16) >> 2 << 2
    faded[60_600:64_000] = 0
    got = analyse(faded, declared_bits=14)
    assert not harm(got)
    assert "begins again abruptly" in of_type(got, "digital_silence")[-1].note
    codes[60_600:64_000] = 0
    (event,) = harm(analyse(codes, declared_bits=14))
    assert (event.type, event.start, event.length) == ("mute", 60_600, 3_400)


@pytest.mark.parametrize("hertz", [40, 63, 100])
def test_a_low_note_cut_as_it_passes_through_zero_is_not_faded(hertz: int) -> None:
    t = np.arange(60_000) / 44056
    one = np.rint(6000 * np.sin(2 * np.pi * hertz * t)).astype(np.int16) * 4
    codes = np.stack([one, one], axis=1)
    start = round(20 / hertz * 44056)
    codes[start : start + 2000] = 0
    (event,) = harm(analyse(codes, declared_bits=14))
    assert event.type == "mute"
    assert abs(event.start - start) <= 1


def test_flat_tops_of_a_limiter_are_no_holds() -> None:
    """Limited below full scale, so no clipped runs either."""
    chance = np.random.default_rng(3)
    sound = np.cumsum(chance.normal(0, 0.05, (200_000, 2)), axis=0)
    sound -= np.linspace(0, 1, len(sound))[:, None] * sound[-1]
    for top in (0.7, 0.95):
        codes = (np.clip(np.sin(sound) * 2, -top, top) * 8191).astype(np.int16) * 4
        assert longest_run(codes[:, 0]) > 20
        assert not of_type(analyse(codes, declared_bits=14), "hold", "mute", "clipped_run")


@pytest.mark.parametrize(
    ("before", "exit_step", "after", "hold"),
    [
        # 12 equal samples: longer than the chance length of 8, not than twice that.
        (3, 12, 4, True),  # out of calm sound, and 12 > 2.5 x 4: the step stands alone
        (3, 12, 5, False),  # 12 < 2.5 x 5: sudden only
        (4, 12, 5, True),  # busy before: at least four steps, and 4 x 4 >= 12
        (4, 17, 9, False),  # 4 x 4 < 17
        (3, 8, 3, True),  # eight steps are enough
        (3, 7, 2, False),
    ],
)
def test_how_a_run_ends_tells_a_hold(before: int, exit_step: int, after: int, hold: bool) -> None:
    """The definitions of provpack/measure/runs.py, in codes of one step each."""
    up = np.cumsum(np.where(np.arange(400) % 2, 1, before))
    down = up[-1] - exit_step - np.cumsum(np.where(np.arange(400) % 2, 1, after))
    x = np.concatenate([up, np.full(11, up[-1]), [up[-1] - exit_step], down])
    rest = np.cumsum(np.where(np.arange(6000) // 2000 % 2, -1, 1) * (1 + np.arange(6000) % 2))
    x = np.concatenate([x, x[-1] + rest])  # a wide sound, so that the run is at none of its limits
    got = of_type(analyse(np.stack([x, x], axis=1).astype(np.int64), declared_bits=16), "hold")
    assert [(e.start, e.length) for e in got] == ([(399, 12)] if hold else [])
