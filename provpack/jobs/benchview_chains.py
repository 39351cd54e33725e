"""The chains side by side, as the page shows them: what runs, what can be started, what was logged last.

All decisions are taken here; the template only draws. Desk -> plain values.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final

from provpack.jobs.benchact import clock_words
from provpack.jobs.benchdesk import Desk, DeskInfo
from provpack.jobs.benchview_settings import (
    chain_test,
    equipment_options,
    last_pass,
    proposals,
    setting_groups,
)
from provpack.jobs.loaded import LoadedJob, LoadedTransfer
from provpack.model.formats import read_date_time
from provpack.model.vocab import PASS_OUTCOME
from provpack.package.benchstate import BenchState, LoggedEvent, Pass, Taken
from provpack.package.benchtime import EMPHASIS, MODES

EVENT_GROUPS: Final[tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...]] = (
    (
        "What is heard and shown",
        (
            ("error_lamp", "Error lamp", "e"),
            ("interpolation_seen", "Interpolation", "i"),
            ("hold", "Sound held", "h"),
            ("mute", "Sound muted", "m"),
            ("unlock", "Signal lost", "u"),
            ("relock", "Signal back", "r"),
            ("copy_flag", "Copy lamp", "y"),
        ),
    ),
    (
        "Emphasis and word length",
        (
            ("emphasis_on", "Emphasis on", "p"),
            ("emphasis_off", "Emphasis off", "o"),
            ("mode_14", "14 bits now", "f"),
            ("mode_16", "16 bits now", "x"),
        ),
    ),
    (
        "Tape, machine, capture",
        (
            ("tracking_adjust", "Tracking adjusted", "t"),
            ("head_clog", "Head clogged", "c"),
            ("stop_cleaned", "Stopped, cleaned", "k"),
            ("standard_change", "Standard changed", "v"),
            ("capture_start", "Capture begins", "g"),
            ("capture_stop", "Capture ends", "q"),
        ),
    ),
    (
        "What is on the tape",
        (
            ("programme_start", "Programme begins", "b"),
            ("programme_end", "Programme ends", "d"),
            ("speech_slate", "Spoken slate", "a"),
            ("silence", "Silence", "s"),
            ("join", "Join", "j"),
        ),
    ),
)
"""Heading -> (event type, plain words, key). operator_note has a field of its own, key n."""

EVENT_WORDS: Final[Mapping[str, str]] = {
    **{kind: words for _, events in EVENT_GROUPS for kind, words, _ in events},
    "operator_note": "Note",
}
OUTCOMES: Final[Mapping[str, str]] = {
    "complete": "Complete: the tape was played to its end",
    "partial": "Part of it: some of the tape was not played",
    "stopped_for_safety": "Stopped so that nothing is damaged",
    "no_pcm_found": "No digital audio found on it",
    "failed": "Failed: what was captured is of no use",
    "unknown": "Cannot be told yet",
}
SHAPES: Final = ("circle", "square", "triangle", "diamond", "pentagon", "cross")
PATTERNS: Final = ("slanted", "dotted", "level", "chequered", "upright", "crossed")
SHOWN_FIRST: Final = 2
EVENTS_SHOWN: Final = 8
_SHORT_ID: Final = 3

assert set(OUTCOMES) == set(PASS_OUTCOME)


def chains_view(desk: Desk, info: DeskInfo) -> dict[str, Any]:
    """The page: {lanes, add, none_taken, carriers_words}. One lane per chain, in the order of the sheets."""
    job, state, now = desk.job(), desk.state, desk.now()
    chains = desk.chains()
    carriers = _carriers(desk, job, state)
    defaults = {name: desk.in_force("defaults", None, name) for name in _default_fields()}
    short = all(len(chain_id) <= _SHORT_ID for chain_id in chains)
    running = {p.chain_id: p for p in state.running()}
    lanes = []
    for number, (chain_id, chain) in enumerate(chains.items(), 1):
        going = running.get(chain_id)
        lane: dict[str, Any] = {
            "id": chain_id,
            "name": f"chain {chain_id}",
            "sign": chain_id if short else str(number),
            "number": number,
            "digit": str(number) if number <= 9 else "",
            "shape": SHAPES[(number - 1) % len(SHAPES)],
            "pattern": PATTERNS[(number - 1) % len(PATTERNS)],
            "first": number <= SHOWN_FIRST,
            "running": None,
            "rest": None,
        }
        if going is not None:
            lane["running"] = _running(job, going, now)
        else:
            lane["rest"] = _rest(job, state, chain_id, chain, defaults, now)
        lanes.append(lane)
    for going in state.running():
        if going.chain_id not in chains:
            lanes.append(_orphan(job, going, len(lanes) + 1, now))
    return {
        "troubles": desk.troubles,
        "lanes": lanes,
        "carriers": carriers,
        "packed": sum(1 for t in job.transfers if desk.sealed(t.transfer_id) is not None),
        "taken_any": bool(job.transfers or state.transfers),
        "decks": equipment_options(job, "deck", None),
        "outcomes": tuple(OUTCOMES.items()),
        "by": info.by,
    }


def _default_fields() -> tuple[str, ...]:
    from provpack.jobs.sheetfields import sheet_fields

    fields = sheet_fields()
    return tuple(name for name in fields.chain if name in fields.defaults)


def _orphan(job: LoadedJob, going: Pass, number: int, now: datetime) -> dict[str, Any]:
    """A running pass whose chain is no longer in the sheets: it must stay in sight until it is stopped."""
    return {
        "id": going.chain_id,
        "name": f"chain {going.chain_id}",
        "sign": going.chain_id if len(going.chain_id) <= _SHORT_ID else str(number),
        "number": number,
        "digit": str(number) if number <= 9 else "",
        "shape": SHAPES[(number - 1) % len(SHAPES)],
        "pattern": PATTERNS[(number - 1) % len(PATTERNS)],
        "first": True,
        "running": {
            **_running(job, going, now),
            "gone": f"Chain {going.chain_id} is no longer in job.toml. Stop the pass, or put the chain back.",
        },
        "rest": None,
    }


# -- carriers ------------------------------------------------------------------------------------------------
def _carriers(desk: Desk, job: LoadedJob, state: BenchState) -> list[dict[str, Any]]:
    """Carriers that can be played now: not running, not packed. Those not played yet come first."""
    busy = {p.transfer_id for p in state.running()}
    rows = {t.transfer_id: t for t in job.transfers}
    known = list(rows) + [i for i in state.transfers if i not in rows]
    out = []
    for transfer_id in known:
        if not transfer_id or transfer_id in busy or desk.sealed(transfer_id) is not None:
            continue
        row = rows.get(transfer_id)
        if row is not None and row.follows:
            continue  # it has the recording of the one it corrects
        said = row.values if row is not None else {}
        passes = _played(row, state.transfers.get(transfer_id))
        parts = [_carrier_words(transfer_id, said)]
        if passes:
            parts.append(f"played {'once' if passes == 1 else f'{passes} times'} already")
        out.append({"id": transfer_id, "words": "; ".join(parts), "passes": passes})
    return sorted(out, key=lambda one: bool(one["passes"]))


def _played(row: LoadedTransfer | None, taken: Taken | None) -> int:
    """How often the carrier was played, by log and sheets; a row with a start or a file: one time."""
    listed = row.values.get("passes") if row is not None else None
    in_sheets = len(listed) if isinstance(listed, list) else 0
    if row is not None and (row.started_at is not None or row.file is not None):
        in_sheets = max(in_sheets, 1)
    return max(in_sheets, len(taken.passes) if taken is not None else 0)


def _carrier_words(transfer_id: str, values: Mapping[str, Any]) -> str:
    """The identifiers on the carrier, then its title as far as one line holds it."""
    ids = [transfer_id]
    for name in ("carrier_id", "client_item_id"):
        said = values.get(name)
        if isinstance(said, str) and said not in ids:
            ids.append(said)
    title = values.get("title")
    title = title if isinstance(title, str) and title else "no title yet"
    return f"{' / '.join(ids)}: {title if len(title) <= 70 else title[:69] + '…'}"


# -- a chain at rest -----------------------------------------------------------------------------------------
def _rest(
    job: LoadedJob, state: BenchState, chain_id: str, chain: Mapping[str, Any],
    defaults: Mapping[str, Any], now: datetime,
) -> dict[str, Any]:  # fmt: skip
    proposed = proposals(state, chain_id, chain, defaults, now)
    before = last_pass(state, chain_id)
    return {
        "groups": setting_groups(job, proposed),
        "test": chain_test(job, chain_id, proposed, now),
        "in_use": _in_use(state, {name: one.value for name, one in proposed.items()}),
        "last": None if before is None else _last(job, before, now),
        "deck_id": proposed["deck_id"].value,
        "checks": _checks_of(job, proposed["deck_id"].value),
        "from_log": before is not None,
    }


def _checks_of(job: LoadedJob, deck_id: Any) -> list[Any]:
    """Tests the register has for that machine, as declared; a new one is put at their end."""
    item = job.equipment.get(deck_id) if isinstance(deck_id, str) else None
    checks = item.raw.get("checks", []) if item is not None else []
    return list(checks) if isinstance(checks, list) else []


def _in_use(state: BenchState, settings: Mapping[str, Any]) -> list[str]:
    """What of this chain a pass that runs now uses already; the desk refuses a start as long as it does."""
    out = []
    for p in state.running():
        if settings.get("deck_id") is not None and p.settings.get("deck_id") == settings["deck_id"]:
            out.append(f"{settings['deck_id']} plays {p.transfer_id} on chain {p.chain_id} now.")
        device, put = settings.get("capture_device_id"), settings.get("capture_input")
        same_input = (p.settings.get("capture_device_id"), p.settings.get("capture_input")) == (device, put)
        if device is not None and put is not None and same_input:
            out.append(f"{device}, input {put}, captures {p.transfer_id} on chain {p.chain_id} now.")
    return out


def _last(job: LoadedJob, before: Pass, now: datetime) -> dict[str, Any]:
    return {
        "transfer_id": before.transfer_id,
        "number": before.number,
        "words": _carrier_words(before.transfer_id, _values(job, before.transfer_id)),
        "started": clock_words(before.started_at, now),
        "stopped": clock_words(before.stopped_at or "", now),
        "stopped_n": before.stopped_n,
        "outcome": OUTCOMES.get(before.outcome or "", before.outcome or ""),
        "file": before.attached.file if before.attached else "",
        "events": len(before.events),
    }


def _values(job: LoadedJob, transfer_id: str) -> Mapping[str, Any]:
    return next((t.values for t in job.transfers if t.transfer_id == transfer_id), {})


# -- a running chain -----------------------------------------------------------------------------------------
def _running(job: LoadedJob, going: Pass, now: datetime) -> dict[str, Any]:
    values = _values(job, going.transfer_id)
    events = sorted(going.events, key=lambda e: (_instant(e.at), e.n))
    title = values.get("title")
    return {
        "transfer_id": going.transfer_id,
        "number": going.number,
        "carrier": [
            str(values[name])
            for name in ("carrier_id", "client_item_id")
            if values.get(name) not in (None, going.transfer_id)
        ],
        "title": title if isinstance(title, str) and title else "no title yet",
        "since": going.started_at,
        "started": clock_words(going.started_at, now),
        "clock": _elapsed(going.started_at, now),
        "n": going.n,
        "by": going.by or "",
        "changed": list(going.changed),
        "settings": dict(going.settings),
        "states": [
            _state("Emphasis", events, EMPHASIS, {"on": "on", "off": "off"}, now),
            _state("Word length", events, MODES, {"14": "14 bits", "16": "16 bits"}, now),
        ],
        "groups": [
            {
                "title": title,
                "events": [
                    {
                        "type": kind,
                        "words": words,
                        "key": key,
                        "count": sum(1 for e in events if e.type == kind),
                    }
                    for kind, words, key in kinds
                ],
            }
            for title, kinds in EVENT_GROUPS
        ],
        "events": _lines(going, events, now),
        "count": len(events) + len(going.notes),
        "gone": "",
    }


def _instant(text: str) -> datetime:
    """The moment a line of the log states; one that cannot be read sorts first and is shown as it stands."""
    return read_date_time(text) or datetime.min.replace(tzinfo=UTC)


def _elapsed(text: str, now: datetime) -> str:
    seconds = max(0, int((now - _instant(text)).total_seconds()))
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _state(
    label: str, events: list[LoggedEvent], kinds: Mapping[str, str], words: Mapping[str, str], now: datetime
) -> dict[str, Any]:
    """What was last said of one thing that can change in mid-tape: {label, words, since, iso, said}."""
    last = next((e for e in reversed(events) if e.type in kinds), None)
    if last is None:
        return {"label": label, "words": "nobody has said", "since": "", "iso": "", "said": False}
    return {
        "label": label,
        "words": words[kinds[last.type]],
        "since": clock_words(last.at, now),
        "iso": last.at,
        "said": True,
    }


def _lines(going: Pass, events: list[LoggedEvent], now: datetime) -> dict[str, Any]:
    """What was logged, the newest first: {shown: [...], more: [...]} of {n, iso, at, words, note, late}."""
    lines = [
        _line(e.n, e.at, EVENT_WORDS.get(e.type, e.type.replace("_", " ")), e.note, e.written_at, now)
        for e in events
    ]
    lines += [_line(note.n, note.at, "Note", note.text, note.at, now) for note in going.notes]
    lines.sort(key=lambda one: (_instant(str(one["iso"])), one["n"]), reverse=True)
    return {"shown": lines[:EVENTS_SHOWN], "more": lines[EVENTS_SHOWN:]}


def _line(n: int, at: str, words: str, note: str, written_at: str, now: datetime) -> dict[str, Any]:
    """One thing written down; late: when it was written, if that was a second or more afterwards."""
    late = (_instant(written_at) - _instant(at)).total_seconds() >= 1
    return {
        "n": n,
        "iso": at,
        "at": clock_words(at, now),
        "words": words,
        "note": note,
        "late": clock_words(written_at, now) if late else "",
    }
