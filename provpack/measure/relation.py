"""How two channels relate. Bit for bit and level for level over every frame; delay over the chosen windows.

Values (enum channel_relation of schemas/fields.schema.json)
    mono            the file has one channel.
    multichannel    the file has more than two; they are not compared.
    one_silent      in every unit of 65536 frames the one channel stays at or under -60 dBFS (RMS without
                    DC, 0 dBFS = full-scale sine, AES17) and over the file it lies 40 dB or more under the
                    other. (Bounds: proposal, no source.)
    dual_mono       |L - R| <= 1 step in every frame; a step is the lowest bit in use in the file.
    inverted        |L + R| <= 1 step in every frame, or correlation over the file <= -0.95 (proposal), or the
                    delay method finds one channel upside down with correlation <= -0.95 after that delay.
    skewed          several stretches agree on +0.5 or -0.5 sample within 0.02 (measure/delay.py).
    stereo          the channels differ by more than -30 dB, and share sound that several stretches can tell.
    undetermined    anything else: no sound, almost the same on both sides, nothing in common, too short.
Which channel is left cannot be told from sound alone (domain note, section 4: swapped): channel_order is
always undetermined.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from provpack.measure.delay import NO_DELAY, Delay, DelayAnswer, coherence, file_delay, stretch_delay
from provpack.measure.pcm import IntArray
from provpack.measure.spectra import (
    INDEPENDENT,
    UNIT,
    WINDOW,
    Complexes,
    Floats,
    Planar,
    Stretch,
    band,
)

Relation = Literal[
    "mono", "stereo", "dual_mono", "inverted", "one_silent", "skewed", "multichannel", "undetermined"
]
SILENT_DB = -60.0
SILENT_UNDER_DB = 40.0
INVERTED_CORRELATION = -0.95
NEARLY_EQUAL_DB = -30.0
SKEW = 0.5
SKEW_TOLERANCE = 0.02
LEAST_FIT_SKEW = 0.8
_OR_ROW = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelRelation:
    """relation: see the module. channel_order: never known. bits_in_use: container bits minus the low bits
    that are 0 in every sample of every channel; 0 for digital silence.
    rms_dbfs: per channel without DC, 0 dBFS = full-scale sine; None for none. correlation: of L and R without
    DC over every frame, -1 to 1; None without two sounding channels.
    difference_db: power of what is left of R after the best single gain and the measured delay (0 without
    one), against R, 0.5-15 kHz, windows used; None when not computed. delay: see measure/delay.py.
    silent_units: per channel, units at or under -60 dBFS. notes: plain sentences."""

    relation: Relation
    channel_order: Literal["undetermined"]
    bits_in_use: int
    rms_dbfs: tuple[float | None, ...]
    correlation: float | None
    difference_db: float | None
    delay: Delay
    units: int
    silent_units: tuple[int, ...]
    notes: tuple[str, ...]


class RelationMeter:
    """take_codes() for every block, take_unit() for every unit, take_stretch() for every stretch."""

    def __init__(self, *, channels: int, container_bits: int, rate: float) -> None:
        self._channels = channels
        self._bits = container_bits
        self._rate = rate
        self._mask = 0
        self._difference: int | None = 0 if channels == 2 else None
        self._sum: int | None = 0 if channels == 2 else None
        shown = min(channels, 2)
        self._frames = self._units = 0
        self._totals: Floats = np.zeros((3, shown))  # sum, sum of squares, [2, 0] sum of products
        self._loudest: Floats = np.zeros(shown)
        self._silent = [0] * shown
        self._product: Planar = np.empty(UNIT, dtype=np.float32)
        self._answers: list[DelayAnswer] = []
        self._stretches = self._related = 0
        self._power: Floats | None = None
        self._cross: Complexes | None = None

    def take_codes(self, codes: IntArray) -> None:
        """Every block. codes: (frames, channels) as stored."""
        if not len(codes):
            return
        flat = codes.reshape(-1)
        rows = len(flat) // _OR_ROW
        bits = 0
        if rows:
            table = flat[: rows * _OR_ROW].reshape(rows, _OR_ROW)
            bits = int(np.bitwise_or.reduce(np.bitwise_or.reduce(table, axis=0)))
        for code in flat[rows * _OR_ROW :].tolist():
            bits |= code
        self._mask |= bits & ((1 << self._bits) - 1)
        step = self._step()
        wide = np.int32 if self._bits <= 24 else np.int64
        if self._difference is not None:
            most = int(np.abs(np.subtract(codes[:, 0], codes[:, 1], dtype=wide)).max())
            self._difference = max(most, self._difference) if most <= step else None
        if self._sum is not None:
            most = int(np.abs(np.add(codes[:, 0], codes[:, 1], dtype=wide)).max())
            self._sum = max(most, self._sum) if most <= step else None

    def _step(self) -> int:
        """The lowest bit in use so far, no coarser than one step of 12 bits (a square wave uses but one bit);
        it can only fall, so whatever exceeds it now stays disproved."""
        return min(self._mask & -self._mask, 1 << max(0, self._bits - 12))

    def take_unit(self, sound: Planar) -> Floats:
        """Every unit. sound: (channels, n), n > 0. Gives the sum of each channel, in full scale."""
        n = sound.shape[1]
        self._frames += n
        self._units += 1
        totals: Floats = np.asarray(sound.sum(axis=1), dtype=np.float64)
        self._totals[0] += totals
        product = self._product[:n]
        for c in range(len(self._silent)):
            square = float(np.multiply(sound[c], sound[c], out=product).sum())
            self._totals[1, c] += square
            quiet = max(0.0, square / n - (float(totals[c]) / n) ** 2)
            self._loudest[c] = max(self._loudest[c], quiet)
            self._silent[c] += _dbfs(quiet) <= SILENT_DB
        if len(self._silent) == 2:
            self._totals[2, 0] += float(np.multiply(sound[0], sound[1], out=product).sum())
        return totals

    def take_stretch(self, stretch: Stretch) -> None:
        """Every stretch of transformed units."""
        if stretch.cross is None or self._channels != 2:
            return
        self._stretches += 1
        answer = stretch_delay(stretch, self._rate)
        if answer is not None:
            self._answers.append(answer)
        self._related += _related(stretch, self._rate)
        if self._power is None or self._cross is None:
            self._power, self._cross = stretch.power.copy(), stretch.cross.copy()
        else:
            self._power += stretch.power
            self._cross += stretch.cross

    def finish(self) -> ChannelRelation:
        """The result; call once."""
        spread = self._spread()
        delay = file_delay(tuple(self._answers), self._stretches) if self._channels == 2 else NO_DELAY
        correlation = self._correlation(spread)
        difference = self._left_over(delay)
        relation, notes = self._judge(spread, correlation, difference, delay)
        return ChannelRelation(
            relation=relation,
            channel_order="undetermined",
            bits_in_use=self._bits - (self._step().bit_length() - 1) if self._mask else 0,
            rms_dbfs=tuple(round(_dbfs(float(p)), 2) if p > 0 else None for p in spread),
            correlation=None if correlation is None else round(correlation, 4),
            difference_db=None if difference is None else round(difference, 1),
            delay=delay,
            units=self._units,
            silent_units=tuple(self._silent),
            notes=tuple(notes),
        )

    def _spread(self) -> Floats:
        n = max(1, self._frames)
        variance: Floats = self._totals[1] / n - (self._totals[0] / n) ** 2
        return np.asarray(np.maximum(variance, 0.0), dtype=np.float64)

    def _correlation(self, spread: Floats) -> float | None:
        if self._channels != 2 or not (spread > 0).all():
            return None
        n = self._frames
        product = self._totals[2, 0] / n - self._totals[0, 0] * self._totals[0, 1] / n**2
        return float(np.clip(product / np.sqrt(spread[0] * spread[1]), -1.0, 1.0))

    def _left_over(self, delay: Delay) -> float | None:
        if self._power is None or self._cross is None:
            return None
        span = band(500.0, 15000.0, self._rate)
        turn = 2j * np.pi * np.arange(span.start, span.stop) / WINDOW * (delay.samples or 0.0)
        common = float(np.sum((self._cross[span] * np.exp(turn)).real))
        left, right = float(self._power[0, span].sum()), float(self._power[1, span].sum())
        if left <= 0 or right <= 0:
            return None
        return 10.0 * float(np.log10(max(1.0 - common * common / (left * right), 1e-12)))

    def _judge(
        self, spread: Floats, correlation: float | None, difference: float | None, delay: Delay
    ) -> tuple[Relation, list[str]]:
        if self._channels == 1:
            return "mono", []
        if self._channels > 2:
            return "multichannel", ["More than two channels: they were not compared."]
        if not (spread > 0).any():
            return "undetermined", ["Neither channel holds any sound."]
        level = [_dbfs(float(p)) for p in spread]
        dead = int(level[1] < level[0])
        if (
            _dbfs(float(self._loudest[dead])) <= SILENT_DB
            and level[1 - dead] - level[dead] >= SILENT_UNDER_DB
        ):
            return "one_silent", [f"Channel {dead + 1} holds no sound above {SILENT_DB:.0f} dBFS."]
        step = self._step()
        notes = self._partly_silent()
        if self._difference is not None and self._difference <= step:
            same = "bit for bit" if self._difference == 0 else "within one step"
            return "dual_mono", [*notes, f"Both channels are equal {same} in every frame."]
        if self._sum is not None and self._sum <= step:
            return "inverted", [*notes, "The channels are each other's negative in every frame."]
        if correlation is not None and correlation <= INVERTED_CORRELATION:
            return "inverted", [*notes, f"The correlation of the channels is {correlation:.3f}."]
        skewed = delay.samples is not None and abs(abs(delay.samples) - SKEW) <= SKEW_TOLERANCE
        if delay.inverted:
            notes.append(
                "What the channels share is upside down in one of them; wide stereo can do that too."
            )
            if skewed and difference is not None and difference <= 10 * np.log10(1 - INVERTED_CORRELATION**2):
                return "inverted", [*notes, "It is also half a sample apart."]
            return "undetermined", notes
        if skewed and delay.samples is not None and self._fits():
            early = "second" if delay.samples < 0 else "first"
            notes.append(f"The {early} channel is half a sample early, as from one shared converter.")
            if difference is not None and difference <= NEARLY_EQUAL_DB:
                notes.append(
                    f"Apart from that the channels are alike to {difference:.0f} dB, as mono would be."
                )
            return "skewed", notes
        if difference is not None and difference <= NEARLY_EQUAL_DB:
            note = (
                f"The channels are alike to {difference:.0f} dB: mono over two converters, or narrow stereo."
            )
            return "undetermined", [*notes, note]
        if self._stretches < 3:
            return "undetermined", [*notes, "Too short to compare several stretches."]
        if self._related < 3 or self._related * 5 < self._stretches:
            return "undetermined", [*notes, "The channels share too little sound to say how they relate."]
        return "stereo", notes

    def _fits(self) -> bool:
        return float(np.median([a.fit for a in self._answers])) >= LEAST_FIT_SKEW

    def _partly_silent(self) -> list[str]:
        return [
            f"Channel {c + 1} is silent in {n} of {self._units} units while the other is silent in {other}."
            for c, (n, other) in enumerate(zip(self._silent, self._silent[::-1], strict=True))
            if n - other > 0.1 * self._units and n - other > 3
        ]


def _related(stretch: Stretch, rate: float) -> bool:
    """Whether the channels share sound: 1 in 20 bins from 0.1 to 15 kHz is more coherent than unrelated
    sound is in 1 of 1000."""
    if stretch.cross is None:
        return False
    span = band(100.0, 15000.0, rate)
    independent = max(2.0, INDEPENDENT * stretch.windows)
    c = coherence(stretch.power[:, span], stretch.cross[span])
    return float(np.mean(c > 1.0 - 0.001 ** (1.0 / (independent - 1.0)))) > 0.05


def _dbfs(mean_square: float) -> float:
    """dB of a mean square at full scale 1.0, 0 dB = a sine that reaches it."""
    return 10.0 * float(np.log10(max(2.0 * mean_square, 1e-30)))
