"""The pages of what is stated once and holds for many tapes: the job itself, its defaults, chains, equipment.

All decisions are taken here; the templates only draw.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final
from urllib.parse import quote

from provpack.jobs.benchdesk import Desk, DeskInfo
from provpack.jobs.benchview_fields import own_field_view
from provpack.jobs.benchview_intake import SECTION_WORDS
from provpack.jobs.benchview_settings import ROLES, equipment_options
from provpack.jobs.columns import Column
from provpack.jobs.register import KINDS
from provpack.jobs.sheetfields import sheet_fields
from provpack.model.vocab import EQUIPMENT_KIND

JOB_FIRST: Final = ("job_id", "client", "transfer_organisation", "note")
CHAIN_FIRST: Final = (
    "deck_id", "decoder_id", "interface_type", "capture_device_id", "capture_input", "capture_files", "note"
)  # fmt: skip
EQUIPMENT_FIRST: Final = ("kind", "make_model", "serial", "owner", "in_use_from", "in_use_until", "note")
BY_ITSELF: Final[Mapping[str, frozenset[str]]] = {
    "job": frozenset({"schema_version"}),
    "defaults": frozenset(),
    "chain": frozenset({"id"}),
    "equipment": frozenset({"id"}),
}
"""Columns that nobody states: the version is of the file, an identifier is what its thing is added under."""
HINTS: Final[Mapping[tuple[str, str], str]] = {
    ("chain", "capture_files"): (
        "Which files come from this chain: a pattern, relative to the job folder, where * stands for any "
        "part of a name. Example: captures/digital-1/*.wav. Without it, the page asks which pass a file "
        "belongs to."
    ),
    ("job", "job_id"): "Every package is named after it. Settle it before the first one is wrapped.",
    ("job", "client"): "Who the transfers are made for.",
    ("job", "transfer_organisation"): "Who makes them.",
    ("job", "equipment"): (
        "File with the equipment register, relative to the job folder. Example: workshop/equipment.toml."
    ),
    ("job", "documents"): "Papers that belong to every transfer, relative to the job folder. "
    "Several: put | between them.",
    ("job", "client_profiles"): "Files with clients' requirements, relative to the job folder. "
    "Several: put | between them.",
    ("job", "hold_back_also"): "Names that no other field has. Several: put | between them.",
}  # fmt: skip
CHAIN_SECTIONS: Final[Mapping[str, str]] = {
    "deck": "Of the playback machine", "decoder": "Of the decoder", "interface": "Of the interface",
    "capture": "Of the capture",
}  # fmt: skip
TABLES: Final[Mapping[str, tuple[str, str]]] = {
    "last_known_good": ("Last known good", ""),
    "fitted": ("Fitted to", "Add what it is fitted to, or the chain it is in"),
    "service_log": ("Services", "Add a service"),
    "checks": ("Chain checks with the test tape", "Add a chain check"),
    "fault_notices": ("Fault notices", "Add a fault notice"),
}
"""Of a piece of equipment: field -> its heading, and what adds a row."""
_NAMED_AT_MOST: Final = 12


def place_address(scope: str, id_: str | None) -> str:
    """The page of the defaults, of a chain or of a piece of equipment."""
    return "/machines/defaults" if scope == "defaults" else f"/machines/{scope}/{quote(id_ or '', safe='')}"


def machines_view(desk: Desk, info: DeskInfo) -> dict[str, Any]:
    """The page: {fields, more, defaults, chains, equipment, decks, kinds, findings}."""
    job, said = desk.job(), desk.said()
    running = {p.chain_id: p.transfer_id for p in desk.state.running()}
    stated = sum(value is not None for value in said.defaults.values())
    return {
        "title": "Set-up",
        "troubles": desk.troubles,
        "findings": [f.as_json() for f in job.findings],
        "fields": _fields(desk, "job", None, JOB_FIRST),
        "more": _fields(desk, "job", None, _others("job", JOB_FIRST)),
        "defaults": {"address": place_address("defaults", None), "stated": stated},
        "chains": [
            {
                "id": chain_id,
                "address": place_address("chain", chain_id),
                "words": _chain_words(chain),
                "files": _text(chain.get("capture_files")),
                "plays": running.get(chain_id, ""),
            }
            for chain_id, chain in said.chains.items()
        ],
        "equipment": [
            {
                "id": id_,
                "address": place_address("equipment", id_),
                "kind": _text(item.get("kind")),
                "words": _machine_words(item),
                "faults": _open_faults(item),
                "chains": [c for c, chain in said.chains.items() if id_ in _machines_of(chain)],
            }
            for id_, item in said.equipment.items()
        ],
        "decks": equipment_options(job, "deck", None),
        "kinds": EQUIPMENT_KIND,
        "missing": _missing(said.chains, said.equipment),
    }


def machine_view(desk: Desk, info: DeskInfo, scope: str, id_: str | None) -> dict[str, Any]:
    """The page of one of them: {scope, id, there, title, about, first, sections, tables}.

    scope: "defaults", "chain" or "equipment"; there: False when neither sheets nor log have it.
    """
    said = desk.said()
    there = scope == "defaults" or id_ in said.ids(scope)
    names = {"defaults": "Defaults of the job", "chain": f"Chain {id_}", "equipment": f"Equipment {id_}"}
    first = {"chain": CHAIN_FIRST, "equipment": EQUIPMENT_FIRST}.get(scope, ())
    others = _others(scope, first)
    columns = _columns(scope)
    tables = [n for n in others if scope == "equipment" and columns[n].kind in ("table", "object")]
    rest = [n for n in others if n not in tables]
    plays = next((p.transfer_id for p in desk.state.running() if scope == "chain" and p.chain_id == id_), "")
    return {
        "title": names[scope],
        "troubles": desk.troubles,
        "scope": scope,
        "id": id_,
        "there": there,
        "plays": plays,
        "first": _fields(desk, scope, id_, first) if there else [],
        "sections": _sections(desk, scope, id_, rest) if there else [],
        "tables": _tables(desk, id_, tables) if there else [],
    }


# -- fields --------------------------------------------------------------------------------------------------
def _columns(scope: str) -> Mapping[str, Column]:
    found: Mapping[str, Column] = getattr(sheet_fields(), scope)
    return found


def _others(scope: str, first: Iterable[str]) -> list[str]:
    """All other columns of that place that can be stated, in the order of the schema."""
    without = {*first, *BY_ITSELF[scope]}
    return [name for name in _columns(scope) if name not in without]


def _fields(desk: Desk, scope: str, id_: str | None, names: Iterable[str]) -> list[dict[str, Any]]:
    return [own_field_view(desk, scope, id_, name, _hint(desk, scope, name)) for name in names]


def _sections(desk: Desk, scope: str, id_: str | None, names: Iterable[str]) -> list[dict[str, Any]]:
    """The fields under the headings they have on the page of a carrier."""
    section = sheet_fields().section
    words = {**SECTION_WORDS, **(CHAIN_SECTIONS if scope == "chain" else {})}
    if scope == "equipment":
        words[""] = "What else is known of it"
    found: dict[str, list[str]] = {key: [] for key in words}
    for name in names:
        key = "" if scope == "equipment" else section.get(name, "")
        found[key].append(name)
    out = []
    for key, listed in found.items():
        if listed:
            fields = _fields(desk, scope, id_, listed)
            stated = sum(one["value"] is not None for one in fields)
            out.append({"key": key or "whole", "title": words[key], "fields": fields, "stated": stated})
    return out


def _tables(desk: Desk, id_: str | None, names: Iterable[str]) -> list[dict[str, Any]]:
    """The lists of a piece of equipment, each with its heading and what adds a row."""
    out = []
    for one in _fields(desk, "equipment", id_, names):
        title, add = TABLES.get(one["field"], ("", "Add another"))
        out.append({**one, "title": title, "add": add})
    return out


def _hint(desk: Desk, scope: str, name: str) -> str:
    if name in ROLES and scope in ("chain", "defaults"):
        known = [item.id for item in desk.job().equipment.values() if item.kind in KINDS[ROLES[name]]]
        if not known:
            return "The register has none yet. Its identifier there, once it has."
        more = ", ..." if len(known) > _NAMED_AT_MOST else ""
        return f"In the register: {', '.join(known[:_NAMED_AT_MOST])}{more}."
    return HINTS.get((scope, name), "")


# -- words ---------------------------------------------------------------------------------------------------
def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _machines_of(chain: Mapping[str, Any]) -> list[str]:
    return [named for name in ROLES if (named := _text(chain.get(name))) not in ("", "unknown", "none")]


def _chain_words(chain: Mapping[str, Any]) -> str:
    """Its machines, in the order of the signal, and the input its captures come through."""
    words = ", ".join(_machines_of(chain)) or "no machine is stated"
    put = _text(chain.get("capture_input"))
    return f"{words}; input {put}" if put else words


def _machine_words(item: Mapping[str, Any]) -> str:
    make = _text(item.get("make_model")) or "make not registered"
    return f"{make}, serial {_text(item.get('serial')) or 'not registered'}"


def _open_faults(item: Mapping[str, Any]) -> int:
    """Fault notices that nobody has cleared."""
    notices = item.get("fault_notices")
    listed = notices if isinstance(notices, list) else []
    return sum(isinstance(one, Mapping) and not one.get("cleared_at") for one in listed)


def _missing(chains: Mapping[str, Mapping[str, Any]], known: Mapping[str, Any]) -> list[str]:
    """Identifiers that a chain names and the register does not have."""
    named = dict.fromkeys(id_ for chain in chains.values() for id_ in _machines_of(chain))
    return [id_ for id_ in named if id_ not in known]
