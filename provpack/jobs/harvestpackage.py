"""One package, or a stranger's bag, as the catalogue's values: from its tag files and record alone.

The audio is never read, and neither is any other payload but the record, whose digest is compared with the
manifest: a record that differs is not what was sealed, and nothing is taken from it. Of the rest of the
payload names and sizes are looked at. Nothing here says that a package is good.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from provpack.catalogue.values import File, Package, Raised, Storage
from provpack.edge.hashing import digest_bytes, hashlib_name
from provpack.edge.place import Place
from provpack.edge.reading import read_small
from provpack.errors import CouldNotCheck
from provpack.jobs.harvestforeign import bag_facts, own_bag_facts
from provpack.jobs.harvestjudge import (
    gravest,
    judged,
    newer_than_us,
    of_findings,
    unfit_to_trace,
    unreadable_record,
)
from provpack.jobs.harvestlisting import all_seen, listing_raised
from provpack.jobs.harvestrecord import Facts, record_facts, roles
from provpack.jobs.harvestwords import text
from provpack.package import layout
from provpack.package.bagcheck import Expected, Task, check_fixity
from provpack.package.bagdeclaration import Declaration, is_foreign
from provpack.package.bagdisk import Disk
from provpack.package.baginfo import BagInfo, parse_bag_info
from provpack.package.bagpaths import Findings, path_base64, readable
from provpack.package.bagtext import (
    Manifest,
    manifest_kind,
    parse_declaration,
    parse_fetch,
    parse_manifest,
)
from provpack.package.figures import counted
from provpack.package.ownbag import sealed_by_us

MAX_RECORD = 8 * 1024 * 1024
"""Bytes of record.json that are read at most; the longest ones have about one million."""
MAX_TAG_FILE = 64 * 1024 * 1024
MOST_FILES = 100_000
"""Payload files of one package that are listed; of more only the number is known."""
_MOST_MANIFESTS = 16
_SEAL = "tagmanifest-sha512.txt"
_OURS = frozenset(
    {
        layout.READ_FIRST, layout.MEASUREMENTS, layout.BLOCK_DIGESTS, layout.PREMIS, layout.METS,
        layout.AUDIO_OBJECT, layout.REPORT,
    }
)  # fmt: skip
"""Two of these and more are in no bag but ours, also when its record was taken out of it."""


def package_values(
    place: Place,
    *,
    stamp: str = "",
    ledger: str | None = None,
    register: Mapping[str, object] | None = None,
) -> Package:
    """What can be told of the package at this place; raises nothing.

    stamp: of the package before it was read. ledger: path of the custody ledger beside it, as it is shown.
    register: the equipment register, for the rule on suspect equipment. What could not be read stands in
    `problem`, and what is known all the same is told.
    """
    shown = place.shown
    known = Package(
        place=readable(shown),
        place_base64=path_base64(shown),
        storage=_storage(place),
        name=readable(place.name),
        stamp=stamp,
        ledger=ledger,
    )
    reading = _Reading(place=place)
    try:
        facts = reading.facts(register)
        return replace(known, **facts)
    except (CouldNotCheck, OSError, ValueError, RecursionError, MemoryError) as err:
        why = err.what if isinstance(err, CouldNotCheck) else f"{err.__class__.__name__}: {err}"
    except Exception as err:  # a slip of ours must not lose the package, nor end the others' reading
        why = f"reading it failed: {err.__class__.__name__}: {err}"
    reading.say(why)
    return replace(known, problem=reading.problem)


def _storage(place: Place) -> Storage:
    if place.local is None:
        return "remote"
    kinds: dict[str | None, Storage] = {"application/x-tar": "tar", "application/zip": "zip"}
    return kinds.get(place.serialisation, "folder")


@dataclass(slots=True)
class _Reading:
    """One package while it is read. troubles: why not everything can be told. doubted: tag files that are
    not what was sealed: they vouch for nothing."""

    place: Place
    troubles: dict[str, None] = field(default_factory=dict)
    doubted: set[str] = field(default_factory=set)
    raised: list[Raised] = field(default_factory=list)

    def say(self, why: str) -> None:
        """Note a trouble; a bounded number of them."""
        if len(self.troubles) < 10:
            self.troubles[text(why, 400) or "?"] = None

    @property
    def problem(self) -> str:
        return " ".join(self.troubles)

    def facts(self, register: Mapping[str, object] | None) -> Facts:
        """Members of Package. Raises what package_values tells of."""
        for finding in self.place.findings:
            if finding.severity == "error":
                self.say(finding.what)
        listing = self.place.listing()
        if listing is None:
            return {"problem": self.problem or "Nothing could be listed."}
        whole = next((entry for entry in listing.entries if not entry.path), None)
        if whole is not None:
            return {"problem": f"It cannot be read: {whole.problem}."}
        if not listing.complete:
            self.say("Not everything in it could be listed.")
        for entry in listing.entries:
            if entry.kind == "unreadable":
                self.say(f"{readable(entry.path)} cannot be read: {entry.problem}.")
        disk = Disk(listing)
        declaration = self._declaration(disk)
        facts = self._payload(disk)
        if declaration.version is not None:
            facts["version"] = f"{declaration.version[0]}.{declaration.version[1]}"
            if is_foreign(declaration.version):
                self.say(f"It declares BagIt version {facts['version']}; nothing says how to read that.")
                return {**facts, "problem": self.problem}
        manifests, identity = self._manifests(disk, declaration)
        named = disk.entries.keys() | {line.path for m in manifests for line in m.lines}
        info = self._info(disk, declaration, manifests)
        record, sealed = self._record(disk, manifests) if layout.RECORD in named else (None, False)
        facts["ours"] = _is_record(record) or sealed_by_us(named) or len(_OURS & named) > 1
        if facts["ours"]:
            self._lacks(disk, named)
        record = record if sealed and facts["ours"] else None
        if record is not None:
            facts |= record_facts(record)
            self._judge(record, register)
        elif info is None or info.name not in self.doubted:
            facts |= (own_bag_facts if facts["ours"] else bag_facts)(info)
        facts["identity"] = identity
        facts["files"] = self._files(disk, manifests, roles(record or {}))
        self.raised += listing_raised(disk, manifests, self._to_fetch(disk, declaration), info, record)
        facts["raised"] = gravest(self.raised)
        facts["problem"] = self.problem
        return facts

    def _lacks(self, disk: Disk, named: Collection[str]) -> None:
        """What every package of ours was sealed with. (A record that is listed is missed elsewhere.)"""
        if _SEAL not in disk.entries:
            self.say(f"{_SEAL} is missing: nobody can tell whether it is what was sealed.")
        if layout.RECORD not in named:
            self.say(f"{layout.RECORD} is missing, and no manifest lists it.")

    def _read(self, path: str, limit: int = MAX_TAG_FILE) -> bytes | None:
        try:
            return read_small(self.place, path, limit)
        except CouldNotCheck as err:
            self.say(f"{readable(path)}: {err.what}")
            return None

    def _declaration(self, disk: Disk) -> Declaration:
        nothing = Declaration(version=None, encoding="UTF-8", codec="utf-8", findings=())
        if "bagit.txt" not in disk.entries:
            self.say("There is no bagit.txt.")
            return nothing
        data = self._read("bagit.txt")
        declaration = parse_declaration(data) if data is not None else nothing
        if data is not None and declaration.version is None:
            self.say("bagit.txt does not say which version of BagIt it follows.")
        return declaration

    def _payload(self, disk: Disk) -> Facts:
        """Nothing where not all could be listed: what is there is then not known."""
        if not all_seen(disk):
            return {}
        there = disk.payload_files()
        return {"payload_files": len(there), "payload_bytes": sum(entry.size for entry in there)}

    def _manifests(self, disk: Disk, declaration: Declaration) -> tuple[list[Manifest], str | None]:
        """The manifests, each compared with the tag manifests beside it, and the package's identity."""
        names = [n for n, e in disk.entries.items() if e.kind == "file" and manifest_kind(n)]
        if len(names) > _MOST_MANIFESTS:
            self.say(f"It has {len(names)} manifests; {_MOST_MANIFESTS} were read.")
        read: dict[str, tuple[bytes, Manifest]] = {}
        for name in sorted(names)[:_MOST_MANIFESTS]:
            if (data := self._read(name)) is not None:
                read[name] = data, parse_manifest(data, name, declaration)
        identity = digest_bytes(read[_SEAL][0], ("sha512",))["sha512"] if _SEAL in read else None
        if not any(m.kind == "payload" for _, m in read.values()):
            self.say("There is no payload manifest that can be read.")
        tags = [m for _, m in read.values() if m.kind == "tag"]
        for name, (data, manifest) in read.items():
            if manifest.kind == "payload":
                self._compare(name, data, tags)
        return [m for _, m in read.values()], identity

    def _to_fetch(self, disk: Disk, declaration: Declaration) -> frozenset[str]:
        data = self._read("fetch.txt") if "fetch.txt" in disk.entries else None
        lines = parse_fetch(data, declaration).lines if data is not None else ()
        absent = sum(line.path not in disk.entries for line in lines)
        if absent:
            self.say(f"Still to be fetched (fetch.txt): {counted(absent, 'file')}.")
        return frozenset(line.path for line in lines)

    def _info(self, disk: Disk, declaration: Declaration, manifests: list[Manifest]) -> BagInfo | None:
        old = declaration.version is not None and declaration.version <= (0, 95)
        names = ("package-info.txt", "bag-info.txt") if old else ("bag-info.txt",)
        name = next((n for n in names if n in disk.entries), None)
        data = self._read(name, MAX_RECORD) if name is not None else None
        if data is None or name is None:
            return None
        self._compare(name, data, [m for m in manifests if m.kind == "tag"])
        return parse_bag_info(data, declaration, name)

    def _record(self, disk: Disk, manifests: list[Manifest]) -> tuple[Mapping[str, Any] | None, bool]:
        """(the record, whether nothing speaks against its being what was sealed)."""
        if layout.RECORD not in disk.entries:
            blind = disk.beneath_unreadable(layout.RECORD)
            self.say(f"{layout.RECORD} {'cannot be read' if blind else 'is missing'}.")
            return None, False
        data = self._read(layout.RECORD, MAX_RECORD)
        if data is None:
            return None, False
        payload = [m for m in manifests if m.kind == "payload"]
        vouching = [m for m in payload if m.name not in self.doubted]
        if not self._compare(layout.RECORD, data, vouching or payload):
            self.say("The record is in no manifest that can be compared: whether it was changed is unknown.")
        sealed = layout.RECORD not in self.doubted and bool(vouching or not payload)
        if not sealed and layout.RECORD not in self.doubted:
            self.say("Nothing that vouches for the record is what was sealed: what it tells does not count.")
        try:
            record = json.loads(data)
        except (ValueError, RecursionError) as err:
            why = f"{layout.RECORD} is not readable JSON ({err.__class__.__name__})."
        else:
            if isinstance(record, dict):
                return record, sealed
            why = f"{layout.RECORD} does not hold a JSON object."
        self.say(why)
        self.raised.append(unreadable_record(why))
        return None, False

    def _compare(self, path: str, data: bytes, manifests: list[Manifest]) -> bool:
        """Compare with every digest there is; whether there was one. A mismatch is said and raised."""
        expected = tuple(
            Expected(algorithm=m.algorithm, digest=line.digest, manifest=m.name, line=line.line)
            for m in manifests
            if hashlib_name(m.algorithm)
            for line in m.lines
            if line.path == path and line.digest
        )
        wanted = {one.algorithm for one in expected}
        found = check_fixity(Task(path=path, size=len(data), expected=expected), digest_bytes(data, wanted))
        if found:
            self.doubted.add(path)
            self.say(f"{path} is not what was sealed: what it tells does not count.")
            self.raised += of_findings(found, path)
        return bool(expected)

    def _judge(self, record: Mapping[str, Any], register: Mapping[str, object] | None) -> None:
        newer = newer_than_us(record)
        if newer:
            self.say(newer)
        else:
            raised = list(judged(record, register))
            self.raised += raised
            if lacking := unfit_to_trace(raised):
                self.say(lacking)

    def _files(self, disk: Disk, manifests: list[Manifest], role: Mapping[str, str]) -> tuple[File, ...]:
        found: dict[str, dict[str, Any]] = {}
        for manifest in manifests:
            if manifest.kind != "payload":
                continue
            for line in manifest.lines:
                if line.path not in found and len(found) >= MOST_FILES:
                    self.say(f"Of its files {MOST_FILES} are listed.")
                    break
                file = found.setdefault(line.path, {})
                if "bytes" not in file:
                    entry = disk.find(line, manifest.name, Findings())
                    file["bytes"] = entry.size if entry is not None and entry.kind == "file" else None
                if manifest.algorithm in ("sha256", "sha512") and line.digest:
                    file.setdefault(manifest.algorithm, line.digest)
        return tuple(
            File(path=text(readable(path), 4000) or "?", role=role.get(path), **file)
            for path, file in found.items()
        )


def _is_record(record: Mapping[str, Any] | None) -> bool:
    """The members by which every transfer record is known; see jobs/verify_meaning.looks_like_record."""
    return record is not None and {"schema_version", "record_id", "transfer_id"} <= record.keys()
