"""The pages for taking carriers in, as plain values: the list, one carrier, the receipt.

All decisions are taken here; the templates only draw.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from provpack.jobs.benchact import clock_words
from provpack.jobs.benchdesk import Desk, DeskInfo
from provpack.jobs.benchview_fields import field_view
from provpack.jobs.loaded import LoadedTransfer, NamedFile
from provpack.jobs.sheetfields import sheet_fields
from provpack.package.benchstate import Taken

ABOUT: Final = (
    "label_transcription", "client_item_id", "title", "carrier_id", "carrier_type", "carrier_type_note",
    "carrier_label_length", "recording_format", "line_standard", "tape_speed_mode",
)  # fmt: skip
STATE: Final = ("condition_terms", "condition_note", "condition_assessed_at")
PHOTO_FIELDS: Final = ("condition_photos", "photos")
MOULD: Final = frozenset({"mould_suspected", "mould_active"})
STICKY: Final = frozenset({"sticky", "squeal", "residue"})
# What the cautions say: domain note, section on hazards (mould: conservation newsletter; baking: UNESCO text
# on recovery). That cassettes have plastics: common practice, no source.
MOULD_CAUTION: Final = (
    "Mould: isolate it, do not play it",
    (
        "Put the carrier into a closed bag, away from other carriers and from machines. Do not open, wipe "
        "or play it: playing spreads spores through the machine and the room.",
        "Mould that looks dry and old is as harmful to breathe as live mould. Leave cleaning to conservation "
        "specialists; for gloves, masks and rooms follow your local rules and people qualified in them.",
    ),
)
BAKING_CAUTION: Final = (
    "Heat cannot be taken back",
    (
        "Baking helps against one fault only, and not with every kind of tape; with the wrong one it does "
        "damage. Be sure of the fault first.",
        "Figures that are handed on are for open-reel tape. Cassettes have plastics in shell and mechanism: "
        "ask somebody with expert knowledge of that very kind, and follow your local rules.",
        "The client agrees in writing before anything is done: who, when, and where that is kept.",
    ),
)
SECTION_WORDS: Final[Mapping[str, str]] = {
    "item": "The recording", "carrier": "The carrier", "condition": "Condition", "deck": "Playback machine",
    "decoder": "Decoder", "interface": "Interface", "capture": "Capture", "signal": "Signal",
    "processing": "Passes and processing", "people": "People", "custody": "Custody", "rights": "Rights",
    "retention": "How long it is kept", "": "The transfer as a whole",
}  # fmt: skip
PERSONAL_DATA: Final = (
    "This receipt names people, and what is written on a carrier may name more. Keep and pass it on only as "
    "the rules on personal data that hold where you are allow; ask whoever is responsible for them."
)
_SHOWABLE: Final = (".jpg", ".jpeg", ".jpe", ".png", ".webp", ".avif")


def carriers_view(desk: Desk, info: DeskInfo) -> dict[str, Any]:
    """The page: {carriers, known, taken, by}. known: any identifier of a carrier -> its transfers."""
    rows = _rows(desk)
    carriers = [_listed(desk, transfer_id, row) for transfer_id, row in rows.items()]
    known: dict[str, list[dict[str, Any]]] = {}
    for one in carriers:
        told = {"id": one["id"], "taken": one["taken"]}
        for name in dict.fromkeys((one["id"], *one["others"])):
            known.setdefault(name, []).append(told)
    taken = [one["id"] for one in carriers if one["taken"] and "," not in one["id"]]
    return {
        "title": "Carriers", "troubles": desk.troubles, "carriers": carriers, "known": known, "taken": taken,
        "by": info.by,
    }  # fmt: skip


def carrier_view(desk: Desk, info: DeskInfo, transfer_id: str) -> dict[str, Any]:
    """The page of one carrier: what is said of it first, then every other field by section."""
    row = _rows(desk).get(transfer_id)
    there = row is not None or transfer_id in desk.state.transfers
    fields = sheet_fields()

    def shown(name: str) -> dict[str, Any]:
        return field_view(desk, transfer_id, row, name)

    first = {*ABOUT, *STATE, *PHOTO_FIELDS, "treatments", "custody_events", "transfer_id"}
    sections: dict[str, list[dict[str, Any]]] = {name: [] for name in SECTION_WORDS}
    for name in fields.transfer if there else ():
        if name not in first:
            sections[fields.section.get(name, "")].append(shown(name))
    terms = set(desk.merged(transfer_id, "condition_terms") or ()) if there else set()
    custody = shown("custody_events")
    return {
        "troubles": desk.troubles,
        "title": f"Carrier {transfer_id}",
        "id": transfer_id,
        "there": there,
        "listed": _listed(desk, transfer_id, row),
        "sealed": desk.sealed(transfer_id),
        "about": [shown(name) for name in ABOUT],
        "condition": [shown(name) for name in STATE],
        "treatments": shown("treatments"),
        "custody": custody,
        "received": _received_members(desk, info, transfer_id, row),
        "photos": [_photos(desk, transfer_id, row, name) for name in PHOTO_FIELDS],
        "sections": [
            {"key": key or "whole", "title": SECTION_WORDS[key], "fields": found}
            for key, found in sections.items()
            if found
        ],
        "mould": MOULD_CAUTION,
        "baking": BAKING_CAUTION,
        "has_mould": bool(terms & MOULD),
        "has_sticky": bool(terms & STICKY),
        "findings": [finding.as_json() for finding in row.findings] if row is not None else [],
    }


def receipt_view(desk: Desk, info: DeskInfo, ids: Sequence[str]) -> dict[str, Any]:
    """The receipt for those carriers; for all that were taken in when none is named."""
    rows = _rows(desk)
    chosen = list(dict.fromkeys(ids)) or [i for i in rows if _taken(desk, i).n is not None]
    said, job = desk.said().job, desk.job()
    items, handed = [], []
    for transfer_id in chosen:
        row = rows.get(transfer_id)
        one = _listed(desk, transfer_id, row)
        values = row.values if row is not None else {}
        one["label"] = values.get("label_transcription") or ""
        one["carrier_type"] = values.get("carrier_type")
        one["terms"] = values.get("condition_terms") or []
        one["note"] = values.get("condition_note") or ""
        one["photos"] = len(row.condition_photos) + len(row.photos) if row is not None else 0
        names = {transfer_id, *one["others"]}
        events = list(values.get("custody_events") or [])
        events += [e for e in job.custody_events if names & set(e.get("items") or ()) and e not in events]
        for event in events:
            if isinstance(event, Mapping) and event.get("type") == "received":
                handed.append(
                    {
                        "id": transfer_id,
                        "from": event.get("from") or "not said",
                        "to": event.get("to") or "not said",
                        "at": str(event.get("at") or ""),
                        "at_words": clock_words(str(event.get("at") or ""), desk.now()) or "not said",
                    }
                )
        items.append(one)
    return {
        "troubles": desk.troubles,
        "title": "Receipt",
        "items": items,
        "handed": handed,
        "client": said.get("client") or "",
        "organisation": said.get("transfer_organisation") or "",
        "job_id": said.get("job_id") or "",
        "by": info.by,
        "at": f"{desk.now():%Y-%m-%d %H:%M:%S}",
        "iso": desk.now().isoformat(timespec="seconds"),
        "personal_data": PERSONAL_DATA,
    }


# -- one carrier in the list ---------------------------------------------------------------------------------
def _rows(desk: Desk) -> dict[str, LoadedTransfer | None]:
    """Every transfer of sheets and log, in their order."""
    found: dict[str, LoadedTransfer | None] = {t.transfer_id: t for t in desk.job().transfers}
    for transfer_id in desk.state.transfers:
        found.setdefault(transfer_id, None)
    return {transfer_id: row for transfer_id, row in found.items() if transfer_id}


def _taken(desk: Desk, transfer_id: str) -> Taken:
    return desk.state.transfers.get(transfer_id, Taken(transfer_id=transfer_id))


def _listed(desk: Desk, transfer_id: str, row: LoadedTransfer | None) -> dict[str, Any]:
    """{id, others, title, state, words, taken, taken_at, mould}; state: a word, words: for people."""
    values = row.values if row is not None else {}
    taken = _taken(desk, transfer_id)
    others = [
        v
        for k in ("carrier_id", "client_item_id")
        if isinstance(v := values.get(k), str) and v != transfer_id
    ]
    state, words = _state(desk, transfer_id, row, taken)
    return {
        "id": transfer_id,
        "others": list(dict.fromkeys(others)),
        "title": values.get("title") or "",
        "state": state,
        "words": words,
        "taken": taken.n is not None,
        "taken_at": taken.at or "",
        "taken_words": clock_words(taken.at, desk.now()) if taken.at else "",
        "mould": bool(MOULD & set(values.get("condition_terms") or ())),
    }


def _state(desk: Desk, transfer_id: str, row: LoadedTransfer | None, taken: Taken) -> tuple[str, str]:
    """How far it is: the furthest of what sheets, log and destination say."""
    now = desk.now()
    going = next((p for p in taken.passes if p.running), None)
    if going is not None:
        return "running", f"running on {going.chain_id} since {clock_words(going.started_at, now)}"
    package = desk.sealed(transfer_id)
    if package is not None:
        return "sealed", f"sealed as {package}"
    if row is not None and row.follows:
        return "attached", f"corrects {row.follows[0]}, and has its recording"
    last = taken.passes[-1] if taken.passes else None
    if last is not None and last.verdict == "accepted":
        return "accepted", f"pass {last.number} accepted"
    if last is not None and last.verdict == "redo":
        return "redo", f"pass {last.number} is to be done again"
    if last is not None and last.attached is not None:
        return "attached", f"file attached to pass {last.number}"
    if last is not None:
        return "played", f"pass {last.number} played, no file attached yet"
    if row is not None and row.file is not None:
        return "attached", "file named in the sheet"
    if taken.n is not None:
        return "taken", f"taken in {clock_words(taken.at or '', now)}"
    return "listed", "in the sheet, not taken in yet"


# -- photos, custody -----------------------------------------------------------------------------------------
def _photos(desk: Desk, transfer_id: str, row: LoadedTransfer | None, name: str) -> dict[str, Any]:
    """The photos of one field, each with what its list would be without it."""
    own = desk.in_force("transfer", transfer_id, name)
    now = own if own is not None else desk.merged(transfer_id, name)
    found: tuple[NamedFile, ...] = getattr(row, name) if row is not None else ()
    photos = []
    for number, photo in enumerate(found, 1):
        left = [other.written for other in found if other is not photo]
        there = photo.path is not None
        photos.append(
            {
                "number": number,
                "written": photo.written,
                "path": photo.relative if there else "",
                "show": there and photo.relative.lower().endswith(_SHOWABLE),
                "without": {
                    "scope": "transfer", "id": transfer_id, "field": name, "value": left or None, "was": now,
                },
            }
        )  # fmt: skip
    return {"field": name, "photos": photos}


def _received_members(
    desk: Desk, info: DeskInfo, transfer_id: str, row: LoadedTransfer | None
) -> dict[str, Any]:
    """What is most likely true of a carrier just handed over; shown, and written only when pressed."""
    values = row.values if row is not None else {}
    said = desk.said().job
    item = values.get("client_item_id") or values.get("carrier_id") or transfer_id
    return {
        "type": "received",
        "from": said.get("client") or "",
        "to": info.by or said.get("transfer_organisation") or "",
        "items": [item],
    }
