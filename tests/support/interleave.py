"""A small model of the STC-007 interleave: which samples a dropout costs, and what a decoder puts there.

Block k holds the stereo samples 3k, 3k+1, 3k+2 as words L0 R0 L1 R1 L2 R2, then P and (14-bit) Q; word i of
it is written on line k + 16 i (domain note 1.1). With P and Q two lost words of eight are corrected, with P
alone one of seven (1.5; the S word of the 16-bit variant, which carries only the two lowest bits, is left
out). What is not corrected is concealed by the chosen means, in words of the recorded length.

Below that: music-like sound and noise to damage, and one call that runs all detectors over it.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from provpack.measure.block import Block
from provpack.measure.damage import Damage, DamageAnalyser
from provpack.measure.damage_segments import Event
from provpack.measure.pcm import PcmLayout
from provpack.synth.music import Piece, Voice, render
from provpack.synth.tape import EmphasisChange, TapePlan, record

STEP_LINES = 16
AUDIO_WORDS = 6
FRAMES_PER_LINE = 3
BURSTS = (16, 17, 32, 33, 64, 96)  # lines
REACH_LINES = 112  # from the first word of a block to the last

Concealment = Literal["interpolation", "hold", "mute", "none"]
Mask = NDArray[np.bool_]


def lost_samples(frames: int, bad_lines: Mask, bits: Literal[14, 16]) -> Mask:
    """(frames, 2): True where a sample could not be corrected. bad_lines: one flag per line, line 0 carries
    the first words of block 0; as many lines as there are blocks, plus REACH_LINES."""
    blocks = -(-frames // FRAMES_PER_LINE)
    words, correctable = (8, 2) if bits == 14 else (7, 1)
    lines = np.arange(blocks)[:, None] + STEP_LINES * np.arange(words)[None, :]
    erased = bad_lines[lines]
    hopeless = erased.sum(axis=1) > correctable
    return (erased[:, :AUDIO_WORDS] & hopeless[:, None]).reshape(-1, 2)[:frames]


def lines_of(frames: int) -> int:
    """How many lines carry so many stereo samples."""
    return -(-frames // FRAMES_PER_LINE) + REACH_LINES


def burst(frames: int, first_line: int, length: int) -> Mask:
    """One dropout of so many whole lines."""
    bad = np.zeros(lines_of(frames), dtype=np.bool_)
    bad[first_line : first_line + length] = True
    return bad


def runs_of(lost: Mask) -> list[tuple[int, int]]:
    """(first, length) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], lost.astype(np.int8), [0]))))
    return [(int(a), int(b - a)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def conceal(
    codes: NDArray[np.int16], lost: Mask, bits: int, how: Concealment, seed: int = 0
) -> NDArray[np.int16]:
    """The codes (frames, 2) with the lost samples replaced.

    interpolation: on the straight line between the good neighbours (their mean for a single one), rounded
    down. hold: the last good value. mute: zero. none: whatever stood on the tape (random words).
    """
    words = (codes >> (16 - bits)).astype(np.int64)
    chance = np.random.default_rng(seed)
    for channel in range(2):
        column = words[:, channel]
        for first, length in runs_of(lost[:, channel]):
            at = np.arange(first, first + length)
            before = int(column[first - 1]) if first else 0
            after = int(column[first + length]) if first + length < len(column) else before
            if how == "interpolation":
                column[at] = before + ((after - before) * (at - first + 1)) // (length + 1)
            elif how == "hold":
                column[at] = before
            elif how == "mute":
                column[at] = 0
            else:
                column[at] = chance.integers(-(1 << (bits - 1)), 1 << (bits - 1), length)
    return (words << (16 - bits)).astype(np.int16)


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """What came out: codes (frames, 2), and the truth about them (frames, 2)."""

    codes: NDArray[np.int16]
    lost: Mask


def play(
    codes: NDArray[np.int16],
    *,
    bits: Literal[14, 16],
    bursts: list[tuple[int, int]],
    how: Concealment,
    seed: int = 0,
) -> Played:
    """Play a tape with dropouts (first line, length in lines), correct what can be, conceal the rest."""
    frames = len(codes)
    bad = np.zeros(lines_of(frames), dtype=np.bool_)
    for first, length in bursts:
        bad[first : first + length] = True
    lost = lost_samples(frames, bad, bits)
    return Played(codes=conceal(codes, lost, bits, how, seed), lost=lost)


def random_bursts(frames: int, length: int, count: int, seed: int) -> list[tuple[int, int]]:
    """So many dropouts of one length at random places: well inside, and too far apart to meet in a block."""
    lines = lines_of(frames) - 2 * REACH_LINES
    room = lines // count
    assert room > length + 3 * REACH_LINES, "too many dropouts for so few frames"
    chance = np.random.default_rng(seed)
    return [
        (REACH_LINES + k * room + int(chance.integers(0, room - length - 2 * REACH_LINES)), length)
        for k in range(count)
    ]


RATE = Fraction(44_100_000, 1001)
STEREO_16 = PcmLayout(channels=2, container_bytes=2)
VOICES_OF: dict[str, tuple[tuple[Voice, ...], int]] = {
    "bright": (("harp", "melody", "bowed"), 69),
    "dull": (("bass", "bowed"), 45),
}
GAIN_OF = {"loud": 1.0, "quiet": 0.03}
CONDITIONS: tuple[tuple[Literal[14, 16], str, str], ...] = tuple(
    (bits, level, tone) for bits in (14, 16) for level in GAIN_OF for tone in VOICES_OF
)


def music(
    seed: int, seconds: float, *, bits: Literal[14, 16], level: str, tone: str, noise: float = 1.0
) -> NDArray[np.int16]:
    """Music-like sound off a tape, (frames, 2): demo music through the demo tape, converter noise one
    step of triangular density. Bright sound has emphasis. The first frames are a filter's delay."""
    frames = int(seconds * RATE)
    voices, key = VOICES_OF[tone]
    piece = Piece(
        start_s=0,
        seconds=seconds,
        seed=seed,
        voices=voices,
        key=key + seed % 7,
        gain=GAIN_OF[level],
        tempo=70 + seed % 40,
    )
    plan = TapePlan(
        sampling_frequency=RATE,
        bits=bits,
        noise=noise,
        seed=seed,
        emphasis=(EmphasisChange(frame=0, on=True),) if tone == "bright" else (),
    )
    return np.concatenate(list(record(plan, render((piece,), sampling_frequency=RATE, frames=frames))))


def falling_noise(seed: int, frames: int, *, bits: int, dbfs: float, slope: float) -> NDArray[np.int16]:
    """Gaussian noise of an rms level (dB of full scale), falling or rising by `slope` dB per octave above
    40 Hz, rounded without converter noise: (frames, 2)."""
    chance = np.random.default_rng(seed)
    hertz = np.fft.rfftfreq(frames, 1 / float(RATE))
    weight = np.where(hertz < 40, 0, (np.maximum(hertz, 1) / 1000) ** (slope / (20 * np.log10(2))))
    sound = np.fft.irfft(np.fft.rfft(chance.standard_normal((2, frames))) * weight, frames)
    sound *= 10 ** (dbfs / 20) / np.sqrt(np.mean(sound**2, axis=1, keepdims=True))
    return quantised(sound.T, bits)


def quantised(sound: NDArray[np.float64], bits: int) -> NDArray[np.int16]:
    """Sound of full scale 1.0 rounded to words of so many bits, in a 16-bit container."""
    top = 1 << (bits - 1)
    words = np.clip(np.rint(sound * top), -top, top - 1).astype(np.int32)
    return (words << (16 - bits)).astype(np.int16)


def analyse(
    codes: NDArray[np.integer],
    *,
    declared_bits: int | None = None,
    line_standard: str | None = "525_5994",
    layout: PcmLayout = STEREO_16,
    rate: Fraction | None = RATE,
    cuts: list[int] | None = None,
    max_events: int = 5000,
) -> Damage:
    """All detectors over codes (frames, channels), cut into blocks of 65536 frames or at the given places."""
    analyser = DamageAnalyser(
        layout=layout,
        rate=rate,
        frames=len(codes),
        declared_bits=declared_bits,
        line_standard=line_standard,
        max_events=max_events,
    )
    places = [0, *(range(65536, len(codes), 65536) if cuts is None else cuts)]
    for start, stop in zip(places, [*places[1:], len(codes)], strict=True):
        analyser.take(Block(start, codes[start:stop], layout.full_scale))
    return analyser.finish()


def of_type(damage: Damage, *kinds: str) -> list[Event]:
    """The events of these types."""
    return [e for e in damage.events if e.type in kinds]


def harm(damage: Damage) -> list[Event]:
    """All events but the silence of leader, trailer and faded pauses."""
    return [e for e in damage.events if e.type != "digital_silence"]


def span_of(dropout: tuple[int, int]) -> tuple[int, int]:
    """(first, past the last) frame that a dropout can reach."""
    first, length = dropout
    return FRAMES_PER_LINE * (first - REACH_LINES), FRAMES_PER_LINE * (first + length)


def hit(events: list[Event], dropout: tuple[int, int]) -> bool:
    """Whether any of the events lies where the dropout was."""
    start, stop = span_of(dropout)
    return any(e.start < stop and e.stop > start for e in events)
