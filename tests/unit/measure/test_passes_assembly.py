"""Assemblies of two passes: the proposal gives back the clean tape; the proof finds every fault."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.passes import LOSSES, assembled, reader, tape

from provpack.measure.passes import Comparison, compare_passes
from provpack.measure.passes_assembly import Proposal, SourceRange, propose, prove


@cache
def clean() -> np.ndarray:
    return tape(seconds=5.0, seed=3)


def both(one: np.ndarray, two: np.ndarray) -> tuple[Comparison, Proposal]:
    found = compare_passes(reader(one, two), (len(one), len(two)))
    proposal = propose(found)
    assert proposal is not None
    made = assembled(proposal, (one, two))
    assert (
        prove(
            proposal.ranges,
            reader(one, two),
            (len(one), len(two)),
            lambda start, n: made[start : start + n],
            proposal.frames,
        )
        == ()
    )
    return found, proposal


@settings(max_examples=40, deadline=None)
@given(
    losses=st.lists(
        st.tuples(st.sampled_from(sorted(LOSSES)), st.integers(0, 1), st.integers(0, 2000)),
        min_size=1,
        max_size=9,
    ),
    heads=st.tuples(st.integers(0, 9000), st.integers(0, 9000)),
    tails=st.tuples(st.integers(0, 9000), st.integers(0, 9000)),
    seed=st.integers(0, 999),
)
def test_the_assembly_is_the_clean_tape_where_the_evidence_decides(
    losses: list[tuple[str, int, int]], heads: tuple[int, int], tails: tuple[int, int], seed: int
) -> None:
    """At each place one pass is clean. Each decisive stretch gives back the clean samples; if all are
    decisive, the whole assembly is the clean tape, from the earlier beginning to the later end."""
    rng = np.random.default_rng(seed)
    pair = [clean(), clean()]
    for i, (kind, which, nudge) in reversed(list(enumerate(losses))):
        at = 20_000 + 20_000 * i + nudge
        pair[which] = LOSSES[kind](pair[which], at, rng)
    pair = [p[h : len(p) - t] for p, h, t in zip(pair, heads, tails, strict=True)]
    _, proposal = both(pair[0], pair[1])
    wanted = clean()[min(heads) : len(clean()) - min(tails)]
    made = assembled(proposal, (pair[0], pair[1]))
    if not proposal.undecided:
        assert np.array_equal(made, wanted)
        return
    # Undecided places took the base as it is. Each loss lies 15 000 frames and more from the next, so what is
    # decided can be held against the clean tape between two undecided places by its own neighbourhood.
    at = 0
    for s in [*proposal.undecided, None]:
        part = made[at : s.target_start if s else len(made)]
        at = s.target_end if s else at
        if len(part) > 2000:
            head = part[:1000].tobytes()
            where = wanted.tobytes().find(head) // 4
            assert where >= 0 and np.array_equal(part, wanted[where : where + len(part)])


def test_an_offset_and_a_tail_come_from_the_pass_that_has_them() -> None:
    one, two = clean()[4000:], clean()[:-5000].copy()
    two[100_000:100_400] = 0
    found, proposal = both(one, two)
    assert np.array_equal(assembled(proposal, (one, two)), clean())
    assert proposal.base == 0 and proposal.undecided == ()
    assert proposal.ranges == (
        SourceRange(which=1, source_start=0, source_end=4000, target_start=0, target_end=4000),
        SourceRange(which=0, source_start=0, source_end=len(one), target_start=4000, target_end=len(clean())),
    )
    other = propose(found, base=1)
    assert other is not None and other.base == 1
    assert np.array_equal(assembled(other, (one, two)), clean())
    assert [r.which for r in other.ranges] == [1, 0, 1, 0]


def test_undecided_places_are_named() -> None:
    one, two = clean().copy(), clean().copy()
    one[100_000:100_400] = 0
    two[100_000:100_400] = two[99_999]
    _, proposal = both(one, two)
    (place,) = proposal.undecided
    assert (place.target_start, place.target_end) == (100_000, 100_400)
    assert np.array_equal(assembled(proposal, (one, two)), one)


@pytest.mark.parametrize("base", [0, 1])
def test_a_buffer_written_twice_is_left_out(base: int) -> None:
    """Nothing is taken there from the pass that is whole, and its two sides are one range again."""
    twice = LOSSES["buffer twice"](clean(), 100_000, np.random.default_rng(4))
    assert len(twice) > len(clean())
    found = compare_passes(reader(twice, clean()), (len(twice), len(clean())))
    assert [s.damaged for s in found.stretches if s.kind == "differing"] == [0]
    proposal = propose(found, base=base)
    assert proposal is not None and proposal.undecided == ()
    assert np.array_equal(assembled(proposal, (twice, clean())), clean())
    assert [r.which for r in proposal.ranges] == ([0, 0] if base == 0 else [1])


def test_no_proposal_where_nothing_is_aligned_or_something_was_left_out() -> None:
    other = tape(seconds=5.0, seed=8)
    found = compare_passes(reader(clean(), other), (len(clean()), len(other)))
    assert propose(found) is None
    whole = compare_passes(reader(clean(), clean()), (len(clean()), len(clean())))
    assert propose(whole) is not None
    assert propose(replace(whole, left_out=1)) is None


def faults_of(
    ranges: list[SourceRange], made: np.ndarray, frames: int | None = None
) -> list[tuple[str, int, int]]:
    passes = (clean(), clean()[1000:])
    found = prove(
        ranges,
        reader(*passes),
        [len(p) for p in passes],
        lambda start, n: made[start : start + n],
        len(made) if frames is None else frames,
    )
    return [(f.kind, f.index, f.frame) for f in found]


def span(which: int, source: int, target: int, size: int) -> SourceRange:
    return SourceRange(
        which=which,
        source_start=source,
        source_end=source + size,
        target_start=target,
        target_end=target + size,
    )


def test_the_proof_finds_every_fault() -> None:
    n = 150_000
    good = [span(0, 0, 0, 100_000), span(1, 99_000, 100_000, n - 100_000)]
    made = clean()[:n].copy()
    assert faults_of(good, made) == []
    for frame in (0, 70_000, 99_999, 100_000, n - 1):  # a single bit in a single sample
        wrong = made.copy()
        wrong[frame, 1] ^= 1
        assert faults_of(good, wrong) == [("differs", int(frame >= 100_000), frame)]
    assert faults_of([good[0], span(1, 99_001, 100_000, n - 100_000)], made)[0] == ("differs", 1, 100_000)
    assert faults_of(good[:1], made) == [("gap", -1, 100_000)]
    assert faults_of([good[0], span(1, 99_010, 100_010, n - 100_010)], made) == [("gap", 1, 100_000)]
    assert faults_of([good[0], span(1, 98_990, 99_990, n - 99_990)], made) == [("overlap", 1, 100_000)]
    assert faults_of([good[0], replace(good[1], source_end=good[1].source_end - 1)], made) == [
        ("length", 1, 100_000)
    ]
    assert faults_of([good[0], span(2, 99_000, 100_000, n - 100_000)], made) == [("outside", 1, 100_000)]
    assert faults_of([span(0, 0, 0, len(clean()) + 5)], made)[0][0] == "outside"
    assert faults_of([], made[:0]) == []


def test_a_target_of_other_channels_is_not_equal() -> None:
    assert faults_of([span(0, 0, 0, 5000)], clean()[:5000, :1]) == [("differs", 0, 0)]
