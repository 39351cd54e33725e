"""Rules on the chain, its passes and its equipment: domain rules 9, 10, 17, 18, 21, 23, 29, 30."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from provpack.findings import Finding
from provpack.model import rules
from provpack.model.formats import Moment, read_date_time, read_moment
from provpack.model.judge_measured import at_event, unlogged
from provpack.model.plainwords import shown
from provpack.model.rates import format_time
from provpack.model.recordview import PCM_ON_VIDEO, Row, View, found

_NO_PICTURE: Final = ("hifi_fm", "pcm_8mm", "dat", "adat", "dtrs", "md", "cd")
_NEEDED: Final = {
    "carrier": ("line_standard",),
    "deck": ("dropout_compensator", "picture_processing"),
    "decoder": (
        "decoder_id",
        "decoder_make_model",
        "decoder_serial",
        "decoder_mode",
        "emphasis_indicator",
        "error_indication",
        "digital_output",
        "shared_converter",
    ),
}
_DIGITAL: Final = ("iec60958_coax", "iec60958_optical", "aes3", "tdif", "lightpipe")
_FAULTS: Final = ("mute", "hold", "unlock")
_CHECK_DAYS: Final = 30
_MOST_SPANS: Final = 1000


def judge_chain(view: View) -> Iterator[Finding]:
    """Domain rules 9, 10, 17, 18."""
    if view.recording_format in PCM_ON_VIDEO and view.has_audio:
        for section, names in _NEEDED.items():
            for name in names:
                if view.get(f"{section}/{name}") is None:
                    yield _missing(view, section, name)
        output = view.text("decoder/digital_output")
        if output in ("factory", "aftermarket") and view.get("decoder/digital_output_revision") is None:
            yield _missing(view, "decoder", "digital_output_revision")
    if view.recording_format not in _NO_PICTURE:
        yield from _picture(view)
    source = view.text("capture/src_in_path")
    if source == "yes" and view.is_master:
        yield found(
            rules.SRC,
            "The samples are those of a converter, not of the source.",
            "/capture/src_in_path",
            source,
        )
    if source == "unknown":
        yield found(rules.SRC_UNKNOWN, "src_in_path is unknown.", "/capture/src_in_path", source)
    kind, clock = view.text("interface/interface_type"), view.text("capture/clock_source")
    if clock == "internal" and kind in _DIGITAL and source == "no":
        yield found(
            rules.CLOCK,
            f"Interface {kind}, internal clock, no sample-rate converter: two clocks ran side by side.",
            "/capture/clock_source",
            clock,
        )
    domain = view.text("item/source_domain")
    if kind == "analogue" and domain == "digital_tape" and not view.text("interface/interface_reason"):
        yield found(
            rules.ANALOGUE,
            "A digital tape was captured through an analogue interface and interface_reason is empty.",
            "/interface/interface_type",
            kind,
        )


def _missing(view: View, section: str, name: str) -> Finding:
    return found(
        rules.PCM_FIELDS,
        f"{view.recording_format} needs {name}, and it is missing.",
        f"/{section}/{name}",
        None,
    )


def _picture(view: View) -> Iterator[Finding]:
    state, where = view.text("deck/dropout_compensator"), "/deck/dropout_compensator"
    if state == "on":
        yield found(rules.COMPENSATOR, "The dropout compensator was on.", where, state)
    elif state in ("unknown", "not_observed"):
        yield found(rules.COMPENSATOR_UNKNOWN, f"dropout_compensator is {state}.", where, state)
    circuits = view.words("deck/picture_processing") or ()
    where = "/deck/picture_processing"
    on = [c for c in circuits if c not in ("unknown", "not_observed")]
    if on:
        yield found(rules.PICTURE, f"In the picture path: {', '.join(on)}.", where, list(circuits))
    elif circuits:
        yield found(rules.PICTURE_UNKNOWN, f"picture_processing is {circuits[0]}.", where, list(circuits))


@dataclass(frozen=True, slots=True, kw_only=True)
class Playing:
    """One dated pass, with what it occupied: deck and capture input."""

    name: str
    row: Row
    start: datetime.datetime
    stop: datetime.datetime
    deck: str | None
    capture: tuple[str, str] | None

    @property
    def occupied(self) -> tuple[str, ...]:
        """What nothing else can use meanwhile, in words."""
        deck = () if self.deck is None else (f"deck {self.deck}",)
        if self.capture is None:
            return deck
        return (*deck, f"input {self.capture[1]} of capture device {self.capture[0]}")


def playings(view: View, name: str = "") -> list[Playing]:
    """The passes of a record that have a start and a later stop."""
    found_ones = []
    device, channel = view.text("capture/capture_device_id"), view.text("capture/capture_input")
    chain = view.text("capture/chain_id")
    for row in view.rows("processing/passes"):
        start, stop = _exact(row, "started_at"), _exact(row, "stopped_at")
        if start is None or stop is None or stop <= start:
            continue
        own = row.text("chain_id") in (None, chain)  # then the record's capture section speaks for the pass
        used = row.text("capture_device_id") or (device if own else None)
        input_ = row.text("capture_input") or (channel if own else None)
        found_ones.append(
            Playing(
                name=name,
                row=row,
                start=start,
                stop=stop,
                deck=row.text("deck_id"),
                capture=(used, input_) if used and input_ else None,
            )
        )
    return found_ones


def _exact(row: Row, name: str) -> datetime.datetime | None:
    value = row.text(name)
    return None if value is None else read_date_time(value)


def overlaps(all_: Sequence[Playing]) -> Iterator[tuple[Playing, Playing, str]]:
    """Pairs of passes that used one thing at one time, in order of start: (earlier, later, what).

    Of the passes of one name that still ran, only the longest is paired, and a pair is told once.
    """
    running: dict[str, dict[str, Playing]] = {}
    for later in sorted(all_, key=lambda p: p.start):
        told: set[str] = set()
        for thing in later.occupied:
            users = running.setdefault(thing, {})
            for earlier in users.values():
                if earlier.stop > later.start and earlier.name not in told:
                    told.add(earlier.name)
                    yield earlier, later, thing
            before = users.get(later.name)
            if before is None or before.stop < later.stop:
                users[later.name] = later


def judge_passes(view: View) -> Iterator[Finding]:
    """Domain rule 21: order and limits of events, times of passes, two passes at once."""
    frames, last = view.frames, -1
    for row in view.rows("processing/transfer_events"):
        frame = row.whole("frame")
        if frame is None:
            continue
        if frame < last:
            yield found(
                rules.EVENTS_ORDER, f"Frame {frame} stands after frame {last}.", row.pointer + "/frame", frame
            )
        last = max(last, frame)
        if frame < 0 or (frames is not None and frame > frames):
            yield found(
                rules.EVENTS_OUTSIDE,
                f"Event {shown(row.fields.get('type'))} is at frame {frame}, the audio has {frames} frames.",
                row.pointer + "/frame",
                frame,
            )
    for row in view.rows("processing/passes"):
        start, stop = _exact(row, "started_at"), _exact(row, "stopped_at")
        if start is not None and stop is not None and stop < start:
            yield found(
                rules.PASS_TIMES,
                f"Pass {row.fields.get('n')} started at {row.text('started_at')}.",
                row.pointer + "/stopped_at",
                row.text("stopped_at"),
            )
    for earlier, later, shared in overlaps(playings(view)):
        yield found(
            rules.PASSES_OVERLAP,
            f"Passes {earlier.row.fields.get('n')} and {later.row.fields.get('n')} both used {shared} at "
            f"{later.row.text('started_at')}.",
            later.row.pointer + "/started_at",
            later.row.text("started_at"),
        )


def judge_clean(view: View) -> Iterator[Finding]:
    """Domain rule 23: a measured mute, hold or unlock with nothing logged within two seconds of it."""
    true = view.rate("signal/sampling_frequency")
    if view.text("outcome") != "clean" or true is None:
        return
    rows = view.rows("measured/events_detected")
    faults = [r for r in rows if r.text("type") in _FAULTS and r.whole("start") is not None]
    for row in unlogged(view, faults, true):
        start = row.whole("start") or 0
        what = (
            f"A {row.text('type')} of {row.whole('length')} frames was measured at "
            f"{format_time(start, true)} (frame {start}), none is logged."
        )
        yield at_event(found(rules.NOT_CLEAN, what, row.pointer, dict(row.fields)), row)


def first_pass_checked(view: View) -> Moment | None:
    """When the earliest dated pass on the record's chain began: the chain that its check is about. A pass
    that names no chain ran on that one."""
    chain = view.text("capture/chain_id")
    passes = view.rows("processing/passes")
    checked = [p for p in passes if chain is None or p.text("chain_id") in (None, chain)]
    starts = [m for p in checked if (m := p.moment("started_at"))]
    return min(starts, key=lambda m: m.earliest, default=None)


def check_age_days(view: View) -> int | None:
    """Age of the chain check when the first pass on that chain began, days; a begun day counts as one, so
    that 31 means more than 30 days. 0 when the order cannot be told; None when either has no date, or the
    check was surely made after it."""
    first, check = first_pass_checked(view), view.moment("capture/chain_check_at")
    if first is None or check is None or first.surely_before(check):
        return None
    return max(0, -((check.latest - first.earliest) // datetime.timedelta(days=1)))


def judge_checks(view: View) -> Iterator[Finding]:
    """Domain rule 30."""
    name, at = view.text("capture/chain_check_id"), view.moment("capture/chain_check_at")
    if name in ("none", "unknown"):
        yield found(rules.CHECK_MISSING, f"chain_check_id is {name}.", "/capture/chain_check_id", name)
    first, service = first_pass_checked(view), view.moment("deck/deck_last_service")
    if at is None:
        return
    where, age = "/capture/chain_check_at", check_age_days(view)
    if age is not None and age > _CHECK_DAYS:
        yield found(
            rules.CHECK_OLD,
            f"Check {name} was {age} days old when the first pass on its chain began; a begun day counts.",
            where,
            at.text,
        )
    if first is not None and first.surely_before(at):
        yield found(
            rules.CHECK_AFTER,
            f"Check {name} was passed on {at.text}, the first pass on its chain began on {first.text}.",
            where,
            at.text,
        )
    if service is not None and at.surely_before(service):
        yield found(
            rules.CHECK_SERVICE,
            f"The deck was serviced on {service.text}, after check {name}.",
            where,
            at.text,
        )


def judge_equipment(view: View, register: Mapping[str, object] | None) -> Iterator[Finding]:
    """Domain rule 29, with the equipment register when there is one."""
    status: dict[str, tuple[Row, str | None]] = {}
    for row in view.rows("equipment_status"):
        if (name := row.text("equipment_id")) is not None:
            status[name] = (row, row.text("status"))
    for name, (row, state) in status.items():
        if state == "suspect":
            yield found(
                rules.SUSPECT,
                f"Equipment {name} is suspect and not cleared: {row.text('note') or 'no reason given'}.",
                row.pointer,
                state,
                severity="warning",
                todo="Have the transfer examined; add a cleared entry to equipment_status if it is good.",
            )
    used = _used(view)
    passes = view.rows("processing/passes")
    spans = [(p.moment("started_at"), p.moment("stopped_at") or p.moment("started_at")) for p in passes]
    for entry in View(record=register or {}).rows("equipment"):
        name = entry.text("id")
        if name is None or name not in used or name in status:
            continue
        for notice in entry.rows("fault_notices"):
            if notice.moment("cleared_at") is None and _covered(spans, notice, entry):
                yield found(
                    rules.SUSPECT,
                    f"Fault notice {notice.text('id')} on {name} covers this: "
                    f"{_sentence(notice.text('what'))}",
                    used[name],
                    name,
                )


def _sentence(text: str | None) -> str:
    return f"{(text or 'no reason given').rstrip('. ')}."


_USE: Final = ("deck/deck_id", "decoder/decoder_id", "capture/capture_device_id")


def _used(view: View) -> dict[str, str]:
    """Equipment id -> pointer to where the record names it."""
    used: dict[str, str] = {}
    for row in view.rows("processing/passes"):
        for key in ("deck_id", "decoder_id", "capture_device_id"):
            if (name := row.text(key)) is not None:
                used.setdefault(name, f"{row.pointer}/{key}")
    for path in _USE:
        if (name := view.text(path)) is not None:
            used.setdefault(name, "/" + path)
    for row in view.rows("path_equipment"):
        if (name := row.text("equipment_id")) is not None:
            used.setdefault(name, f"{row.pointer}/equipment_id")
    return used


def _covered(spans: Sequence[tuple[Moment | None, Moment | None]], notice: Row, entry: Row) -> bool:
    """Whether a pass may fall in the time of the fault; undated ones, and very many, are not ruled out."""
    since = notice.moment("since") or _last_good(entry)
    until = notice.moment("until")
    if not spans or len(spans) > _MOST_SPANS:
        return True
    for start, stop in spans:
        before = since is not None and stop is not None and stop.surely_before(since)
        after = until is not None and start is not None and until.surely_before(start)
        if start is None or not (before or after):
            return True
    return False


def _last_good(entry: Row) -> Moment | None:
    good = entry.fields.get("last_known_good")
    return read_moment(good.get("at")) if isinstance(good, Mapping) else None
