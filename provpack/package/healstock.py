"""What several copies of one package hold, found by content: the right bytes count wherever they lie.

Digests are by normalised algorithm ("sha512"), lower-case hex. Copies are numbered from 1, in
the order given.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from provpack.errors import Bug
from provpack.package.bagtext import Manifest
from provpack.package.bagwrite import build_manifest


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A whole file as one copy holds it: its path there, bytes, digests."""

    copy: int
    path: str
    size: int
    digests: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A manifest that no copy holds whole, written anew from the digests of what it lists."""

    path: str
    data: bytes
    digests: Mapping[str, str]

    @property
    def size(self) -> int:
        return len(self.data)


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Neighbouring bytes to be taken from one file of one copy. part: head, tail, or the audio's blocks
    first to last."""

    copy: int
    path: str
    offset: int
    length: int
    part: str = "blocks"
    first: int = 0
    last: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """A master put together from pieces; its digests were computed over them in their order."""

    path: str
    size: int
    digests: Mapping[str, str]
    pieces: tuple[Piece, ...]


Source = Held | Made | Joined


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyView:
    """One copy as it was read. sizes: every regular file there. files: those that could be read whole.
    texts: bytes of the manifests that could be read. problems: path -> why it could not be read. irregular:
    links, devices and the like: path -> what it is. unread: files and folders that could not be read, so that
    nobody knows what is in them ("" for the whole). unlisted: why not everything there is known, "" when it
    is."""

    number: int
    name: str
    sizes: Mapping[str, int] = field(default_factory=dict)
    files: Mapping[str, Held] = field(default_factory=dict)
    texts: Mapping[str, bytes] = field(default_factory=dict)
    problems: Mapping[str, str] = field(default_factory=dict)
    irregular: Mapping[str, str] = field(default_factory=dict)
    unread: frozenset[str] = frozenset()
    unlisted: str = ""

    def may_hold(self, path: str) -> bool:
        """Whether this file may be there, right, where the copy could not be read."""
        if path in self.sizes:
            return path in self.unread
        above = {"", path, *(path[:n] for n, char in enumerate(path) if char == "/")}
        return bool(self.unlisted) or not above.isdisjoint(self.unread) or self.link_above(path) is not None

    def link_above(self, path: str) -> str | None:
        """The link that stands in the place of this file or of a folder above it: what it leads to was not
        looked at."""
        above = [path[:n] for n, char in enumerate(path) if char == "/"]
        return next((p for p in (*above, path) if "link" in self.irregular.get(p, "")), None)

    def has(self, path: str, source: Source) -> bool:
        """Whether this copy's file of that name has these bytes."""
        held = self.files.get(path)
        return held is not None and held.digests == source.digests


class Stock:
    """Everything the copies hold, and what was made of it, by digest."""

    def __init__(self, copies: Sequence[CopyView]) -> None:
        self.copies = tuple(copies)
        self._by: dict[tuple[str, str], list[Source]] = {}
        self._made: set[str] = set()
        for copy in self.copies:
            for held in copy.files.values():
                self.add(held)

    def add(self, source: Source) -> None:
        """Put something more in."""
        if not isinstance(source, Held):
            self._made.add(source.path)
        for pair in source.digests.items():
            self._by.setdefault(pair, []).append(source)

    def find(self, path: str, wanted: Mapping[str, str]) -> Source | None:
        """Bytes with all these digests: the file of that name in the first copy that has it right, else
        the same content under another name, else what was put together. None when there are none, or no
        digest is wanted that could be compared."""
        pairs = sorted((a, d) for a, d in wanted.items() if d)
        if not pairs:
            return None
        hits = [
            s for s in self._by.get(pairs[0], ()) if all(s.digests.get(a) == digest for a, digest in pairs)
        ]
        return min(hits, key=lambda s: (not isinstance(s, Held), s.path != path), default=None)

    def at(self, path: str) -> bool:
        """Whether any copy has a file of that name, or one was made."""
        return path in self._made or any(path in copy.sizes for copy in self.copies)


class Claims:
    """What any version of some manifests, damaged ones included, says of each path."""

    def __init__(self, manifests: Iterable[Manifest]) -> None:
        self._manifests = tuple(manifests)
        self.by_path: dict[str, Counter[tuple[str, str]]] = {}
        self._named: dict[tuple[str, str], set[str]] = {}
        for manifest in self._manifests:
            for line in manifest.lines:
                if line.digest:
                    pair = (manifest.algorithm, line.digest)
                    self.by_path.setdefault(line.path, Counter())[pair] += 1
                    self._named.setdefault(pair, set()).add(line.path)

    def named(self, pair: tuple[str, str]) -> bool:
        """Whether any path is claimed to have this (algorithm, digest)."""
        return pair in self._named

    def sources(self, path: str, stock: Stock) -> list[Source]:
        """Every content in stock that some version claims for this path: more than one where the copies are
        of two packages."""
        out: dict[str, Source] = {}
        for algorithm, digest in self.by_path.get(path, ()):
            found = stock.find(path, {algorithm: digest})
            if found is not None:
                out.setdefault(found.digests["sha512"], found)
        return list(out.values())

    def beside(self, path: str, source: Source, other: str) -> set[tuple[str, str]]:
        """What the versions that claim this content for path claim for another path; what any version claims
        when none of them names it."""
        out: set[tuple[str, str]] = set()
        for manifest in self._manifests:
            told = {line.path: line.digest for line in manifest.lines}
            if told.get(path) == source.digests.get(manifest.algorithm) and told.get(other):
                out.add((manifest.algorithm, told[other]))
        return out or set(self.by_path.get(other, ()))

    def source(self, path: str, stock: Stock) -> Source | None:
        """What most of the claims that can be met point to.

        A path that no copy has is not believed when its content is claimed under a name that one has: then
        the path itself is damaged.
        """
        best: Source | None = None
        most = 0
        told = self.by_path.get(path, Counter())
        for pair in told:
            found = stock.find(path, dict([pair]))
            if found is None:
                continue
            count = sum(n for (a, d), n in told.items() if found.digests.get(a) == d)
            if count > most:
                best, most = found, count
        if best is not None and not stock.at(path):
            others = {name for pair in best.digests.items() for name in self._named.get(pair, ())}
            if any(stock.at(name) for name in others - {path}):
                return None
        return best


def rebuilt(algorithm: str, claims: Claims, stock: Stock) -> bytes | None:
    """The manifest as this program would write it over everything claimed that is there; None when it cannot
    be written. Whether these are the right bytes must be proven by a digest of them."""
    entries = []
    for path in claims.by_path:
        source = claims.source(path, stock)
        if source is not None and algorithm in source.digests:
            entries.append((path, source.digests[algorithm]))
    try:
        return build_manifest(entries) if entries else None
    except Bug:  # a path no bag of ours may list
        return None


def lines_survive(text: bytes, versions: Iterable[bytes]) -> bool:
    """Whether each line of text stands, byte for byte, in one of the (damaged) versions."""
    there = {line for version in versions for line in version.splitlines(keepends=True)}
    return bool(text) and all(line in there for line in text.splitlines(keepends=True))
