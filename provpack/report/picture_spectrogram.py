"""The sound over time and frequency, in steps of STEP_DB.

Drawn as one SVG path per step, not as an embedded picture: the key then gives the level of every shade, the
shades come from the page's style sheet (dark screen, print), paper gets it sharp, and the page can go on
forbidding images from anywhere. Measurements hold at most 480 columns of 60 bands, some 200 KB as paths.
All shades are mixtures of two colours (templates/pictures.css.j2), so their order is the same in grey.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import pairwise
from typing import Any

from provpack.package.figures import clock
from provpack.report.picture_parts import (
    AXIS,
    UNITS,
    Hertz,
    Picture,
    Sample,
    field,
    frame,
    hertz_words,
    line,
    short,
    stretched,
    swatch,
    text,
    time_axis,
)

HEIGHT = 260  # px
STEP_DB = 6
STEPS = 15
OVERLAP = 0.3  # by which cells reach under the next, so that paper shows no seams
PARTS = ((0, 200), (200, 2000), (2000, 10_000), (10_000, 16_000), (16_000, 1e9))


def _columns(starts: Sequence[int], frames: int, widest: int) -> list[tuple[int, int]]:
    """(first frame, past the last) of each column: up to the next one, but not over a gap in which there was
    nothing to transform (digital silence)."""
    stops = [*starts[1:], frames]
    return [(a, min(b, a + widest)) for a, b in zip(starts, stops, strict=True)]


def _widest(measurements: Mapping[str, Any], starts: Sequence[int]) -> int:
    """Frames that a column may stand for: what the choice of windows leaves between two of them."""
    looked = measurements.get("looked_at") or {}
    apart = int(looked.get("unit_frames") or 0) * int(looked.get("every_unit") or 1)
    gaps = sorted(b - a for a, b in pairwise(starts))
    usual = gaps[len(gaps) // 2] if gaps else 0
    return max(apart, 2 * usual, 1)


def _paths(
    columns: Sequence[tuple[int, int]],
    levels: Sequence[Sequence[float]],
    rows: Sequence[int],
    frames: int,
    top_db: float,
) -> list[str]:
    """The d of one path per step, the quietest first; rows: y of each band's edges, from below."""
    paths: list[list[str]] = [[] for _ in range(STEPS)]
    for (start, stop), column in zip(columns, levels, strict=False):
        x, end = round(start / frames * UNITS, 1), round(stop / frames * UNITS, 1)
        if end <= x:
            continue
        side = f"{short(x)} "
        wide = short(round(end - x + OVERLAP, 1))
        step, from_y, bands = -1, 0, min(len(column), len(rows) - 1)
        for band in range(bands + 1):
            now = -1 if band == bands else int(STEPS - 1 - (top_db - column[band]) // STEP_DB)
            now = max(-1, min(STEPS - 1, now))
            if now == step:
                continue
            if step >= 0:
                high = rows[band]
                if from_y > high:
                    paths[step].append(f"M{side}{high}h{wide}v{from_y - high}.4h-{wide}z")
            step, from_y = now, rows[min(band, len(rows) - 1)]
    return ["".join(p) for p in paths]


def mean_db(levels: Sequence[float]) -> float:
    """Mean of levels in power, dB."""
    return 10.0 * math.log10(max(sum(10.0 ** (v / 10.0) for v in levels) / len(levels), 1e-30))


def spectrogram(measurements: Mapping[str, Any], rate: Fraction | None) -> Picture | None:
    """The picture; None when measurements.json has no spectrogram (digital silence, or an older file)."""
    found, frames = measurements.get("spectrogram"), int(measurements.get("frames") or 0)
    if not found or not found.get("starts") or not frames or rate is None:
        return None
    edges: list[float] = [float(e) for e in found["edges_hz"]]
    starts, levels = found["starts"], found["level_db"]
    scale = Hertz(edges[0], edges[-1])
    rows = [round(HEIGHT * (1 - scale.part(e))) for e in edges]
    top_db = -(-max(max(c) for c in levels) // STEP_DB) * STEP_DB
    columns = _columns(starts, frames, _widest(measurements, starts))
    paths = _paths(columns, levels, rows, frames, top_db)
    drawn = "".join(f'<path class="s{n}" d="{d}"/>' for n, d in enumerate(paths) if d)
    parts = [field("lane", top=0, height=HEIGHT)]
    parts.append(
        f'<g shape-rendering="crispEdges">{stretched(drawn, top=0, height=HEIGHT, units=(UNITS, HEIGHT))}</g>'
    )
    for hertz in scale.ticks():
        y = HEIGHT * (1 - scale.part(hertz))
        parts.append(line("grid", x=("0", "100%"), y=(y, y)))
        if 12 < y < HEIGHT - 4:
            parts.append(text(hertz_words(hertz), x="4", y=y - 3, look="lane-name"))
    seconds = float(frames / rate)
    parts.append(time_axis(seconds, HEIGHT))
    words = _words(edges, levels, starts, rate, seconds, top_db)
    svg = frame(
        parts, height=HEIGHT + AXIS, title="Sound over time and frequency", description=words,
        prefix="spectrogram",
    )  # fmt: skip
    return Picture(svg=svg, words=words, key=_key(top_db))


def _key(top_db: float) -> tuple[Sample, ...]:
    out = []
    for step in range(STEPS - 1, -1, -3):
        level = top_db - (STEPS - 1 - step) * STEP_DB
        box = f'<rect class="lane" width="28" height="16"/><rect class="s{step}" width="28" height="16"/>'
        said = f"{level - STEP_DB:.0f} to {level:.0f} dB".replace("-", "−")
        out.append(Sample(svg=swatch(box), meaning=said))
    return tuple(out)


def _words(
    edges: Sequence[float],
    levels: Sequence[Sequence[float]],
    starts: Sequence[int],
    rate: Fraction,
    seconds: float,
    top_db: float,
) -> str:
    """The text alternative: how loud each part of the range is, and when there is most over 10 kHz."""
    said = [
        f"{hertz_words(round(edges[0]))} to {edges[-1] / 1000:.1f} kHz over {clock(seconds)}; stronger shade "
        f"means louder, in steps of {STEP_DB} dB. Levels are densities: 0 dB is a full-scale sine within 1 "
        f"Hz."
    ]
    middle = [(a * b) ** 0.5 for a, b in pairwise(edges)]
    parts = []
    for low, high in PARTS:
        bands = [n for n, hertz in enumerate(middle) if low <= hertz < high]
        if not bands:
            continue
        over_time = sorted(mean_db([c[n] for n in bands]) for c in levels)
        usual = over_time[len(over_time) // 2]
        name = (
            f"under {hertz_words(high)}"
            if low == 0
            else f"from {hertz_words(low)}" + (f" to {hertz_words(high)}" if high < 1e6 else "")
        )
        parts.append(f"{name} {usual:.0f} dB")
    said.append("Usual level (median over time): " + ", ".join(parts) + ".")
    top = [n for n, hertz in enumerate(middle) if hertz >= 10_000]
    if top:
        over_time = [mean_db([c[n] for n in top]) for c in levels]
        at = max(range(len(over_time)), key=over_time.__getitem__)
        said.append(f"Most over 10 kHz at {clock(starts[at] / rate)}.")
    return " ".join(said).replace(" -", " −")
