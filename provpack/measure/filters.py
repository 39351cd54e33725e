"""The K-weighting filter at any exact sampling frequency, and recursive filters as matrix products.

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

from provpack.measure.products import product

Float64 = npt.NDArray[np.float64]

SHELF_HZ, SHELF_DB, SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
SHELF_SLOPE = 0.4996667741545416  # exponent of the shelf's middle gain
HIGH_PASS_HZ, HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773
# Far below the least code of any PCM (-600 dB), far above the denormal numbers that slow a processor down.
_AT_REST = 1e-30
ROW = 32  # samples
GROUP = 16  # rows, groups of rows, ...


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
    so the output does not depend on the cuts (but for the rounding of float64).

    A recursion over samples cannot use the width of a processor. So ROW samples at a time are one row x, and
    with the state s before it (scipy.signal's zi: two values a section, transposed direct form II)
        y = x T + s O        T: impulse responses, O: responses to the state alone
        s' = x G + s P       G: what each sample leaves in the state, P: the state after ROW samples of zero
    which are matrix products, but for the states; those are taken forward GROUP rows at a time in the same
    manner, then GROUP groups, and so on. Equal to the recursion to some 1e-15 of the greatest output.
    """

    def __init__(self, sections: Float64, channels: int) -> None:
        order = 2 * len(sections)
        responses, after = _respond(sections, ROW)
        self._order = order
        self._responses = responses  # T over O
        self._leave = after[:ROW].copy()  # G
        self._steps = [np.eye(order)]  # state after so many samples of zero
        one = _respond(sections, 1)[1][1:]
        for _ in range(ROW - 1):
            self._steps.append(self._steps[-1] @ one)
        self._levels = [_Level(after[ROW:])]
        self._state = np.zeros((channels, order))
        self._resting = True
        self._room = np.empty((channels, 0, ROW + order))  # rows, each with the state before it
        self._left = np.empty((channels, 0, order))

    def run(self, x: Float64) -> Float64:
        """The output for the next piece, shape (channels, n), a new array unless all is silent."""
        if self._resting and not x.any():
            return x
        y = np.empty_like(x)
        whole = x.shape[1] - x.shape[1] % ROW
        if whole:
            self._rows(x[:, :whole], y[:, :whole])
        rest = x.shape[1] - whole
        if rest:
            tail, state = x[:, whole:], self._state
            np.matmul(tail, self._responses[:rest, :rest], out=y[:, whole:])
            y[:, whole:] += state @ self._responses[ROW:, :rest]
            self._state = tail @ self._leave[ROW - rest :] + state @ self._steps[rest]
        self._resting = bool(np.abs(self._state).max() < _AT_REST)
        if self._resting:
            self._state = np.zeros_like(self._state)
        return y

    def _rows(self, x: Float64, y: Float64) -> None:
        """Whole rows of every channel; each channel of x and y is contiguous."""
        count = x.shape[1] // ROW
        if self._room.shape[1] != count:
            self._room = np.empty((len(x), count, ROW + self._order))
            self._left = np.empty((len(x), count, self._order))
        rows, states = self._room[:, :, :ROW], self._room[:, :, ROW:]
        for channel, of_channel in enumerate(x):
            rows[channel] = of_channel.reshape(count, ROW)
            product(rows[channel], self._leave, self._left[channel])
        after = self._forward(self._left, self._state, 0)
        states[:, 0] = self._state
        states[:, 1:] = after[:, :-1]
        self._state = after[:, -1].copy()
        for channel, of_channel in enumerate(y):
            product(self._room[channel], self._responses, of_channel.reshape(count, ROW))

    def _forward(self, left: Float64, start: Float64, level: int) -> Float64:
        """The state after each row; left: what each row by itself leaves, (channels, rows, order)."""
        if level == len(self._levels):
            self._levels.append(_Level(self._levels[-1].power(GROUP)))
        here = self._levels[level]
        channels, rows, order = left.shape
        states = np.empty_like(left)
        whole = rows - rows % GROUP if rows > GROUP else 0
        if whole:
            groups = whole // GROUP
            within = np.matmul(left[:, :whole].reshape(channels, groups, GROUP * order), here.within)
            ends = self._forward(within[:, :, -order:].copy(), start, level + 1)
            within += np.concatenate((start[:, None], ends[:, :-1]), axis=1) @ here.onward
            states[:, :whole] = within.reshape(channels, whole, order)
            start = ends[:, -1]
        for row in range(whole, rows):
            start = left[:, row] + start @ here.step
            states[:, row] = start
        return states


class _Level:
    """Matrices that take states forward: `step` over one row, `onward` from before a group to after each of
    its rows, `within` from what each row of a group leaves to the state after each of them."""

    def __init__(self, step: Float64) -> None:
        order = len(step)
        self.step = step
        powers = [np.eye(order)]
        for _ in range(GROUP):
            powers.append(powers[-1] @ step)
        self.onward = np.concatenate(powers[1:], axis=1)
        within = np.zeros((GROUP, order, GROUP, order))
        for row in range(GROUP):
            for later in range(row, GROUP):
                within[row, :, later] = powers[later - row]
        self.within = within.reshape(GROUP * order, GROUP * order)
        self._powers = powers

    def power(self, rows: int) -> Float64:
        """`step` over so many rows, at most GROUP."""
        return self._powers[rows]


def _respond(sections: Float64, length: int) -> tuple[Float64, Float64]:
    """Output over `length` samples, and the state after them, for one impulse at each of the samples, then
    for each unit of the state alone: shapes (length + order, length) and (length + order, order)."""
    order = 2 * len(sections)
    inputs = np.concatenate((np.eye(length), np.zeros((order, length))))
    state = np.concatenate((np.zeros((length, order)), np.eye(order)))
    outputs = np.empty_like(inputs)
    for n in range(length):
        x = inputs[:, n]
        for s, (b0, b1, b2, _, a1, a2) in enumerate(sections.tolist()):
            u, v = state[:, 2 * s].copy(), state[:, 2 * s + 1].copy()
            state[:, 2 * s] = (b1 + b2 - (a1 + a2) * b0) * x - (a1 + a2) * u + (1.0 + a1 + a2) * v
            state[:, 2 * s + 1] = (b2 - a2 * b0) * x + a2 * (v - u)
            x = b0 * x + u - v
        outputs[:, n] = x
    return outputs, state
