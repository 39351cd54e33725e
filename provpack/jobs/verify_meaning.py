"""Does a package of ours still mean what it says: record, block digests, essence, embedded record."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from provpack.chunks.source import ByteSource
from provpack.edge.bag import second_opinion
from provpack.edge.place import Place
from provpack.edge.reading import read_small
from provpack.edge.schemas import check_version
from provpack.edge.tree import reason
from provpack.errors import CouldNotCheck, RecordProblem
from provpack.findings import Finding
from provpack.jobs.localise import sha256_of
from provpack.jobs.verify_files import as_finding
from provpack.package import layout, rules
from provpack.package.bagblocks import BlockDigests
from provpack.package.embedding import embeddable
from provpack.package.metadata_check import DOCUMENTS, check_metadata

Validate = Callable[[str, object], Iterable[tuple[str, str]]]
Recover = Callable[[ByteSource], bytes | None]

_MOST = 20
_MOST_METADATA = 16 * 1024 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Helpers:
    """What the check borrows: validate(schema name, object) -> (JSON pointer, message) pairs; recover(source)
    -> JSON bytes of the record inside a master, None when there is none. None = not available."""

    validate: Validate | None = None
    recover: Recover | None = None


def looks_like_record(data: bytes) -> bool:
    """A JSON object with the keys by which every transfer record is known."""
    try:
        record = json.loads(data)
    except (ValueError, RecursionError):
        return False
    return isinstance(record, dict) and {"schema_version", "record_id", "transfer_id"} <= record.keys()


def check_record(data: bytes, helpers: Helpers) -> tuple[Mapping[str, Any] | None, list[Finding]]:
    """The record as an object, and what is wrong with it."""
    found: list[Finding] = []
    place = {"path": layout.RECORD}
    try:
        record = json.loads(data)
    except (ValueError, RecursionError) as err:
        what = f"record.json is not readable JSON ({err.__class__.__name__})."
        return None, [rules.RECORD_INVALID.found(what, layout.RECORD, position=place)]
    if not isinstance(record, dict):
        what = "record.json does not hold a JSON object."
        return None, [rules.RECORD_INVALID.found(what, layout.RECORD, position=place)]
    newer = _newer(record)
    if newer:
        found.append(rules.NOT_CHECKED.found(newer, layout.RECORD, position=place))
        return None, found
    if helpers.validate is None:
        what = "The record was not checked against its schema: no validator is available."
        found.append(rules.NOT_CHECKED.found(what, layout.RECORD, position=place))
    else:
        for pointer, message in helpers.validate("transfer-record", record):
            found.append(
                rules.RECORD_INVALID.found(
                    f"record.json, {pointer or '/'}: {message}",
                    f"{layout.RECORD}#{pointer}",
                    position={**place, "key": pointer},
                )
            )
    if record.get("audio_sha256") and not record.get("files"):
        # The schema allows this for the copy inside the master, which cannot hold its own digest.
        what = "record.json lists no files, so it does not say which file the audio is in."
        found.append(rules.RECORD_INVALID.found(what, f"{layout.RECORD}#/files", position=place))
    return record, found


def _newer(record: Mapping[str, Any]) -> str:
    """Why nothing can be said about a record of a later version than ours; "" when it is none."""
    try:
        check_version(record, "transfer-record")
    except RecordProblem as problem:
        return problem.what if problem.code == "schema-version-newer" else ""
    return ""


def check_essence(
    place: Place, digests: BlockDigests, told: Callable[[int], None]
) -> tuple[list[Finding], int]:
    """Recompute audio, block, head and tail digests of a master whose file digests were right."""
    found: list[Finding] = []
    read = 0

    def counted(amount: int) -> None:
        nonlocal read
        read += amount
        told(amount)

    def wrong(what: str) -> None:
        spot = {"path": digests.file}
        found.append(rules.RECORD_DISAGREES.found(what, layout.BLOCK_DIGESTS, position=spot))

    try:
        with place.open(digests.file) as source:
            if source.size != digests.file_bytes:
                wrong(
                    f"{digests.file} has {source.size} bytes; block-digests.json says {digests.file_bytes}."
                )
                return found, read
            essence = hashlib.sha256()
            for number, wanted in enumerate(digests.blocks):
                start, length = digests.span(number)
                block = hashlib.sha256()
                for piece in _pieces(source, digests.audio_offset + start, length):
                    essence.update(piece)
                    block.update(piece)
                    counted(len(piece))
                if block.hexdigest() != wanted:
                    wrong(f"Block {number} of the audio is not what block-digests.json says.")
            if essence.hexdigest() != digests.audio_sha256:
                wrong("The digest of the audio alone is not what block-digests.json says.")
            end = digests.audio_offset + digests.audio_bytes
            if sha256_of(source, 0, digests.audio_offset, counted) != digests.head_sha256:
                wrong("The bytes before the audio are not what block-digests.json says.")
            if sha256_of(source, end, source.size - end, counted) != digests.tail_sha256:
                wrong("The bytes after the audio are not what block-digests.json says.")
    except CouldNotCheck as err:
        found.append(as_finding(err, digests.file))
    except OSError as err:
        what = f"{digests.file}: reading stopped: {reason(err)}."
        found.append(rules.UNREADABLE.found(what, digests.file, position={"path": digests.file}))
    return found, read


def _pieces(source: ByteSource, offset: int, length: int) -> Iterable[bytes]:
    while length > 0 and (piece := source.read_at(offset, min(length, 1 << 20))):
        yield piece
        offset += len(piece)
        length -= len(piece)


def compare_record(
    record: Mapping[str, Any],
    digests: BlockDigests | None,
    read: Mapping[str, Mapping[str, str]],
    *,
    no_blocks: bool = False,
) -> list[Finding]:
    """Record against block digests, and the record's file list against the digests just computed.

    no_blocks: the package has no block digests and lists none, which is right only without audio.
    """
    found: list[Finding] = []

    def differ(pointer: str, said: object, other: object, whose: str) -> None:
        what = f"record.json, {pointer} is {said!r}; {whose} says {other!r}."
        place = {"path": layout.RECORD, "key": pointer}
        found.append(rules.RECORD_DISAGREES.found(what, f"{layout.RECORD}#{pointer}", position=place))

    if digests is not None:
        if record.get("audio_sha256") != digests.audio_sha256:
            differ("/audio_sha256", record.get("audio_sha256"), digests.audio_sha256, "block-digests.json")
        frames = _at(record, "measured", "frames")
        if frames is not None and frames != digests.frames:
            differ("/measured/frames", frames, digests.frames, "block-digests.json")
        rate = _at(record, "signal", "sampling_frequency")
        exact = {"num": digests.rate.numerator, "den": digests.rate.denominator}
        if isinstance(rate, Mapping) and not _same_rate(rate, digests):
            differ("/signal/sampling_frequency", dict(rate), exact, "block-digests.json")
    elif no_blocks and record.get("audio_sha256") is not None:
        differ("/audio_sha256", record["audio_sha256"], None, "the package, having no block digests,")
    files = record.get("files")
    for number, entry in enumerate(files if isinstance(files, list) else []):
        path = entry.get("path") if isinstance(entry, Mapping) else None
        actual = read.get(path) if isinstance(path, str) else None
        for algorithm, digest in (actual or {}).items():
            said = entry.get(algorithm)
            if said is not None and said != digest:
                differ(f"/files/{number}/{algorithm}", said, digest, f"the file {path}")
    return found


def _at(record: Mapping[str, Any], *keys: str) -> Any:
    value: Any = record
    for key in keys:
        value = value.get(key) if isinstance(value, Mapping) else None
    return value


def _same_rate(rate: Mapping[str, Any], digests: BlockDigests) -> bool:
    num, den = rate.get("num"), rate.get("den")
    return (
        isinstance(num, int)
        and isinstance(den, int)
        and num * digests.rate.denominator == den * digests.rate.numerator
    )


def compare_embedded(place: Place, master: str, record: Mapping[str, Any], recover: Recover) -> list[Finding]:
    """The record inside the master against record.json, apart from what embeddable() leaves out."""
    spot = {"path": master}
    try:
        with place.open(master) as source:
            data = recover(source)
        inside = json.loads(data) if data is not None else None
    except CouldNotCheck as err:
        return [as_finding(err, master)]
    except OSError as err:
        what = f"{master}: reading stopped: {reason(err)}."
        return [rules.UNREADABLE.found(what, master, position=spot)]
    except (ValueError, RecursionError) as err:
        what = f"The record inside {master} cannot be read ({err.__class__.__name__})."
        return [rules.EMBEDDED_DISAGREES.found(what, master, position=spot)]
    if not isinstance(inside, dict):
        return [rules.EMBEDDED_DISAGREES.found(f"{master} holds no record.", master, position=spot)]
    pointers = list(_differences("", inside, embeddable(record)))
    if not pointers:
        return []
    shown = ", ".join(pointers[:_MOST]) + (" and more" if len(pointers) > _MOST else "")
    what = f"The record inside {master} differs from record.json at {shown}."
    return [rules.EMBEDDED_DISAGREES.found(what, master, position=spot)]


def judge_metadata(
    place: Place,
    record: Mapping[str, Any],
    digests: Mapping[str, Mapping[str, str]],
    sizes: Mapping[str, int],
) -> list[Finding]:
    """PREMIS and AES57 against their own rules, the record and the bag; warnings at most.

    The audio and the record stand on their own, and a package must not turn bad because a rule about its
    catalogue data was made stricter later.
    """
    documents: dict[str, bytes] = {}
    found: list[Finding] = []
    for path in DOCUMENTS:
        if path in sizes:
            try:
                documents[path] = read_small(place, path, _MOST_METADATA)
            except CouldNotCheck as err:
                found.append(as_finding(err, path))
    told = check_metadata(documents, record=record, digests=digests, sizes=sizes)
    return found + [replace(f, severity="warning") if f.severity == "error" else f for f in told]


def _differences(pointer: str, one: object, other: object) -> Iterable[str]:
    """JSON pointers (RFC 6901) at which two JSON values differ; a few more than are shown at most."""
    if isinstance(one, dict) and isinstance(other, dict):
        for key in sorted(one.keys() | other.keys()):
            below = f"{pointer}/{key.replace('~', '~0').replace('/', '~1')}"
            if key not in one or key not in other:
                yield below
            else:
                yield from _differences(below, one[key], other[key])
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for number, (a, b) in enumerate(zip(one, other, strict=True)):
            yield from _differences(f"{pointer}/{number}", a, b)
    elif type(one) is not type(other) or one != other:
        yield pointer or "/"


def ask_second_opinion(root: Path, ours: str) -> list[Finding]:
    """A warning when the bagit library sees the package otherwise than we do (completeness only)."""
    heard = second_opinion(root)
    if (ours == "good") == (not heard):
        return []
    said = "; ".join(heard) if heard else "nothing is wrong"
    what = f"Our reading is {ours!r} at completeness; the other reader says: {said[:2000]}"
    return [rules.SECOND_OPINION.found(what, "bag")]
