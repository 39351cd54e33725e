"""Bits in use: how many blocks of each width a channel has, and where the width changes.

Above, a row per channel and width, its length the share of the blocks, its figures beside it in text. Below,
only when some stretch differs from the usual width, a lane per channel and width over time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from provpack.package.figures import channel_names, count
from provpack.report.picture_parts import (
    AXIS,
    Picture,
    cells,
    field,
    frame,
    percent,
    stretched,
    text,
    time_axis,
)

ROWS_MAX = 8  # widths of one channel that get a row; the others are named together
LANES_MAX = 12
NAME, BAR, GAP, LANE = 15, 12, 7, 14
PIECES = 500
Histogram = Sequence[Mapping[str, int]]


def width_words(bits: int) -> str:
    """A width in words; 0 is digital silence."""
    return "digital silence" if bits == 0 else "1 bit" if bits == 1 else f"{bits} bits"


def alike(channels: Sequence[Mapping[str, Any]]) -> list[tuple[str, Histogram]]:
    """(names, histogram) of the channels, those with the same histogram together."""
    names = channel_names(len(channels))
    groups: list[tuple[list[str], Histogram]] = []
    for name, channel in zip(names, channels, strict=True):
        histogram = channel.get("bits_histogram") or ()
        for said, known in groups:
            if known == histogram:
                said.append(name)
                break
        else:
            if histogram:
                groups.append(([name], histogram))
    return [(joined(said, len(channels)), known) for said, known in groups]


def joined(names: Sequence[str], channels: int) -> str:
    """Names of channels as one text: `left and right`, `all 8 channels`."""
    if len(names) == channels > 2:
        return f"all {channels} channels"
    if len(names) == 1:
        return names[0]
    if channels > 2:
        names = [
            "channels " + names[0].removeprefix("channel "),
            *(n.removeprefix("channel ") for n in names[1:]),
        ]
    return " and ".join([", ".join(names[:-1]), names[-1]])


def _count(blocks: int) -> str:
    return count(blocks, "block")


def share_words(part: float) -> str:
    """A share of the whole: never 100 % or 0 % for what is not quite that."""
    if part >= 1.0:
        return "all"
    return f"{min(max(100 * part, 0.1), 99.9):.1f} %"


def _rows(histogram: Histogram) -> list[tuple[str, float]]:
    """(text, share of the blocks) of each row, fewest bits first; with too many widths the rarest
    together."""
    total = sum(int(h["blocks"]) for h in histogram) or 1
    kept = sorted(histogram, key=lambda h: -int(h["blocks"]))[:ROWS_MAX]
    rest = [h for h in histogram if h not in kept]
    out = [(width_words(int(h["bits"])), int(h["blocks"])) for h in histogram if h in kept]
    if rest:
        out.append((f"{len(rest)} other widths", sum(int(h["blocks"]) for h in rest)))
    return [(f"{name}: {_count(n)}, {share_words(n / total)}", n / total) for name, n in out]


def _stretches(measurements: Mapping[str, Any]) -> list[tuple[str, list[tuple[int, int]]]]:
    """(text, spans) per channel and width that is not the usual one."""
    channels = measurements.get("channels") or ()
    out = []
    for name, channel in zip(channel_names(len(channels)), channels, strict=True):
        by_width: dict[int, list[tuple[int, int]]] = {}
        for s in channel.get("bits_stretches") or ():
            by_width.setdefault(int(s["bits"]), []).append((int(s["start"]), int(s["length"])))
        for bits, spans in sorted(by_width.items()):
            many = count(len(spans), "stretch", "stretches")
            out.append((f"{name}, {width_words(bits)} in use: {many}", spans))
    return out


def bits(measurements: Mapping[str, Any], rate: Fraction | None) -> Picture | None:
    """The picture; None when measurements.json has no histogram of the bits (an older file)."""
    groups = alike(measurements.get("channels") or ())
    frames = int(measurements.get("frames") or 0)
    if not groups or not frames or rate is None:
        return None
    parts, y = [], 0.0
    for names, histogram in groups:
        parts.append(text(names, x="2", y=y + 13, look="group"))
        y += NAME + 3
        for said, share in _rows(histogram):
            parts.append(text(said, x="2", y=y + 11, look="lane-said"))
            y += NAME
            parts.append(field("lane", top=y, height=BAR))
            parts.append(
                f'<rect class="bar" x="0" y="{y:g}" width="{percent(max(share, 0.003))}" height="{BAR}"/>'
            )
            y += BAR + GAP
    lanes = _stretches(measurements)
    if lanes:
        parts.append(text("Where the width differs, over time", x="2", y=y + 15, look="group"))
        y += NAME + 7
        for said, spans in lanes[:LANES_MAX]:
            parts.append(text(said, x="2", y=y + 11, look="lane-said"))
            y += NAME
            touched = cells(spans, frames=frames, columns=PIECES)
            d = "".join(f"M{i} 0h1v{LANE}h-1z" for i, n in enumerate(touched) if n)
            parts.append(field("lane", top=y, height=LANE))
            drawn = f'<path class="bar" d="{d}"/>'
            parts.append(stretched(drawn, top=y, height=LANE, units=(PIECES, LANE)))
            y += LANE + GAP
        parts.append(time_axis(float(frames / rate), y - GAP))
        y += AXIS - GAP
    words = _words(measurements, groups, lanes, rate)
    svg = frame(parts, height=y + 4, title="Bits in use", description=words, prefix="bits")
    return Picture(svg=svg, words=words)


def _words(
    measurements: Mapping[str, Any],
    groups: Sequence[tuple[str, Histogram]],
    lanes: Sequence[tuple[str, list[tuple[int, int]]]],
    rate: Fraction,
) -> str:
    info = measurements.get("bits") or {}
    seconds = int(info.get("block_frames") or 0) / float(rate)
    said = [f"Counted in blocks of {seconds:.0f} seconds." if seconds else ""]
    for names, histogram in groups:
        said.append(f"{names}: " + "; ".join(row for row, _ in _rows(histogram)) + ".")
    if lanes:
        said.append("The width changes: " + "; ".join(row for row, _ in lanes[:LANES_MAX]) + ".")
        if len(lanes) > LANES_MAX:
            said.append(f"{len(lanes) - LANES_MAX} more are in the measurements.")
    else:
        said.append("No stretch has another width than the usual one.")
    return " ".join(s for s in said if s)
