"""Does every file stand where it must: coverage by manifests, fetch.txt, Payload-Oxum, names.

RFC 8493 sections 2.1.3, 2.2.1 to 2.2.3, 3 and 6.1. `listed` maps each manifest's name to
{path on disk: path as written} of what it lists.
"""

from __future__ import annotations

from provpack.package import bagrules as text_rules
from provpack.package import rules
from provpack.package.bagdisk import BagText, Disk
from provpack.package.bagpaths import Findings, collisions, is_system_file, portability, readable
from provpack.package.bagtext import manifest_kind
from provpack.package.figures import counted

Listed = dict[str, dict[str, str]]

_WEAK = frozenset({"md5", "sha1"})


def payload_coverage(text: BagText, disk: Disk, listed: Listed, found: Findings) -> None:
    """Every payload file in every payload manifest (1.0), in at least one (older)."""
    manifests = [m.name for m in text.payload_manifests]
    unread = sorted(name for name in text.unread if not name.startswith("tag"))
    if not manifests:
        if not unread and not disk.beneath_unreadable("manifest"):
            found.add(text_rules.NO_MANIFEST, "The bag has no file manifest-<algorithm>.txt.", "bag")
        return
    on_disk = {entry.path for entry in disk.payload_files()}
    everywhere = on_disk.union(*(listed[name] for name in manifests)) if text.declaration.strict else on_disk
    for path in sorted(everywhere):
        absent = [name for name in manifests if path not in listed[name]]
        if len(absent) == len(manifests) and not unread:
            found.add(
                text_rules.UNLISTED,
                f"{readable(path)!r} is in no payload manifest.",
                path=path,
            )
        elif absent and text.declaration.strict:
            found.add(
                text_rules.NOT_IN_EVERY,
                f"{readable(path)!r} is not listed in {', '.join(absent)}.",
                path=path,
            )


def tag_coverage(text: BagText, disk: Disk, listed: Listed, found: Findings) -> None:
    tag_manifests = [m.name for m in text.tag_manifests]
    payload_manifests = sorted(
        {m.name for m in text.payload_manifests} | {n for n in text.unread if n[0] == "m"}
    )
    for name in tag_manifests:
        for omitted in sorted(payload_manifests):
            if omitted not in listed[name] and text.declaration.strict:
                found.add(
                    text_rules.TAG_OMITS_MANIFEST, f"{name} does not list {omitted}.", name, path=omitted
                )
    unlike = {m.algorithm for m in text.tag_manifests} ^ {m.algorithm for m in text.payload_manifests}
    if tag_manifests and unlike and not text.unread:
        what = f"Used for payload or tag files only, not for both: {', '.join(sorted(unlike))}."
        found.add(rules.TAG_ALGORITHMS, what)
    if len({frozenset(listed[name]) for name in tag_manifests}) > 1:
        union = set().union(*(listed[name] for name in tag_manifests))
        parts = [
            f"{name} lacks {', '.join(repr(readable(p)) for p in sorted(union - set(listed[name]))[:5])}"
            for name in tag_manifests
            if union - set(listed[name])
        ]
        found.add(
            rules.TAG_SETS_DIFFER, f"The tag manifests list different files: {'; '.join(parts)}.", "bag"
        )
    if tag_manifests:
        covered = set().union(*(listed[name] for name in tag_manifests))
        for entry in disk.listing.entries:
            kind = manifest_kind(entry.path)
            tag = (
                entry.kind == "file"
                and not entry.path.startswith("data/")
                and not (kind and kind[0] == "tag")
            )
            if tag and entry.path not in covered:
                name = readable(entry.path)
                found.add(rules.TAG_UNLISTED, f"{name!r} is in no tag manifest.", path=entry.path)


def fetch_agreement(text: BagText, disk: Disk, listed: Listed, found: Findings) -> None:
    if text.fetch is None:
        return
    found.add(
        text_rules.HAS_FETCH,
        f"fetch.txt names {counted(len(text.fetch.lines), 'file')}.",
        "fetch.txt",
        path="fetch.txt",
    )
    manifests = [m.name for m in text.payload_manifests]
    for line in text.fetch.lines:
        place = f"fetch.txt, line {line.line}"
        absent = [name for name in manifests if line.path not in listed[name].values()]
        if absent and (text.declaration.strict or len(absent) == len(manifests)):
            found.add(
                text_rules.FETCH_UNLISTED,
                f"{readable(line.path)!r} is to be fetched but is not listed in {', '.join(absent)}.",
                place,
                path=line.path,
            )
        entry = disk.entries.get(line.path) or (disk.entries.get(line.other) if line.other else None)
        if entry is not None and entry.kind == "file" and line.length not in (None, entry.size):
            found.add(
                text_rules.FETCH_LENGTH,
                f"{readable(line.path)!r} has {entry.size} bytes; fetch.txt says {line.length}.",
                place,
                path=line.path,
            )


def oxum_agreement(text: BagText, disk: Disk, listed: Listed, found: Findings) -> None:
    """Payload-Oxum against the disk. What listed files that are not there explain is a note: the finding
    about each of them says it, and a package that merely lacks a file is incomplete, not corrupt."""
    if text.info is None or disk.beneath_unreadable("data"):
        return
    if any(e.kind == "unreadable" and e.path.startswith("data/") for e in disk.listing.entries):
        return
    files = disk.payload_files()
    octets = sum(entry.size for entry in files)
    there = {entry.path for entry in files}
    gone = {p for m in text.payload_manifests for p in listed[m.name] if p not in there}
    for oxum in text.info.oxums:
        if (oxum.octets, oxum.streams) != (octets, len(files)):
            explained = bool(gone) and oxum.streams == len(files) + len(gone) and oxum.octets >= octets
            found.add(
                rules.OXUM_MISMATCH,
                f"Payload-Oxum says {counted(oxum.octets, 'byte')} in {counted(oxum.streams, 'file')}; "
                f"there are {counted(octets, 'byte')} in {counted(len(files), 'file')}.",
                f"{text.info.name}, line {oxum.line}",
                severity="note" if explained else None,
            )


def name_warnings(disk: Disk, listed: Listed, found: Findings) -> None:
    on_disk = {entry.path for entry in disk.payload_files()}
    named = {line for paths in listed.values() for line in paths}
    for group in collisions(on_disk | named):
        shown = ", ".join(repr(readable(path)) for path in group)
        found.add(rules.NAME_COLLISION, f"These names count as one elsewhere: {shown}.", "bag", path=group[0])
    for path in sorted(on_disk):
        why = portability(path)
        if why:
            found.add(rules.NOT_PORTABLE, f"{readable(path)!r}: {why}.", path=path)
        if is_system_file(path):
            found.add(
                rules.SYSTEM_FILE,
                f"{readable(path)!r} was left there by a system.",
                path=path,
            )


def strength(text: BagText, found: Findings) -> None:
    used = {m.algorithm for m in text.payload_manifests if m.lines}
    if used and used <= _WEAK:
        found.add(rules.WEAK, f"The payload manifests use {' and '.join(sorted(used))} only.", "bag")
