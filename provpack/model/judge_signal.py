"""Rules on sampling frequency, word length, emphasis, duration (domain rules 1-8, 11, 12, 14, 16, 20, 26)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Final

from provpack.findings import Finding
from provpack.model import rules
from provpack.model.rates import (
    EXPECTED_RATE,
    difference_ppm,
    format_rate,
    format_time,
    frames_to_seconds,
    rate_to_json,
    rounded_rate,
)
from provpack.model.recordview import View, covering_faults, found, number, whole

_RATE: Final = "/signal/sampling_frequency"
_HEADER: Final = "/signal/header_sampling_frequency_hz"
_LABEL_PPM: Final = 2
_COMPANDED: Final = (8, 12)
_DEPTHS: Final = {"eiaj_14": 14, "ext_16": 16, "pcm1_13": 13}


def judge_rates(view: View) -> Iterator[Finding]:
    """Domain rules 1-5 and 26."""
    standard, form = view.text("carrier/line_standard"), view.recording_format
    true, header = view.rate("signal/sampling_frequency"), view.whole("signal/header_sampling_frequency_hz")
    resampled, relabelled = view.steps("resample"), view.steps("relabel")
    ntsc = EXPECTED_RATE["525_5994", "eiaj_14"]
    if standard == "525_5994" and true is not None and true != ntsc and not resampled:
        yield found(
            rules.RATE_525,
            f"Line standard 525_5994 means {format_rate(ntsc)}, but the record says {format_rate(true)}.",
            _RATE,
            rate_to_json(true),
        )
    label_525 = standard == "525_5994" and header is not None and header != rounded_rate(ntsc)
    if label_525:
        explained = bool(resampled) or (bool(relabelled) and header == 44100)
        missing = [] if view.text("signal/rate_label_note") else ["rate_label_note is empty"]
        if not explained:
            missing.append("no relabel (to 44100) or resample step is recorded")
        if missing:
            yield found(
                rules.LABEL_525,
                f"The header says {header} Hz for a 525-line recording (44056 expected), and "
                f"{' and '.join(missing)}.",
                _HEADER,
                header,
            )
    if standard == "625_50" and form in ("eiaj_14", "ext_16"):
        if true is not None and true != 44100:
            yield found(
                rules.RATE_625,
                f"A 625-line recording has 44100 Hz, but the record says {format_rate(true)}.",
                _RATE,
                rate_to_json(true),
            )
        if header is not None and header != 44100:
            yield found(
                rules.RATE_625,
                f"A 625-line recording has 44100 Hz, but the header says {header}.",
                _HEADER,
                header,
            )
    if true is not None and header is not None and not (label_525 or resampled or relabelled):
        ppm = difference_ppm(header, true)
        if abs(ppm) > _LABEL_PPM:
            yield found(
                rules.LABEL,
                f"The header says {header} Hz, {round(abs(ppm))} ppm {'above' if ppm > 0 else 'below'} "
                f"the true {format_rate(true)}.",
                _HEADER,
                header,
            )
    if standard == "525_60" and form is not None and form != "pcm16x0":
        yield found(
            rules.STANDARD_525_60,
            f"Line standard 525_60 does not go with {form}.",
            "/carrier/line_standard",
            standard,
        )
    if view.text("measured/line_pilot_hz/verdict") == "against":
        value = view.get("measured/line_pilot_hz/value")
        yield found(
            rules.PILOT,
            view.text("measured/line_pilot_hz/note")
            or "The line-frequency tone in the audio lies where another sampling frequency would put it.",
            "/measured/line_pilot_hz/value",
            value,
        )


def judge_bits(view: View) -> Iterator[Finding]:
    """Domain rules 6, 7, 8. Companded sources (8 and 12 bits) decode to longer words and are not compared."""
    form, depth = view.recording_format, view.whole("carrier/source_bit_depth")
    wanted = _DEPTHS.get(form or "")
    stated = view.get("carrier/source_bit_depth")
    if wanted is not None and stated is not None and depth != wanted:
        yield found(rules.BIT_DEPTH, f"{form} has {wanted} bits.", "/carrier/source_bit_depth", stated)
    raw = view.get("measured/effective_bits")
    used = [b for b in (whole(v) for v in raw) if b] if isinstance(raw, list) else []
    if not used or view.text("interface/interface_type") == "analogue":
        return
    where = "/measured/effective_bits"
    if depth is not None and depth not in _COMPANDED:
        if max(used) > depth:
            yield found(rules.BITS_ABOVE, f"{max(used)} bits are in use, the source has {depth}.", where, raw)
        elif min(used) < depth:
            yield found(
                rules.BITS_BELOW, f"Only {min(used)} bits are in use, the source has {depth}.", where, raw
            )
    if view.text("decoder/decoder_mode") == "14" and 16 in used:
        yield found(rules.MODE_14, "16 bits are in use in mode 14.", where, raw)


def judge_emphasis(view: View) -> Iterator[Finding]:
    """Domain rules 11, 12, 14, 16."""
    tape, file = view.text("signal/tape_emphasis"), view.text("signal/file_emphasis")
    evidence = view.words("signal/tape_emphasis_evidence") or ()
    if tape in ("on", "off") and not set(evidence) - {"audio_hint"}:
        yield found(
            rules.EVIDENCE,
            f"tape_emphasis is {tape}, resting on {'a hint in the audio alone' if evidence else 'nothing'}.",
            "/signal/tape_emphasis_evidence",
            list(evidence),
        )
    yield from _evidence_seen(view, tape, evidence)
    ranges = view.rows("signal/signal_state_ranges")
    if tape == "mixed":
        spans = [(r.whole("start"), r.whole("end")) for r in ranges]
        known = [(s, e) for s, e in spans if s is not None and e is not None]
        if not ranges:
            yield found(
                rules.RANGES,
                "tape_emphasis is mixed, but no stretch is listed.",
                "/signal/signal_state_ranges",
                [],
            )
        elif len(known) == len(spans):
            for index, why in covering_faults(known, view.frames):
                row = ranges[index]
                yield found(rules.RANGES, f"The stretch {why}.", row.pointer, dict(row.fields))
    if file == "present" and tape is not None and tape not in ("on", "mixed"):
        yield found(
            rules.PRESENT,
            f"file_emphasis is present, tape_emphasis is {tape}.",
            "/signal/file_emphasis",
            file,
        )
    elif tape == "unknown" and file is not None and file != "unknown":
        yield found(
            rules.FILE_GUESS,
            f"tape_emphasis is unknown, file_emphasis is {file}.",
            "/signal/file_emphasis",
            file,
        )
    status = view.text("interface/cs_emphasis")
    if status == "none_or_not_indicated" and tape == "on":
        yield found(
            rules.CS_SILENT,
            "Channel status bits 3-5 are 000 (none, or not indicated) while the tape has emphasis.",
            "/interface/cs_emphasis",
            status,
        )
    if status == "50_15" and tape == "off" and not view.text("interface/cs_emphasis_note"):
        yield found(
            rules.CS_AGAINST,
            "Channel status says 50/15 us, tape_emphasis says off, and nothing explains it.",
            "/interface/cs_emphasis",
            status,
        )


_NOT_SEEN: Final = ("not_observed", "not_fitted", "unknown")
_CS_ZERO: Final = ("none_or_not_indicated", "not_indicated")


def _evidence_seen(view: View, tape: str | None, evidence: Sequence[str]) -> Iterator[Finding]:
    """Evidence that is named must have been seen, and must not say the opposite (sections 2.2, 2.3, 3.5)."""
    lamp, status = view.text("decoder/emphasis_indicator"), view.text("interface/cs_emphasis")
    where = "/signal/tape_emphasis_evidence"
    opposite = {"on": ("off", "changed"), "off": ("on", "changed")}.get(tape or "", ())
    if lamp in opposite:
        yield found(
            rules.LAMP_AGAINST,
            f"emphasis_indicator is {lamp}, tape_emphasis is {tape}.",
            "/decoder/emphasis_indicator",
            lamp,
        )
    if tape not in ("on", "off", "mixed"):
        return
    if "indicator" in evidence and lamp in _NOT_SEEN:
        said = f"indicator is named as evidence, emphasis_indicator is {lamp}."
        yield found(rules.EVIDENCE_ABSENT, said, where, list(evidence))
    if "channel_status" in evidence and status in (None, "not_read"):
        said = f"channel_status is named as evidence, cs_emphasis is {status or 'not given'}."
        yield found(rules.EVIDENCE_ABSENT, said, where, list(evidence))
    if tape == "off" and set(evidence) - {"audio_hint"} == {"channel_status"} and status in _CS_ZERO:
        said = f"tape_emphasis is off, resting on cs_emphasis {status} alone."
        yield found(rules.CS_NO_PROOF, said, where, list(evidence))


def judge_duration(view: View) -> Iterator[Finding]:
    """Domain rule 20: nominal minutes x 1.05 + 3 at most, 20 % of nominal at least."""
    frames, true = view.frames, view.rate("signal/sampling_frequency")
    nominal = number(view.get("carrier/carrier_nominal_minutes"))
    if frames is None or frames < 0 or true is None or nominal is None or nominal <= 0:
        return
    minutes = frames_to_seconds(frames, true) / 60
    stated = view.get("carrier/carrier_nominal_minutes")
    length = f"{format_time(frames, true)} of audio against {stated} minutes nominal"
    where = "/carrier/carrier_nominal_minutes"
    if minutes > nominal * Fraction(105, 100) + 3:
        yield found(rules.TOO_LONG, f"{length}: more than 5 % and 3 minutes over.", where, stated)
    elif minutes < nominal / 5 and view.text("outcome") == "complete":
        yield found(
            rules.TOO_SHORT, f"{length}: less than a fifth, and the outcome is complete.", where, stated
        )


def judge_segments(view: View) -> Iterator[Finding]:
    """Programme segments and state ranges: start before end, inside the audio (dictionary fields 8, 56)."""
    frames = view.frames
    for path in ("item/programme_segments", "signal/signal_state_ranges"):
        for row in view.rows(path):
            start, end = row.whole("start"), row.whole("end")
            if start is None or end is None:
                continue
            if end <= start or (frames is not None and end > frames):
                tail = f"the audio has {frames} frames" if end > start else "it ends before it begins"
                yield found(
                    rules.SEGMENTS,
                    f"Frames {start} to {end}: {tail}.",
                    row.pointer,
                    {"start": start, "end": end},
                )
