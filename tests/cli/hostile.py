"""Ways to spoil a good job, a good package or a good file, for the table in hostile_cases.py."""

from __future__ import annotations

import json
import os
import shutil
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from support.bagmaking import seal
from support.jobs import samples, wav

MASTER = "data/master/job-1_t01.wav"
RECORD = "data/metadata/record.json"
BLOCKS = "data/metadata/block-digests.json"

Spoil = Callable[[Path], None]
"""Is given the folder of the case: job/ (a good job), package/ (a good package), x.wav (a good file)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """words: the command line, relative to the folder of the case. codes: exit codes by design. told: rule id
    or error code that must be among what is told, "" = nothing in particular. made: packages that must stand
    in out/ afterwards."""

    name: str
    spoil: Spoil
    words: str
    codes: tuple[int, ...]
    told: str
    made: int = 0


# --- spoiling ---


def nothing(place: Path) -> None:
    """A good job, asked for in a bad way."""


def chunk(name: bytes, body: bytes, size: int | None = None, pad: bool = True) -> bytes:
    told = len(body) if size is None else size
    return name + struct.pack("<I", told & 0xFFFFFFFF) + body + (b"\0" * (len(body) % 2) if pad else b"")


PCM = struct.pack("<HHIIHH", 1, 2, 44100, 176400, 4, 16)
AUDIO = samples(30000)


def riff(*chunks: bytes, form: bytes = b"RIFF", size: int | None = None) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return form + struct.pack("<I", len(body) if size is None else size) + body


def good_wav(*after: bytes, before: bytes = b"") -> bytes:
    return wav(AUDIO, before=before, after=b"".join(after))


def fmt(tag: int = 1, channels: int = 2, rate: int = 44100, align: int = 4, bits: int = 16) -> bytes:
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, rate, rate * align, align, bits))


def sound(data: bytes) -> Spoil:
    def spoil(place: Path) -> None:
        (place / "x.wav").write_bytes(data)
        (place / "job/T01.wav").write_bytes(data)

    return spoil


def huge_hole(place: Path) -> None:
    """A file of 3 GB on paper, with a chunk that claims nearly all of it."""
    for path in (place / "x.wav", place / "job/T01.wav"):
        path.write_bytes(riff(fmt(), b"axml" + struct.pack("<I", 3_000_000_000), size=3_000_000_100))
        os.truncate(path, 3_000_000_108)


def flac(place: Path) -> None:
    import soundfile

    for path in (place / "x.wav", place / "job/T01.wav"):
        soundfile.write(path, [[0.0, 0.1]] * 5000, 44100, subtype="PCM_16", format="FLAC")


def sheet(old: str, new: str) -> Spoil:
    """Replace text in job.toml."""

    def spoil(place: Path) -> None:
        path = place / "job/job.toml"
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))

    return spoil


def file(name: str, data: bytes) -> Spoil:
    def spoil(place: Path) -> None:
        target = place / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)

    return spoil


def both(*steps: Spoil) -> Spoil:
    def spoil(place: Path) -> None:
        for step in steps:
            step(place)

    return spoil


NEW = 'transfer_id = "T01"\n'


def field(line: str) -> Spoil:
    """One more line in the [[transfer]] table."""
    return sheet(NEW, NEW + line + "\n")


CSV_HEAD = (
    "transfer_id,file,chain,title,client_item_id,line_standard,started_at,stopped_at,outcome,channel_use,"
    "tape_emphasis,tape_emphasis_evidence,file_emphasis"
)
CSV_ROW = (
    "T01,T01.wav,A,Evening,I1,625_50,2026-06-02T10:00:00+02:00,2026-06-02T10:00:01+02:00,complete,stereo,"
    "on,indicator,present"
)


def table(data: bytes | str, head: str = CSV_HEAD) -> Spoil:
    """transfers.csv instead of the [[transfer]] tables."""

    def spoil(place: Path) -> None:
        path = place / "job/job.toml"
        path.write_text(path.read_text().partition("\n[[transfer]]")[0] + "\n")
        body = data if isinstance(data, bytes) else f"{head}\n{data}\n".encode()
        (place / "job/transfers.csv").write_bytes(body)

    return spoil


def wild(column: str, value: str) -> Spoil:
    """One odd cell in an otherwise good row."""
    return table(f"{CSV_ROW},{value}", f"{CSV_HEAD},{column}")


def linked_wav(place: Path) -> None:
    (place / "elsewhere.wav").write_bytes(wav(AUDIO))
    (place / "job/T01.wav").unlink()
    (place / "job/T01.wav").symlink_to(place / "elsewhere.wav")
    (place / "x.wav").unlink()
    (place / "x.wav").symlink_to(place / "elsewhere.wav")


def linked_entries(place: Path) -> None:
    (place / "job/loop").symlink_to(place / "job")
    (place / "job/etc").symlink_to("/etc")
    (place / "job/gone").symlink_to(place / "nothing")


def linked_sheet(place: Path) -> None:
    (place / "job/job.toml").rename(place / "real.toml")
    (place / "job/job.toml").symlink_to(place / "real.toml")


def pipe_instead_of(name: str) -> Spoil:
    def spoil(place: Path) -> None:
        (place / name).unlink(missing_ok=True)
        os.mkfifo(place / name)

    return spoil


def endless_sheet(place: Path) -> None:
    (place / "job/job.toml").unlink()
    (place / "job/job.toml").symlink_to("/dev/zero")


def socket_in_job(place: Path) -> None:
    here = Path.cwd()
    os.chdir(place / "job")  # a socket's name may have no more than about 100 bytes
    try:
        with socket.socket(socket.AF_UNIX) as s:
            s.bind("s")
    finally:
        os.chdir(here)


def deep_folders(place: Path) -> None:
    (place / "job" / "/".join("d" * 60)).mkdir(parents=True)


def bytes_in_name(place: Path) -> None:
    with open(os.fsencode(place / "job") + b"/caf\xe9.wav", "wb") as f:  # noqa: PTH123
        f.write(wav(AUDIO))


def odd_names(place: Path) -> None:
    (place / "job/line\nbreak.txt").write_text("x")
    (place / "job" / ("n" * 255)).write_text("x")
    (place / "job/\u202egnp.exe").write_text("x")
    (place / "job/\x1b[31mred").write_text("x")


def line_break_wav(place: Path) -> None:
    (place / "job/T01.wav").rename(place / "job/T\n01.wav")
    sheet('"T01.wav"', '"T\\n01.wav"')(place)


def long_name_wav(place: Path) -> None:
    name = "n" * 251 + ".wav"
    (place / "job/T01.wav").rename(place / "job" / name)
    sheet('"T01.wav"', f'"{name}"')(place)


def no_job(place: Path) -> None:
    shutil.rmtree(place / "job")


def empty_job(place: Path) -> None:
    shutil.rmtree(place / "job")
    (place / "job").mkdir()


def job_is_file(place: Path) -> None:
    shutil.rmtree(place / "job")
    (place / "job").write_text("x")


def leftover(place: Path) -> None:
    (place / "out/.partial-job-1_t01-00ff/data").mkdir(parents=True)


def taken(place: Path) -> None:
    shutil.copytree(place / "package", place / "out/job-1_t01")


def ledger(data: bytes) -> Spoil:
    return file("out/custody-ledger.jsonl", data)


def linked_ledger(place: Path) -> None:
    (place / "out").mkdir()
    (place / "private").write_text("not yours\n")
    (place / "out/custody-ledger.jsonl").symlink_to(place / "private")


# --- packages ---


def resealed(change: Spoil) -> Spoil:
    """Change the package, then make manifests that agree: only the meaning is wrong."""

    def spoil(place: Path) -> None:
        change(place)
        seal(place / "package")

    return spoil


def edited(name: str, **more: object) -> Spoil:
    """Change top-level members of a JSON document of the package."""

    def spoil(place: Path) -> None:
        path = place / "package" / name
        path.write_text(json.dumps({**json.loads(path.read_bytes()), **more}))

    return spoil


def packaged(name: str, data: bytes) -> Spoil:
    return file(f"package/{name}", data)


def appended(name: str, data: bytes) -> Spoil:
    def spoil(place: Path) -> None:
        with (place / "package" / name).open("ab") as f:
            f.write(data)

    return spoil


def secret_outside(line: bytes) -> Spoil:
    return both(file("secret", b"x"), appended("manifest-sha256.txt", line))


def linked_master(place: Path) -> None:
    (place / "package" / MASTER).rename(place / "m.wav")
    (place / "package" / MASTER).symlink_to(place / "m.wav")


def pipe_in_package(place: Path) -> None:
    os.mkfifo(place / "package/data/pipe")


def deep_package(place: Path) -> None:
    """Deeper than a path may be long (4096 bytes on Linux)."""
    here = os.open(place / "package/data", os.O_RDONLY)
    for _ in range(450):
        os.mkdir("d" * 10, dir_fd=here)
        inner = os.open("d" * 10, os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = inner
    os.close(here)


def bytes_in_package(place: Path) -> None:
    with open(os.fsencode(place / "package/data") + b"/caf\xe9.txt", "wb") as f:  # noqa: PTH123
        f.write(b"x")


LAUGHS = (
    b'<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "ha">'
    + b"".join(b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(12))
    + b"]><l>&m;</l>"
)
OUTSIDE = b'<?xml version="1.0"?><!DOCTYPE l [<!ENTITY e SYSTEM "file:///etc/passwd">]><l>&e;</l>'
DEEP_XML = b"<a>" * 100_000 + b"</a>" * 100_000
DEEP_JSON = b"[" * 200_000 + b"]" * 200_000
BEXT = bytearray(602)
BEXT[0:3] = b"abc"


def bext(at: int = 0, data: bytes = b"", history: bytes = b"") -> bytes:
    body = bytearray(BEXT)
    body[at : at + len(data)] = data
    return chunk(b"bext", bytes(body) + history)
