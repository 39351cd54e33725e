"""Invented tapes, and what a second pass may have lost of them (order of concealment: domain note 1.5).

Rates found with such losses over 240 seeds (14 and 16 bits; loud, 20 dB softer, and with loud hiss), eleven
losses each: of 2 661 stretches found 2 482 were judged rightly, none wrongly, 179 (6.7 %) were undetermined:
short holds, and single losses in soft or hissing sound, where nothing can tell.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import numpy as np

from provpack.measure.passes_assembly import Proposal
from provpack.synth.music import Piece, render
from provpack.synth.tape import TapePlan, record

RATE = Fraction(44_100_000, 1001)
Loss = Callable[[np.ndarray, int, np.random.Generator], np.ndarray]


def tape(*, seconds: float, seed: int, gain: float = 1.0) -> np.ndarray:
    """Codes of a clean 14-bit tape, shape (frames, 2), int16."""
    frames = int(seconds * RATE)
    piece = Piece(start_s=0.0, seconds=seconds, seed=seed, gain=gain)
    plan = TapePlan(sampling_frequency=RATE, bits=14, seed=seed)
    return np.concatenate(list(record(plan, render((piece,), sampling_frequency=RATE, frames=frames))))


def reader(*passes: np.ndarray) -> Callable[[int, int, int], np.ndarray]:
    """The `read` of a comparison, from memory."""
    return lambda which, start, frames: passes[which][start : start + frames]


def assembled(proposal: Proposal, passes: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """What the proposal makes."""
    parts = [passes[r.which][r.source_start : r.source_end] for r in proposal.ranges]
    return np.concatenate(parts) if parts else passes[0][:0]


def _mute(x: np.ndarray, at: int, rng: np.random.Generator) -> np.ndarray:
    x = x.copy()
    x[at : at + int(rng.integers(20, 2000))] = 0
    return x


def _hold(x: np.ndarray, at: int, rng: np.random.Generator) -> np.ndarray:
    x = x.copy()
    x[at : at + int(rng.integers(2, 300))] = x[at - 1]
    return x


def _single(x: np.ndarray, at: int, rng: np.random.Generator) -> np.ndarray:
    return _mean(x, np.asarray([at]))


def _grid(x: np.ndarray, at: int, rng: np.random.Generator) -> np.ndarray:
    return _mean(x, at + 48 * np.arange(int(rng.integers(3, 20))))


def _mean(x: np.ndarray, places: np.ndarray) -> np.ndarray:
    x = x.copy()
    words = x >> 2
    x[places] = ((words[places - 1] + words[places + 1]) >> 1) << 2
    return x


def _line(x: np.ndarray, at: int, rng: np.random.Generator) -> np.ndarray:
    x, n = x.copy(), int(rng.integers(3, 60))
    t = np.arange(1, n + 1)[:, None] / (n + 1)
    x[at : at + n] = np.rint((x[at - 1] * (1 - t) + x[at + n] * t) / 4) * 4
    return x


def _word(x: np.ndarray, at: int, rng: np.random.Generator) -> np.ndarray:
    x = x.copy()
    x[at : at + int(rng.integers(1, 4)), int(rng.integers(2))] ^= 1 << int(rng.integers(8, 15))
    return x


def _paste(x: np.ndarray, at: int, rng: np.random.Generator) -> np.ndarray:
    x, back = x.copy(), 735 * int(rng.integers(1, 4))
    x[at : at + 48] = x[at - back : at - back + 48]
    return x


def _lost(x: np.ndarray, at: int, rng: np.random.Generator) -> np.ndarray:
    return np.delete(x, np.s_[at : at + int(rng.integers(1, 500))], axis=0)


def _zeros(x: np.ndarray, at: int, rng: np.random.Generator) -> np.ndarray:
    return np.insert(x, at, np.zeros((int(rng.integers(4, 500)), 2), dtype=x.dtype), axis=0)


def _twice(x: np.ndarray, at: int, rng: np.random.Generator) -> np.ndarray:
    return np.insert(x, at, x[at - int(rng.integers(16, 500)) : at], axis=0)


LOSSES: dict[str, Loss] = {
    "mute": _mute,
    "hold": _hold,
    "single sample": _single,
    "isolated samples": _grid,
    "straight line": _line,
    "wrong word": _word,
    "earlier line": _paste,
    "lost": _lost,
    "zeros inserted": _zeros,
    "buffer twice": _twice,
}
