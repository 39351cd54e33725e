"""The ways through the measuring code that ordinary tapes seldom take: guards, caps and empty input.

No source outside the project: every expectation follows from the definition in the docstring of the function.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from support.interleave import analyse
from support.spectral_sound import coded, delayed, measure, white

from provpack.errors import Bug
from provpack.measure import levels, passes_anchors, spectral
from provpack.measure.bandwidth import find_wall, image_correlation
from provpack.measure.block import AnalysisSink, Block
from provpack.measure.damage_segments import MARGIN, SEGMENT
from provpack.measure.deemphasis import Deemphasis, EmphasisRange
from provpack.measure.deemphasis_kernel import design
from provpack.measure.delay import stretch_delay
from provpack.measure.emphasis import EmphasisMeter
from provpack.measure.interleave import _goes_on, _pattern
from provpack.measure.levels import LevelsSink
from provpack.measure.loudness import LoudnessMeter
from provpack.measure.passes import _filled_in
from provpack.measure.passes_align import Place, _joined
from provpack.measure.passes_anchors import MIN_VOTES, WINDOW, Island, _chain, _disjoint, _Heap
from provpack.measure.passes_sound import PROBE, STEP, _candidates, _correlate, _loud
from provpack.measure.pcm import PcmLayout
from provpack.measure.periodic import FIELDS, MERGE, TOLERANCE, _tail, periodicity
from provpack.measure.relation import _related
from provpack.measure.spectra import (
    BINS,
    GROUP,
    UNIT,
    Stretch,
    StretchBuilder,
    UnitSpectrum,
    WindowPlan,
    plan_windows,
)
from provpack.measure.spectral import SpectralAnalyser
from provpack.measure.whistle import WhistleMeter

STEREO = PcmLayout(container_bytes=2, channels=2)
MONO = PcmLayout(container_bytes=2, channels=1)


class Gatherer:
    """An Analyser that keeps what it was given."""

    def __init__(self) -> None:
        self.starts: list[int] = []
        self.codes: list[np.ndarray] = []

    def take(self, block: Block) -> None:
        self.starts.append(block.start)
        self.codes.append(block.codes.copy())


# ---- bytes that come in odd pieces


@pytest.mark.parametrize("size", [1, 2, 3, 4, 5, 7, 9])
def test_frames_cut_in_two_are_put_together(size: int) -> None:
    whole = np.arange(-20, 20, dtype="<i2").reshape(-1, 2)
    seen = Gatherer()
    sink = AnalysisSink(STEREO, len(whole), Fraction(44100), (seen,), block_frames=3)
    data = whole.tobytes()
    for at in range(0, len(data), size):
        sink.feed(data[at : at + size])
    sink.finish()
    assert np.array_equal(np.concatenate(seen.codes), whole)
    assert seen.starts == np.cumsum([0, *map(len, seen.codes)])[:-1].tolist()
    assert max(map(len, seen.codes)) <= 3


@pytest.mark.parametrize("missing", [1, 4])
def test_an_analysis_that_missed_bytes_gives_no_figures(missing: int) -> None:
    sink = AnalysisSink(STEREO, 10, Fraction(44100), (Gatherer(),))
    sink.feed(bytes(40 - missing))
    with pytest.raises(Bug, match="of 10 frames"):
        sink.finish()


def test_many_tiny_blocks_measure_as_one() -> None:
    """More than 1024 pieces in waiting are joined: the figures keep every bit."""
    codes = (8000 * np.sin(np.arange(44100) / 30)).astype(np.int64).reshape(-1, 1)
    results = []
    for pieces in ([44100], [*[1] * 2500, 41600]):
        meter = LoudnessMeter(layout=MONO, rate=Fraction(44100), frames=44100)
        at = 0
        for n in pieces:
            meter.take(Block(at, codes[at : at + n], MONO.full_scale))
            at += n
        results.append(meter.finish())
    assert results[0] == results[1]


# ---- caps: the rest is counted


def test_silences_beyond_the_cap_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(levels, "MAX_SILENCE_RUNS", 2)
    codes = np.tile(np.repeat(np.array([0, 5], dtype="<i2"), 100), 4).reshape(-1, 1)
    sink = LevelsSink(MONO, len(codes))
    sink.feed(codes.tobytes())
    got = sink.finish()
    assert [(r.start, r.length) for r in got.digital_silence] == [(0, 100), (200, 100)]
    assert (got.silence_runs_left_out, got.silence_frames) == (2, 400)


def test_pauses_beyond_the_cap_are_counted() -> None:
    sound = (9000 * np.sin(np.arange(4000) / 9)).astype(np.int64)
    codes = np.tile(np.concatenate([sound, np.zeros(200, dtype=np.int64)]), 6)
    got = analyse(np.stack([codes, codes], axis=1), max_events=2)
    full = analyse(np.stack([codes, codes], axis=1))
    assert len(full.events) > 2 == len(got.events)
    assert got.events == full.events[:2]
    assert got.left_out >= len(full.events) - 2 > 0 == full.left_out
    assert got.runs.mute_frames == full.runs.mute_frames > 5 * 200
    assert got.runs.trailer == full.runs.trailer == 200


def test_dc_beyond_the_cap_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spectral, "MAX_DC", 1)
    frames = spectral.UNIT * spectral.DC_UNITS * 2 + 50
    meter = SpectralAnalyser(layout=MONO, rate=Fraction(44100), frames=frames)
    meter.take(Block(0, np.full((frames, 1), 8192, dtype=np.int64), MONO.full_scale))
    dc = meter.finish().dc
    assert (len(dc.values), dc.left_out) == (1, 2)
    assert dc.values[0] == pytest.approx((0.25,))


def test_anchors_beyond_the_cap_raise_the_rarity(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(passes_anchors, "MOST_ANCHORS", 100)
    hashes = np.random.default_rng(1).integers(0, 2**64, 150, dtype=np.uint64)
    heap = _Heap(0)
    heap.add(hashes, np.arange(150))
    assert heap.rarity > 0
    assert 0 < len(heap.hashes) <= 100
    assert (heap.hashes < np.uint64(1 << (64 - heap.rarity))).all()
    assert np.array_equal(hashes[heap.places], heap.hashes)


# ---- where segments meet


@pytest.mark.parametrize("end", [SEGMENT, SEGMENT + MARGIN])  # the first segment ends at one of them
def test_a_clipped_run_that_ends_with_the_segment(end: int) -> None:
    for length in (1, 3, 40):
        codes = np.full((SEGMENT + 2 * MARGIN, 2), 100)
        codes[::2] = -90
        codes[end - length : end, 0] = 32767
        codes[end + 100, 0] = 32767
        (left, right) = analyse(codes, declared_bits=16).clipping
        expected = (1, length, length) if length >= 3 else (0, 0, 0)
        assert (left.runs, left.samples, left.longest) == expected
        assert right.runs == 0


# ---- nothing there to measure


def a_stretch(cross: bool, level: float = 0.0) -> Stretch:
    power = np.full((2, BINS), level)
    between = np.full(BINS, level, dtype=np.complex128) if cross else None
    return Stretch(start=0, stop=1000, windows=10, power=power, cross=between)


def test_one_channel_relates_to_nothing() -> None:
    assert stretch_delay(a_stretch(cross=False), 44100.0) is None
    assert _related(a_stretch(cross=False), 44100.0) is False
    assert stretch_delay(a_stretch(cross=True), 44100.0) is None
    assert _related(a_stretch(cross=True, level=1.0), 44100.0)


def test_a_flat_or_a_narrow_spectrum_has_no_wall_and_no_image() -> None:
    assert find_wall(np.zeros(BINS), 1000.0) is None
    assert image_correlation(np.zeros(BINS), 15_000.0, 44_100.0, None) is None


def test_a_low_rate_has_no_band_to_tilt() -> None:
    assert EmphasisMeter(rate=8000.0)._tilt(np.ones(BINS)) == []
    assert EmphasisMeter(rate=44100.0)._tilt(np.zeros(BINS)) == []


def test_no_marked_sample_makes_no_pattern() -> None:
    marked = np.zeros((2, 1000), dtype=np.bool_)
    assert _pattern(marked, 0, 200) == 0  # before REACH no pattern has room
    assert _goes_on(marked[0], np.zeros(0, dtype=np.int64)) == 0


def test_no_more_hits_than_chance_is_no_evidence() -> None:
    assert _tail(1, 100, 0.5) == 0.0
    assert _tail(100, 100, 0.5) == pytest.approx(100 * np.log(0.5))


def test_a_field_rate_that_does_not_fit_and_a_tone_that_is_no_line_frequency() -> None:
    meter = WhistleMeter(channels=1, rate=Fraction(44100), header=44100, units=4)
    assert meter._in_comb(np.ones(400), 200, 0.01) is False  # a field rate away is outside
    assert meter._in_comb(np.ones(400), 200, 0.5) is True
    steady = [(12_000.0, 1e-8, 40.0)] * 5
    assert meter._tone(steady) is None
    at_525 = [(15_734.2657, 1e-8, 40.0)] * 5
    found = meter._tone(at_525)
    assert found is not None and found.level_dbfs == -80.0


def test_a_line_outside_what_was_kept_is_no_whistle() -> None:
    meter = WhistleMeter(channels=1, rate=Fraction(44100), header=44100, units=4)
    power = np.ones(40_000)
    power[20_000::5_000] = 1e9
    assert meter._peak(power, meter._centre) is not None
    assert meter._peak(power, meter._centre + 0.5 / 64) is None


def test_damage_without_end_is_looked_at_two_by_two() -> None:
    """As close together as places may be: every lag from half a field on, as counted one by one."""
    frames = list(range(0, 40 * 735, MERGE))
    (got,) = periodicity(frames, "525_5994")
    reach = FIELDS * 735 + TOLERANCE
    assert got.lags == sum(2 * (b - a) >= 735 and b - a <= reach for a in frames for b in frames)
    assert got.pattern == "none"


@pytest.mark.parametrize("delay", [0.5, -0.5])
def test_turned_over_and_half_a_sample_apart(delay: float) -> None:
    sound = white(np.random.default_rng(4), 12 * 44100)
    got = measure(coded(np.stack([sound, -delayed(sound, delay)])), rate=Fraction(44100)).relation
    assert got.relation == "inverted"
    assert got.notes[-1] == "It is also half a sample apart."


def test_every_second_unit_and_columns_of_several_groups(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = WindowPlan(units=4, stride=2, stretch_units=2, column_groups=1)
    frames = 4 * UNIT
    codes = np.random.default_rng(2).integers(-9000, 9000, (frames, 1))
    seen = []
    for columns in (1, UNIT // GROUP * 2, UNIT // GROUP * 2 - 1):
        monkeypatch.setattr(spectral, "plan_windows", lambda _, n=columns: replace(plan, column_groups=n))
        meter = SpectralAnalyser(layout=MONO, rate=Fraction(44100), frames=frames)
        meter.take(Block(0, codes, MONO.full_scale))
        result = meter.finish()
        assert result.history is not None and result.spectrum is not None
        seen.append((result.history.starts, result.spectrum.windows))
    groups = [unit * UNIT + g * GROUP for unit in (0, 2) for g in range(UNIT // GROUP)]
    assert seen[0][0] == tuple(groups)
    assert seen[1][0] == (0,)
    assert seen[2][0] == (0, groups[-1])
    assert len({windows for _, windows in seen}) == 1
    levels_db = result.spectrum.level_db[0]
    assert any(round(v, 1) != v for v in levels_db) and all(round(v, 2) == v for v in levels_db)


def test_a_kernel_shifts_by_half_a_sample_or_not_at_all() -> None:
    with pytest.raises(ValueError, match="half a sample"):
        design(Fraction(44100), delay=Fraction(1, 3))


def test_a_range_without_its_filter_is_our_own_mistake() -> None:
    ranges = (EmphasisRange(start=0, end=100, on=False),)
    made = Deemphasis(Fraction(44100), ranges, frames=100, channels=1, bits=16)
    assert made._on == [None]
    with pytest.raises(Bug, match="filter that was not made"):
        made._mixed(0, np.zeros(1000), 10, np.zeros(10))


@pytest.mark.parametrize(("bits", "width"), [(16, np.int16), (16, np.int32), (24, np.int32)])
def test_the_lowest_code_is_lawful_and_one_below_is_not(bits: int, width: type) -> None:
    ranges = (EmphasisRange(start=0, end=4, on=False),)
    full = 1 << (bits - 1)
    codes = np.array([[-full], [full - 1], [0], [-full]], dtype=width)
    made = Deemphasis(Fraction(44100), ranges, frames=4, channels=1, bits=bits)
    out = made.process(codes)
    assert out[:, 0].tolist() == [int(c) << (24 - bits) for c in codes[:, 0]]
    if width is np.int32:
        for wrong in (-full - 1, full, full + 1, 4 * full):
            made = Deemphasis(Fraction(44100), ranges, frames=4, channels=1, bits=bits)
            with pytest.raises(Bug, match="wider than"):
                made.process(np.array([[wrong]] * 4, dtype=width))


@pytest.mark.parametrize(
    ("units", "stride", "stretch", "columns"),
    [(0, 1, 1, 1), (1, 1, 1, 1), (10, 1, 1, 1), (13, 1, 2, 1), (60, 1, 4, 1), (119, 1, 4, 1), (120, 2, 8, 1),
     (240, 4, 16, 1), (9000, 4, 20, 19)],
)  # fmt: skip
def test_which_units_are_looked_at(units: int, stride: int, stretch: int, columns: int) -> None:
    """60 units at least are transformed where there are so many; 4 of them or more make a stretch."""
    plan = plan_windows(units * UNIT)
    assert plan == WindowPlan(units=units, stride=stride, stretch_units=stretch, column_groups=columns)
    assert isinstance(plan.stretch_units, int)
    assert plan_windows(max(units * UNIT - 1, 0)) == plan


def test_a_stretch_is_the_sum_of_its_units_from_the_first_on() -> None:
    plan = WindowPlan(units=3, stride=1, stretch_units=3, column_groups=1)
    builder = StretchBuilder(plan)
    units = [
        UnitSpectrum(
            start=n * UNIT,
            windows=(n, 1),
            power=np.full((2, 2, BINS), n + 1.0),
            cross=np.full(BINS, n + 1j) if n else None,
        )
        for n in range(3)
    ]
    assert builder.take(0, units[0], UNIT) is None
    assert builder.take(1, units[1], 2 * UNIT) is None
    got = builder.take(2, units[2], 3 * UNIT)
    assert got is not None and got.cross is not None
    assert (got.start, got.stop, got.windows) == (0, 3 * UNIT, 6)
    assert got.power.shape == (2, BINS) and (got.power == 12.0).all()
    assert (got.cross == 3 + 2j).all()
    assert builder.close(4 * UNIT) is None


# ---- the parts of a comparison of passes


def place(a0: int, a1: int, b0: int, b1: int, aligned: bool = True) -> Place:
    return Place(a0=a0, a1=a1, b0=b0, b1=b1, aligned=aligned)


def test_empty_places_go_and_neighbours_of_one_lag_become_one() -> None:
    assert list(_joined(iter([place(5, 5, 9, 9)]))) == []
    parts = [place(0, 10, 3, 13), place(10, 10, 13, 13), place(10, 20, 13, 23), place(20, 30, 25, 35)]
    assert list(_joined(iter(parts))) == [place(0, 20, 3, 23), place(20, 30, 25, 35)]
    apart = [place(0, 10, 0, 10, aligned=False), place(10, 20, 10, 20)]
    assert list(_joined(iter(apart))) == apart
    assert list(_filled_in([])) == []


def test_no_anchor_no_island() -> None:
    nothing = np.zeros(0, dtype=np.int64)
    assert _chain(nothing, nothing, MIN_VOTES) == ()


def test_what_stands_between_two_islands_of_one_lag_and_is_too_weak_is_passed_over() -> None:
    pa = np.array([*range(0, 1000, 100), 1500, *range(2000, 3000, 100)])
    lag = np.array([*[7] * 10, 8, *[7] * 10])
    assert _chain(pa, pa + lag, MIN_VOTES) == (Island(a0=0, a1=2900 + WINDOW, lag=7, votes=20),)


def test_what_does_not_ascend_stands_in_no_chain() -> None:
    pa = np.array([*range(0, 1000, 100), 1500, *range(2000, 3000, 100)])
    lag = np.array([*[7] * 10, -1400, *[7] * 10])
    assert _chain(pa, pa + lag, MIN_VOTES) == (Island(a0=0, a1=2900 + WINDOW, lag=7, votes=20),)


def test_an_island_inside_its_neighbour_is_left_out() -> None:
    first = Island(a0=0, a1=100, lag=0, votes=9)
    inside = Island(a0=50, a1=90, lag=3, votes=4)
    overlapping = Island(a0=90, a1=200, lag=-5, votes=4)
    assert _disjoint([first, inside]) == [first]
    # Pass 1 is taken up to 100 there: the later one begins where both passes are free.
    assert _disjoint([first, overlapping]) == [first, Island(a0=105, a1=200, lag=-5, votes=4)]


def test_sound_without_likeness_has_no_candidates() -> None:
    assert _candidates(np.zeros(500), np.zeros(500)) == []
    assert _loud(np.ones(4), 0, (4 * STEP, 4 * STEP)) == []  # shorter than one probe
    assert _correlate(np.ones(PROBE), np.ones(PROBE - 1)) == (0, 0.0)
