"""All damage detectors in one analyser: one look at the stream, one list of events, the summary figures.

What each detector defines and cannot tell stands in its own module: bits, clipping, runs, clicks,
interleave, periodic. Here their findings are put together:

    one dropout, one event   a run of held or muted samples stands for what the interleave grid shows of
                             the same kind around it; clicks at the edges of other events and inside
                             concealed stretches are theirs, and are counted as absorbed
    the cap                  at most max_events events are kept, the rarer and more certain kinds first
                             (ORDER); what is left out is counted
    repetition               of mutes, holds, interpolations and clicks (measure/periodic.py)

'unlock' is never given: samples cannot show that a decoder lost the picture, only that it muted or held.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from provpack.errors import Bug
from provpack.measure.bits import BitsDetector, BitsResult
from provpack.measure.block import Block
from provpack.measure.clicks import ClicksDetector, bends
from provpack.measure.clipping import ChannelClipping, ClippingDetector
from provpack.measure.damage_segments import MARGIN, SEGMENT, Event, EventType, Segment, Segmenter
from provpack.measure.interleave import MARKS, InterleaveDetector, MarkResult
from provpack.measure.pcm import PcmLayout, check_layout
from provpack.measure.periodic import Periodicity, periodicity
from provpack.measure.runs import RunsDetector, RunsSummary

MAX_EVENTS = 5000
EDGE = 12  # frames beside another event in which a click is that event's edge
ORDER: tuple[EventType, ...] = (
    "mute",
    "hold",
    "other",
    "interpolation",
    "clipped_run",
    "click",
    "digital_silence",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """The whole file.

    events: in order of start, types as detected_event_type of schemas/fields.schema.json; left_out: how many
    more were found. counts: (type, found), left out ones not included. absorbed_clicks: clicks that belong to
    another event. top_code, bottom_code, word_length_declared: what clipping was looked for at. marks: what
    the interleave grid could and could not show. repetition: best first. strongest_click: None without one.
    """

    frames: int
    events: tuple[Event, ...]
    left_out: int
    counts: tuple[tuple[EventType, int], ...]
    absorbed_clicks: int
    bits: BitsResult
    top_code: int
    bottom_code: int
    word_length_declared: bool
    clipping: tuple[ChannelClipping, ...]
    runs: RunsSummary
    marks: tuple[MarkResult, ...]
    strongest_click: float | None
    repetition: tuple[Periodicity, ...]


class DamageAnalyser:
    """measure.block Analyser. rate: exact sampling frequency, None = unknown (then 10 s are counted at
    44 100 Hz). declared_bits: recorded word length, None = unknown (then clipping is looked for at the
    container's own limits). line_standard: as in the record (525_5994, 525_60, 625_50), None or anything
    else = unknown (then both field lengths are tried)."""

    def __init__(
        self,
        *,
        layout: PcmLayout,
        rate: Fraction | None,
        frames: int,
        declared_bits: int | None = None,
        line_standard: str | None = None,
        max_events: int = MAX_EVENTS,
    ) -> None:
        check_layout(layout)
        self._expected = frames
        self._seen = 0
        self._line_standard = line_standard
        self._max_events = max_events
        bits = 8 * layout.container_bytes
        step = 1 << (bits - min(declared_bits, bits)) if declared_bits else None
        self._bits = BitsDetector(layout=layout, rate=rate, declared_bits=declared_bits)
        self._clipping = ClippingDetector(layout=layout, declared_bits=declared_bits, cap=max_events)
        self._runs = RunsDetector(layout=layout, cap=max_events)
        self._clicks = ClicksDetector(layout=layout, cap=max_events)
        self._grid = InterleaveDetector(layout=layout, cap=max_events)
        self._room = np.empty((2, layout.channels, SEGMENT + 2 * MARGIN), dtype=np.float32)
        self._segments = Segmenter(layout, step, self._scan)

    def take(self, block: Block) -> None:
        """Look at the next block."""
        self._seen += block.frames
        self._segments.take(block)

    def _scan(self, seg: Segment) -> None:
        self._bits.scan(seg)
        self._clipping.scan(seg)
        self._runs.scan(seg)
        signed, bend = bends(seg, self._room)
        self._clicks.scan(seg, bend)
        self._grid.scan(seg, signed, bend)

    def finish(self) -> Damage:
        """The result. Raises Bug when frames are missing: partial figures are never given."""
        if self._seen != self._expected:
            raise Bug(
                "damage-incomplete",
                f"Analysed {self._seen} of {self._expected} frames.",
                where="measure/damage",
                todo="Report this: an analysis missed part of the audio.",
            )
        self._segments.finish()
        bits, clipping, runs = self._bits.finish(), self._clipping.finish(), self._runs.finish()
        clicks, grid = self._clicks.finish(), self._grid.finish()
        others = [*bits.events, *clipping.events, *runs.events]
        for kind in MARKS:
            long = [e for e in runs.events if e.type == kind]
            others += _apart([e for e in grid.events if e.type == kind], long, 0)
        own_clicks = _apart(clicks.events, [e for e in others if e.type != "other"], EDGE)
        found = sorted(
            [*others, *own_clicks],
            key=lambda e: (ORDER.index(e.type), e.start, -1 if e.channel is None else e.channel),
        )
        kept = found[: self._max_events]
        counts = Counter(e.type for e in found)
        hurt = [e.start for e in kept if e.type in ("mute", "hold", "interpolation", "click")]
        return Damage(
            frames=self._seen,
            events=tuple(sorted(kept, key=lambda e: (e.start, ORDER.index(e.type)))),
            left_out=len(found)
            - len(kept)
            + sum(part.left_out for part in (bits, clipping, runs, clicks, grid)),
            counts=tuple((kind, counts[kind]) for kind in ORDER),
            absorbed_clicks=len(clicks.events) - len(own_clicks),
            bits=bits,
            top_code=clipping.top_code,
            bottom_code=clipping.bottom_code,
            word_length_declared=clipping.declared,
            clipping=clipping.channels,
            runs=runs.summary,
            marks=grid.marks,
            strongest_click=clicks.strongest,
            repetition=periodicity(hurt, self._line_standard),
        )


def _apart(events: Iterable[Event], others: Iterable[Event], margin: int) -> list[Event]:
    """The events that keep at least `margin` frames from all others."""
    spans: list[tuple[int, int]] = []
    for start, stop in sorted((e.start - margin, e.stop + margin) for e in others):
        if spans and start <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(stop, spans[-1][1]))
        else:
            spans.append((start, stop))
    starts, stops = [a for a, _ in spans], [b for _, b in spans]
    # Apart: as many spans begin before the event ends as have ended when it starts.
    return [e for e in events if bisect_left(starts, e.stop) == bisect_right(stops, e.start)]
