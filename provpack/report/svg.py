"""The overview picture of a transfer, as inline SVG text.

The envelope (smallest and largest code of each bin, per channel) is drawn as one filled path per channel;
ranges and events lie over it. Every kind of range has its own hatching and every kind of event its own
letter, so that nothing is said by colour alone (WCAG 2.2, 1.4.1 and 1.4.11). Times are frames divided by
the exact sampling frequency, never by the rounded figure in the file header.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from html import escape
from typing import Any, Literal

RangeKind = Literal["silence", "emphasis_on", "emphasis_off", "emphasis_unknown", "suspect"]

UNITS = 1000  # horizontal units of one channel's outline
LANE = 120  # height of one channel, px
GAP = 14
BAND = 20  # height of the band with the states of the recording, px
AXIS = 30
STRIP = 20  # room for the numbers of the events
COLUMNS = 1200
MARKS_MAX = 200
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
    """A point in time: frame, and the text a reader gets for it."""

    frame: int
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Wave:
    """What the picture shows. bins[b][c] is (smallest, largest) code of channel c in bin b; full_scale is
    the magnitude of the lowest code (32768 for 16 bits)."""

    frames: int
    rate: Fraction
    frames_per_bin: int
    bins: Sequence[Sequence[tuple[float, float]]]
    full_scale: float
    channel_names: Sequence[str]
    ranges: Sequence[Range] = ()
    marks: Sequence[Mark] = ()


def clock(seconds: Fraction | float) -> str:
    """A time as h:mm:ss, rounded down: 800 -> 0:13:20."""
    whole = max(0, int(seconds))
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def fold(bins: Sequence[Sequence[tuple[float, float]]], group: int) -> list[list[tuple[float, float]]]:
    """`group` neighbouring bins as one, keeping the extremes; shape [column][channel]."""
    return [
        [
            (min(p[0] for p in lane), max(p[1] for p in lane))
            for lane in zip(*bins[i : i + group], strict=True)
        ]
        for i in range(0, len(bins), group)
    ]


def _tick_step(seconds: float) -> int:
    """Whole seconds between time marks, so that no more than 9 fit."""
    for step in (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400):
        if seconds / step < 9:
            return step
    return 36000


def _percent(part: float) -> str:
    """A part of the whole width, 0 to 1, as an SVG length."""
    return f"{100 * max(0.0, min(1.0, part)):.3f}%"


def _outline(columns: Sequence[tuple[float, float]], share: float, full_scale: float) -> str:
    """One channel in a box of UNITS x LANE: along the maxima, back along the minima. share is the part of
    the width one column takes."""
    half = LANE / 2 - 2

    def y(code: float) -> float:
        return LANE / 2 - max(-1.0, min(1.0, code / full_scale)) * half

    edges = [min(float(UNITS), i * share * UNITS) for i in range(len(columns) + 1)]
    there = [f"{edges[i]:.1f},{y(h):.1f} {edges[i + 1]:.1f},{y(h):.1f}" for i, (_, h) in enumerate(columns)]
    back = [
        f"{edges[i + 1]:.1f},{y(low):.1f} {edges[i]:.1f},{y(low):.1f}" for i, (low, _) in enumerate(columns)
    ]
    return "M" + " L".join([*there, *reversed(back)]) + "Z"


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


def swatch(kind: RangeKind, prefix: str = "wave") -> str:
    """A small sample of a hatching, for the key beside the picture."""
    return (
        '<svg class="swatch" width="28" height="16" aria-hidden="true" focusable="false">'
        f'<rect width="28" height="16" class="range-{kind}" fill="url(#{prefix}-{kind})"/></svg>'
    )


def _axis(seconds: float, y: int) -> str:
    """Time marks; every second one steps aside on a narrow screen (class `fine`)."""
    step = _tick_step(seconds)
    out = [f'<line class="axis" x1="0" x2="100%" y1="{y}" y2="{y}"/>']
    for number in range(int(seconds // step) + 1):
        part = number * step / seconds
        anchor = "start" if number == 0 else "end" if part > 0.94 else "middle"
        at, fine = _percent(part), " fine" if number % 2 else ""
        out.append(f'<line class="axis" x1="{at}" x2="{at}" y1="{y}" y2="{y + 6}"/>')
        out.append(
            f'<text class="tick{fine}" x="{at}" y="{y + 22}" '
            f'text-anchor="{anchor}">{clock(number * step)}</text>'
        )
    return "".join(out)


def _marks(wave: Wave, bottom: int) -> str:
    """A line per event; its number too, where there is room. The table below the picture has them all."""
    out: list[str] = []
    last = -1.0
    for number, mark in enumerate(wave.marks[:MARKS_MAX], start=1):
        part = mark.frame / wave.frames
        at = _percent(part)
        out.append(f'<line class="mark" x1="{at}" x2="{at}" y1="{STRIP - 4}" y2="{bottom}"/>')
        if part - last >= NUMBER_ROOM:
            anchor = "end" if part > 0.97 else "start" if part < 0.03 else "middle"
            out.append(
                f'<text class="mark-number" x="{at}" y="{STRIP - 6}" text-anchor="{anchor}">{number}</text>'
            )
            last = part
    return "".join(out)


def _span(wave: Wave, span: Range, top: int, height: int, prefix: str) -> str:
    """A hatched box over a range of frames."""
    return (
        f'<rect class="range-{span.kind}" x="{_percent(span.start / wave.frames)}" y="{top}" '
        f'width="{_percent(max(0.001, span.length / wave.frames))}" height="{height}" '
        f'fill="url(#{prefix}-{span.kind})"/>'
    )


def _state_word(wave: Wave, span: Range, top: int) -> str:
    """The state in a word, where the range is wide enough even on a small screen."""
    if span.length / wave.frames < 0.25:
        return ""
    at = _percent((span.start + span.length / 2) / wave.frames)
    return f'<text class="state" x="{at}" y="{top + 15}" text-anchor="middle">{STATES[span.kind]}</text>'


def waveform(wave: Wave, *, title: str, description: str, prefix: str = "wave") -> str:
    """The picture as an `<svg>` element, as wide as its place and of fixed height.

    title and description are its text alternative; both are escaped. An empty envelope gives an empty
    string: there is nothing to draw.
    """
    if wave.frames <= 0 or not wave.bins or not wave.bins[0]:
        return ""
    group = -(-len(wave.bins) // COLUMNS)
    columns = fold(wave.bins, group)
    share = group * wave.frames_per_bin / wave.frames
    lanes = len(columns[0])
    bottom = STRIP + lanes * LANE + (lanes - 1) * GAP
    height = bottom + AXIS + (BAND + 8 if any(span.kind in STATES for span in wave.ranges) else 0)
    parts = [
        f'<svg class="wave" width="100%" height="{height}" role="img" '
        f'aria-labelledby="{prefix}-title {prefix}-desc">',
        f'<title id="{prefix}-title">{escape(title)}</title><desc '
        f'id="{prefix}-desc">{escape(description)}</desc>',
        f"<defs>{_patterns(prefix)}</defs>",
    ]
    for lane in range(lanes):
        top = STRIP + lane * (LANE + GAP)
        outline = _outline([c[lane] for c in columns], share, wave.full_scale)
        parts.append(
            f'<rect class="lane" x="0" y="{top}" width="100%" height="{LANE}"/>'
            f'<line class="zero" x1="0" x2="100%" y1="{top + LANE / 2}" y2="{top + LANE / 2}"/>'
            f'<svg x="0" y="{top}" width="100%" height="{LANE}" viewBox="0 0 {UNITS} {LANE}" '
            f'preserveAspectRatio="none"><path class="envelope" d="{outline}"/></svg>'
        )
    states = [span for span in wave.ranges if span.kind in STATES]
    parts.extend(
        _span(wave, span, STRIP, bottom - STRIP, prefix) for span in wave.ranges if span.kind not in STATES
    )
    if states:
        parts.extend(_span(wave, span, bottom + 4, BAND, prefix) for span in states)
        parts.extend(_state_word(wave, span, bottom + 4) for span in states)
    parts.append(_marks(wave, bottom))
    for lane, name in enumerate(wave.channel_names[:lanes]):
        parts.append(
            f'<text class="lane-name" x="6" y="{STRIP + lane * (LANE + GAP) + 15}">{escape(name)}</text>'
        )
    parts.append(_axis(float(wave.frames / wave.rate), bottom + (BAND + 8 if states else 0)))
    parts.append("</svg>")
    return "".join(parts)


def wave_of(
    measurements: Mapping[str, Any],
    *,
    container_bits: int = 16,
    ranges: Iterable[Range] = (),
    marks: Iterable[Mark] = (),
) -> Wave | None:
    """A Wave from measurements.json; None when it has no usable envelope."""
    envelope = measurements.get("envelope") or {}
    rate = measurements.get("sampling_frequency") or {}
    bins = envelope.get("bins") or []
    frames = measurements.get("frames") or 0
    if not bins or not frames or not rate.get("num"):
        return None
    channels = len(bins[0]) // 2
    names = ("left", "right") if channels == 2 else tuple(f"channel {n + 1}" for n in range(channels))
    return Wave(
        frames=frames,
        rate=Fraction(rate["num"], rate.get("den", 1)),
        frames_per_bin=envelope["frames_per_bin"],
        bins=[[(float(low), float(high)) for low, high in zip(b[::2], b[1::2], strict=True)] for b in bins],
        full_scale=float(1 << (container_bits - 1)),
        channel_names=names,
        ranges=tuple(ranges),
        marks=tuple(marks),
    )
