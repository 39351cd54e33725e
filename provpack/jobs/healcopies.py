"""The copies of one package: opened wherever they lie, and every file read once for its digests."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from provpack.edge.archiveplace import ArchivePlace
from provpack.edge.hashing import hashlib_name
from provpack.edge.place import FolderPlace, Place
from provpack.edge.reading import cores, read_small
from provpack.edge.tree import reason
from provpack.errors import CouldNotCheck, InputProblem, ProvpackError
from provpack.jobs.verify_files import Hands, read_all
from provpack.jobs.verify_find import find_units, shown
from provpack.package import archiverules
from provpack.package.bagcheck import Expected, Task
from provpack.package.bagpaths import Listing, readable
from provpack.package.bagtext import MAX_TAG_FILE, manifest_kind, normal_algorithm
from provpack.package.healstock import CopyView, Held

_NAMED = re.compile(rb"(?<![\w-])manifest-([a-z0-9]{2,20})\.txt")


_IRREGULAR = {"symlink": "a symbolic link", "other": "no regular file"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """One copy as it was given. place is None, and problem says why, when nothing of it can be read."""

    number: int
    given: Path | str
    place: Place | None
    problem: str = ""

    @property
    def shown(self) -> str:
        return shown(self.given)


def open_copy(number: int, given: Path | str) -> Copy:
    """Raises InputProblem when the path is no place of one package; what cannot be read is no error."""
    try:
        if isinstance(given, Path) and given.is_dir() and _like_a_bag(given):
            return Copy(number=number, given=given, place=FolderPlace(given))
        units, _ = find_units([given])
        if len(units) != 1:
            raise _refused(given, f"There are {len(units)} packages here, not one.")
        found = units[0]
        if found.findings:
            worst = found.findings[0]
            if "unreadable" in worst.rule:
                return Copy(number=number, given=given, place=None, problem=worst.what)
            raise _refused(given, worst.what)
        return Copy(number=number, given=found.path, place=found.open())
    except InputProblem:
        raise
    except (OSError, ValueError, ProvpackError) as err:
        why = reason(err) if isinstance(err, OSError) else str(err)
        return Copy(number=number, given=given, place=None, problem=f"It cannot be opened: {why}.")


def _like_a_bag(folder: Path) -> bool:
    return (folder / "bagit.txt").is_file() or (folder / "data").is_dir()


def _refused(given: Path | str, what: str) -> InputProblem:
    return InputProblem(
        "no-copy", what, where=readable(shown(given)),
        todo="Name the folder or archive of each copy of the package.",
    )  # fmt: skip


class Reader:
    """Reads copies one after the other, with both processors where that helps."""

    def __init__(self, copies: Sequence[Copy], told: Callable[[int], None]) -> None:
        self._copies = copies
        self.hands = Hands(workers=cores(), told=told, is_alone=lambda: True)
        self._listings = {c.number: self._listing(c) for c in copies}
        self._texts = {c.number: self._manifests(c) for c in copies}
        self.algorithms = self._algorithms()

    @property
    def total(self) -> int:
        """Bytes of all files of all copies."""
        return sum(e.size for listing in self._listings.values() if listing for e in listing.entries)

    def views(self) -> list[CopyView]:
        """What each copy holds, in their order."""
        return [self._view(copy) for copy in self._copies]

    def _listing(self, copy: Copy) -> Listing | None:
        """What the copy holds; of a tar that is damaged, what stands before the damage."""
        if copy.place is None:
            return None
        listing = copy.place.listing()
        if listing is None and isinstance(copy.place, ArchivePlace):
            return copy.place.listing_until_damage()
        return listing

    def _manifests(self, copy: Copy) -> dict[str, bytes]:
        texts: dict[str, bytes] = {}
        listing = self._listings[copy.number]
        if copy.place is None or listing is None:
            return texts
        for entry in listing.entries:
            if entry.kind == "file" and manifest_kind(entry.path) is not None:
                try:
                    texts[entry.path] = read_small(copy.place, entry.path, MAX_TAG_FILE)
                except CouldNotCheck:  # told when the file is read for its digests
                    continue
        return texts

    def _algorithms(self) -> tuple[str, ...]:
        """Every algorithm that a manifest uses, or that a tag manifest names one of, and SHA-512."""
        names = {"sha512"}
        for texts in self._texts.values():
            for name, data in texts.items():
                names.add(normal_algorithm((manifest_kind(name) or ("", ""))[1]))
                if name.startswith("tag"):
                    names |= {found.decode() for found in _NAMED.findall(data)}
        return tuple(sorted(name for name in names if hashlib_name(name)))

    def _view(self, copy: Copy) -> CopyView:
        listing = self._listings[copy.number]
        if copy.place is None or listing is None:
            name = copy.place.name if copy.place is not None else ""
            return CopyView(number=copy.number, name=name, unlisted=_unlisted(copy, listing))
        sizes = {e.path: e.size for e in listing.entries if e.kind == "file"}
        problems = {e.path: e.problem for e in listing.entries if e.kind == "unreadable"}
        unread = set(problems)
        irregular = {e.path: _IRREGULAR[e.kind] for e in listing.entries if e.kind in _IRREGULAR}
        expected = tuple(Expected(algorithm=a, digest="", manifest="", line=0) for a in self.algorithms)
        tasks = [Task(path=path, size=size, expected=expected) for path, size in sizes.items()]
        reading = read_all(copy.place, tasks, self.hands)
        why = {f.where: f for f in reading.findings}
        for path in sizes:
            if path not in reading.digests:
                told = why.get(readable(path))
                problems[path] = told.what if told is not None else "it cannot be read"
                if told is None or told.rule != archiverules.DATA.id:  # that is damage, read and seen
                    unread.add(path)
        return CopyView(
            number=copy.number,
            name=copy.place.name,
            sizes=sizes,
            files={
                path: Held(copy=copy.number, path=path, size=sizes[path], digests=digests)
                for path, digests in reading.digests.items()
            },
            # What was digested and what was parsed must be the same bytes.
            texts={
                path: data
                for path, data in self._texts[copy.number].items()
                if path in reading.digests and len(data) == sizes[path]
            },
            problems=problems,
            irregular=irregular,
            unread=frozenset(unread),
            unlisted=_unlisted(copy, listing),
        )


def _unlisted(copy: Copy, listing: Listing | None) -> str:
    """Why not everything that the copy holds is known; "" when it is."""
    if copy.place is None:
        return copy.problem or "it cannot be opened"
    if listing is not None and listing.complete:
        return ""
    said = next((f.what for f in copy.place.findings if f.severity == "error"), "")
    what = "it" if copy.place.serialisation is None else "this archive"
    wholly, more = ("", "is") if listing is None else (" wholly", "else is")
    return f"{what} cannot be listed{wholly}, and what {more} in it is not known{said and f' ({said})'}"


def close_all(copies: Iterable[Copy]) -> None:
    """Let go of what is held open."""
    for copy in copies:
        if copy.place is not None:
            copy.place.close()
