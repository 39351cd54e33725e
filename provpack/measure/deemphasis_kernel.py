"""The 50/15 us de-emphasis and the half-sample shift as short FIR kernels, made from the analogue curve.

Target. H(s) = (1 + s T2)/(1 + s T1), T1 = 50 us, T2 = 15 us (domain note 3.1; the constants are those of
IEC 60908), for a late channel times a delay of half a sample. A filter that runs on samples cannot have this
curve at half the sampling frequency, where its phase must be 0 or 180 degrees. A causal recursive filter of
the right magnitude therefore leads the analogue phase (the 2nd-order fit of domain note 3.2: by 6.1 degrees
at 10 kHz, 14.7 at 20 kHz). Here the kernel also looks ahead, so both magnitude and phase follow the curve up
to `edge_hz`; it is what D/A conversion, the analogue circuit and ideal A/D conversion would give together.

Method. Weighted least squares on GRID frequencies from 0 to half the sampling frequency: relative complex
error, weight 1 up to edge_hz, TOP_WEIGHT above it, where the target's phase (or, for the half-sample shift,
its magnitude) is brought along half a cosine to what half the sampling frequency allows. Reach: REACH samples
to either side. The coefficients are then divided by their sum and rounded to multiples of
2**-COEFFICIENT_BITS; the middle one (of a half-sample shift: two) takes up the remainder of the rounding, so
that their sum, the gain at 0 Hz, is exactly 1.

Exactness. |code| <= 2**23 and a sum of |coefficients| below 4 keep every product and every partial sum an
integer multiple of 2**-28 below 2**25: exact in a float64, whatever the order of the additions. The same
codes give the same result on every machine and however the stream is cut.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

import numpy as np
import numpy.typing as npt

from provpack.errors import InputProblem

Reals = npt.NDArray[np.float64]

T1, T2 = Fraction(50, 10**6), Fraction(15, 10**6)  # seconds; domain note 3.1
REACH = 48  # samples to either side; also the latency, which is compensated
COEFFICIENT_BITS = 28
TOP_WEIGHT = 1e-3
GRID = 2048
LOWEST_RATE, HIGHEST_RATE = 32_000, 96_000
HALF = Fraction(1, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kernel:
    """output[n] = sum over k of taps[k + REACH] * input[n - k], k = -REACH .. REACH.

    edge_hz: the curve is followed from 0 Hz to here: 20 kHz, or 10/11 of half the sampling frequency if that
    is lower. magnitude_error_db, phase_error_deg: the largest deviation from the analogue target on 20 Hz ..
    edge_hz (the half-sample delay belongs to the target). worst_gain: sum of |taps|, by which a hostile
    signal could be raised at most. top_gain: largest gain above edge_hz. sha256: of the taps as little-endian
    int64 multiples of 2**-28.
    """

    sampling_frequency: Fraction
    emphasis: bool
    delay: Fraction
    edge_hz: float
    magnitude_error_db: float
    phase_error_deg: float
    worst_gain: float
    top_gain: float
    sha256: str
    taps: tuple[float, ...]


def analogue(hertz: npt.ArrayLike) -> npt.NDArray[np.complex128]:
    """The analogue de-emphasis (1 + s T2)/(1 + s T1) at the given frequencies in hertz."""
    s = 2j * np.pi * np.asarray(hertz, dtype=np.float64)
    return np.asarray((1 + s * float(T2)) / (1 + s * float(T1)), dtype=np.complex128)


def response(kernel: Kernel, hertz: npt.ArrayLike) -> npt.NDArray[np.complex128]:
    """The kernel's response, latency taken off, at the given frequencies in hertz (one dimension)."""
    w = 2 * np.pi * np.atleast_1d(np.asarray(hertz, dtype=np.float64)) / float(kernel.sampling_frequency)
    turns = np.exp(-1j * np.outer(w, np.arange(-REACH, REACH + 1)))
    return np.asarray(turns @ np.asarray(kernel.taps), dtype=np.complex128)


def check_rate(rate: Fraction) -> None:
    """Raises InputProblem for a sampling frequency outside 32 .. 96 kHz."""
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise InputProblem(
            "deemphasis-rate",
            f"De-emphasis is made for 32 to 96 kHz, not for {float(rate):.3f} Hz.",
            where="sampling_frequency",
            todo="Check the sampling frequency of the transfer; pre-emphasis is not known at other rates.",
        )


def edge_of(rate: Fraction) -> float:
    """Up to where, in hertz, a kernel follows the curve."""
    return float(min(Fraction(20_000), rate * 5 / 11))


@cache
def design(rate: Fraction, *, emphasis: bool = True, delay: Fraction = Fraction(0)) -> Kernel:
    """The kernel for one sampling frequency (exact, in hertz).

    emphasis: undo 50/15 us; False leaves only the delay. delay: 0, or +-1/2 sample. Raises InputProblem for a
    rate that is not served.
    """
    check_rate(rate)
    if delay not in (0, HALF, -HALF):
        raise ValueError("delay must be 0 or half a sample")
    fs, edge = float(rate), edge_of(rate)
    hertz = np.linspace(0.0, fs / 2, GRID)
    w = 2 * np.pi * hertz / fs
    curve = _curve(hertz, emphasis)
    size = np.abs(curve)
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip((hertz - edge) / (fs / 2 - edge), 0.0, 1.0))
    if delay:
        target = curve * np.exp(-1j * w * float(delay)) * fade
    else:
        target = size * np.exp(1j * np.angle(curve) * fade)
    weight = np.where(hertz <= edge, 1.0, TOP_WEIGHT) / size
    # A support that is symmetric about the delay: one tap fewer on the side away from it.
    lags = np.arange(-REACH + (delay > 0), REACH + 1 - (delay < 0))
    turns = np.exp(-1j * np.outer(w, lags)) * weight[:, None]
    wanted = target * weight
    solved = np.linalg.lstsq(
        np.concatenate([turns.real, turns.imag]), np.concatenate([wanted.real, wanted.imag]), rcond=None
    )[0]
    taps = np.zeros(2 * REACH + 1)
    taps[lags + REACH] = solved
    whole = np.rint(taps / taps.sum() * 2**COEFFICIENT_BITS).astype(np.int64)
    rest = 2**COEFFICIENT_BITS - int(whole.sum())
    whole[REACH + int(2 * delay)] += rest // 2
    whole[REACH] += rest - rest // 2
    return _described(rate, emphasis, delay, whole)


def _curve(hertz: Reals, emphasis: bool) -> npt.NDArray[np.complex128]:
    return analogue(hertz) if emphasis else np.ones(len(hertz), dtype=np.complex128)


def _described(rate: Fraction, emphasis: bool, delay: Fraction, whole: npt.NDArray[np.int64]) -> Kernel:
    taps = whole / 2**COEFFICIENT_BITS
    edge = edge_of(rate)

    def made(magnitude: float, phase: float, top: float) -> Kernel:
        return Kernel(
            sampling_frequency=rate,
            emphasis=emphasis,
            delay=delay,
            edge_hz=edge,
            magnitude_error_db=magnitude,
            phase_error_deg=phase,
            worst_gain=float(np.abs(taps).sum()),
            top_gain=top,
            sha256=hashlib.sha256(whole.astype("<i8").tobytes()).hexdigest(),
            taps=tuple(taps.tolist()),
        )

    bare = made(0.0, 0.0, 0.0)
    hertz = np.linspace(20.0, edge, 4001)
    wanted = _curve(hertz, emphasis) * np.exp(-2j * np.pi * hertz / float(rate) * float(delay))
    ratio = response(bare, hertz) / wanted
    top = np.abs(response(bare, np.linspace(edge, float(rate) / 2, 512)))
    return made(
        round(float(np.abs(20 * np.log10(np.abs(ratio))).max()), 6),
        round(float(np.abs(np.angle(ratio, deg=True)).max()), 6),
        round(float(top.max()), 4),
    )
