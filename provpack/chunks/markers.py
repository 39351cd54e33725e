"""Markers: the `cue ` chunk and the associated data list `LIST adtl` (RIFF-1991).

dwSampleOffset is taken as a frame of the file [common practice, no source: the unit for several channels is
not spelled out]. Positions have 32 bits.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from provpack.chunks import rules
from provpack.chunks.limits import MAX_POINTS, U32, Collector, decode_text, id_text, until_nul
from provpack.chunks.lists import chunk_bytes, sub_chunks
from provpack.errors import RecordProblem
from provpack.findings import Finding

_POINT = struct.Struct("<II4sIII")
_LTXT = struct.Struct("<II4sHHHH")


@dataclass(frozen=True, slots=True, kw_only=True)
class CuePoint:
    """A marked frame; id links it to its texts."""

    id: int
    frame: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A marked frame with its texts; length in frames makes it a region."""

    id: int
    frame: int
    label: str
    note: str | None = None
    length: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AdtlEntry:
    """One `labl`, `note` or `ltxt`. length (frames) and purpose ("rgn ", "scrp"...) only for `ltxt`."""

    kind: str
    cue_id: int
    text: str
    length: int | None = None
    purpose: str = ""


def parse_cue(data: bytes, where: str = "") -> tuple[tuple[CuePoint, ...], tuple[Finding, ...]]:
    """The points of a `cue ` body, as many as really fit. Never raises."""
    found = Collector(where)
    if len(data) < 4:
        found.add(
            rules.CUE_BAD, f"The cue chunk has {len(data)} bytes, 4 are needed.", offset=0, chunk="cue "
        )
        return (), found.done()
    count = int.from_bytes(data[:4], "little")
    room = (len(data) - 4) // _POINT.size
    if count != room or (len(data) - 4) % _POINT.size:
        found.add(
            rules.CUE_BAD,
            f"The cue chunk claims {count} points in {len(data)} bytes, where {room} fit.",
            offset=0,
            chunk="cue ",
        )
    readable = min(count, room)
    if readable > MAX_POINTS:
        found.add(
            rules.CUE_BAD,
            f"The cue chunk has {readable} points; the first {MAX_POINTS} are read.",
            offset=4 + MAX_POINTS * _POINT.size,
            chunk="cue ",
        )
    points: list[CuePoint] = []
    for n in range(min(readable, MAX_POINTS)):
        name, _, fcc, chunk_start, block_start, frame = _POINT.unpack_from(data, 4 + n * _POINT.size)
        if fcc != b"data" or chunk_start or block_start:
            found.add(
                rules.CUE_BAD,
                f"Point {name} refers to '{id_text(fcc)}', chunk start {chunk_start}, block {block_start}.",
                offset=4 + n * _POINT.size,
                chunk="cue ",
                severity="note",
            )
        points.append(CuePoint(id=name, frame=frame))
    if len({p.id for p in points}) < len(points):
        found.add(rules.CUE_BAD, "Several points have the same id.", offset=4, chunk="cue ")
    return tuple(points), found.done()


def parse_adtl(data: bytes, where: str = "") -> tuple[tuple[AdtlEntry, ...], tuple[Finding, ...]]:
    """The entries of a LIST body that starts with `adtl`; other sub-chunks are passed over. Never raises."""
    found = Collector(where)
    if data[:4] != b"adtl":
        found.add(rules.LIST_BAD, f"List type '{id_text(data[:4])}', not adtl.", offset=0, chunk="LIST")
        return (), found.done()
    entries: list[AdtlEntry] = []
    for chunk_id, offset, body in sub_chunks(data, found):
        if chunk_id not in (b"labl", b"note", b"ltxt"):
            continue
        head = _LTXT.size if chunk_id == b"ltxt" else 4
        kind = chunk_id.decode("ascii")
        if len(body) < head:
            found.add(
                rules.LIST_BAD,
                f"{kind} has {len(body)} bytes, {head} are needed.",
                offset=offset,
                chunk="LIST",
            )
            continue
        text, ascii_only = decode_text(until_nul(body[head:]))
        if not ascii_only:
            found.add(
                rules.TEXT_NOT_ASCII, f"A {kind} text has bytes outside ASCII.", offset=offset, chunk="LIST"
            )
        length, purpose = None, b""
        if chunk_id == b"ltxt":
            _, length, purpose = _LTXT.unpack_from(body)[:3]
        entries.append(
            AdtlEntry(
                kind=kind,
                cue_id=int.from_bytes(body[:4], "little"),
                text=text,
                length=length,
                purpose=id_text(purpose),
            )
        )
    return tuple(entries), found.done()


def join(points: Sequence[CuePoint], entries: Sequence[AdtlEntry]) -> tuple[Marker, ...]:
    """Points with their first label, first note and first length; an `ltxt` text serves as label at need."""
    labels: dict[int, str] = {}
    notes: dict[int, str] = {}
    texts: dict[int, str] = {}
    lengths: dict[int, int] = {}
    for entry in entries:
        target = {"labl": labels, "note": notes}.get(entry.kind, texts)
        if entry.text or target is not texts:
            target.setdefault(entry.cue_id, entry.text)
        if entry.length is not None:
            lengths.setdefault(entry.cue_id, entry.length)
    return tuple(
        Marker(
            id=p.id,
            frame=p.frame,
            label=labels.get(p.id, texts.get(p.id, "")),
            note=notes.get(p.id),
            length=lengths.get(p.id),
        )
        for p in points
    )


def markers(cue_body: bytes, adtl_body: bytes | None = None) -> tuple[Marker, ...]:
    """The markers of a `cue ` body and the LIST adtl body that goes with it, in file order."""
    entries = parse_adtl(adtl_body)[0] if adtl_body is not None else ()
    return join(parse_cue(cue_body)[0], entries)


# -- writing -----------------------------------------------------------------------------------------


def build_cue(items: Iterable[Marker]) -> bytes:
    """The body of a `cue ` chunk. Raises RecordProblem for a position beyond 32 bits or an id used twice."""
    points: list[bytes] = []
    seen: set[int] = set()
    for item in items:
        _fits(item)
        if item.id in seen or not 0 <= item.id <= U32:
            raise _refused(item, f"its id {item.id} is used twice or does not fit 32 bits")
        seen.add(item.id)
        points.append(_POINT.pack(item.id, item.frame, b"data", 0, 0, item.frame))
    return len(points).to_bytes(4, "little") + b"".join(points)


def build_adtl(items: Iterable[Marker]) -> bytes:
    """The body of a LIST chunk from `adtl` on: `labl`, `note`, and `ltxt` of purpose `rgn ` for a region."""
    body = [b"adtl"]
    for item in items:
        _fits(item)
        name = item.id.to_bytes(4, "little")
        if item.label:
            body.append(chunk_bytes(b"labl", name + _text(item, item.label)))
        if item.note is not None:
            body.append(chunk_bytes(b"note", name + _text(item, item.note)))
        if item.length is not None:
            body.append(chunk_bytes(b"ltxt", _LTXT.pack(item.id, item.length, b"rgn ", 0, 0, 0, 0)))
    return b"".join(body)


def _text(item: Marker, text: str) -> bytes:
    bad = next((c for c in text if not " " <= c <= "~"), None)
    if bad is not None:
        raise _refused(item, f"its text has U+{ord(bad):04X}, which is not printable ASCII")
    return text.encode("ascii") + b"\0"


def _fits(item: Marker) -> None:
    if not 0 <= item.frame <= U32:
        raise _refused(item, f"frame {item.frame} does not fit the 32 bits of a cue point")
    if item.length is not None and not 0 <= item.length <= U32:
        raise _refused(item, f"its length of {item.length} frames does not fit 32 bits")


def _refused(item: Marker, why: str) -> RecordProblem:
    return RecordProblem(
        "marker-refused",
        f"The marker at frame {item.frame} cannot be written into the file: {why}.",
        where=f"marker {item.id}, frame {item.frame}",
        todo="Leave it out of the file; the record keeps it.",
    )
