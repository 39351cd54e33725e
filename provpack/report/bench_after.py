"""What the page after a pass draws: the sound with the log and what the program found on one time line, and
what was declared beside what was measured. As the report of a package draws it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from provpack.package.readfirst_words import exact_rate
from provpack.report.html_view import events
from provpack.report.picture_wave import RangeKind, is_crowded, mark_swatch, range_swatch, waveform
from provpack.report.sound_compare import compared
from provpack.report.wave_view import wave, wave_words

KEY: Final[tuple[tuple[RangeKind, str], ...]] = (
    ("silence", "digital silence (measured)"),
    ("suspect", "damage found by the program (measured)"),
    ("emphasis_on", "pre-emphasis on (declared)"),
    ("emphasis_off", "pre-emphasis off (declared)"),
    ("emphasis_unknown", "pre-emphasis not known"),
)
NOTHING: Final[Mapping[str, Any]] = {
    "svg": "", "words": "", "key": (), "numbered": False, "events": (), "compared": ()
}  # fmt: skip


def after_parts(view: Mapping[str, Any]) -> dict[str, Any]:
    """{svg, words, key, numbered, events, compared} of a view's `picture`. svg and the drawings of the key
    are SVG text that escapes for itself; it has no inline style."""
    given = view["picture"]
    if given is None:
        return dict(NOTHING)
    record, measurements = given["record"], given["measurements"]
    picture = wave(record, measurements)
    listed = events(record, exact_rate(record))
    for one, name in zip(listed, _types(record), strict=False):
        one["what"] = given["words"].get(name, one["what"])
    rows = compared(record, measurements)
    if picture is None:
        return {**NOTHING, "events": listed, "compared": rows}
    words = wave_words(picture, record, measurements)
    numbered = bool(picture.marks) and not is_crowded(picture)
    kinds = {span.kind for span in picture.ranges}
    key = [(range_swatch(kind), meaning) for kind, meaning in KEY if kind in kinds]
    if numbered:
        signs = {mark.by_program for mark in picture.marks}
        key += [
            (mark_swatch(by_program=by), "found by a program" if by else "logged by a person")
            for by in sorted(signs)
        ]
    return {
        "svg": waveform(picture, title="Level over time", description=words),
        "words": words,
        "key": key,
        "numbered": numbered,
        "events": listed,
        "compared": rows,
    }


def _types(record: Mapping[str, Any]) -> list[str]:
    """Types in the order in which `events` lists them: those with a place first."""
    listed = (record.get("processing") or {}).get("transfer_events") or []
    there = [e for e in listed if isinstance(e.get("frame"), int)]
    return [str(e.get("type")) for e in [*there, *(e for e in listed if e not in there)]]
