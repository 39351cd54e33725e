"""The two halves of a bag as values: what its tag files say, and what lies on disk."""

from __future__ import annotations

from dataclasses import dataclass, field

from provpack.findings import Finding
from provpack.package import rules
from provpack.package.bagdeclaration import Declaration
from provpack.package.baginfo import BagInfo
from provpack.package.bagpaths import Entry, Findings, Listing, normalised, readable
from provpack.package.bagtext import Fetch, Manifest, ManifestLine


@dataclass(frozen=True, slots=True, kw_only=True)
class BagText:
    """The tag files of one bag as read. unread: manifests that are there but could not be read."""

    declaration: Declaration
    manifests: tuple[Manifest, ...] = ()
    info: BagInfo | None = None
    fetch: Fetch | None = None
    unread: frozenset[str] = frozenset()

    @property
    def payload_manifests(self) -> tuple[Manifest, ...]:
        return tuple(m for m in self.manifests if m.kind == "payload")

    @property
    def tag_manifests(self) -> tuple[Manifest, ...]:
        return tuple(m for m in self.manifests if m.kind == "tag")


def text_findings(text: BagText) -> tuple[Finding, ...]:
    """Everything the reading of the tag files found."""
    found = [*text.declaration.findings]
    for manifest in text.manifests:
        found.extend(manifest.findings)
    if text.info is not None:
        found.extend(text.info.findings)
    if text.fetch is not None:
        found.extend(text.fetch.findings)
    return tuple(found)


@dataclass(slots=True)
class Disk:
    """What is on disk, ready for questions by path."""

    listing: Listing
    entries: dict[str, Entry] = field(init=False)
    _by_form: dict[str, list[str]] = field(init=False)
    _unreadable: frozenset[str] = field(init=False)
    _deepest: int = field(init=False)

    def __post_init__(self) -> None:
        self.entries = {entry.path: entry for entry in self.listing.entries}
        self._by_form = {}
        for path in self.entries:
            if not path.isascii():
                self._by_form.setdefault(normalised(path), []).append(path)
        self._unreadable = frozenset(e.path for e in self.listing.entries if e.kind == "unreadable")
        self._deepest = max((path.count("/") + 1 for path in self._unreadable), default=0)

    def payload_files(self) -> list[Entry]:
        return [e for e in self.listing.entries if e.kind == "file" and e.path.startswith("data/")]

    def beneath_unreadable(self, path: str) -> bool:
        """Its absence says nothing, because a folder above it could not be read (or not all was listed)."""
        if not self.listing.complete or "" in self._unreadable:
            return True
        parts = path.split("/")
        # No deeper than anything unreadable lies: a manifest may name a file in thousands of folders.
        most = min(len(parts), self._deepest)
        return any("/".join(parts[:n]) in self._unreadable for n in range(1, most + 1))

    def find(self, line: ManifestLine, manifest: str, found: Findings) -> Entry | None:
        """The entry a manifest line means: by its name, its other reading, or its other normalisation."""
        for path in (line.path, line.other):
            if path is not None and path in self.entries:
                return self.entries[path]
        near = self._by_form.get(normalised(line.path), [])
        if len(near) == 1:
            found.add(
                rules.NORMALISATION,
                f"{readable(line.path)!r} is spelled with other code points on disk than in {manifest}.",
                f"{manifest}, line {line.line}",
                path=near[0],
            )
            return self.entries[near[0]]
        return None
