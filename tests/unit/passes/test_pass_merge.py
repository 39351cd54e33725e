"""Merging passes into one proposal: for two passes what measure/passes_assembly.py proposes; for more, the
clean tape wherever one of them is sound. The truth is the tape before the damage done here."""

from __future__ import annotations

from functools import cache

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.passes import LOSSES, reader, tape

from provpack.jobs.passes import flipped
from provpack.jobs.passmerge import Proposed, merge
from provpack.measure.passes import Comparison, Stretch, compare_passes
from provpack.measure.passes_assembly import propose
from provpack.measure.passes_evidence import Verdict


@cache
def clean() -> np.ndarray:
    return tape(seconds=5.0, seed=3)


def compare(one: np.ndarray, two: np.ndarray) -> Comparison:
    return compare_passes(reader(one, two), (len(one), len(two)))


def made(proposal: Proposed, passes: dict[int, np.ndarray]) -> np.ndarray:
    at = 0
    for r in proposal.ranges:
        assert r.target_start == at and r.target_end > r.target_start
        assert r.source_end - r.source_start == r.target_end - r.target_start
        at = r.target_end
    assert at == proposal.frames
    return np.concatenate([passes[r.pass_n][r.source_start : r.source_end] for r in proposal.ranges])


def run_together(proposal: Proposed) -> list[tuple[int, int, int]]:
    """Its sources without the borders of rows that are there for their notes only."""
    out: list[tuple[int, int, int]] = []
    for r in proposal.ranges:
        if out and out[-1][0] == r.pass_n and out[-1][2] == r.source_start:
            out[-1] = (r.pass_n, out[-1][1], r.source_end)
        else:
            out.append((r.pass_n, r.source_start, r.source_end))
    return out


@settings(max_examples=40, deadline=None)
@given(
    losses=st.lists(
        st.tuples(st.sampled_from(sorted(LOSSES)), st.integers(0, 1), st.integers(0, 2000)),
        min_size=1,
        max_size=9,
    ),
    heads=st.tuples(st.integers(0, 9000), st.integers(0, 9000)),
    tails=st.tuples(st.integers(0, 9000), st.integers(0, 9000)),
    base=st.integers(0, 1),
    seed=st.integers(0, 999),
)
def test_two_passes_are_merged_as_the_pure_proposal_says(
    losses: list[tuple[str, int, int]],
    heads: tuple[int, int],
    tails: tuple[int, int],
    base: int,
    seed: int,
) -> None:
    rng = np.random.default_rng(seed)
    pair = [clean(), clean()]
    for i, (kind, which, nudge) in reversed(list(enumerate(losses))):
        pair[which] = LOSSES[kind](pair[which], 20_000 + 20_000 * i + nudge, rng)
    pair = [p[h : len(p) - t] for p, h, t in zip(pair, heads, tails, strict=True)]
    found = compare(pair[0], pair[1])
    wanted = propose(found, base)
    assert wanted is not None
    turned = flipped(found) if base else found
    got = merge(base + 1, len(pair[base]), {2 - base: turned})
    assert got is not None and got.frames == wanted.frames
    assert run_together(got) == [(r.which + 1, r.source_start, r.source_end) for r in wanted.ranges]
    assert [u.target for u in got.undecided] == [(u.target_start, u.target_end) for u in wanted.undecided]
    assert flipped(flipped(found)) == found
    made(got, {1: pair[0], 2: pair[1]})


@settings(max_examples=25, deadline=None)
@example(  # three lost frames, undecided against either of two passes that agree
    losses=[("mute", 0), ("mute", 0), ("lost", 0), ("mute", 0), ("mute", 0), ("mute", 0)],
    heads=(0, 0, 0),
    tails=(0, 0, 0),
    seed=156,
)
@given(
    losses=st.lists(
        st.tuples(st.sampled_from(["mute", "hold", "lost", "straight line"]), st.integers(0, 2)),
        min_size=1,
        max_size=9,
    ),
    heads=st.tuples(*[st.integers(0, 5000)] * 3),
    tails=st.tuples(*[st.integers(0, 5000)] * 3),
    seed=st.integers(0, 999),
)
def test_of_three_passes_each_place_comes_from_one_that_is_sound_there(
    losses: list[tuple[str, int]],
    heads: tuple[int, int, int],
    tails: tuple[int, int, int],
    seed: int,
) -> None:
    rng = np.random.default_rng(seed)
    three = [clean(), clean(), clean()]
    for i, (kind, which) in reversed(list(enumerate(losses))):
        three[which] = LOSSES[kind](three[which], 20_000 + 20_000 * i, rng)
    three = [p[h : len(p) - t] for p, h, t in zip(three, heads, tails, strict=True)]
    passes = {n + 1: p for n, p in enumerate(three)}
    pairs = {n: compare(passes[1], passes[n]) for n in (2, 3)}
    got = merge(1, len(passes[1]), pairs, lambda n, start, size: passes[n][start : start + size])
    assert got is not None
    whole = made(got, passes)
    if not got.undecided:
        assert np.array_equal(whole, clean()[min(heads) : len(clean()) - min(tails)])


# ---- places that overlap, from made-up comparisons


def comparison(frames: tuple[int, int], *parts: tuple[int, int, int | None]) -> Comparison:
    """Aligned at the same frames; parts: (start, length, pass that looks damaged) differ."""
    stretches: list[Stretch] = []
    at = 0
    for start, length, damaged in (*parts, (min(frames), 0, None)):
        verdict = Verdict(damaged=None, signs=((), ()), breaks=(None, None))
        if start > at:
            stretches.append(stretch("equal", at, start - at, verdict))
        if length:
            stretches.append(
                stretch(
                    "differing", start, length, Verdict(damaged=damaged, signs=((), ()), breaks=(None, None))
                )
            )
        at = start + length
    return Comparison(
        frames=frames, relation="differ_in_places", alignment="samples", stretches=tuple(stretches),
        left_out=0, equal_frames=0, sound=None,
    )  # fmt: skip


def stretch(kind: str, at: int, length: int, verdict: Verdict) -> Stretch:
    assert kind in ("equal", "differing")
    return Stretch(
        kind="equal" if kind == "equal" else "differing", start=(at, at), length=(length, length),
        differing_frames=length if kind == "differing" else 0, verdict=verdict,
    )  # fmt: skip


def test_overlapping_replacements_share_the_place() -> None:
    pairs = {2: comparison((1000, 1000), (100, 100, 0)), 3: comparison((1000, 1000), (150, 200, 0))}
    got = merge(1, 1000, pairs)
    assert got is not None and got.frames == 1000
    assert [(r.pass_n, r.source_start, r.source_end) for r in got.ranges] == [
        (1, 0, 100), (2, 100, 150), (3, 150, 350), (1, 350, 1000),
    ]  # fmt: skip


def test_a_replacement_inside_a_longer_one_is_not_needed() -> None:
    pairs = {
        2: comparison((1000, 1000), (100, 10, 0), (300, 10, 0)),
        3: comparison((1000, 1000), (50, 400, 0)),
    }
    got = merge(1, 1000, pairs)
    assert got is not None
    assert [(r.pass_n, r.source_start, r.source_end) for r in got.ranges] == [
        (1, 0, 50), (3, 50, 450), (1, 450, 1000),
    ]  # fmt: skip


def test_what_is_replaced_anyway_is_not_undecided() -> None:
    pairs = {2: comparison((1000, 1000), (100, 10, None)), 3: comparison((1000, 1000), (50, 400, 0))}
    got = merge(1, 1000, pairs)
    assert got is not None and got.undecided == ()


def test_what_is_left_of_an_undecided_place_is_said() -> None:
    pairs = {2: comparison((1000, 1000), (100, 100, None)), 3: comparison((1000, 1000), (150, 200, 0))}
    got = merge(1, 1000, pairs)
    assert got is not None and not got.whole
    assert [(u.other, u.base, u.theirs, u.target) for u in got.undecided] == [
        (2, (100, 150), (100, 150), (100, 150))
    ]
    assert [(r.pass_n, r.source_start, r.source_end, bool(r.note)) for r in got.ranges] == [
        (1, 0, 100, False), (1, 100, 150, True), (3, 150, 350, True), (1, 350, 1000, False),
    ]  # fmt: skip


def test_two_open_places_at_one_spot_have_one_row() -> None:
    pairs = {2: comparison((1000, 1000), (100, 100, None)), 3: comparison((1000, 1000), (150, 200, None))}
    got = merge(1, 1000, pairs, lambda n, start, size: np.full((size, 2), n, dtype=np.int16))
    assert got is not None and got.whole and len(got.undecided) == 2
    assert [(r.source_start, r.source_end) for r in got.ranges] == [(0, 100), (100, 200), (200, 1000)]


def test_an_equal_third_pass_speaks_for_the_base() -> None:
    pairs = {2: comparison((1000, 1000), (100, 10, None)), 3: comparison((1000, 1000))}
    got = merge(1, 1000, pairs)
    assert got is not None and got.whole and got.undecided == ()


def test_no_proposal_where_a_comparison_is_not_complete() -> None:
    import dataclasses

    cut = dataclasses.replace(comparison((1000, 1000), (100, 10, 0)), left_out=1)
    assert merge(1, 1000, {2: cut}) is None
    assert merge(1, 1000, {}) is None
