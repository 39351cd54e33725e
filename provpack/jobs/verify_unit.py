"""Check one bag, at one depth. Other people's bags and our own packages go the same way; ours go further."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from provpack.edge.hashing import digest_bytes, hashlib_name
from provpack.edge.place import Place
from provpack.edge.reading import read_small
from provpack.edge.tree import reason
from provpack.errors import CouldNotCheck
from provpack.findings import Finding, Severity
from provpack.jobs.localise import damage_findings, localise
from provpack.jobs.verified import Depth, Examiner, UnitResult
from provpack.jobs.verify_examined import examine, view_of
from provpack.jobs.verify_files import Hands, as_finding, read_all
from provpack.jobs.verify_meaning import (
    Helpers,
    ask_second_opinion,
    check_essence,
    check_record,
    compare_embedded,
    compare_record,
    judge_metadata,
    looks_like_record,
)
from provpack.package import archiverules, layout, rules
from provpack.package import bagrules as text_rules
from provpack.package.bagblocks import BlockDigests, Damage, parse_block_digests
from provpack.package.bagcheck import (
    Expected,
    Structure,
    Task,
    check_fixity,
    check_structure,
    judge,
    mixed_case,
)
from provpack.package.bagdeclaration import Declaration, is_foreign
from provpack.package.bagdisk import BagText, text_findings
from provpack.package.baginfo import BagInfo, parse_bag_info
from provpack.package.bagmarks import manifests_sha512
from provpack.package.bagpaths import Listing, path_base64, position, readable
from provpack.package.bagtext import (
    DIGEST_LENGTH,
    MAX_TAG_FILE,
    Manifest,
    manifest_kind,
    normal_algorithm,
    parse_declaration,
    parse_fetch,
    parse_manifest,
)
from provpack.package.ownbag import seal_findings, sealed_by_us

_SMALL = 64 * 1024 * 1024
_REFUSED = frozenset({text_rules.LINK.id, text_rules.NOT_A_FILE.id, text_rules.PATH_UNSAFE.id})


_IDENTITY = "tagmanifest-sha512.txt"


@dataclass(slots=True)
class _Unit:
    """One bag under examination; findings gather here in the order of the steps."""

    place: Place
    depth: Depth
    hands: Hands
    helpers: Helpers
    listing: Listing
    findings: list[Finding] = field(default_factory=list)
    digests: dict[str, dict[str, str]] = field(default_factory=dict)
    damage: list[Damage] = field(default_factory=list)
    bytes_read: int = 0
    ours: bool = False
    version: str | None = None
    algorithms: tuple[str, ...] = ()
    identity: str | None = None
    contents: str | None = None
    essence: tuple[str, str | None] | None = None
    structure: Structure | None = None
    declared: bytes | None = None
    info: BagInfo | None = None
    blocks_named: bool = False

    @property
    def files(self) -> dict[str, int]:
        return {e.path: e.size for e in self.listing.entries if e.kind == "file"}

    def read_tag_file(self, name: str, limit: int = MAX_TAG_FILE) -> bytes | None:
        """Bytes of a tag file, None with a finding when it cannot be read."""
        try:
            data = read_small(self.place, name, limit)
        except CouldNotCheck as err:
            self.findings.append(as_finding(err, name))
            return None
        self.bytes_read += len(data)
        self.hands.tell(len(data))
        return data


def check_unit(
    place: Place,
    depth: Depth,
    *,
    hands: Hands,
    helpers: Helpers,
    clock: Callable[[], datetime],
    examiners: Sequence[Examiner] = (),
) -> UnitResult:
    """The verdict on the bag at this place. Raises nothing but what interrupts the whole run."""
    started = clock().isoformat()
    shown = place.shown
    unit = _Unit(place=place, depth=depth, hands=hands, helpers=helpers, listing=Listing(entries=()))
    try:
        unit.findings.extend(place.findings)
        listing = place.listing()
        if listing is not None:
            unit.listing = listing
            _examine(unit)
        elif judge(unit.findings) == "good":  # a slip of ours: what was not read is never good
            what = "Nothing of this package could be read, and no reason is known."
            unit.findings.append(rules.CHECK_FAILED.found(what, readable(shown)))
    except Exception as err:  # a slip of ours must not end the other packages' check, nor pass as good
        what = f"The check of this package failed: {err.__class__.__name__}: {str(err)[:300]}"
        unit.findings.append(rules.CHECK_FAILED.found(what, readable(shown)))
    examined = examine(view_of(place, unit.files, unit.version, unit.info), examiners)
    return UnitResult(
        path=readable(shown),
        path_base64=path_base64(shown),
        outcome=judge(unit.findings),
        depth=depth,
        started_at=started,
        finished_at=clock().isoformat(),
        ours=unit.ours,
        bag_version=unit.version,
        payload_files=unit.structure.payload_files if unit.structure else 0,
        payload_bytes=unit.structure.payload_bytes if unit.structure else 0,
        bytes_read=unit.bytes_read,
        algorithms=unit.algorithms,
        identity=unit.identity,
        contents=unit.contents,
        essence=unit.essence,
        findings=(*unit.findings, *(f for one in examined for f in one.findings)),
        damage=tuple(unit.damage),
        name=readable(place.name),
        serialisation=place.serialisation,
        examined=examined,
        bare=_is_bare(unit),
    )


def _is_bare(unit: _Unit) -> bool:
    """Whether it was looked through, and nothing there has the name of the file that names a package."""
    seen = bool(unit.listing.entries) and judge(unit.findings) != "could_not_check"
    return seen and unit.identity is None and all(e.path != _IDENTITY for e in unit.listing.entries)


def _examine(unit: _Unit) -> None:
    files = unit.files
    declaration = _declaration(unit, files)
    if declaration is None:
        return
    known = {
        name: data for name in sorted(files) if manifest_kind(name) for data in [unit.read_tag_file(name)]
    }
    unit.contents = manifests_sha512(known)
    text = _parse(unit, declaration, known, files)
    unit.findings.extend(text_findings(text))
    structure = unit.structure = check_structure(text, unit.listing)
    unit.findings.extend(structure.findings)
    completeness = judge(unit.findings)
    unit.algorithms = tuple(sorted({m.algorithm for m in text.manifests if hashlib_name(m.algorithm)}))
    named = files.keys() | {line.path for manifest in text.manifests for line in manifest.lines}
    unit.blocks_named = layout.BLOCK_DIGESTS in named
    unit.ours = unit.blocks_named and layout.RECORD in named
    if sealed_by_us(named):
        unit.findings = seal_findings(unit.findings, files, known)
    elif unit.ours:
        unit.findings.extend(f for name, data in known.items() if data for f in mixed_case(name, data))
    _compare(unit, structure.tags)
    if unit.depth == "listed":
        what = f"{structure.payload_files} payload files, {structure.payload_bytes} bytes, were not read."
        unit.findings.append(rules.PAYLOAD_NOT_READ.found(what, "data", position={"path": "data"}))
        return
    _compare(unit, structure.payload)
    blocks = _block_digests(unit) if unit.ours else None
    damaged = _locate(unit, blocks)
    if unit.depth == "meaning" and not unit.ours and layout.RECORD in files:
        # A package without audio has no block digests; its record tells that it is ours.
        unit.ours = _is_record(unit)
    if unit.depth == "meaning" and unit.ours:
        _meaning(unit, blocks, damaged)
        folder = unit.place.local if unit.place.serialisation is None else None
        if folder is not None and not any(f.rule in _REFUSED for f in unit.findings):
            unit.findings.extend(ask_second_opinion(folder, completeness))


def _declaration(unit: _Unit, files: dict[str, int]) -> Declaration | None:
    """bagit.txt as read; None when its version tells us to stop, or nothing could be listed."""
    entries = {e.path: e for e in unit.listing.entries}
    here = position("bagit.txt")
    if "" in entries:
        what = f"The folder cannot be read: {entries[''].problem}."
        unit.findings.append(rules.UNREADABLE.found(what, readable(unit.place.shown)))
        return None
    nothing = Declaration(version=None, encoding="UTF-8", codec="utf-8", findings=())
    if "bagit.txt" not in files:
        if entries.get("bagit.txt") is None or entries["bagit.txt"].kind != "unreadable":
            what = "The bag has no file bagit.txt."
            unit.findings.append(text_rules.NO_DECLARATION.found(what, "bagit.txt", position=here))
        return nothing
    data = unit.declared = unit.read_tag_file("bagit.txt")
    if data is None:
        return nothing
    declaration = parse_declaration(data)
    if declaration.version is not None:
        unit.version = f"{declaration.version[0]}.{declaration.version[1]}"
        if is_foreign(declaration.version):
            what = f"The bag declares BagIt version {unit.version}; nothing says how to read it."
            unit.findings.append(rules.UNKNOWN_VERSION.found(what, "bagit.txt", position=here))
            _declaration_fixity(unit, data, nothing)
            return None
    return declaration


def _declaration_fixity(unit: _Unit, data: bytes, as_latest: Declaration) -> None:
    """A version nobody knows may simply be damage: then a tag manifest that reads like 1.0 tells."""
    for name in sorted(unit.files):
        kind = manifest_kind(name)
        if kind is None or kind[0] != "tag" or hashlib_name(kind[1]) is None:
            continue
        text = unit.read_tag_file(name)
        manifest = parse_manifest(text or b"", name, as_latest)
        expected = tuple(
            Expected(algorithm=manifest.algorithm, digest=line.digest, manifest=name, line=line.line)
            for line in manifest.lines
            if line.path == "bagit.txt"
        )
        task = Task(path="bagit.txt", size=len(data), expected=expected)
        unit.findings.extend(check_fixity(task, digest_bytes(data, {manifest.algorithm})))


def _parse(
    unit: _Unit, declaration: Declaration, known: dict[str, bytes | None], files: dict[str, int]
) -> BagText:
    """Parse what was read, and digest it at once: the bytes judged are the bytes compared."""
    wanted = {
        name
        for other in files
        if (kind := manifest_kind(other)) and kind[0] == "tag"
        for name in [normal_algorithm(kind[1])]
        if hashlib_name(name)
    }

    def keep(name: str, data: bytes) -> bytes:
        unit.digests[name] = digest_bytes(data, sorted(wanted))
        if name == _IDENTITY:
            unit.identity = digest_bytes(data, ("sha512",))["sha512"]
        return data

    if unit.declared is not None:
        keep("bagit.txt", unit.declared)
    manifests: list[Manifest] = []
    for name, data in known.items():
        if data is None:
            continue
        manifest = parse_manifest(keep(name, data), name, declaration)
        manifests.append(manifest)
        if manifest.algorithm in DIGEST_LENGTH and hashlib_name(manifest.algorithm) is None:
            what = f"This installation cannot compute {manifest.algorithm}: {name} cannot be verified."
            unit.findings.append(rules.UNKNOWN_ALGORITHM.found(what, name, position={"file": name}))
    info = fetch = None
    old_name = declaration.version is not None and declaration.version <= (0, 95)
    names = ("package-info.txt", "bag-info.txt") if old_name else ("bag-info.txt",)
    info_name = next((name for name in names if name in files), None)
    if info_name is not None and (data := unit.read_tag_file(info_name, _SMALL)) is not None:
        info = unit.info = parse_bag_info(keep(info_name, data), declaration, info_name)
    if "fetch.txt" in files and (data := unit.read_tag_file("fetch.txt")) is not None:
        fetch = parse_fetch(keep("fetch.txt", data), declaration)
    unread = frozenset(name for name, data in known.items() if data is None)
    odd = {e.path for e in unit.listing.entries if e.kind == "unreadable" and manifest_kind(e.path)}
    return BagText(
        declaration=declaration, manifests=tuple(manifests), info=info, fetch=fetch, unread=unread | odd
    )


def _compare(unit: _Unit, tasks: tuple[Task, ...]) -> None:
    """Read what was not read yet, and compare."""
    reading = read_all(unit.place, [t for t in tasks if t.path not in unit.digests], unit.hands)
    unit.digests.update(reading.digests)
    unit.bytes_read += reading.bytes_read
    unit.findings.extend(reading.findings)
    for task in tasks:
        unit.findings.extend(check_fixity(task, unit.digests.get(task.path, {})))


def _spoiled(unit: _Unit, path: str) -> bool:
    """The file does not have its digests, or was not compared with any."""
    wrong = {rules.DIGEST_MISMATCH.id, rules.CHANGED.id, rules.UNREADABLE.id, archiverules.DATA.id}
    bad = any(f.rule in wrong and f.position.get("path") == path for f in unit.findings)
    return bad or not unit.digests.get(path)


def _block_digests(unit: _Unit) -> BlockDigests | None:
    """The package's block digests when they can be trusted, else None with a finding."""
    path = layout.BLOCK_DIGESTS
    spoiled = _spoiled(unit, path)
    why = "it is missing, damaged or could not be read" if spoiled else ""
    parsed = None
    if not spoiled:
        try:
            parsed, why = parse_block_digests(read_small(unit.place, path, _SMALL))
        except CouldNotCheck as err:
            why = err.what
    if parsed is None:
        what = f"block-digests.json cannot be used: {why}. Damage to the audio cannot be located."
        # Where the file is spoiled, another finding has already told how grave that is.
        severity: Severity = "warning" if spoiled else "error"
        place = {"path": path}
        unit.findings.append(rules.BLOCKS_UNUSABLE.found(what, path, severity=severity, position=place))
    return parsed


def _locate(unit: _Unit, blocks: BlockDigests | None) -> bool:
    """Look for the damage when the master's digest is wrong. True when the master is not what it was."""
    if blocks is None:
        return False
    mismatch = rules.DIGEST_MISMATCH.id
    if not any(f.rule == mismatch and f.position.get("path") == blocks.file for f in unit.findings):
        return False
    read, changed = 0, True

    def told(amount: int) -> None:
        nonlocal read
        read += amount
        unit.hands.tell(amount)

    try:
        with unit.place.open(blocks.file) as source:
            damage = localise(source, blocks, blocks.file, told)
        if not damage.nothing:
            unit.damage.append(damage)
        unit.findings.extend(damage_findings(damage, blocks))
        changed = not damage.nothing
    except CouldNotCheck as err:
        unit.findings.append(as_finding(err, blocks.file))
    except OSError as err:
        what = f"{blocks.file}: reading stopped while looking for the damage: {reason(err)}."
        unit.findings.append(rules.UNREADABLE.found(what, blocks.file, position={"path": blocks.file}))
    unit.bytes_read += read
    return changed


def _is_record(unit: _Unit) -> bool:
    try:
        data = read_small(unit.place, layout.RECORD, _SMALL)
    except CouldNotCheck as err:
        unit.findings.append(as_finding(err, layout.RECORD))
        return False
    return looks_like_record(data)


def _meaning(unit: _Unit, blocks: BlockDigests | None, damaged: bool) -> None:
    """What only our own packages can be asked."""
    record = None
    if layout.RECORD not in unit.files:
        return
    try:
        data = read_small(unit.place, layout.RECORD, _SMALL)
    except CouldNotCheck as err:
        unit.findings.append(as_finding(err, layout.RECORD))
    else:
        record, found = check_record(data, unit.helpers)
        unit.findings.extend(found)
    if blocks is not None and blocks.file not in unit.files:
        missing = rules.FILE_MISSING.id
        if not any(f.rule == missing and f.position.get("path") == blocks.file for f in unit.findings):
            what = f"block-digests.json is about {readable(blocks.file)!r}, which is no file of this package."
            place = {"path": layout.BLOCK_DIGESTS}
            unit.findings.append(rules.BLOCKS_UNUSABLE.found(
                what, layout.BLOCK_DIGESTS, severity="error", position=place
            ))  # fmt: skip
    if blocks is not None and not damaged and blocks.file in unit.files:
        found, read = check_essence(unit.place, blocks, unit.hands.tell)
        unit.findings.extend(found)
        unit.bytes_read += read
    if record is None:
        return
    name, audio = record.get("record_id"), record.get("audio_sha256")
    if isinstance(name, str):
        unit.essence = name, audio if isinstance(audio, str) else None
    no_blocks = not unit.blocks_named
    unit.findings.extend(judge_metadata(unit.place, record, unit.digests, unit.files))
    unit.findings.extend(compare_record(record, blocks, unit.digests, no_blocks=no_blocks))
    if blocks is not None and blocks.file in unit.files and unit.helpers.recover is not None:
        unit.findings.extend(compare_embedded(unit.place, blocks.file, record, unit.helpers.recover))
