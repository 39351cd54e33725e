"""The facts of a transfer record that the catalogue keeps. Pure; a record of a stranger is forgiven anything.

Each fact as the record has it: what is of another kind than it should be counts as not told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import Any, Final

from provpack.jobs.harvestparts import parts_of
from provpack.jobs.harvestwords import (
    LONGEST_LABEL,
    LONGEST_TEXT,
    day,
    moment,
    no_later_than,
    seconds,
    text,
    whole,
)
from provpack.model.judge_chain import check_age_days
from provpack.model.recordview import View

Facts = dict[str, Any]
"""Members of catalogue.values.Package by name."""

OUR_TOOL: Final = "provpack"
DAMAGE: Final = ("hold", "mute", "interpolation", "click")
_TEXTS: Final = {
    "record_id": "record_id",
    "record_version": "schema_version",
    "tool_version": "made_by/version",
    "job_id": "job_id",
    "transfer_id": "transfer_id",
    "client": "people/client",
    "client_item_id": "item/client_item_id",
    "title": "item/title",
    "carrier_id": "carrier/carrier_id",
    "carrier_type": "carrier/carrier_type",
    "carrier_stock": "carrier/carrier_stock",
    "recording_format": "carrier/recording_format",
    "source_domain": "item/source_domain",
    "outcome": "outcome",
    "tape_emphasis": "signal/tape_emphasis",
    "file_emphasis": "signal/file_emphasis",
    "operator": "people/operator",
    "rights_basis": "rights/rights_basis",
    "audio_sha256": "audio_sha256",
}
_DAYS: Final = {
    "access_restriction_until": "rights/access_restriction_until",
    "next_check_due": "retention/next_check_due",
    "retention_until": "retention/retention_until",
}
_MADE_BY_PROGRAMS: Final = frozenset({"measured", "derived", "declared_in", "coding_history"})
_FREE: Final = frozenset({"note", "reason", "title", "client_item_id", "carrier_id", "original_name"})
_ELSEWHERE: Final = frozenset({"item/title", "item/client_item_id", "carrier/carrier_id"})
_MOST_NODES: Final = 200_000
_SUPERSEDED: Final = ("tagmanifest_sha512", "record_id")


def record_facts(record: Mapping[str, object]) -> Facts:
    """What a record tells; members it does not tell are left out or None."""
    view = View(record=record)
    facts: Facts = {name: text(view.get(path)) for name, path in _TEXTS.items()}
    facts |= {name: day(view.get(path)) for name, path in _DAYS.items()}
    facts["made_at"] = moment(view.get("made_by/at"))
    facts["access_restriction"] = text(view.get("rights/access_restriction"), LONGEST_LABEL)
    facts["label"] = text(view.get("carrier/label_transcription"), LONGEST_LABEL)
    facts["notes"] = free_texts(record)
    facts["deck_id"] = _used(view, "deck_id", "deck/deck_id")
    facts["decoder_id"] = _used(view, "decoder_id", "decoder/decoder_id")
    facts |= _times(view)
    facts |= _damage(view)
    facts["parts"] = parts_of(view)
    old = next((said for key in _SUPERSEDED if (said := text(view.get(f"supersedes/{key}")))), None)
    facts["supersedes"] = old.lower() if old else None
    facts["names_held_back"] = bool(record.get("held_back"))
    return facts


def roles(record: Mapping[str, object]) -> dict[str, str]:
    """path -> role of the files the record speaks of."""
    found: dict[str, str] = {}
    for row in View(record=record).rows("files"):
        path, role = row.text("path"), text(row.fields.get("role"))
        if path and role:
            found.setdefault(path, role)
    return found


def _used(view: View, key: str, path: str) -> str | None:
    """The machine of the transfer as a whole, else that of its first pass that names one."""
    named = text(view.get(path))
    passes = (text(row.fields.get(key)) for row in view.rows("processing/passes"))
    return named or next((name for name in passes if name), None)


def _times(view: View) -> Facts:
    """transferred_at: when the first dated pass began. check_age_days: as rule 30 counts them."""
    first = view.first_pass
    return {
        "transferred_at": moment(first.text) if first is not None else None,
        "chain_check_at": no_later_than(view.get("capture/chain_check_at")),
        "check_age_days": check_age_days(view),
    }


def _damage(view: View) -> Facts:
    """Places and seconds of measured damage, None where none was looked for. Of very many places only the
    first few thousand are in a record: then both figures mean "at least"."""
    rows = view.rows("measured/events_detected")
    damaged = [row for row in rows if row.text("type") in DAMAGE]
    counts = view.get("measured/event_counts")
    looked = isinstance(view.get("measured/events_detected"), list)
    events: int | None = None
    if isinstance(counts, Mapping):
        told = [n for kind in DAMAGE if (n := whole(counts.get(kind))) is not None]
        events = whole(sum(told)) if told else None
    elif looked:
        events = len(damaged)
    length = None
    if looked and events is not None:
        spans = [(row.whole("start"), row.whole("length")) for row in damaged]
        frames = _covered((s, s + n) for s, n in spans if s is not None and n is not None and n > 0)
        rate = view.rate("signal/sampling_frequency") or _rate_by_length(view)
        length = seconds(Fraction(frames) / rate) if rate else (0.0 if not frames else None)
    return {
        "duration_s": seconds(view.get("measured/duration_s")),
        "damage_events": events,
        "damage_seconds": length,
    }


def _rate_by_length(view: View) -> Fraction | None:
    frames, length = view.frames, seconds(view.get("measured/duration_s"))
    return Fraction(frames) / Fraction(length) if frames and frames > 0 and length else None


def _covered(spans: Iterator[tuple[int, int]] | Any) -> int:
    """Frames in at least one of the half-open spans: what is damaged on both channels counts once."""
    total, reached = 0, None
    for start, end in sorted(spans):
        if reached is None or start > reached:
            total, reached = total + end - start, end
        elif end > reached:
            total, reached = total + end - reached, end
    return total


def free_texts(record: Mapping[str, object]) -> str | None:
    """Every note, reason and further title or name in the record, each once, for searching."""
    kept: dict[str, None] = {}
    room, nodes = LONGEST_TEXT, 0
    waiting: list[tuple[str, object]] = [("", record)]
    while waiting and room > 0 and nodes < _MOST_NODES:
        path, place = waiting.pop()
        nodes += 1
        if isinstance(place, Mapping):
            if place.get("tool") == OUR_TOOL:
                continue  # the same words in every package
            inner = [(f"{path}/{k}" if path else str(k), v) for k, v in place.items()]
            waiting += [(p, v) for p, v in reversed(inner) if p not in _MADE_BY_PROGRAMS]
        elif isinstance(place, list):
            waiting += [(f"{path}/-", value) for value in reversed(place[:_MOST_NODES])]
        elif path not in _ELSEWHERE and _is_free(path.rpartition("/")[2]):
            said = text(place, room)
            if said is not None and said not in kept:
                kept[said] = None
                room -= len(said) + 1
    return "\n".join(kept) or None


def _is_free(key: str) -> bool:
    return key in _FREE or key.endswith("_note")
