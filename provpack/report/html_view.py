"""The report as values: what stands in each part, decided from record, measurements, findings and files.

No decision on good or bad is made here that the record or a finding does not already hold; the overview only
sorts what is there into well, doubtful and unknown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from provpack.findings import Finding
from provpack.model.formats import read_moment
from provpack.package.figures import found_words, moment_words, number
from provpack.package.readfirst_words import (
    COPYRIGHT,
    NOT_MATCHING,
    ORIGINAL_CARRIER,
    PERSONAL_DATA,
    emphasis_words,
    exact_rate,
    one_line,
    outcome_words,
    rate_words,
    section,
)
from provpack.package.summary import damage_counts, damage_words, history_words, summarise
from provpack.report.html_fields import SECTIONS
from provpack.report.html_values import (
    LINES_MAX,
    Json,
    Row,
    entries,
    position,
    rows_of,
    words,
)
from provpack.report.sound_view import Sound, sound_view
from provpack.report.timeline import timeline
from provpack.report.wave_view import placed_events, wave, wave_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """What nobody may overlook about pre-emphasis: a sign, words, and the look of the box."""

    sign: str
    title: str
    look: str


HEADLINES: Mapping[str, Headline] = {
    "present": Headline(sign="♪", title="Sounds too bright on purpose", look="warn"),
    "mixed": Headline(sign="♪", title="Parts of it sound too bright on purpose", look="warn"),
    "removed": Headline(sign="♪", title="Already de-emphasised: do not do it again", look="warn"),
    "unknown": Headline(sign="?", title="Nobody knows whether it sounds right as it is", look="open"),
}


def _sound_is_clean(record: Json) -> bool:
    """Whether a program looked for damage and found none."""
    counts = damage_counts(record)
    return counts is not None and not found_words(counts)


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
        (heard and _sound_is_clean(record), damage_words(record)),
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
            f"{moment_words(one_line(capture.get('chain_check_at') or 'date not recorded'))}.",
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
    deck, capture = section(record, "deck"), section(record, "capture")
    interface, decoder = section(record, "interface"), section(record, "decoder")
    errors = sum(f.severity == "error" for f in findings)
    warnings = sum(f.severity == "warning" for f in findings)
    facts = [
        (record.get("outcome") not in ("complete", "clean"), outcome_words(record)),
        (not _sound_is_clean(record), damage_words(record)),
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
            decoder.get("error_indication") in ("some", "many"),
            "The decoder showed errors during the transfer.",
        ),
        (interface.get("cs_copy") == "asserted", "The copy bit found says: copyright asserted."),
        (decoder.get("copy_indicator") in ("on", "changed"), "The copy-prohibit lamp was seen."),
        (
            bool(record.get("waivers")),
            "Rules were knowingly set aside. See “Where the statements come from”.",
        ),
    ]
    return [said for holds, said in facts if holds and said] + _suspects(record)


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
                "at": moment_words(str(e.get("at", ""))),
                "what": words("type", e.get("type")),
                "how": {"seen": "seen by a person", "measured": "found by a program"}.get(
                    str(e.get("origin")), "not known"
                ),
                "note": str(e.get("note", "")),
            }
        )
    return out


def _dates(record: Json) -> list[tuple[str, str]]:
    """The dates a reader asks for first: recorded, read, packed."""
    starts = [read_moment(e.get("started_at")) for e in entries(record, "processing/passes")]
    first = min((m for m in starts if m is not None), key=lambda m: m.earliest, default=None)
    recorded = section(record, "item").get("recorded_date")
    return [
        ("Recorded", words("recorded_date", recorded) if recorded else "date not known"),
        ("read from the carrier", moment_words(first.text)[:10] if first else "date not known"),
        ("packed", moment_words(str(section(record, "made_by").get("at") or "date not known"))[:10]),
    ]


def _contents(record: Json, *, picture: bool, sound: bool) -> list[tuple[str, list[tuple[str, str]]]]:
    """The two parts of the page with their sections: (anchor, name)."""
    brief = [
        ("what", "What this is"),
        ("glance", "State at a glance"),
        *([("overview", "What the sound does where")] if picture else []),
        ("listen", "What to listen for"),
        ("timeline", "Who did what when"),
        ("check", "How to check it"),
        ("cautions", "Cautions"),
    ]
    full = [
        ("tape", "Which carrier"),
        ("chain", "Through which chain"),
        ("signal", "The signal: emphasis and rate"),
        *([("sound", "What the sound itself shows")] if sound else []),
        ("findings", "What was found"),
        ("steps", "Passes, steps and custody"),
        ("files", "Files and digests"),
        ("sources", "Where the statements come from"),
    ]
    return [("In short", brief), ("The full record", full)]


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
    counts = {name: sum(f.severity == name for f in findings) for name in order}
    said = summarise(record, counts)
    return {
        "record": record,
        "rate": rate,
        "rows": rows,
        "summary": said["summary"][0],
        "outcome": outcome_words(record),
        "history": history_words(record),
        "dates": _dates(record),
        "contents": _contents(record, picture=picture is not None, sound=sound is not None),
        "headline": HEADLINES.get(str(section(record, "signal").get("file_emphasis"))),
        "emphasis": emphasis_words(record),
        "rate_words": rate_words(record),
        "good": _good(record),
        "warnings": [*_warnings(record, findings), *_differing(sound)],
        "unknowns": _unknowns(record, rows),
        "cautions": said["cautions"],
        "general_cautions": [COPYRIGHT, PERSONAL_DATA, ORIGINAL_CARRIER],
        "listen": said["listen"],
        "picture": picture,
        "picture_words": wave_words(picture, record, measurements) if picture else "",
        "sound": sound,
        "findings": sorted(findings, key=lambda f: order[f.severity]),
        "timeline": timeline(record),
        "events": events(record, rate),
        "events_more": max(0, len(entries(record, "processing/transfer_events")) - LINES_MAX),
        "not_matching": NOT_MATCHING,
        "files": [dict(f) for f in files],
        "total": number(sum(int(f.get("bytes") or 0) for f in files)),
    }
