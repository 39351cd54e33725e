"""Hand packages over: one folder with all packages of one client, a note, an index, and how to check it all.

Order, and what a stop after each step leaves:
    1  look at every package found (names, sizes, tag files, record),
       and whether its ledger can be appended to                         nothing
    2  staging folder `.partial-...` in the destination                   nothing, or a leftover that is named
    3  each package copied or archived, every byte checked, synced        a leftover
    4  note, pages, checksums                                             a leftover
    5  rename to the final name: the commit                               the whole delivery
    6  lines in the custody ledger                                        a delivery the ledger does not know
Nothing is ever written where the packages lie, save the ledger's lines.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from provpack import __version__
from provpack.edge.commit import PARTIAL_PREFIX
from provpack.errors import DestinationProblem, ProvpackError, RecordProblem
from provpack.findings import Finding
from provpack.jobs import deliveryrules as rules
from provpack.jobs.delivered import DeliverPorts, DeliverResult, DeliverUnit, Wishes
from provpack.jobs.deliverycopy import Copier
from provpack.jobs.deliverydemands import Asked, ask, check_form_is_taken, requirements_not_named
from provpack.jobs.deliveryledgers import ledger_of, look_at_ledgers
from provpack.jobs.deliverylook import Looked, look_at
from provpack.jobs.deliverypapers import Papers
from provpack.jobs.deliverysources import (
    check_name_is_free,
    check_profile_is_theirs,
    client_of,
    default_name,
    find_packages,
    leftovers,
    look_at_destination,
)
from provpack.jobs.notsynced import not_synced
from provpack.jobs.progress import expect
from provpack.jobs.staging import Staging
from provpack.jobs.witness import LedgerWitness
from provpack.package import deliverynote as places
from provpack.package.bagpaths import readable
from provpack.package.deliverynote import Handed
from provpack.package.figures import counted
from provpack.package.ledgerline import DELIVERED, ledger_line


def deliver(paths: Sequence[Path], destination: Path, ports: DeliverPorts, wishes: Wishes) -> DeliverResult:
    """Make one delivery of the packages at or beneath the paths. One that fails does not stop the others.

    Raises InputProblem when there is no package, or packages of several clients and none was named;
    UsageProblem when the client does not take packages in this form; DestinationProblem when the delivery
    exists already or would lie among the packages; what the disk raises. What is wrong with single packages
    or with their ledger, and demands that are not met, are in the result.
    """
    roots, passed = find_packages(paths)
    existing = look_at_destination(paths, destination, ports.disk, ports.list_names)
    witness = LedgerWitness()
    expect(ports.progress, [])
    ports.progress.begin(f"looking at {counted(len(roots), 'package')}", 0)
    looked = [look_at(root, ports.validate, witness.judge) for root in roots]
    client = client_of(looked, wishes.client)
    check_profile_is_theirs(wishes.profile, client)
    check_form_is_taken(wishes.profile, wishes.form)
    return _Delivery(ports, wishes, client, destination, existing).make(
        looked, (*passed, *witness.findings())
    )


class _Delivery:
    """The making of one delivery; use make() once."""

    def __init__(
        self,
        ports: DeliverPorts,
        wishes: Wishes,
        client: str | None,
        destination: Path,
        existing: list[str] | None,
    ) -> None:
        self._ports, self._wishes, self._client = ports, wishes, client
        self._destination, self._existing = destination, existing
        self._at: datetime = ports.now()
        self._findings: list[Finding] = leftovers(existing or [], destination)
        self._left: list[DeliverUnit] = []
        self._asked: dict[str, Asked] = {}
        self._history: dict[str, list[Finding]] = {}

    def make(self, looked: Sequence[Looked], told: Sequence[Finding]) -> DeliverResult:
        self._findings += told
        wanted = self._sift(looked)
        if not wanted:
            return self._result()
        name = self._wishes.name
        if name is None:
            name = default_name(self._client or "", self._at.date().isoformat())
        final = self._destination / name
        check_name_is_free(final, name, self._ports.disk)
        for one in wanted:
            self._asked[one.name] = ask(one, self._wishes)
            one.texts.clear()  # what they say is known; a thousand packages' worth would only lie about
        refused = self._refused(wanted)
        if refused is not None:
            return refused
        ledgers = look_at_ledgers(wanted, self._ports)
        self._findings += ledgers.findings
        if ledgers.problem is not None:
            self._left += [_unit(one, "held_back", self._told(one)) for one in wanted]
            return self._result(problem=ledgers.problem)
        self._history = ledgers.history
        self._findings += requirements_not_named(wanted, self._wishes)
        return self._build(wanted, final, ledgers.head)

    # --- which packages ---

    def _sift(self, looked: Sequence[Looked]) -> list[Looked]:
        """Those to be handed over, by name; for every other one a unit that says why not."""
        ours: list[Looked] = []
        for one in sorted(looked, key=lambda x: (x.name, str(x.root))):
            if one.client is not None and one.client != self._client:
                what = f"'{readable(one.name)}' belongs to {one.client}."
                found = rules.OTHER_CLIENT.found(what, readable(str(one.root)))
                self._left.append(_unit(one, "not_asked", [found]))
            elif one.sound:
                ours.append(one)
            else:
                self._left.append(_unit(one, "not_delivered"))
        names = Counter(one.name for one in ours)
        records = Counter(_record_id(one) for one in ours)
        wanted = [one for one in ours if names[one.name] == 1 and records[_record_id(one)] == 1]
        for one in ours:
            if one not in wanted:
                what = f"'{readable(one.name)}', or its record, was found more than once."
                one.findings.append(rules.TWICE.found(what, readable(str(one.root))))
                self._left.append(_unit(one, "not_delivered"))
        return wanted

    # --- what the client asks ---

    def _refused(self, wanted: Sequence[Looked]) -> DeliverResult | None:
        """The result when a demand is not met: all failures in one report, and nothing is delivered."""
        profile = self._wishes.profile
        unmet = [one for one in wanted if self._asked[one.name].unmet]
        if profile is None or not unmet:
            return None
        for one in wanted:
            self._left.append(_unit(one, "not_delivered" if one in unmet else "held_back", self._told(one)))
        problem = RecordProblem(
            "demands-not-met",
            f"{len(unmet)} of {len(wanted)} packages do not meet the requirements '{profile.name}'.",
            where=profile.where,
            todo="Nothing was delivered. Every point is named with its package: mend the sheets, wrap those "
            "transfers again with `supersedes`, and deliver once more.",
        )
        return self._result(problem=problem)

    # --- the delivery itself ---

    def _build(self, wanted: Sequence[Looked], final: Path, head: Mapping[str, Any] | None) -> DeliverResult:
        disk = self._ports.disk
        if self._existing is None:
            disk.make_folder(self._destination)
            disk.sync_folder(self._destination.parent)
        mark = self._ports.new_id().replace("-", "")[:8]
        staging = Staging(disk, self._destination / f"{PARTIAL_PREFIX}{final.name}-{mark}")
        papers = Papers(self._ports, self._wishes, self._client or "", final.name, self._at)
        try:
            staging.begin()
            copied = self._copy_all(wanted, staging)
            if not copied:
                staging.discard()
                return self._result()
            papers.write(staging, copied, ledger=head)
            disk.sync_folder(staging.folder / places.PACKAGES)
            _seal(staging, final)
        except BaseException:
            staging.discard()
            raise
        lines = self._enter(copied, {x.name: x for x in wanted}, papers)
        for handed in copied:
            one = next(x for x in wanted if x.name == handed.name)
            told = (*self._told(one), *self._history.get(one.name, ()))
            self._left.append(_unit(one, "delivered", told))
        return self._result(
            delivery=final, delivery_id=papers.delivery_id, note_sha512=papers.note_sha512, lines=lines
        )

    def _copy_all(self, wanted: Sequence[Looked], staging: Staging) -> list[Handed]:
        ports, form = self._ports, self._wishes.form
        packages = staging.folder / places.PACKAGES
        ports.disk.make_folder(packages)
        ports.progress.begin(f"delivering {counted(len(wanted), 'package')}", sum(x.size for x in wanted))
        copier = Copier(ports.disk, ports.progress.advance)
        copied: list[Handed] = []
        try:
            for one in wanted:
                place = f"{one.name}{places.ENDING[form]}"
                digest, found = copier.copy(one, packages, form, place)
                one.findings += found
                if not one.sound or one.identity is None or one.record is None:
                    self._left.append(_unit(one, "not_delivered"))
                    continue
                if form != "folder":
                    staging.add(places.report_of(one.name, form), copier.report or b"")
                copied.append(self._handed(one, digest))
        finally:
            copier.close()
        return copied

    def _told(self, one: Looked) -> tuple[Finding, ...]:
        """What was found about a package, and what came of asking it."""
        return (*one.findings, *self._asked[one.name].findings)

    def _handed(self, one: Looked, digest: str | None) -> Handed:
        asked = self._asked[one.name]
        told = self._told(one)
        counts = {s: sum(f.severity == s for f in told) for s in ("error", "warning", "note")}
        return Handed(
            name=one.name, record=one.record or {}, size=one.size, files=len(one.files), sha512=digest,
            identity=one.identity or "", signature=asked.signature, findings=counts,
            remarks=(*one.said_at_wrapping(), *(f.what for f in told if f.severity == "warning"))[:100],
        )  # fmt: skip

    # --- the ledger ---

    def _enter(self, copied: Sequence[Handed], looked: dict[str, Looked], papers: Papers) -> int:
        """One line for each package, in the ledger it hangs on. Nothing here can harm the delivery."""
        lines: dict[Path, list[dict[str, Any]]] = {}
        for handed in copied:
            ledger = ledger_of(looked[handed.name])
            if ledger is None:
                continue
            lines.setdefault(ledger, []).append(
                ledger_line(
                    DELIVERED, at=self._ports.now().isoformat(), tool_version=__version__,
                    package=handed.name, tagmanifest_sha512=handed.identity,
                    record_id=handed.record.get("record_id"), outcome="done", findings=dict(handed.findings),
                    delivery_id=papers.delivery_id, document_sha512=papers.note_sha512,
                    organisation=self._client,
                    note=f"delivery {papers.name} to {self._client}, as {self._wishes.form}",
                )
            )  # fmt: skip
        written = 0
        for ledger, entries in lines.items():
            try:
                self._ports.append(ledger, entries)
                written += len(entries)
            except ProvpackError as err:
                self._findings.append(rules.LEDGER_FAILED.found(err.what, err.where))
        return written

    def _result(
        self,
        *,
        delivery: Path | None = None,
        delivery_id: str | None = None,
        note_sha512: str | None = None,
        lines: int = 0,
        problem: ProvpackError | None = None,
    ) -> DeliverResult:
        findings = (*self._findings, *(not_synced(self._ports.disk) if delivery is not None else ()))
        return DeliverResult(
            form=self._wishes.form, units=tuple(sorted(self._left, key=lambda u: (u.name, str(u.path)))),
            findings=findings, delivery=delivery, delivery_id=delivery_id, client=self._client,
            note_sha512=note_sha512, ledger_lines=lines, problem=problem,
        )  # fmt: skip


def _unit(one: Looked, outcome: Any, findings: Sequence[Finding] | None = None) -> DeliverUnit:
    return DeliverUnit(
        name=one.name, path=one.root, outcome=outcome, identity=one.identity, size=one.size,
        findings=tuple(one.findings if findings is None else findings),
    )  # fmt: skip


def _record_id(one: Looked) -> str:
    return str((one.record or {}).get("record_id"))


def _seal(staging: Staging, final: Path) -> None:
    """The commit; when another run made a delivery of that name in the meantime, say that."""
    try:
        staging.seal(final)
    except DestinationProblem as err:
        raise DestinationProblem(
            err.code, f"Another delivery called {final.name} was finished while this one was being made.",
            where=err.where,
            todo="Look at it first: it may hold the same packages. This one was taken away again; if both "
            "are meant, deliver once more with another --name.",
        ) from None  # fmt: skip
