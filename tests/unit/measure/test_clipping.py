"""Clipped runs at the true limits: -32768 and +32764 for 14 bits in 16 (domain note 2.4)."""

from __future__ import annotations

import numpy as np
import pytest
from support.interleave import analyse, of_type

from provpack.measure.clipping import limits
from provpack.measure.damage_segments import SEGMENT
from provpack.measure.pcm import PcmLayout


def test_limits_of_the_word_length() -> None:
    sixteen, twenty_four = PcmLayout(channels=2, container_bytes=2), PcmLayout(channels=2, container_bytes=3)
    assert limits(sixteen, 14) == (32764, -32768)
    assert limits(sixteen, 16) == (32767, -32768)
    assert limits(sixteen, None) == (32767, -32768)
    assert limits(sixteen, 24) == (32767, -32768)  # more than the container holds
    assert limits(twenty_four, 14) == (32764 << 8, -(1 << 23))


def sound(frames: int = 20_000) -> np.ndarray:
    t = np.arange(frames)
    one = 20_000 * np.sin(t * 0.05) + 3000 * np.sin(t * 0.71)
    return np.stack([one, -one], axis=1).astype(np.int16) & ~3


def test_the_top_of_14_bits_is_found_when_declared_and_not_otherwise() -> None:
    codes = sound()
    codes[1000:1003, 0] = 32764
    codes[2000:2002, 0] = 32764  # two are not a run
    codes[3000:3005, 1] = -32768
    codes[4000:4004, 1] = 32760  # below the top
    got = analyse(codes, declared_bits=14)
    runs = [(e.start, e.length, e.channel) for e in of_type(got, "clipped_run")]
    assert runs == [(1000, 3, 0), (3000, 5, 1)]
    assert (got.top_code, got.bottom_code, got.word_length_declared) == (32764, -32768, True)
    assert got.clipping[0].runs == 1
    assert (got.clipping[1].samples, got.clipping[1].longest) == (5, 5)
    undeclared = analyse(codes)
    assert [e.start for e in of_type(undeclared, "clipped_run")] == [3000]
    assert (undeclared.top_code, undeclared.word_length_declared) == (32767, False)
    # and the run at the 14-bit top is not taken for a hold either
    assert not of_type(undeclared, "hold")


def test_equals_the_obvious_count_across_segments() -> None:
    rng = np.random.default_rng(11)
    codes = (rng.normal(0, 24_000, (3 * SEGMENT + 777, 2)).clip(-32768, 32764).astype(np.int16)) & ~3
    codes[SEGMENT + 2040 : SEGMENT + 2060, 0] = 32764  # over the seam of two segments
    got = analyse(codes, declared_bits=14, max_events=10**6)
    for c in range(2):
        x = codes[:, c].tolist()
        runs, at = [], 0
        while at < len(x):
            stop = at + 1
            while stop < len(x) and x[stop] == x[at]:
                stop += 1
            if stop - at >= 3 and x[at] in (32764, -32768):
                runs.append((at, stop - at))
            at = stop
        mine = [(e.start, e.length) for e in of_type(got, "clipped_run") if e.channel == c]
        assert mine == runs
        assert got.clipping[c].runs == len(runs)
        assert got.clipping[c].samples == sum(n for _, n in runs)


def test_the_list_is_capped_the_figures_are_not() -> None:
    codes = sound(60_000)
    codes[::10, 0] = codes[1::10, 0] = codes[2::10, 0] = 32764
    got = analyse(codes, declared_bits=14, max_events=100)
    assert got.clipping[0].runs == 6000
    assert len(got.events) == 100
    assert got.left_out >= 5900


@pytest.mark.parametrize("value", [32764, -32768])
def test_a_file_all_at_the_limit(value: int) -> None:
    got = analyse(np.full((SEGMENT * 2, 2), value, dtype=np.int16), declared_bits=14)
    assert [c.longest for c in got.clipping] == [SEGMENT * 2] * 2
    assert not of_type(got, "hold", "mute")


def test_inverted_14_bits_clip_at_the_swapped_limits() -> None:
    """Domain note 2.4: after inversion the limits swap. -32768 inverted does not fit: held at +32767."""
    codes = sound().astype(np.int32)
    codes[1000:1004, 0] = 32764
    codes[3000:3005, 1] = -32768
    inverted = np.clip(-codes, -32768, 32767).astype(np.int16)
    got = analyse(inverted, declared_bits=14)
    runs = [(e.start, e.length, e.channel) for e in of_type(got, "clipped_run")]
    assert runs == [(1000, 4, 0), (3000, 5, 1)]
    assert [c.runs for c in got.clipping] == [1, 1]
    assert not of_type(got, "hold")


def test_the_negative_of_the_top_is_no_limit_where_sound_goes_below() -> None:
    codes = sound()
    codes[1000:1004, 0] = -32764
    codes[SEGMENT // 4, 0] = -32768
    got = analyse(codes, declared_bits=14)
    assert not of_type(got, "clipped_run")
    assert got.clipping[0].runs == 0
