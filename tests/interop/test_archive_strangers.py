"""Archives of a package: general tools take ours, we take theirs, and every flipped bit is found.

Outside readers and writers: GNU tar, Info-ZIP zip and unzip, the standard library of Python.
"""

from __future__ import annotations

import random
import subprocess
import tarfile
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import fits
from cli.commandline import run as command
from support.archivewriting import Form, Sparse, files_of, packed, zeros
from support.jobs import samples
from support.strangers import Made, fmt_plain, padded, wave, wrap_one

from provpack.cli.ports import schema_pairs
from provpack.edge import clock
from provpack.edge.archiveplace import ArchivePlace
from provpack.edge.archivewrite import ArchiveMaker, archive_size
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify import verify_paths
from provpack.package.archivebytes import RECORD

FLIPS = 400
FORMS: tuple[Form, ...] = ("tar", "zip")
ENDINGS = {"gnu": "tar", "posix": "tar", "ustar": "tar", "-0": "zip", "-6": "zip", "- | cat": "zip"}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A package with a master of more than a megabyte, so that its zip has a data descriptor."""
    audio = samples(300_000, 3)
    content = wave(fmt_plain(2, 44056, 16), audio, padded(b"vnd1", b"before" * 9))
    row = {
        "line_standard": "525_5994",
        "stopped_at": "2026-06-02T10:00:07+02:00",
        "documents": ["log.txt", "Größe 1.pdf"],
    }
    papers = {"log.txt": b"levels checked\n" * 40, "Größe 1.pdf": random.Random(5).randbytes(20_000)}
    return wrap_one(tmp_path_factory.mktemp("archives"), content, row, papers)


@pytest.fixture(scope="module")
def archives(made: Made, tmp_path_factory: pytest.TempPathFactory) -> dict[Form, Path]:
    folder = tmp_path_factory.mktemp("packed")
    return {form: packed(made.package, form, folder) for form in FORMS}


def check(path: Path, depth: Any = "bytes") -> UnitResult:
    (unit,) = verify_paths(
        [path],
        depth,
        progress=Silent(),
        clock=clock.now,
        workers=1,
        validate=schema_pairs(),
        recover=record_of,
    ).units
    return unit


def run(*command: str | Path, cwd: Path | None = None) -> str:
    """Standard output of a program that must end well."""
    done = subprocess.run([str(c) for c in command], cwd=cwd, capture_output=True, text=True)
    assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}"
    return done.stdout


@pytest.mark.parametrize("depth", ["listed", "bytes", "meaning"])
@pytest.mark.parametrize("form", FORMS)
def test_our_archive_says_what_the_package_says(
    made: Made, archives: dict[Form, Path], form: Form, depth: str
) -> None:
    folder, unit = check(made.package, depth), check(archives[form], depth)
    assert (unit.verdict, unit.identity, unit.payload_bytes) == (
        "good",
        folder.identity,
        folder.payload_bytes,
    )
    assert unit.findings == folder.findings and unit.bytes_read == folder.bytes_read
    assert unit.serialisation == f"application/{'x-tar' if form == 'tar' else 'zip'}"


def test_gnu_tar_takes_ours(
    made: Made, archives: dict[Form, Path], tool: Callable[[str], str], tmp_path: Path
) -> None:
    listed = run(tool("tar"), "-tvf", archives["tar"]).splitlines()
    assert len(listed) == len(list(made.package.rglob("*"))) + 1
    assert all(line.split()[1] == "0/0" for line in listed)
    run(tool("tar"), "-xf", archives["tar"], "-C", tmp_path)
    assert files_of(tmp_path / made.package.name) == files_of(made.package)
    run(tool("sha512sum"), "--quiet", "-c", "manifest-sha512.txt", cwd=tmp_path / made.package.name)


def test_info_zip_takes_ours(
    made: Made, archives: dict[Form, Path], tool: Callable[[str], str], tmp_path: Path
) -> None:
    assert "No errors detected" in run(tool("unzip"), "-t", archives["zip"])
    assert "OK" in run(tool("zip"), "-T", archives["zip"])
    run(tool("unzip"), "-q", archives["zip"], "-d", tmp_path)
    assert files_of(tmp_path / made.package.name) == files_of(made.package)


def test_python_takes_ours(made: Made, archives: dict[Form, Path], tmp_path: Path) -> None:
    with tarfile.open(archives["tar"], "r:") as tar:
        tar.extractall(tmp_path / "tar", filter="data")
    with zipfile.ZipFile(archives["zip"]) as archive:
        assert archive.testzip() is None
        archive.extractall(tmp_path / "zip")
    for form in FORMS:
        assert files_of(tmp_path / form / made.package.name) == files_of(made.package)


@pytest.mark.parametrize("how", ENDINGS)
def test_we_take_what_general_tools_write(
    made: Made, tool: Callable[[str], str], tmp_path: Path, how: str
) -> None:
    folder, name = made.package.parent, made.package.name
    archive = tmp_path / f"{name}.{ENDINGS[how]}"
    if ENDINGS[how] == "tar":
        run(tool("tar"), f"--format={how}", "-cf", archive, name, cwd=folder)
    elif how == "- | cat":
        # to a pipe: sizes and CRC follow the data (APPNOTE 4.4.4 bit 3)
        with archive.open("wb") as out:
            command = f"{tool('zip')} -q -r - '{name}' | cat"
            subprocess.run(["sh", "-c", command], cwd=folder, stdout=out, check=True)
    else:
        run(tool("zip"), "-q", "-r", how, archive, name, cwd=folder)
    for depth in ("bytes", "meaning"):
        unit = check(archive, depth)
        assert (unit.verdict, unit.findings) == ("good", ())


# --- beyond the old limits -----------------------------------------------------------------------------


@pytest.mark.parametrize(("form", "size"), [("zip", (1 << 32) + 5), ("tar", (1 << 33) + 5)])
def test_a_member_beyond_4_and_8_gib(
    form: Form, size: int, tmp_path: Path, tool: Callable[[str], str]
) -> None:
    """Written into a sparse file; everyone finds every header and the last bytes.

    zip: 32 bits end at 4 GiB (APPNOTE 4.5.3); tar: eleven octal digits at 8 GiB (POSIX pax, size).
    """
    path = tmp_path / f"bag.{form}"
    writer = Sparse(path)
    maker = ArchiveMaker(writer, form, "bag")
    maker.add("bagit.txt", 3, [b"abc"])
    maker.add("data/a.wav", size, [*zeros(size - 1), b"!"])
    maker.add("data/b.txt", 4, [b"beta"])
    maker.close()
    writer.finish()
    files = [("bagit.txt", 3), ("data/a.wav", size), ("data/b.txt", 4)]
    assert path.stat().st_size == maker.size == archive_size(form, "bag", files)
    with closing(ArchivePlace(path, "tar" if form == "tar" else "zip")) as place:
        assert not place.findings
        listing = place.listing()
        assert listing is not None
        assert [(e.path, e.size) for e in listing.entries if e.kind == "file"] == files
        with place.open("data/a.wav") as one, place.open("data/b.txt") as other:
            assert one.read_at(size - 2, 10) == b"\0!" and other.read_at(0, 10) == b"beta"
    if form == "tar":
        listed = run(tool("tar"), "-tvf", path)
        with tarfile.open(path) as tar:
            assert [(m.name, m.size) for m in tar if m.isfile()] == [(f"bag/{p}", n) for p, n in files]
    else:
        listed = run(tool("unzip"), "-l", path)
        assert "OK" in run(tool("unzip"), "-t", path, "bag/data/b.txt")
        with zipfile.ZipFile(path) as archive:
            told = [(i.filename, i.file_size) for i in archive.infolist() if not i.is_dir()]
            assert told == [(f"bag/{p}", n) for p, n in files] and archive.read("bag/data/b.txt") == b"beta"
    assert str(size) in listed and "data/b.txt" in listed


# --- flipped bits --------------------------------------------------------------------------------------


def uncovered(archive: Path, form: Form) -> set[int]:
    """Offsets of bytes that no check of the archive covers; its own digest in the delivery does.

    tar: every byte is covered, the filling and the zeros behind the end mark too. zip: the version that made
    it, and the attributes, in each header of the central directory (APPNOTE 4.3.12) are not: they say nothing
    about the bytes of a file.
    """
    if form == "tar":
        return set()
    out: set[int] = set()
    with zipfile.ZipFile(archive) as read:
        at = read.start_dir
        for info in read.infolist():
            out |= {at + 4, at + 5} | set(range(at + 36, at + 42))
            at += 46 + len(info.filename.encode()) + len(info.extra)
    return out


@pytest.mark.parametrize("form", FORMS)
def test_every_flipped_bit_of_an_archive_is_found(
    archives: dict[Form, Path], form: Form, tmp_path: Path
) -> None:
    archive = tmp_path / archives[form].name
    archive.write_bytes(archives[form].read_bytes())
    data, dice, spared = archive.read_bytes(), random.Random(20261125), uncovered(archive, form)
    # Most bytes are audio: half of the flips go where the archive's own bytes are.
    around = own_bytes(archive, form)
    places = [dice.choice(around) for _ in range(FLIPS // 2)]
    places += [dice.randrange(len(data)) for _ in range(FLIPS // 2)]
    assert check(archive).verdict == "good"
    with archive.open("r+b", buffering=0) as file:
        for at in places:
            if at in spared:
                continue
            bit = dice.randrange(8)
            file.seek(at)
            file.write(bytes([data[at] ^ (1 << bit)]))
            unit = check(archive)
            file.seek(at)
            file.write(data[at : at + 1])
            assert unit.verdict != "good", f"{form}, byte {at}, bit {bit}: not found"
    assert archive.read_bytes() == data and check(archive).verdict == "good"


def own_bytes(archive: Path, form: Form) -> list[int]:
    """Offsets of the bytes that are no member's content."""
    content: set[int] = set()
    if form == "tar":
        with tarfile.open(archive) as tar:
            for member in tar:
                content |= set(range(member.offset_data, member.offset_data + member.size))
    else:
        with zipfile.ZipFile(archive) as read:
            for info in read.infolist():
                start = info.header_offset + 30 + len(info.filename.encode())
                content |= set(range(start, start + info.file_size))
    return [at for at in range(archive.stat().st_size) if at not in content]


@pytest.mark.parametrize("form", FORMS)
def test_an_archive_cut_anywhere_is_found(archives: dict[Form, Path], form: Form, tmp_path: Path) -> None:
    archive = tmp_path / archives[form].name
    data, dice = archives[form].read_bytes(), random.Random(7)
    # The zeros that fill a tar's last record, behind its end mark, can be lost and nothing tells.
    last = len(data.rstrip(b"\0")) + 511 if form == "tar" else len(data) - 1
    assert form == "zip" or len(data) - last < RECORD + 1024
    for keep in [1, 511, 512, last, *(dice.randrange(last) for _ in range(40))]:
        archive.write_bytes(data[:keep])
        assert check(archive).verdict != "good", keep


@pytest.mark.parametrize("form", FORMS)
def test_the_command_takes_an_archive(archives: dict[Form, Path], form: Form) -> None:
    done = command("verify", archives[form], "--no-ledger", "--json")
    value = done.json()
    fits("verify", value)
    assert (done.code, value["outcome"], value["units"][0]["name"]) == (0, "good", archives[form].stem)
    text = command("verify", archives[form], "--no-ledger").out
    assert f"bag {archives[form].stem}, read in place in the {form} archive" in text


def test_the_archive_is_a_single_read_for_the_reader(archives: dict[Form, Path]) -> None:
    """bytes_read counts the files; what is read of the archive beyond them are its headers."""
    unit = check(archives["tar"])
    with tarfile.open(archives["tar"]) as tar:
        total = sum(member.size for member in tar)
    assert unit.bytes_read == total
