"""What the sheets of a job tell of custody, as lines of the ledger: receipts, passes, returns, retention and
fault notices. Entering the same sheets again enters nothing; what was declared anew is entered as a new line.

Nobody's name is taken out of the sheets but the organisations of a hand-over: the record holds the people.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from provpack import __version__
from provpack.edge.ledger import append_new, read_ledger
from provpack.edge.ledgerend import COMPARE
from provpack.edge.schemas import validate
from provpack.errors import PackageProblem
from provpack.jobs.draft import build_record_draft
from provpack.jobs.loaded import LoadedJob, LoadedTransfer
from provpack.model.formats import read_moment
from provpack.package import ledgerline as kinds
from provpack.package.ledgerchain import NO_PREVIOUS, Entry
from provpack.package.ledgerline import ledger_line
from provpack.package.names import package_name

Key = tuple[object, ...]

_NO_RECORD = "00000000-0000-0000-0000-000000000000"
_EVENTS: Mapping[str, tuple[str, str]] = {
    "received": (kinds.CARRIER_RECEIVED, "from"),
    "returned": (kinds.CARRIER_RETURNED, "to"),
    "retained": (kinds.RETAINED, "to"),
    "destroyed": (kinds.DESTROYED, "to"),
    "moved": (kinds.MOVED, "to"),
    "handed_over": (kinds.NOTE, "to"),
    "other": (kinds.NOTE, "to"),
}
"""Type of a custody event -> kind of line, and which of its two sides is the other one."""


def enter_job(job: LoadedJob, ledger: Path, now: datetime) -> list[dict[str, Any]]:
    """Append what the sheets tell and the ledger does not have yet; the lines appended, [] when nothing new.

    Looked up and appended under one lock, so two wraps at once enter nothing twice. Raises ProvpackError when
    the ledger cannot be written; the sheets themselves are never a reason to raise.
    """
    check_whole(ledger)
    lines = _valid(_all_lines(job, now.isoformat()))
    known: set[Key] = set()
    return append_new(ledger, lambda: _new(lines, known), see=lambda entry: known.update(_keys(entry)))


def check_whole(ledger: Path) -> None:
    """Raises PackageProblem when the ledger is broken: a line more would only make it look alive."""
    if not ledger.is_file():
        return  # a new one; or no file, which appending refuses
    chain = read_ledger(ledger)
    if chain.breaks:
        lines = chain.breaks[0].lines
        raise PackageProblem(
            "ledger-broken", f"The custody ledger is broken, so nothing was entered. {chain.trouble}",
            where=f"{ledger}, line {lines[0]}" if lines else str(ledger), todo=COMPARE,
        )  # fmt: skip


def _valid(lines: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Without those that break the schema: they come from cells that `check` refuses, and says why."""
    return [x for x in lines if not validate("ledger-entry", {**x, "n": 1, "previous": NO_PREVIOUS})]


def _new(lines: Iterable[dict[str, Any]], known: set[Key]) -> list[dict[str, Any]]:
    out = []
    for line in lines:
        keys = _keys(line)
        if not keys & known:
            out.append(line)
        known |= keys
    return out


def _keys(entry: Entry) -> set[Key]:
    """What makes two lines the same event: one key for each name its subject goes by."""
    kind = entry.get("kind")
    when = _instant(entry.get("happened_at") or entry.get("started_at"))
    if kind in (kinds.FAULT_NOTED, kinds.FAULT_CLEARED):
        return {(kind, entry.get("equipment_id"), entry.get("notice_id") or when)}
    if kind == kinds.PASS_MADE:
        return {(kind, entry.get("job_id"), entry.get("transfer_id"), entry.get("pass_n"), when)}
    if kind == kinds.RETAINED and entry.get("until"):
        return {(kind, entry.get("package") or _subject(entry), entry.get("until"))}
    if kind in (kinds.WRAPPED, kinds.FIXITY_CHECKED):
        return set()
    words = entry.get("note") if kind == kinds.NOTE else None
    return {
        (kind, name, when, words) for name in (entry.get("carrier_id"), entry.get("client_item_id")) if name
    }


def _subject(entry: Entry) -> object:
    return entry.get("carrier_id") or entry.get("client_item_id")


def _instant(text: object) -> object:
    moment = read_moment(text)
    return moment.earliest.isoformat() if moment is not None and "T" in moment.text else text


# --- the lines ---


def _all_lines(job: LoadedJob, at: str) -> Iterator[dict[str, Any]]:
    lines: list[dict[str, Any]] = []
    carriers = _carriers(job)
    for event in job.custody_events:
        lines += _event_lines(event, at, carriers, {"job_id": job.job_id})
    for transfer in job.transfers:
        lines += _transfer_lines(job, transfer, at, carriers)
    for equipment in job.equipment.values():
        for notice in equipment.faults:
            lines += _fault_lines(equipment.id, equipment.raw, notice, at)
    yield from sorted(lines, key=_order)


def _carriers(job: LoadedJob) -> dict[str, str]:
    """The carrier of each item that is on one carrier only: the events name items."""
    of: dict[str, set[str]] = {}
    for transfer in job.transfers:
        item, carrier = transfer.values.get("client_item_id"), transfer.values.get("carrier_id")
        if isinstance(item, str):
            of.setdefault(item, set()).add(carrier if isinstance(carrier, str) else "")
    return {item: next(iter(found)) for item, found in of.items() if len(found) == 1 and found != {""}}


def _order(line: Entry) -> tuple[bool, datetime]:
    moment = read_moment(line.get("happened_at") or line.get("started_at"))
    return (moment is None, moment.earliest if moment is not None else datetime.max.replace(tzinfo=UTC))


def _transfer_lines(
    job: LoadedJob, transfer: LoadedTransfer, at: str, carriers: Mapping[str, str]
) -> Iterator[dict[str, Any]]:
    record = build_record_draft(job, transfer, record_id=_NO_RECORD)
    whose = {
        "job_id": job.job_id,
        "transfer_id": transfer.transfer_id,
        "client_item_id": _text(transfer.values.get("client_item_id")),
        "carrier_id": _text(transfer.values.get("carrier_id")),
    }
    own = transfer.values.get("custody_events")
    for event in own if isinstance(own, list) else ():
        yield from _event_lines(event, at, carriers, {**whose, "carrier_id": None, "client_item_id": None})
    for one in (record.get("processing") or {}).get("passes") or ():
        if isinstance(one, Mapping) and isinstance(one.get("n"), int):
            # of a correction: it was played as the transfer that it corrects, once
            yield _pass_line(one, at, {**whose, "transfer_id": transfer.recording})
    until = (record.get("retention") or {}).get("retention_until")
    if isinstance(until, str):
        package = package_name(job.job_id, transfer.transfer_id)
        yield ledger_line(
            kinds.RETAINED, at=at, tool_version=__version__, package=package, until=until,
            job_id=job.job_id, transfer_id=transfer.transfer_id, note="Copies are kept until that day.",
        )  # fmt: skip


def _event_lines(
    event: Mapping[str, Any], at: str, carriers: Mapping[str, str], whose: Mapping[str, Any]
) -> Iterator[dict[str, Any]]:
    """One line for each item of a custody event."""
    kind, side = _EVENTS.get(str(event.get("type")), (None, ""))
    items = event.get("items") if read_moment(event.get("at")) is not None else None
    for item in items if kind is not None and isinstance(items, list) else ():
        if not isinstance(item, str):
            continue
        words = [_text(event.get("note"))]
        if kind == kinds.NOTE:
            words.insert(0, f"{str(event.get('type')).replace('_', ' ')}, from {event.get('from')} to "
                         f"{event.get('to')}")  # fmt: skip
        paper = _text(event.get("signature_ref"))
        words.append(f"paper: {paper}" if paper else None)
        yield ledger_line(
            str(kind), at=at, tool_version=__version__, **{
                **whose, "client_item_id": item, "carrier_id": carriers.get(item),
                "happened_at": _text(event.get("at")), "organisation": _text(event.get(side)),
                "note": "; ".join(w for w in words if w) or None,
            },
        )  # fmt: skip


def _pass_line(one: Mapping[str, Any], at: str, whose: Mapping[str, Any]) -> dict[str, Any]:
    names = (_text(one.get(f"{role}_id")) for role in ("deck", "decoder", "capture_device"))
    return ledger_line(
        kinds.PASS_MADE, at=at, tool_version=__version__, **whose, pass_n=one["n"],
        chain_id=_text(one.get("chain_id")), equipment_ids=list(dict.fromkeys(n for n in names if n)),
        started_at=_text(one.get("started_at")), stopped_at=_text(one.get("stopped_at")),
        pass_outcome=_text(one.get("outcome")), note=_text(one.get("reason")),
    )  # fmt: skip


def _fault_lines(
    equipment: str, entry: Mapping[str, Any], notice: Mapping[str, Any], at: str
) -> Iterator[dict[str, Any]]:
    good = entry.get("last_known_good")
    # schemas/equipment-register: a notice without `since` means since the equipment was last known good
    since = notice.get("since") or (good.get("at") if isinstance(good, Mapping) else None)
    about: dict[str, Any] = {"equipment_id": equipment, "notice_id": _text(notice.get("id"))}
    yield ledger_line(
        kinds.FAULT_NOTED, at=at, tool_version=__version__, **about,
        happened_at=_text(notice.get("found_at")), since=_text(since), until=_text(notice.get("until")),
        note=_text(notice.get("what")),
    )  # fmt: skip
    cleared = _text(notice.get("cleared_at"))
    if cleared:
        yield ledger_line(
            kinds.FAULT_CLEARED, at=at, tool_version=__version__, **about, happened_at=cleared,
            note=_text(notice.get("cleared_note")),
        )  # fmt: skip


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None
