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
    BURSTS,
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
CORRECTED = {14: 32, 16: 16}  # lines of the longest dropout that costs nothing: domain note 1.5
WAYS: tuple[Way, ...] = tuple((how, lines) for how in WANTED for lines in BURSTS)  # type: ignore[misc]

# Least share found, where the detectors promise something: (concealment, lines) -> conditions -> share.
EVERYWHERE = tuple(CONDITIONS)
LOUD = tuple(c for c in CONDITIONS if c[1] == "loud")
BRIGHT = tuple(c for c in LOUD if c[2] == "bright")
FLOORS: dict[Way, dict[Condition, float]] = {
    **{
        ("mute", n): dict.fromkeys(EVERYWHERE, f)
        for n, f in ((17, 0.9), (32, 0.9), (33, 0.9), (64, 0.99), (96, 1.0))
    },
    **{("hold", n): dict.fromkeys(LOUD, f) for n, f in ((17, 0.6), (32, 0.9), (33, 0.6), (64, 0.98))},
    ("hold", 96): dict.fromkeys(EVERYWHERE, 0.99),
    ("interpolation", 17): {(16, "loud", "bright"): 0.5},
    ("interpolation", 32): {(16, "loud", "bright"): 0.8},
    ("interpolation", 33): {(14, "loud", "bright"): 0.8, (16, "loud", "bright"): 0.8},
    ("interpolation", 64): dict.fromkeys(BRIGHT, 0.98),
    # Less than at 64 lines: the pattern asked of a crowded place (measure/interleave.py) costs some of these.
    ("interpolation", 96): {(14, "loud", "bright"): 0.9, (16, "loud", "bright"): 0.95},
    **{("none", n): dict.fromkeys(EVERYWHERE, 0.98) for n in (17, 32, 33)},
    **{("none", n): dict.fromkeys(EVERYWHERE, 0.99) for n in (64, 96)},
}


def trial(condition: Condition, seeds: Iterable[int]) -> tuple[dict[Way, float], Counter[str], float]:
    """(share of dropouts found as what they are; false alarms by type; minutes of clean sound looked at).
    Dropouts that are corrected have no share."""
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
        for way in WAYS:
            how, lines = way
            # Not in the last sixth, where the sound has died away.
            places = random_bursts(len(clean) * 5 // 6, lines, DROPOUTS, seed)
            played = play(clean, bits=bits, bursts=places, how=how, seed=seed)
            if lines <= CORRECTED[bits]:
                assert (played.codes == clean).all()
                continue
            events = of_type(analyse(played.codes, declared_bits=bits), WANTED[how])
            found[way] += sum(hit(events, place) for place in places)
    shares = {way: found[way] / dropouts for way in WAYS if way[1] > CORRECTED[bits]}
    return shares, false, frames / float(RATE) / 60


@pytest.mark.parametrize("condition", CONDITIONS, ids=str)
def test_damage_is_found_and_sound_is_not(condition: Condition) -> None:
    shares, false, _ = trial(condition, range(2))
    assert not false
    for way, floors in FLOORS.items():
        if condition in floors and way in shares:
            # Six dropouts only: half of what is promised is asked for where that is not (nearly) all.
            floor = floors[condition]
            assert shares[way] >= (1.0 if floor >= 0.98 else floor / 2), way


@pytest.mark.perf
@pytest.mark.parametrize("bits", [14, 16])
def test_two_hundred_seeds_of_every_condition(bits: int, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [f"found, percent of 600 dropouts at {bits} bits; - = corrected"]
    rows.append(f"{'':24}{'':14}" + "".join(f"{lines:>7}" for lines in BURSTS) + "  lines")
    alarms: Counter[str] = Counter()
    total = 0.0
    short = []
    for condition in (c for c in CONDITIONS if c[0] == bits):
        shares, false, minutes = trial(condition, range(1000, 1200))
        alarms += false
        total += minutes
        for how in WANTED:
            cells = (shares.get((how, lines)) for lines in BURSTS)  # type: ignore[call-overload]
            figures = "".join(f"{'-':>7}" if c is None else f"{100 * c:7.1f}" for c in cells)
            rows.append(f"{condition!s:24}{how:14}{figures}")
        rows.append(f"{condition!s:24}clean: {sum(false.values())} in {minutes:.1f} min {dict(false)}")
        short += [
            (way, condition, share)
            for way, share in shares.items()
            if share < FLOORS.get(way, {}).get(condition, 0.0)
        ]
    with capsys.disabled():
        print("\n" + "\n".join(rows))
        print(f"false alarms in all: {sum(alarms.values())} in {total:.0f} minutes")
    assert not short
    assert sum(alarms.values()) <= total / 60  # at most one in an hour


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
