"""AES57 condition notes: what was logged and what was measured, each with its place on the timeline.

Every note begins with `logged` or `measured`, so the two are never confused. creationDate is when the note
came to be: the clock time of a logged event where one was written down, else when the record was made;
for what was measured, when it was measured (the schema requires a date). Notes are bounded in number;
the last one says how many are left out and where they stand.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from provpack.package import layout
from provpack.package.audio_object_regions import Stretch, frame_of
from provpack.package.audio_object_terms import el, moment, time_range
from provpack.package.figures import counted
from provpack.package.premis_view import Json, at, rows, spoken
from provpack.xmldoc import Node

NOTES_MAX = 300
"""Notes of one kind (logged events, measured damage, silence, joins, remarks on states) in one document."""
Kind = tuple[str, str]
"""What there are more of: one, several."""
_LONGEST = 1000  # characters of free text in a note; the record holds the whole


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One condition note. start: frame it belongs to; length 0 = a moment. channel: None = all of them.
    timed: False when its place lies outside the audio, or it holds for the whole."""

    words: str
    at: str
    start: int = 0
    length: int = 0
    channel: int | None = None
    timed: bool = True

    def node(self, rate: Fraction) -> Node:
        place = time_range("timeRange", self.start, self.length, rate) if self.timed else None
        return el("conditionNote", el("note", self.words), place, el("creationDate", moment(self.at)))


def shorten(words: str) -> str:
    """Free text of bounded length."""
    return words if len(words) <= _LONGEST else f"{words[:_LONGEST]}… (the whole stands in record.json)"


def _moment(said: Any, otherwise: str) -> str:
    """A date and time as the schema wants it; `otherwise` when only a day, or nothing, is known."""
    return said if isinstance(said, str) and "T" in said else otherwise


def _bounded(notes: Sequence[Note], *, kind: Kind, where: str, made: str, more: int = 0) -> list[Note]:
    """At most NOTES_MAX, and a last one that counts the rest; more: how many were only counted."""
    left = max(0, len(notes) - NOTES_MAX)
    out = list(notes[:NOTES_MAX])
    if left:
        out.append(
            Note(
                words=f"{counted(left, *kind)} {'stands' if left == 1 else 'stand'} in {where}",
                at=made,
                timed=False,
            )
        )
    if more:
        were = "was" if more == 1 else "were"
        out.append(Note(words=f"{counted(more, *kind)} {were} counted but not listed", at=made, timed=False))
    return out


def _logged(record: Json, frames: int, made: str) -> list[Note]:
    out: list[Note] = []
    for entry in rows(at(record, "processing", "transfer_events")):
        frame, clock = frame_of(entry.get("frame")), entry.get("at")
        kind = spoken(entry.get("type")).replace("_", " ")
        source = {"seen": "logged", "measured": "logged as measured"}.get(str(entry.get("origin")), "logged")
        inside = frame is not None and frame <= frames
        place = (
            "" if inside else "place in the audio not known" if frame is None else f"frame {frame}: outside"
        )
        said = [f"{source}: {kind}", spoken(entry.get("note")), place, f"clock {clock}" if clock else ""]
        out.append(
            Note(
                words=shorten("; ".join(part for part in said if part)),
                at=_moment(clock, made),
                start=min(frame or 0, frames),
                timed=inside,
            )
        )
    return out


def _span(entry: Json, frames: int) -> tuple[int, int] | None:
    """Start and length inside the audio; None when the entry lies outside, or is unreadable."""
    start, length = frame_of(entry.get("start")), frame_of(entry.get("length"))
    if start is None or length is None or start >= frames:
        return None
    return start, min(length, frames - start)


def _measured(record: Json, frames: int, made: str) -> tuple[list[Note], list[Note]]:
    """Damage, and digital silence."""
    measured, when = at(record, "measured"), _moment(at(record, "measured", "at"), made)
    silence = {s for e in rows(at(measured, "digital_silence")) if (s := _span(e, frames)) is not None}
    damage: list[Note] = []
    for entry in rows(at(measured, "events_detected")):
        span = _span(entry, frames)
        if span is None or (entry.get("type") == "digital_silence" and span in silence):
            continue
        sure = entry.get("confidence")
        said = [
            f"measured: {spoken(entry.get('type')).replace('_', ' ')}",
            "" if sure is None else f"confidence {sure}",
            spoken(entry.get("note")),
        ]
        words = shorten("; ".join(part for part in said if part))
        channel = frame_of(entry.get("channel"))
        damage.append(Note(words=words, at=when, start=span[0], length=span[1], channel=channel))
    quiet = [
        Note(words="measured: digital silence in all channels", at=when, start=start, length=length)
        for start, length in sorted(silence)
    ]
    return damage, quiet


def _states(record: Json, frames: int, made: str) -> list[Note]:
    """Remarks on stretches of the signal's state, and where an assembled file comes from."""
    out: list[Note] = []
    for entry in rows(at(record, "signal", "signal_state_ranges")):
        start, end = frame_of(entry.get("start")), frame_of(entry.get("end"))
        if start is None or end is None or start >= min(end, frames) or not entry.get("note"):
            continue
        words = shorten(f"logged: state of this stretch: {spoken(entry['note'])}")
        out.append(Note(words=words, at=made, start=start, length=min(end, frames) - start))
    return out


def _joins(record: Json, frames: int, made: str) -> list[Note]:
    out: list[Note] = []
    for entry in rows(at(record, "processing", "assembly")):
        start, end = frame_of(entry.get("target_start")), frame_of(entry.get("target_end"))
        if start is None or end is None or start >= min(end, frames):
            continue
        source = f"frames {entry.get('source_start')} to {entry.get('source_end')}"
        words = f"logged: copied from pass {entry.get('pass_n')}, its {source} (end not included)"
        said = shorten("; ".join(part for part in (words, spoken(entry.get("note"))) if part))
        out.append(Note(words=said, at=made, start=start, length=min(end, frames) - start))
    return out


def _channels(record: Json, frames: int, made: str) -> list[Note]:
    """What holds for one channel from end to end."""
    measured, when = at(record, "measured"), _moment(at(record, "measured", "at"), made)
    out = [
        Note(words="measured: digital silence throughout", at=when, channel=i, length=frames)
        for i, bits in enumerate(at(measured, "effective_bits") or ())
        if bits == 0 and not isinstance(bits, bool)
    ]
    polarity = at(record, "signal", "channel_polarity")
    turned = {"inverted_l": (0,), "inverted_r": (1,), "both": (0, 1)}.get(str(polarity), ())
    out += [Note(words="logged: polarity inverted", at=made, channel=i, length=frames) for i in turned]
    delay = at(measured, "interchannel_delay")
    if at(delay, "value_samples") is not None:
        words = f"measured: {at(delay, 'value_samples')} samples behind the first channel"
        agree = f"{at(delay, 'windows_agreeing')} of {at(delay, 'windows')} stretches agree"
        out.append(Note(words=f"{words}; {agree}", at=when, channel=1, length=frames))
    return out


def _searched(record: Json, made: str) -> list[Note]:
    """That nobody searched, or what was searched for in vain: no note of damage can mean either."""
    measured = at(record, "measured")
    events, when = at(measured, "events_detected"), _moment(at(measured, "at"), made)
    if events is None:
        return [Note(words="measured: the audio was not searched for damage", at=when, timed=False)]
    if events:
        return []
    kinds = ", ".join(str(k).replace("_", " ") for k in sorted(at(measured, "event_counts") or ()))
    searched = f"the audio was searched for {kinds or 'damage'}; none was found"
    return [Note(words=f"measured: {searched}", at=when, timed=False)]


def notes_of(record: Json, frames: int) -> list[Note]:
    """All notes of a master, in the order of the timeline within each kind."""
    made = str(at(record, "made_by", "at"))
    damage, quiet = _measured(record, frames, made)
    uncounted = frame_of(at(record, "measured", "events_left_out")) or 0
    both = f"{layout.RECORD} and {layout.MEASUREMENTS}"
    return [
        *_searched(record, made),
        *_channels(record, frames, made),
        *_bounded(
            _joins(record, frames, made), kind=("more join", "more joins"), where=layout.RECORD, made=made
        ),
        *_bounded(
            _states(record, frames, made),
            kind=("more remark on states", "more remarks on states"),
            where=layout.RECORD,
            made=made,
        ),
        *_bounded(
            _logged(record, frames, made),
            kind=("more logged event", "more logged events"),
            where=layout.RECORD,
            made=made,
        ),
        *_bounded(
            damage,
            kind=("more measured event", "more measured events"),
            where=both,
            made=made,
            more=uncounted,
        ),
        *_bounded(
            quiet, kind=("more run of digital silence", "more runs of digital silence"), where=both, made=made
        ),
    ]


def carrier_notes(record: Json) -> list[Note]:
    """The condition of the carrier, before and after, as a person saw it."""
    made, condition = str(at(record, "made_by", "at")), at(record, "condition")
    when = at(condition, "condition_assessed_at")
    before = [spoken(at(condition, "condition_terms")), spoken(at(condition, "condition_note"))]
    after = [spoken(at(condition, "condition_after")), spoken(at(condition, "condition_after_note"))]
    out: list[Note] = []
    if any(before):
        said = "; ".join(part for part in (*before, f"assessed {when}" if when else "") if part)
        words = f"logged: carrier before the transfer: {said}"
        out.append(Note(words=shorten(words), at=_moment(when, made), timed=False))
    if any(after):
        said = "; ".join(part for part in after if part)
        out.append(Note(words=shorten(f"logged: carrier afterwards: {said}"), at=made, timed=False))
    return out


def place(notes: Iterable[Note], regions: Sequence[Stretch], channels: int) -> list[list[Note]]:
    """The notes of each region: each stands where it begins; one at the very end in the last region. A
    channel the file does not have is named in the words, and the note stands with the region."""
    out: list[list[Note]] = [[] for _ in regions]
    starts = [r.start for r in regions]
    for note in notes:
        kept = note
        if note.channel is not None and note.channel >= channels:
            kept = Note(words=f"{note.words}; channel {note.channel}", at=note.at, start=note.start,
                        length=note.length, timed=note.timed)  # fmt: skip
        out[_index(starts, kept.start)].append(kept)
    return out


def _index(starts: Sequence[int], frame: int) -> int:
    from bisect import bisect_right

    return max(0, bisect_right(starts, frame) - 1)
