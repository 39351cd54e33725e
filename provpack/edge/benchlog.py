"""The bench log of a job: append one line, read what counts, read what was added.

Appending is that of edge/chainedfile.py: the line is in the file, synced, before `append` returns. Reading
never raises: what is wrong with the log comes as findings, and only the lines before the first place where
the chain does not hold are given, because nothing vouches for what stands after it.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from provpack.edge import bench_rules as rules
from provpack.edge import chainedfile
from provpack.edge.benchlines import LONGEST, foreign, unwritable
from provpack.edge.chainedend import ChainWords, set_aside, tail_after_newline
from provpack.edge.tree import open_regular, reason
from provpack.errors import CouldNotCheck, EnvironmentProblem, InputProblem
from provpack.findings import Finding, Rule
from provpack.package.bagpaths import readable
from provpack.package.benchline import LOG_NAME
from provpack.package.ledgerchain import NO_PREVIOUS, RawLine, entry_of, follows, raw_lines, read_chain
from provpack.package.ledgertorn import may_be_torn

LARGEST: Final = 64 * 1024 * 1024
"""Bytes of a log at most, some 180 000 lines. An evening has less than one million bytes, and a job of a
thousand carriers some thirty million."""
_MOST_TOLD: Final = 20
_MOST_KNOWN: Final = 200_000
_KNOWN: set[bytes] = set()
"""SHA-512 of lines that were seen to be what the schema asks for. A log is read often."""
_MOST_SOUND: Final = 100
_SOUND: dict[tuple[int, int], _Sound] = {}
"""Logs whose chain held when this process last looked: by device and inode."""

_WORDS: Final = ChainWords(
    name="bench log",
    code="bench-log",
    compare="Nothing was written. " + rules.BENCH_LOG_BROKEN.todo,
    in_its_place="Nothing was written. " + rules.BENCH_LOG_NOT_A_FILE.todo,
    todo={
        "disk-full": "Nothing was written. Free some space on the disk of the job folder, then do it again.",
        "read-only": "Nothing was written. Make the medium writable, or copy the job folder to one that is.",
        "no-permission": "Nothing was written. Check who owns the job folder and the log, then do it again.",
        "file-too-large-here": "Nothing was written. Raise the limit, or move the job folder; then again.",
        "no-parent-folder": "Nothing was written. See that the job folder is still there; then do it again.",
        "system-error": "Nothing was written. See that the job folder and its disk are there; then again.",
    },
    patience=10.0,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadLog:
    """What was read of a bench log.

    entries: the lines that count, in order: vouched for, and as schemas/bench-entry has them. size: where
    they end in the file, in bytes, to be given to read_new. head: number and SHA-512 of the last line before
    that place, (0, 128 zeros) when there is none. fresh: these are all lines of the log; False: only those
    after the size that was asked for. A finding of severity error: something that was logged does not count.
    """

    entries: tuple[dict[str, Any], ...] = ()
    findings: tuple[Finding, ...] = ()
    size: int = 0
    head: tuple[int, str] = (0, NO_PREVIOUS)
    fresh: bool = True


# --- appending ---


def append(path: Path, entry: Mapping[str, Any], *, after: int | None = None) -> dict[str, Any]:
    """Append one line and return it with `n` and `previous`. It is on disk before this returns.

    after: the number of the last line that the caller has seen (0: none); when another process has added one
    since, nothing is written and EnvironmentProblem `bench-log-moved-on` says so: read, look again, repeat.
    Nothing is appended behind a place where the chain does not hold: it would be confirmed, and not count.
    Raises InputProblem `bench-log-line-refused` for a line that would not count when it is read (not as
    schemas/bench-entry has it, too long, too deep, no Unicode, not finite); EnvironmentProblem
    `bench-log-...`, or of the disk, when it cannot be written. Then nothing of it is there.
    """
    line = {**entry, "n": 1, "previous": NO_PREVIOUS}
    fault = unwritable(line)
    if not fault:
        line = json.loads(json.dumps(line))  # a tuple has become a list: as it will be read
        fault = foreign(line)
    if fault:
        raise InputProblem(
            "bench-log-line-refused",
            f"This cannot be logged. It {fault}",
            where=str(path),
            todo="Nothing was written. State it in another way, or shorter; long texts belong in a document.",
        )
    try:
        info = path.stat(follow_symlinks=False)
    except (OSError, ValueError):
        info = None  # not there yet; what else is in the way, opening it will say
    if info is not None and not stat.S_ISREG(info.st_mode):
        raise chainedfile.not_a_file(path, _WORDS)
    if info is not None and info.st_size > LARGEST - 2 * LONGEST:
        raise EnvironmentProblem(
            rules.BENCH_LOG_TOO_LARGE.id,
            f"The bench log has {info.st_size} bytes; with more than {LARGEST} it could not be read.",
            where=str(path),
            todo=f"Nothing was written. {rules.BENCH_LOG_TOO_LARGE.todo}",
        )

    def look(fd: int, done: bool) -> None:
        if done:
            _add_own(fd)
        else:
            _must_hold(fd, path)

    written = chainedfile.append_new(path, lambda: (line,), _WORDS, after=after, look=look)
    _remember(hashlib.sha512(chainedfile.line_of(written[0])).hexdigest())
    return written[0]


def _must_hold(fd: int, path: Path) -> None:
    """Raises EnvironmentProblem naming the first break; a torn end is for the appending to mend or refuse.

    Only what was added since this process last looked is read as lines, if nothing before it has changed.
    """
    stamp, known = _stamp(fd), _SOUND.get(_file(fd))
    if known is not None and known.stamp == stamp:
        return
    start = known if known is not None and known.still(fd, stamp) else _Sound()
    data = b"".join(chainedfile.blocks(fd, stamp[0], start.size))
    lines = _lines(data, (start.size, start.head), keep=False)
    if lines.rest is None or not lines.rest.ended:
        _learn(fd, start.grown(data, lines.marks[-1], stamp))
        return
    if start.size:
        data = b"".join(chainedfile.blocks(fd, stamp[0]))
        lines = _lines(data, (0, (0, NO_PREVIOUS)), keep=False)
    first = _broken(data, lines)[1][0]
    raise EnvironmentProblem(
        first.rule, first.what, where=f"{path.parent / first.where}", todo=_WORDS.compare
    )


def _add_own(fd: int) -> None:
    """What was just written, behind what was found to hold, is known to hold."""
    known, stamp = _SOUND[_file(fd)], _stamp(fd)
    data = b"".join(chainedfile.blocks(fd, stamp[0], known.size))
    _learn(fd, known.grown(data, _lines(data, (known.size, known.head), keep=False).marks[-1], stamp))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sound:
    """A log as far as its chain holds. size: so many bytes; sum: over them; head: number and SHA-512 of the
    last line in them; stamp: size and times of change (ns) of the whole file when it was looked at."""

    size: int = 0
    sum: hashlib._Hash = field(default_factory=hashlib.sha512)
    head: tuple[int, str] = (0, NO_PREVIOUS)
    stamp: tuple[int, int, int] = (0, 0, 0)

    def grown(self, data: bytes, mark: tuple[int, tuple[int, str]], stamp: tuple[int, int, int]) -> _Sound:
        """With the lines in data, which stands behind it, up to that mark."""
        longer = self.sum.copy()
        longer.update(data[: mark[0] - self.size])
        return _Sound(size=mark[0], sum=longer, head=mark[1], stamp=stamp)

    def still(self, fd: int, stamp: tuple[int, int, int]) -> bool:
        """Whether its bytes stand in the file as they did."""
        if stamp == self.stamp:
            return True
        if stamp[0] < self.size:
            return False
        now = hashlib.sha512()
        for block in chainedfile.blocks(fd, self.size):
            now.update(block)
        return now.digest() == self.sum.digest()


def _learn(fd: int, sound: _Sound) -> None:
    if len(_SOUND) > _MOST_SOUND:
        _SOUND.clear()
    _SOUND[_file(fd)] = sound


def _file(fd: int) -> tuple[int, int]:
    now = os.fstat(fd)
    return now.st_dev, now.st_ino


def _stamp(fd: int) -> tuple[int, int, int]:
    now = os.fstat(fd)
    return now.st_size, now.st_mtime_ns, now.st_ctime_ns


# --- reading ---


def read(path: Path) -> ReadLog:
    """The whole log; empty when there is none. Raises nothing."""
    return _guarded(path, 0, None)


def read_new(path: Path, after: int, head: tuple[int, str] | None = None) -> ReadLog:
    """What was added behind the first `after` bytes, as an earlier ReadLog gave them with its head.

    When what stands before that place is not what it was (the log was replaced, cut, or head is not its last
    line), or does not hold, the whole log is given instead (fresh), with findings. Raises nothing.
    """
    return _guarded(path, after, head)


def _guarded(path: Path, after: int, head: tuple[int, str] | None) -> ReadLog:
    try:
        mode = path.stat(follow_symlinks=False).st_mode
    except FileNotFoundError:
        return _replaced(ReadLog(), "It is not there any more.") if after > 0 else ReadLog()
    except (OSError, ValueError) as err:
        why = reason(err) if isinstance(err, OSError) else str(err)
        return ReadLog(findings=(_told(rules.BENCH_LOG_UNREADABLE, f"It cannot be looked at: {why}."),))
    if not stat.S_ISREG(mode):
        what = "a link" if stat.S_ISLNK(mode) else "a folder" if stat.S_ISDIR(mode) else "a pipe or device"
        what = f"In its place lies {what}; it was not opened, and nothing that was logged counts."
        return ReadLog(findings=(_told(rules.BENCH_LOG_NOT_A_FILE, what),))
    try:
        with open_regular(path.parent, path.name) as file:
            return _read(file.fileno(), path, after, head)
    except CouldNotCheck as err:
        what = err.what
    except OSError as err:
        what = f"Reading stopped: {reason(err)}."
    except EnvironmentProblem as err:  # the line that is to be followed is longer than any
        what = err.what
    return ReadLog(findings=(_told(rules.BENCH_LOG_UNREADABLE, what),))


def _read(fd: int, path: Path, after: int, head: tuple[int, str] | None) -> ReadLog:
    whole = chainedfile.settled_size(fd)
    stamp, known = _stamp(fd), _SOUND.get(_file(fd))
    size = min(whole, LARGEST)
    start = _place(fd, path, after, size, head) if after > 0 else (0, (0, NO_PREVIOUS))
    if start is None:
        changed = "What stood in it when it was last looked at is there no more."
        return _replaced(_read(fd, path, 0, None), changed)
    if after > 0 and known is not None and known.size >= after and not known.still(fd, stamp):
        return _read(fd, path, 0, None)  # an earlier line was changed: what is told is where the chain breaks
    data = b"".join(chainedfile.blocks(fd, size, start[0]))
    lines = _lines(data, start)
    end, head = lines.marks[-1]
    log = ReadLog(entries=tuple(lines.entries), size=end, head=head, fresh=after <= 0)
    found = _not_understood(lines.faults)
    if lines.rest is None or not lines.rest.ended:
        before = _Sound() if after <= 0 else known
        gap = start[0] - before.size if before is not None else -1  # 1: the last line had no end until now
        if before is not None and gap in (0, 1):
            _learn(fd, before.grown(b"\n" * gap + data, lines.marks[-1], stamp))
    if lines.rest is not None and (lines.rest.ended or whole == size):
        if not lines.rest.ended and may_be_torn(lines.rest.data or b"x", *head):
            what = f"After line {head[0]} come the {lines.rest.size} bytes of one that was cut short."
            found.append(_told(rules.BENCH_LOG_TORN, what, head[0] + 1))
        elif after > 0:
            return _read(fd, path, 0, None)
        else:
            log, broken = _broken(data, lines)
            found = [*broken, *(f for f in found if int(f.position["row"]) <= log.head[0])]
    if whole > size:
        what = f"It has {whole} bytes; only its first {log.head[0]} lines were read, and count."
        found.append(_told(rules.BENCH_LOG_TOO_LARGE, what))
    if after <= 0:
        for name, length in set_aside(path):
            what = f"{readable(name)} ({length} bytes) lies beside the log."
            found.append(_told(rules.BENCH_LOG_ASIDE, what))
    return replace(log, findings=tuple(found))


@dataclass(slots=True)
class _Lines:
    """Lines that follow from each other. marks: (end in the file, number and SHA-512) before and after each.

    rest: what comes first behind them. entries, faults: filled only when asked for.
    """

    marks: list[tuple[int, tuple[int, str]]]
    entries: list[dict[str, Any]] = field(default_factory=list)
    faults: list[tuple[int, str]] = field(default_factory=list)
    rest: RawLine | None = None


def _lines(data: bytes, start: tuple[int, tuple[int, str]], *, keep: bool = True) -> _Lines:
    lines = _Lines([start])
    for raw in raw_lines((data,)):
        at, (number, digest) = lines.marks[-1]
        entry = entry_of(raw.data)
        if entry is None or not follows(entry, number, digest):
            lines.rest = raw
            break
        lines.marks.append((at + raw.size + raw.ended, (number + 1, raw.digest)))
        if not keep:
            continue
        fault = _fault(entry, raw.digest)
        if fault:
            lines.faults.append((number + 1, fault))
        else:
            lines.entries.append(entry)
    return lines


def _broken(data: bytes, lines: _Lines) -> tuple[ReadLog, list[Finding]]:
    """The lines before the first that is accused, and what is wrong; data: the log from its beginning."""
    chain = read_chain(lambda: (data,))
    good = min([len(lines.marks) - 1, *(line - 1 for b in chain.breaks for line in b.lines)])
    end, head = lines.marks[good]
    count = data.count(b"\n") + (not data.endswith(b"\n"))
    counts = {0: "No line counts", 1: "Only line 1 counts"}.get(good, f"Only lines 1 to {good} count")
    lost = f"line {count} does not" if good + 1 == count else f"lines {good + 1} to {count} do not"
    means = f"{counts}: {lost}, because nothing vouches for what stands there."
    found = [
        _told(rules.BENCH_LOG_BROKEN, f"{b.what} {means}", b.lines[0] if b.lines else good + 1)
        for b in chain.breaks[:_MOST_TOLD]
    ]
    if len(chain.breaks) > _MOST_TOLD:
        more = f"The chain is broken in {len(chain.breaks) - _MOST_TOLD} more places."
        found.append(_told(rules.BENCH_LOG_BROKEN, more, good + 1))
    entries = tuple(e for e in lines.entries if e["n"] <= good)
    return ReadLog(entries=entries, size=end, head=head), found


def _place(
    fd: int, path: Path, after: int, size: int, head: tuple[int, str] | None
) -> tuple[int, tuple[int, str]] | None:
    """Where the lines behind `after` begin, with number and SHA-512 of the one before; None: not there."""
    if after > size:
        return None
    around = b"".join(chainedfile.blocks(fd, min(after + 1, size), after - 1))
    ended = around[:1] == b"\n"
    if not ended and around[1:] not in (
        b"",
        b"\n",
    ):  # a last line without its end gets one when it is followed
        return None
    last = tail_after_newline(fd, after - 1 if ended else after, path, _WORDS)
    entry = entry_of(last)
    if entry is None:
        return None
    found = entry["n"], hashlib.sha512(last).hexdigest()
    if head is not None and head != found:
        return None
    return (after if ended else min(after + 1, size)), found


def _fault(entry: Mapping[str, Any], digest: str) -> str:
    """Why a line is not one of ours, as the end of a sentence; "" when it is."""
    if bytes.fromhex(digest) in _KNOWN:
        return ""
    fault = unwritable(entry) or foreign(entry)
    if not fault:
        _remember(digest)
    return fault


def _remember(digest: str) -> None:
    if len(_KNOWN) < _MOST_KNOWN:
        _KNOWN.add(bytes.fromhex(digest))


def _not_understood(faults: Sequence[tuple[int, str]]) -> list[Finding]:
    found = [
        _told(rules.BENCH_LOG_LINE, f"Line {number} does not count. It {fault}", number)
        for number, fault in faults[:_MOST_TOLD]
    ]
    if len(faults) > _MOST_TOLD:
        number, more = faults[_MOST_TOLD][0], len(faults) - _MOST_TOLD
        what = f"From line {number} on {more} more do not count."
        found.append(_told(rules.BENCH_LOG_LINE, what, number))
    return found


def _replaced(log: ReadLog, what: str) -> ReadLog:
    return replace(log, findings=(_told(rules.BENCH_LOG_REPLACED, what), *log.findings))


def _told(rule: Rule, what: str, line: int | None = None) -> Finding:
    where = LOG_NAME if line is None else f"{LOG_NAME}, line {line}"
    return rule.found(what, where, position={"file": LOG_NAME} | ({} if line is None else {"row": line}))
