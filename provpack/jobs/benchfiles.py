"""The audio files of a job folder as they come in: which have settled, and what their headers say.

A capture program writes the samples first and the sizes of its header at the end. So a file counts as whole
only when it has not changed for a while, its header can be read, and all the audio is there that it declares.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from provpack.chunks.bext import Bext
from provpack.chunks.embedded import read_embedded
from provpack.chunks.layout import Layout
from provpack.chunks.walk import read_layout
from provpack.edge.jobfolder import list_folder, printable
from provpack.edge.received import ReceivedFile
from provpack.edge.tags import FLAC_MAGIC, read_flac
from provpack.errors import ProvpackError
from provpack.jobs.benchact import stamp
from provpack.jobs.check_files import WAVE_NAMES
from provpack.package.benchmatch import FileSeen

AUDIO_NAMES: Final = (*WAVE_NAMES, ".flac")

SETTLED_AFTER: Final = 2.0
"""Seconds between the two looks that must find the same size and time of change: capture programs write at
least once a second; common practice, no source."""

_State = tuple[int, int, int, int]
"""Device, inode, bytes, time of change in nanoseconds."""


@dataclass(slots=True)
class _Known:
    state: _State
    since: float
    seen: FileSeen


class FileWatch:
    """The audio files of one job folder, looked at again and again; safe in threads.

    clock: seconds that only go forward. A look lists the folder and reads headers of files that are new or
    have changed; links, hidden files and packages are passed over (edge/jobfolder).
    """

    def __init__(self, folder: Path, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._folder, self._clock = folder, clock
        self._known: dict[str, _Known] = {}
        self._last: tuple[FileSeen, ...] = ()
        self._lock = threading.Lock()

    @property
    def files(self) -> tuple[FileSeen, ...]:
        """As of the last look, sorted by name."""
        return self._last

    def look(self) -> tuple[FileSeen, ...]:
        """Look now. Raises InputProblem when the folder itself cannot be listed."""
        with self._lock:
            listing = list_folder(self._folder)
            now = self._clock()
            known: dict[str, _Known] = {}
            for name in listing.files:
                if not name.casefold().endswith(AUDIO_NAMES):
                    continue
                one = self._one(listing.root / name, name, now)
                if one is not None:
                    known[name] = one
            self._known = known
            self._last = tuple(one.seen for one in known.values())
            return self._last

    def _one(self, path: Path, name: str, now: float) -> _Known | None:
        try:
            info = path.lstat()
        except OSError:
            return None  # gone since it was listed
        state = (info.st_dev, info.st_ino, info.st_size, info.st_mtime_ns)
        old = self._known.get(name)
        if old is None or old.state != state:
            return _Known(state=state, since=now, seen=_read(path, name, info.st_size, info.st_mtime_ns))
        whole = now - old.since >= SETTLED_AFTER and not old.seen.faults
        if whole != old.seen.stable:
            old.seen = replace(old.seen, stable=whole)
        return old


def local_time(nanoseconds: int) -> str:
    """A time of the file system, ISO 8601 in local time with offset, to the millisecond if it has them."""
    try:
        moment = datetime.fromtimestamp(nanoseconds // 1_000_000_000, UTC).astimezone()
        moment = moment.replace(microsecond=nanoseconds // 1_000_000 % 1000 * 1000)
    except (ValueError, OSError, OverflowError):
        moment = datetime.fromtimestamp(0, UTC)
    if moment.year < 1000:  # a date_time has four digits, the first of them not 0
        moment = datetime.fromtimestamp(0, UTC)
    return stamp(moment)


def _read(path: Path, name: str, size: int, changed_ns: int) -> FileSeen:
    """What the header says; not stable yet, for it was looked at once only."""
    bare = FileSeen(name=name, bytes=size, modified_at=local_time(changed_ns), stable=False)
    if size == 0:
        return replace(bare, faults=("The file is empty so far.",))
    try:
        with ReceivedFile(path) as source:
            if source.read_at(0, 4) == FLAC_MAGIC:
                return _flac(source, bare)
            layout = read_layout(source, printable(name))
            # Metadata before the audio only: what follows it is still to be written while it grows.
            bext = read_embedded(source, layout).bext if layout.form is not None else None
    except (ProvpackError, OSError) as problem:
        what = getattr(problem, "what", None) or f"It cannot be read: {problem}."
        return replace(bare, faults=(what,))
    fmt = layout.format
    if fmt is None:
        return replace(bare, faults=_faults(layout))
    return replace(
        bare,
        frames=layout.frames if layout.data is not None and fmt.encoding != "other" else None,
        header_hz=fmt.sample_rate or None,
        channels=fmt.channels,
        bits=fmt.valid_bits,
        origination=_origination(bext),
        faults=_faults(layout),
    )


def _flac(source: ReceivedFile, bare: FileSeen) -> FileSeen:
    flac = read_flac(source, bare.name)
    # An encoder that was stopped leaves the number of samples open (RFC 9639 section 8.2: 0 is unknown).
    open_end = ("Its header does not say how many samples it holds.",) if not flac.frames else ()
    return replace(
        bare, frames=flac.frames, header_hz=flac.sample_rate or None, channels=flac.channels,
        bits=flac.bits_per_sample, faults=open_end,
    )  # fmt: skip


def _faults(layout: Layout) -> tuple[str, ...]:
    """Why the file cannot be taken for whole, in sentences."""
    found = [f.what for f in layout.findings if f.severity == "error"]
    data = layout.data
    if data is not None and layout.format is not None:
        there = max(layout.file_size - data.offset, 0)
        if data.declared_size > there:
            found.append(f"Its header declares {data.declared_size} bytes of audio, {there} are there.")
        elif data.size == 0:
            found.append(f"Its header declares no audio yet; {there} bytes follow.")
        elif layout.form is not None and layout.file_size > layout.declared_size + 8 + 1:
            over = layout.file_size - layout.declared_size - 8
            found.append(f"{over} bytes stand beyond the end that its header declares.")
    return tuple(dict.fromkeys(found))


def _origination(bext: Bext | None) -> str | None:
    """The local date and time of a bext (EBU Tech 3285: yyyy-mm-dd, hh:mm:ss, with other separators allowed),
    None where it holds none that can be."""
    if bext is None:
        return None
    date, clock = bext.origination_date.strip(), bext.origination_time.strip()
    parts = [date[0:4], date[5:7], date[8:10], clock[0:2], clock[3:5], clock[6:8]]
    if len(date) != 10 or len(clock) != 8 or not all(p.isascii() and p.isdigit() for p in parts):
        return None
    try:
        moment = datetime(*(int(p) for p in parts))  # type: ignore[arg-type]
    except ValueError:
        return None
    return moment.isoformat() if moment.year >= 1000 else None
