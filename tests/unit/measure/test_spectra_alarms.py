"""False alarms of the spectral measurements over many seeds of clean sound, and their speed. A long run:

    .venv/bin/python -m pytest -m perf -s tests/unit/measure/test_spectra_alarms.py

PROVPACK_ALARM_SEEDS (default 100) seeds per kind of sound, PROVPACK_ALARM_SECONDS (default 24) each. Only a
step of the tilt may be hinted at by chance; the speed is only printed (the machine is shared).
"""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable

import numpy as np
import pytest
from support.spectral_sound import R44, Sound, coded, delayed, measure, music, shaped

from provpack.measure.block import Block
from provpack.measure.pcm import PcmLayout
from provpack.measure.spectral import Spectral, SpectralAnalyser
from provpack.synth.tape import EmphasisChange

pytestmark = pytest.mark.perf
SEEDS = int(os.environ.get("PROVPACK_ALARM_SEEDS", "100"))
SECONDS = float(os.environ.get("PROVPACK_ALARM_SECONDS", "24"))
FRAMES = round(SECONDS * 44100)
CLAIMS = ("skewed", "dual_mono", "inverted", "one_silent")
Maker = Callable[[np.random.Generator], np.ndarray]


def unrelated(slope: float) -> Maker:
    return lambda rng: coded(np.stack([shaped(rng, FRAMES, slope), shaped(rng, FRAMES, slope)]), rng=rng)


def common(slope: float) -> Maker:
    def make(rng: np.random.Generator) -> np.ndarray:
        mono = shaped(rng, FRAMES, slope, -24.0)
        pair = [mono + shaped(rng, FRAMES, slope, -24.0) for _ in range(2)]
        return coded(np.stack(pair), rng=rng)

    return make


def microphones(players: int, reach: float) -> Maker:
    def make(rng: np.random.Generator) -> np.ndarray:
        left, right = np.zeros(FRAMES), np.zeros(FRAMES)
        for _ in range(players):
            player: Sound = shaped(rng, FRAMES, -0.8, -28.0)
            gain = 10 ** (rng.uniform(-4, 4) / 20)
            left += player * gain
            right += delayed(player, rng.uniform(-reach, reach)) / gain
            for _ in range(3):
                late = rng.integers(50, 800, 2)
                left += 0.35 * np.roll(player, late[0])
                right += 0.35 * np.roll(player, late[1])
        return coded(np.stack([left, right]), rng=rng)

    return make


def song(times: float = 1.0, **tape: object) -> Maker:
    return lambda rng: music(times * SECONDS, int(rng.integers(1 << 30)), **tape)


KINDS: dict[str, Maker] = {
    "white, unrelated": unrelated(0.0),
    "pink, unrelated": unrelated(-0.5),
    "white, common 0 dB": common(0.0),
    "pink, common 0 dB": common(-0.5),
    "dull (12 dB per octave)": common(-2.0),
    "microphones 80 samples apart": microphones(5, 40.0),
    "microphones 10 samples apart": microphones(4, 5.0),
    "one player, microphones apart": microphones(1, 20.0),
    "music, 14 bit": song(),
    "music, 16 bit, hiss": song(bits=16, hiss=6.0),
    "music with emphasis": song(emphasis=(EmphasisChange(frame=0, on=True),)),
    # Steps of the tilt are not looked for in files as short as the others.
    "music, 14 bit, three times longer": song(3.0),
}


def alarms(result: Spectral) -> list[str]:
    found = [result.relation.relation] if result.relation.relation in CLAIMS else []
    found += [f"pilot {result.whistle.verdict}"] if result.whistle.verdict != "no_pilot" else []
    found += [hint.kind for hint in result.bandwidth.hints]
    return found + [h.kind for h in result.emphasis_hints if h.kind == "tilt_step"]


def test_false_alarms() -> None:
    print(f"\nfalse alarms in {SEEDS} seeds of {SECONDS:.0f} s each")
    total: Counter[str] = Counter()
    for name, make in KINDS.items():
        seen: Counter[str] = Counter()
        relations: Counter[str] = Counter()
        for seed in range(SEEDS):
            result = measure(make(np.random.default_rng([seed, 11])))
            seen.update(alarms(result))
            relations[result.relation.relation] += 1
        total += seen
        print(f"  {name:34s} alarms {dict(seen) or 0!s:24} relation {dict(relations)}", flush=True)
    strong = {k: v for k, v in total.items() if k != "tilt_step"}
    assert not strong


def test_speed() -> None:
    rng = np.random.default_rng(1)
    blocks = [(rng.standard_normal((65536, 2)) * 3000).astype(np.int16) for _ in range(8)]
    for minutes in (2, 12, 60):
        frames, best = 44100 * 60 * minutes, 1e9
        for _ in range(3):
            layout = PcmLayout(channels=2, container_bytes=2)
            analyser = SpectralAnalyser(layout=layout, rate=R44, frames=frames)
            spent, at = 0.0, 0
            while at < frames:
                block = Block(at, blocks[at // 65536 % 8][: frames - at], 32768)
                assert block.planar.shape[0] == 2
                start = time.thread_time()
                analyser.take(block)
                spent += time.thread_time() - start
                at += block.frames
            start = time.thread_time()
            analyser.finish()
            best = min(best, spent + time.thread_time() - start)
        seconds = 60 * minutes
        print(
            f"  {minutes:3d} min: {best * 1000 / seconds:.3f} ms per second, {seconds / best:.0f} x real time"
        )
