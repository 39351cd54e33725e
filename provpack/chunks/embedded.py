"""All metadata inside a file, decoded to plain values and listed as found: nothing is merged or chosen
silently, nothing is read beyond MAX_METADATA per chunk and MAX_METADATA_TOTAL per file."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from provpack.chunks import rules
from provpack.chunks.bext import LENGTH, Bext, parse_bext
from provpack.chunks.chna import Chna, parse_chna
from provpack.chunks.history import CodingRow, parse_history
from provpack.chunks.info import parse_info
from provpack.chunks.ixml import compare_with_bext, trimmed
from provpack.chunks.layout import Chunk, Layout
from provpack.chunks.limits import MAX_METADATA, MAX_METADATA_TOTAL, Collector, grouped
from provpack.chunks.markers import AdtlEntry, CuePoint, Marker, join, parse_adtl, parse_cue
from provpack.chunks.source import ByteSource
from provpack.findings import Finding

ID3 = frozenset({b"id3 ", b"ID3 "})
MAX_DECODED = 16
"""Chunks of one kind that are decoded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Embedded:
    """What the chunks say.

    bext: the first of bext_all. history: its coding history rows. info_lists: each LIST INFO on its own,
    as (tag, text). axml, ixml: the first document of each kind, padding removed, not parsed. id3_count: ID3
    chunks present; they are not evidence and are not decoded.
    """

    bext: Bext | None
    bext_all: tuple[Bext, ...]
    history: tuple[CodingRow, ...]
    info_lists: tuple[tuple[tuple[str, str], ...], ...]
    markers: tuple[Marker, ...]
    axml: bytes | None
    ixml: bytes | None
    id3_count: int
    chna: Chna | None
    findings: tuple[Finding, ...]


def read_embedded(source: ByteSource, layout: Layout) -> Embedded:
    """Decode the metadata chunks of a walked file. Raises nothing of its own."""
    return _Reader(source, layout).run()


class _Reader:
    def __init__(self, source: ByteSource, layout: Layout) -> None:
        self.source = source
        self.layout = layout
        self.found = Collector(layout.name)
        self.budget = MAX_METADATA_TOTAL

    def run(self) -> Embedded:
        bexts, rows = self._bext()
        axml = [trimmed(body) for _, body in self._bodies(b"axml", once=True)]
        ixml = [(c, trimmed(body)) for c, body in self._bodies(b"iXML", once=True)]
        for chunk, document in ixml[:1]:
            self._take(compare_with_bext(document, bexts[0] if bexts else None), chunk)
        return Embedded(
            bext=bexts[0] if bexts else None,
            bext_all=tuple(bexts),
            history=rows,
            info_lists=self._infos(),
            markers=self._markers(),
            axml=axml[0] if axml else None,
            ixml=ixml[0][1] if ixml else None,
            id3_count=self._id3(),
            chna=self._chna(),
            findings=self.found.done(),
        )

    def _bodies(
        self, chunk_id: bytes, list_type: bytes | None = None, *, once: bool = False
    ) -> list[tuple[Chunk, bytes]]:
        """Chunks of a kind with their bodies, as far as the bounds allow; a finding when once is broken."""
        chunks = [c for c in self.layout.chunks if c.id == chunk_id and c.list_type == list_type]
        if once and len(chunks) > 1:
            kind = f"{chunks[0].name} {list_type.decode('ascii')}" if list_type else chunks[0].name
            self.found.add(
                rules.SEVERAL_META,
                f"{len(chunks)} {kind} chunks, where one is expected.",
                offset=chunks[1].offset,
                chunk=chunks[0].name,
            )
        bodies: list[tuple[Chunk, bytes]] = []
        for chunk in chunks[:MAX_DECODED]:
            limit = min(MAX_METADATA, self.budget)
            if chunk.size > limit:
                self.found.add(
                    rules.CHUNK_LARGE,
                    f"Chunk '{chunk.name}' has {grouped(chunk.size)} bytes; {grouped(limit)} may be read.",
                    offset=chunk.offset,
                    chunk=chunk.name,
                )
                continue
            self.budget -= chunk.size
            bodies.append((chunk, self.source.read_at(chunk.data_offset, chunk.size)))
        return bodies

    def _take(self, findings: Iterable[Finding], chunk: Chunk, base: int = 0) -> None:
        """Take over findings of a chunk body; their offsets become offsets in the file."""
        for finding in findings:
            offset = int(finding.position.get("offset", 0)) + chunk.data_offset + base
            name = self.layout.name
            position: dict[str, str | int] = {"file": name} if name else {}
            self.found.extend(
                (
                    replace(
                        finding,
                        where=f"{name}, offset {offset}" if name else f"offset {offset}",
                        position=position | {"chunk": chunk.name, "offset": offset},
                    ),
                )
            )

    def _bext(self) -> tuple[list[Bext], tuple[CodingRow, ...]]:
        bexts: list[Bext] = []
        rows: tuple[CodingRow, ...] = ()
        for chunk, body in self._bodies(b"bext", once=True):
            bext, findings = parse_bext(body)
            self._take(findings, chunk)
            if bext is None:
                continue
            if not bexts:
                rows, findings = parse_history(bext.coding_history)
                self._take(findings, chunk, LENGTH)
                self._compare_with_format(bext, rows, chunk)
            bexts.append(bext)
        return bexts, rows

    def _compare_with_format(self, bext: Bext, rows: tuple[CodingRow, ...], chunk: Chunk) -> None:
        fmt = self.layout.format
        if fmt is None:
            return
        day = 86_400 * fmt.sample_rate
        if bext.time_reference >= day:
            self.found.add(
                rules.TIME_BEYOND_DAY,
                f"The time reference is {grouped(bext.time_reference)} frames; a day has {grouped(day)}.",
                offset=chunk.data_offset + 338,
                chunk="bext",
            )
        stated = rows[-1].frequency if rows else None
        if stated is not None and stated != fmt.sample_rate:
            self.found.add(
                rules.HISTORY_RATE,
                f"The last coding history row says {stated} Hz, the fmt chunk {fmt.sample_rate} Hz.",
                offset=chunk.data_offset + LENGTH,
                chunk="bext",
            )

    def _infos(self) -> tuple[tuple[tuple[str, str], ...], ...]:
        lists: list[tuple[tuple[str, str], ...]] = []
        for chunk, body in self._bodies(b"LIST", b"INFO", once=True):
            entries, findings = parse_info(body)
            self._take(findings, chunk)
            lists.append(entries)
        return tuple(lists)

    def _markers(self) -> tuple[Marker, ...]:
        points: tuple[CuePoint, ...] = ()
        entries: list[AdtlEntry] = []
        for n, (chunk, body) in enumerate(self._bodies(b"cue ", once=True)):
            if n == 0:
                points, findings = parse_cue(body)
                self._take(findings, chunk)
        for chunk, body in self._bodies(b"LIST", b"adtl", once=True):
            more, findings = parse_adtl(body)
            self._take(findings, chunk)
            entries += more
        frames = self.layout.frames
        beyond = [p.frame for p in points if frames and p.frame > frames]
        if beyond:
            self.found.add(
                rules.CUE_BAD,
                f"{len(beyond)} markers stand after the last of {grouped(frames)} frames, the first of them "
                f"at frame {grouped(beyond[0])}.",
                chunk="cue ",
            )
        return join(points, entries)

    def _id3(self) -> int:
        chunks = [c for c in self.layout.chunks if c.id in ID3]
        if len(chunks) > 1:
            self.found.add(
                rules.SEVERAL_META,
                f"{len(chunks)} ID3 chunks; they may disagree.",
                offset=chunks[1].offset,
                chunk=chunks[1].name,
            )
        return len(chunks)

    def _chna(self) -> Chna | None:
        for chunk, body in self._bodies(b"chna", once=True)[:1]:
            chna, findings = parse_chna(body)
            self._take(findings, chunk)
            return chna
        return None
