"""The K-weighting filter at any exact sampling frequency, and the one door to scipy.signal (opened late:
its import takes half a second that a command which measures nothing should not pay).

K-weighting: ITU-R BS.1770-5 Annex 1 gives the two stages as a coefficient table for 48 kHz only and asks
for the same frequency response at other rates. Here both stages are rebuilt from their analogue prototypes by
the bilinear transform at the exact rate (44100/1.001 Hz is not 44056 Hz). Prototype parameters: libebur128,
ebur128.c; at 48 kHz they give the table of the standard back.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import numpy.typing as npt

Float64 = npt.NDArray[np.float64]

SHELF_HZ, SHELF_DB, SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
SHELF_SLOPE = 0.4996667741545416  # exponent of the shelf's middle gain
HIGH_PASS_HZ, HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773
# Far below the least code of any PCM (-600 dB), far above the denormal numbers that slow a processor down.
_AT_REST = 1e-30


def k_weighting(rate: Fraction) -> Float64:
    """Second-order sections, shape (2, 6), rows (b0 b1 b2 1 a1 a2): the shelf, then the high-pass.

    rate: exact sampling frequency in hertz, more than twice SHELF_HZ. Source: module docstring.
    """
    if rate <= 2 * SHELF_HZ:
        raise ValueError(f"K-weighting needs a sampling frequency above {2 * SHELF_HZ:.0f} Hz, not {rate}")
    k = math.tan(math.pi * SHELF_HZ / float(rate))
    high = 10.0 ** (SHELF_DB / 20.0)
    middle = high**SHELF_SLOPE
    norm = 1.0 + k / SHELF_Q + k * k
    shelf = (
        (high + middle * k / SHELF_Q + k * k) / norm,
        2.0 * (k * k - high) / norm,
        (high - middle * k / SHELF_Q + k * k) / norm,
        1.0,
        2.0 * (k * k - 1.0) / norm,
        (1.0 - k / SHELF_Q + k * k) / norm,
    )
    k = math.tan(math.pi * HIGH_PASS_HZ / float(rate))
    norm = 1.0 + k / HIGH_PASS_Q + k * k
    # The numerator is 1, -2, 1 at every rate, as in the table of the standard: not scaled to unity gain.
    high_pass = (1.0, -2.0, 1.0, 1.0, 2.0 * (k * k - 1.0) / norm, (1.0 - k / HIGH_PASS_Q + k * k) / norm)
    return np.array((shelf, high_pass), dtype=np.float64)


class SosFilter:
    """Second-order sections run over consecutive pieces of a signal; the state starts at rest and is kept,
    so the output does not depend on the cuts."""

    def __init__(self, sections: Float64, channels: int) -> None:
        from scipy.signal import sosfilt

        self._sosfilt = sosfilt
        self._sections = sections
        self._state = np.zeros((len(sections), channels, 2), dtype=np.float64)
        self._resting = True

    def run(self, x: Float64) -> Float64:
        """The output for the next piece, shape (channels, n), a new array unless all is silent."""
        if self._resting and not x.any():
            return x
        y, self._state = self._sosfilt(self._sections, x, axis=-1, zi=self._state)
        self._resting = bool(np.abs(self._state).max() < _AT_REST)
        if self._resting:
            self._state = np.zeros_like(self._state)
        return y
