"""What the clients of a job ask of their packages: load it, hold drafts and finished packages against it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

from provpack.edge import schemas
from provpack.edge.jobfolder import printable, read_all
from provpack.errors import InputProblem, RecordProblem
from provpack.findings import Finding
from provpack.jobs.check_records import follows_refusal, led_back, waived
from provpack.jobs.derive import wanted_from
from provpack.jobs.deriveplan import Wanted
from provpack.jobs.loaded import LoadedJob, LoadedTransfer, NamedFile
from provpack.jobs.sheetfields import pointer, sheet_fields
from provpack.jobs.wrapdocs import documents_of
from provpack.package import needrules as rules
from provpack.package.bagpaths import readable
from provpack.package.bagprofile import IDENTIFIER, BagFacts, BagProfile, check_bag_info, check_profile
from provpack.package.bagprofile import parse_profile as parse_bag_profile
from provpack.package.bagprofile_json import MAX_BYTES, read_document
from provpack.package.clientneeds import (
    ClientNeeds,
    Json,
    bag_info_pairs,
    read_needs,
    wanted_derivatives,
)
from provpack.package.needcheck import ALWAYS_WRITTEN, agreement, needs_findings
from provpack.package.owninfo import FROM_FIELD, own_bag_info, with_clients

SCHEMA = "client-requirements"
_PROFILE_KEY = "BagIt-Profile-Info"
_SOME_DAY = "2000-01-01"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClientProfile:
    """One client's requirements: our own file, the BagIt profile beside it, or a BagIt profile alone.

    where: the file's name, for messages. sha256: of its bytes, hex. findings: what is wrong with the files.
    """

    where: str
    sha256: str
    needs: ClientNeeds | None = None
    bag: BagProfile | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def name(self) -> str:
        """What the requirements are called."""
        if self.needs is not None:
            return self.needs.name
        return (self.bag.identifier if self.bag else None) or readable(self.where)

    @property
    def client(self) -> str | None:
        """The client they are of; None for a BagIt profile alone, which does not say."""
        return self.needs.client if self.needs else None

    def as_record(self) -> dict[str, str]:
        """The record's `client_profile` (schemas/transfer-record.schema.json)."""
        out = {"name": self.name, "sha256": self.sha256}
        if self.bag is not None and self.bag.identifier:
            out["bagit_profile_identifier"] = self.bag.identifier
        return out

    def bag_info(self, record: Json) -> tuple[tuple[str, str], ...]:
        """Elements to add to bag-info.txt: the profile the bag meets, and what the client asks for."""
        named = self.bag.identifier if self.bag else None
        own = ((IDENTIFIER, named),) if named else ()
        return (*own, *(bag_info_pairs(self.needs, record) if self.needs else ()))

    def digests(self) -> tuple[str, ...]:
        """Algorithms to write manifests with: those every package has, then what the client adds."""
        return tuple(dict.fromkeys((*ALWAYS_WRITTEN, *(self.needs.digests if self.needs else ()))))

    def wanted(self, record: Json, late: str | None = None) -> Wanted | None:
        """The derivative to make of this transfer, None for none. late: left or right, of `--late-channel`.

        Raises UsageProblem when a copy without skew is due and the late channel is not named.
        """
        kinds: set[Any] = set(wanted_derivatives(self.needs, record)) if self.needs else set()
        container = self.needs.derivative_container if self.needs else None
        return wanted_from(
            kinds, "flac" if container == "flac" else "wav", late if "deskew" in kinds else None
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ClientProfiles:
    """The requirements of all clients of a job, and what is wrong with their files."""

    by_client: Mapping[str, ClientProfile] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def for_client(self, name: object) -> ClientProfile | None:
        """The requirements of a client, by the name in the record; None when there are none."""
        return self.by_client.get(name.strip()) if isinstance(name, str) else None

    def of(self, record: Json) -> ClientProfile | None:
        """The requirements a record (or its draft) is to meet."""
        return self.for_client((record.get("people") or {}).get("client"))

    def findings_for(self, transfer: LoadedTransfer, draft: Json, package_name: str) -> list[Finding]:
        """What a transfer does not meet, as far as its sheets tell, each led back to the cell."""
        profile = self.of(draft)
        if profile is None:
            return []
        found: list[Finding] = []
        if profile.needs is not None:
            roles = {role for _, _, role in documents_of(transfer)} | ({"master"} if transfer.file else set())
            found += needs_findings(
                profile.needs, draft, package_name=package_name, roles=roles, finished=False
            )
        if profile.bag is not None:
            found += _foreseen(profile, draft)
        return [_placed(finding, transfer) for finding in found if not follows_refusal(finding, transfer)]


def load_profiles(job: LoadedJob) -> ClientProfiles:
    """Read the files that job.toml names under client_profiles. Never raises for what they say."""
    found: list[Finding] = []
    by_client: dict[str, ClientProfile] = {}
    clients = dict.fromkeys(
        str(t.values["client"]).strip() for t in job.transfers if isinstance(t.values.get("client"), str)
    )
    for named in job.client_profiles:
        profile = _load_named(named, found)
        if profile is None or profile.client is None:
            continue
        first = by_client.setdefault(profile.client, profile)
        if first is not profile:
            what = f"'{printable(named.written)}' and '{first.where}' are both of '{profile.client}'."
            found.append(rules.TWO_FILES.found(what, str(named.origin), position=named.origin.position()))
        if profile.client not in clients:
            what = f"The requirements are of '{profile.client}'."
            found.append(_of_file(rules.NOT_IN_JOB, what, profile.where))
    if job.client_profiles and all(named.path is not None for named in job.client_profiles):
        place = job.client_profiles[0].origin
        for client in clients:
            if client not in by_client and not any(f.severity == "error" for f in found):
                what = f"No requirements of '{client}' are named."
                found.append(rules.NO_FILE.found(what, str(place), position=place.position()))
    return ClientProfiles(by_client=by_client, findings=tuple(found))


def load_profile_file(path: Path) -> ClientProfile:
    """One file of requirements, or a BagIt profile, from anywhere. Raises InputProblem when it cannot be
    used; a BagIt profile that can be read but contradicts itself can."""
    shown = printable(str(path))
    try:
        data = read_all(path, MAX_BYTES)
    except OSError as error:
        raise InputProblem(
            rules.FILE_UNREADABLE.id,
            f"The client's requirements cannot be read: {error.strerror or error}.",
            where=shown,
            todo=rules.FILE_UNREADABLE.todo,
        ) from None
    profile = _read(data, path, shown, alone=True)
    own = [f for f in profile.findings if f.severity == "error"]
    if profile.bag is not None and profile.bag.readable:
        own = [f for f in own if not f.rule.startswith("profile-")]
    if own:
        first = own[0]
        more = f" (and {len(own) - 1} more)" if len(own) > 1 else ""
        raise InputProblem(first.rule, first.what + more, where=first.where, todo=first.todo)
    return profile


def bag_findings(
    profile: ClientProfile, facts: BagFacts, transfer: LoadedTransfer | None = None
) -> tuple[Finding, ...]:
    """What of the BagIt profile a bag does not meet that is about to be sealed; () without such a profile.

    facts: names and sizes of everything staged, the pairs written to bag-info.txt. transfer: given, what its
    waivers set aside is one step milder, as in `check`.
    """
    found = list(check_profile(profile.bag, facts)) if profile.bag is not None else []
    return tuple(waived(found, transfer) if transfer is not None else found)


def _load_named(named: NamedFile, found: list[Finding]) -> ClientProfile | None:
    if named.path is None:  # told when the sheet was read
        return None
    try:
        data = read_all(named.path, MAX_BYTES)
    except OSError as error:
        what = f"'{printable(named.relative)}' cannot be read: {error.strerror or error}."
        found.append(_of_file(rules.FILE_UNREADABLE, what, printable(named.relative)))
        return None
    profile = _read(data, named.path, printable(named.relative), alone=False)
    found += profile.findings
    return profile


def _read(data: bytes, path: Path, shown: str, *, alone: bool) -> ClientProfile:
    """alone: a BagIt profile may be given instead of our own file."""
    sha256 = hashlib.sha256(data).hexdigest()
    document, why, twice = read_document(data)
    if document is None:
        what = f"The file cannot be read: {why}."
        found = (_of_file(rules.FILE_UNREADABLE, what, shown),)
        return ClientProfile(where=shown, sha256=sha256, findings=found)
    if _PROFILE_KEY in document:
        bag = parse_bag_profile(data, shown)
        if alone:
            return ClientProfile(where=shown, sha256=sha256, bag=bag, findings=bag.findings)
        what = "This is a BagIt profile; name the requirements file that goes with it."
        found = (_of_file(rules.FILE_INVALID, what, shown),)
        return ClientProfile(where=shown, sha256=sha256, findings=found)
    faults = [
        _of_file(rules.FILE_INVALID, f"The key '{readable(key)}' stands twice.", shown) for key in twice
    ]
    try:
        schemas.check_version(document, SCHEMA)
        violations = schemas.validate(SCHEMA, document)
    except RecordProblem as problem:
        faults.append(_of_file(rules.FILE_INVALID, problem.what, shown, problem.todo))
        violations = []
    for violation in violations:
        what = f"{violation.pointer or '/'}: {violation.message}"
        faults.append(_of_file(rules.FILE_INVALID, what, shown))
    if faults:
        return ClientProfile(where=shown, sha256=sha256, findings=tuple(faults))
    needs, told = read_needs(document, shown, pointer_of)
    bag_profile, more = _beside(needs, path)
    return ClientProfile(where=shown, sha256=sha256, needs=needs, bag=bag_profile, findings=(*told, *more))


def _beside(needs: ClientNeeds, path: Path) -> tuple[BagProfile | None, tuple[Finding, ...]]:
    """The BagIt profile that lies beside the requirements, and what is wrong with it."""
    if needs.bagit_profile is None:
        return None, ()
    shown = needs.where.rpartition("/")[0]
    shown = f"{shown}/{needs.bagit_profile}" if shown else needs.bagit_profile
    try:
        data = read_all(path.parent / needs.bagit_profile, MAX_BYTES)
    except OSError as error:
        what = f"The BagIt profile '{shown}' cannot be read: {error.strerror or error}."
        return None, (_of_file(rules.FILE_UNREADABLE, what, needs.where),)
    profile = parse_bag_profile(data, shown)
    return profile, (*profile.findings, *(agreement(needs, profile) if profile.readable else ()))


def _of_file(rule: Any, what: str, shown: str, todo: str = "") -> Finding:
    finding: Finding = rule.found(what, shown, todo=todo, position={"file": shown})
    return finding


@cache
def pointer_of(name: str) -> str | None:
    """JSON pointer of a field of the record, by the name of its column or by its pointer; None for others."""
    if name.startswith("/"):
        return name if _in_record(name) else None
    return pointer(name) if name in sheet_fields().section else None


def _in_record(path: str) -> bool:
    places: list[Mapping[str, Any]] = [schemas.load("transfer-record")]
    for part in path.split("/")[1:]:
        key = part.replace("~1", "/").replace("~0", "~")
        inner: list[Mapping[str, Any]] = []
        for place in (meant for one in places for meant in _meanings(one)):
            if key in place.get("properties", {}):
                inner.append(place["properties"][key])
            elif isinstance(place.get("items"), dict) and key.isascii() and key.isdecimal():
                inner.append(place["items"])
        places = inner
    return bool(places)


def _meanings(fragment: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """A piece of a schema with its reference followed, without what narrows it, and its alternatives."""
    whole = schemas.resolve(fragment)
    yield whole
    if "$ref" in fragment:
        yield schemas.resolve({"$ref": fragment["$ref"]})
    for branch in whole.get("anyOf", ()):
        yield schemas.resolve(branch)


def _foreseen(profile: ClientProfile, draft: Json) -> list[Finding]:
    """What the BagIt profile will say of bag-info.txt, which can be told before anything is written."""
    assert profile.bag is not None
    pairs = with_clients(
        own_bag_info(draft, bagging_date=_SOME_DAY, payload_bytes=1, payload_files=1, software="-"),
        profile.bag_info(draft),
    )
    counted = {"bagging-date", "bag-size", "payload-oxum", "bag-software-agent", "external-identifier"}
    out = []
    for finding in check_bag_info(profile.bag, pairs):
        label = finding.where.rpartition(", ")[2].lower()
        if label in counted and finding.rule == "profile-info-tag-value":
            continue  # stands there with another value than it will have
        path = FROM_FIELD.get(label)
        out.append(replace(finding, position={"path": path}) if path else finding)
    return out


def _placed(finding: Finding, transfer: LoadedTransfer) -> Finding:
    """The finding at the cell it is about, else at the transfer's row."""
    if str(finding.position.get("path", "")).startswith("/"):
        return led_back(finding, transfer)
    place = transfer.origin
    return replace(
        finding,
        where=f"{place} ({finding.where})",
        position={**place.position(), **{k: v for k, v in finding.position.items() if k == "path"}},
    )
