"""Build a package anew from damaged copies, byte for byte as it was sealed, or say exactly what is lost.

No copy is ever written to. Order, and what a crash leaves after each step:
    1  staging folder `.partial-heal-...` in the destination   nothing, or a leftover that is named
    2  every file, digested as it is written, synced           a leftover
    3  the healing record in the staging folder, synced        a leftover
    4  rename of the package to its name                       a whole package; its record in the leftover
    5  rename of the record                                    a whole package with its record
    6  ledger line                                             all
A second run after a crash in 4 or 5 finds the record, proves the package against it, and completes the rest.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from provpack import __version__
from provpack.edge.hashing import hashlib_name
from provpack.edge.presence import package_around
from provpack.edge.schemas import validate
from provpack.errors import Bug, CouldNotCheck, DestinationProblem, ProvpackError, UsageProblem
from provpack.findings import Finding
from provpack.jobs import healrules as rules
from provpack.jobs.healassess import Assessment, assess, pieces_of, read_pieces
from provpack.jobs.healcopies import Copy, close_all, open_copy
from provpack.jobs.healed import HealResult, Ports, copies_json
from provpack.jobs.healunfinished import STAGE, complete_earlier, early_name, leftovers, line_of, taken
from provpack.jobs.measurements import TOOL
from provpack.jobs.notsynced import not_synced
from provpack.jobs.progress import expect, next_part
from provpack.jobs.staging import Staging
from provpack.package.bagpaths import position, readable
from provpack.package.healnote import as_bytes, healing_record, record_name
from provpack.package.healplan import Planned
from provpack.package.healstock import Held, Made
from provpack.package.ownbag import SIGNATURE
from provpack.package.signers import Signers

_ARCHIVE = (
    "What stands before the damage was looked at. Fetch the archive again if there is another copy of it."
)


def heal(
    given: Sequence[Path | str],
    destination: Path,
    ports: Ports,
    *,
    ledger: Path | None = None,
    signers: Signers | None = None,
) -> HealResult:
    """Heal the package of which these are copies. Nothing is written when one is whole or something is lost.

    Raises UsageProblem, DestinationProblem (exists, lies in a copy), InputProblem (two packages),
    CouldNotCheck (no copy can be read, or one changed meanwhile), EnvironmentProblem.
    """
    _refuse_places(given, destination)
    names = _look_at(destination, ports)
    copies = [open_copy(number, one) for number, one in enumerate(given, 1)]
    try:
        if all(copy.place is None for copy in copies):
            raise CouldNotCheck(
                "no-copy-readable", f"No copy can be read: {copies[0].problem}",
                where=readable(copies[0].shown),
                todo="Look whether the disks are mounted, at cables and permissions; then try again.",
            )  # fmt: skip
        early = early_name(copies)
        done = complete_earlier(early, destination, names, ports) if early in names else None
        if done is not None:
            return done

        def begin(label: str, total: int) -> None:
            expect(ports.progress, [total, total // len(copies)])  # the copies are read, then one is written
            next_part(ports.progress)
            ports.progress.begin(label, total)

        seen = assess(copies, told=ports.progress.advance, begin=begin, ledger=ledger, signers=signers)
        return _decide(seen, destination, names, ports)
    finally:
        close_all(copies)


def _decide(seen: Assessment, destination: Path, names: Sequence[str], ports: Ports) -> HealResult:
    found = [*seen.findings, *_about(seen), *leftovers(names, destination)]
    result = HealResult(
        outcome="healed", name=seen.name, destination=str(destination), identity=seen.plan.identity,
        assessment=seen, findings=tuple(found),
    )  # fmt: skip
    if seen.plan.lost or not seen.plan.files:
        return replace(result, outcome="lost" if seen.certainly_lost else "could_not_check")
    if seen.whole is not None:
        return replace(result, outcome="nothing_to_heal")
    for name in (seen.name, record_name(seen.name)):
        if ports.disk.exists(destination / name):
            raise taken(destination / name)
    return _build(seen, result, destination, ports)


def _about(seen: Assessment) -> list[Finding]:
    out = []
    for copy, view in zip(seen.copies, seen.views, strict=True):
        state, shown = seen.state(view), readable(copy.shown)
        if state == "unreadable" or view.unlisted:
            why = view.unlisted or next(iter(view.problems.values()), "nothing can be listed")
            todo = _ARCHIVE if view.sizes and copy.place is not None and copy.place.serialisation else ""
            out.append(rules.COPY_UNREADABLE.found(f"Copy {copy.number}: {readable(why)}", shown, todo=todo))
        elif state == "other_package":
            what = f"Copy {copy.number} holds no file as the sealed package has it."
            if view.number in seen.strangers:
                what = f"The record in copy {copy.number} is that of another package."
            out.append(rules.OTHER_PACKAGE.found(what, shown))
    for number, path in seen.left_out[:100]:
        kind = seen.views[number - 1].irregular.get(path)
        what = (
            f"'{readable(path)}' of copy {number} is {f'{kind}, and ' if kind else ''}listed in no manifest."
        )
        out.append(rules.NOT_CARRIED.found(what, readable(path), position=position(path)))
    for path in seen.plan.unproven:
        what = f"'{readable(path)}' is listed in no manifest; all copies agree."
        out.append(rules.UNPROVEN.found(what, readable(path), position=position(path)))
    return out


# --- where it may be built ---


def _refuse_places(given: Sequence[Path | str], destination: Path) -> None:
    real = [Path(os.path.realpath(one)) if isinstance(one, Path) else one for one in given]
    if len(real) < 2 or len(set(real)) < len(real):
        raise UsageProblem(
            "copies-needed", "Healing needs two or more copies, each in a place of its own.",
            where="the command line", todo="Name each copy once.",
        )  # fmt: skip
    target = Path(os.path.realpath(destination))
    for copy in real:
        if isinstance(copy, Path) and copy.is_dir() and (target == copy or copy in target.parents):
            raise DestinationProblem(
                "destination-in-copy", "The destination lies in a copy, and nothing is ever written there.",
                where=readable(str(destination)), todo="Name a folder outside of all copies after --to.",
            )  # fmt: skip
    inside = package_around(target / "x")
    if inside is not None:
        raise DestinationProblem(
            "destination-in-package", "The destination lies in a package, and nothing is written there.",
            where=f"{readable(str(destination))}, in {readable(str(inside))}",
            todo="Name a folder outside it after --to: a sealed package is never written into.",
        )  # fmt: skip


def _look_at(destination: Path, ports: Ports) -> list[str]:
    """Names in the destination; none when it does not exist yet. Raises DestinationProblem."""
    if ports.disk.exists(destination):
        if not ports.disk.is_folder(destination):
            raise DestinationProblem(
                "destination-not-a-folder", "The destination is there already, but it is not a folder.",
                where=readable(str(destination)), todo="Name a folder after --to, or one to be made.",
            )  # fmt: skip
        return ports.list_names(destination)
    if not ports.disk.is_folder(destination.parent):
        raise DestinationProblem(
            "no-parent-folder", "The folder that is to hold the destination does not exist.",
            where=readable(str(destination.parent)), todo="Create it, or mend the path after --to.",
        )  # fmt: skip
    return []


# --- building ---


def _build(seen: Assessment, result: HealResult, destination: Path, ports: Ports) -> HealResult:
    if not ports.disk.exists(destination):
        ports.disk.make_folder(destination)
        ports.disk.sync_folder(destination.parent)
    stage = destination / f"{STAGE}{seen.name}-{ports.new_id().replace('-', '')[:8]}"
    final, noted = destination / seen.name, destination / record_name(seen.name)
    kinds = {a: hashlib_name(a) or a for a in seen.algorithms}
    sealed = False
    try:
        ports.disk.make_folder(stage)
        staging = Staging(ports.disk, stage / seen.name, tuple(kinds.values()))
        staging.begin()
        next_part(ports.progress)
        ports.progress.begin(f"writing {readable(seen.name)}", sum(f.source.size for f in seen.plan.files))
        for planned in seen.plan.files:
            _write(staging, planned, seen, kinds, ports)
        if seen.signature is not None:
            staging.add(SIGNATURE, seen.signature)
        document = _document(seen, ports)
        writer = ports.disk.create(stage / noted.name)
        try:
            writer.write(document)
            writer.sync()
        finally:
            writer.close()
        ports.disk.sync_folder(stage)
        sealed = True  # what comes next may leave the package in place: its record must not go
        staging.seal(final)
        ports.disk.rename(stage / noted.name, noted)
        ports.disk.sync_folder(destination)
        ports.disk.discard(stage)
    except BaseException:
        # In place is what is no longer in the staging folder: under the final name may be another's package.
        if not sealed or ports.disk.exists(stage / seen.name) or ports.disk.exists(noted):
            ports.disk.discard(stage)
        raise
    digest = hashlib.sha512(document).hexdigest()
    findings = list(result.findings)
    try:
        ports.append_ledger(
            destination, line_of(seen.name, seen.plan.identity, seen.record_id, digest, ports.now())
        )
    except ProvpackError as err:
        findings.append(rules.LEDGER_FAILED.found(err.what, err.where, todo=""))
    findings += not_synced(ports.disk)
    return replace(
        result, package=str(final), record=str(noted), document_sha512=digest, findings=tuple(findings)
    )


def _write(staging: Staging, planned: Planned, seen: Assessment, kinds: dict[str, str], ports: Ports) -> None:
    """One file, digested from the very bytes that are written. Raises CouldNotCheck when they differ."""
    staged = staging.new_file(planned.path)
    try:
        for part in _parts(planned, seen.copies, ports):
            staged.write_with(memoryview(part), ports.run_all, ())
    except BaseException:
        staged.abandon()
        raise
    written = staged.close()
    if {a: written.digests[name] for a, name in kinds.items()} != dict(planned.source.digests):
        raise CouldNotCheck(
            "copy-changed",
            f"'{readable(planned.path)}' was read twice and was not the same: a copy changes, or its disk is "
            "failing.",
            where=readable(planned.path),
            todo="See that nothing writes to the copies, look at the disks' error logs, and try again.",
        )


def _parts(planned: Planned, copies: Sequence[Copy], ports: Ports) -> Iterator[bytes]:
    if isinstance(planned.source, Made):
        yield planned.source.data
    else:
        yield from read_pieces(copies, pieces_of(planned.source), ports.progress.advance)


def _document(seen: Assessment, ports: Ports) -> bytes:
    holder = next(
        (
            view.number
            for view in seen.views
            if isinstance(held := view.files.get(SIGNATURE), Held)
            and held.digests["sha512"] == hashlib.sha512(seen.signature or b"").hexdigest()
        ),
        None,
    )
    record = healing_record(
        seen.plan, package=readable(seen.name), record_id=seen.record_id, at=ports.now().isoformat(),
        tool=TOOL, version=__version__, copies=copies_json(seen),
        masters={path: blocks.digests for path, blocks in seen.maps.items()},
        signature={"state": seen.signature_state, "copy": holder if seen.signature is not None else None},
        left_out=seen.left_out,
    )  # fmt: skip
    violations = validate("healing-record", record)
    if violations:
        raise Bug(
            "healing-record-invalid", f"{violations[0].pointer}: {violations[0].message}", where=seen.name,
            todo="Report this: a document of our own making breaks our own schema.",
        )  # fmt: skip
    return as_bytes(record)
