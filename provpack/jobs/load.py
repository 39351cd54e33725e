"""Reading a job folder: `load_job`, and the record a transfer starts from: `build_record_draft`.

job.toml holds job_id, client, transfer_organisation, defaults and chains; transfers stand in transfers.csv
or as [[transfer]] tables; lists of a transfer in a sheet named after the field, or in its table. What the
bench log states lies over all of them (benchsheet.py).
"""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from provpack.edge import input_rules
from provpack.edge.jobfolder import Listing, list_folder, read_all, resolve, resolve_equipment
from provpack.edge.tables import MAX_BYTES, Table, read_table
from provpack.edge.tomlfile import MAX_TOML_BYTES, read_toml
from provpack.findings import Finding, Rule
from provpack.jobs import rules
from provpack.jobs.benchsheet import BenchSheet, Folded, read_bench
from provpack.jobs.corrections import take_over
from provpack.jobs.declared import Declared, Sheets, declare_row, declare_table, found_at
from provpack.jobs.draft import build_record_draft
from provpack.jobs.loaded import DeclaredIn, Equipment, LoadedJob, LoadedTransfer, NamedFile, Origin
from provpack.jobs.merge import merge_transfer, passes_from_chains
from provpack.jobs.register import read_register
from provpack.jobs.sheetfields import CHAIN_ONLY, NOT_IN_CELLS, sheet_fields
from provpack.jobs.sheetsought import instead_of, job_elsewhere
from provpack.package.benchstate import BenchState

__all__ = [
    "DeclaredIn",
    "Equipment",
    "LoadedJob",
    "LoadedTransfer",
    "NamedFile",
    "Origin",
    "Sheets",
    "build_record_draft",
    "load_job",
    "read_sheets",
]

JOB_SHEET = "job.toml"
TRANSFERS = "transfers.csv"
EQUIPMENT = "equipment.toml"
SHARED_TABLE = "custody_events"
"""The one companion sheet whose rows may leave transfer_id empty: such an event concerns the whole job."""


def load_job(folder: Path, folded: Folded | None = None) -> LoadedJob:
    """Read job.toml, the equipment register, transfers and companion sheets of a job folder.

    Never raises for what the sheets say; InputProblem only when the folder cannot be listed at all. folded:
    the bench log as it was folded before, which need not be done anew while it is the same.
    """
    return _Loader(list_folder(folder), folded).load()


def read_sheets(listing: Listing) -> Sheets:
    """The sheets of a job folder without its bench log. Never raises for what they say: a value that cannot
    be taken is not there."""
    return _Loader(listing).sheets(with_log=False)


class _Loader:
    """One reading of one folder; collects findings and the digests of what was read."""

    def __init__(self, listing: Listing, folded: Folded | None = None) -> None:
        self.listing = listing
        self.folded = folded
        self.findings: list[Finding] = list(listing.findings)
        self.read: list[DeclaredIn] = []
        self.fields = sheet_fields()
        self.companions: dict[str, dict[str, Declared]] = {}
        self.shared_events: list[Mapping[str, Any]] = []
        self.has_job_sheet = False
        self.bench = BenchSheet(BenchState())

    def load(self) -> LoadedJob:
        sheets = self.sheets(with_log=True)
        job, defaults, chains, rows = sheets.job, sheets.defaults, sheets.chains, sheets.rows
        declared_chains = {name: {"id": name, **chain.values} for name, chain in chains.items()}
        for chain in chains.values():
            for name in CHAIN_ONLY:
                chain.values.pop(name, None)
            chain.refused -= CHAIN_ONLY
        own = Declared(
            values={k: v for k, v in job.values.items() if k in ("client", "transfer_organisation")},
            origins=job.origins,
            refused=job.refused,
        )
        follows = self._taken_over(rows, str(job.values.get("job_id", "")))
        transfers = tuple(self._merge(row, at, chains, defaults, own, follows) for row, at in rows)
        self._unique(transfers)
        documents = self._named(job, "documents")
        self._unused_tables(transfers, documents)
        events = [*job.values.get("custody_events", []), *self.shared_events]
        return LoadedJob(
            folder=self.listing.root,
            job_id=str(job.values.get("job_id", "")),
            client=str(job.values.get("client", "")),
            organisation=str(job.values.get("transfer_organisation", "")),
            equipment=sheets.equipment,
            transfers=transfers,
            custody_events=tuple(events),
            documents=documents,
            client_profiles=self._named(job, "client_profiles"),
            job_values=job.values,
            job_origins=job.origins,
            chains=declared_chains,
            bench=self.bench.state,
            findings=tuple(self.findings),
            declared_in=tuple(self.read),
            files=self.listing.files,
            sheets=tuple(d.path for d in self.read),
        )

    @property
    def _begun(self) -> bool:
        """Whether there is a job.toml, good or bad: without one, nothing else is missing yet."""
        return JOB_SHEET in self.listing.files

    # -- sheets ------------------------------------------------------------------------------------------
    def sheets(self, *, with_log: bool) -> Sheets:
        """What was declared; with_log: what the bench log states laid over it."""
        document = self._job_sheet()
        self.has_job_sheet = bool(document)
        if with_log:
            self._bench_log()
        job = self._job_values(document)
        defaults = self._section(document.get("defaults", {}), "defaults")
        chains = self._chains(document.get("chain", []))
        equipment = self._equipment(job)
        rows = self._rows(document)
        self._companion_sheets({str(row.values.get("transfer_id", "")) for row, _ in rows})
        return Sheets(
            job=job, defaults=defaults, chains=chains, equipment=equipment, rows=rows,
            companions=self.companions, read=self.read,
        )  # fmt: skip

    def _bench_log(self) -> None:
        log = read_bench(self.listing, self.folded)
        self.bench = log.bench
        self.findings += log.findings
        self.read += [log.sheet] if log.sheet is not None else []

    def _bytes(self, path: Path, name: str, limit: int) -> bytes | None:
        try:
            data = read_all(path, limit)
        except OSError as error:
            what = f"The sheet cannot be read: {error.strerror or error}."
            self.findings.append(input_rules.SHEET_UNREADABLE.found(what, name, position={"file": name}))
            return None
        digest = hashlib.sha256(data).hexdigest()
        if len(data) <= limit:
            self.read.append(DeclaredIn(path=name, sha256=digest, bytes=len(data), absolute=path))
        return data

    def _toml(self, path: Path, name: str) -> dict[str, Any]:
        data = self._bytes(path, name, MAX_TOML_BYTES)
        if data is None:
            return {}
        document, found = read_toml(data, name)
        self.findings += found
        return document or {}

    def _table(self, name: str, known: set[str]) -> Table | None:
        data = self._bytes(self.listing.root / name, name, MAX_BYTES)
        if data is None:
            return None
        table = read_table(data, name, known=known)
        self.findings += table.findings
        return table

    def _job_sheet(self) -> dict[str, Any]:
        found = resolve(self.listing, JOB_SHEET, where=JOB_SHEET, position={"file": JOB_SHEET})
        if found.path is None:
            missing = found.findings[0]
            todo = job_elsewhere(self.listing, JOB_SHEET)
            self.findings.append(
                input_rules.SHEET_MISSING.found(
                    missing.what, JOB_SHEET, todo=todo, position={"file": JOB_SHEET}
                )
            )
            return {}
        return self._toml(found.path, JOB_SHEET)

    def _job_values(self, document: Mapping[str, Any]) -> Declared:
        own = {k: v for k, v in document.items() if k not in ("defaults", "chain", "transfer")}
        job = declare_table(own, self.fields.job, Origin(level="job", file=JOB_SHEET))
        self.bench.lay(job, "job", None, self.fields.job, "job")
        self.findings += job.findings
        if document:
            for name in ("job_id", "client", "transfer_organisation"):
                if name not in job.values and name not in job.refused:
                    self._say(rules.REQUIRED, f"'{name}' is missing.", JOB_SHEET, name)
        return job

    def _say(self, rule: Rule, what: str, file: str, key: str = "", todo: str = "") -> None:
        self.findings.append(found_at(rule, what, Origin(level="job", file=file, column=key), todo=todo))

    def _section(self, table: Any, name: str) -> Declared:
        if not isinstance(table, Mapping):
            self._say(rules.KEY_TYPE, f"'{name}' is not a table.", JOB_SHEET, name, f"Write [{name}].")
            table = {}
        out = declare_table(
            table, self.fields.defaults, Origin(level="defaults", file=JOB_SHEET, column=name)
        )
        self.bench.lay(out, "defaults", None, self.fields.defaults, "defaults")
        self.findings += out.findings
        return out

    def _tables(self, tables: Any, name: str) -> list[tuple[Mapping[str, Any], str]]:
        if not isinstance(tables, list):
            self._say(
                rules.KEY_TYPE, f"'{name}' is not a list of tables.", JOB_SHEET, name, f"Write [[{name}]]."
            )
            return []
        out = []
        for n, table in enumerate(tables, 1):
            if isinstance(table, Mapping):
                out.append((table, f"{name}[{n}]"))
            else:
                self._say(rules.KEY_TYPE, "The entry is not a table.", JOB_SHEET, f"{name}[{n}]")
        return out

    def _chains(self, tables: Any) -> dict[str, Declared]:
        out: dict[str, Declared] = {}
        for table, key in self._tables(tables, "chain"):
            declared = declare_table(
                table, self.fields.chain, Origin(level="chain", file=JOB_SHEET, column=key)
            )
            self.findings += declared.findings
            chain_id = declared.values.pop("id", None)
            if not isinstance(chain_id, str):
                self._say(rules.REQUIRED, "The chain has no id.", JOB_SHEET, key)
            elif chain_id in out:
                self._say(rules.CHAIN_REPEATED, f"The chain '{chain_id}' is there twice.", JOB_SHEET, key)
            else:
                out[chain_id] = declared
        self.findings += self.bench.lay_chains(out, self.fields.chain)
        return out

    def _equipment(self, job: Declared) -> dict[str, Equipment]:
        written = job.values.get("equipment", EQUIPMENT)
        where = str(job.origins.get("equipment", JOB_SHEET))
        found = resolve_equipment(self.listing.root, str(written), where=where)
        register: dict[str, Equipment] = {}
        if found.path is not None:
            register, findings = read_register(self._toml(found.path, str(written)), str(written))
            self.findings += [*found.findings, *findings]
        elif "equipment" in job.values or (self._begun and not self.bench.knows("equipment")):
            self.findings += found.findings
        self.findings += self.bench.lay_equipment(register)
        return register

    # -- rows --------------------------------------------------------------------------------------------
    def _rows(self, document: Mapping[str, Any]) -> list[tuple[Declared, Origin]]:
        tables = self._tables(document.get("transfer", []), "transfer")
        rows: list[tuple[Declared, Origin]] = []
        for nested, key in tables:
            at = Origin(level="row", file=JOB_SHEET, column=key)
            rows.append((declare_table(nested, self.fields.transfer, at), at))
        if TRANSFERS in self.listing.files:
            if tables:
                what = f"Transfers stand in {TRANSFERS} and as [[transfer]] tables."
                self._say(rules.TWO_SHEETS, what, JOB_SHEET, "transfer")
            columns = {n: c for n, c in self.fields.transfer.items() if n not in NOT_IN_CELLS}
            sheet = self._table(TRANSFERS, set(columns))
            for row in sheet.rows if sheet else ():
                at = Origin(level="row", file=TRANSFERS, row=row.number)
                rows.append((declare_row(row, columns, "row", TRANSFERS), at))
        rows += self.bench.new_rows(rows)
        if not rows and (self._begun or TRANSFERS in self.listing.files):
            what = f"There is no row in {TRANSFERS} and no [[transfer]] in {JOB_SHEET}."
            there = TRANSFERS in self.listing.files
            todo = "" if there else instead_of(self.listing, TRANSFERS)
            self._say(rules.NO_TRANSFERS, what, TRANSFERS if there else JOB_SHEET, todo=todo)
        return rows

    def _companion_sheets(self, ids: set[str]) -> None:
        for name in self.fields.tables:
            file = f"{name}.csv"
            if file not in self.listing.files:
                continue
            columns = dict(self.fields.transfer[name].fields)
            columns["transfer_id"] = self.fields.transfer["transfer_id"]
            sheet = self._table(file, set(columns))
            for row in sheet.rows if sheet else ():
                self._companion_row(name, file, declare_row(row, columns, "companion", file), row.number, ids)

    def _companion_row(self, name: str, file: str, declared: Declared, number: int, ids: set[str]) -> None:
        transfer_id = declared.values.pop("transfer_id", None)
        at = Origin(level="companion", file=file, row=number)
        if transfer_id is None:
            self.findings += declared.findings
            if name == SHARED_TABLE and "transfer_id" not in declared.refused:
                self.shared_events.append(declared.values)
            elif "transfer_id" not in declared.refused:
                self.findings.append(found_at(rules.ID_MISSING, "The row names no transfer.", at))
            return
        if transfer_id not in ids:
            self.findings += declared.findings
            near = difflib.get_close_matches(str(transfer_id), sorted(ids), n=1) if len(ids) < 1000 else []
            todo = f"Did you mean '{near[0]}'?" if near else ""
            what = f"There is no transfer '{transfer_id}' in the job."
            self.findings.append(found_at(rules.COMPANION_ORPHAN, what, at, todo=todo))
            return
        holder = self.companions.setdefault(str(transfer_id), {})
        whole = holder.setdefault(
            name, Declared(values={name: []}, origins={name: Origin(level="companion", file=file)})
        )
        index = len(whole.values[name])
        whole.origins[f"{name}/{index}"] = at
        whole.refused |= {f"{name}/{index}/{column}" for column in declared.refused}
        whole.values[name].append(declared.values)
        whole.findings += declared.findings

    def _taken_over(self, rows: list[tuple[Declared, Origin]], job_id: str) -> Mapping[str, tuple[str, ...]]:
        """Lay the log over the rows, and rows under those that correct them; see TakenOver.follows."""
        for row, _ in rows:
            self.bench.lay_row(row, self.companions.get(str(row.values.get("transfer_id", "")), {}))
        found = take_over(
            rows, self.companions, job_id, taken_away=self.bench.taken_away, played=self.bench.played
        )
        for n, (other, names) in found.names.items():
            self.bench.hand_on(other, rows[n][0], names)
        return found.follows

    def _merge(
        self, row: Declared, at: Origin, chains: Mapping[str, Declared], defaults: Declared, own: Declared,
        follows: Mapping[str, tuple[str, ...]],
    ) -> LoadedTransfer:  # fmt: skip
        transfer_id = str(row.values.get("transfer_id", ""))
        companions = self.companions.get(transfer_id, {})
        levels = [defaults, own]
        chain_id = row.values.get("chain")
        if isinstance(chain_id, str):
            chain = chains.get(chain_id)
            if chain is not None:
                levels.insert(0, chain)
            elif self.has_job_sheet:
                near = difflib.get_close_matches(chain_id, sorted(chains), n=1)
                todo = f"Did you mean '{near[0]}'?" if near else ""
                what = f"There is no chain '{chain_id}' in this job."
                row.findings.append(found_at(rules.CHAIN_UNKNOWN, what, row.origins["chain"], todo=todo))
                row.refused.add("chain")
                del row.values["chain"]
        for holder in (row, companions.get("passes")):
            if holder is not None and self.has_job_sheet:
                passes_from_chains(holder, chains, at)
        merged = merge_transfer(row, at, levels, companions, self.listing)
        return self.bench.finish(replace(merged, follows=follows.get(transfer_id, ())), row)

    def _unique(self, transfers: tuple[LoadedTransfer, ...]) -> None:
        first: dict[str, LoadedTransfer] = {}
        for transfer in transfers:
            other = first.setdefault(transfer.transfer_id, transfer)
            if other is not transfer and transfer.transfer_id:
                what = f"The transfer_id '{transfer.transfer_id}' is already used by {other.origin}."
                place = transfer.origin_of("transfer_id")
                self.findings.append(found_at(rules.ID_REPEATED, what, place))

    # -- files -------------------------------------------------------------------------------------------
    def _named(self, job: Declared, key: str) -> tuple[NamedFile, ...]:
        """The files a list of job.toml names; findings for those that cannot be used."""
        out = []
        origin = job.origins.get(key)
        for written in job.values.get(key, []) if origin else ():
            assert origin is not None
            found = resolve(self.listing, written, where=str(origin), position={"file": origin.file})
            self.findings += found.findings
            out.append(NamedFile(written=written, path=found.path, relative=found.relative, origin=origin))
        return tuple(out)

    def _unused_tables(self, transfers: tuple[LoadedTransfer, ...], documents: tuple[NamedFile, ...]) -> None:
        """A companion sheet with a typing error in its name must not be passed over in silence."""
        named = {d.path for d in self.read} | {d.relative for d in documents}
        named |= {f.relative for t in transfers for f in (*t.documents, *t.photos)}
        read = {f"{name}.csv" for name in self.fields.tables} | {TRANSFERS}
        for file in self.listing.files:
            if (
                "/" in file
                or file in named
                or not file.casefold().endswith((".csv", ".tsv", ".xlsx", ".ods"))
            ):
                continue
            near = difflib.get_close_matches(file.casefold()[:100], sorted(read), n=1)
            what = f"The table {file} is neither a sheet of the job nor named as a document."
            self._say(rules.SHEET_UNUSED, what, file, todo=f"Should it be {near[0]}?" if near else "")
