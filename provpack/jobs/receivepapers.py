"""Read the papers of a delivery as a stranger's: its note, the signature of the note, its checksums."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from provpack.edge.hashing import digest_bytes
from provpack.edge.place import FolderPlace
from provpack.edge.reading import read_digests, read_small
from provpack.edge.tree import list_tree
from provpack.errors import CouldNotCheck, ProvpackError
from provpack.findings import Finding, Rule
from provpack.jobs import deliveryrules as rules
from provpack.jobs.deliverypapers import strangers_document
from provpack.jobs.signatures import SignatureVerdict, judge_signature
from provpack.package import deliverynote as places
from provpack.package.bagpaths import Listing, is_system_file, position, readable
from provpack.package.deliverynote import parse_checksums, place_of
from provpack.package.documents import MAX_DOCUMENT
from provpack.package.signers import MAX_SIGNERS, Signers, parse_signers
from provpack.package.signwords import moment_of
from provpack.package.sshsig import MAX_SIGNATURE, NAMESPACE_DELIVERY

_LOST = "lost+found"
"""A folder that some file systems have at their top."""


@dataclass(slots=True)
class Came:
    """What came. note: the delivery note when it can be used; noted: its packages by their place.

    signature: what the signature of the note proves. digests: SHA-512 of what was read, by path.
    """

    root: Path
    listing: Listing
    note: Mapping[str, Any] | None = None
    note_sha512: str | None = None
    signature: SignatureVerdict = field(default_factory=lambda: SignatureVerdict(state="missing"))
    findings: list[Finding] = field(default_factory=list)
    digests: dict[str, str] = field(default_factory=dict)

    @property
    def noted(self) -> dict[str, Mapping[str, Any]]:
        return {str(p["path"]): p for p in self.note["packages"]} if self.note else {}

    def say(self, rule: Rule, what: str, path: str) -> None:
        self.findings.append(rule.found(what, readable(path), position=position(path)))

    @property
    def places(self) -> list[str]:
        """Everything that lies in the folder of packages, by path."""
        top = f"{places.PACKAGES}/"
        return [e.path for e in self.listing.entries if e.path.startswith(top) and e.path.count("/") == 1]


def read_papers(root: Path, signers: Signers | None, required: bool, told: Callable[[int], None]) -> Came:
    """Everything about a delivery but the packages themselves. Raises nothing that is wrong with it."""
    came = Came(root=root, listing=list_tree(root))
    data = _read(came, places.NOTE, MAX_DOCUMENT)
    if data is not None:
        came.note_sha512 = digest_bytes(data, ("sha512",))["sha512"]
        came.note = _note(came, data)
        _signature(came, data, signers, required)
    _checksums(came, told)
    _others(came)
    return came


def _read(came: Came, path: str, limit: int) -> bytes | None:
    try:
        return read_small(FolderPlace(came.root), path, limit)
    except CouldNotCheck as err:
        came.say(rules.COULD_NOT_READ, err.what, path)
        return None


def _note(came: Came, data: bytes) -> Mapping[str, Any] | None:
    """The note, when it fits its schema and speaks of each package once, where it must lie."""
    try:
        note = strangers_document("delivery-note", data, places.NOTE)
    except ProvpackError as err:
        came.say(rules.NOTE_UNREADABLE, err.what, places.NOTE)
        return None
    names = [p["name"] for p in note["packages"]]
    if len(set(names)) != len(names):
        came.say(rules.NOTE_UNREADABLE, "It names a package twice.", places.NOTE)
        return None
    for package in note["packages"]:
        if package["path"] != place_of(package["name"], note["form"]):
            what = f"It says that '{package['name']}' lies in {package['path']}, where no package lies."
            came.say(rules.NOTE_UNREADABLE, what, places.NOTE)
            return None
    return note


def _signature(came: Came, data: bytes, signers: Signers | None, required: bool) -> None:
    there = {e.path for e in came.listing.entries}
    signature = _read(came, places.NOTE_SIGNATURE, MAX_SIGNATURE) if places.NOTE_SIGNATURE in there else None
    said = came.note["signer"] if came.note else None
    if signature is None and said is None and signers is None and not required:
        return
    at = moment_of(came.note["made_by"]["at"]) if came.note else None

    def judge(by: Signers | None) -> SignatureVerdict:
        return judge_signature(
            data, signature, namespace=NAMESPACE_DELIVERY, signers=by, at=at, where=places.NOTE_SIGNATURE,
            required=required,
        )  # fmt: skip

    came.signature = judge(signers)
    if came.signature.state != "unvouched" or places.SIGNERS not in there:
        came.findings += came.signature.findings
        return
    keys = _read(came, places.SIGNERS, MAX_SIGNERS)
    if keys is None:
        return
    by_theirs = judge(parse_signers(keys, places.SIGNERS))
    mark = came.signature.fingerprint
    if by_theirs.state != "valid" or (said is not None and said["fingerprint"] != mark):
        what = f"The note was signed with the key {mark}; the papers beside it name another one."
        came.say(rules.KEYS_DIFFER, what, places.SIGNERS)
        return
    what = (
        f"The note is signed with the key {mark}, and the list of keys in the delivery says that this is "
        f"{readable(str(by_theirs.principal))}. That is what the delivery says of itself."
    )
    came.say(rules.KEYS_CAME_ALONG, what, places.NOTE_SIGNATURE)


def _checksums(came: Came, told: Callable[[int], None]) -> None:
    """Every file the list names is read and compared; archives too: a copy is proven whole."""
    there = {e.path: e for e in came.listing.entries}
    if places.CHECKSUMS not in there:
        came.say(rules.CHECKSUMS_UNUSABLE, "It is not there.", places.CHECKSUMS)
        return
    data = _read(came, places.CHECKSUMS, MAX_DOCUMENT)
    if data is None:
        return
    listed, wrong = parse_checksums(data)
    if wrong:
        came.say(rules.CHECKSUMS_UNUSABLE, "; ".join(wrong[:5]), places.CHECKSUMS)
    noted = came.noted
    for path, expected in sorted(listed.items()):
        if path not in there:
            # a package that is missing as a whole is told once, with the packages
            if not any(path == place or path.startswith(f"{place}/") for place in noted):
                came.say(rules.FILE_MISSING, f"'{readable(path)}' is listed, and is not there.", path)
            continue
        try:
            digests, _, _ = read_digests(FolderPlace(came.root), path, {"sha512"}, threads=True, told=told)
        except CouldNotCheck as err:
            came.say(rules.COULD_NOT_READ, f"'{readable(path)}': {err.what}", path)
            continue
        came.digests[path] = digests["sha512"]
        if digests["sha512"] != expected:
            mine = digests["sha512"]
            what = f"'{readable(path)}' has the SHA-512 {mine[:16]}..., listed is {expected[:16]}..."
            came.say(rules.FILE_CHANGED, what, path)
    for entry in came.listing.entries:
        inside = entry.path.startswith(f"{places.PACKAGES}/")
        if entry.kind == "directory" or entry.path in listed or entry.path == places.CHECKSUMS or inside:
            continue
        if _of_the_system(entry.path):
            continue
        kind = {"file": "is", "symlink": "is a link, not followed, and is"}.get(
            entry.kind, "is no file, and is"
        )
        came.say(rules.FILE_EXTRA, f"'{readable(entry.path)}' {kind} not on the list.", entry.path)


def _others(came: Came) -> None:
    """Folders that cannot be looked into, and things among the packages that the note does not name."""
    for entry in came.listing.entries:
        if entry.kind == "unreadable" and not _of_the_system(entry.path):
            what = f"'{readable(entry.path) or 'The folder'}' cannot be read: {entry.problem}."
            came.say(rules.COULD_NOT_READ, what, entry.path or ".")
    if not came.listing.complete:
        came.say(rules.COULD_NOT_READ, "There is more in the delivery than is looked at.", ".")
    if came.note is not None:
        for path in came.places:
            if path not in came.noted and not _of_the_system(path):
                what = f"'{readable(path)}' lies among the packages; the note does not name it."
                came.say(rules.PACKAGE_EXTRA, what, path)


def _of_the_system(path: str) -> bool:
    return is_system_file(path) or path.split("/")[0] == _LOST
