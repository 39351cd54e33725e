"""Damage in words and tables: counts per kind, repetition with the picture, what could not be looked for."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from provpack.package.figures import count, found_words, listed, number
from provpack.report.sound_parts import (
    Json,
    Part,
    Sheet,
    figure,
    length,
    sentences,
    share,
    where,
)

# type -> (what it is called, what it is)
KINDS: Mapping[str, tuple[str, str]] = {
    "mute": ("Mute", "the sound is cut to zero in mid-programme"),
    "hold": ("Held value", "one value stands still where the sound should move"),
    "interpolation": ("Interpolated samples", "single samples replaced by the mean of their neighbours"),
    "click": ("Click", "a place that stands out of the sound around it; to be listened to"),
    "clipped_run": ("Clipped run", "three or more samples at the outermost code"),
    "other": ("Other word length", "a stretch with more or fewer bits in use than the rest"),
    "unlock": ("Lost lock", "the decoder lost the picture"),
    "digital_silence": ("Digital silence", "zeros that the sound begins or ends with, or fades into"),
}
MARKS: Mapping[str, str] = {
    "interpolation": "interpolated samples",
    "hold": "single held samples",
    "mute": "single muted samples",
}
PATTERNS: Mapping[str, str] = {
    "one_head": "Damage comes back every {period} frames, once per picture frame: as when one of the two "
    "video heads "
    "is bad, dirty or worn. Have the heads looked at by someone qualified before the next pass.",
    "every_field": "Damage comes back every {period} frames, in every picture field: as when both heads, "
    "the tape path "
    "or the tracking are at fault. A disturbance locked to the mains can look the same.",
    "none": "Damage does not come back with fields of {field} frames ({lines}).",
    "too_few_events": "There are too few events to tell whether damage comes back with fields of {field} "
    "frames "
    "({lines}).",
}
LINES = {735: "525 lines", 882: "625 lines"}


def damage_part(measurements: Json, rate: Fraction | None) -> Part | None:
    """None for a file before schema 1.1: then nobody looked, and the page says so elsewhere."""
    events = measurements.get("events")
    if not isinstance(events, Mapping):
        return None
    counts = events.get("counts") or {}
    listed_events = events.get("listed") or ()
    lines = []
    for kind, (name, meaning) in KINDS.items():
        if kind not in counts:
            continue
        own = [e for e in listed_events if e.get("type") == kind]
        many = int(counts[kind])
        first = where(int(own[0]["start"]), rate) if own else "–"
        longest = length(max(int(e["length"]) for e in own), rate) if own else "–"
        lines.append((name, number(many) if many else "none", first, longest, meaning))
    left_out = int(events.get("left_out") or 0)
    absorbed = int(events.get("absorbed_clicks") or 0)
    strongest = events.get("strongest_click")
    sheets = [
        Sheet(
            caption="What was found, by kind",
            columns=("Kind", "Found", "First", "Longest", "What it is"),
            lines=tuple(lines),
        )
    ]
    marks = _marks(measurements, rate)
    if marks:
        sheets.append(marks)
    return Part(
        ident="damage",
        title="Damage",
        said=sentences(
            [
                _summary(counts),
                _left_out(left_out),
                *_repetition(measurements),
                f"The strongest click stands {figure(strongest, '', 0)} times over the sound around it."
                if strongest and counts.get("click")
                else "",
                f"{count(absorbed, 'click', 'clicks')} at the edge of other damage: not counted as such."
                if absorbed
                else "",
                _ends(measurements, rate),
                "The single places are listed under “Where the statements come from”."
                if listed_events
                else "",
            ]
        ),
        sheets=tuple(sheets),
        limits=sentences([*_not_looked_for(measurements), _unseen()]),
    )


def _left_out(many: int) -> str:
    """Events beyond the list are the later ones of their kind (measure/damage.py): the picture must not look
    as if damage had ended there."""
    if not many:
        return ""
    return (
        f"There is more than can be listed: {count(many, 'further event', 'further events')}. The list keeps "
        "the first of each kind, so later parts of the picture may look better than they are."
    )


def _summary(counts: Json) -> str:
    found = found_words(counts)
    return (
        f"The program found {found}." if found else "The program found no damage of the kinds it looks for."
    )


def _repetition(measurements: Json) -> list[str]:
    out = []
    for r in measurements.get("repetition") or ():
        if r.get("pattern") == "too_few_events" and not r.get("places"):
            continue  # no damage at all: nothing to come back
        field = int(r.get("field_frames") or 0)
        said = PATTERNS.get(str(r.get("pattern")), "").format(
            period=number(int(r.get("period") or 0)), field=number(field), lines=LINES.get(field, "fields")
        )
        if r.get("pattern") in ("one_head", "every_field"):
            said += (
                f" {share(float(r.get('score') or 0))} of the {number(int(r.get('lags') or 0))} distances "
                f"between places "
                f"of damage fit; chance would give {share(float(r.get('chance') or 0))}."
            )
        out.append(said)
    return out


def _ends(measurements: Json, rate: Fraction | None) -> str:
    runs = measurements.get("runs") or {}
    said = []
    if runs.get("leader"):
        said.append(f"begins with {length(int(runs['leader']), rate)}")
    if runs.get("trailer"):
        said.append(f"ends with {length(int(runs['trailer']), rate)}")
    return f"The file {' and '.join(said)} of digital silence." if said else ""


def _marks(measurements: Json, rate: Fraction | None) -> Sheet | None:
    frames = int(measurements.get("frames") or 0)
    verdicts = {
        "found": "found",
        "none_found": "looked for, none found",
        "not_applicable_here": "not applicable here: could not be looked for",
    }
    lines = []
    for mark in measurements.get("marks") or ():
        able = int(mark.get("applicable_frames") or 0)
        lines.append(
            (
                MARKS.get(str(mark.get("mark")), str(mark.get("mark"))),
                verdicts.get(str(mark.get("verdict")), str(mark.get("verdict"))),
                f"{share(able / frames)} of the file" if frames and able else "nowhere",
            )
        )
    if not lines:
        return None
    return Sheet(
        caption="Concealed samples on the interleave grid of the recording",
        columns=("Mark", "Result", "Where the sound allows looking"),
        lines=tuple(lines),
    )


def _not_looked_for(measurements: Json) -> list[str]:
    marks = measurements.get("marks") or ()
    blind = [
        MARKS.get(str(m["mark"]), str(m["mark"])) for m in marks if m.get("verdict") == "not_applicable_here"
    ]
    out = []
    if blind:
        out.append(
            f"Could not be looked for: {listed(blind)}. The sound itself is full of such samples (dull, "
            f"quiet or "
            "silent), or the file has not two channels; that none are listed does not mean that there are "
            "none."
        )
    if "unlock" not in ((measurements.get("events") or {}).get("counts") or {}):
        out.append("Lost lock of the decoder was not looked for: samples cannot show it.")
    return out


def _unseen() -> str:
    return (
        "Errors that the decoder corrected leave no trace in the sound, and damage that was well concealed "
        "may not "
        "either. Nothing was repaired."
    )
