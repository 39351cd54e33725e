"""What an archive holds, as values; and what any reader of archives must refuse, whatever the format.

The readers (archivetar, archivezip) read headers only, never a member's data, and believe no size they have
not compared with the archive's own length.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from provpack.findings import Finding, Rule
from provpack.package import archiverules as rules
from provpack.package.bagpaths import Entry, Findings, Kind, Listing, plain, readable, unsafe
from provpack.package.bagtext import manifest_kind

MAX_MEMBERS = 250_000
"""Members listed at most."""

MAX_NAMES = 32 * 1024 * 1024
"""Bytes of names kept at most."""

MAX_DEPTH = 130
"""Folders around a member at most: what is descended on disk (edge/tree.py), and the top folder."""

MAX_SHOWN = 1000
"""Characters of a name that a finding tells."""

FREE = 16 * 1024**3
MAX_GROWTH = 100
"""What is inflated in all may be FREE bytes and MAX_GROWTH times the archive; beyond that it is not tried."""

TAR, ZIP = "application/x-tar", "application/zip"


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One thing in an archive.

    path: as archived, without superfluous `./`, `//` and trailing `/`. size: bytes unpacked. offset, stored:
    where in the archive its bytes begin, and how many there are. crc: CRC-32 of the unpacked bytes, None
    where the format has none. header: offset of its header.
    """

    path: str
    kind: Kind
    size: int = 0
    offset: int = 0
    stored: int = 0
    method: Literal["stored", "deflated"] = "stored"
    crc: int | None = None
    header: int = 0
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What a reader made of an archive. usable: whether the bag in it can be checked at all; where it is
    False the findings say why. complete: False when a bound was reached."""

    members: tuple[Member, ...] = ()
    findings: tuple[Finding, ...] = ()
    usable: bool = True
    complete: bool = True

    @property
    def sound(self) -> bool:
        """Nothing is wrong with the archive as such."""
        return not any(f.severity == "error" for f in self.findings)


class StopReading(Exception):
    """Nothing that follows in the archive can be trusted; the finding is told already."""


@dataclass(slots=True)
class Gatherer:
    """Takes what a reader finds, and refuses what no archive may hold."""

    archive_size: int
    found: Findings = field(default_factory=Findings)
    members: list[Member] = field(default_factory=list)
    complete: bool = True
    _names: int = 0
    _inflated: int = 0

    def say(self, rule: Rule, what: str, offset: int, path: str | None = None) -> None:
        """A finding about the archive at that offset."""
        if path is not None:
            path = path[:MAX_SHOWN]
        where = f"offset {offset}" if path is None else f"{readable(path)}, offset {offset}"
        self.found.add(rule, what[: 2 * MAX_SHOWN], where, path=path)

    def stop(self, rule: Rule, what: str, offset: int, path: str | None = None) -> StopReading:
        """A finding after which reading on would be guessing."""
        self.say(rule, what, offset, path)
        return StopReading(what)

    def room(self, name: bytes) -> bool:
        """Whether one more member may be listed; the listing is incomplete otherwise."""
        self._names += len(name)
        deep = name.count(b"/") > MAX_DEPTH  # each folder of a name is looked up by its whole path
        if len(self.members) < MAX_MEMBERS and self._names <= MAX_NAMES and not deep:
            return True
        self.complete = False
        return False

    def take(self, member: Member) -> None:
        """One more member, unless its name or kind must be refused."""
        path = member.path
        why = unsafe(path)
        if why is not None:
            self.say(
                rules.NAME_UNSAFE, f"The name {readable(path)!r} is refused: {why}.", member.header, path
            )
            return
        if member.kind == "other":
            what = f"{readable(path)!r} is a device or a pipe."
            self.say(rules.SPECIAL, what, member.header, path)
            return
        if member.method == "deflated" and member.kind == "file":
            self._inflated += member.size
        tidy = plain(path).rstrip("/")
        if tidy in ("", "."):
            return  # the folder the archive was made in; it says nothing
        self.members.append(replace(member, path=tidy))

    def done(self) -> Contents:
        """Everything taken, after the questions about all members together."""
        self._twice()
        usable = True
        if not self.complete:
            what = (
                f"It has more than {MAX_MEMBERS} members, too long names, or names of more than {MAX_DEPTH} "
                "folders: not all were looked at."
            )
            self.say(rules.TOO_MUCH, what, 0)
        if self._inflated > FREE + MAX_GROWTH * self.archive_size:
            usable = False
            what = (
                f"Its members would unpack to {self._inflated} bytes, from an archive of {self.archive_size}."
            )
            self.say(rules.TOO_MUCH, what, 0)
        return Contents(
            members=tuple(self.members), findings=self.found.done(), usable=usable, complete=self.complete
        )

    def gave_up(self) -> Contents:
        """What was found before reading stopped."""
        return replace(self.done(), usable=False)

    def _twice(self) -> None:
        """No path twice, none both file and folder, none beneath a link. Folders may be entered again."""
        kinds: dict[str, Kind] = {}
        kept: list[Member] = []
        for member in self.members:
            before = kinds.get(member.path)
            if before is None:
                kinds[member.path] = member.kind
                kept.append(member)
            elif not before == member.kind == "directory":
                what = f"{readable(member.path)!r} is in the archive more than once."
                self.say(rules.NAME_TWICE, what, member.header, member.path)
        for member in kept:
            parts = member.path.split("/")
            for n in range(1, len(parts)):
                above = kinds.get("/".join(parts[:n]))
                if above == "symlink":
                    what = f"{readable(member.path)!r} lies beneath a symbolic link of the archive."
                    self.say(rules.LINK, what, member.header, member.path)
                elif above == "file":
                    what = f"{readable('/'.join(parts[:n]))!r} is a file, and also a folder of other members."
                    self.say(rules.NAME_TWICE, what, member.header, member.path)
        self.members = kept


def holds_bag(contents: Contents) -> bool:
    """Whether something in it looks like a bag: its declaration, or a payload manifest, at most one folder
    down. What was told of an archive that cannot be used holds for the members seen until then."""
    for member in contents.members:
        name = member.path.rpartition("/")[2]
        if member.path.count("/") <= 1 and member.kind != "directory":
            kind = manifest_kind(name)
            if name == "bagit.txt" or (kind is not None and kind[0] == "payload"):
                return True
    return False


def top_directory(contents: Contents) -> tuple[str | None, tuple[Finding, ...]]:
    """The one directory everything lies in, None with a finding when there is not exactly one."""
    tops: dict[str, bool] = {}
    for member in contents.members:
        top, below, _ = member.path.partition("/")
        tops[top] = tops.get(top, False) or bool(below) or member.kind == "directory"
    if len(tops) == 1 and all(tops.values()):
        return next(iter(tops)), ()
    shown = ", ".join(repr(readable(top)) for top in list(tops)[:5]) + (", ..." if len(tops) > 5 else "")
    what = f"At its top are {len(tops)} things ({shown}); there must be one directory and nothing else."
    if "bagit.txt" in tops:
        what = f"bagit.txt lies at its top, not in a directory. {what}"
    return None, (rules.TOP.found(what, "top of the archive"),)


def inside(contents: Contents, top: str) -> tuple[dict[str, Member], Listing]:
    """Members by path from the top directory, and the listing of it as if it were unpacked."""
    members: dict[str, Member] = {}
    entries: dict[str, Entry] = {}
    for member in contents.members:
        path = member.path[len(top) + 1 :]
        if not path:
            continue
        members[path] = member
        size = member.size if member.kind == "file" else 0
        entries[path] = Entry(path=path, kind=member.kind, size=size, problem=member.problem)
        above = path.rpartition("/")[0]
        while above and above not in entries:
            entries[above] = Entry(path=above, kind="directory")
            above = above.rpartition("/")[0]
    listed = tuple(entries[path] for path in sorted(entries))
    return members, Listing(entries=listed, complete=contents.complete)
