"""Many small bags, twenty ways in which they can be damaged, and work for worker processes that may fail."""

from __future__ import annotations

import os
import random
import shutil
import signal
import tarfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from provpack.edge import clock
from provpack.edge.place import FolderPlace, Place, PlacedFile
from provpack.jobs.fleet import Crew, FleetRun, verify_found
from provpack.jobs.progress import Silent
from provpack.jobs.unitcheck import CheckSpec
from provpack.jobs.verified import Depth, UnitResult
from provpack.jobs.verify_find import Found, find_units
from provpack.jobs.witness import LedgerWitness
from support.bagmaking import digest, seal
from support.jobs import make_job, wrap

AUDIO, RECORD, NOTE = "data/master/tape.wav", "data/record.txt", "data/notes/label.txt"


def small_bags(folder: Path, count: int, *, size: int = 3000, seed: int = 5) -> list[Path]:
    """count bags of three payload files of up to `size` bytes each, named p00000 and on."""
    dice = random.Random(seed)
    made = []
    for number in range(count):
        root = folder / f"p{number:05}"
        for name in (AUDIO, RECORD, NOTE):
            file = root / name
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(dice.randbytes(dice.randrange(size // 2, size)))
        seal(root)
        made.append(root)
    return made


def own_packages(folder: Path, into: Path) -> list[Path]:
    """Three finished packages of ours."""
    job = make_job(folder / "job", ids=("T01", "T02", "T03"), frames=60000)
    wrap(job, into)
    return sorted(path for path in into.iterdir() if (path / "bagit.txt").is_file())


def _flip(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 0x10
    path.write_bytes(data)


def _replace(path: Path, old: bytes, new: bytes) -> None:
    data = path.read_bytes()
    assert old in data
    path.write_bytes(data.replace(old, new, 1))


def _tags(root: Path) -> None:
    """Tag manifests that fit the tag files as they are now: only the fault itself is to be seen."""
    for old in root.glob("tagmanifest-*.txt"):
        name = old.stem.removeprefix("tagmanifest-")
        files = sorted(p for p in root.iterdir() if p.is_file() and not p.name.startswith("tagmanifest-"))
        old.write_text("".join(f"{digest(name, p.read_bytes())}  {p.name}\n" for p in files))


def _to_folder(root: Path) -> None:
    (root / AUDIO).unlink()
    (root / AUDIO).mkdir()


def _to_pipe(root: Path) -> None:
    (root / AUDIO).unlink()
    os.mkfifo(root / AUDIO)


def _to_link(root: Path) -> None:
    target = root.parent / f"{root.name}-elsewhere"
    shutil.move(root / AUDIO, target)
    (root / AUDIO).symlink_to(target)


def _spoil_oxum(root: Path) -> None:
    (root / "bag-info.txt").write_text("Payload-Oxum: 17.3\n")
    _tags(root)


def _unknown_algorithm(root: Path) -> None:
    shutil.copy(root / "manifest-sha256.txt", root / "manifest-zyx99.txt")
    _tags(root)


def _unsafe_path(root: Path) -> None:
    with (root / "manifest-sha512.txt").open("a") as file:
        file.write(f"{'0' * 128}  data/../../outside\n")
    _tags(root)


def _bad_syntax(root: Path) -> None:
    (root / "manifest-sha512.txt").write_bytes(b"this is no manifest\n\xff\xfe\n")
    _tags(root)


def _not_fetched(root: Path) -> None:
    (root / "fetch.txt").write_text("http://example.invalid/x 12 data/to-come.bin\n")
    with (root / "manifest-sha512.txt").open("a") as file:
        file.write(f"{'0' * 128}  data/to-come.bin\n")
    _tags(root)


def _no_payload_manifest(root: Path) -> None:
    for path in root.glob("manifest-*.txt"):
        path.unlink()


FAULTS: tuple[tuple[str, Callable[[Path], object]], ...] = (
    ("a bit flipped in the audio", lambda r: _flip(r / AUDIO, 700)),
    ("a bit flipped in a tag file", lambda r: _flip(r / "bag-info.txt", 15)),
    ("a payload file missing", lambda r: (r / NOTE).unlink()),
    ("a payload file too many", lambda r: (r / "data/extra.bin").write_bytes(b"more")),
    ("the master cut short", lambda r: os.truncate(r / AUDIO, 500)),
    ("the master emptied", lambda r: os.truncate(r / AUDIO, 0)),
    ("a folder in place of a file", _to_folder),
    ("a pipe in place of a file", _to_pipe),
    ("a link in place of a file", _to_link),
    ("a manifest of nonsense", _bad_syntax),
    ("bagit.txt removed", lambda r: (r / "bagit.txt").unlink()),
    ("bagit.txt of a version to come", lambda r: (r / "bagit.txt").write_text(
        "BagIt-Version: 9.7\nTag-File-Character-Encoding: UTF-8\n"
    )),
    ("an encoding nobody knows", lambda r: (r / "bagit.txt").write_text(
        "BagIt-Version: 1.0\nTag-File-Character-Encoding: KLARTEXT-5\n"
    )),
    ("the record rewritten at its length", lambda r: (r / RECORD).write_bytes(
        bytes(len((r / RECORD).read_bytes()))
    )),
    ("a Payload-Oxum that lies", _spoil_oxum),
    ("an unknown algorithm", _unknown_algorithm),
    ("a path that leads outside", _unsafe_path),
    ("a file that was never fetched", _not_fetched),
    ("no payload manifest", _no_payload_manifest),
    ("a tag manifest altered", lambda r: _replace(r / "tagmanifest-sha512.txt", b"bag-info", b"bag-inf0")),
)  # fmt: skip


def damaged_shelf(folder: Path, count: int) -> tuple[Path, set[str]]:
    """(a shelf with count packages, names of those that are damaged): twenty faults of different kinds spread
    over small bags, then some of our own packages of which two are damaged, and two archives, one of them."""
    shelf = folder / "shelf"
    shelf.mkdir(parents=True)
    bags = small_bags(shelf, count - 5)
    for kind, (_, damage) in enumerate(FAULTS):
        damage(bags[(kind * 7 + 3) * len(bags) // 160])
    damaged = {bags[(kind * 7 + 3) * len(bags) // 160].name for kind in range(len(FAULTS))}
    assert len(damaged) == len(FAULTS) == 20
    ours = own_packages(folder, shelf)
    _flip(next((ours[0] / "data/master").iterdir()), 100_000)
    _replace(ours[1] / "data/documents/record.json" if (ours[1] / "data/documents/record.json").exists()
             else next(ours[1].rglob("record.json")), b"Evening", b"Morning")  # fmt: skip
    for name, broken in (("whole", False), ("torn", True)):
        with tarfile.open(shelf / f"{name}.tar", "w") as tar:
            tar.add(bags[0], name)
        if broken:
            os.truncate(shelf / f"{name}.tar", 9000)
    return shelf, damaged | {ours[0].name, ours[1].name, "torn.tar"}


def check(
    shelf: Path, crew: Crew, *, depth: Depth = "bytes", record: Callable[[UnitResult], None] | None = None,
    **spec: Any,
) -> FleetRun:  # fmt: skip
    """Check all that is on the shelf."""
    units, _ = find_units([shelf])
    return verify_found(
        units, CheckSpec(depth=depth, meaning=depth == "meaning", **spec), crew, progress=Silent(),
        clock=clock.now, record=record, witness=LedgerWitness(),
    )  # fmt: skip


def alike(units: Sequence[UnitResult]) -> list[dict[str, object]]:
    """All that is said of the units but when."""
    return [
        {k: v for k, v in unit.as_json().items() if k not in ("started_at", "finished_at")} for unit in units
    ]


def children_of(pid: int) -> Iterator[tuple[int, bytes]]:
    """(number, command line) of each process that this one has begun and that is still there. Threads and
    processes may end between two looks into /proc."""
    for task in list(Path(f"/proc/{pid}/task").iterdir()):
        with suppress(FileNotFoundError, ProcessLookupError):
            for word in (task / "children").read_text().split():
                with suppress(FileNotFoundError, ProcessLookupError):
                    yield int(word), Path(f"/proc/{word}/cmdline").read_bytes()


class Stuck(Found):
    """A package on a mount that does not answer."""

    __slots__ = ()

    def open(self) -> Place:
        threading.Event().wait()
        raise AssertionError


class HalfStuck(Found):
    """A package on a mount that stops to answer while its files are read."""

    __slots__ = ()

    def open(self) -> Place:
        return _HalfStuckPlace(Path(self.path))


class _HalfStuckPlace(FolderPlace):
    def open(self, path: str) -> AbstractContextManager[PlacedFile]:
        if path == RECORD:
            threading.Event().wait()
        return super().open(path)


class Deadly(Found):
    """A package at which whoever opens it dies, as from lack of memory."""

    __slots__ = ()

    def open(self) -> Place:
        os.kill(os.getpid(), signal.SIGKILL)
        raise AssertionError


def fixed() -> datetime:
    """A moment for tests, as a function that can be sent to a worker."""
    return datetime.fromisoformat("2031-05-04T12:00:00+00:00")


def make_worker(alone: Callable[[], bool]) -> Callable[[Any, Callable[[int], None]], object]:
    """Work for a pool: what to do is the item."""

    def work(item: Any, told: Callable[[int], None]) -> object:
        what, value = item
        if what == "double":
            told(value)
            return value * 2
        if what == "die":
            os.kill(os.getpid(), value)
        if what == "die once":
            try:
                Path(value).touch(exist_ok=False)
            except FileExistsError:
                return "second"
            os._exit(3)
        if what == "exit":
            os._exit(value)
        if what == "stop":
            os.kill(os.getpid(), signal.SIGSTOP)
        if what == "fail":
            raise ZeroDivisionError(value)
        if what == "unsendable":
            return threading.Lock()
        if what == "slow":
            for _ in range(value):
                time.sleep(0.1)
                told(1)
            return "slow"
        if what == "alone":
            end = time.monotonic() + value
            while not alone() and time.monotonic() < end:
                time.sleep(0.01)
            return alone()
        if what == "pid":
            time.sleep(value or 0)
            return os.getpid()
        threading.Event().wait()
        return None

    return work


def make_nothing(alone: Callable[[], bool]) -> Callable[[Any, Callable[[int], None]], object]:
    """A worker that does not come up."""
    raise ImportError("half an installation")
