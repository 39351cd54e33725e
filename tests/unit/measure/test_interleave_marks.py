"""Concealed samples on the grid: where they can be looked for, and where nothing can be said."""

from __future__ import annotations

import numpy as np
import pytest
from support.interleave import RATE, analyse, harm, hit, music, of_type, play, quantised, random_bursts

from provpack.measure.damage import Damage
from provpack.measure.damage_segments import Segment
from provpack.measure.interleave import (
    _PATTERN,
    CELL,
    MARKS,
    REACH,
    InterleaveDetector,
    MarkResult,
    _goes_on,
)
from provpack.measure.pcm import PcmLayout

FS = float(RATE)


def mark(damage: Damage, name: str) -> MarkResult:
    return dict(zip(MARKS, damage.marks, strict=True))[name]


@pytest.mark.parametrize("how", ["interpolation", "hold", "mute"])
def test_found_on_bright_loud_sound(how: str) -> None:
    """The shortest dropout that is not corrected leaves a dozen samples (domain note 1.5)."""
    clean = music(21, 4, bits=14, level="loud", tone="bright")
    assert mark(analyse(clean), how).verdict == "none_found"
    places = random_bursts(len(clean) * 5 // 6, 40, 3, 5)
    got = analyse(play(clean, bits=14, bursts=places, how=how).codes, declared_bits=14)  # type: ignore[arg-type]
    events = of_type(got, how)
    assert [hit(events, place) for place in places] == [True] * 3
    assert mark(got, how).verdict == "found"
    assert all(e.length <= 400 for e in events)
    share = mark(got, how).share
    assert share is not None
    assert share < 0.02


def test_not_applicable_on_dull_quiet_sound() -> None:
    """Domain note section 4: by chance up to 99 % of the samples of dull, quiet sound fit at 14 bits."""
    clean = music(21, 4, bits=14, level="quiet", tone="dull")
    clean = clean[10_000:120_000]  # between attack and end, where nothing else is to be heard
    got = mark(analyse(clean, declared_bits=14), "interpolation")
    assert (got.verdict, got.applicable_frames, got.share) == ("not_applicable_here", 0, None)


def test_where_it_could_look_is_counted() -> None:
    loud = music(21, 4, bits=14, level="loud", tone="bright")[:131_072]
    dull = music(21, 4, bits=14, level="quiet", tone="dull")[10_000:75_536]
    got = mark(analyse(np.concatenate([loud, dull]), declared_bits=14), "interpolation")
    assert 100_000 < got.applicable_frames < 135_000


@pytest.mark.parametrize("bits", [14, 16])
@pytest.mark.parametrize("hertz", [463.7, 927.4, 932.33, 1855.0])
def test_a_tone_of_the_grids_own_period_is_not_damage(hertz: float, bits: int) -> None:
    """47.5 frames are 927 Hz: such a tone turns every 47 or 48 frames, with vibrato and tremolo too."""
    t = np.arange(int(8 * FS)) / FS
    for peak in (0.05, 0.2, 0.8):
        for vibrato in (0.0, 3.0):
            phase = 2 * np.pi * hertz * t + vibrato * np.sin(2 * np.pi * 5.2 * t)
            swell = 1 - 0.25 * (1 + np.sin(2 * np.pi * 4.7 * t)) * (vibrato > 0)
            sound = peak * np.stack([swell * np.sin(phase), 0.8 * swell * np.sin(phase + 0.3)], axis=1)
            chance = np.random.default_rng(5)
            noise = (chance.random(sound.shape) - chance.random(sound.shape)) / (1 << (bits - 1))
            assert not harm(analyse(quantised(sound + noise, bits), declared_bits=bits))


def test_found_when_a_board_has_swapped_the_channels() -> None:
    """A board may swap channels (domain note 2.2)."""
    clean = music(21, 4, bits=16, level="loud", tone="bright")
    places = random_bursts(len(clean) * 5 // 6, 40, 3, 5)
    for how in ("interpolation", "hold", "mute"):
        codes = play(clean, bits=16, bursts=places, how=how).codes[:, ::-1].copy()  # type: ignore[arg-type]
        events = of_type(analyse(codes, declared_bits=16), how)
        assert [hit(events, place) for place in places] == [True] * 3


def test_chords_keep_to_no_pattern_of_both_channels() -> None:
    """Four tones have marks 47 or 48 frames apart for a few turns: found on such, before both channels had
    to fit; one minute of them."""
    t = np.arange(int(5 * FS)) / FS
    for seed in range(12):
        chance = np.random.default_rng(seed)
        hertz, phase = np.exp(chance.uniform(np.log(100), np.log(2000), 4)), chance.uniform(0, 6, (4, 2))
        sound = sum(np.sin(2 * np.pi * f * t[:, None] + p) for f, p in zip(hertz, phase, strict=True)) * 0.22
        noise = (chance.random(sound.shape) - chance.random(sound.shape)) / (1 << 15)
        assert not harm(analyse(quantised(sound + noise, 16), declared_bits=16))


def test_damage_in_every_field_does_not_hide_itself() -> None:
    """Twelve samples in every 735 frames: the neighbours of a dropout are dropouts too."""
    clean = music(21, 4, bits=14, level="loud", tone="bright")
    places = [(4000 + 245 * k, 33) for k in range(60)]
    events = of_type(analyse(play(clean, bits=14, bursts=places, how="interpolation").codes), "interpolation")
    assert sum(hit(events, place) for place in places) >= 45


def test_only_for_two_channels() -> None:
    mono = music(21, 2, bits=14, level="loud", tone="bright")[:, :1].copy()
    got = analyse(mono, layout=PcmLayout(channels=1, container_bytes=2))
    assert {m.verdict for m in got.marks} == {"not_applicable_here"}


def test_the_share_of_marked_samples_is_counted_over_both_channels() -> None:
    """Zeros strewn into loud noise, no two near each other: each is a mark, and nothing else is."""
    chance = np.random.default_rng(8)
    frames = 50_000  # the last cell is not full
    codes = (chance.integers(3000, 20_000, (frames, 2)) * chance.choice([-1, 1], (frames, 2))).astype(
        np.int64
    )
    places = np.arange(7, 2 * frames - 7, 331)
    codes.reshape(-1)[places] = 0
    # a zero marks where it stands four steps or more off the line of its neighbours
    n, c = places // 2, places % 2
    plain = np.abs(codes[n - 1, c] + codes[n + 1, c]) / 2 >= 4
    got = mark(analyse(codes, declared_bits=16), "mute")
    assert (got.verdict, got.applicable_frames) == ("none_found", frames)
    assert got.share == round(float(plain.sum()) / (2 * frames), 6)
    one = codes.copy()
    one[:, 1] = np.abs(one[:, 1]) + 3000  # all marks of the second channel gone
    got = mark(analyse(one, declared_bits=16), "mute")
    assert got.share == round(float(plain[c == 0].sum()) / (2 * frames), 6)


@pytest.mark.parametrize("away", [328, 329, 332, 336, 337, 375, 376, 380, 384, 385])
def test_what_goes_on_for_seven_or_eight_distances(away: int) -> None:
    """A distance is 47 or 48 frames: seven of them are 329 to 336, eight 376 to 384."""
    on = 7 * 47 <= away <= 7 * 48 or 8 * 47 <= away <= 8 * 48
    for side in (away, -away):
        marked = np.zeros(3000, dtype=np.bool_)
        marked[[1000, 1000 + side]] = True
        assert _goes_on(marked, np.array([1000])) == on


def test_a_pattern_far_behind_does_not_stand_for_one_that_is_missing() -> None:
    """Zeros 48 frames apart in one channel alone fit no block; a real dropout follows half a second later."""
    chance = np.random.default_rng(3)
    codes = (chance.integers(3000, 20_000, (60_000, 2)) * chance.choice([-1, 1], (60_000, 2))).astype(
        np.int64
    )
    places = [(12_000, 33)]
    codes = play(codes, bits=16, bursts=places, how="mute").codes.copy()
    alone = codes.copy()
    for first in (10_000, 10_005):
        codes[first + 48 * np.arange(7), 0] = 0
    for both in (alone, codes):
        events = of_type(analyse(both.astype(np.int64), declared_bits=16), "mute")
        assert [hit(events, place) for place in places] == [True] and len(events) == 1


@pytest.mark.parametrize(("share", "found"), [(0.0, True), (0.99, True), (1.01, False)])
def test_evidence_is_what_chance_does_not_give(share: float, found: bool) -> None:
    """Pairs by chance: two distances, two channels, REACH frames, each with the share squared; of those the
    mean and three deviations are taken off, and five must be left. share: of the limit that follows."""
    rows = 4096
    marked = np.zeros((2, rows + CELL), dtype=np.bool_)
    for channel, back in _PATTERN:
        marked[channel, 2000 - back] = True
    seg = Segment(
        codes=np.zeros((rows, 2), dtype=np.int16), planar=np.zeros((2, rows), dtype=np.float32),
        first=0, lo=0, hi=rows, last=True, step=1,
    )  # fmt: skip
    flat = marked.reshape(-1)
    detector = InterleaveDetector(layout=PcmLayout(channels=2, container_bytes=2), cap=9)
    (cluster,) = detector._clusters(seg, np.flatnonzero(flat), flat, rows + CELL)
    pairs = len(cluster[0])
    assert pairs > 5 and int(cluster[0][-1] - cluster[0][0]) < REACH
    expected = ((-3 + np.sqrt(9 + 4 * (pairs - 5))) / 2) ** 2
    limit = np.sqrt(expected / (2 * 2 * REACH))
    detector._judge(seg, "mute", marked, None, cluster, share * float(limit))
    assert detector._found["mute"] == found
