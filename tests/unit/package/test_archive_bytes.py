"""Headers of our archives for what is large or oddly named, read by Python's tarfile and zipfile (outside
readers), and by the program's own reader. POSIX.1-2001 pax; zip APPNOTE.TXT 6.3, sections from memory."""

from __future__ import annotations

import io
import struct
import tarfile
import zipfile

import pytest

from provpack.chunks.source import BytesSource
from provpack.errors import CouldNotCheck
from provpack.package.archivebytes import (
    TAR_LARGEST,
    U32,
    ZIP_CRC_FIRST,
    ZipEntry,
    tar_header,
    tar_trailer,
    zip_central,
    zip_descriptor,
    zip_end,
    zip_local,
    zip_name,
)
from provpack.package.archivetar import read_tar


@pytest.mark.parametrize("size", [0, 513, TAR_LARGEST, TAR_LARGEST + 1, 1 << 40])
@pytest.mark.parametrize(
    "path", ["bag/a", "bag/caf\udce9", "bag/ä", "bag/" + "x/" * 60 + "y", "bag/" + "z" * 120]
)
def test_a_tar_header_says_what_tarfile_reads(path: str, size: int) -> None:
    with tarfile.open(fileobj=io.BytesIO(tar_header(path, size)), mode="r:") as archive:
        member = archive.next()
        assert member is not None
        assert (member.name, member.size, member.isfile(), member.mode) == (path, size, True, 0o644)


def test_the_largest_size_of_ustar_is_eleven_octal_digits() -> None:
    assert TAR_LARGEST == 8**11 - 1
    assert len(tar_header("a", TAR_LARGEST)) == 512 < len(tar_header("a", TAR_LARGEST + 1))


def test_a_name_that_is_no_text_comes_back_from_a_tar_and_is_refused_for_a_zip() -> None:
    path = "bag/caf\udce9"
    found = read_tar(BytesSource(tar_header(path, 0) + tar_trailer(1536)))
    assert [m.path for m in found.members] == [path] and found.findings == ()
    with pytest.raises(CouldNotCheck) as refused:
        zip_name(path)
    assert refused.value.code == "name-not-text" and "caf\\xe9" in refused.value.where
    assert zip_name("bag/ä") == "bag/ä".encode()


@pytest.mark.parametrize("size", [5, ZIP_CRC_FIRST, ZIP_CRC_FIRST + 1, U32 - 1, U32, 1 << 40])
def test_sizes_from_four_gibibytes_on_have_eight_bytes(size: int) -> None:
    entry = ZipEntry(name=b"bag/a", size=size, crc=7, offset=3)
    wide = "<4sIQQ" if size >= U32 else "<4sIII"
    behind = struct.pack(wide, b"PK\7\x08", 7, size, size)
    assert zip_descriptor(entry) == (behind if size > ZIP_CRC_FIRST else b"")
    assert len(zip_local(entry)) == 30 + len(b"bag/a") + (20 if size >= U32 else 0)
    directory = zip_central(entry)
    with zipfile.ZipFile(io.BytesIO(directory + zip_end(1, 0, len(directory)))) as archive:
        (member,) = archive.infolist()
    assert (member.file_size, member.compress_size, member.CRC) == (size, size, 7)
    assert (member.header_offset, member.filename) == (3, "bag/a")


@pytest.mark.parametrize("many", [65_534, 65_535, 65_536])
def test_more_members_than_sixteen_bits_count(many: int) -> None:
    """4.4.1.4: from 65535 entries on the Zip64 end record counts them."""
    directory = b"".join(zip_central(ZipEntry(name=b"%d" % n, size=0, crc=0, offset=0)) for n in range(many))
    end = zip_end(many, 0, len(directory))
    assert (b"PK\6\6" in end) == (many >= 65_535)
    with zipfile.ZipFile(io.BytesIO(directory + end)) as archive:
        names = archive.namelist()
    assert len(names) == many and names[-1] == str(many - 1)


@pytest.mark.parametrize(("start", "size"), [(U32, 0), (0, U32), (1 << 40, 1 << 33)])
def test_a_directory_beyond_four_gibibytes(start: int, size: int) -> None:
    """4.3.14, 4.3.15: place and size in 8 bytes; the locator points at the record behind the directory."""
    end = zip_end(2, start, size)
    record = struct.unpack("<4sQHHIIQQQQ", end[:56])
    assert record == (b"PK\6\6", 44, 3 << 8 | 63, 45, 0, 0, 2, 2, size, start)
    assert struct.unpack("<4sIQI", end[56:76]) == (b"PK\6\7", 0, start + size, 1)
    told = struct.unpack("<4sHHHHIIH", end[76:])
    assert told == (b"PK\5\6", 0, 0, 2, 2, min(size, U32), min(start, U32), 0)
