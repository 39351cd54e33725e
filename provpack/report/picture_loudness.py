"""Loudness over time: the greatest short-term loudness of each piece, with the figures of the whole file.

The lines of the whole are told apart by their breaks and carry their names; a gap in the curve is silence or
a place where no whole window of three seconds ends.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from provpack.package.figures import clock
from provpack.report.picture_parts import (
    AXIS,
    UNITS,
    Picture,
    Sample,
    field,
    frame,
    line,
    numbers,
    short,
    stretched,
    swatch,
    text,
    time_axis,
)

HEIGHT = 180  # px
GRIDS_LU = (5, 10, 20)
LOWEST_LUFS = -80.0
LEVELS = (  # key of measurements.json, look, what it is, where its name stands
    ("integrated_lufs", "level-whole", "integrated", "start"),
    ("max_short_term_lufs", "level-short", "greatest of 3 s", "middle"),
    ("max_momentary_lufs", "level-brief", "greatest of 0.4 s", "end"),
)
PLACES = {"start": "4", "middle": "50%", "end": "99.5%"}


def lufs_words(value: float) -> str:
    """A loudness in words: -23.04 -> `−23.0 LUFS`."""
    return f"{value:.1f} LUFS".replace("-", "−")


def _curve(points: Sequence[float | None], width: float, y: Mapping[int, float]) -> str:
    """The d of the steps, broken where there is nothing; width: units of one point."""
    out, drawing = [], False
    for i, point in enumerate(points):
        if point is None:
            drawing = False
            continue
        x, end = short(min(float(UNITS), i * width)), short(min(float(UNITS), (i + 1) * width))
        out.append(f"{'L' if drawing else 'M'}{x} {short(y[i])}H{end}")
        drawing = True
    return "".join(out)


def loudness(measurements: Mapping[str, Any], rate: Fraction | None) -> Picture | None:
    """The picture; None when there is no loudness over time to draw (silence, under 3 s, an older file)."""
    found, frames = measurements.get("loudness"), int(measurements.get("frames") or 0)
    contour = (found or {}).get("contour") or {}
    points = contour.get("points") or []
    there = numbers([p for p in points if p is not None])
    if not found or not there or not frames or rate is None:
        return None
    seconds = float(frames / rate)
    levels = [(found.get(key), look, name, anchor) for key, look, name, anchor in LEVELS]
    whole = numbers([value for value, *_ in levels if value is not None])
    high, low = max(there + whole) + 1.5, max(LOWEST_LUFS, min(there + whole) - 1)
    grid = next((g for g in GRIDS_LU if high - low <= 5 * g), GRIDS_LU[-1])
    top, bottom = math.ceil(high / grid) * grid, math.floor(min(low, high - 1) / grid) * grid

    def y(value: float) -> float:
        return HEIGHT * max(0.0, min(1.0, (top - value) / (top - bottom)))

    parts, names = [field("lane", top=0, height=HEIGHT)], []
    for value in range(bottom + grid, top, grid):
        parts.append(line("grid", x=("0", "100%"), y=(y(value), y(value))))
        names.append(text(f"{value}".replace("-", "−"), x="4", y=y(value) - 3, look="tick halo"))
    heights = {i: y(float(p)) for i, p in enumerate(points) if p is not None}
    width = float(contour.get("step_s") or 0) / seconds * UNITS
    path = f'<path class="curve channel-0" d="{_curve(points, width, heights)}"/>'
    parts.append(stretched(path, top=0, height=HEIGHT, units=(UNITS, HEIGHT)))
    for value, look, name, anchor in levels:
        if isinstance(value, (int, float)):
            at = y(float(value))
            parts.append(line(f"level {look}", x=("0", "100%"), y=(at, at)))
            said = f"{name} {lufs_words(float(value))}"
            place = "44" if anchor == "start" else PLACES[anchor]
            names.append(text(said, x=place, y=at - 4, look="tick halo", anchor=anchor))
    parts += [*names, time_axis(seconds, HEIGHT)]
    words = _words(found, points, float(contour.get("step_s") or 0))
    svg = frame(parts, height=HEIGHT + AXIS, title="Loudness over time", description=words, prefix="loudness")
    return Picture(svg=svg, words=words, key=_key(found))


def _key(found: Mapping[str, Any]) -> tuple[Sample, ...]:
    out = [
        Sample(
            svg=swatch('<path class="curve channel-0" d="M0 12H9V5H19V9H28"/>'),
            meaning="loudness of 3 seconds",
        )
    ]
    for key, look, name, _ in LEVELS:
        if found.get(key) is not None:
            drawn = f'<path class="level {look}" d="M0 8H28"/>'
            out.append(Sample(svg=swatch(drawn), meaning=f"{name}, of the whole file"))
    return tuple(out)


def _words(found: Mapping[str, Any], points: Sequence[float | None], step_s: float) -> str:
    there = [(p, i) for i, p in enumerate(points) if p is not None]
    loudest, quietest = max(there), min(there)
    said = []
    if found.get("integrated_lufs") is not None:
        said.append(f"Integrated {lufs_words(found['integrated_lufs'])}.")
    if found.get("range_lu") is not None:
        said.append(f"Range {found['range_lu']:.1f} LU.")
    said.append(
        f"Loudest 3 seconds {lufs_words(loudest[0])}, ending near {clock(loudest[1] * step_s)}; quietest "
        f"place "
        f"that is not silent {lufs_words(quietest[0])}, near {clock(quietest[1] * step_s)}."
    )
    if found.get("max_momentary_lufs") is not None:
        said.append(f"Greatest of 0.4 seconds {lufs_words(found['max_momentary_lufs'])}.")
    return " ".join(said)
