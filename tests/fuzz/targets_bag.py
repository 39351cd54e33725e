"""Readers of bags: tag files, profiles, archives, and a package as the catalogue takes it in."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from fuzz.law import Broken, as_json, halves, lawful, target, told
from provpack.chunks.source import BytesSource
from provpack.edge.archiveplace import kind_of
from provpack.edge.place import PlacedFile
from provpack.edge.schemas import validate
from provpack.findings import Finding
from provpack.jobs.clientprofiles import pointer_of
from provpack.jobs.harvestpackage import package_values
from provpack.package.archive import Contents, holds_bag, inside, top_directory
from provpack.package.archivetar import looks_like_tar, read_tar
from provpack.package.archivezip import looks_like_zip, read_zip
from provpack.package.bagblocks import parse_block_digests, ranges
from provpack.package.bagcheck import check_fixity, check_structure, judge, mixed_case
from provpack.package.bagdeclaration import parse_declaration
from provpack.package.bagdisk import BagText, text_findings
from provpack.package.baginfo import parse_bag_info
from provpack.package.bagpaths import Entry, Listing, path_base64, plain, readable, unsafe
from provpack.package.bagprofile import check_profile
from provpack.package.bagprofile_json import read_document
from provpack.package.bagprofile_read import parse_profile
from provpack.package.bagprofile_values import BagFacts
from provpack.package.bagtext import DIGEST_LENGTH, manifest_kind, parse_fetch, parse_manifest
from provpack.package.bagwrite import build_bag_info, build_manifest
from provpack.package.clientneeds import bag_info_pairs, empty_placeholders, read_needs, wanted_derivatives
from provpack.package.deliverynote import parse_checksums
from provpack.package.layout import READ_FIRST, RECORD
from provpack.package.needcheck import needs_findings

MANIFESTS = ("manifest-sha256.txt", "tagmanifest-sha512.txt", "manifest-MD5.txt", "manifest-x.txt")


@target
def bagit_txt(data: bytes) -> None:
    """Any bytes give a declaration; only a flawless one has no findings."""
    found = parse_declaration(data)
    told(found.findings)
    lawful(found.findings or found.codec == "utf-8" or found.version is not None, f"{found}")
    lawful(found.version is None or found.strict in (True, False), "no version")


def is_text(path: str) -> bool:
    """Whether it is Unicode: what is not cannot be written anew."""
    return not any(0xD800 <= ord(c) <= 0xDFFF for c in path)


@target
def bag_manifest(data: bytes) -> None:
    """Any declaration and manifest give lines that are safe to look up, and those come back."""
    head, body = halves(data, 2)
    declaration = parse_declaration(head)
    name = MANIFESTS[max(0, sum(data) % 12 - 8)]
    manifest = parse_manifest(body, name, declaration)
    told((*manifest.findings, *mixed_case(name, body)))
    for line in manifest.lines:
        lawful(unsafe(line.path) is None and line.path, f"{line.path!r} is let through")
        lawful(line.other is None or unsafe(line.other) is None, f"{line.other!r} is let through")
        lawful(manifest.kind == "tag" or line.path.startswith("data/"), line.path)
    whole = {o.path: o.digest for o in manifest.lines if o.digest and is_text(o.path)}
    if manifest.algorithm in DIGEST_LENGTH:
        again = parse_manifest(build_manifest(whole.items()), name, parse_declaration(b""))
        lawful({o.path: o.digest for o in again.lines} == whole, "lines do not come back")


@target
def bag_fetch(data: bytes) -> None:
    """Any declaration and fetch.txt give lines of payload files that are safe to look up."""
    head, body = halves(data, 2)
    fetch = parse_fetch(body, parse_declaration(head))
    told(fetch.findings)
    for line in fetch.lines:
        lawful(unsafe(line.path) is None and line.path.startswith("data/"), f"{line.path!r} is let through")


@target
def bag_info(data: bytes) -> None:
    """Any declaration and bag-info.txt give elements, and what is written of them is read back."""
    head, body = halves(data, 2)
    info = parse_bag_info(body, parse_declaration(head))
    told(info.findings)
    pairs = [(e.label.strip().lstrip("\ufeff").strip(), e.value) for e in info.elements]
    pairs = [(label, value) for label, value in pairs if is_text(label) and label.strip("\ufeff")]
    again = parse_bag_info(build_bag_info(pairs), parse_declaration(b""))
    lawful(
        len(again.elements) == sum(bool(value.strip(" \t\r\n")) for _, value in pairs),
        f"of {pairs} comes {again.elements}",
    )


@target
def bag_names(data: bytes) -> None:
    """Any name can be told and kept, and plain() never makes a safe name unsafe."""
    path = data.decode("utf-8", "surrogateescape")
    readable(path).encode("utf-8")
    path_base64(path)
    manifest_kind(path)
    if unsafe(path) is None:
        short = plain(path)
        lawful(not short or unsafe(short) is None, f"{path!r} becomes {short!r}")
        lawful(plain(short) == short, f"{path!r} is not plain at once")


@target
def bag_structure(data: bytes) -> None:
    """Any tag files and any list of what lies there are judged to one outcome, with no file read twice."""
    head, payload, tags, info, fetch, names = halves(data, 6)
    declaration = parse_declaration(head)
    text = BagText(
        declaration=declaration,
        manifests=(
            parse_manifest(payload, "manifest-sha256.txt", declaration),
            parse_manifest(tags, "tagmanifest-sha256.txt", declaration),
        ),
        info=parse_bag_info(info, declaration),
        fetch=parse_fetch(fetch, declaration) if fetch else None,
    )
    listing = _listing(names)
    structure = check_structure(text, listing)
    found: list[Finding] = [*text_findings(text), *structure.findings]
    for task in (*structure.payload, *structure.tags):
        found += check_fixity(task, {"sha256": "ab" * 32})
    told(found)
    paths = [task.path for task in (*structure.payload, *structure.tags)]
    lawful(len(set(paths)) == len(paths), "a file would be read twice")
    lawful(set(paths) <= {e.path for e in listing.entries if e.kind == "file"}, "a file that is not there")
    lawful(judge(found) in ("good", "bad", "missing", "could_not_check"), "no outcome")


def _listing(names: bytes) -> Listing:
    """One name a line; its first byte says what lies there."""
    kinds = {b"d": "directory", b"l": "symlink", b"o": "other", b"u": "unreadable"}
    entries: dict[str, Entry] = {}
    for raw in names.split(b"\n"):
        path = plain(raw[1:].decode("utf-8", "surrogateescape"))
        if path and unsafe(path) is None and not path.endswith("/"):
            kind = kinds.get(raw[:1], "file")
            entries[path] = Entry(path=path, kind=kind, size=len(raw), problem="x" * (kind == "unreadable"))  # type: ignore[arg-type]
    return Listing(entries=tuple(entries[p] for p in sorted(entries)), complete=len(entries) % 7 != 3)


FACTS = BagFacts(
    name="b",
    bag_info=(("Source-Organization", "Harbour"), ("Payload-Oxum", "1.1"), ("Contact-Name", "")),
    payload_algorithms=("sha512", "sha256"),
    tag_algorithms=("sha512",),
    files={"bagit.txt": 55, "data/x/y.wav": 1, "data/z": 0, "meta/a.xml": 3, "bag-info.txt": 2},
)


@target
def bag_profile(data: bytes) -> None:
    """Any bytes give a profile, and a bag held against it ends in findings."""
    profile = parse_profile(data, "p.json")
    told(profile.findings)
    told(check_profile(profile, FACTS))
    document, why, _ = read_document(data)
    lawful((document is None) == bool(why), "refused without a reason")


@target
def client_needs(data: bytes) -> None:
    """Any requirements that fit their schema are read, and any record is held against them."""
    given, other = halves(data, 2)
    document, record = read_document(given)[0], read_document(other)[0]
    if document is None or validate("client-requirements", document):
        return
    needs, findings = read_needs(document, "n.json", pointer_of)
    told(findings)
    if record is None or validate("transfer-record", record):
        return
    for finished in (True, False):
        told(needs_findings(needs, record, package_name="J_T", roles={"master"}, finished=finished))
    as_json([[list(pair) for pair in bag_info_pairs(needs, record)], list(wanted_derivatives(needs, record))])
    empty_placeholders(needs, record)


@target
def archive_tar(data: bytes) -> None:
    """Any bytes give members that lie inside the archive and have safe names, or findings say why not."""
    looks_like_tar(data[:512])
    kind_of(data[:512], "x.tar")
    _judge_contents(read_tar(BytesSource(data)), data)


@target
def archive_zip(data: bytes) -> None:
    """Any bytes give members that lie inside the archive and have safe names, or findings say why not."""
    looks_like_zip(data[:512])
    _judge_contents(read_zip(BytesSource(data)), data)


def _judge_contents(contents: Contents, data: bytes) -> None:
    told(contents.findings)
    lawful(contents.usable or contents.findings, "not usable, and nobody says why")
    seen: set[str] = set()
    for member in contents.members:
        lawful(unsafe(member.path) is None and member.path not in seen, f"{member.path!r} is let through")
        seen.add(member.path)
        if contents.usable and member.kind == "file":
            lawful(member.offset + member.stored <= len(data), f"{member} lies outside")
    holds_bag(contents)
    top, findings = top_directory(contents)
    told(findings)
    if top is not None:
        members, listing = inside(contents, top)
        lawful(set(members) <= {e.path for e in listing.entries}, "a member is in no listing")


@target
def block_digests(data: bytes) -> None:
    """Any bytes give digests whose numbers fit one another, or the reason why not."""
    digests, why = parse_block_digests(data)
    lawful((digests is None) == bool(why), "refused without a reason")
    if digests is not None and len(digests.blocks) < 10_000:
        spans = ranges(digests, range(len(digests.blocks)))
        lawful(all(0 <= s.first_frame <= s.last_frame < max(digests.frames, 1) for s in spans), f"{spans}")


@target
def checksums(data: bytes) -> None:
    """Any list gives paths that stay in the folder, and a bounded number of complaints."""
    found, wrong = parse_checksums(data)
    lawful(all(unsafe(path) is None for path in found), "an unsafe path is let through")
    lawful(len(wrong) <= 21, "too many complaints")
    as_json([found, wrong])


class MemoryFile:
    """One file of a MemoryPlace."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    @property
    def size(self) -> int:
        return len(self._data)

    @property
    def stream(self) -> BinaryIO:
        return io.BytesIO(self._data)

    def read_at(self, offset: int, length: int) -> bytes:
        return self._data[offset : offset + length]

    def held_still(self) -> bool:
        return True

    def objection(self) -> str | None:
        return None


class MemoryPlace:
    """A package in memory."""

    shown, name = "/packages/b", "b"
    local: Path | None = None
    serialisation: str | None = None
    findings: tuple[Finding, ...] = ()

    def __init__(self, files: dict[str, bytes]) -> None:
        self._files = files

    def listing(self) -> Listing:
        folders = {p.rpartition("/")[0] for p in self._files} - {""}
        entries = [Entry(path=p, kind="directory") for p in folders | {"data"}]
        entries += [Entry(path=p, kind="file", size=len(d)) for p, d in self._files.items()]
        return Listing(entries=tuple(sorted(entries, key=lambda e: e.path)))

    @contextlib.contextmanager
    def open(self, path: str) -> Iterator[PlacedFile]:
        yield MemoryFile(self._files[path])

    def close(self) -> None:
        pass


@target
def harvested_package(data: bytes) -> None:
    """Any package gives a row for the catalogue that any database takes, and no slip of ours in it."""
    names = ("bagit.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt", "bag-info.txt", RECORD)
    files = {name: body for name, body in zip(names, halves(data, len(names)), strict=True) if body}
    package = package_values(MemoryPlace({**files, READ_FIRST: b"x", "data/master/a.wav": b"y"}))
    if "reading it failed" in package.problem:
        raise Broken(package.problem)
    for name in package.__dataclass_fields__:
        value = getattr(package, name)
        if isinstance(value, str):
            lawful("\0" not in value and value.encode("utf-8") is not None, f"{name} is no text: {value!r}")
        if isinstance(value, int):
            lawful(abs(value) < 2**63, f"{name} is {value}")
