"""Where what was logged during a pass lies in its file: event times to frames, changes to stretches.

An event's distance from the first sample is its clock time less the time of that sample; both are read from
clocks, so a frame found this way is as good as what starts_at rests on, and `how` says what that is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from fractions import Fraction
from typing import Any, Final

from provpack.model.formats import read_date_time
from provpack.model.rates import format_rate, seconds_to_frames
from provpack.package.benchstate import Attached, LoggedEvent, Pass

RESTS_ON: Final[Mapping[str, str]] = {
    "modified_time": "when the file was last changed, less its length",
    "bext": "the origination time in its bext chunk",
    "stated": "as a person stated it",
    "pass_start": "taken to be the start of the pass",
}
"""Attached.starts_from in words."""
BEFORE: Final = "before the file begins"
AFTER: Final = "after the file ends"
NOT_PLACED: Final = "its place in the file is not known"
EMPHASIS: Final[Mapping[str, str]] = {"emphasis_on": "on", "emphasis_off": "off"}
MODES: Final[Mapping[str, str]] = {"mode_14": "14", "mode_16": "16"}
"""Types of events that begin a stretch, and the state they begin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """An event with its frame in the file; frame None and why in words when it lies in none. nearest: the
    frame for an event outside the file as well (below 0 = before it), None when nothing can be said."""

    event: LoggedEvent
    frame: int | None
    nearest: int | None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StateRange:
    """Frames start to end (the first after) of one state. lines: of the log that it rests on.

    emphasis: on, off, unknown. mode: 14, 16, unknown; None when no change of mode was logged.
    """

    start: int
    end: int
    emphasis: str
    mode: str | None
    lines: tuple[int, ...]


def pass_that_counts(passes: Iterable[Pass]) -> Pass | None:
    """The pass whose file is the transfer's: the last accepted one with a file; while none is accepted, the
    last with a file that is not to be made again. None when there is none, or only running ones."""
    done = [p for p in passes if p.attached is not None and not p.running and p.verdict != "redo"]
    accepted = [p for p in done if p.verdict == "accepted"]
    return max(accepted or done, key=lambda p: p.number, default=None)


def seconds_between(earlier: str, later: str) -> Fraction | None:
    """Exact seconds from one moment to another (ISO 8601 with offset), negative when it lies before."""
    one, two = read_date_time(earlier), read_date_time(later)
    if one is None or two is None:
        return None
    return Fraction((two - one) // timedelta(microseconds=1), 1_000_000)


def frame_at(happened_at: str, starts_at: str | None, rate: Fraction | None) -> int | None:
    """The frame nearest to a moment, counted from the first sample at starts_at; rate: exact, Hz.

    Negative before the file. None when one of the three is not known.
    """
    if starts_at is None or rate is None:
        return None
    offset = seconds_between(starts_at, happened_at)
    return None if offset is None else seconds_to_frames(offset, rate)


def place_events(events: Sequence[LoggedEvent], file: Attached, rate: Fraction | None) -> tuple[Placed, ...]:
    """The events of a pass in its file, in the order they happened. rate: exact, Hz; None = not known."""
    return tuple(_place(event, file, rate) for event in in_order(events))


def in_order(events: Iterable[LoggedEvent]) -> list[LoggedEvent]:
    """By when they happened; those without a readable time keep their place in the log, at the end."""

    def key(event: LoggedEvent) -> tuple[bool, float, int]:
        moment = read_date_time(event.at)
        return moment is None, moment.timestamp() if moment else 0.0, event.n

    return sorted(events, key=key)


def _place(event: LoggedEvent, file: Attached, rate: Fraction | None) -> Placed:
    frame = frame_at(event.at, file.starts_at, rate)
    if frame is not None and frame < 0:
        return Placed(event=event, frame=None, nearest=frame, why=BEFORE)
    if frame is None or file.frames is None:
        return Placed(event=event, frame=None, nearest=None, why=NOT_PLACED)
    if frame >= file.frames:
        return Placed(event=event, frame=None, nearest=frame, why=AFTER)
    return Placed(event=event, frame=frame, nearest=frame)


def how_placed(event: LoggedEvent, file: Attached, rate: Fraction) -> str:
    """How a frame was found, for `derived[]`."""
    basis = RESTS_ON.get(file.starts_from, file.starts_from)
    return (
        f"{event.at} less {file.starts_at} (first sample: {basis}) x {format_rate(rate)}, "
        "rounded to the nearest frame"
    )


def state_ranges(
    placed: Sequence[Placed], frames: int | None, settings: Mapping[str, Any], started: int
) -> tuple[StateRange, ...]:
    """Stretches of one state over 0..frames, from the changes logged; () when none lies inside or before.

    Before the first change the settings confirmed at the start of the pass (line `started`) say the state
    where they decide it, else it is unknown: a lamp that goes out does not say that it was lit throughout.
    """
    changes = [
        p
        for p in placed
        if p.nearest is not None and p.event.type in {**EMPHASIS, **MODES} and p.why != AFTER
    ]
    if not changes or not frames:
        return ()
    emphasis = str(settings.get("emphasis_indicator"))
    emphasis = emphasis if emphasis in EMPHASIS.values() else "unknown"
    mode: str | None = None
    if any(p.event.type in MODES for p in changes):
        said = str(settings.get("decoder_mode"))
        mode = said if said in MODES.values() else "unknown"
    ranges: list[StateRange] = []
    at, lines = 0, [started]
    for change in changes:
        here = max(0, change.nearest or 0)
        if here > at:
            _extend(ranges, StateRange(start=at, end=here, emphasis=emphasis, mode=mode, lines=tuple(lines)))
            at, lines = here, []
        emphasis = EMPHASIS.get(change.event.type, emphasis)
        mode = MODES.get(change.event.type, mode)
        lines.append(change.event.n)
    _extend(ranges, StateRange(start=at, end=frames, emphasis=emphasis, mode=mode, lines=tuple(lines)))
    return tuple(ranges)


def _extend(ranges: list[StateRange], more: StateRange) -> None:
    """Add a stretch; one of the same state as the last makes that longer."""
    last = ranges[-1] if ranges else None
    if last is not None and (last.emphasis, last.mode) == (more.emphasis, more.mode):
        ranges[-1] = StateRange(
            start=last.start,
            end=more.end,
            emphasis=last.emphasis,
            mode=last.mode,
            lines=(*last.lines, *more.lines),
        )
    else:
        ranges.append(more)
