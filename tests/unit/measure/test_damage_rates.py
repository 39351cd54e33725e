"""How often damage is found, and how often sound is taken for damage: measured, then held to a floor.

The normal run takes few seeds; `-m perf` takes 200 per condition and prints the table. The floors are
those of the measured table with a margin (proposal, no source): what is not asserted there is not promised.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterable
from typing import Literal

import numpy as np
import pytest
from support.interleave import (
    CONDITIONS,
    RATE,
    STEREO_16,
    Concealment,
    analyse,
    harm,
    hit,
    music,
    of_type,
    play,
    random_bursts,
)

from provpack.measure.block import Block
from provpack.measure.damage import DamageAnalyser

SECONDS = 4.0
DROPOUTS = 3  # per excerpt
Condition = tuple[Literal[14, 16], str, str]
Way = tuple[Concealment, int]
WANTED: dict[str, str] = {"interpolation": "interpolation", "hold": "hold", "mute": "mute", "none": "click"}
SHORTEST = {14: 33, 16: 17}  # the shortest dropout not corrected: domain note 1.5

# Least share found, where the detectors promise something: (concealment, lines) -> conditions -> share.
EVERYWHERE = tuple(CONDITIONS)
LOUD = tuple(c for c in CONDITIONS if c[1] == "loud")
BRIGHT = tuple(c for c in LOUD if c[2] == "bright")
FLOORS: dict[Way, dict[Condition, float]] = {
    ("mute", 96): dict.fromkeys(EVERYWHERE, 1.0),
    ("mute", 64): dict.fromkeys(EVERYWHERE, 0.99),
    ("mute", 0): dict.fromkeys(EVERYWHERE, 0.9),
    ("hold", 96): dict.fromkeys(EVERYWHERE, 0.99),
    ("hold", 64): dict.fromkeys(LOUD, 0.98),
    ("hold", 0): dict.fromkeys(LOUD, 0.6),
    ("interpolation", 96): dict.fromkeys(BRIGHT, 0.98),
    ("interpolation", 64): dict.fromkeys(BRIGHT, 0.98),
    ("interpolation", 0): {(14, "loud", "bright"): 0.8, (16, "loud", "bright"): 0.5},
    ("none", 96): dict.fromkeys(EVERYWHERE, 0.99),
    ("none", 64): dict.fromkeys(EVERYWHERE, 0.99),
    ("none", 0): dict.fromkeys(EVERYWHERE, 0.98),
}


def trial(condition: Condition, seeds: Iterable[int]) -> tuple[dict[Way, float], Counter[str], float]:
    """(share of dropouts found as what they are; false alarms by type; minutes of clean sound looked at).
    Lines 0 stand for the shortest dropout that is not corrected."""
    bits, level, tone = condition
    found: Counter[Way] = Counter()
    dropouts = 0
    false: Counter[str] = Counter()
    frames = 0
    for seed in seeds:
        clean = music(seed, SECONDS, bits=bits, level=level, tone=tone)
        false.update(e.type for e in harm(analyse(clean, declared_bits=bits)))
        frames += len(clean)
        dropouts += DROPOUTS
        for way in FLOORS:
            how, lines = way
            # Not in the last sixth, where the sound has died away.
            places = random_bursts(len(clean) * 5 // 6, lines or SHORTEST[bits], DROPOUTS, seed)
            codes = play(clean, bits=bits, bursts=places, how=how, seed=seed).codes
            events = of_type(analyse(codes, declared_bits=bits), WANTED[how])
            found[way] += sum(hit(events, place) for place in places)
    return {way: found[way] / dropouts for way in FLOORS}, false, frames / float(RATE) / 60


@pytest.mark.parametrize("condition", CONDITIONS, ids=str)
def test_damage_is_found_and_sound_is_not(condition: Condition) -> None:
    shares, false, _ = trial(condition, range(2))
    assert not false
    for way, floors in FLOORS.items():
        if condition in floors:
            # Six dropouts only: half of what is promised is asked for where that is not (nearly) all.
            floor = floors[condition]
            assert shares[way] >= (1.0 if floor >= 0.98 else floor / 2), way


@pytest.mark.perf
def test_two_hundred_seeds_of_every_condition(capsys: pytest.CaptureFixture[str]) -> None:
    rows = []
    alarms: Counter[str] = Counter()
    total = 0.0
    short = []
    for condition in CONDITIONS:
        shares, false, minutes = trial(condition, range(1000, 1200))
        alarms += false
        total += minutes
        cells = " ".join(f"{100 * shares[way]:6.1f}" for way in FLOORS)
        rows.append(f"{condition!s:24} {cells}  {sum(false.values())} in {minutes:.1f} min {dict(false)}")
        short += [
            (way, condition, shares[way])
            for way, floors in FLOORS.items()
            if shares[way] < floors.get(condition, 0.0)
        ]
    with capsys.disabled():
        print("\nfound, percent; lines 0 = shortest not corrected (33 at 14 bits, 17 at 16)")
        print(" " * 24, " ".join(f"{how[:4]}{lines:2}" for how, lines in FLOORS), " false alarms on clean")
        print("\n".join(rows))
        print(f"false alarms in all: {sum(alarms.values())} in {total:.0f} minutes")
    assert not short
    assert sum(alarms.values()) <= total / 10  # at most one in ten minutes


@pytest.mark.perf
def test_speed_of_all_detectors_together(capsys: pytest.CaptureFixture[str]) -> None:
    """Share of the damage detectors: 0.9 ms per second of stereo on one core, on an idle machine."""
    rows = []
    for bits, level, tone in CONDITIONS:
        codes = np.concatenate([music(s, 20, bits=bits, level=level, tone=tone) for s in range(3)])
        blocks = [Block(at, codes[at : at + 65536], 32768) for at in range(0, len(codes), 65536)]
        for block in blocks:
            _ = block.planar  # shared by all analysers, so not ours to pay for
        best = 1e9
        for _ in range(15):
            analyser = DamageAnalyser(layout=STEREO_16, rate=RATE, frames=len(codes), declared_bits=bits)
            began = time.perf_counter()
            for block in blocks:
                analyser.take(block)
            analyser.finish()
            best = min(best, time.perf_counter() - began)
        per_second = best / (len(codes) / float(RATE))
        rows.append(f"{bits} {level:5} {tone:6} {1e3 * per_second:6.3f} ms per second, x{1 / per_second:.0f}")
        assert per_second < 0.004
    with capsys.disabled():
        print("\n" + "\n".join(rows))
