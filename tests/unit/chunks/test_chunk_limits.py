"""Every limit of reading from both sides: what is just within it is read without a word, what is just beyond
draws one. The numbers are those of provpack/chunks/limits.py, chna.py, embedded.py, fmt.py, history.py and
walk.py (ours), written out here, so that a limit that moves is noticed."""

from __future__ import annotations

import struct

import pytest
from unit.chunks.test_chunks_fmt import fmt, read
from unit.chunks.wavbytes import AUDIO, FMT, chunk, riff, rule_ids

from provpack.chunks import rules
from provpack.chunks.bext import Bext, build_bext, parse_bext
from provpack.chunks.chna import parse_chna
from provpack.chunks.embedded import Embedded, read_embedded
from provpack.chunks.history import parse_history
from provpack.chunks.info import parse_info
from provpack.chunks.limits import Collector
from provpack.chunks.markers import parse_cue
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import looks_streamed, read_layout
from provpack.findings import Finding

F, D = chunk(b"fmt ", FMT), chunk(b"data", AUDIO)


def ids(findings: tuple[Finding, ...]) -> list[str]:
    return [f.rule for f in findings]


@pytest.mark.parametrize(
    ("size", "streamed"),
    [
        (0x7FFF_EFFF, False),
        (0x7FFF_F000, True),
        (0x8000_0000, True),
        (0x8000_0001, False),
        (0xFFFF_FEFF, False),
        (0xFFFF_FF00, True),
        (0xFFFF_FFFF, True),
    ],
)
def test_sizes_that_streaming_writers_leave(size: int, streamed: bool) -> None:
    assert looks_streamed(size) == streamed


@pytest.mark.parametrize(
    ("body", "found"),
    [
        (fmt(channels=128), []),
        (fmt(channels=129), ["wav-fmt-unusual"]),
        (fmt(rate=6_144_000), []),  # 128 x 48 kHz
        (fmt(rate=6_144_001), ["wav-fmt-unusual"]),
        (fmt(bits=32), []),
        (fmt(bits=33), ["wav-fmt-unsupported"]),
        (fmt(bits=64), ["wav-fmt-unsupported"]),
        (fmt(bits=65), ["wav-fmt-impossible"]),
    ],
)
def test_formats_that_are_believed(body: bytes, found: list[str]) -> None:
    (align,) = struct.unpack_from("<H", body, 12)
    assert rule_ids(read(body, bytes(10 * align))) == found


@pytest.mark.parametrize(
    ("times", "listed", "more"), [(20, 20, ""), (21, 20, "1 more"), (1221, 20, "1 201 more")]
)
def test_the_same_is_listed_twenty_times_at_most(times: int, listed: int, more: str) -> None:
    collector = Collector("a.wav")
    for n in range(times):
        collector.add(rules.PAD_MISSING, f"Chunk {n}.")
    found = collector.done()
    assert len(found) == listed + bool(more)
    assert found[listed - 1].what == f"Chunk {listed - 1}."
    told = f"{more} of the same kind are not listed one by one."
    assert (found[-1].what == told) == bool(more)


@pytest.mark.parametrize("length", [1_048_576, 1_048_577])
def test_a_mebibyte_of_history_is_read(length: int) -> None:
    dated = Bext(origination_date="2031-05-01", origination_time="10:00:00")
    bext, findings = parse_bext(build_bext(dated)[:602] + b"," * length)
    assert bext is not None and len(bext.coding_history) == 1_048_576
    assert ids(findings) == (["wav-metadata-too-large"] if length > 1_048_576 else [])


@pytest.mark.parametrize("rows", [1000, 1001])
def test_a_thousand_rows_of_history_are_read(rows: int) -> None:
    found, findings = parse_history("A=PCM,F=44100,W=16\r\n" * rows)
    assert len(found) == 1000
    told = [f"{rows} rows; the first 1000 are read."] if rows > 1000 else []
    assert [f.what for f in findings] == told


@pytest.mark.parametrize(
    ("tail", "told"), [(b"", []), (b"\0\0", []), (b"INAM\0\0\0\0", ["wav-list-malformed"])]
)
def test_twenty_thousand_entries_of_a_list_are_read(tail: bytes, told: list[str]) -> None:
    entries, findings = parse_info(b"INFO" + b"INAM\0\0\0\0" * 20_000 + tail)
    assert len(entries) == 20_000
    assert ids(findings) == told
    assert not told or findings[0].what == "More than 20000 sub-chunks; 8 bytes are left unread."


@pytest.mark.parametrize("points", [65_536, 65_537])
def test_so_many_cue_points_are_read(points: int) -> None:
    body = b"".join(struct.pack("<II4sIII", n, 0, b"data", 0, 0, n) for n in range(points))
    found, findings = parse_cue(struct.pack("<I", points) + body)
    assert len(found) == 65_536 and found[-1].frame == 65_535
    assert len(findings) == points - 65_536


@pytest.mark.parametrize("records", [65_535, 65_536])
def test_as_many_tracks_as_a_chna_can_number_are_read(records: int) -> None:
    """BS.2088-2, 8: numUIDs is a 16-bit number."""
    body = struct.pack("<HH", 1, 65_535) + struct.pack("<H12s14s11sx", 1, b"u", b"t", b"p") * records
    found, findings = parse_chna(body)
    assert found is not None and len(found.records) == 65_535
    assert findings == ()


@pytest.mark.parametrize("many", [16, 17])
def test_sixteen_chunks_of_a_kind_are_read(many: int) -> None:
    bext = chunk(b"bext", build_bext(Bext(origination_date="2031-05-01", origination_time="10:00:00")))
    data = riff(F, bext * many, D)
    source = BytesSource(data)
    assert len(read_embedded(source, read_layout(source)).bext_all) == 16


class Zeros:
    """A file of such heads, each followed by as many zeros as it says: no gigabyte is made for a test."""

    def __init__(self, *sizes: tuple[bytes, int]) -> None:
        self._heads: dict[int, bytes] = {}
        end = 12 + len(F)
        for name, size in sizes:
            self._heads[end] = name + struct.pack("<I", size)
            end += 8 + size + size % 2
        self.size = end + len(D)
        self._heads[end] = D
        self._heads[0] = b"RIFF" + struct.pack("<I", self.size - 8) + b"WAVE" + F

    def read_at(self, offset: int, length: int) -> bytes:
        out = bytearray(max(0, min(length, self.size - offset)))
        for at, head in self._heads.items():
            first, last = max(at, offset), min(at + len(head), offset + len(out))
            if first < last:
                out[first - offset : last - offset] = head[first - at : last - at]
        return bytes(out)


def found_in(*sizes: tuple[bytes, int]) -> Embedded:
    source = Zeros(*sizes)
    layout = read_layout(source)
    assert layout.findings == () and layout.frames == 10
    return read_embedded(source, layout)


MEBIBYTE = 1024 * 1024


@pytest.mark.parametrize("beyond", [0, 1])
def test_sixteen_mebibytes_of_a_chunk_are_read(beyond: int) -> None:
    found = found_in((b"axml", 16 * MEBIBYTE + beyond))
    assert (found.axml is None) == bool(beyond)
    told = "Chunk 'axml' has 16 777 217 bytes; 16 777 216 may be read."
    assert [f.what for f in found.findings] == [told] * beyond


@pytest.mark.parametrize("beyond", [0, 1])
def test_sixty_four_mebibytes_of_a_file_are_read(beyond: int) -> None:
    sizes = [16 * MEBIBYTE] * 3 + [16 * MEBIBYTE - 2]
    found = found_in(*((b"axml", size) for size in sizes), (b"iXML", 2 + beyond))
    told = [f.what for f in found.findings if f.rule == "wav-metadata-too-large"]
    assert told == ["Chunk 'iXML' has 3 bytes; 2 may be read."] * beyond
