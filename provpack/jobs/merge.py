"""One transfer from its row, chain and defaults: values merged, times turned into frames, files found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any, Final

from provpack.edge.jobfolder import Listing, resolve
from provpack.errors import RecordProblem
from provpack.findings import Finding
from provpack.jobs import rules
from provpack.jobs.declared import Declared, found_at
from provpack.jobs.loaded import LoadedTransfer, NamedFile, Origin
from provpack.jobs.sheetfields import FILE_COLUMNS, ROW_ONLY, pointer, sheet_fields
from provpack.model.rates import expected_rate, parse_time, rate_from_json, rate_to_json

PASS_MACHINES: Final = ("deck_id", "decoder_id", "capture_device_id", "capture_input")
"""What a pass that names its chain has from that chain, where it names none of its own."""


def merge_transfer(
    row: Declared,
    at: Origin,
    levels: Sequence[Declared],
    companions: Mapping[str, Declared],
    listing: Listing,
) -> LoadedTransfer:
    """The row over `levels` (strongest first: chain, defaults, job) with the companion sheets' lists.

    What the row withholds is taken from no level.
    """
    findings = list(row.findings)
    values: dict[str, Any] = {}
    origins: dict[str, Origin] = {}
    refused: set[str] = set(row.refused)
    for level in reversed(levels):
        values.update((k, v) for k, v in level.values.items() if k not in row.withheld)
        origins.update((k, v) for k, v in level.origins.items() if k.partition("/")[0] not in row.withheld)
        refused |= level.refused
    for name, table in companions.items():
        findings += table.findings
        if name in row.values:
            what = f"'{name}' is given here and in {table.origins[name].file}."
            findings.append(found_at(rules.COMPANION_TWICE, what, row.origins[name]))
            continue
        values[name] = table.values[name]
        origins.update(table.origins)
        refused |= table.refused
    values.update(row.values)
    origins.update(row.origins)
    for name in row.refused:
        values.pop(name, None)
    transfer_id = str(values.get("transfer_id", ""))
    if not transfer_id and "transfer_id" not in row.refused:
        findings.append(found_at(rules.ID_MISSING, "The row has no transfer_id.", at))
    converted = _times_to_frames(values, origins, at, findings, refused)
    files = _Files(listing, findings)
    main = files.one(values.get("file"), origins.get("file", at))
    passes = values.get("passes")
    pass_files: dict[int, NamedFile] = {}
    for n, entry in enumerate(passes if isinstance(passes, list) else []):
        name, number = entry.get("file"), entry.get("n")
        if name and isinstance(number, int) and (main is None or name != main.written):
            place = origins.get(f"passes/{n}", origins["passes"])
            named = files.one(name, place)
            if named is not None:
                pass_files[number] = named
    lists = {
        name: tuple(files.many(values.get(name), origins.get(name, at)))
        for name in ("documents", "photos", "condition_photos")
    }
    record_values = {k: v for k, v in values.items() if k not in FILE_COLUMNS | ROW_ONLY}
    chain = values.get("chain")
    return LoadedTransfer(
        transfer_id=transfer_id,
        origin=at,
        values=record_values,
        origins=origins,
        chain_id=chain if isinstance(chain, str) else None,
        started_at=values.get("started_at"),
        stopped_at=values.get("stopped_at"),
        file=main,
        documents=lists["documents"],
        photos=lists["photos"],
        condition_photos=lists["condition_photos"],
        pass_files=pass_files,
        findings=tuple(findings),
        converted=tuple(converted),
        refused=frozenset(refused - set(values)),
    )


def passes_from_chains(holder: Declared, chains: Mapping[str, Declared], at: Origin) -> None:
    """A pass that names its chain has that chain's machines where it names none of its own."""
    entries = holder.values.get("passes")
    for n, entry in enumerate(entries if isinstance(entries, list) else []):
        name = entry.get("chain_id")
        if not isinstance(name, str):
            continue
        chain = chains.get(name)
        if chain is None:
            place = holder.origins.get(f"passes/{n}", holder.origins.get("passes", at))
            what = f"Pass {entry.get('n', n + 1)} names chain '{name}', which this job does not have."
            holder.findings.append(found_at(rules.CHAIN_UNKNOWN, what, place))
            continue
        for key in PASS_MACHINES:
            if key in chain.values and f"passes/{n}/{key}" not in holder.withheld:
                entry.setdefault(key, chain.values[key])


class _Files:
    def __init__(self, listing: Listing, findings: list[Finding]) -> None:
        self._listing = listing
        self._findings = findings

    def one(self, written: object, origin: Origin) -> NamedFile | None:
        if not isinstance(written, str):
            return None
        found = resolve(self._listing, written, where=str(origin), position=origin.position())
        self._findings += found.findings
        return NamedFile(written=written, path=found.path, relative=found.relative, origin=origin)

    def many(self, written: object, origin: Origin) -> list[NamedFile]:
        names = written if isinstance(written, list) else []
        return [named for name in names if (named := self.one(name, origin)) is not None]


def exact_rate(values: Mapping[str, Any]) -> tuple[Fraction, list[str], str] | None:
    """The exact sampling frequency of a transfer: declared, else implied by line standard and format.

    Returns the rate, the fields it rests on, and how, for `derived[]`; None when nothing implies it.
    """
    declared = values.get("sampling_frequency")
    if declared is not None:
        try:
            return rate_from_json(declared), ["sampling_frequency"], "as declared"
        except RecordProblem:
            return None
    implied = expected_rate(values.get("line_standard"), values.get("recording_format"))
    if implied is None:
        return None
    return implied, ["line_standard", "recording_format"], f"they imply {rate_text(implied)}"


def trade_fraction(rate: Fraction) -> dict[str, int]:
    """The rate as the trade writes it, over 1 or 1001 where it can be: 44100000/1001, not 6300000/143."""
    if rate.denominator > 1 and 1001 % rate.denominator == 0:
        return {"num": rate.numerator * (1001 // rate.denominator), "den": 1001}
    return rate_to_json(rate)


def rate_text(rate: Fraction) -> str:
    """The rate for people, as the trade writes it."""
    parts = trade_fraction(rate)
    return f"{parts['num']} Hz" if parts["den"] == 1 else f"{parts['num']}/{parts['den']} Hz"


def _times_to_frames(
    values: dict[str, Any],
    origins: Mapping[str, Origin],
    at: Origin,
    findings: list[Finding],
    refused: set[str],
) -> list[dict[str, Any]]:
    """Replace times by frames in every list; returns the entries for `derived[]`."""
    converted: list[dict[str, Any]] = []
    known = exact_rate(values)
    for name, column in sheet_fields().transfer.items():
        entries = values.get(name)
        positions = [key for key, part in column.fields.items() if part.kind == "position"]
        if column.kind != "table" or not isinstance(entries, list):
            continue
        fresh = []
        for index, entry in enumerate(entries):
            entry = dict(entry)
            place = origins.get(f"{name}/{index}", origins.get(name, at))
            nested = entry.get("ranges")
            if isinstance(nested, list):
                entry["ranges"] = nested = [dict(part) for part in nested]
            spots = [(entry, key, f"{index}/{key}") for key in positions]
            for n, part in enumerate(nested if isinstance(nested, list) else []):
                spots += [(part, key, f"{index}/ranges/{n}/{key}") for key in ("start", "end")]
            for holder, key, path in spots:
                if not isinstance(holder.get(key), str):
                    continue
                _convert(holder, key, f"{pointer(name)}/{path}", known, place, converted, findings)
                if key not in holder:
                    refused.add(f"{name}/{path}")
            fresh.append(entry)
        values[name] = fresh
    return converted


def _convert(
    holder: dict[str, Any],
    key: str,
    path: str,
    known: tuple[Fraction, list[str], str] | None,
    place: Origin,
    converted: list[dict[str, Any]],
    findings: list[Finding],
) -> None:
    text = holder.pop(key)
    if known is None:
        findings.append(found_at(rules.CELL_POSITION_RATE, f"The time {text} of '{key}' has no rate.", place))
        return
    rate, fields, _ = known
    try:
        holder[key] = parse_time(text, rate)
    except RecordProblem as problem:
        findings.append(found_at(rules.CELL_POSITION, problem.what, place))
        return
    converted.append(
        {
            "field": path,
            "from": [f"{place}: {text}", *(pointer(name) for name in fields)],
            "how": f"{text} x {rate_text(rate)}, rounded to the nearest frame",
        }
    )
