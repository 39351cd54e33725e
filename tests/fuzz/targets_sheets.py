"""Readers of what people write: sheets, cells, times, options; and of what servers list."""

from __future__ import annotations

import contextlib
import io
import json
import tempfile
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

from fuzz.law import as_json, halves, lawful, target, told
from fuzz.targets_papers import RAM
from provpack.edge.remoteaddress import (
    below,
    decoded,
    encoded,
    is_address,
    last_name,
    local_path,
    protocol_of,
    shown_address,
    without_secrets,
)
from provpack.edge.remotefault import Broken
from provpack.edge.remotehttp import links
from provpack.edge.remotenames import Thing, listing_of, thing_of
from provpack.edge.schemas import validate
from provpack.edge.tables import read_table
from provpack.edge.tomlfile import read_toml
from provpack.errors import UsageProblem
from provpack.jobs.audit import read_age
from provpack.jobs.cells import read_cell
from provpack.jobs.celltimes import read_date, read_moment
from provpack.jobs.check import check_job
from provpack.jobs.load import build_record_draft, load_job
from provpack.jobs.progress import Silent
from provpack.jobs.register import moment_range, read_register
from provpack.jobs.sheetfields import sheet_fields
from provpack.jobs.typedvalues import age_of, rate_of, share_of
from provpack.model.ages import span_words
from provpack.model.formats import is_date, is_date_time, read_date_time
from provpack.model.formats import read_moment as moment_in_record
from provpack.model.rates import (
    format_rate,
    format_time,
    parse_rate,
    parse_time,
    rate_from_json,
    rate_to_json,
)
from provpack.package.bagpaths import unsafe
from provpack.package.names import distinct_file_names, package_name, safe_file_name
from provpack.package.signwords import moment_of

COLUMNS = sorted(sheet_fields().transfer)
NOW = datetime(2031, 7, 1, tzinfo=UTC)


@target
def sheet_csv(data: bytes) -> None:
    """Any bytes give a table of known columns, each cell of which gives a value or a fault."""
    table = read_table(data, "x.csv", known=COLUMNS)
    told(table.findings)
    for row in table.rows:
        lawful(set(row.cells) <= set(COLUMNS), "a column that is not known")
        for name, text in row.cells.items():
            _cell(name, text)


@target
def sheet_cell(data: bytes) -> None:
    """Any text in any column gives a value that can stand in a record, or a fault that says why not."""
    name, text = halves(data, 2)
    columns = [name.decode("utf-8", "replace")] if name else COLUMNS[:: max(1, len(COLUMNS) // 9)]
    for column in columns:
        if column in COLUMNS:
            _cell(column, text.decode("utf-8", "replace"))


def _cell(name: str, text: str) -> None:
    reading = read_cell(sheet_fields().transfer[name], text)
    lawful(all(fault.what for fault in reading.faults), "a fault that says nothing")
    if not reading.faults:
        as_json(reading.value)


@target
def sheet_toml(data: bytes) -> None:
    """Any bytes give a document that can be written as JSON, or findings; equipment in it is read."""
    document, findings = read_toml(data, "x.toml")
    told(findings)
    lawful(document is not None or findings, "refused without a reason")
    if document is not None:
        as_json(document)
        entries, findings = read_register(document, "x.toml")  # type: ignore[assignment]
        told(findings)
        for entry in entries.values():
            as_json(entry.values if hasattr(entry, "values") else {})


@target
def sheet_job(data: bytes) -> None:
    """Any job folder is loaded and checked before anything is written, and drafts made of its rows."""
    names = ("job.toml", "transfers.csv", "passes.csv", "equipment.toml", "transfer_events.csv")
    with tempfile.TemporaryDirectory(dir=RAM) as folder:
        for name, body in zip(names, halves(data, len(names)), strict=True):
            if body:
                (Path(folder) / name).write_bytes(body)
        job = load_job(Path(folder))
        told(job.findings)
        for transfer in job.transfers[:20]:
            as_json(build_record_draft(job, transfer, record_id="id"))
        result = check_job(Path(folder), now=NOW, progress=Silent(), validate=validate)
        as_json(result.as_json())


@target
def times(data: bytes) -> None:
    """Any text is a time, date or rate that is written and read again, or is refused."""
    text = data.decode("utf-8", "replace")
    for kind in ("date", "date_time", "moment", "edtf"):
        value, fault = (read_date if kind == "date" else read_moment)(text, kind)
        lawful(value is not None or fault is not None, "refused without a reason")
        lawful(fault is None or fault[1], "a fault that says nothing")
    lawful(is_date_time(text) == (read_date_time(text) is not None), text)
    moment = moment_in_record(text)
    lawful(moment is None or moment.earliest <= moment.latest, f"{moment}")
    is_date(text), moment_of(text), moment_range(text)
    with contextlib.suppress(ValueError):
        rate = parse_rate(text)
        lawful(parse_rate(format_rate(rate).removesuffix(" Hz")) == rate, f"{rate}")
        lawful(rate_from_json(rate_to_json(rate)) == rate, f"{rate}")
    with contextlib.suppress(ValueError):
        rate = Fraction(44_100_000, 1001)
        frame = parse_time(text, rate)
        lawful(abs(parse_time(format_time(frame, rate), rate) - frame) <= 23, text)


@target
def options(data: bytes) -> None:
    """Any text typed as age, rate or share is a value in its bounds, or a usage error that says how."""
    text = data.decode("utf-8", "replace")
    with contextlib.suppress(UsageProblem):
        age = age_of(text, "--older-than")
        lawful(age is not None and timedelta(0) < age <= timedelta(days=200 * 366), f"{age}")
        span_words(age or timedelta(0))
        read_age(text)
    with contextlib.suppress(UsageProblem):
        lawful((rate_of(text, "--rate-limit") or 0) >= 1, "no rate")
    share = share_of(text, "--sample")
    lawful(share is not None and 0 < share < 1, f"{share}")


@target
def file_names(data: bytes) -> None:
    """Any names become safe names of at most 100 bytes, different for each, and always the same."""
    names = data.decode("utf-8", "surrogateescape").split("\n")
    made = distinct_file_names(names)
    lawful(len(set(made)) == len(names) and made == distinct_file_names(names), f"{made}")
    for one in (*made, safe_file_name(names[0]), package_name(names[0], names[-1])):
        lawful(one.isascii() and 0 < len(one) <= 100 and unsafe(one) is None and "/" not in one, one)


@target
def addresses(data: bytes) -> None:
    """Any text is an address or none; what is shown of it never holds its password."""
    text = data.decode("utf-8", "surrogateescape")
    lawful(is_address(text) == bool(protocol_of(text)), text)
    with contextlib.suppress(ValueError):
        local_path(text)
    lawful(decoded(encoded(text)) == text, text)
    words = text.replace("geheim", "")
    lawful("geheim" not in without_secrets(f"{words} s3://user:geheim@host/x {words}"), text)
    last_name(text)
    below(text, "x")
    lawful("geheim" not in shown_address(f"s3://user:geheim@host/{words}"), text)


@target
def listing_s3(data: bytes) -> None:
    """Any list of objects becomes a tree in which no name is two things and none climbs."""
    try:
        given: Any = json.loads(data)
    except (ValueError, RecursionError):
        return
    infos = [one for one in given if isinstance(one, dict)] if isinstance(given, list) else []
    _tree([thing for info in infos if (thing := thing_of(info, "bucket/b")) is not None])


def _tree(things: list[Thing]) -> None:
    listing, files = listing_of(things, 1000)
    paths = [entry.path for entry in listing.entries]
    lawful(len(set(paths)) == len(paths) and len(paths) <= 1000 + 200, "a name is two things")
    kinds = {entry.path: entry.kind for entry in listing.entries}
    for path in files:
        lawful(kinds[path] == "file" and ".." not in path.split("/"), f"{path!r} is let through")
        above = path.rpartition("/")[0]
        lawful(not above or kinds.get(above) in ("directory", "unreadable"), f"{path!r} lies in nothing")


class _Page(io.BytesIO):
    """A server's answer, as fsspec hands it over."""

    class r:
        headers = {"Content-Type": "text/html"}  # noqa: RUF012


class _System:
    """fsspec's web file system, as far as links() asks it."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    def open(self, *_: object, **__: object) -> _Page:
        return _Page(self._data)


@target
def listing_web(data: bytes) -> None:
    """Any page of a server names only what lies directly beneath the folder asked for."""
    try:
        found = links(_System(data), "https://host.example/a/b")
    except Broken:
        return
    for thing in found:
        lawful(thing.name.startswith("https://host.example/a/b/"), thing.name)
        lawful("/" not in thing.path and thing.path not in ("", ".", ".."), thing.path)
    _tree(found)
