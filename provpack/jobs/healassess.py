"""What several copies of a package amount to together, before anything is written."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from provpack.edge.hashing import digest_bytes, hashlib_name
from provpack.edge.place import PlacedFile
from provpack.edge.reading import read_small
from provpack.edge.tree import reason
from provpack.errors import CouldNotCheck
from provpack.findings import Finding
from provpack.jobs import healrules as rules
from provpack.jobs.healblocks import BlockMap, Candidate, search
from provpack.jobs.healcopies import Copy, Reader
from provpack.jobs.healevidence import Court, accused, known_identities, ledgers_beside, signatures_of
from provpack.jobs.healrecord import as_record, record_under
from provpack.measure.digests import DigestSink
from provpack.package import layout
from provpack.package.bagblocks import BlockDigests, parse_block_digests
from provpack.package.bagpaths import readable
from provpack.package.bagtext import MAX_TAG_FILE, Declaration, parse_declaration
from provpack.package.deliverynote import is_safe_name
from provpack.package.healplan import IDENTITY, Outside, Plan, Planner
from provpack.package.healstock import CopyView, Held, Joined, Made, Piece, Source, Stock
from provpack.package.ownbag import SIGNATURE
from provpack.package.signers import Signers
from provpack.package.signwords import moment_of

_SMALL = 64 * 1024 * 1024
_READ = 2 * 1024 * 1024
_OTHERS = 4
"""Files of a copy, besides the one of its name, in which a master's blocks are looked for."""

Told = Callable[[int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Master:
    """A master looked for by one version of the block digests (source), and what it was joined to."""

    source: Source
    blocks: BlockMap
    joined: Joined | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """The package as the copies together hold it. maps: what was found of each master that no copy has
    whole, by path. signature: the bytes to be carried over, and its state. strangers: copies whose record is
    that of another package."""

    copies: tuple[Copy, ...]
    views: tuple[CopyView, ...]
    plan: Plan
    maps: dict[str, BlockMap]
    name: str
    record_id: str | None
    algorithms: tuple[str, ...]
    signature: bytes | None
    signature_state: str
    findings: tuple[Finding, ...]
    strangers: frozenset[int] = frozenset()

    def state(self, view: CopyView) -> str:
        """whole, damaged, other_package or unreadable."""
        if not view.sizes:
            return "unreadable" if view.unlisted or view.unread else "damaged"
        if (
            not view.unlisted
            and self.plan.whole_in(view)
            and (self.signature is None or self._has_signature(view))
        ):
            return "whole"
        own = view.number not in self.strangers and self.plan.in_part_in(view)
        return "damaged" if own else "other_package"

    def _has_signature(self, view: CopyView) -> bool:
        held = view.files.get(SIGNATURE)
        return held is not None and dict(held.digests) == digest_bytes(self.signature or b"", self.algorithms)

    @property
    def certainly_lost(self) -> bool:
        """Whether something is lost that cannot be where a copy could not be read."""
        if self.plan.files or self.plan.lost:
            return any(not self.uncertain(path) for path in self.plan.lost)
        return not any(view.unlisted or view.unread for view in self.views)

    def uncertain(self, path: str) -> bool:
        """Whether all that is lost of a file may be where a copy could not be read."""
        blocks = self.maps.get(path)
        if blocks is None or blocks.complete:
            return any(view.may_hold(path) for view in self.views)
        if any(path not in view.sizes and view.may_hold(path) for view in self.views):
            return True
        unread: set[int] = set().union(*(one.unreadable for one in blocks.seen if one.where.path == path))
        return unread.issuperset(blocks.lost_parts)

    @property
    def whole(self) -> CopyView | None:
        """The first copy that is whole."""
        return next((view for view in self.views if self.state(view) == "whole"), None)

    @property
    def left_out(self) -> list[tuple[int, str]]:
        """(copy, path) of files, and of links and the like, that are no part of the package."""
        return [
            (view.number, path)
            for view in self.views
            for path in sorted([*view.sizes, *view.irregular])
            if path not in self.plan.paths and path != SIGNATURE
        ]


def assess(
    copies: Sequence[Copy],
    *,
    told: Told,
    begin: Callable[[str, int], None],
    ledger: Path | None = None,
    signers: Signers | None = None,
) -> Assessment:
    """Read every copy, and find the right bytes. Raises InputProblem (two packages, ledger no witness,
    another package by a broken ledger)."""
    reader = Reader(copies, told)
    begin(f"reading {len(copies)} copies", reader.total)
    views = reader.views()
    stock = Stock(views)
    names = {c.place.name for c in copies if c.place is not None}
    known, broken, findings = known_identities(ledgers_beside(copies), ledger, names)
    court = Court(signatures_of(copies, {v.number: dict(v.sizes) for v in views}), signers)

    def digest(data: bytes) -> dict[str, str]:
        return digest_bytes(data, reader.algorithms)

    outside = Outside(identities=known, trusted=court.trusted, fits=court.fits)
    declaration = _declaration(copies, views)
    planner = Planner(stock, declaration, outside, digest, lambda held: _small(copies, held, MAX_TAG_FILE))

    def read(source: Source | None) -> bytes | None:
        return _small(copies, source)

    court.at = lambda text: _sealed_at(record_under(text, declaration, stock, read))
    masters = _masters(copies, views, stock, planner, reader.algorithms, told)
    plan = planner.plan()
    findings += accused(broken, plan)
    # Name, record and block digests are those the plan proves: two packages may lie among the copies.
    record = as_record(read(plan.source(layout.RECORD)))
    text = _small(copies, plan.source(IDENTITY), MAX_TAG_FILE)
    signature, state = None, "missing"
    if text is not None:
        signature, state, more = court.choose(text)
        findings += more
    strangers = _strangers(record, views, read)
    name, more = _name(record, _of_the_package(copies, views, plan, strangers))
    record_id = record.get("record_id")
    return Assessment(
        copies=tuple(copies), views=tuple(views), plan=plan, maps=_maps(masters, plan), name=name,
        record_id=record_id if isinstance(record_id, str) else None, algorithms=reader.algorithms,
        signature=signature, signature_state=state, findings=(*findings, *more),
        strangers=strangers,
    )  # fmt: skip


def _declaration(copies: Sequence[Copy], views: Sequence[CopyView]) -> Declaration:
    """bagit.txt as the first copy has it in which it reads well."""
    for copy, view in zip(copies, views, strict=True):
        if copy.place is not None and "bagit.txt" in view.files:
            try:
                declared = parse_declaration(read_small(copy.place, "bagit.txt", 64 * 1024))
            except CouldNotCheck:
                continue
            if not declared.findings:
                return declared
    return parse_declaration(b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")


def _small(copies: Sequence[Copy], source: Source | None, limit: int = _SMALL) -> bytes | None:
    if not isinstance(source, Held):
        return source.data if isinstance(source, Made) else None
    place = copies[source.copy - 1].place
    try:
        return read_small(place, source.path, limit) if place is not None else None
    except CouldNotCheck:
        return None


def _sealed_at(record: dict[str, Any]) -> datetime | None:
    made_by = record.get("made_by")
    return moment_of(made_by.get("at")) if isinstance(made_by, dict) else None


def _of_the_package(
    copies: Sequence[Copy], views: Sequence[CopyView], plan: Plan, strangers: Collection[int]
) -> list[Copy]:
    """The copies that hold something of what was chosen; all, when none does."""
    own = [v.number for v in views if plan.in_part_in(v) and v.number not in strangers]
    return [c for c in copies if c.number in own] or list(copies)


def _strangers(
    record: dict[str, Any], views: Sequence[CopyView], read: Callable[[Source | None], bytes | None]
) -> frozenset[int]:
    """Copies whose own record is of another package: name and identifier both differ, as no damage does."""

    def differs(other: dict[str, Any]) -> bool:
        told = [(record.get(key), other.get(key)) for key in ("package_name", "record_id")]
        return all(isinstance(a, str) and isinstance(b, str) and a != b for a, b in told)

    return frozenset(v.number for v in views if differs(as_record(read(v.files.get(layout.RECORD)))))


def _name(record: dict[str, Any], copies: Sequence[Copy]) -> tuple[str, list[Finding]]:
    """The package's name: what its record says, else what the copies are called."""
    sealed_as = record.get("package_name")
    if isinstance(sealed_as, str) and is_safe_name(sealed_as):
        return sealed_as, []
    names = list(dict.fromkeys(c.place.name for c in copies if c.place is not None))
    names = [n for n in names if n not in ("", ".", "..") and not set(n) & set("/\\\0")] or ["healed"]
    if len(names) < 2:
        return names[0], []
    what = f"The copies are called {', '.join(readable(n) for n in names)}; the first name was taken."
    return names[0], [rules.NAME_DIFFERS.found(what, readable(names[0]))]


def _masters(
    copies: Sequence[Copy], views: Sequence[CopyView], stock: Stock, planner: Planner,
    algorithms: Sequence[str], told: Told,
) -> list[_Master]:  # fmt: skip
    """Masters that no copy has whole, looked for block by block; those found complete go into the stock.

    Every version of the block digests is followed: which belongs to the package is decided afterwards."""
    out = []
    for source in planner.claims.sources(layout.BLOCK_DIGESTS, stock):
        data = _small(copies, source)
        digests = parse_block_digests(data)[0] if data is not None else None
        if digests is None or digests.file not in planner.claims.by_path:
            continue
        told_of = planner.claims.beside(layout.BLOCK_DIGESTS, source, digests.file)
        if any(stock.find(digests.file, dict([pair])) is not None for pair in told_of):
            continue
        found = search(digests, _candidates(digests, copies, views, planner), told)
        joined = None
        if found.complete:
            pieces = found.pieces()
            sinks = {a: DigestSink(hashlib_name(a) or a) for a in algorithms}
            for part in read_pieces(copies, pieces, told):
                for sink in sinks.values():
                    sink.feed(part)
            sums = {name: sink.finish().hexdigest for name, sink in sinks.items()}
            joined = Joined(path=digests.file, size=digests.file_bytes, digests=sums, pieces=pieces)
            stock.add(joined)
        out.append(_Master(source=source, blocks=found, joined=joined))
    return out


def _maps(masters: Sequence[_Master], plan: Plan) -> dict[str, BlockMap]:
    """Of what was looked for, that which belongs to the package."""
    chosen = plan.source(layout.BLOCK_DIGESTS)
    out = {}
    for one in masters:
        path = one.blocks.digests.file
        theirs = chosen is not None and chosen.digests == one.source.digests and path in plan.lost
        if theirs or (one.joined is not None and plan.source(path) is one.joined):
            out[path] = one.blocks
    return out


def _candidates(
    digests: BlockDigests, copies: Sequence[Copy], views: Sequence[CopyView], planner: Planner
) -> list[Candidate]:
    """The file of that name in each copy, then files nobody vouches for that may be it under another name."""
    named, others = [], []
    for copy, view in zip(copies, views, strict=True):
        if copy.place is None:
            continue
        spare = 0
        for path, size in sorted(view.sizes.items(), key=lambda item: (-item[1], item[0])):
            one = Candidate(copy=copy.number, place=copy.place, path=path, size=size)
            if path == digests.file:
                named.append(one)
            elif (
                size >= min(digests.block_bytes, digests.file_bytes)
                and spare < _OTHERS
                and not path.startswith("tagmanifest-")  # vouched for by nobody, and no audio
                and not _vouched(view.files.get(path), planner)
            ):
                others.append(one)
                spare += 1
    return [*named, *others]


def _vouched(held: Held | None, planner: Planner) -> bool:
    """Whether some manifest says that this is a file of the package, under whatever name."""
    if held is None:
        return False
    return any(planner.claims.named(pair) for pair in held.digests.items())


def read_pieces(copies: Sequence[Copy], pieces: Sequence[Piece], told: Told) -> Iterator[bytes]:
    """The bytes of the pieces in order. Raises CouldNotCheck when they cannot be read any more."""
    with ExitStack() as stack:
        files: dict[tuple[int, str], PlacedFile] = {}
        for piece in pieces:
            at = piece.copy, piece.path
            if at not in files:
                place = copies[piece.copy - 1].place
                assert place is not None  # something was found in it
                files[at] = stack.enter_context(place.open(piece.path))
            offset, left = piece.offset, piece.length
            while left > 0:
                try:
                    data = files[at].read_at(offset, min(_READ, left))
                except OSError as err:
                    raise _gone(copies[piece.copy - 1], piece.path, reason(err)) from None
                if not data:
                    raise _gone(copies[piece.copy - 1], piece.path, "it became shorter")
                told(len(data))
                yield data
                offset += len(data)
                left -= len(data)


def _gone(copy: Copy, path: str, why: str) -> CouldNotCheck:
    return CouldNotCheck(
        "copy-changed",
        f"'{readable(path)}' of copy {copy.number} could be read a moment ago, and cannot now: {why}.",
        where=readable(copy.shown),
        todo="Look at cables and the disk's own error log, then run the same command again.",
    )


def pieces_of(source: Source) -> tuple[Piece, ...]:
    """Where the bytes of a file are to be read; () for one written anew."""
    if isinstance(source, Held):
        return (Piece(copy=source.copy, path=source.path, offset=0, length=source.size, part="whole"),)
    return source.pieces if isinstance(source, Joined) else ()
