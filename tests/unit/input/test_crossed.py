"""Crossed chains are found by one sweep, however many passes there are."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

from provpack.jobs.check_chains import Playback, crossed
from provpack.jobs.loaded import LoadedTransfer, Origin

START = datetime(2031, 5, 4, tzinfo=UTC)


def playback(
    name: str, start: float, stop: float, deck: str = "D1", *, transfer: LoadedTransfer | None = None
) -> Playback:
    origin = Origin(level="row", file="transfers.csv", row=2)
    made = transfer or LoadedTransfer(
        transfer_id=name,
        origin=origin,
        values={},
        origins={},
        chain_id=None,
        started_at=None,
        stopped_at=None,
        file=None,
    )
    return Playback(
        transfer=made,
        n=1,
        origin=origin,
        start=START + timedelta(minutes=start),
        stop=START + timedelta(minutes=stop),
        resources=(("deck", deck),),
    )


def test_overlap_and_neighbours() -> None:
    assert len(crossed([playback("A", 0, 10), playback("B", 9, 12)])) == 1
    assert crossed([playback("A", 0, 10), playback("B", 10, 12)]) == []
    assert crossed([playback("A", 0, 10), playback("B", 5, 12, "D2")]) == []


def test_passes_of_one_transfer_are_left_to_the_record_rules() -> None:
    first = playback("A", 0, 10)
    assert crossed([first, playback("A", 5, 12, transfer=first.transfer)]) == []


def test_a_long_pass_behind_another_of_the_same_transfer_is_not_lost() -> None:
    long = playback("A", 0, 60)
    short = playback("A", 1, 100, transfer=long.transfer)
    assert len(crossed([long, short, playback("B", 50, 55)])) == 1


def test_every_clashing_pass_is_named_like_by_comparing_all() -> None:
    rng = random.Random(7)
    passes = []
    for n in range(300):
        start = rng.uniform(0, 5000)
        passes.append(playback(f"T{n}", start, start + rng.uniform(1, 60)))
    ordered = sorted(passes, key=lambda p: p.start or START)
    clashing = {
        b.transfer.transfer_id
        for i, b in enumerate(ordered)
        if any((a.stop or START) > (b.start or START) for a in ordered[:i])
    }
    assert {f.what.split(" and ")[0] for f, _ in crossed(passes)} == clashing


def test_many_passes_at_once_stay_linear() -> None:
    findings = crossed([playback(f"T{n}", n / 100, 10_000) for n in range(5000)])
    assert len(findings) == 4999
