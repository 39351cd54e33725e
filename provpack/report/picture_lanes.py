"""Lanes under the overview: what the program found, one lane per kind, drawn as density.

A lane is cut into PIECES equal pieces of time; each piece in which events lie is a bar, the higher the more
of them (by the logarithm, so that one event among thousands still shows). Five thousand clicks thus stay as
legible as five, and the picture stays small. An event longer than a piece stands in every piece it touches.
Kinds are told apart by their lane and its name.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from provpack.package.figures import number
from provpack.report.picture_parts import cells, field, short, stretched, text

PIECES = 250
NAME = 15  # height of a lane's name, px
BARS = 20  # height of its bars, px
LEAST = 9  # height of the bar of a single event, px
GAP = 5

# type of measurements.json -> what it is called over its lane, in the order of the lanes
KINDS: Mapping[str, str] = {
    "mute": "Mutes",
    "hold": "Held values",
    "interpolation": "Interpolated samples",
    "click": "Clicks",
    "clipped_run": "Clipped runs",
    "other": "Word length unlike the rest",
    "unlock": "Lost lock",
}
FEWEST = 2  # a bar stands for more than one event from here on


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One kind: key, name, (first frame, frames) of each event listed, how many were found."""

    kind: str
    name: str
    spans: Sequence[tuple[int, int]]
    found: int


def lanes_of(measurements: Mapping[str, Any]) -> list[Lane] | None:
    """The lanes of measurements.json; None when it does not say that anybody looked. Digital silence is
    shown in the sound itself and has no lane."""
    events = measurements.get("events")
    if not isinstance(events, Mapping):
        return None
    listed = events.get("listed") or ()
    out = []
    for kind, name in KINDS.items():
        spans = [(int(e["start"]), int(e["length"])) for e in listed if e.get("type") == kind]
        if spans:
            found = max(len(spans), int((events.get("counts") or {}).get(kind) or 0))
            out.append(Lane(kind=kind, name=name, spans=spans, found=found))
    steps = [h for h in measurements.get("emphasis_hints") or () if isinstance(h.get("frame"), int)]
    if steps:
        spans = [(int(h["frame"]), 1) for h in steps]
        name = "Change like that of pre-emphasis (a hint only)"
        out.append(Lane(kind="hint", name=name, spans=spans, found=len(spans)))
    return out


def bars(spans: Sequence[tuple[int, int]], frames: int) -> tuple[str, int]:
    """The bars of a lane as the d of a path in a box of PIECES x BARS, and the most events in one piece."""
    counts = cells(spans, frames=frames, columns=PIECES)
    most = max(counts, default=0)
    scale = (BARS - LEAST) / math.log(most) if most >= FEWEST else 0.0
    out = []
    for i, count in enumerate(counts):
        if count:
            height = LEAST + scale * math.log(count)
            out.append(f"M{i} {BARS}v-{short(height)}h1v{short(height)}z")
    return "".join(out), most


def piece_words(frames: int, rate: Fraction) -> str:
    """How long a piece is: `43 s`."""
    seconds = float(frames / rate / PIECES)
    return f"{seconds:.0f} s" if seconds >= 10 else f"{seconds:.2g} s"


def _said(lane: Lane, most: int, piece: str) -> str:
    said = f"{lane.name}: {number(lane.found)}"
    if lane.found > len(lane.spans):
        said += f" (drawn: the first {number(len(lane.spans))})"
    return said + (f", up to {most} in {piece}" if most >= FEWEST else "")


def draw_lanes(lanes: Sequence[Lane], *, frames: int, rate: Fraction, top: float) -> tuple[str, float]:
    """All lanes under their heading, and where they end."""
    parts = [text("Found by the program, measured", x="2", y=top + 14, look="group")]
    y = top + NAME + 8
    if not lanes:
        parts.append(text("nothing of the kinds it looks for", x="2", y=y + 11, look="lane-said"))
        return "".join(parts), y + NAME + 2
    for lane in lanes:
        path, most = bars(lane.spans, frames)
        parts.append(text(_said(lane, most, piece_words(frames, rate)), x="2", y=y + 11, look="lane-said"))
        y += NAME
        parts.append(field("lane", top=y, height=BARS))
        drawn = f'<path class="bar bar-{lane.kind}" d="{path}"/>'
        parts.append(stretched(drawn, top=y, height=BARS, units=(PIECES, BARS)))
        y += BARS + GAP
    return "".join(parts), y
