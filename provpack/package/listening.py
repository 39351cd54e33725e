"""What to listen for, and where: sentences from the damage a program found, the log, and the ranges.

Times are h:mm:ss of the master, counted with the exact sampling frequency and rounded down, so that whoever
goes there begins a moment before. Every sentence says whether a program found it (measured) or a person noted
it (declared). The number of sentences is bounded whatever the record holds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from provpack.package.figures import channel_names, clock, count, listed, number
from provpack.package.readfirst_words import Json, exact_rate, one_line, section

Said = tuple[int, str]  # first frame, sentence

# kind -> what stands there, one and several
DAMAGE: Final[Mapping[str, tuple[str, str]]] = {
    "mute": ("a mute: the sound is cut to zero", "mutes: the sound is cut to zero"),
    "hold": ("a held value: the sound stands still", "held values: the sound stands still"),
    "interpolation": (
        "a place with interpolated samples: a gap was filled by calculation",
        "places with interpolated samples: gaps were filled by calculation",
    ),
    "unlock": ("a lost lock: the decoder lost the picture", "lost locks: the decoder lost the picture"),
    "click": ("a place that stands out like a click", "places that stand out like clicks"),
    "clipped_run": ("a clipped run: a peak is cut off", "clipped runs: peaks are cut off"),
    "other": (
        "a stretch of another word length than the rest",
        "stretches of another word length than the rest",
    ),
}
# type of a logged event -> what it means to a listener
LOGGED: Final[Mapping[str, str]] = {
    "error_lamp": "the error lamp lit",
    "interpolation_seen": "interpolation",
    "hold": "held samples",
    "mute": "mute",
    "unlock": "the decoder lost the picture",
    "relock": "the decoder found the picture again",
    "tracking_adjust": "the tracking was adjusted",
    "head_clog": "a video head was clogged",
    "stop_cleaned": "playback was stopped and the path cleaned",
    "emphasis_on": "the emphasis lamp came on",
    "emphasis_off": "the emphasis lamp went dark",
    "mode_14": "14 bits from here",
    "mode_16": "16 bits from here",
    "standard_change": "the line standard changes",
    "speech_slate": "a spoken announcement",
    "join": "two passes are joined here",
    "operator_note": "a note",
}
_SAME: Final[Mapping[str, str]] = {"interpolation_seen": "interpolation"}
_RELATION: Final[Mapping[str, str]] = {
    "one_silent": "Throughout: one of the two channels is silent (measured).",
    "dual_mono": "Throughout: both channels hold the same sound (measured).",
    "inverted": "Throughout: the channels are of opposite polarity; the sound may seem hollow, and thin in "
    "mono (measured).",
}
_NEAR_S: Final = 2  # a logged event and a measured one of its kind are taken for the same within this
_APART_S: Final = 30  # places further apart than this are told as two stretches
_STRETCHES: Final = 4  # stretches of one kind that are told one by one
_EACH: Final = 8  # logged events, or ranges, that are told one by one
_LONG_LEADER_S: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Places of one kind near to each other: first and last frame, how many."""

    first: int
    last: int
    many: int


def listening(record: Json) -> list[str]:
    """The sentences in order of time; those about the whole file come first. Empty without audio."""
    rate = exact_rate(record)
    if rate is None or not record.get("audio_sha256"):
        return []
    measured = section(record, "measured")
    relation = _RELATION.get(str(measured.get("channel_relation")), "")
    events = _rows(measured.get("events_detected"))
    logged = [
        e for e in _rows(section(record, "processing").get("transfer_events"))
        if isinstance(e.get("frame"), int) and e.get("type") in LOGGED
    ]  # fmt: skip
    names = channel_names(int(measured.get("channels") or 2))
    told = [
        *_damage(events, logged, names, rate),
        *_log(logged, events, rate),
        *_emphasis(record, rate, int(measured.get("frames") or 0)),
    ]
    left_out = int(measured.get("events_left_out") or 0)
    more = (
        f"There is more than can be listed: {count(left_out, 'further event', 'further events')}. "
        "Later parts may hold more damage than is told here."
    )
    said = [sentence for _, sentence in sorted(told, key=lambda t: t[0])]
    return [*([relation] if relation else []), *said, *([more] if left_out else [])]


def _rows(value: Any) -> list[Json]:
    return [row for row in value or () if isinstance(row, Mapping)]


def _damage(
    events: Sequence[Json], logged: Sequence[Json], names: Sequence[str], rate: Fraction
) -> list[Said]:
    said: list[Said] = []
    for kind, (one, several) in DAMAGE.items():
        own = sorted((e for e in events if e.get("type") == kind), key=lambda e: int(e["start"]))
        if not own or (len(own) <= _EACH and all(_noted(e, kind, logged, rate) for e in own)):
            continue  # the log says the same of each, in more words
        what = one if len(own) == 1 else several
        many = "" if len(own) == 1 else f"{number(len(own))} "
        if len(own) == 1:
            what += _lasting(int(own[0]["length"]), rate)
        where = _channels([e.get("channel") for e in own], names)
        said.append((int(own[0]["start"]), f"{_times(own, rate)}: {many}{what}{where} (measured)."))
    leader = next((e for e in events if e.get("type") == "digital_silence" and e.get("start") == 0), None)
    if leader is not None and int(leader["length"]) >= _LONG_LEADER_S * rate:
        end = clock(int(leader["length"]) / rate)
        said.append((0, f"Until {end}: digital silence, which is no fault (measured)."))
    return said


def _noted(event: Json, kind: str, logged: Sequence[Json], rate: Fraction) -> bool:
    same = [e for e in logged if _SAME.get(str(e["type"]), e["type"]) == kind]
    return any(abs(int(e["frame"]) - int(event["start"])) <= _NEAR_S * rate for e in same)


def _lasting(frames: int, rate: Fraction) -> str:
    seconds = Fraction(frames) / rate
    if seconds >= 1:
        return f", for {float(seconds):.1f} seconds"
    return f", for {float(seconds * 1000):.0f} ms" if seconds >= Fraction(1, 1000) else ""


def _channels(found: Iterable[Any], names: Sequence[str]) -> str:
    """Where: null means all channels."""
    places = set(found)
    numbers = sorted(n for n in places if isinstance(n, int))
    if len(names) == 1:
        return ""
    if None in places or len(numbers) == len(names):
        return ", in both channels" if len(names) == 2 else ", in all channels"
    one = [names[n] if n < len(names) else f"channel {n + 1}" for n in numbers]
    if len(names) == 2:
        return f", in the {one[0]} channel" if one else ""
    return f", in {listed(one[:_EACH])}" + (" and more" if len(one) > _EACH else "")


def stretches(starts: Sequence[int], rate: Fraction) -> list[Stretch]:
    """Places in order, gathered where they lie near to each other."""
    out: list[Stretch] = []
    for frame in starts:
        if out and frame - out[-1].last <= _APART_S * rate:
            out[-1] = Stretch(first=out[-1].first, last=frame, many=out[-1].many + 1)
        else:
            out.append(Stretch(first=frame, last=frame, many=1))
    return out


def _times(events: Sequence[Json], rate: Fraction) -> str:
    starts = [int(e["start"]) for e in events]
    found = stretches(starts, rate)
    if len(found) > _STRETCHES:
        minute = 60 * rate
        most = max(range(int(starts[-1] // minute) + 1), key=_per(starts, minute))
        return (
            f"From {clock(starts[0] / rate)} to {clock(starts[-1] / rate)}, most of them in the minute from "
            f"{clock(60 * most)}"
        )
    return _listed_times(found, rate)


def _per(starts: Sequence[int], minute: Fraction) -> Any:
    counts: dict[int, int] = {}
    for start in starts:
        counts[int(start // minute)] = counts.get(int(start // minute), 0) + 1
    return lambda n: counts.get(n, 0)


def _listed_times(found: Sequence[Stretch], rate: Fraction) -> str:
    alone = [clock(s.first / rate) for s in found if clock(s.first / rate) == clock(s.last / rate)]
    ranges = [
        f"from {clock(s.first / rate)} to {clock(s.last / rate)}"
        for s in found
        if clock(s.first / rate) != clock(s.last / rate)
    ]
    said = listed([*([f"at {listed(alone)}"] if alone else []), *ranges])
    return said[:1].upper() + said[1:]


def _log(logged: Sequence[Json], events: Sequence[Json], rate: Fraction) -> list[Said]:
    if len(logged) > _EACH:
        return _log_by_type(logged, rate)
    out: list[Said] = []
    for e in logged:
        by = "the log says that a program found it" if e.get("origin") == "measured" else "noted by a person"
        note = f": “{one_line(e['note'], 160)}”" if e.get("note") else ""
        kind = _SAME.get(str(e["type"]), str(e["type"]))
        there = any(
            m.get("type") == kind and _noted(m, kind, [e], rate) for m in events
        )  # the same, found in the sound
        also = "; measured there too" if there else ""
        frame = int(e["frame"])
        out.append((frame, f"At {clock(frame / rate)}: {LOGGED[str(e['type'])]} ({by}{note}{also})."))
    return out


def _log_by_type(logged: Sequence[Json], rate: Fraction) -> list[Said]:
    out: list[Said] = []
    for kind, what in LOGGED.items():
        own = sorted((e for e in logged if e["type"] == kind), key=lambda e: int(e["frame"]))
        if own:
            places = [{"start": e["frame"]} for e in own]
            many = "" if len(own) == 1 else f", {number(len(own))} times"
            out.append((int(own[0]["frame"]), f"{_times(places, rate)}: {what}{many} (noted in the log)."))
    return out


def _between(row: Json, rate: Fraction) -> str:
    return f"From {clock(int(row['start']) / rate)} to {clock(int(row['end']) / rate)}"


def _emphasis(record: Json, rate: Fraction, frames: int) -> list[Said]:
    signal = section(record, "signal")
    ranges = _rows(signal.get("signal_state_ranges"))
    bright = signal.get("file_emphasis") in ("present", "mixed", "unknown")
    whole = len(ranges) == 1 and ranges[0].get("start") == 0 and ranges[0].get("end") == frames
    said = {
        "on": "pre-emphasis is on; this stretch sounds too bright until it is de-emphasised (declared)",
        "unknown": "nobody knows whether pre-emphasis is on (declared)",
    }
    told = [r for r in ranges if r.get("emphasis") in said]
    if not bright or whole or not told:
        return []
    out = [(int(r["start"]), f"{_between(r, rate)}: {said[r['emphasis']]}.") for r in told[:_EACH]]
    if len(told) > _EACH:
        more = count(len(told) - _EACH, "more stretch", "more stretches")
        first = int(told[_EACH]["start"])
        out.append((first, f"From {clock(first / rate)} on: {more} like these; the record lists them."))
    return out
