"""Look at a package that is to be handed over: its tag files, names and sizes, and whose it is.

Nothing of the payload is read here save the record; that is checked with everything else when it is copied,
and what was read here must then be what is copied.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from provpack.edge.hashing import digest_bytes
from provpack.edge.place import FolderPlace
from provpack.edge.reading import read_small
from provpack.edge.tree import list_tree
from provpack.errors import CouldNotCheck
from provpack.findings import Finding, worst
from provpack.jobs import deliveryrules as rules
from provpack.jobs.allrules import ALL_RULES
from provpack.jobs.verified import UnitView
from provpack.jobs.verify_files import as_finding
from provpack.jobs.verify_meaning import Helpers, Validate, check_record
from provpack.package import layout
from provpack.package.bagcheck import Expected, Structure, check_structure
from provpack.package.bagdisk import BagText, text_findings
from provpack.package.baginfo import BagInfo, parse_bag_info
from provpack.package.bagpaths import Listing, readable
from provpack.package.bagtext import (
    MAX_TAG_FILE,
    manifest_kind,
    normal_algorithm,
    parse_declaration,
    parse_fetch,
    parse_manifest,
)
from provpack.package.deliverynote import TAG_MANIFEST, is_safe_name
from provpack.package.metadata_check import rules_at_wrapping
from provpack.package.ownbag import SIGNATURE, seal_findings, sealed_by_us
from provpack.package.readfirst_words import section

_RECORD_LIMIT = 64 * 1024 * 1024
_SIGNATURE_LIMIT = 64 * 1024


_MOST_METADATA = 16 * 1024 * 1024


@dataclass(slots=True, eq=False)
class Looked:
    """A package before it is copied. read: SHA-512 of every file read so far, by path."""

    root: Path
    listing: Listing
    findings: list[Finding] = field(default_factory=list)
    texts: dict[str, bytes] = field(default_factory=dict)
    structure: Structure | None = None
    info: BagInfo | None = None
    version: str | None = None
    record: Mapping[str, Any] | None = None
    read: dict[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        return self.root.name

    @property
    def files(self) -> dict[str, int]:
        """Every regular file with its size, by path."""
        return {e.path: e.size for e in self.listing.entries if e.kind == "file"}

    @property
    def size(self) -> int:
        return sum(self.files.values())

    def said_at_wrapping(self) -> tuple[str, ...]:
        """What the checks warned of when the package was made, in words: the receiver's to know."""
        premis = self.take(layout.PREMIS, _MOST_METADATA) if layout.PREMIS in self.files else None
        broken = rules_at_wrapping(premis or b"")
        return tuple(
            f"Told when it was wrapped: {rule.title[:1].lower()}{rule.title[1:].rstrip('.')}"
            f"{f' ({broken[rule.id]} times)' if broken[rule.id] > 1 else ''}."
            for _, rules_of_room in ALL_RULES
            for rule in rules_of_room
            if rule.id in broken and rule.severity != "note"
        )

    @property
    def identity(self) -> str | None:
        """SHA-512 of its tagmanifest-sha512.txt."""
        return self.read.get(TAG_MANIFEST)

    @property
    def client(self) -> str | None:
        """Whose it is, as the record says."""
        named = section(self.record or {}, "people").get("client")
        return named.strip() if isinstance(named, str) and named.strip() else None

    @property
    def sound(self) -> bool:
        """Nothing speaks against handing it over so far."""
        return worst(self.findings) != "error"

    def expected(self) -> dict[str, tuple[Expected, ...]]:
        """What the manifests say of each file, by path."""
        tasks = (*self.structure.payload, *self.structure.tags) if self.structure else ()
        return {task.path: task.expected for task in tasks}

    def take(self, path: str, limit: int) -> bytes | None:
        """The bytes of a small file; None, with a finding, when it cannot be read."""
        if path not in self.texts:
            try:
                data = read_small(FolderPlace(self.root), path, limit)
            except CouldNotCheck as err:
                self.findings.append(as_finding(err, path))
                return None
            self.texts[path] = data
            self.read[path] = digest_bytes(data, ("sha512",))["sha512"]
        return self.texts[path]

    def view(self, serialisation: str | None) -> UnitView:
        """The package as examiners see it, in the form in which it will be handed over."""
        named = [kind for name in self.files if (kind := manifest_kind(name)) is not None]

        def read(path: str, limit: int) -> bytes:
            data = self.texts.get(path)
            return (
                data
                if data is not None and len(data) <= limit
                else read_small(FolderPlace(self.root), path, limit)
            )

        return UnitView(
            name=self.name,
            serialisation=serialisation,
            version=self.version,
            bag_info=tuple((e.label, e.value) for e in self.info.elements) if self.info else (),
            has_bag_info="bag-info.txt" in self.files,
            payload_algorithms=tuple(sorted({normal_algorithm(a) for kind, a in named if kind == "payload"})),
            tag_algorithms=tuple(sorted({normal_algorithm(a) for kind, a in named if kind == "tag"})),
            has_fetch="fetch.txt" in self.files,
            files=self.files,
            read=read,
        )


def look_at(
    root: Path, validate: Validate, witness: Callable[[Path, str | None], tuple[Finding, ...]]
) -> Looked:
    """Everything that can be said of the package at root without reading its payload. Raises nothing."""
    looked = Looked(root=root, listing=list_tree(root))
    named = set(looked.files)
    if not sealed_by_us(named):
        what = f"'{readable(root.name)}' holds no READ-ME-FIRST.txt and no {layout.RECORD}."
        looked.findings.append(rules.NOT_OURS.found(what, readable(str(root))))
        return looked
    _read_tags(looked)
    data = looked.take(layout.RECORD, _RECORD_LIMIT)
    if data is not None:
        looked.record, found = check_record(data, Helpers(validate=validate))
        looked.findings.extend(found)
    if SIGNATURE in named:
        looked.take(SIGNATURE, _SIGNATURE_LIMIT)
    looked.findings.extend(witness(root, looked.identity))
    if looked.record is not None and looked.sound:
        _judge_name(looked, looked.record)
    return looked


def _read_tags(looked: Looked) -> None:
    """Tag files into the structure of the bag. Manifests stay: what they list is read when copying."""
    files = looked.files
    declaration = parse_declaration(looked.take("bagit.txt", MAX_TAG_FILE) or b"")
    if declaration.version is not None:
        looked.version = f"{declaration.version[0]}.{declaration.version[1]}"
    names = sorted(name for name in files if manifest_kind(name))
    read = {name: looked.take(name, MAX_TAG_FILE) for name in names}
    manifests = tuple(parse_manifest(d, name, declaration) for name, d in read.items() if d is not None)
    if "bag-info.txt" in files and (data := looked.take("bag-info.txt", MAX_TAG_FILE)) is not None:
        looked.info = parse_bag_info(data, declaration, "bag-info.txt")
    fetch = None
    if "fetch.txt" in files and (data := looked.take("fetch.txt", MAX_TAG_FILE)) is not None:
        fetch = parse_fetch(data, declaration)
    text = BagText(
        declaration=declaration, manifests=manifests, info=looked.info, fetch=fetch,
        unread=frozenset(name for name, d in read.items() if d is None),
    )  # fmt: skip
    looked.structure = check_structure(text, looked.listing)
    found = [*looked.findings, *text_findings(text), *looked.structure.findings]
    looked.findings = seal_findings(found, files, read)


def _judge_name(looked: Looked, record: Mapping[str, Any]) -> None:
    where = readable(str(looked.root))
    if not looked.client:
        what = f"The record of '{readable(looked.name)}' names no client."
        looked.findings.append(rules.NO_CLIENT.found(what, where))
    sealed_as = record.get("package_name")
    if sealed_as != looked.name or not is_safe_name(looked.name):
        what = (
            f"The folder is called '{readable(looked.name)}', its record says '{readable(str(sealed_as))}'."
        )
        looked.findings.append(rules.NAME_DIFFERS.found(what, where))
