"""The desk: one job folder with its bench log, held by the page's server and by `provpack jot`.

Whoever writes something down does it through `Desk.act`: it looks whether that can be said now, puts the
line on disk, and only then answers.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

from provpack.edge import bench_rules, benchlog
from provpack.edge.benchlog import ReadLog
from provpack.edge.jobfolder import list_folder
from provpack.edge.schemas import validate
from provpack.errors import EnvironmentProblem
from provpack.findings import Finding
from provpack.jobs.benchact import Bench, instant, maybe, refused, stamp
from provpack.jobs.benchacts import line_of
from provpack.jobs.benchclock import as_pressed, set_back
from provpack.jobs.benchraw import Raw, Stamp, read_raw, sheets_stamp
from provpack.jobs.benchsaid import Said, settings_of, with_log
from provpack.jobs.benchsealed import about, not_in_it, sealed_at
from provpack.jobs.benchsheet import Folded
from provpack.jobs.destination import beside
from provpack.jobs.load import load_job
from provpack.jobs.loaded import LoadedJob
from provpack.package.benchfold import Folding
from provpack.package.benchline import LOG_NAME, Through, bench_line
from provpack.package.benchmatch import FileSeen
from provpack.package.benchstate import BenchState
from provpack.package.ledgerchain import NO_PREVIOUS
from provpack.package.names import package_name

if TYPE_CHECKING:
    from provpack.jobs.benchfiles import FileWatch

REPLACED: Final = bench_rules.BENCH_LOG_REPLACED.id
TORN: Final = bench_rules.BENCH_LOG_TORN.id
_WHOLE_AGAIN: Final = frozenset(
    rule.id
    for rule in (
        bench_rules.BENCH_LOG_BROKEN,
        bench_rules.BENCH_LOG_UNREADABLE,
        bench_rules.BENCH_LOG_NOT_A_FILE,
        bench_rules.BENCH_LOG_TOO_LARGE,
    )
)
"""While one of these is so, the whole log is read each time: somebody may be putting it right."""
_TURNS: Final = 50
"""How often an act is looked at anew because somebody else wrote a line meanwhile."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Acted:
    """What an act did. entry: the line as written (with n and previous); state: as it is now.

    words: what was done, for people ("21:03:12 mute, chain A, T02"). undo: whether it can be taken back
    with act("taken_back", {"entry": entry["n"]}). warnings: what is odd but was written all the same.
    """

    entry: Mapping[str, Any]
    state: BenchState
    words: str
    undo: bool
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskInfo:
    """What the views are told besides the desk: by the server, or by a test.

    destination: where packages of this job go. by: who is at the bench, "" when nobody said. works: what
    runs or ran in the background, by its id (members work, label, done, total, state, words).
    files: finished audio files in the job folder. measured: relative file name -> its cached measurement.
    """

    destination: Path
    by: str = ""
    works: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    files: tuple[FileSeen, ...] = ()
    measured: Callable[[str], Mapping[str, Any] | None] = lambda _name: None


class LogPort(Protocol):
    """What the desk needs of edge/benchlog.py."""

    def append(self, path: Path, entry: Mapping[str, Any], *, after: int | None = None) -> dict[str, Any]:
        """One line, on disk before this returns; EnvironmentProblem `bench-log-moved-on` when `after` is not
        the number of the last line."""

    def read(self, path: Path) -> ReadLog:
        """The whole log."""

    def read_new(self, path: Path, after: int, head: tuple[int, str] | None = None) -> ReadLog:
        """What was added behind the first `after` bytes."""


class _DiskLog:
    """The log as it lies on the disk."""

    append = staticmethod(benchlog.append)
    read = staticmethod(benchlog.read)
    read_new = staticmethod(benchlog.read_new)


class Desk:
    """A job folder and its bench log. Every method may be called from any thread.

    folder: real path of the job folder. state: the log as of the last refresh or act. findings: what is
    wrong with the log as a file. destination: where packages of this job go, None where nobody said and no
    folder can lie beside the job; what is sealed there stays.
    """

    def __init__(
        self,
        folder: Path,
        *,
        now: Callable[[], datetime],
        tool_version: str,
        log: LogPort | None = None,
        destination: Path | None = None,
    ) -> None:
        """Read the log. InputProblem when the folder cannot be listed."""
        self.folder = list_folder(folder).root
        self.destination = destination if destination is not None else beside(self.folder)
        self.state = BenchState()
        self.findings: tuple[Finding, ...] = ()
        self._path = self.folder / LOG_NAME
        self._now, self._version = now, tool_version
        self._log: LogPort = log if log is not None else _DiskLog()
        self._lock, self._loading = threading.RLock(), threading.RLock()
        self._read: ReadLog | None = None
        self._entries: list[Mapping[str, Any]] = []
        self._folding = Folding()
        self._folded: Folded | None = None  # in one piece: another thread may look while a line comes in
        self._watch: FileWatch | None = None
        self._raw: tuple[Stamp, Raw] | None = None
        self._said: tuple[Raw, BenchState, Said] | None = None
        self._job: tuple[Stamp, BenchState, LoadedJob] | None = None
        self.refresh()

    def now(self) -> datetime:
        """The clock the desk was given: local time with offset."""
        return self._now()

    def refresh(self) -> bool:
        """Read lines that others appended, and what is wrong with the log; True when something is new."""
        with self._lock:
            before, told = self._read, self.findings
            if before is None or not before.size or any(f.rule in _WHOLE_AGAIN for f in told):
                read = self._log.read(self._path)
            else:
                read = self._log.read_new(self._path, before.size, before.head)
            self._read = read
            # what is wrong now, and what happened to the log while it was in use: that is told until the end
            stays = [f for f in told if f.rule == REPLACED or (not read.fresh and f.rule != TORN)]
            self.findings = tuple({(f.rule, f.what): f for f in (*stays, *read.findings)}.values())
            same_lines = before is not None and (read.head, read.size) == (before.head, before.size)
            if not (same_lines if read.fresh else not read.entries and before is not None):
                if read.fresh:
                    self._folding, self._entries = Folding(), []
                self._entries += read.entries
                self.state = self._folding.add(read.entries)
                self._folded = read.head, self.state
                return True
            return self.findings != told

    @property
    def troubles(self) -> list[str]:
        """What is wrong with the log, in sentences, for whoever is at the bench; [] when nothing is."""
        return [f"{f.what} {f.todo}" for f in self.findings if f.severity in ("error", "warning")]

    def job(self) -> LoadedJob:
        """The job as sheets and log state it; read again only when one of them has changed.

        InputProblem when the folder cannot be listed any more.
        """
        with self._loading:
            state, stamp_ = self.state, self._stamp()
            if self._job is None or self._job[0] != stamp_ or self._job[1] is not state:
                self._job = stamp_, state, load_job(self.folder, self._folded)
            return self._job[2]

    def sheets(self) -> Said:
        """What the sheets alone state, place by place."""
        return self._read_raw().said

    def said(self) -> Said:
        """What sheets and log state together, place by place; a line's `was` is held against this."""
        with self._loading:
            raw, state = self._read_raw(), self.state
            if self._said is None or self._said[0] is not raw or self._said[1] is not state:
                self._said = raw, state, with_log(raw.said, state)
            return self._said[2]

    def chains(self) -> Mapping[str, Mapping[str, Any]]:
        """Chain id -> its values in force, `id`, `note` and `capture_files` among them."""
        return self.said().chains

    def settings(self, chain_id: str) -> dict[str, Any]:
        """What must be confirmed before a pass on that chain: its fields that have a value."""
        return settings_of(self.said().chains.get(chain_id, {}))

    def in_force(self, scope: str, id_: str | None, field: str) -> Any:
        """The value of one field at its own place, as `was` of a declared line has it; None = none."""
        return self.said().at(scope, id_).get(field)

    def merged(self, transfer_id: str, field: str) -> Any:
        """The value the record of a transfer would have: its own, or its pass's, chain's or the defaults'."""
        one = next((t for t in self.job().transfers if t.transfer_id == transfer_id), None)
        if one is None:
            return None
        match field:
            case "file":
                return one.file.written if one.file else None
            case "documents" | "photos" | "condition_photos":
                return [f.written for f in getattr(one, field)] or None
            case "chain":
                return one.chain_id
            case "started_at" | "stopped_at":
                return getattr(one, field)
        return one.values.get(field)

    def sealed(self, transfer_id: str) -> str | None:
        """Name of the package of this transfer that stands in the destination, None when there is none."""
        return self._package(transfer_id, str(self.said().job.get("job_id", "")))

    def _package(self, transfer_id: str, job_id: str) -> str | None:
        if self.destination is None:
            return None
        name = package_name(job_id, transfer_id)
        try:
            return name if (self.destination / name / "bagit.txt").is_file() else None
        except (OSError, ValueError):
            return None

    def _standing(self, transfer_id: str | None) -> str | None:
        """The same as `sealed`, without looking at the sheets anew: nothing waits for a warning."""
        if transfer_id is None:
            return None
        stated = self.state.values.get(("job", None, "job_id"))
        raw = self._raw[1] if self._raw is not None else self._read_raw()
        return self._package(transfer_id, str(stated.value if stated else raw.said.job.get("job_id", "")))

    def sealed_with(self, transfer_id: str, at: str) -> str | None:
        """The same, but only when a line of that time is older than the package: what was written down since
        is for the next one. A package that does not say when it was made holds every line."""
        name = self.sealed(transfer_id)
        if name is None or self.destination is None:
            return None
        made, written = sealed_at(self.destination / name), instant(at)
        return None if made is not None and written is not None and written > made else name

    def act(
        self,
        kind: str,
        members: Mapping[str, Any],
        *,
        by: str | None,
        through: Through,
        pressed: datetime | None = None,
    ) -> Acted:
        """Check one act, write its line to disk, and give the state with it. Refusals are ProvpackError.

        Members may be left to the desk where it knows better: `was` (then what is in force), `pass`
        (pass_started: the next number; else the only one it can be), `changed`, `file` of file_detached, and
        of file_attached all but transfer_id, pass and file (with attached_by "person" and a reason where a
        person decided; starts_at where a person knows it). A value may be given as {"cell": text}.

        pressed: when somebody did it, where that is known: a line that came late says so in `happened_at`.
        """
        who = _who(by)
        with self._lock:
            for _ in range(_TURNS):
                self.refresh()
                try:
                    return self._act(kind, members, who, through, pressed)
                except EnvironmentProblem as problem:
                    if problem.code != "bench-log-moved-on":
                        raise
        raise EnvironmentProblem(
            "bench-log-busy",
            "Others write to the bench log all the time; nothing was written.",
            where=str(self._path),
            todo="Do it again. If this goes on, find out which program it is.",
        )

    # -- one act -----------------------------------------------------------------------------------------
    def _act(
        self,
        kind: str,
        members: Mapping[str, Any],
        by: str | None,
        through: Through,
        pressed: datetime | None,
    ) -> Acted:
        now = self._now()
        members, late = as_pressed(kind, members, pressed, now)
        bench = Bench(
            folder=self.folder, state=self.state, at=now, sheets=self.sheets, said=self.said,
            merged=self.merged, sealed=self.sealed_with, see=self._see, without=self._folding.without,
        )  # fmt: skip
        line = line_of(kind, members, bench)
        sealed = self._standing(about({"kind": kind, **line.members}))
        warnings = [
            *line.warnings,
            *late,
            *set_back(now, self._entries[-1] if self._entries else {}, self.state),
            *not_in_it(kind, line.members, sealed, self.state),
        ]
        entry = bench_line(
            kind, at=stamp(now), by=by, through=through, tool_version=self._version, **line.members
        )
        wrong = validate("bench-entry", {**entry, "n": 1, "previous": NO_PREVIOUS})
        if wrong:
            raise refused(
                "line-refused",
                f"{wrong[0].pointer.strip('/') or 'The line'} {wrong[0].message}",
                todo="Nothing was written. Correct it, then again.",
                where=wrong[0].pointer.strip("/") or kind,
            )
        assert self._read is not None
        written = self._log.append(self._path, entry, after=self._read.head[0])
        self.refresh()
        when = (line.when or now).astimezone(now.tzinfo)
        return Acted(
            entry=written,
            state=self.state,
            words=f"{when:%H:%M:%S} {line.about}",
            undo=line.undo,
            warnings=tuple(warnings),
        )

    def _see(self, name: str) -> FileSeen:
        """A file as it is now; stable also when its last change is long enough ago for one look to tell."""
        from provpack.jobs.benchfiles import SETTLED_AFTER, FileWatch

        if self._watch is None:
            self._watch = FileWatch(self.folder)
        seen = next((f for f in self._watch.look() if f.name == name), None)
        if seen is None:
            raise refused(
                "not-audio",
                f"'{name}' is no audio file: its name does not end like one.",
                todo="Name the file that the capture program wrote.",
                where=name,
            )
        changed = instant(seen.modified_at)
        settled = changed is not None and self._now() - changed >= timedelta(seconds=SETTLED_AFTER)
        return replace(seen, stable=seen.stable or (settled and not seen.faults))

    def _stamp(self) -> Stamp:
        return sheets_stamp(list_folder(self.folder), self._raw[1].sheets if self._raw else ())

    def _read_raw(self) -> Raw:
        with self._loading:
            listing = list_folder(self.folder)
            now = sheets_stamp(listing, self._raw[1].sheets if self._raw else ())
            if self._raw is None or self._raw[0] != now:
                raw = read_raw(listing)
                self._raw = sheets_stamp(listing, raw.sheets), raw
            return self._raw[1]


def _who(by: str | None) -> str | None:
    name = maybe({"by": by}, "by") or ""
    if len(name) > 200:
        raise refused(
            "not-a-name", "The name of who is at the bench is too long.", todo="Cut it.", where="by"
        )
    return name or None
