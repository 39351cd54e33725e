"""Do two passes that share no samples carry the same sound, and at which lag?

For passes that went through a converter in one chain: no bit agrees, the sound does. The lag is first looked
for in the envelopes (mean |code| of STEP frames, first SEARCH frames of both), then by cross-correlation of
the samples in a few loud places; all must agree within one frame, else nothing is said (two clocks drift
apart). [method and limits: proposal, no source; domain note 4, "pass agreement"]
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from provpack.measure.passes_anchors import BLOCK, Read, get

Reals = npt.NDArray[np.float64]

STEP = 256
SEARCH = 40_000_000  # frames: 15 minutes at 44.1 kHz
PLACES = 5
PROBE = 1 << 15
REACH = 4 * STEP
SLOW = 173  # steps: a second at 44.1 kHz
CANDIDATES = 32
ALIKE = 0.9
HOPELESS = 0.5
SURE = 0.99


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundMatch:
    """lag: pass 1 has the same sound so many frames later, to the nearest frame. correlation: the least of
    the `places` compared, 0 .. 1. largest_difference: of the codes met there, absolute."""

    lag: int
    correlation: float
    places: int
    largest_difference: int


def match_sound(read: Read, frames: tuple[int, int]) -> SoundMatch | None:
    """None when it cannot be told."""
    envelopes = [_envelope(read, which, min(frames[which], SEARCH)) for which in (0, 1)]
    if min(len(e) for e in envelopes) < 4:
        return None
    found: list[tuple[int, float, int]] = []
    for steps in _candidates(envelopes[0], envelopes[1]):
        tried = _refined(read, frames, envelopes[0], STEP * steps)
        if sum(f[1] for f in tried) > sum(f[1] for f in found):
            found = tried
        if found and min(f[1] for f in found) > SURE:
            break
    if not found:
        return None
    lags = sorted(f[0] for f in found)
    middle = lags[len(lags) // 2]
    if lags[-1] - lags[0] > 1 or min(f[1] for f in found) < ALIKE:
        return None
    largest = 0
    for _, _, at in found:
        n = min(PROBE, frames[1] - at - middle)
        gap = get(read, 0, at, n).astype(np.int64) - get(read, 1, at + middle, n).astype(np.int64)
        largest = max(largest, int(np.abs(gap).max()))
    return SoundMatch(
        lag=middle,
        correlation=round(min(f[1] for f in found), 6),
        places=len(found),
        largest_difference=largest,
    )


def _envelope(read: Read, which: int, frames: int) -> Reals:
    parts = []
    for at in range(0, frames - STEP + 1, BLOCK):
        n = min(BLOCK, frames - at) // STEP * STEP
        codes = np.abs(get(read, which, at, n).astype(np.float64)).sum(axis=1)
        parts.append(codes.reshape(-1, STEP).mean(axis=1))
    return np.concatenate(parts) if parts else np.zeros(0)


def _spectral(one: Reals, two: Reals) -> Reals:
    """Cross-correlation sum of one[i] * two[i + k] for k = -(len(one) - 1) .. len(two) - 1."""
    size = 1 << (len(one) + len(two)).bit_length()
    product = np.conj(np.fft.rfft(one, size)) * np.fft.rfft(two, size)
    whole = np.fft.irfft(product, size)
    return np.concatenate([whole[size - len(one) + 1 :], whole[: len(two)]])


def _refined(
    read: Read, frames: tuple[int, int], envelope: Reals, coarse: int
) -> list[tuple[int, float, int]]:
    """(lag, correlation, first frame) for each loud place, looked for within REACH of the coarse lag; none if
    one of them is HOPELESS."""
    found = []
    for at in _loud(envelope, coarse, frames):
        one = get(read, 0, at, PROBE).astype(np.float64).sum(axis=1)
        lo, hi = max(0, at + coarse - REACH), min(frames[1], at + coarse + PROBE + REACH)
        two = get(read, 1, lo, hi - lo).astype(np.float64).sum(axis=1)
        lag, alike = _correlate(one, two)
        if alike < HOPELESS:
            return []
        found.append((lo + lag - at, alike, at))
    return found


def _candidates(one: Reals, two: Reals) -> list[int]:
    """Likely lags of the envelopes, in steps, best first. Levels and slow swells are taken out before."""
    sides = []
    for envelope in (one, two):
        level = np.log1p(envelope)
        sides.append(level - np.convolve(level, np.ones(SLOW) / SLOW, "same"))
    sums = _spectral(sides[0], sides[1])
    picked: list[int] = []
    for _ in range(CANDIDATES):
        at = int(np.argmax(sums))
        if sums[at] <= 0:
            break
        picked.append(at - (len(one) - 1))
        sums[max(0, at - 2) : at + 3] = 0.0
    return picked


def _loud(envelope: Reals, coarse: int, frames: tuple[int, int]) -> list[int]:
    """First frames of the loudest probe in each of PLACES parts that both passes cover. coarse: in frames, a
    multiple of STEP, so that every step of the envelope that is looked at begins in that part."""
    lo, hi = max(0, -coarse), min(len(envelope) * STEP, frames[0], frames[1] - coarse) - PROBE
    if hi < lo:
        return []
    edges = np.linspace(lo, hi + 1, PLACES + 1).astype(int) // STEP
    places = []
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if b > a:
            places.append((a + int(np.argmax(envelope[a:b]))) * STEP)
    return places


def _correlate(one: Reals, two: Reals) -> tuple[int, float]:
    """Place of `one` in the longer `two`, and the correlation coefficient there."""
    one = one - one.mean()
    two = two - two.mean()
    reach = len(two) - len(one)
    if reach < 0:
        return 0, 0.0
    sums = _spectral(one, two)[len(one) - 1 :][: reach + 1]
    power = np.concatenate([[0.0], np.cumsum(two * two)])
    norm = np.sqrt(np.maximum(power[len(one) :] - power[: reach + 1], 1e-9) * max(float(one @ one), 1e-9))
    alike = sums / norm
    at = int(np.argmax(alike))
    return at, float(alike[at])
