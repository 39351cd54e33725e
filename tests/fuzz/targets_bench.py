"""Readers of the bench log: its lines and their chain, and what they say when they are folded."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

from fuzz.law import as_json, lawful, target, told
from fuzz.targets_papers import RAM
from provpack.edge import benchlog
from provpack.edge.bench_rules import BENCH_LOG_BROKEN
from provpack.edge.benchlines import foreign, unwritable
from provpack.edge.benchlog import ReadLog
from provpack.errors import EnvironmentProblem
from provpack.package.benchfold import Folding, fold
from provpack.package.benchline import LOG_NAME, bench_line
from provpack.package.benchstate import BenchState

PLAIN = bench_line(
    "noted", at="2031-05-20T20:00:00+02:00", by=None, through="page", tool_version="0.1.0", note="x"
)


@target
def bench_log(data: bytes) -> None:
    """Any bytes are a log whose lines up to the first break count, read at once or as they come, and a line
    is appended to one that holds and to no other."""
    with tempfile.TemporaryDirectory(dir=RAM) as folder:
        path = Path(folder) / LOG_NAME
        at = data.find(b"\n", len(data) // 2) + 1
        path.write_bytes(data[:at])
        first = _read(path, at)
        path.write_bytes(data)
        more = benchlog.read_new(path, first.size, first.head)
        told(more.findings)
        whole = _read(path, len(data))
        entries = more.entries if more.fresh else first.entries + more.entries
        lawful(entries == whole.entries, "read as it comes it says something else than at once")
        lawful((more.size, more.head) == (whole.size, whole.head), "read as it comes it ends elsewhere")
        holds = not any(f.rule == BENCH_LOG_BROKEN.id for f in whole.findings)
        try:
            line = benchlog.append(path, PLAIN)
        except EnvironmentProblem:
            lawful(not holds, "a log that holds takes no line")
            lawful(path.read_bytes() == data, "a log that took no line is another one now")
            return
        after = _read(path, path.stat().st_size)
        lawful(holds and after.entries == (*whole.entries, line), "what was appended is not what is read")


def _read(path: Path, size: int) -> ReadLog:
    log = benchlog.read(path)
    told(log.findings)
    lawful(log.fresh and 0 <= log.size <= size, f"{log.size} of {size} bytes")
    numbers = [entry["n"] for entry in log.entries]
    lawful(numbers == sorted(set(numbers)) and log.head[0] >= max(numbers, default=0), f"{numbers}")
    wrong = [said for entry in log.entries if (said := unwritable(entry) or foreign(entry))]
    lawful(not wrong, f"a line that counts: {wrong}")
    _same(list(log.entries))
    return log


@target
def bench_fold(data: bytes) -> None:
    """Any lines that are JSON are folded to the same state at once and piece by piece, whatever they hold."""
    lines: list[Any] = []
    for line in data.split(b"\n"):
        try:
            lines.append(json.loads(line))
        except (ValueError, RecursionError):
            continue
    _same(lines)


def _same(lines: list[Any]) -> None:
    whole = fold(lines)
    lawful(whole.entries == tuple(lines), "a line is not among those of the state")
    folding, middle = Folding(), len(lines) // 2
    folding.add(lines[:middle])
    lawful(folding.add(lines[middle:]) == whole, "folded in pieces they say something else")
    _told(whole)


def _told(state: BenchState) -> None:
    """What every page asks of a state."""
    lawful(
        state.taken_back <= {n for e in state.entries if type(n := _number(e)) is int}, "none of its lines"
    )
    for name, taken in state.transfers.items():
        lawful(isinstance(name, str), f"{name!r}")
        as_json([one.number for one in taken.passes])
        for one in taken.passes:
            lawful(one.transfer_id == name and type(one.number) is int, f"{one}"[:300])
            lawful(all(isinstance(event.type, str) for event in one.events), f"{one.events}"[:300])
    lawful(all(isinstance(note.text, str) for note in state.notes), f"{state.notes}"[:300])


def _number(entry: Any) -> Any:
    return entry.get("n") if isinstance(entry, dict) else None
