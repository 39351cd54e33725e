"""One transfer into one package: record, master, documents, metadata, manifests, seal."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from provpack import __version__
from provpack.chunks.bext import build_bext
from provpack.chunks.plan import fill_tail
from provpack.chunks.walk import read_layout
from provpack.edge.commit import PARTIAL_PREFIX
from provpack.edge.schemas import validate
from provpack.errors import Bug, ProvpackError, RecordProblem
from provpack.findings import Finding
from provpack.jobs import wraprules
from provpack.jobs.assembledfile import AudioSource
from provpack.jobs.assembly import is_assembled, note_join, open_audio, plan_assembly, prove_packed
from provpack.jobs.check_records import led_back, place_of, waived
from provpack.jobs.clientprofiles import ClientProfiles
from provpack.jobs.derive import refuse_from_sheet
from provpack.jobs.derivefile import planned_size, write_derivative
from provpack.jobs.heldfiles import held_in_draft, holds_back, studio_record, told_without
from provpack.jobs.load import build_record_draft
from provpack.jobs.loaded import LoadedJob, LoadedTransfer, NamedFile
from provpack.jobs.master import (
    AudioFacts,
    Master,
    MasterWriter,
    block_digests_json,
)
from provpack.jobs.measurements import TOOL, measured, measurements_json
from provpack.jobs.passes import pass_findings
from provpack.jobs.staging import ALGORITHMS, PAYLOAD, Staging
from provpack.jobs.wrapbag import bag_info_pairs, close_bag
from provpack.jobs.wrapdocs import add_documents, add_surroundings, documents_of
from provpack.jobs.wrapmeta import add_metadata, add_mets
from provpack.jobs.wrapneeds import derivative_for, unmet_at_sealing, unsigned
from provpack.jobs.wrapped import Ports, Refusal, Wishes, WrapUnit
from provpack.jobs.wrapplan import AudioPlan, embedded_document, plan_audio, received_entry
from provpack.jobs.wraprecord import file_entry, judged_again, note_pass, note_step
from provpack.package import layout as places
from provpack.package.describe import with_loudness
from provpack.package.heldback import Held
from provpack.package.heldback import hold_back as find_held
from provpack.package.heldnames import Person
from provpack.package.ledgerline import WRAPPED, ledger_line


class Wrapping:
    """The making of one package. Use plan() for a dry run, or run() once."""

    def __init__(
        self,
        job: LoadedJob,
        transfer: LoadedTransfer,
        found: tuple[Finding, ...],
        name: str,
        ports: Ports,
        clients: ClientProfiles,
        persons: Sequence[Person],
        wishes: Wishes,
    ) -> None:
        self._signer = wishes.signer
        self._signed_by = (
            None if wishes.signer is None else (wishes.signer.principal, wishes.signer.fingerprint)
        )
        self._job, self._transfer, self._name, self._ports = job, transfer, name, ports
        self._found = list(found)
        self._at = ports.now()
        self._draft: dict[str, Any] = build_record_draft(job, transfer, record_id=ports.new_id())
        self._client = clients.of(self._draft)
        asked = holds_back(job, self._client)
        hold_back = asked or wishes.hold_back_names
        self._held = find_held(self._draft, ports.new_salt, persons) if hold_back else Held()
        self._held_checked = asked  # then `check` has told already what stands in the way
        self._record: dict[str, Any] = self._held.without(self._draft)
        if self._held.names:
            self._record["held_back"] = [name.for_record() for name in self._held.names]
        if self._client is not None:
            self._record["client_profile"] = self._client.as_record()
        has_audio = transfer.path is not None or is_assembled(transfer)
        self._wanted = derivative_for(self._client, self._draft, wishes.derive) if has_audio else None
        self._record |= {
            "made_by": {"tool": TOOL, "version": __version__, "at": self._at.isoformat()},
            "package_name": name,
            "measured": None,
            "audio_sha256": None,
            "coding_history": None,
            "files": [],
        }
        self._assembly = plan_assembly(transfer, None)[0] if is_assembled(transfer) else None
        self._master_path = f"{places.MASTER_FOLDER}/{name}.wav"
        self._documents = documents_of(transfer)

    def plan(self, final: Path) -> WrapUnit:
        """What run() would write, without writing: names, and sizes where they are known beforehand."""
        self._refuse_beforehand()
        files: list[tuple[str, int]] = []
        unknown = "0" * 64  # as long as the digests that will stand in the record inside the master
        photos = [{"path": place, "sha256": unknown} for place, _, role in self._documents if role == "photo"]
        if photos:
            self._record["condition"]["condition_photos"] = photos
        for _, named, role in self._documents:
            if role == "pass":
                note_pass(self._record, named, unknown)
        opened = open_audio(self._transfer)
        if opened is not None:
            with opened as source:
                plan = self._plan_audio(source)
                files.append((self._master_path, plan.plan.total_size))
                if plan.derivative is not None:
                    size = planned_size(plan.derivative, self._record, master=self._file().written)
                    files.append((plan.derivative.path, size))
        files += [(place, named.path.stat().st_size) for place, named, _ in self._documents if named.path]
        return self._unit("planned", final, files=tuple(files))

    def run(self, final: Path) -> WrapUnit:
        """Build, seal and enter the package. On any error the staging folder is taken away again."""
        self._refuse_beforehand()
        mark = self._ports.new_id().replace("-", "")[:8]
        digests = self._client.digests() if self._client is not None else ()
        staging = Staging(
            self._ports.disk,
            final.parent / f"{PARTIAL_PREFIX}{self._name}-{mark}",
            tuple(dict.fromkeys((*ALGORITHMS, *digests))),
        )
        try:
            staging.begin()
            self._found += pass_findings(self._transfer, self._ports.progress)
            unit = self._build(staging, final)
        except BaseException:
            staging.discard()
            raise
        return self._after_seal(unit, final)

    # --- the steps ---

    def _refuse_beforehand(self) -> None:
        """What can be known before anything is written. Raises RecordProblem, Refusal."""
        refuse_from_sheet(self._record, self._wanted, partial(place_of, self._transfer))
        told = [] if self._held_checked else held_in_draft(self._transfer, self._draft, self._held)
        told = waived([*told, *unsigned(self._client, self._signer, self._name)], self._transfer)
        self._found += told
        self._refuse_for(told)

    def _refuse_for(self, findings: Sequence[Finding]) -> None:
        wrong = next((f for f in findings if f.severity == "error"), None)
        if wrong is not None:
            raise Refusal(
                wrong.rule, wrong.what, where=wrong.where, todo=wrong.todo, findings=tuple(self._found)
            )

    def _build(self, staging: Staging, final: Path) -> WrapUnit:
        master: Master | None = None
        plan: AudioPlan | None = None
        # Documents and other passes come first: the record inside the master names them.
        add_documents(
            staging, self._documents, self._record, self._ports.progress, self._transfer.transfer_id
        )
        opened = open_audio(self._transfer)
        if opened is not None:
            with opened as source:
                plan = self._plan_audio(source)
                master = self._write_master(staging, source, plan)
                if self._assembly is None:  # else the passes are kept whole, and no file was handed in
                    add_surroundings(staging, source, plan.layout, self._record)
            packed = {f.written: staging.folder / p for p, f, role in self._documents if role == "pass"}
            self._found += prove_packed(
                self._transfer, packed, staging.folder / self._master_path, plan.rate,
                self._ports.progress, self._found,
            )  # fmt: skip
        measurements: dict[str, Any] | None = None
        blocks: dict[str, Any] | None = None
        if master is not None and plan is not None:
            facts = master.facts
            measurements = measurements_json(
                facts.levels, facts.analysis, path=self._master_path, rate=plan.rate, at=self._at
            )
            blocks = block_digests_json(master, frame_bytes=plan.format.frame_bytes, rate=plan.rate)
            self._add_json(staging, places.MEASUREMENTS, "measurements", measurements)
            self._add_json(staging, places.BLOCK_DIGESTS, "block-digests", blocks)
        self._record["files"] = sorted(self._record["files"], key=lambda f: str(f["path"]))
        self._add_json(staging, places.RECORD, "transfer-record", self._record)
        files = self._record["files"]
        told = told_without(self._held, self._found)
        offset = plan.plan.data_offset if plan is not None else None
        add_metadata(staging, self._record, findings=told, signed_by=self._signed_by, audio_offset=offset)
        report = self._ports.render_report(
            self._record, measurements=measurements, findings=told, files=files, signed_by=self._signed_by
        )
        staging.add(places.REPORT, report.encode("utf-8"))
        add_mets(staging, self._record, findings=told, signed_by=self._signed_by)
        pairs = bag_info_pairs(self._record, staging, self._at, self._client)
        unmet = unmet_at_sealing(self._client, self._name, staging, pairs, self._signer, self._transfer)
        self._found += unmet
        self._refuse_for(unmet)
        tagmanifest = close_bag(staging, self._record, pairs, audio=blocks, signer=self._signer)
        if self._held.names:  # before the seal: a package without its proof in the studio must not be
            self._keep_names(tagmanifest)
        unit = self._unit(
            "wrapped",
            final,
            files=tuple((w.path, w.size) for w in staging.files),
            tagmanifest=tagmanifest,
        )
        staging.seal(final)
        return unit

    def _keep_names(self, tagmanifest: str) -> None:
        kept = studio_record(self._record, self._draft, self._held, tagmanifest)
        name = f"{self._name}-{str(self._record['record_id'])[:8]}.json"
        self._as_json(name, "transfer-record", kept["record"])
        self._ports.keep_private(name, self._as_json(name, "studio-record", kept))

    def _plan_audio(self, source: AudioSource) -> AudioPlan:
        self._note_header_rate(source)
        plan = plan_audio(
            source, self._record, path=self._master_path, named=self._file(), at=self._at,
            wanted=self._wanted, package=self._name, assembly=self._assembly,
        )  # fmt: skip
        self._found += [led_back(f, self._transfer) for f in plan.findings]
        self._record["coding_history"] = plan.coding_history
        return plan

    def _file(self) -> NamedFile:
        if self._assembly is not None:
            return self._assembly.named
        if self._transfer.file is None:
            raise Bug("no-audio", "Audio without a name.", where=self._name, todo="Report this.")
        return self._transfer.file

    def _note_header_rate(self, source: AudioSource) -> None:
        """Fill in the header's rate from the file where nobody declared it."""
        signal = self._record.setdefault("signal", {})
        if signal.get("header_sampling_frequency_hz") is None:
            layout = read_layout(source, source.path.name)
            if layout.format is not None:
                signal["header_sampling_frequency_hz"] = layout.format.sample_rate

    def _write_master(self, staging: Staging, source: AudioSource, plan: AudioPlan) -> Master:
        self._ports.progress.begin(
            f"{self._transfer.transfer_id}: copying and measuring", plan.plan.data_size
        )
        writer = MasterWriter(
            source, plan.layout, plan.plan, plan.rate, self._ports.run_all, self._ports.progress, self._record
        )

        def tail(facts: AudioFacts) -> bytes:
            self._record["audio_sha256"] = facts.audio_sha256
            self._record["measured"] = measured(facts.levels, facts.analysis, plan.rate, self._at)
            note_pass(self._record, self._transfer.file, facts.received_sha256)
            handed_in = facts.received_sha256
            if self._assembly is not None:
                handed_in = facts.audio_sha256
                note_join(self._record, self._assembly, handed_in, self._at)
            note_step(self._record, handed_in, self._at)
            self._found += judged_again(self._job, self._transfer, self._record, self._found)
            if plan.derivative is not None:  # made here, so that the record inside the master names it
                self._found += write_derivative(
                    staging, source, plan.layout, plan.derivative, self._record,
                    parent=facts.audio_sha256, master=self._file().written, at=self._at,
                    run_all=self._ports.run_all, progress=self._ports.progress,
                ).findings  # fmt: skip
            document = embedded_document(
                self._record,
                path=self._master_path,
                merged=plan.merged,
                received=received_entry(self._file(), facts.received_bytes, facts.received_sha256),
            )
            bext = build_bext(with_loudness(plan.bext, facts.analysis.loudness))
            return fill_tail(plan.plan, [(b"bext", bext), *plan.after, (b"axml", document)])

        staged = staging.new_file(self._master_path)
        try:
            master = writer.write(staged, tail)
        except BaseException:
            staged.abandon()
            raise
        facts = master.facts
        self._record["files"].append(
            file_entry("master", master.written, self._transfer.file)
            | {"audio_sha256": facts.audio_sha256}
            | received_entry(self._file(), facts.received_bytes, facts.received_sha256)
        )
        return master

    def _add_json(self, staging: Staging, path: str, schema: str, value: Mapping[str, Any]) -> None:
        staging.add(path, self._as_json(path, schema, value))

    def _as_json(self, path: str, schema: str, value: Mapping[str, Any]) -> bytes:
        """The document's bytes, after it was validated at the door."""
        violations = validate(schema, value)
        if violations:
            first = violations[0]
            if schema != "transfer-record":
                raise Bug(
                    f"{schema}-invalid", f"{first.pointer or '/'}: {first.message}", where=path,
                    todo="Report this: a document of our own making breaks our own schema.",
                )  # fmt: skip
            raise RecordProblem(
                f"{schema}-invalid",
                f"{first.pointer or '/'}: {first.message}"
                + (f" (and {len(violations) - 1} more)" if len(violations) > 1 else ""),
                where=f"{self._transfer.origin}",
                todo="State it, or mend what is stated; `check` lists every such place.",
            )
        text = json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False)
        return text.encode("utf-8") + b"\n"

    # --- after the seal: nothing here can harm the package ---

    def _after_seal(self, unit: WrapUnit, final: Path) -> WrapUnit:
        extra: list[Finding] = [
            wraprules.SECOND_OPINION.found(text, str(final)) for text in self._ports.second_opinion(final)
        ]
        counts = {s: sum(f.severity == s for f in self._found) for s in ("error", "warning", "note")}
        try:
            self._ports.append_ledger(
                ledger_line(
                    WRAPPED,
                    at=self._ports.now().isoformat(),
                    tool_version=__version__,
                    package=final.name,
                    tagmanifest_sha512=unit.tagmanifest_sha512,
                    record_id=unit.record_id,
                    outcome="done",
                    findings=counts,
                    job_id=self._record["job_id"],
                    transfer_id=self._transfer.transfer_id,
                    carrier_id=self._record["carrier"].get("carrier_id"),
                    client_item_id=self._record["item"].get("client_item_id"),
                )
            )
        except ProvpackError as err:
            extra.append(wraprules.LEDGER_FAILED.found(err.what, err.where))
        if not extra:
            return unit
        return self._unit(
            "wrapped", final, files=unit.files, tagmanifest=unit.tagmanifest_sha512, extra=extra
        )

    def _unit(
        self,
        outcome: Any,
        final: Path,
        *,
        files: tuple[tuple[str, int], ...],
        tagmanifest: str = "",
        extra: list[Finding] | None = None,
    ) -> WrapUnit:
        return WrapUnit(
            transfer_id=self._transfer.transfer_id,
            package_name=self._name,
            outcome=outcome,
            path=str(final),
            record_id=str(self._record["record_id"]),
            tagmanifest_sha512=tagmanifest,
            payload_bytes=sum(size for path, size in files if path.startswith(PAYLOAD)),
            files=files,
            findings=(*self._found, *(extra or [])),
        )
