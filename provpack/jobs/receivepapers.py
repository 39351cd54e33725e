"""Read the papers of a delivery as a stranger's: its note, the signature of the note, its checksums.

Every paper is held against the others, so that one that was taken away or changed is missed by the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
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
from provpack.package.deliveryreadme import SIGNED_BY, THIS_IS_ONE
from provpack.package.documents import MAX_DOCUMENT
from provpack.package.readfirst import FILE_NAME
from provpack.package.signers import MAX_SIGNERS, Signers, parse_signers
from provpack.package.signwords import moment_of
from provpack.package.sshsig import MAX_SIGNATURE, NAMESPACE_DELIVERY

_LOST = "lost+found"
"""A folder that some file systems have at their top."""
_MAX_README = 1024 * 1024
_UNNAMED = frozenset({places.NOTE, places.NOTE_SIGNATURE, places.CHECKSUMS})
"""Papers that no note can name."""


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
    told: Callable[[int], None] = lambda amount: None
    unread: set[str] = field(default_factory=set)

    @property
    def there(self) -> set[str]:
        """Everything that lies in the delivery, by path."""
        return {e.path for e in self.listing.entries}

    @property
    def noted(self) -> dict[str, Mapping[str, Any]]:
        return {str(p["path"]): p for p in self.note["packages"]} if self.note else {}

    def say(self, rule: Rule, what: str, path: str) -> None:
        self.findings.append(rule.found(what, readable(path), position=position(path)))

    def sha512(self, path: str) -> str | None:
        """SHA-512 of a file, read once; None, with a finding, when it cannot be read."""
        if path not in self.digests and path not in self.unread:
            try:
                read, _, _ = read_digests(
                    FolderPlace(self.root), path, {"sha512"}, threads=True, told=self.told
                )
                self.digests[path] = read["sha512"]
            except CouldNotCheck as err:
                self.unread.add(path)
                self.say(rules.COULD_NOT_READ, f"'{readable(path)}': {err.what}", path)
        return self.digests.get(path)

    @property
    def places(self) -> list[str]:
        """Everything that lies in the folder of packages, by path."""
        top = f"{places.PACKAGES}/"
        return [e.path for e in self.listing.entries if e.path.startswith(top) and e.path.count("/") == 1]


def read_papers(
    root: Path, signers: Signers | None, required: bool, told: Callable[[int], None], now: datetime
) -> Came:
    """Everything about a delivery but the packages themselves. Raises nothing that is wrong with it."""
    came = Came(root=root, listing=list_tree(root), told=told)
    data = None
    if places.NOTE in came.there:
        data = _read(came, places.NOTE, MAX_DOCUMENT)
    else:
        what = "Other papers of a delivery are there, the note that says what belongs to it is not."
        came.say(rules.NOTE_MISSING, what, places.NOTE)
    if data is not None:
        came.note_sha512 = digest_bytes(data, ("sha512",))["sha512"]
        came.note = _note(came, data)
        _signature(came, data, signers, required, now)
    _checksums(came)
    _as_noted(came)
    _others(came)
    return came


def looks_like_delivery(folder: Path) -> bool:
    """Whether papers of a delivery lie in a folder, be it without its note. Raises OSError, ValueError."""

    def lies(name: str) -> bool:
        try:
            (folder / name).lstat()
        except (FileNotFoundError, NotADirectoryError):
            return False
        return True

    if any(lies(name) for name in (places.NOTE, places.NOTE_SIGNATURE, places.NOTE_PAGE)):
        return True
    listed = lies(places.CHECKSUMS)
    if (listed or lies(places.INDEX)) and lies(places.PACKAGES):
        return True
    # a bag may bring a list of this name, or a page, of its own
    return not lies("bagit.txt") and (listed or THIS_IS_ONE in _readme(folder))


def _readme(folder: Path) -> str:
    """READ-ME-FIRST.txt of a folder; empty when there is none that can be read."""
    try:
        return read_small(FolderPlace(folder), FILE_NAME, _MAX_README).decode("utf-8", "replace")
    except CouldNotCheck:
        return ""


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
    papers = [p["path"] for p in note["papers"]]
    if len(set(papers)) != len(papers) or _UNNAMED & set(papers):
        came.say(rules.NOTE_UNREADABLE, "It names a paper twice, or itself.", places.NOTE)
        return None
    return note


def _signature(came: Came, data: bytes, signers: Signers | None, required: bool, now: datetime) -> None:
    there = came.there
    signature = None
    if places.NOTE_SIGNATURE in there:
        signature = _read(came, places.NOTE_SIGNATURE, MAX_SIGNATURE)
        if signature is None:
            came.signature = SignatureVerdict(state="could_not_check")
            return
    said = came.note["signer"] if came.note else None
    claims = _claims(came)
    if signature is None and not claims and signers is None and not required:
        return
    at = moment_of(came.note["made_by"]["at"]) if came.note else None

    def judge(by: Signers | None) -> SignatureVerdict:
        return judge_signature(
            data, signature, namespace=NAMESPACE_DELIVERY, signers=by, at=at, where=places.NOTE_SIGNATURE,
            required=required, now=now,
        )  # fmt: skip

    came.signature = judge(signers)
    mark = came.signature.fingerprint
    if mark is None and claims:  # no signature that fits the note, whoever's it may be
        found = "does not hold" if signature is not None else "is not there"
        what = f"{' and '.join(claims)} say{'s' if len(claims) == 1 else ''} that the note is signed; "
        came.say(rules.SIGNATURE_GONE, f"{what}its signature {found}.", places.NOTE_SIGNATURE)
    if said is not None and mark is not None and said["fingerprint"] != mark:
        what = f"The note was signed with the key {mark}, and says that it is signed with another one."
        came.say(rules.KEYS_DIFFER, what, places.NOTE_SIGNATURE)
    if signers is not None and came.signature.state in ("foreign", "wrong"):
        by = f"with the key {mark}" if mark else "with something that does not fit it"
        what = f"The delivery note is signed {by}, and not by anybody on your list."
        came.say(rules.NOTE_FOREIGN, what, places.NOTE_SIGNATURE)
    along = came.signature.state == "unvouched" and places.SIGNERS in there
    if required or not along:
        came.findings += came.signature.findings
    if not along:
        return
    keys = _read(came, places.SIGNERS, MAX_SIGNERS)
    if keys is None:
        return
    by_theirs = judge(parse_signers(keys, places.SIGNERS))
    if by_theirs.state != "valid":
        what = f"The note was signed with the key {mark}; the list of keys beside it does not hold it."
        came.say(rules.KEYS_DIFFER, what, places.SIGNERS)
        return
    what = (
        f"The note is signed with the key {mark}, and the list of keys in the delivery says that this is "
        f"{readable(str(by_theirs.principal))}. That is what the delivery says of itself."
    )
    came.say(rules.KEYS_CAME_ALONG, what, places.NOTE_SIGNATURE)


def _claims(came: Came) -> list[str]:
    """Which papers say that the note is signed: none of them lies there without a signature."""
    claims = []
    if came.note and came.note["signer"]:
        claims.append(places.NOTE)
    if places.SIGNERS in came.there:
        claims.append(places.SIGNERS)
    if SIGNED_BY in _readme(came.root):
        claims.append(FILE_NAME)
    return claims


def _checksums(came: Came) -> None:
    """Every file the list names is read and compared; archives too: a copy is proven whole."""
    there = came.there
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
        mine = came.sha512(path)
        if mine is not None and mine != expected:
            what = f"'{readable(path)}' has the SHA-512 {mine[:16]}..., listed is {expected[:16]}..."
            came.say(rules.FILE_CHANGED, what, path)
    known = set(listed) | {places.CHECKSUMS}
    if came.note is not None:  # a list is easily mended, so what the note does not know is told too
        known &= {str(p["path"]) for p in came.note["papers"]} | _UNNAMED
    for entry in came.listing.entries:
        inside = entry.path.startswith(f"{places.PACKAGES}/")
        if entry.kind == "directory" or entry.path in known or inside:
            continue
        if _of_the_system(entry.path):
            continue
        kind = {"file": "is", "symlink": "is a link, not followed, and is"}.get(
            entry.kind, "is no file, and is"
        )
        by = "checksums-sha512.txt" if entry.path not in listed else "the delivery note"
        came.say(rules.FILE_EXTRA, f"'{readable(entry.path)}' {kind} not named by {by}.", entry.path)


def _as_noted(came: Came) -> None:
    """Papers that are not those of the note; archives are read here too, if the checksums left them out."""
    if came.note is None:
        return
    told = {f.position.get("path") for f in came.findings}  # what the checksums tell is not told twice
    for paper in came.note["papers"]:
        path = str(paper["path"])
        if path not in came.there:
            if path not in told:
                came.say(rules.PAPER_DIFFERS, f"'{path}' is not there.", path)
            continue
        mine = came.sha512(path)
        if mine is not None and mine != paper["sha512"] and path not in told:
            what = f"'{path}' has the SHA-512 {mine[:16]}..., the note names {paper['sha512'][:16]}..."
            came.say(rules.PAPER_DIFFERS, what, path)
    for path, entry in came.noted.items():
        if entry["sha512"] is not None and path in came.there:
            came.sha512(path)


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
