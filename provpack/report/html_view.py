"""The report as values: what stands in each part, decided from record, measurements, findings and files.

No decision on good or bad is made here that the record or a finding does not already hold; the overview only
sorts what is there into well, doubtful and unknown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from fractions import Fraction
from typing import Any

from provpack.findings import Finding
from provpack.package.readfirst_words import (
    emphasis_words,
    exact_rate,
    one_line,
    outcome_words,
    rate_words,
    section,
)
from provpack.report.html_fields import SECTIONS
from provpack.report.html_values import (
    LINES_MAX,
    Json,
    Row,
    entries,
    moment,
    number,
    position,
    rows_of,
    words,
)
from provpack.report.sound_view import Sound, sound_view
from provpack.report.wave_view import placed_events, wave, wave_words


def _good(record: Json) -> list[str]:
    deck, capture, signal = section(record, "deck"), section(record, "capture"), section(record, "signal")
    rate, header = exact_rate(record), signal.get("header_sampling_frequency_hz")
    check = capture.get("chain_check_id")
    # Without audio nothing was captured, whatever the defaults of the chain say.
    heard = bool(record.get("audio_sha256"))
    facts = [
        (record.get("outcome") in ("complete", "clean"), outcome_words(record)),
        (
            bool(record.get("audio_sha256")),
            "The sound has a digest of its own: later damage can be told from edited text.",
        ),
        (
            deck.get("dropout_compensator") == "off",
            "The dropout compensator of the playback machine was off.",
        ),
        (deck.get("picture_processing") == [], "No picture processing was on."),
        (
            heard and capture.get("src_in_path") == "no",
            "No sample-rate converter was in the path.",
        ),
        (
            heard and capture.get("clock_source") == "source",
            "The capture was clocked by the signal itself.",
        ),
        (
            check not in (None, "none", "unknown"),
            f"The chain had passed a check before: {one_line(check)}, "
            f"{moment(one_line(capture.get('chain_check_at') or 'date not recorded'))}.",
        ),
        (
            rate is not None and isinstance(header, int) and abs(rate - header) <= Fraction(1, 2),
            "Header and exact sampling frequency agree as closely as a whole number can.",
        ),
        (
            signal.get("file_emphasis") in ("present", "removed", "absent"),
            "The state of pre-emphasis in the file is known.",
        ),
    ]
    return [said for holds, said in facts if holds]


def _warnings(record: Json, findings: Sequence[Finding]) -> list[str]:
    deck, capture, signal = section(record, "deck"), section(record, "capture"), section(record, "signal")
    interface, decoder, rights = (section(record, name) for name in ("interface", "decoder", "rights"))
    errors = sum(f.severity == "error" for f in findings)
    warnings = sum(f.severity == "warning" for f in findings)
    facts = [
        (record.get("outcome") not in ("complete", "clean"), outcome_words(record)),
        (errors > 0, f"Findings that are errors: {errors}. See “What was found”."),
        (warnings > 0, f"Findings that are warnings: {warnings}. See “What was found”."),
        (
            deck.get("dropout_compensator") == "on",
            "The dropout compensator was on: damage may be hidden by repeated lines.",
        ),
        (
            bool(deck.get("picture_processing")),
            "Picture processing was on or in doubt; it can harm the data.",
        ),
        (
            capture.get("src_in_path") == "yes",
            "A sample-rate converter was in the path: the samples are not those of the tape.",
        ),
        (capture.get("chain_check_id") == "none", "The chain was never tested."),
        (
            signal.get("file_emphasis") == "present",
            "The master carries pre-emphasis: it sounds too bright as it is.",
        ),
        (signal.get("file_emphasis") == "mixed", "Pre-emphasis changes within the file."),
        (
            decoder.get("error_indication") in ("some", "many"),
            "The decoder showed errors during the transfer.",
        ),
        (interface.get("cs_copy") == "asserted", "The copy bit found says: copyright asserted."),
        (decoder.get("copy_indicator") in ("on", "changed"), "The copy-prohibit lamp was seen."),
        (bool(rights.get("access_restriction")), "Access is restricted. See “Cautions”."),
        (rights.get("personal_data") is True, "There is personal data. See “Cautions”."),
        (
            bool(record.get("waivers")),
            "Rules were knowingly set aside. See “Where the statements come from”.",
        ),
        (
            bool(record.get("derived_from")),
            "The received file had been made from an earlier one by somebody else.",
        ),
    ]
    return [said for holds, said in facts if holds] + _suspects(record)


def _differing(sound: Sound | None) -> list[str]:
    """What was declared and measured otherwise."""
    facts = [row.fact.lower() for row in sound.compared if row.verdict == "differ"] if sound else []
    return (
        [f"Declared and measured differ: {', '.join(facts)}. See “What the sound itself shows”."]
        if facts
        else []
    )


def _suspects(record: Json) -> list[str]:
    """Equipment whose last status is suspect."""
    last = {str(e.get("equipment_id")): e for e in entries(record, "equipment_status")}
    return [
        f"Equipment {one_line(name)} is suspect: {one_line(entry.get('note', ''))}"
        for name, entry in last.items()
        if entry.get("status") == "suspect"
    ]


def _unknowns(record: Json, rows: Mapping[str, Sequence[Row]]) -> list[str]:
    said = [f"{row.label}: {row.value}" for part in rows.values() for row in part if row.doubtful]
    unclear = [e for e in entries(record, "signal/signal_state_ranges") if e.get("emphasis") == "unknown"]
    if unclear:
        said.append(f"Stretches whose pre-emphasis nobody knows: {len(unclear)}")
    if section(record, "condition").get("condition_assessed_at", "") is None:
        said.append("The condition of the carrier was not assessed.")
    undated = [
        e for e in entries(record, "processing/passes") if not (e.get("started_at") and e.get("stopped_at"))
    ]
    if section(record, "capture").get("chain_check_id") == "unknown":
        said.append("Whether the chain had passed a test: unknown (nobody knows)")
    if undated:
        said.append("Passes without complete times: " + ", ".join(str(e.get("n")) for e in undated))
    return said


def _when(text: Any) -> tuple[int, str]:
    """Sort key of a date or time: its moment in UTC, a date alone at its start; unknown last."""
    if not isinstance(text, str):
        return (1, "")
    try:
        stamp = datetime.fromisoformat(text)
        offset, plain = stamp.utcoffset(), stamp.replace(tzinfo=None)
        return (0, (plain - offset if offset else plain).isoformat())
    except (ValueError, OverflowError):
        return (1, text)


def timeline(record: Json) -> list[dict[str, str]]:
    """What happened to the carrier and its files, in order of time."""
    rows: list[tuple[Any, str, str, str]] = []
    for e in entries(record, "custody/custody_events"):
        rows.append(
            (e.get("at"), "Custody: " + words("type", e.get("type")), f"{e.get('from')} → {e.get('to')}", "")
        )
    condition = section(record, "condition")
    if condition.get("condition_assessed_at"):
        terms = words("condition_terms", condition.get("condition_terms"))
        rows.append((condition["condition_assessed_at"], "Condition assessed", "", terms))
    for e in entries(record, "condition/treatments"):
        until = f"until {moment(e['end'])}" if e.get("end") else ""
        rows.append(
            (e.get("start"), "Treatment: " + words("type", e.get("type")), str(e.get("agent", "")), until)
        )
    capture = section(record, "capture")
    if capture.get("chain_check_at"):
        rows.append((capture["chain_check_at"], "Chain check passed", str(capture.get("chain_check_id")), ""))
    for e in entries(record, "processing/passes"):
        until = f"until {moment(e['stopped_at'])}; " if e.get("stopped_at") else ""
        done = until + words("outcome", e.get("outcome", "unknown"))
        rows.append(
            (e.get("started_at"), f"Pass {e.get('n')}", f"deck {e.get('deck_id', 'not recorded')}", done)
        )
    for e in entries(record, "processing/processing_steps"):
        rows.append(
            (
                e.get("at"),
                "Processing: " + words("type", e.get("type")),
                str(e.get("tool", e.get("agent", ""))),
                "",
            )
        )
    for e in entries(record, "equipment_status"):
        rows.append(
            (
                e.get("at"),
                f"Equipment {words('status', e.get('status'))}",
                str(e.get("equipment_id")),
                str(e.get("note", "")),
            )
        )
    made = section(record, "made_by")
    rows.append((made.get("at"), "Package made", f"{made.get('tool', '')} {made.get('version', '')}", ""))
    rows.sort(key=lambda r: _when(r[0]))
    return [{"when": moment(str(w or "not known")), "what": a, "who": b, "result": c} for w, a, b, c in rows]


def events(record: Json, rate: Fraction | None) -> list[dict[str, str]]:
    """Events on the recording, numbered as in the picture; those without a place come last, unnumbered."""
    placed = placed_events(record)
    loose = [e for e in entries(record, "processing/transfer_events") if not isinstance(e.get("frame"), int)]
    out: list[dict[str, str]] = []
    for n, e in enumerate([*placed, *loose][:LINES_MAX], start=1):
        there = n <= len(placed)
        out.append(
            {
                "number": str(n) if there else "–",
                "where": position(e["frame"], rate) if there else "no audio",
                "at": moment(str(e.get("at", ""))),
                "what": words("type", e.get("type")),
                "how": {"seen": "seen by a person", "measured": "found by a program"}.get(
                    str(e.get("origin")), "not known"
                ),
                "note": str(e.get("note", "")),
            }
        )
    return out


def build_view(
    record: Json,
    *,
    measurements: Mapping[str, Any] | None,
    findings: Sequence[Finding],
    files: Sequence[Json],
) -> dict[str, Any]:
    """Everything the template shows, as plain values."""
    rate = exact_rate(record)
    rows = {name: rows_of(record, name, rate) for name in SECTIONS}
    picture = wave(record, measurements)
    sound = sound_view(record, measurements, rate)
    order = {"error": 0, "warning": 1, "note": 2}
    return {
        "record": record,
        "rate": rate,
        "rows": rows,
        "good": _good(record),
        "warnings": [*_warnings(record, findings), *_differing(sound)],
        "unknowns": _unknowns(record, rows),
        "emphasis": emphasis_words(record),
        "rate_words": rate_words(record),
        "outcome": outcome_words(record),
        "picture": picture,
        "picture_words": wave_words(picture, record, measurements) if picture else "",
        "sound": sound,
        "findings": sorted(findings, key=lambda f: order[f.severity]),
        "timeline": timeline(record),
        "events": events(record, rate),
        "events_more": max(0, len(entries(record, "processing/transfer_events")) - LINES_MAX),
        "files": [dict(f) for f in files],
        "total": number(sum(int(f.get("bytes") or 0) for f in files)),
    }
