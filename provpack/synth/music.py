"""Music-like stereo sound for invented tapes: a few voices, a small room, no claim to art.

A piece is made from its seed alone, so the same piece at the same rate gives the same samples on one
machine and one numpy. It is rendered block by block: memory does not grow with the length of the tape, and
the size of the blocks does not change the sound beyond rounding in the last place.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Voice = Literal["bass", "bowed", "harp", "melody"]
VOICES: tuple[Voice, ...] = ("bass", "bowed", "harp", "melody")
BLOCK = 16384
TABLE = 1 << 15  # read without interpolation: the error stays below -90 dB, under the dither of a 14-bit tape
TOP_PARTIAL_HZ = 15000.0
PARTIALS = (1, 2, 3, 4, 6, 9, 13, 19, 28, 40)  # few sizes, so few tables: 256 KiB each
RELEASE_S = 0.35

# Scale degrees in semitones above the key note, and chord roots as degrees of the scale.
MAJOR = (0, 2, 4, 5, 7, 9, 11)
MINOR = (0, 2, 3, 5, 7, 8, 10)
PROGRESSIONS = ((0, 5, 3, 4), (0, 3, 1, 4), (0, 4, 5, 3), (0, 2, 3, 4))


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One programme on a tape.

    start_s, seconds: place and length on the tape, in seconds; the last chord rings out inside the length.
    tempo: crotchets per minute. key: MIDI number of the key note (60 = middle C). gain: linear, 1.0 peaks
    near -3 dBFS with all four voices.
    """

    start_s: float
    seconds: float
    seed: int
    tempo: float = 84.0
    key: int = 57
    minor: bool = False
    voices: tuple[Voice, ...] = VOICES
    gain: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One sounding note: times in seconds on the tape, pitch in hertz, pan 0 (left) to 1 (right)."""

    start_s: float
    length_s: float
    hertz: float
    level: float
    pan: float
    voice: Voice


def compose(piece: Piece) -> tuple[Note, ...]:
    """The notes of a piece in order of start; all end inside a piece of a second or more."""
    chance = random.Random(piece.seed)
    scale = MINOR if piece.minor else MAJOR
    beat = 60.0 / piece.tempo
    sounding = max(piece.seconds - 0.6, 0.5 * piece.seconds)
    bars = max(1, int(sounding / (4 * beat)))
    beat = sounding / (4 * bars)  # stretch a little, so that the last bar is whole
    roots = PROGRESSIONS[int(chance.random() * len(PROGRESSIONS))]
    notes: list[Note] = []
    degree = 7 + int(chance.random() * 3)
    for bar in range(bars):
        at = piece.start_s + 4 * bar * beat
        last = bar == bars - 1
        root = 0 if last else roots[bar % len(roots)]
        chord = (root, root + 2, root + 4)
        notes += _accompaniment(piece, scale, chord, at, beat, last)
        if "melody" in piece.voices:
            phrase, degree = _phrase(piece, scale, chord, at, beat, last, degree, chance)
            notes += phrase
    return tuple(sorted(notes, key=lambda n: (n.start_s, n.hertz)))


def _hertz(piece: Piece, scale: tuple[int, ...], degree: int, octave: int = 0) -> float:
    octaves, step = divmod(degree, 7)
    midi = piece.key + scale[step] + 12 * (octaves + octave)
    return float(440.0 * 2.0 ** ((midi - 69) / 12.0))


def _accompaniment(
    piece: Piece, scale: tuple[int, ...], chord: tuple[int, ...], at: float, beat: float, last: bool
) -> list[Note]:
    notes: list[Note] = []

    def add(voice: Voice, start: float, length: float, hertz: float, level: float, pan: float) -> None:
        if voice in piece.voices:
            notes.append(
                Note(
                    start_s=start,
                    length_s=length,
                    hertz=hertz,
                    level=level * piece.gain,
                    pan=pan,
                    voice=voice,
                )
            )

    for k in (0,) if last else (0, 2):
        add(
            "bass",
            at + k * beat,
            (3.8 if last else 1.9) * beat,
            _hertz(piece, scale, chord[0], -1),
            0.20,
            0.45,
        )
    for k, degree in enumerate(chord):
        add("bowed", at, 3.9 * beat, _hertz(piece, scale, degree), 0.055, (0.25, 0.5, 0.75)[k])
    figure = (chord[0], chord[1], chord[2], chord[0] + 7)
    for k, degree in enumerate(figure if last else (chord[0], *figure[1:], *figure[3:0:-1])):
        add(
            "harp",
            at + k * beat / 2,
            min(1.4, 2.4 * beat),
            _hertz(piece, scale, degree),
            0.10,
            0.7 - 0.05 * k,
        )
    return notes


def _phrase(
    piece: Piece,
    scale: tuple[int, ...],
    chord: tuple[int, ...],
    at: float,
    beat: float,
    last: bool,
    degree: int,
    chance: random.Random,
) -> tuple[list[Note], int]:
    """One bar of a slow tune that walks by step and settles on the key note at the end."""
    rhythm: tuple[float, ...] = ((2.0, 2.0), (1.0, 1.0, 2.0), (3.0, 1.0))[int(chance.random() * 3)]
    if last:
        rhythm, degree = (4.0,), 7
    notes = []
    start = at
    for length in rhythm:
        notes.append(
            Note(
                start_s=start,
                length_s=0.96 * length * beat,
                hertz=_hertz(piece, scale, degree),
                level=0.13 * piece.gain,
                pan=0.4,
                voice="melody",
            )
        )
        start += length * beat
        step = (-2, -1, -1, 1, 1, 2)[int(chance.random() * 6)]
        degree = min(max(degree + step, 5), 12)
    return notes, degree


@cache
def _table(kind: str, partials: int) -> NDArray[np.float64]:
    """One period of a timbre with so many partials (band-limited: none may pass TOP_PARTIAL_HZ)."""
    slope = {"bright": 0.9, "dull": 2.4, "bowed": 1.35, "melody": 1.9}[kind]
    t = np.arange(TABLE) / TABLE
    wave = np.zeros(TABLE)
    for k in range(1, partials + 1):
        strength = k**-slope * (0.55 if kind == "melody" and k % 2 == 0 else 1.0)
        wave += strength * np.sin(2 * np.pi * (k * t + 0.381966 * k * k))  # spread phases keep peaks low
    wave /= np.sqrt(np.mean(wave * wave))
    wave.setflags(write=False)
    return wave


def _read(kind: str, hertz: float, phase: NDArray[np.float64]) -> NDArray[np.float64]:
    table = _table(kind, max(p for p in PARTIALS if p == 1 or p * hertz <= TOP_PARTIAL_HZ))
    return np.take(table, (phase * TABLE).astype(np.int64) & (TABLE - 1))


def _sound(note: Note, since: NDArray[np.float64]) -> NDArray[np.float64]:
    """The note at times since its start, in seconds (all >= 0)."""
    phase = note.hertz * since
    if note.voice in ("bass", "harp"):
        decay = 0.9 if note.voice == "bass" else 0.55
        body = np.exp(since * (-1.0 / decay))
        attack = np.minimum(since * 500.0, 1.0)
        bright = _read("bright", note.hertz, phase)
        return attack * body * (0.45 * body * body * bright + 0.8 * _read("dull", note.hertz, phase))
    attack_s, wobble = (0.28, 0.0016) if note.voice == "bowed" else (0.09, 0.0028)
    phase += note.hertz * wobble / (2 * np.pi * 5.1) * (1.0 - np.cos(2 * np.pi * 5.1 * since))
    swell = np.minimum(since / attack_s, 1.0)
    return swell * swell * _read(note.voice, note.hertz, phase)


def _release(note: Note, since: NDArray[np.float64]) -> NDArray[np.float64]:
    gone = np.clip((since - note.length_s) / RELEASE_S, 0.0, 1.0)
    return np.asarray((1.0 - gone) ** 2, dtype=np.float64)


def _taps(rate: float, seed: int) -> tuple[tuple[int, float, float], ...]:
    """A small room: early reflections to 45 ms, then a thin tail to 180 ms; (frames, left, right)."""
    chance = random.Random(seed ^ 0x5EED)
    early = ((0.011, 0.28), (0.017, 0.24), (0.023, 0.20), (0.031, 0.17), (0.038, 0.14), (0.045, 0.12))
    tail = tuple((0.055 + 0.0104 * k, 0.10 * 0.84**k) for k in range(12))
    taps = []
    for seconds, gain in early + tail:
        side = 0.25 + 0.5 * chance.random()
        frames = int((seconds + 0.004 * chance.random()) * rate)
        taps.append((frames, gain * 2 * side, gain * 2 * (1 - side)))
    return tuple(taps)


def render(
    pieces: tuple[Piece, ...], *, sampling_frequency: Fraction, frames: int, block: int = BLOCK
) -> Iterator[NDArray[np.float64]]:
    """The sound of a tape, as arrays of shape (2, n): left and right, full scale 1.0, n <= block.

    Outside the pieces it is exactly 0.0 (after the room has died away): noise is the business of the tape.
    sampling_frequency: exact, in hertz. frames: how many sample frames in all.
    """
    if frames < 0 or block < 1:
        raise ValueError("frames must be >= 0 and block >= 1")
    rate = float(sampling_frequency)
    waiting = sorted((n for p in pieces for n in compose(p)), key=lambda n: n.start_s, reverse=True)
    taps = _taps(rate, pieces[0].seed if pieces else 0)
    reach = max(delay for delay, _, _ in taps)
    past = np.zeros((2, reach))
    active: list[Note] = []
    for first in range(0, frames, block):
        n = min(block, frames - first)
        end_s = (first + n) / rate
        while waiting and waiting[-1].start_s < end_s:
            active.append(waiting.pop())
        dry = np.concatenate([past, np.zeros((2, n))], axis=1)
        for note in active:
            _mix(note, dry[:, reach:], first, rate)
        active = [a for a in active if a.start_s + a.length_s + RELEASE_S > end_s]
        wet = dry[:, reach:].copy()
        for delay, left, right in taps:
            wet[0] += left * dry[0, reach - delay : reach - delay + n]
            wet[1] += right * dry[1, reach - delay : reach - delay + n]
        past = dry[:, dry.shape[1] - reach :].copy()
        yield wet


def _mix(note: Note, into: NDArray[np.float64], first: int, rate: float) -> None:
    """Add the part of a note that lies in this block; positions are absolute: no seam between blocks."""
    n = into.shape[1]
    lo = max(0, int(np.ceil(note.start_s * rate)) - first)
    hi = min(n, int(np.ceil((note.start_s + note.length_s + RELEASE_S) * rate)) - first)
    if hi <= lo:
        return
    since = np.arange(first + lo, first + hi) / rate - note.start_s
    np.maximum(since, 0.0, out=since)
    sound = _sound(note, since)
    if since[-1] > note.length_s:
        sound *= _release(note, since)
    into[0, lo:hi] += sound * (note.level * float(np.cos(note.pan * np.pi / 2)))
    into[1, lo:hi] += sound * (note.level * float(np.sin(note.pan * np.pi / 2)))
