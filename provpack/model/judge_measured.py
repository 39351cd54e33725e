"""What was measured against what was declared: channels, delay, damage, bits, hints."""

from __future__ import annotations

import bisect
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from typing import Final

from provpack.findings import Finding
from provpack.model import measuredrules as rules
from provpack.model.rates import format_time
from provpack.model.recordview import Row, View, found, number, whole

NEAR_SECONDS: Final = 2
"""Our choice: within it a logged event and a measured one are taken for the same."""
_DAMAGE: Final = ("mute", "hold", "interpolation", "click")
_ERRORS_IF_CLEAN: Final = ("mute", "hold")  # domain rule 23 tells them, as errors
_FEWEST_WINDOWS: Final = 3  # the delay is an answer when so many agree, and more than half
_NO_DELAY: Final = Fraction(1, 10)
_TIMES_TOLD: Final = 8
_TWO: Final = ("stereo", "two_independent")


def judge_measured(view: View) -> Iterator[Finding]:
    """Silent, equal, inverted channels; skew; damage; bits that change; clipping; hints."""
    if view.get("measured") is None:
        return
    bits = view.get("measured/effective_bits")
    if isinstance(bits, list) and bits and all(whole(b) == 0 for b in bits):
        yield found(rules.SILENT, "Every sample of the file is zero.", "/measured/effective_bits", bits)
        return
    yield from _channels(view)
    yield from _converter(view)
    yield from _damage(view)
    yield from _bits(view)
    clipped = view.get("measured/clipped_samples")
    if isinstance(clipped, list) and any(whole(c) for c in clipped):
        said = f"Clipped samples per channel: {', '.join(str(c) for c in clipped)}."
        yield found(rules.CLIPPED, said, "/measured/clipped_samples", clipped)
    yield from _hints(view)


def _channels(view: View) -> Iterator[Finding]:
    relation, use = view.text("measured/channel_relation"), view.text("signal/channel_use")
    where = "/measured/channel_relation"
    if relation == "one_silent" and use in (*_TWO, "dual_mono"):
        levels = view.get("measured/rms_dbfs")
        said = f"One of two channels is silent (RMS in dBFS: {_figures(levels)}); channel_use is {use}."
        yield found(rules.CHANNEL_DEAD, said, where, relation)
    elif relation == "dual_mono" and use in _TWO:
        yield found(rules.CHANNELS_EQUAL, f"The channels are equal; channel_use is {use}.", where, relation)
    elif relation == "stereo" and use == "dual_mono":
        yield found(rules.CHANNELS_DIFFER, "The channels differ; channel_use is dual_mono.", where, relation)
    elif relation == "inverted":
        polarity = view.text("signal/channel_polarity")
        if polarity not in ("inverted_l", "inverted_r"):
            said = f"One channel is the other upside down; channel_polarity is {polarity or 'not given'}."
            yield found(rules.INVERTED, said, where, relation)


def _converter(view: View) -> Iterator[Finding]:
    """Half a sample between the channels, where several windows agree (domain note 4)."""
    delay = number(view.get("measured/interchannel_delay/value_samples"))
    agreeing = view.whole("measured/interchannel_delay/windows_agreeing") or 0
    windows = view.whole("measured/interchannel_delay/windows") or 0
    if delay is None or agreeing < _FEWEST_WINDOWS or 2 * agreeing <= windows:
        return
    shared, where = view.text("decoder/shared_converter"), "/measured/interchannel_delay"
    told = f"{float(delay):+.3f} samples between the channels, {agreeing} of {windows} stretches agree"
    value = view.get("measured/interchannel_delay/value_samples")
    relation = view.text("measured/channel_relation")
    if relation == "skewed":
        if shared == "no":
            yield found(rules.CONVERTER_AGAINST, f"{told}; shared_converter is no.", where, value)
        elif shared != "yes":
            yield found(rules.CONVERTER_HINT, f"{told}.", where, value)
    elif (
        relation == "stereo"
        and shared == "yes"
        and abs(delay) < _NO_DELAY
        and view.text("interface/interface_type") != "analogue"
    ):
        yield found(rules.CONVERTER_AGAINST, f"{told}; shared_converter is yes.", where, value)


def _damage(view: View) -> Iterator[Finding]:
    true, events = view.rate("signal/sampling_frequency"), view.rows("measured/events_detected")
    damage = [e for e in events if e.text("type") in _DAMAGE and e.whole("start") is not None]
    repetition = view.text("measured/repetition/pattern")
    period = view.whole("measured/repetition/period")
    if repetition in ("one_head", "every_field"):
        which = "every second field: one of the two heads" if repetition == "one_head" else "every field"
        said = f"Damage comes back every {period} frames, {which}."
        yield found(rules.REPEATS, said, "/measured/repetition", repetition)
    if true is None:
        return
    if view.text("outcome") == "clean":
        damage = [e for e in damage if e.text("type") not in _ERRORS_IF_CLEAN]
    silent = unlogged(view, damage, true)
    if silent:
        kinds = {kind: sum(e.text("type") == kind for e in silent) for kind in _DAMAGE}
        counted = ", ".join(f"{n} x {kind}" for kind, n in kinds.items() if n)
        times = ", ".join(_time(e, true) for e in silent[:_TIMES_TOLD])
        more = f" and {len(silent) - _TIMES_TOLD} more" if len(silent) > _TIMES_TOLD else ""
        said = f"Measured and not logged: {counted}; at {times}{more}."
        finding = found(rules.UNLOGGED, said, silent[0].pointer, dict(silent[0].fields))
        yield at_event(finding, silent[0])


def unlogged(view: View, events: list[Row], true: Fraction) -> list[Row]:
    """The measured events with nothing logged within NEAR_SECONDS of them."""
    near = NEAR_SECONDS * true
    logged = sorted(f for r in view.rows("processing/transfer_events") if (f := r.whole("frame")) is not None)
    out = []
    for row in events:
        start, length = row.whole("start") or 0, row.whole("length") or 0
        place = bisect.bisect_left(logged, start - near)
        if place == len(logged) or logged[place] > start + length + near:
            out.append(row)
    return out


def at_event(finding: Finding, row: Row) -> Finding:
    """The finding with the frame of a measured event in its position."""
    start = row.whole("start")
    return finding if start is None else replace(finding, position={**finding.position, "frame": start})


def _bits(view: View) -> Iterator[Finding]:
    """Measured stretches of another width, where no range of the record speaks of the mode."""
    if any(r.text("mode") for r in view.rows("signal/signal_state_ranges")):
        return
    true = view.rate("signal/sampling_frequency")
    frames = view.frames or 0
    # What holds for (nearly) the whole file is no change: domain rule 7 tells it.
    rows = [
        e
        for e in view.rows("measured/events_detected")
        if e.text("type") == "other" and 10 * (e.whole("length") or 0) < 9 * frames
    ]
    if not rows or true is None:
        return
    told = "; ".join(f"{_time(e, true)}: {e.text('note') or 'other width'}" for e in rows[:_TIMES_TOLD])
    more = f"; and {len(rows) - _TIMES_TOLD} more" if len(rows) > _TIMES_TOLD else ""
    yield at_event(found(rules.BITS_CHANGE, f"{told}{more}.", rows[0].pointer, dict(rows[0].fields)), rows[0])


def _hints(view: View) -> Iterator[Finding]:
    for row in view.rows("measured/conversion_hints"):
        if row.text("strength") != "moderate":
            continue  # weak ones stand in the report; as findings they cry wolf on some 2 % of clean tapes
        sure = view.text("capture/src_in_path") == "no"
        yield found(
            rules.CONVERTED,
            row.text("words") or str(row.text("kind")),
            row.pointer,
            row.text("kind"),
            severity="warning" if sure and row.text("kind") != "lower_wall" else None,
        )
    if view.text("signal/tape_emphasis") == "mixed":
        return
    for row in view.rows("measured/emphasis_hints"):
        if row.text("kind") == "tilt_step":
            true, frame = view.rate("signal/sampling_frequency"), row.whole("frame")
            at = f"At {format_time(frame, true)}: " if true is not None and frame is not None else ""
            yield found(rules.EMPHASIS_STEP, f"{at}{row.text('words')}", row.pointer, "tilt_step")


def _time(row: Row, true: Fraction) -> str:
    return f"{format_time(row.whole('start') or 0, true)} (frame {row.whole('start')})"


def _figures(values: object) -> str:
    if not isinstance(values, list):
        return "unknown"
    return " and ".join("none" if v is None else str(v) for v in values)
