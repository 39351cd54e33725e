"""Judge a bag: are all files there, does every element conform, do the digests agree. RFC 8493 section 3.

Works on values only: tag files as parsed and what lies on disk. Every problem is listed, not the first one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from provpack.findings import Finding
from provpack.package import bagcover, rules
from provpack.package import bagrules as text_rules
from provpack.package.bagdisk import BagText, Disk, text_findings
from provpack.package.bagpaths import Findings, Listing, readable
from provpack.package.bagtext import Manifest, ManifestLine, manifest_kind

__all__ = [
    "BagText",
    "Expected",
    "Outcome",
    "Structure",
    "Task",
    "check_fixity",
    "check_structure",
    "judge",
    "mixed_case",
    "text_findings",
]

Outcome = Literal["good", "bad", "missing", "could_not_check"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """A digest some manifest vouches for: normalised algorithm, lower-case hex, manifest and line."""

    algorithm: str
    digest: str
    manifest: str
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """A regular file on disk to be read, and everything said about it."""

    path: str
    size: int
    expected: tuple[Expected, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """What the look at names and sizes found, and which files are left to be read.

    payload and tags are sorted by path; payload_files and payload_bytes count what is on disk.
    """

    findings: tuple[Finding, ...]
    payload: tuple[Task, ...]
    tags: tuple[Task, ...]
    payload_files: int
    payload_bytes: int


def judge(findings: Iterable[Finding]) -> Outcome:
    """The outcome these findings add up to. Bad beats missing, missing beats could not check."""
    errors = {f.rule for f in findings if f.severity == "error"}
    if errors - rules.COULD_NOT_CHECK - rules.MISSING:
        return "bad"
    if errors & rules.MISSING:
        return "missing"
    return "could_not_check" if errors else "good"


def mixed_case(name: str, data: bytes) -> tuple[Finding, ...]:
    """A finding when a tag manifest we wrote has hex digits of either case.

    Both are allowed (section 2.1.3), so a bit flipped in a letter's case changes no digest, and nothing
    vouches for a tag manifest; but we write lower case only.
    """
    kind = manifest_kind(name)
    digests = b"".join(line.partition(b" ")[0] for line in data.splitlines())
    letters = {byte for byte in set(digests) if byte > 0x40}
    if (
        kind is None
        or kind[0] != "tag"
        or not (any(b < 0x60 for b in letters) and any(b > 0x60 for b in letters))
    ):
        return ()
    what = f"{name} mixes upper and lower case in its digests; it was written in lower case."
    return (rules.TAG_ALTERED.found(what, name, position={"file": name}),)


def check_structure(text: BagText, listing: Listing) -> Structure:
    """Completeness and conformance (section 3), from names and sizes alone."""
    disk = Disk(listing)
    found = Findings()
    _payload_folder(disk, found)
    _odd_entries(text, disk, found)
    tasks: dict[str, list[Expected]] = {}
    listed: dict[str, dict[str, str]] = {}
    reported: set[str] = set()
    fetched = {line.path for line in text.fetch.lines} if text.fetch else set()
    for manifest in text.manifests:
        listed[manifest.name] = {}
        _tag_manifest_line_kinds(manifest, text, found)
        for line in manifest.lines:
            entry = disk.find(line, manifest.name, found)
            where = entry.path if entry is not None else line.path
            listed[manifest.name][where] = line.path
            if entry is None:
                if where not in reported and not disk.beneath_unreadable(where):
                    reported.add(where)
                    _missing(where, manifest, line, fetched, found)
            elif entry.kind == "file":
                tasks.setdefault(entry.path, []).append(
                    Expected(
                        algorithm=manifest.algorithm,
                        digest=line.digest,
                        manifest=manifest.name,
                        line=line.line,
                    )
                )
            elif entry.kind == "directory":
                found.add(
                    text_rules.LISTS_FOLDER,
                    f"{readable(entry.path)!r} is a folder; {manifest.name} lists it as a file.",
                    f"{manifest.name}, line {line.line}",
                    path=entry.path,
                )
    bagcover.payload_coverage(text, disk, listed, found)
    bagcover.tag_coverage(text, disk, listed, found)
    bagcover.fetch_agreement(text, disk, listed, found)
    bagcover.oxum_agreement(text, disk, listed, found)
    bagcover.name_warnings(disk, listed, found)
    bagcover.strength(text, found)
    done = [
        Task(path=path, size=disk.entries[path].size, expected=tuple(expected))
        for path, expected in sorted(tasks.items())
    ]
    payload = disk.payload_files()
    return Structure(
        findings=found.done(),
        payload=tuple(task for task in done if task.path.startswith("data/")),
        tags=tuple(task for task in done if not task.path.startswith("data/")),
        payload_files=len(payload),
        payload_bytes=sum(entry.size for entry in payload),
    )


def check_fixity(task: Task, digests: Mapping[str, str]) -> tuple[Finding, ...]:
    """Compare what was read with what is expected; digests is by normalised algorithm.

    An algorithm without a digest, or a line whose checksum has no proper form, is passed over: the manifest's
    own finding tells of it.
    """
    found = Findings()
    for one in task.expected:
        actual = digests.get(one.algorithm)
        if actual is not None and one.digest and actual != one.digest:
            found.add(
                rules.DIGEST_MISMATCH,
                f"{readable(task.path)!r} has the {one.algorithm} digest {actual}, "
                f"but {one.manifest} says {one.digest[:256]}.",
                f"{one.manifest}, line {one.line}",
                path=task.path,
            )
    return found.done()


def _missing(path: str, manifest: Manifest, line: ManifestLine, fetched: set[str], found: Findings) -> None:
    place = f"{manifest.name}, line {line.line}"
    if path in fetched:
        found.add(
            rules.NOT_FETCHED,
            f"{readable(path)!r} is to be downloaded and is not there yet.",
            place,
            path=path,
        )
    else:
        found.add(
            rules.FILE_MISSING,
            f"{readable(path)!r} is listed in {manifest.name} but not there.",
            place,
            path=path,
        )


def _payload_folder(disk: Disk, found: Findings) -> None:
    data = disk.entries.get("data")
    if data is None and not disk.beneath_unreadable("data"):
        found.add(text_rules.NO_PAYLOAD_FOLDER, "The bag has no folder named 'data'.", "data", path="data")
    elif data is not None and data.kind in ("file", "other"):
        found.add(text_rules.NO_PAYLOAD_FOLDER, "'data' is not a folder.", "data", path="data")


def _odd_entries(text: BagText, disk: Disk, found: Findings) -> None:
    """Links, special files, unreadable things, empty folders."""
    vouched = {line.path for manifest in text.manifests for line in manifest.lines}
    if not disk.listing.complete:
        found.add(
            rules.TOO_LARGE, f"The bag has more than {len(disk.entries)} entries; not all were seen.", "bag"
        )
    parents = {entry.path.rpartition("/")[0] for entry in disk.listing.entries}
    for entry in disk.listing.entries:
        path, name = entry.path, readable(entry.path)
        payload = path == "data" or path.startswith("data/")
        required = payload or path in vouched or path == "bagit.txt" or manifest_kind(path) is not None
        if entry.kind == "unreadable":
            found.add(
                rules.UNREADABLE,
                f"{name or 'The folder'!r} cannot be read: {entry.problem}.",
                name or "bag",
                path=path,
            )
        elif entry.kind == "symlink" and required:
            found.add(text_rules.LINK, f"{name!r} is a symbolic link; it was not followed.", path=path)
        elif entry.kind == "symlink":
            found.add(rules.LINK_PASSED, f"{name!r} is a symbolic link; it was not followed.", path=path)
        elif entry.kind == "other" and required:
            found.add(
                text_rules.NOT_A_FILE,
                f"{name!r} is a device, socket or pipe; it was not opened.",
                name,
                path=path,
            )
        elif entry.kind == "directory" and path.startswith("data/") and path not in parents:
            found.add(rules.EMPTY_FOLDER, f"The folder {name!r} is empty.", path=path)


def _tag_manifest_line_kinds(manifest: Manifest, text: BagText, found: Findings) -> None:
    if manifest.kind != "tag":
        return
    for line in manifest.lines:
        kind = manifest_kind(line.path)
        place = f"{manifest.name}, line {line.line}"
        if line.path.startswith("data/"):
            found.add(
                text_rules.TAG_LISTS_PAYLOAD,
                f"{readable(line.path)!r} is a payload file.",
                place,
                path=line.path,
            )
        elif kind is not None and kind[0] == "tag":
            found.add(
                text_rules.TAG_LISTS_TAG_MANIFEST,
                f"{readable(line.path)!r} is a tag manifest, which no tag manifest may list.",
                place,
                path=line.path,
                severity=text.declaration.laxer,
            )
