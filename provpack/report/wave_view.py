"""The overview picture's values, and its text alternative, from record and measurements."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from provpack.package.figures import found_words, number
from provpack.package.readfirst_words import section
from provpack.report.html_values import Json, entries, position, span
from provpack.report.picture_lanes import lanes_of
from provpack.report.picture_wave import LANES_MAX, Mark, Range, RangeKind, Wave, wave_of
from provpack.report.sound_parts import figure

RANGES_MAX = 300
STATE_RANGE: Mapping[str, RangeKind] = {
    "on": "emphasis_on",
    "off": "emphasis_off",
    "unknown": "emphasis_unknown",
}


def placed_events(record: Json) -> list[Json]:
    """Events that have a place in the audio, in order: the numbers in the picture."""
    return [e for e in entries(record, "processing/transfer_events") if isinstance(e.get("frame"), int)]


def _ranges(record: Json, measurements: Mapping[str, Any]) -> list[Range]:
    silence = measurements.get("digital_silence") or entries(record, "measured/digital_silence")
    longest = sorted(silence, key=lambda r: -int(r["length"]))[:RANGES_MAX]
    found = [Range(kind="silence", start=int(r["start"]), length=int(r["length"])) for r in longest]
    if "events" not in measurements:  # schema 1.0: what is known of damage stands in the record alone
        events = [
            e for e in entries(record, "measured/events_detected") if e.get("type") != "digital_silence"
        ]
        found += [Range(kind="suspect", start=e["start"], length=e["length"]) for e in events[:RANGES_MAX]]
    for state in entries(record, "signal/signal_state_ranges")[:RANGES_MAX]:
        kind = STATE_RANGE.get(str(state.get("emphasis")), "emphasis_unknown")
        found.append(Range(kind=kind, start=state["start"], length=state["end"] - state["start"]))
    return found


def wave(record: Json, measurements: Mapping[str, Any] | None) -> Wave | None:
    """The picture's values; None when nothing was measured."""
    if not measurements:
        return None
    marks = [
        Mark(frame=e["frame"], label=str(e.get("type")), by_program=e.get("origin") == "measured")
        for e in placed_events(record)
    ]
    return wave_of(
        measurements,
        container_bits=int(section(record, "measured").get("container_bits") or 16),
        ranges=_ranges(record, measurements),
        marks=marks,
        lanes=lanes_of(measurements),
    )


def wave_words(picture: Wave, record: Json, measurements: Mapping[str, Any] | None) -> str:
    """The text alternative of the picture."""
    names, measured = picture.channel_names, section(record, "measured")
    many = "channel" if len(names) == 1 else "channels"
    parts = [f"Level of {len(names)} {many} over {span(picture.frames / picture.rate)}."]
    if len(names) > LANES_MAX:
        parts.append(f"Only the first {LANES_MAX} are drawn.")
    for name, peak in zip(names, measured.get("peak_dbfs") or (), strict=False):
        parts.append(f"Peak {name}: {figure(peak, 'dBFS', none='digital silence')}.")
    parts.append(_silence_words(picture, measured))
    parts.append(_damage_words(measured, measurements or {}))
    parts.append(f"Events noted: {len(picture.marks)}.")
    return " ".join(parts)


def _silence_words(picture: Wave, measured: Json) -> str:
    silence = [r for r in picture.ranges if r.kind == "silence"]
    if not silence:
        return "No digital silence."
    longest = max(silence, key=lambda r: r.length)
    count = max(len(silence), len(measured.get("digital_silence") or ()))
    many = "stretch" if count == 1 else "stretches"
    return (
        f"Digital silence: {count} {many}, the longest {float(longest.length / picture.rate):.1f} "
        f"seconds at {position(longest.start, picture.rate)}."
    )


def _damage_words(measured: Json, measurements: Mapping[str, Any]) -> str:
    events = measurements.get("events")
    if events:
        found = found_words(events.get("counts") or {})
        left_out = int(events.get("left_out") or 0)
        said = f"Found by the program: {found or 'no damage'}."
        return said + (
            f" There is more than can be drawn: {number(left_out)} further events." if left_out else ""
        )
    if measured.get("events_detected") is None:
        return "No program has looked for damage."
    count = sum(e.get("type") != "digital_silence" for e in measured["events_detected"])
    return f"Places where a program found damage: {count}."
