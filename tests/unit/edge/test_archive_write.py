"""Writing archives: the same bytes each time, sizes known before, one pass. Strangers: tests/interop."""

from __future__ import annotations

import hashlib
import io
import random
import struct
import tarfile
import zipfile
from pathlib import Path

import pytest
from support.archivewriting import Form, Kept, made
from support.disks import Meter, MeteredDisk

from provpack.edge.archiveplace import ArchivePlace
from provpack.edge.archivewrite import ArchiveMaker, archive_size
from provpack.edge.commit import RealDisk
from provpack.errors import Bug, CouldNotCheck, EnvironmentProblem
from provpack.measure.digests import DigestSink
from provpack.package.archivebytes import TAR_LARGEST, ZIP_CRC_FIRST, tar_header

FILES = [
    ("bag-info.txt", b"Bag-Count: 1 of 1\n"),
    ("bagit.txt", b""),
    ("data/block", bytes(512)),
    ("data/large.wav", random.Random(1).randbytes(ZIP_CRC_FIRST + 1)),
    ("data/" + "d" * 90 + "/" + "n" * 90, b"prefix"),
    ("data/" + "l" * 120 + "/x", b"too long for ustar"),
    ("data/Größe 1.pdf", b"umlauts"),
]
FORMS: tuple[Form, ...] = ("tar", "zip")


@pytest.mark.parametrize("form", FORMS)
def test_the_same_input_gives_the_same_bytes(form: Form) -> None:
    one = made(form, "bag", FILES)
    assert one == made(form, "bag", FILES, piece=7777)
    assert one != made(form, "bag2", FILES)
    # Kept for comparison: a change of these digests is a change of what clients hold in their hands.
    assert hashlib.sha256(one).hexdigest() == {
        "tar": "85ee1404bf13deef7cba4c1da8a2b3286b4a83eaf6d288731d84471f90028b81",
        "zip": "9d25b4e1bee0571cac2fc069628960c26eda2e125c6b5833e6806bbd63f7ac3c",
    }[form]  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_the_standard_library_reads_it(form: Form) -> None:
    data = io.BytesIO(made(form, "bag", FILES))
    if form == "tar":
        with tarfile.open(fileobj=data, mode="r:") as tar:
            members = tar.getmembers()
            assert {(m.mtime, m.uid, m.gid, m.uname, m.gname) for m in members} == {(315532800, 0, 0, "", "")}
            assert {(m.isdir(), m.mode) for m in members} == {(True, 0o755), (False, 0o644)}
            read = {m.name: f.read() for m in members if (f := tar.extractfile(m))}
            names = [m.name + "/" * m.isdir() for m in members]
    else:
        with zipfile.ZipFile(data) as archive:
            assert archive.testzip() is None
            assert {i.date_time for i in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
            assert {i.compress_type for i in archive.infolist()} == {zipfile.ZIP_STORED}
            read = {i.filename: archive.read(i) for i in archive.infolist() if not i.is_dir()}
            names = archive.namelist()
    assert read == {f"bag/{path}": content for path, content in FILES}
    assert names[0] == "bag/" and names.index("bag/data/") == names.index("bag/data/block") - 1


@pytest.mark.parametrize("form", FORMS)
def test_the_sinks_get_every_byte(form: Form) -> None:
    sink = DigestSink("sha512")
    data = made(form, "bag", FILES, sinks=[sink])
    assert sink.finish().hexdigest == hashlib.sha512(data).hexdigest()


@pytest.mark.parametrize("form", FORMS)
def test_an_empty_archive_has_its_top_directory(form: Form) -> None:
    assert b"bag/" in made(form, "bag", [])


def test_crc_stands_in_front_of_small_members_and_behind_large_ones() -> None:
    # APPNOTE 4.3.9, 4.4.4 bit 3: zeros in the local header, the figures behind the data
    data = made("zip", "bag", [("a", b"x" * ZIP_CRC_FIRST), ("b", b"x" * (ZIP_CRC_FIRST + 1))])
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        small, large = archive.getinfo("bag/a"), archive.getinfo("bag/b")
    flags, crc, size = struct.unpack_from("<H6xII", data, small.header_offset + 6)
    assert (flags, crc, size) == (0x0800, small.CRC, ZIP_CRC_FIRST)
    flags, crc, size = struct.unpack_from("<H6xII", data, large.header_offset + 6)
    assert (flags, crc, size) == (0x0808, 0, 0)
    at = large.header_offset + 30 + 5 + large.file_size
    assert data[at : at + 16] == struct.pack(
        "<4s3I", b"PK\7\x08", large.CRC, large.file_size, large.file_size
    )


@pytest.mark.parametrize("form", FORMS)
def test_a_member_is_taken_in_one_pass_and_never_held_whole(form: Form) -> None:
    alive = 0

    class Piece(bytes):
        def __del__(self) -> None:
            nonlocal alive
            alive -= 1

    def parts() -> object:
        nonlocal alive
        for _ in range(40):
            alive += 1
            assert alive <= 3
            yield Piece(100_000)

    ArchiveMaker(Kept(), form, "bag").add("x", 4_000_000, parts())  # type: ignore[arg-type]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("size", [9, 11, ZIP_CRC_FIRST + 9])
def test_a_file_that_changed_its_size_is_refused(form: Form, size: int) -> None:
    content = bytes(10 if size < 100 else ZIP_CRC_FIRST + 10)
    with pytest.raises(CouldNotCheck) as caught:
        ArchiveMaker(Kept(), form, "bag").add("x", size, [content])
    assert caught.value.code == "changed"


@pytest.mark.parametrize("path", ["", "/x", "../x", "a//b", "a/", "./a", "a\0b"])
def test_paths_that_are_none(path: str) -> None:
    with pytest.raises(Bug):
        ArchiveMaker(Kept(), "tar", "bag").add(path, 0, [])


def test_slips_of_the_caller() -> None:
    with pytest.raises(Bug):
        ArchiveMaker(Kept(), "tar", "a/b")
    maker = ArchiveMaker(Kept(), "zip", "bag")
    maker.add("x", 0, [])
    with pytest.raises(Bug):
        maker.add("x", 0, [])
    maker.close()
    maker.close()
    with pytest.raises(Bug):
        maker.add("y", 0, [])


def test_names_that_are_not_utf8() -> None:
    with tarfile.open(fileobj=io.BytesIO(made("tar", "bag", [("caf\udce9", b"x")]))) as tar:
        assert tar.getnames() == ["bag", "bag/caf\udce9"]
    with pytest.raises(CouldNotCheck) as caught:
        made("zip", "bag", [("caf\udce9", b"x")])
    assert "tar" in caught.value.todo


def test_a_full_disk_is_said(tmp_path: Path) -> None:
    disk = MeteredDisk(RealDisk(), Meter(4, OSError(28, "No space left on device")))
    writer = disk.create(tmp_path / "x.tar")
    with pytest.raises(EnvironmentProblem) as caught:
        ArchiveMaker(writer, "tar", "bag").add("x", 10, [bytes(10)])
    assert caught.value.code == "disk-full"
    writer.close()


# --- beyond 4 GiB and beyond 8 GiB, at the level of headers --------------------------------------------


def test_zip64_is_used_when_needed_and_only_then() -> None:
    # APPNOTE 4.3.14, 4.4.8, 4.5.3: a member, an offset or the number of entries beyond the old fields
    edge = 0xFFFFFFFF
    small = archive_size("zip", "b", [("x", 10 << 20), ("y", 1)])
    assert (
        archive_size("zip", "b", [("x", edge - 1), ("y", 1)]) - (edge - 1)
        == small - (10 << 20) + 12 + 56 + 20
    )
    assert archive_size("zip", "b", [("y", 1), ("x", edge)]) - edge > small - (10 << 20) + 20 + 20 + 76


def test_a_tar_member_beyond_8_gib_gets_a_pax_size() -> None:
    # POSIX pax, "pax Header File Format", size; the ustar field ends at 8^11 - 1
    assert len(tar_header("b/x", TAR_LARGEST)) == 512
    header = tar_header("b/x", TAR_LARGEST + 1)
    assert len(header) == 1536 and b"19 size=8589934592\n" in header
    info = tarfile.TarInfo.frombuf(header[1024:], "utf-8", "strict")
    assert (info.name, info.isreg()) == ("b/x", True)


def test_more_than_65535_members(tmp_path: Path) -> None:
    # APPNOTE 4.4.21, 4.4.22
    data = made("zip", "bag", [("bagit.txt", b"x"), *((f"data/{n:05}", b"") for n in range(65_600))])
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert len(archive.namelist()) == 65_603
    (tmp_path / "bag.zip").write_bytes(data)
    place = ArchivePlace(tmp_path / "bag.zip", "zip")
    place.close()
    assert not place.findings and len(place.contents.members) == 65_603
