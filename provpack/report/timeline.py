"""Who did what when: custody, condition, treatments, chain check, passes, steps, measuring, sealing.

Every entry says how it is known. What has no date is not guessed into the order: it stands at the end.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import Any

from provpack.model.formats import read_date_time, read_moment
from provpack.package.figures import moment_words
from provpack.package.readfirst_words import section
from provpack.report.html_fields import Kind
from provpack.report.html_values import Json, derived_how, edtf_words, entries, words


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing that happened. at: as in the record, "" when nobody knows; when: the same for people."""

    at: str
    when: str
    what: str
    who: str
    result: str
    kind: Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """Steps in order of time, and those without a date."""

    dated: tuple[Step, ...]
    undated: tuple[Step, ...]


def timeline(record: Json) -> Timeline:
    """All steps of a record. A date without a time stands before the times of its day; the day is that of the
    place where the package was made."""
    made = read_date_time(str(section(record, "made_by").get("at")))
    zone = made.tzinfo if made else None
    dated: list[tuple[datetime, Step]] = []
    undated: list[Step] = []
    for step in _steps(record):
        at = _start(step.at, zone or UTC)
        if at is None:
            undated.append(replace(step, at="", when="date not known"))
        else:
            dated.append((at, step))
    dated.sort(key=lambda pair: pair[0])
    recorded = _recorded(record)
    return Timeline(
        dated=(*((recorded,) if recorded else ()), *(step for _, step in dated)),
        undated=tuple(undated),
    )


def _start(text: str, zone: tzinfo) -> datetime | None:
    """Where a date or time stands in the order; for a date alone the beginning of that day in zone."""
    exact = read_date_time(text)
    if exact is None and read_moment(text) is not None:
        exact = datetime.fromisoformat(text).replace(tzinfo=zone)
    try:
        return exact.astimezone(UTC) if exact is not None else None
    except OverflowError:
        return None


def _step(at: Any, what: str, who: Any = "", result: str = "", kind: Kind = "declared") -> Step:
    text = at if isinstance(at, str) else ""
    return Step(at=text, when=moment_words(text), what=what, who=str(who or ""), result=result, kind=kind)


def _recorded(record: Json) -> Step | None:
    """The recording itself: it was there before anything here, however vague its date."""
    said = section(record, "item").get("recorded_date")
    if not isinstance(said, str) or not any(c.isdigit() for c in said):
        return None
    step = _step("", "Recorded")
    return replace(step, at=said if read_moment(said) else "", when=edtf_words(said))


def _steps(record: Json) -> Iterator[Step]:
    yield from _before(record)
    yield from _passes(record)
    yield from _after(record)


def _before(record: Json) -> Iterator[Step]:
    for e in entries(record, "custody/custody_events"):
        result = str(e.get("signature_ref") or "")
        yield _step(e.get("at"), f"Custody: {words('type', e.get('type'))}",
                    f"{e.get('from')} → {e.get('to')}", result)  # fmt: skip
    condition = section(record, "condition")
    terms = condition.get("condition_terms")
    if condition.get("condition_assessed_at"):  # null: it was not assessed
        yield _step(condition["condition_assessed_at"], "Condition assessed", "",
                    words("condition_terms", terms))  # fmt: skip
    for e in entries(record, "condition/treatments"):
        if e.get("consent_at"):
            yield _step(e["consent_at"], f"Consent to treatment: {words('type', e.get('type'))}",
                        e.get("consent_by"), str(e.get("consent_ref") or ""))  # fmt: skip
        until = f"until {moment_words(str(e['end']))}" if e.get("end") else ""
        yield _step(e.get("start"), f"Treatment: {words('type', e.get('type'))}", e.get("agent"), until)
    capture = section(record, "capture")
    if capture.get("chain_check_at"):
        yield _step(capture["chain_check_at"], "Chain check passed", capture.get("chain_check_id"))


def _passes(record: Json) -> Iterator[Step]:
    operator = str(section(record, "people").get("operator") or "")
    for e in entries(record, "processing/passes"):
        until = f"until {moment_words(str(e['stopped_at']))}; " if e.get("stopped_at") else ""
        deck = f"deck {e['deck_id']}" if e.get("deck_id") else "deck not recorded"
        yield _step(
            e.get("started_at"),
            f"Pass {e.get('n')}",
            ", ".join(filter(None, (operator, deck))),
            until + words("outcome", e.get("outcome", "unknown")),
        )


def _after(record: Json) -> Iterator[Step]:
    noted = derived_how(record)
    for n, e in enumerate(entries(record, "processing/processing_steps")):
        by_program = f"processing/processing_steps/{n}" in noted
        yield _step(e.get("at"), f"Processing: {words('type', e.get('type'))}",
                    e.get("tool", e.get("agent")), str(e.get("output_path") or ""),
                    "derived" if by_program else "declared")  # fmt: skip
    measured = section(record, "measured")
    if measured:
        by = f"{measured.get('tool', '')} {measured.get('version', '')}".strip()
        yield _step(measured.get("at"), "Sound measured", by, "", "measured")
    for e in entries(record, "equipment_status"):
        yield _step(e.get("at"), f"Equipment {words('status', e.get('status'))}: {e.get('equipment_id')}",
                    e.get("by"), str(e.get("note") or ""))  # fmt: skip
    for e in entries(record, "waivers"):
        yield _step(e.get("at"), f"Rule set aside: {e.get('rule')}", e.get("by"), str(e.get("reason") or ""))
    made = section(record, "made_by")
    by = f"{made.get('tool', '')} {made.get('version', '')}".strip()
    yield _step(
        made.get("at"), "Package made and sealed", by, str(record.get("package_name") or ""), "derived"
    )
