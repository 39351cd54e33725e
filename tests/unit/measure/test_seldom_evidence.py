"""Evidence on passes where the surroundings are poor; expectations follow from the definitions in
provpack/measure/passes_evidence.py and passes.py (proposals, no source)."""

from __future__ import annotations

import numpy as np
import pytest
from support.passes import reader

from provpack.measure import passes
from provpack.measure.passes import Stretch, _filled_in, _inherited
from provpack.measure.passes_align import Difference, Place
from provpack.measure.passes_evidence import ORDER, UNKNOWN, Cut, Verdict, judge


def sound(frames: int, seed: int = 1) -> np.ndarray:
    """A lively, smooth tone with a little noise, codes (frames, 2)."""
    rng = np.random.default_rng(seed)
    t = np.arange(frames)[:, None] + np.array([0, 40])
    return (9000 * np.sin(t / 17) + 3000 * np.sin(t / 5.3) + rng.normal(0, 30, (frames, 2))).astype(np.int64)


def cuts(one: np.ndarray, two: np.ndarray, start: int, end: int) -> tuple[Cut, Cut]:
    return Cut(codes=one, start=start, end=end), Cut(codes=two, start=start, end=end)


@pytest.mark.parametrize("start", [0, 2, 10, 24, 25, 600])
def test_a_hold_is_seen_whatever_little_stands_before_it(start: int) -> None:
    good = sound(start + 12 + 700)
    bad = good.copy()
    bad[start : start + 12] = bad[start + 12]
    ((first, end, verdict),) = judge(*cuts(good, bad, start, start + 12))
    assert (first, end) == (0, 12)
    # Whether the other joins its surroundings is known from ORDER frames before and two frames on only.
    known = start + 12 + 2 > ORDER
    assert (verdict.damaged, verdict.signs) == (1 if known else None, ((), ("held",)))
    ((_, _, turned),) = judge(*cuts(bad, good, start, start + 12))
    assert (turned.damaged, turned.signs) == (0 if known else None, (("held",), ()))


def test_damage_in_one_channel_is_judged_by_that_channel() -> None:
    good = sound(1500)
    bad = good.copy()
    bad[700:712, 1] = 0
    ((_, _, verdict),) = judge(*cuts(good, bad, 700, 712))
    assert (verdict.damaged, verdict.signs) == (1, ((), ("muted",)))


def test_scattered_equal_frames_cannot_tell() -> None:
    """Enough equal frames, but never 25 in a row: no prediction, no verdict."""
    good = sound(2012)
    bad = good.copy()
    bad[1000:1012] = 0
    bad[::20] += 5
    assert judge(*cuts(good, bad, 1000, 1012)) == ((0, 12, UNKNOWN),)


def test_a_curve_drawn_through_the_gap_is_smooth() -> None:
    rng = np.random.default_rng(3)
    good = rng.integers(-9000, 9000, (1500, 1))
    bad = good.copy()
    bad[700:740] = np.linspace(200, 240, 40).astype(np.int64)[:, None] + (np.arange(40) % 3)[:, None] * 9
    ((_, _, verdict),) = judge(*cuts(good, bad, 700, 740))
    assert verdict.signs == ((), ("smooth",))


def test_a_buffer_written_twice_at_the_start_of_the_file() -> None:
    whole = sound(900)
    twice = np.concatenate([whole[:64], whole])
    ((_, _, verdict),) = judge(Cut(codes=whole, start=0, end=0), Cut(codes=twice, start=0, end=64))
    assert verdict.signs == ((), ("repeated",))


def stretch(start: int, length: int, damaged: int | None, *signs: str, kind: str = "differing") -> Stretch:
    told: list[tuple[str, ...]] = [(), ()]
    if damaged is not None:
        told[damaged] = signs
    verdict = Verdict(damaged=damaged, signs=(told[0], told[1]), breaks=(None, None))  # type: ignore[arg-type]
    return Stretch(
        kind=kind,  # type: ignore[arg-type]
        start=(start, start),
        length=(length, length),
        differing_frames=length,
        verdict=verdict,
    )


def test_only_a_pass_that_alone_stands_still_inherits_the_verdict() -> None:
    moving, still = sound(400), np.full((400, 2), 77)
    parts = [stretch(0, 200, 1, "held"), stretch(200, 200, None)]
    assert [s.damaged for s in _inherited(reader(moving, still), parts)] == [1, 1]
    assert [s.damaged for s in _inherited(reader(moving, sound(400, seed=2)), parts)] == [1, None]
    assert [s.damaged for s in _inherited(reader(still + 1, still), parts)] == [1, None]


def test_neighbours_of_one_verdict_are_one_and_gaps_between_two_are_equal() -> None:
    close = [stretch(0, 10, 0, "held"), stretch(10, 5, 1, "held")]
    assert list(_filled_in(close)) == close
    same = [stretch(0, 10, 0, "held"), stretch(12, 5, 0, "muted")]
    (one,) = _filled_in(same)
    assert (one.start, one.length, one.differing_frames) == ((0, 0), (17, 17), 15)
    assert one.verdict.signs == (("held", "muted"), ())
    apart = list(_filled_in([stretch(0, 10, 0, "held"), stretch(12, 5, 1, "held")]))
    assert [(s.kind, s.start[0], s.length[0]) for s in apart] == [
        ("differing", 0, 10),
        ("equal", 10, 2),
        ("differing", 12, 5),
    ]


def test_a_piece_without_differences_is_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(passes, "PIECE", 100)
    good = sound(3000)
    bad = good.copy()
    bad[1000:1020] = 0
    bad[1280:1300] = 0
    place = Place(a0=1000, a1=1300, b0=1000, b1=1300, aligned=True)
    got = passes._judged(reader(good, bad), (3000, 3000), Difference(place=place, frames=40))
    assert [(s.start[0], s.length[0], s.differing_frames) for s in got] == [(1000, 300, 40)]
    assert got[0].verdict.signs == ((), ("muted",))
