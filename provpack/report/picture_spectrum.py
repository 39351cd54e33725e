"""The long-term spectrum of each channel, with the shape of 50/15 us pre-emphasis beside it for the eye.

The shape is the analytic curve |(1 + s 50us)/(1 + s 15us)| (domain note 3.1, IEC 60908 by way of a general
tool's manual), laid so that its flat part runs at the mean level of the channels from 500 Hz to 1.5 kHz. It
shows by how much emphasis would lift the upper end, no more: programmes differ among themselves by more than
that. Channels are told apart by unbroken and broken lines.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from provpack.package.figures import channel_names
from provpack.report.picture_parts import (
    UNITS,
    Hertz,
    Picture,
    Sample,
    field,
    frame,
    hertz_words,
    line,
    numbers,
    percent,
    short,
    stretched,
    swatch,
    text,
)

T1, T2 = 50e-6, 15e-6  # seconds
HEIGHT = 300  # px
ROW = 15  # height of a line of text of a mark, px
GRID_DB = 20
DEEPEST_DB = 140.0  # under the top nothing is drawn
LAY_HZ = (500.0, 1500.0)
CURVE_HZ = (100.0, 20_000.0)
MARKS_MAX = 8
NEAR_HZ = 600.0  # bandwidths nearer than that share a mark
BRIEFLY = "50/15 µs, for comparison only: proves nothing"
FOR_THE_EYE = "shape of 50/15 µs pre-emphasis, for comparison only: it proves nothing"


def curve_db(hertz: float) -> float:
    """Boost of 50/15 us pre-emphasis at a frequency, dB (domain note 3.1: 0.370 dB at 1 kHz, 7.602 at 10)."""
    w = 2.0 * math.pi * hertz
    return 10.0 * math.log10((1.0 + (w * T1) ** 2) / (1.0 + (w * T2) ** 2))


def marks_of(measurements: Mapping[str, Any]) -> list[tuple[float, str]]:
    """(hertz, what it is) of the frequencies worth marking, from low to high."""
    out = []
    channels = measurements.get("channels") or ()
    names = channel_names(len(channels))
    wide = [(c.get("bandwidth_hz"), n) for c, n in zip(channels, names, strict=True)]
    told = [(float(h), n) for h, n in wide if isinstance(h, (int, float))]
    if len(told) == 2 and abs(told[0][0] - told[1][0]) < NEAR_HZ:
        each = [f"{h / 1000:.1f} kHz" for h, _ in told]
        both = f"{each[0]} {told[0][1]} and {each[1]} {told[1][1]}"
        both = f"{each[0]}, both channels" if each[0] == each[1] else both
        out.append((max(h for h, _ in told), f"bandwidth {both}"))
    else:
        for hertz, name in told:
            out.append(
                (hertz, f"bandwidth {hertz / 1000:.1f} kHz" + ("" if len(channels) == 1 else f" {name}"))
            )
    for tone in (measurements.get("line_whistle") or {}).get("tones") or ():
        out.append((float(tone["hertz"]), f"line tone {float(tone['hertz']):,.1f} Hz".replace(",", "\u202f")))
    for hint in measurements.get("conversion_hints") or ():
        what = "mirror point" if hint.get("kind") == "images" else "edge"
        out.append((float(hint["hertz"]), f"{what} at {float(hint['hertz']) / 1000:.1f} kHz (a hint)"))
    return sorted(out)[:MARKS_MAX]


class _Scale:
    """Where a level lies in the drawing: top_db at 0, bottom_db at HEIGHT."""

    def __init__(self, levels: Sequence[float], highest: float) -> None:
        top = max(*levels, highest) + 3
        self.top = math.ceil(top / 10) * 10
        self.bottom = math.floor(max(min(levels), self.top - DEEPEST_DB) / 10) * 10

    def y(self, db: float) -> float:
        return HEIGHT * max(0.0, min(1.0, (self.top - db) / (self.top - self.bottom)))


def _line(points: Sequence[tuple[float, float]], hertz: Hertz, scale: _Scale) -> str:
    return "M" + "L".join(f"{short(hertz.part(f) * UNITS)} {short(scale.y(v))}" for f, v in points)


def reference_db(hertz: Sequence[float], levels: Sequence[Sequence[float]]) -> float:
    """The level at which the curve's flat part is laid: mean of all channels in LAY_HZ, dB; where a spectrum
    has nothing there, its highest level."""
    within = [
        row[i] for row in levels for i, f in enumerate(hertz) if LAY_HZ[0] <= f <= LAY_HZ[1] and i < len(row)
    ]
    return sum(within) / len(within) if within else max(max(row) for row in levels)


def spectrum(measurements: Mapping[str, Any]) -> Picture | None:
    """The picture; None when measurements.json has no spectrum (digital silence, or an older file)."""
    found = measurements.get("spectrum")
    if not found or not found.get("hertz") or not found.get("level_db"):
        return None
    hertz, levels = [float(f) for f in found["hertz"]], [numbers(row) for row in found["level_db"]]
    lay = reference_db(hertz, levels)
    axis = Hertz(max(10.0, hertz[0]), hertz[-1])
    scale = _Scale([v for row in levels for v in row], lay + curve_db(CURVE_HZ[1]))
    marks = marks_of(measurements)
    parts = [field("lane", top=0, height=HEIGHT), *_grid(axis, scale)]
    lines = [
        f'<path class="curve channel-{n % 2}" d="{_line(list(zip(hertz, row, strict=False)), axis, scale)}"/>'
        for n, row in enumerate(levels)
    ]
    steps = [CURVE_HZ[0] * 2 ** (n / 6) for n in range(200)]
    for_eye = [(f, lay + curve_db(f)) for f in steps if f <= min(CURVE_HZ[1], hertz[-1])]
    if for_eye:
        lines.append(f'<path class="curve for-eye" d="{_line(for_eye, axis, scale)}"/>')
    parts.append(stretched("".join(lines), top=0, height=HEIGHT, units=(UNITS, HEIGHT)))
    if for_eye:
        parts.append(text(BRIEFLY, x=percent(axis.part(130.0)), y=scale.y(lay) - 7, look="tick halo"))
    below = HEIGHT + 26
    for n, (where, said) in enumerate(marks):
        at, y = percent(axis.part(where)), below + (n + 1) * ROW
        parts.append(line("pin", x=(at, at), y=(0, y - 4)))
        anchor, text_at = (
            ("end", f"{100 * axis.part(where) - 0.6:.3f}%") if axis.part(where) > 0.4 else ("start", at)
        )
        parts.append(text(said, x=text_at, y=y, look="lane-said", anchor=anchor))
    words = _words(measurements, hertz, levels, lay, marks)
    height = below + len(marks) * ROW + 6
    svg = frame(parts, height=height, title="Long-term spectrum", description=words, prefix="spectrum")
    return Picture(svg=svg, words=words, key=_key(measurements, len(levels)))


def _grid(axis: Hertz, scale: _Scale) -> list[str]:
    out = [line("axis", x=("0", "100%"), y=(HEIGHT, HEIGHT))]
    for db in range(int(scale.bottom // GRID_DB + 1) * GRID_DB, int(scale.top), GRID_DB):
        y = scale.y(db)
        out.append(line("grid", x=("0", "100%"), y=(y, y)))
        out.append(text(f"{db} dB".replace("-", "−"), x="4", y=y - 3, look="tick halo"))
    for n, hertz in enumerate(axis.ticks()):
        part = axis.part(hertz)
        at, anchor = percent(part), "start" if part < 0.03 else "end" if part > 0.97 else "middle"
        out.append(line("grid", x=(at, at), y=(0, HEIGHT + 5)))
        fine = "" if n % 2 == 0 or hertz >= 20_000 else " fine"
        out.append(text(hertz_words(hertz), x=at, y=HEIGHT + 19, look=f"tick{fine}", anchor=anchor))
    return out


def _key(measurements: Mapping[str, Any], shown: int) -> tuple[Sample, ...]:
    names = channel_names(len(measurements.get("channels") or ()) or shown)
    out = [
        Sample(svg=swatch(f'<path class="curve channel-{n % 2}" d="M0 8H28"/>'), meaning=name)
        for n, name in enumerate(names[:shown])
    ]
    out.append(Sample(svg=swatch('<path class="curve for-eye" d="M0 12Q14 11 28 4"/>'), meaning=FOR_THE_EYE))
    return tuple(out)


def _words(
    measurements: Mapping[str, Any],
    hertz: Sequence[float],
    levels: Sequence[Sequence[float]],
    lay: float,
    marks: Sequence[tuple[float, str]],
) -> str:
    names = channel_names(len(measurements.get("channels") or ()) or len(levels))
    said = []
    for name, row in zip(names, levels, strict=False):
        at = [f"{hertz_words(f)} {_near(hertz, row, f):.0f} dB" for f in (100, 1000, 5000, 10_000, 15_000)
              if hertz[0] <= f <= hertz[-1]]  # fmt: skip
        said.append(f"Mean density of {name}: " + ", ".join(at) + ".")
    if len(names) > len(levels):
        said.append(f"Of {len(names)} channels only the first {len(levels)} were looked at.")
    said.append(
        f"The {FOR_THE_EYE}; it is laid at {lay:.0f} dB, the mean from 500 to 1500 Hz, and lies "
        f"{curve_db(10_000):.1f} dB higher at 10 kHz."
    )
    if marks:
        said.append("Marked: " + "; ".join(what for _, what in marks) + ".")
    return " ".join(said).replace(" -", " −")


def _near(hertz: Sequence[float], row: Sequence[float], at: float) -> float:
    n = min(range(min(len(hertz), len(row))), key=lambda i: abs(hertz[i] - at))
    return row[n]
