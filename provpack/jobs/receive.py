"""Take in a delivery, a package or an archive, and write a receipt. What is received is only ever read.

The receiver needs nothing of the sender's: what came is held against its own manifests, against the delivery
note, and the note against the receiver's own list of keys where there is one.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

from provpack.edge.hashing import digest_bytes
from provpack.edge.place import FolderPlace
from provpack.edge.reading import read_small
from provpack.edge.tree import find_bags
from provpack.errors import CouldNotCheck, InputProblem, ProvpackError
from provpack.findings import Finding
from provpack.jobs import deliveryrules as rules
from provpack.jobs.deliverypapers import checked_document, made_by, signer_json, strangers_document
from provpack.jobs.notsynced import not_synced
from provpack.jobs.progress import expect, next_part
from provpack.jobs.receipts import ReceiptPlace, ReceivePorts, ReceiveResult, ReceiveUnit, ReceiveWishes
from provpack.jobs.receivepapers import Came, looks_like_delivery, read_papers
from provpack.jobs.signatures import signature_examiner
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify import verify_paths
from provpack.package import deliverynote as places
from provpack.package import rules as bag_rules
from provpack.package import signrules
from provpack.package.bagpaths import readable
from provpack.package.documents import MAX_DOCUMENT
from provpack.package.layout import MASTER_FOLDER
from provpack.package.names import safe_file_name
from provpack.package.receipt import Found, build_receipt, conclude
from provpack.package.sshsig import NAMESPACE_RECEIPT

_NOTHING = frozenset({bag_rules.NOT_FOUND.id, bag_rules.NO_BAG_HERE.id, bag_rules.NOT_A_FOLDER.id})

_MASTERS = str(Path(MASTER_FOLDER))
_LOOKED_AHEAD = 10_000
"""Folders, and files of each, that are added up so that progress knows its end."""


def receive(path: Path, target: Path, ports: ReceivePorts, wishes: ReceiveWishes) -> ReceiveResult:
    """Check everything at path and write receipt-<name>.json into the folder target.

    Raises InputProblem when there is nothing to receive, or a folder of deliveries; DestinationProblem when
    the receipt cannot stand where it should, what the disk raises. What is wrong with the delivery is in the
    result.
    """
    is_delivery = _is_delivery(path)
    came: Came | None = None
    wishes, told = _own_list(path, wishes)
    place = ReceiptPlace(ports.disk, target, _name(path), ports.new_id().replace("-", "")[:8])
    try:
        place.begin(path)
        expect(ports.progress, _sizes(path, is_delivery, wishes.depth == "meaning"))
        next_part(ports.progress)
        if is_delivery:
            ports.progress.begin("reading the papers of the delivery", 0)
            came = read_papers(
                path, wishes.signers, wishes.require_signature, ports.progress.advance, ports.now()
            )
            next_part(ports.progress)
        else:
            _refuse_several(path)
            told = [*told, *_part_of(path)]
        units, findings = _check(path, came, ports, wishes)
        return _conclude(path, came, units, [*told, *findings], place, ports, wishes)
    except BaseException:
        place.discard()
        raise


def _sizes(path: Path, is_delivery: bool, twice: bool) -> list[int]:
    """Bytes to be read for the papers, which tell the digests of archives, and for the packages.

    twice: the audio is read again for its blocks.
    """
    archives = whole = 0
    try:
        if path.is_file():
            whole = path.stat().st_size * (2 if twice else 1)
        for here, _, files in islice(os.walk(path), _LOOKED_AHEAD):
            for name in files[:_LOOKED_AHEAD]:
                size = (Path(here) / name).stat(follow_symlinks=False).st_size
                archive, master = Path(here) == path / places.PACKAGES, here.endswith(_MASTERS)
                whole += 2 * size if twice and (archive or master) else size
                archives += size if archive else 0
    except (OSError, ValueError):
        whole = 0  # told when it is read; without a size there is no time left to tell
    return [archives, whole] if is_delivery else [whole]


def _part_of(path: Path) -> list[Finding]:
    """A warning when path lies in a delivery, whose note is then not looked at."""
    whole = path.absolute()
    for folder in (whole.parent, whole.parent.parent):
        if (folder / places.NOTE).is_file():
            what = f"This lies in the delivery {readable(str(folder))}, and was not held against its note."
            return [rules.PART_OF_DELIVERY.found(what, readable(str(path)))]
    return []


def _is_delivery(path: Path) -> bool:
    """Whether papers of a delivery lie there. Raises InputProblem, CouldNotCheck."""
    try:
        if path.exists():
            return path.is_dir() and looks_like_delivery(path)
    except (OSError, ValueError) as err:
        raise CouldNotCheck(
            "unreadable", f"This cannot be looked at: {err.__class__.__name__}.", where=readable(str(path)),
            todo="Check the medium, its cable and the permissions.",
        ) from None  # fmt: skip
    raise InputProblem(
        "nothing-there", "There is nothing at this path.", where=readable(str(path)),
        todo="Look whether the disc or drive is mounted, and mend the path.",
    )  # fmt: skip


def _refuse_several(path: Path) -> None:
    """Raises InputProblem when deliveries lie beneath a folder: each has a note and a receipt of its own."""
    if not path.is_dir() or os.path.lexists(path / "bagit.txt"):
        return
    search = find_bags(path)
    between = {p for found in (*search.bags, *search.archives) for p in found.relative_to(path).parents}
    found = []
    try:
        with os.scandir(path) as entries:
            between |= {Path(e.name) for e in entries if e.is_dir(follow_symlinks=False)}
        found = sorted(str(p) for p in between - {Path()} if looks_like_delivery(path / p))
    except (OSError, ValueError):
        pass  # what cannot be read is told when the packages are looked for
    if found:
        raise InputProblem(
            "several-deliveries",
            f"This is no delivery, but a folder that holds {'one' if len(found) == 1 else len(found)}: "
            f"{', '.join(readable(name) for name in found[:5])}{' ...' if len(found) > 5 else ''}.",
            where=readable(str(path)),
            todo="Name one delivery: the folder that holds delivery-note.json. Each gets its own receipt.",
        )


def _own_list(path: Path, wishes: ReceiveWishes) -> tuple[ReceiveWishes, list[Finding]]:
    """The wishes without a list of signers that came along with what is received, and what to say of it."""
    if wishes.signers_file is None or wishes.signers is None:
        return wishes, []
    top, given = path.resolve(), wishes.signers_file
    if top.parent.name == places.PACKAGES:  # one package of a delivery: the list of the whole came along too
        top = top.parent
    if top.name == places.PACKAGES:
        top = top.parent
    # neither a link from outside into the delivery nor one from inside it to elsewhere
    if not any(top in way.parents for way in (given.resolve(), given.parent.resolve() / given.name)):
        return wishes, []
    what = (
        f"The list {readable(str(given))} came with the delivery: whoever made that could have put any key "
        "into it. The signatures were judged as if you had named no list."
    )
    told = rules.LIST_CAME_ALONG.found(what, readable(str(given)))
    return replace(wishes, signers=None), [told]


def _name(path: Path) -> str:
    """What the receipt is called after: the delivery as its note has it, else the folder or archive."""
    try:
        note = read_small(FolderPlace(path), places.NOTE, MAX_DOCUMENT)
        return str(strangers_document("delivery-note", note, places.NOTE)["delivery_name"])
    except ProvpackError:
        name = path.resolve().name  # what is wrong with the note is told when it is read in earnest
    for ending in (".tar", ".zip"):
        name = name.removesuffix(ending)
    return safe_file_name(name)


def _check(
    path: Path, came: Came | None, ports: ReceivePorts, wishes: ReceiveWishes
) -> tuple[list[ReceiveUnit], list[Finding]]:
    """Every package that came, and every one that should have."""
    if came is None:
        paths = [path]
    else:
        there = set(came.places)
        paths = [came.root / p for p in sorted(there)]
    result = verify_paths(
        paths, wishes.depth, progress=ports.progress, clock=ports.now, validate=ports.validate,
        recover=ports.recover,
        examiners=[signature_examiner(
            wishes.signers, required=wishes.require_signature, now=ports.now()
        )],
    )  # fmt: skip
    findings = [*(came.findings if came else ()), *result.findings]
    if came is None:
        _refuse_nothing(path, result.units)
        findings.append(rules.NO_NOTE.found("Only packages came, without a note.", readable(str(path))))
        return [_unit(u, None, None) for u in result.units], findings
    noted = {readable(str(came.root / p)): entry for p, entry in came.noted.items()}
    units = [_unit(u, noted.get(u.path), came) for u in result.units if not _is_nothing(u)]
    seen = {u.path for u in result.units}
    units += [_missing(entry) for where, entry in noted.items() if where not in seen]
    if not units:
        raise InputProblem(
            "no-packages", "The delivery holds no package.", where=readable(str(path)),
            todo="Look whether everything was copied; else ask for it.",
        )  # fmt: skip
    return sorted(units, key=lambda u: u.found.name), findings


def _is_nothing(unit: UnitResult) -> bool:
    return unit.identity is None and any(f.rule in _NOTHING for f in unit.findings)


def _refuse_nothing(path: Path, units: Sequence[UnitResult]) -> None:
    if all(_is_nothing(unit) for unit in units):
        raise InputProblem(
            "nothing-to-receive", "This is neither a delivery, nor a package, nor a folder with packages.",
            where=readable(str(path)),
            todo="Name the folder that holds delivery-note.json, a package, or its .tar or .zip archive.",
        )  # fmt: skip


def _unit(unit: UnitResult, entry: Any, came: Came | None) -> ReceiveUnit:
    """A package as found, held against the note's entry (None: the note does not name it)."""
    findings = list(unit.findings)
    as_noted: bool | None = None
    name = str(entry["name"]) if entry else (unit.name or Path(unit.path).name or "unnamed")
    if entry is not None:
        as_noted = unit.identity == entry["tagmanifest_sha512"]
        if not as_noted:
            theirs = f"{unit.identity[:16]}..." if unit.identity else "none that can be read"
            what = f"The note names '{name}' as {entry['tagmanifest_sha512'][:16]}...; what came is {theirs}."
            findings.append(rules.NOT_AS_NOTED.found(what, name))
        archive = came.digests.get(str(entry["path"])) if came else None
        if entry["sha512"] and archive and archive != entry["sha512"]:
            what = f"The archive of '{name}' is not byte for byte the one the note names."
            findings.append(rules.NOT_AS_NOTED.found(what, name))
            as_noted = False
        if as_noted and came is not None and came.signature.state == "valid":
            findings = [_vouched(f) for f in findings]
    signature = next((e.state for e in unit.examined if e.topic == "signature"), "missing")
    return ReceiveUnit(
        found=Found(
            name=readable(name)[:1000], tagmanifest_sha512=unit.identity, outcome=unit.outcome,
            signature=signature, demands=unit.demands, as_noted=as_noted, findings=_counts(findings),
        ),
        findings=tuple(findings),
    )  # fmt: skip


def _vouched(finding: Finding) -> Finding:
    """A package without a signature of its own is named by a note whose signature is trusted."""
    if finding.rule != signrules.MISSING.id or finding.severity != "warning":
        return finding
    what = f"{finding.what} The signed delivery note vouches for it."
    return replace(finding, severity="note", what=what, todo="Nothing to do.")


def _missing(entry: Any) -> ReceiveUnit:
    what = f"'{entry['name']}' should lie in {entry['path']}, and is not there."
    told = rules.PACKAGE_MISSING.found(what, str(entry["path"]))
    found = Found(
        name=str(entry["name"]), tagmanifest_sha512=None, outcome="missing", signature="missing",
        demands="not_asked", as_noted=False, findings=_counts([told]),
    )  # fmt: skip
    return ReceiveUnit(found=found, findings=(told,))


def _counts(findings: Sequence[Finding]) -> dict[str, int]:
    return {s: sum(f.severity == s for f in findings) for s in ("error", "warning", "note")}


def _conclude(
    path: Path, came: Came | None, units: Sequence[ReceiveUnit], findings: Sequence[Finding],
    place: ReceiptPlace, ports: ReceivePorts, wishes: ReceiveWishes,
) -> ReceiveResult:  # fmt: skip
    counts = _counts(findings)
    packages = [unit.found for unit in units]
    conclusion = conclude(
        packages, errors=counts["error"], warnings=counts["warning"], remarks=wishes.remarks
    )
    content = build_receipt(
        receipt_id=ports.new_id(), made_by=made_by(ports.now()), name=wishes.name,
        organisation=wishes.organisation, note=came.note if came else None,
        note_sha512=came.note_sha512 if came else None, depth=wishes.depth, packages=packages,
        note_signature=came.signature.state if came else "missing", conclusion=conclusion,
        remarks=wishes.remarks, signer=signer_json(wishes.signer),
    )  # fmt: skip
    data = checked_document("receipt", content)
    signed = wishes.signer.sign(data, NAMESPACE_RECEIPT) if wishes.signer else None
    place.commit(data, signed)
    return ReceiveResult(
        path=readable(str(path)), kind="delivery" if came else "packages", receipt=place.receipt,
        receipt_sha512=digest_bytes(data, ("sha512",))["sha512"],
        receipt_signature=place.signature if signed else None, content=content, units=tuple(units),
        findings=(*findings, *not_synced(ports.disk)),
    )  # fmt: skip
