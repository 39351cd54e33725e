"""Carriers taken in, and values stated: held to the same rules as a cell or key of the sheets."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from typing import Any, Final

from provpack.edge import schemas
from provpack.edge.tables import is_blank
from provpack.findings import Finding
from provpack.jobs.benchact import (
    LOG,
    Bench,
    Line,
    clock_words,
    known_transfers,
    listed,
    maybe,
    near,
    only,
    refused,
    text,
)
from provpack.jobs.benchfitting import fitting, nobody_knows
from provpack.jobs.benchsaid import Said, same
from provpack.jobs.cells import ABSENT, read_cell
from provpack.jobs.columns import Column
from provpack.jobs.declared import declare_table
from provpack.jobs.loaded import Origin
from provpack.jobs.sheetfields import sheet_fields
from provpack.model.labels import called, label
from provpack.model.vocab import BENCH_SCOPE
from provpack.package.names import package_name

_IDS: Final = {"chain": "id", "transfer": "transfer_id", "equipment": "id"}
_TOLD: Final = 60


def taken_in(members: Mapping[str, Any], bench: Bench) -> Line:
    """A carrier is at the bench. Its identifier is new, or stands in a sheet and was not taken in yet."""
    only(members, "transfer_id")
    said = text(members, "transfer_id")
    known = bench.state.transfers.get(said)
    if known is not None and known.n is not None:
        raise refused(
            "taken-in-already",
            f"{said} was taken in already, at {clock_words(known.at, bench.at)} (line {known.n}).",
            todo="Go on with it, or give this carrier an identifier of its own.",
            where=said,
        )
    fresh_id("transfer", said, known_transfers(bench), "transfer_id")
    if said not in known_transfers(bench):
        job_id = str(bench.said().job.get("job_id", ""))
        named = package_name(job_id, said)
        other = next((t for t in known_transfers(bench) if package_name(job_id, t) == named), None)
        if other is not None:
            raise refused(
                "id-too-like",
                f"'{said}' and '{other}' differ only in signs that a package's name cannot hold.",
                todo="Give this carrier another identifier, or use the one that is there if it is the same.",
                where="transfer_id",
            )
    return Line(members={"transfer_id": said}, about=f"{said} taken in")


MAX_ID: Final = 200
"""Characters of an identifier taken in at the bench; longer than any barcode that names one carrier."""


def fresh_id(scope: str, said: str, known: tuple[str, ...], where: str) -> None:
    """Refuse an identifier that the sheets' columns refuse, or that differs from a known one in case only."""
    column = _columns(scope, ids=True)[_IDS[scope]]
    value = _cell(column, said, [])
    if value != said or any(unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp") for c in said):
        raise refused(
            "not-an-id",
            f"'{said[:_TOLD]}' cannot be an identifier: it holds signs that nobody can see.",
            todo="Type it again, or scan it again.",
            where=where,
        )
    if said in (".", "..") or len(said) > MAX_ID:
        raise refused(
            "not-an-id",
            f"'{said[:_TOLD]}' cannot be an identifier: no page could have it in its address.",
            todo=f"Use up to {MAX_ID} characters, and not dots alone.",
            where=where,
        )
    folded = _folded(said)
    other = next((k for k in known if k != said and _folded(k) == folded), None)
    if other is not None:
        raise refused(
            "id-too-like",
            f"'{said[:_TOLD]}' differs from '{other[:_TOLD]}' in upper and lower case only.",
            todo=f"Write '{other[:_TOLD]}' if it is the same, or give it another identifier.",
            where=where,
        )


def _refuse_new_job(bench: Bench, said: Said) -> None:
    """Packages bear the name of the job: under another one nothing here would know what is sealed."""
    for transfer_id in sorted({*bench.state.transfers, *said.transfers}):
        package = bench.sealed(transfer_id, "")
        if package is not None:
            raise refused(
                "sealed",
                f"{transfer_id} is sealed in package {package}, which bears the name of this job.",
                todo="Leave the job its name; take in what belongs to another job in a folder of its own.",
                where="job_id",
            )


def declared(members: Mapping[str, Any], bench: Bench) -> Line:
    """A value stated, changed (another value) or taken away (null), where `was` is what is in force now."""
    only(members, "scope", "id", "field", "value", "was", "note")
    scope = text(members, "scope")
    if scope not in BENCH_SCOPE:
        words = ", ".join(BENCH_SCOPE)
        raise refused("not-a-word", f"There is no place '{scope[:_TOLD]}'.", todo=f"Use one of: {words}.")
    said, warnings = bench.said(), list[str]()
    id_ = _place(scope, maybe(members, "id"), said, bench, warnings)
    name = text(members, "field")
    column = _column(scope, name)
    value = value_of(column, members.get("value"), warnings)
    _fits(scope, {name: value})
    fitting(bench, scope, name, value, warnings)
    now = said.at(scope, id_).get(name)
    if "was" in members and not same(members["was"], now):
        # what a person saw may have been that of the chain, of the defaults, or of the pass
        inherited = scope == "transfer" and same(members["was"], bench.merged(str(id_), name))
        if not inherited:
            raise _changed_meanwhile(bench, scope, id_, name, now)
    place = {"job": "the job", "defaults": "the defaults"}.get(scope, f"{scope} {id_}" if id_ else scope)
    about = f"{place}: {label(name)} = {shown(value)}"
    if value is None:
        about = f"{place}: {label(name)} taken away"
    if (scope, name) == ("job", "job_id") and not same(value, now):
        _refuse_new_job(bench, said)
    line = {"scope": scope, "id": id_, "field": name, "value": value, "was": now}
    line["note"] = maybe(members, "note")
    return Line(members=line, about=about, warnings=tuple(warnings))


def shown(value: Any) -> str:
    """A value in a sentence, cut when long."""
    if isinstance(value, Mapping) and set(value) == {"num", "den"}:
        return f"{value['num']}/{value['den']}" if value["den"] != 1 else str(value["num"])
    if isinstance(value, list):
        plain = all(isinstance(v, str) for v in value)
        out = ", ".join(value) if plain and value else f"{len(value)} entries" if value else "none"
    elif isinstance(value, bool):
        out = "yes" if value else "no"
    else:
        out = "nothing" if value is None else str(value)
    return out if len(out) <= _TOLD else out[: _TOLD - 3] + "..."


def settings(given: Any, warnings: list[str]) -> dict[str, Any]:
    """Confirmed settings of a chain as values. Refuses keys that are no setting."""
    if not isinstance(given, Mapping):
        raise refused(
            "settings-missing", "'settings' is no table of settings.", todo="Give what was confirmed.",
            where="settings",
        )  # fmt: skip
    columns = _columns("chain")
    out: dict[str, Any] = {}
    for name, value in given.items():
        if name not in columns or name in ("note", "capture_files"):
            raise refused(
                "no-such-field",
                f"'{str(name)[:_TOLD]}' is no setting of a chain.",
                todo=f"{near(str(name), columns)}Leave it out or correct it.",
                where="settings",
            )
        out[name] = value_of(columns[name], value, warnings)
    _fits("chain", out)
    warnings += nobody_knows(out)
    return out


def value_of(column: Column, given: Any, warnings: list[str]) -> Any:
    """A value for that column, in the form of the job sheet: given so, or as {"cell": what is typed}.

    None stands for taken away; an empty cell is that too. 'unknown' stays a word, where a record will have
    null, because null means taken away here. Refuses what a sheet's reading would refuse; what it would only
    warn of is added to warnings.
    """
    if given is None:
        return None
    if isinstance(given, Mapping) and set(given) == {"cell"} and column.kind != "object":
        typed = given["cell"]
        if not isinstance(typed, str):
            raise refused("not-a-text", "The cell is no text.", todo="Give it as text.", where=column.name)
        plain = is_blank(typed) or typed.strip().casefold() in ("[]", "unknown")
        if column.kind == "table" and not plain:
            raise refused(
                "no-such-value",
                f"{called(column.name)} has rows with several parts: one text cannot hold them.",
                todo="State it row by row on the page, or as JSON: `provpack jot declare --json-value`.",
                where=column.name,
            )
        return None if is_blank(typed) else _or_unknown(_cell(column, typed, warnings))
    out = declare_table({column.name: given}, {column.name: column}, Origin(level="job", file=LOG))
    _judge(column.name, out.findings, warnings)
    if column.name not in out.values:
        raise refused("no-such-value", "The value cannot be taken.", todo="Correct it.", where=column.name)
    return _or_unknown(out.values[column.name])


def _or_unknown(value: Any) -> Any:
    return "unknown" if value is None else value


def _cell(column: Column, typed: str, warnings: list[str]) -> Any:
    reading = read_cell(column, typed)
    for fault in reading.faults:
        if (fault.severity or fault.rule.severity) == "error" or reading.value is ABSENT:
            raise refused("no-such-value", fault.what, todo=fault.todo or fault.rule.todo, where=column.name)
        warnings.append(f"{label(column.name)}: {fault.what}")
    return reading.value


def _judge(name: str, findings: list[Finding], warnings: list[str]) -> None:
    for finding in findings:
        if finding.severity == "error":
            place = finding.position.get("key", name)
            raise refused("no-such-value", finding.what, todo=finding.todo, where=str(place))
        warnings.append(f"{label(name)}: {finding.what}")


def _columns(scope: str, *, ids: bool = False) -> Mapping[str, Column]:
    fields = sheet_fields()
    found: Mapping[str, Column] = {
        "job": fields.job, "defaults": fields.defaults, "chain": fields.chain,
        "transfer": fields.transfer, "equipment": fields.equipment,
    }[scope]  # fmt: skip
    without = set() if ids else {"schema_version", _IDS.get(scope, "")}
    return {name: column for name, column in found.items() if name not in without}


def _column(scope: str, name: str) -> Column:
    columns = _columns(scope)
    if name in columns:
        return columns[name]
    elsewhere = [s for s in BENCH_SCOPE if name in _columns(s)]
    hint = f"It belongs to: {listed(elsewhere, 'or')}." if elsewhere else "The names are those of the sheets."
    raise refused(
        "no-such-field",
        f"'{name[:_TOLD]}' is no field that can be stated for this ({scope}).",
        todo=near(name, columns) + hint,
        where="field",
    )


def _place(scope: str, id_: str | None, said: Said, bench: Bench, warnings: list[str]) -> str | None:
    """The id of what is spoken of. A chain or piece of equipment may be new; a transfer is taken in first."""
    if scope not in _IDS:
        if id_ is not None:
            raise refused(
                "id-too-much", f"The {scope} has no identifier.", todo="Leave the id out.", where="id"
            )
        return None
    if id_ is None:
        raise refused("member-missing", f"Which {scope}?", todo="Give its identifier.", where="id")
    known = known_transfers(bench) if scope == "transfer" else said.ids(scope)
    if id_ in known:
        return id_
    fresh_id(scope, id_, known, "id")
    if scope == "transfer":
        raise refused(
            "transfer-unknown",
            f"There is no transfer '{id_[:_TOLD]}' in this job.",
            todo=f"{near(id_, known)}Take the carrier in first, or correct the identifier.",
            where="id",
        )
    has = f"there were {listed(known)}" if known else "there was none before"
    warnings.append(f"'{id_[:_TOLD]}' is new among the {scope if scope == 'equipment' else 'chains'}; {has}.")
    return id_


def _fits(scope: str, values: Mapping[str, Any]) -> None:
    """Refuse what the schema of the sheet refuses: lengths, limits, parts that are missing in a table."""
    columns = _columns(scope)
    given = {
        name: None if value == "unknown" and columns[name].nullable else value  # null is what a record has
        for name, value in values.items()
        if value is not None
    }
    documents: dict[str, tuple[str, str, Any]] = {
        "job": ("job-sheet", "/", given),
        "defaults": ("job-sheet", "/defaults/", {"defaults": given}),
        "chain": ("job-sheet", "/chain/0/", {"chain": [{"id": "x", **given}]}),
        "transfer": ("job-sheet", "/transfer/0/", {"transfer": [{"transfer_id": "x", **given}]}),
        "equipment": ("equipment-register", "/equipment/0/", {"equipment": [given]}),
    }
    schema, prefix, document = documents[scope]
    for wrong in schemas.validate(schema, document):
        pointer = wrong.pointer
        if any(pointer == prefix + name or pointer.startswith(f"{prefix}{name}/") for name in given):
            place = pointer.removeprefix(prefix)
            one = "row" if columns[place.partition("/")[0]].kind == "table" else "entry"
            parts = [f"{one} {int(p) + 1}" if p.isdecimal() else label(p) for p in place.split("/")]
            raise refused(
                "no-such-value",
                f"{' / '.join(parts)}: the value {_in_words(wrong.message, columns)}",
                todo="Correct it.",
                where=place,
            )


def _in_words(message: str, columns: Mapping[str, Column]) -> str:
    """What the schema says of a value, with what each part of a row is called."""
    names = {part for column in columns.values() for part in column.fields}
    message = re.sub(r" (?:Declared|Derived|Measured)(?:, or [a-z ]+)?\.$", "", message)
    return re.sub(
        r'"([a-z_]+)"|\b([a-z]+(?:_[a-z]+)+)\b',
        lambda found: f"'{label(found[0].strip(chr(34)))}'" if found[0].strip('"') in names else found[0],
        message,
    )


def _changed_meanwhile(bench: Bench, scope: str, id_: str | None, name: str, now: Any) -> Exception:
    stated = bench.state.values.get((scope, id_, name))
    if stated is not None:
        at = clock_words(stated.at, bench.at)
        who = f"{stated.by or 'Somebody'} stated it at {at} (line {stated.n})"
    else:
        who = "A sheet says so now"
    place = {"job": "the job", "defaults": "the defaults"}.get(scope, scope)
    return refused(
        "changed-meanwhile",
        f"{called(name)} of {id_ or place} is {shown(now)} now, not what was seen. {who}.",
        todo="Look at it again, then state yours if it is still right.",
        where=name,
    )


def _folded(text_: str) -> str:
    return unicodedata.normalize("NFC", text_).casefold()
