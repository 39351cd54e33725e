"""Sounds with known spectra and known relations between channels, and one way to have them measured."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from provpack.measure.block import Block
from provpack.measure.pcm import PcmLayout
from provpack.measure.spectral import Spectral, SpectralAnalyser
from provpack.synth.music import Piece, render
from provpack.synth.tape import TapePlan, record

Sound = npt.NDArray[np.float64]
R44 = Fraction(44100)
R525 = Fraction(44_100_000, 1001)


def white(rng: np.random.Generator, frames: int, db: float = -20.0) -> Sound:
    """White noise of so many dB RMS against full scale 1.0."""
    return rng.standard_normal(frames) * 10 ** (db / 20)


def shaped(rng: np.random.Generator, frames: int, slope: float, db: float = -20.0) -> Sound:
    """Noise whose amplitude goes with frequency to the power `slope` (-0.5: pink, -1: 6 dB per octave),
    level below 20 Hz, scaled to an RMS of db."""
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    hertz = np.maximum(np.fft.rfftfreq(frames, 1 / 44100), 20.0)
    sound = np.fft.irfft(spectrum * hertz**slope, frames)
    return sound * (10 ** (db / 20) / np.sqrt(np.mean(sound**2)))


def delayed(sound: Sound, samples: float) -> Sound:
    """Delay by any number of samples, round the end (exact for the spectrum; Nyquist bin left as it is)."""
    spectrum = np.fft.rfft(sound)
    turn = np.exp(-2j * np.pi * np.arange(len(spectrum)) * samples / len(sound))
    turn[-1] = 1.0
    return np.fft.irfft(spectrum * turn, len(sound))


def filtered(sound: Sound, rate: float, gain: npt.ArrayLike, at_hz: npt.ArrayLike) -> Sound:
    """Zero-phase filter, gain linear in frequency between the given points."""
    hertz = np.fft.rfftfreq(len(sound), 1 / rate)
    return np.fft.irfft(np.fft.rfft(sound) * np.interp(hertz, at_hz, gain), len(sound))


def coded(
    sound: Sound, bits: int = 14, container: int = 16, rng: np.random.Generator | None = None
) -> npt.NDArray[np.integer]:
    """(channels, frames) or (frames,) of full scale 1.0 to (frames, channels) codes; triangular dither of one
    step either way when a generator is given."""
    x = np.atleast_2d(sound).T * 2.0 ** (bits - 1)
    if rng is not None:
        x = x + rng.random(x.shape) - rng.random(x.shape)
    codes = np.clip(np.rint(x), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1).astype(np.int64)
    return np.ascontiguousarray(
        (codes << (container - bits)).astype(np.int16 if container == 16 else np.int32)
    )


def measure(
    codes: npt.NDArray[np.integer],
    *,
    rate: Fraction = R44,
    header: int | None = None,
    container: int = 16,
    cuts: list[int] | None = None,
) -> Spectral:
    """Run the whole analyser over codes (frames, channels), cut at the given frames."""
    layout = PcmLayout(channels=codes.shape[1], container_bytes=container // 8)
    analyser = SpectralAnalyser(layout=layout, rate=rate, frames=len(codes), header_rate=header)
    edges = [0, *(cuts if cuts is not None else range(65536, len(codes), 65536)), len(codes)]
    for start, stop in pairwise(edges):
        analyser.take(Block(start, codes[start:stop], layout.full_scale))
    return analyser.finish()


def music(seconds: float, seed: int, **tape: object) -> npt.NDArray[np.integer]:
    """The invented music on an invented tape, codes (frames, 2); keywords as of TapePlan."""
    chance = np.random.default_rng(seed)
    plan = {"sampling_frequency": R44, "bits": 14, "skew": False, "seed": seed, **tape}
    piece = Piece(
        start_s=0.3,
        seconds=seconds - 0.5,
        seed=seed,
        tempo=float(chance.uniform(60, 130)),
        key=int(chance.integers(48, 66)),
        minor=bool(chance.integers(2)),
    )
    frames = round(seconds * float(plan["sampling_frequency"]))  # type: ignore[arg-type]
    sound = render((piece,), sampling_frequency=plan["sampling_frequency"], frames=frames)  # type: ignore[arg-type]
    return np.concatenate(list(record(TapePlan(**plan), sound)))  # type: ignore[arg-type]
