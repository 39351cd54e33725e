"""The overview picture of a transfer: levels, what people said about it, what the program found in it.

The envelope (smallest and largest code of each bin, per channel) is drawn as one filled path per channel.
What people noted stands above it in a lane of its own (numbers as in the table of events), declared
pre-emphasis in a band below it, and what the program found in further lanes under a heading that says so
(picture_lanes.py): declared and measured never share a lane. Every kind of range has its own hatching and
every kind of event its own lane, so that nothing is said by colour alone (WCAG 2.2, 1.4.1 and 1.4.11). Times
are frames divided by the exact sampling frequency, never by the rounded figure in the file header.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

from provpack.package.figures import channel_names
from provpack.report.picture_lanes import BARS, PIECES, Lane, bars, draw_lanes, piece_words
from provpack.report.picture_parts import (
    AXIS,
    UNITS,
    field,
    frame,
    line,
    percent,
    short,
    stretched,
    swatch,
    text,
    time_axis,
)

RangeKind = Literal["silence", "emphasis_on", "emphasis_off", "emphasis_unknown", "suspect"]

LANE = 120  # height of one channel of one or two, px
SPACE = 320  # height for the channels of a file with more of them, px
LANE_LEAST = 26
LANES_MAX = 16
GAP = 14
BAND = 20  # height of the band with the states of the recording, px
LETTER = 8  # room for one letter of a channel's name, px
HEAD = 17  # height of a line of text over a group of lanes, px
STRIP = 24  # room for the signs and numbers of the log
COLUMNS = 1200
MARKS_MAX = 60  # different places of the log that are drawn with a sign
LINES_ACROSS = 40  # with more places the lines would hide the sound: then only the signs above it
NUMBER_ROOM = 0.05  # part of the width one number needs on a small screen


STATES = {
    "emphasis_on": "emphasis on",
    "emphasis_off": "emphasis off",
    "emphasis_unknown": "emphasis unknown",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """A stretch of frames worth showing: start and length in frames."""

    kind: RangeKind
    start: int
    length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """An entry of the log at a frame. by_program: the log says that a program found it, not a person."""

    frame: int
    label: str
    by_program: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Wave:
    """What the picture shows. bins[b][c] is (smallest, largest) code of channel c in bin b; full_scale is
    the magnitude of the lowest code (32768 for 16 bits). lanes: what the program found; None = it was not
    asked to look (then there are no lanes, which is not the same as nothing found)."""

    frames: int
    rate: Fraction
    frames_per_bin: int
    bins: Sequence[Sequence[tuple[float, float]]]
    full_scale: float
    channel_names: Sequence[str]
    ranges: Sequence[Range] = ()
    marks: Sequence[Mark] = ()
    lanes: Sequence[Lane] | None = None


def fold(bins: Sequence[Sequence[tuple[float, float]]], group: int) -> list[list[tuple[float, float]]]:
    """`group` neighbouring bins as one, keeping the extremes; shape [column][channel]."""
    return [
        [
            (min(p[0] for p in lane), max(p[1] for p in lane))
            for lane in zip(*bins[i : i + group], strict=True)
        ]
        for i in range(0, len(bins), group)
    ]


def _outline(columns: Sequence[tuple[float, float]], share: float, full_scale: float, height: float) -> str:
    """One channel in a box of UNITS x height: along the maxima, back along the minima. share is the part of
    the width one column takes. At least half a pixel thick, so that silence is a line and not nothing."""
    half = height / 2 - 2

    def y(code: float) -> float:
        return height / 2 - max(-1.0, min(1.0, code / full_scale)) * half

    edges = [short(min(float(UNITS), i * share * UNITS)) for i in range(len(columns) + 1)]
    middle = [(y(high) + y(low)) / 2 for low, high in columns]
    tops = [short(min(y(high), m - 0.25)) for (_, high), m in zip(columns, middle, strict=True)]
    ends = [short(max(y(low), m + 0.25)) for (low, _), m in zip(columns, middle, strict=True)]
    there = [f"V{top}H{edges[i + 1]}" for i, top in enumerate(tops)]
    back = [f"V{ends[i]}H{edges[i]}" for i in range(len(ends) - 1, -1, -1)]
    return f"M0 {tops[0]}" + "".join([*there, *back]) + "Z"


def _patterns(prefix: str) -> str:
    """Hatchings, one for each kind of range."""
    shapes = {
        "silence": '<path d="M0 4H8"/>',
        "emphasis_on": '<path d="M-2 8L8 -2M0 10L10 0"/>',
        "emphasis_off": '<path d="M4 0V8"/>',
        "emphasis_unknown": '<path d="M3 4h2M4 3v2"/>',
        "suspect": '<path d="M0 0L8 8M8 0L0 8"/>',
    }
    return "".join(
        f'<pattern id="{prefix}-{kind}" width="8" height="8" patternUnits="userSpaceOnUse">'
        f'<g class="ink-{kind}">{shape}</g></pattern>'
        for kind, shape in shapes.items()
    )


def range_swatch(kind: RangeKind, prefix: str = "wave") -> str:
    """A small sample of a hatching, for the key beside the picture."""
    return swatch(f'<rect width="28" height="16" class="range-{kind}" fill="url(#{prefix}-{kind})"/>')


PERSON, PROGRAM = "M-5 0h10l-5 8z", "M0 -1l5 5l-5 5l-5 -5z"


def mark_swatch(*, by_program: bool) -> str:
    """The sign of an entry of the log, for the key."""
    look = "mark-program" if by_program else "mark-person"
    return swatch(
        f'<g transform="translate(14 4)"><path class="{look}" d="{PROGRAM if by_program else PERSON}"/></g>'
    )


def _places(wave: Wave) -> list[tuple[str, bool]]:
    """Where signs of the log stand, as SVG lengths, and whether a program is named there; each once."""
    parts = ((max(0.0, min(1.0, mark.frame / wave.frames)), mark.by_program) for mark in wave.marks)
    return list(dict.fromkeys((percent(round(part, 3)), by_program) for part, by_program in parts))


def is_crowded(wave: Wave) -> bool:
    """Whether the log has too many places for signs and numbers: then it is drawn as bars."""
    return len(_places(wave)) > MARKS_MAX


def _marks(wave: Wave, bottom: float) -> str:
    """The log above the sound: a sign per entry and its number where there is room, and a line through the
    sound when there are few. Entries at one place share a sign; too many of them become bars."""
    places = _places(wave)
    if len(places) > MARKS_MAX:
        return _crowded(wave)
    out = [text("Log, as declared", x="2", y=12, look="group")]
    for at, by_program in places:
        if len(places) <= LINES_ACROSS:
            out.append(line("mark", x=(at, at), y=(HEAD + STRIP, bottom)))
        look, shape = ("mark-program", PROGRAM) if by_program else ("mark-person", PERSON)
        out.append(
            f'<svg x="{at}" y="{HEAD + 14}" width="1" height="1" overflow="visible">'
            f'<path class="{look}" d="{shape}"/></svg>'
        )
    last = -1.0
    for number, mark in enumerate(wave.marks, start=1):
        part = max(0.0, min(1.0, mark.frame / wave.frames))
        if part - last >= NUMBER_ROOM:
            anchor = "end" if part > 0.97 else "start" if part < 0.03 else "middle"
            out.append(text(str(number), x=percent(part), y=HEAD + 11, look="mark-number", anchor=anchor))
            last = part
    return "".join(out)


def _crowded(wave: Wave) -> str:
    """A long log as bars, in the same way as what the program found, but above the sound and under its own
    heading."""
    own = [(m.frame, 1) for m in wave.marks]
    path, most = bars(own, wave.frames)
    by_program = sum(m.by_program for m in wave.marks)
    said = f"Log, as declared: {len(own)} entries"
    said += f", {by_program} of them noted as found by a program" if by_program else ""
    said += f", up to {most} in {piece_words(wave.frames, wave.rate)}"
    return (
        text(said, x="2", y=12, look="group")
        + field("lane", top=HEAD, height=BARS)
        + stretched(f'<path class="bar bar-log" d="{path}"/>', top=HEAD, height=BARS, units=(PIECES, BARS))
    )


def _span(wave: Wave, span: Range, top: float, height: float, prefix: str) -> str:
    """A hatched box over a range of frames."""
    return (
        f'<rect class="range-{span.kind}" x="{percent(span.start / wave.frames)}" y="{short(top)}" '
        f'width="{percent(max(0.001, span.length / wave.frames))}" height="{short(height)}" '
        f'fill="url(#{prefix}-{span.kind})"/>'
    )


def _state_word(wave: Wave, span: Range, top: float) -> str:
    """The state in a word, where the range is wide enough even on a small screen."""
    if span.length / wave.frames < 0.25:
        return ""
    at = percent((span.start + span.length / 2) / wave.frames)
    return text(STATES[span.kind], x=at, y=top + 15, look="state", anchor="middle")


def _channels(wave: Wave, top: float) -> tuple[list[str], list[str], float]:
    """The channels: their drawings, their names (to lie over everything), and where they end."""
    group = -(-len(wave.bins) // COLUMNS)
    columns = fold(wave.bins, group)
    share = group * wave.frames_per_bin / wave.frames
    lanes = min(LANES_MAX, len(columns[0]))
    height = LANE if lanes <= 2 else max(LANE_LEAST, SPACE // lanes)
    gap = GAP if lanes <= 2 else 4
    drawn, names = [], []
    for lane in range(lanes):
        y = top + lane * (height + gap)
        outline = _outline([c[lane] for c in columns], share, wave.full_scale, height)
        drawn.append(field("lane", top=y, height=height))
        drawn.append(line("zero", x=("0", "100%"), y=(y + height / 2, y + height / 2)))
        path = f'<path class="envelope" d="{outline}"/>'
        drawn.append(stretched(path, top=y, height=height, units=(UNITS, height)))
        name = wave.channel_names[lane] if lane < len(wave.channel_names) else f"channel {lane + 1}"
        names.append(
            f'<rect class="plate" x="1" y="{short(y + 1)}" width="{LETTER * len(name) + 10}" height="18"/>'
            + text(name, x="6", y=y + 15, look="lane-name")
        )
    return drawn, names, top + lanes * height + (lanes - 1) * gap


def waveform(wave: Wave, *, title: str, description: str, prefix: str = "wave") -> str:
    """The picture as an `<svg>` element, as wide as its place and of fixed height.

    title and description are its text alternative; both are escaped. An empty envelope gives an empty
    string: there is nothing to draw.
    """
    if wave.frames <= 0 or not wave.bins or not wave.bins[0]:
        return ""
    top = HEAD + STRIP if wave.marks else 4
    drawn, names, bottom = _channels(wave, top)
    parts = [f"<defs>{_patterns(prefix)}</defs>", *drawn]
    states = [span for span in wave.ranges if span.kind in STATES]
    parts.extend(
        _span(wave, span, top, bottom - top, prefix) for span in wave.ranges if span.kind not in STATES
    )
    if wave.marks:
        parts.append(_marks(wave, bottom))
    parts.extend(names)
    parts.append(time_axis(float(wave.frames / wave.rate), bottom))
    y = bottom + AXIS
    if states:
        parts.append(text("Pre-emphasis on the recording, as declared", x="2", y=y + 14, look="group"))
        y += HEAD + 2
        parts.extend(_span(wave, span, y, BAND, prefix) for span in states)
        parts.extend(_state_word(wave, span, y) for span in states)
        y += BAND + 4
    if wave.lanes is not None:
        lanes, below = draw_lanes(wave.lanes, frames=wave.frames, rate=wave.rate, top=y)
        parts.append(lanes)
        y = below
    return frame(parts, height=y, title=title, description=description, prefix=prefix)


def wave_of(
    measurements: Mapping[str, Any],
    *,
    container_bits: int = 16,
    ranges: Iterable[Range] = (),
    marks: Iterable[Mark] = (),
    lanes: Sequence[Lane] | None = None,
) -> Wave | None:
    """A Wave from measurements.json; None when it has no usable envelope."""
    envelope = measurements.get("envelope") or {}
    rate = measurements.get("sampling_frequency") or {}
    bins = envelope.get("bins") or []
    frames = measurements.get("frames") or 0
    if not bins or not frames or not rate.get("num"):
        return None
    return Wave(
        frames=frames,
        rate=Fraction(rate["num"], rate.get("den", 1)),
        frames_per_bin=envelope["frames_per_bin"],
        bins=[[(float(low), float(high)) for low, high in zip(b[::2], b[1::2], strict=True)] for b in bins],
        full_scale=float(1 << (container_bits - 1)),
        channel_names=channel_names(len(bins[0]) // 2),
        ranges=tuple(ranges),
        marks=tuple(marks),
        lanes=lanes,
    )
