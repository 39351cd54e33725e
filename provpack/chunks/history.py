"""Coding history rows (EBU R 98-1999 parameter table; text of bext, EBU Tech 3285 v2, 2.3).

The table is treated as open: archives write frequencies it does not list (96000, 44056), and a false
listed value would be worse than a true unlisted one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from provpack.chunks import rules
from provpack.chunks.limits import Collector
from provpack.errors import RecordProblem
from provpack.findings import Finding

ALGORITHMS = ("ANALOGUE", "PCM", *(f"MPEG{m}L{layer}" for m in (1, 2) for layer in (1, 2, 3)))
MODES = ("mono", "stereo", "dual-mono", "joint-stereo")
MAX_ROWS = 1000
_TEXT = re.compile(r"(?:^|,)\s*[Tt]=")
_PART = re.compile(r"([A-Za-z0-9]+)=(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class CodingRow:
    """One step of the coding history.

    algorithm: A=; frequency: F= in Hz; bit_rate: B= in kbit/s per channel; word_length: W= in bits; mode:
    M=; text: T=, free text to the end of the row; extra: any other key as it stood, before T=. A row that
    has no `A=` has algorithm "" and stands whole in text.
    """

    algorithm: str
    frequency: int | None = None
    bit_rate: int | None = None
    word_length: int | None = None
    mode: str | None = None
    text: str = ""
    extra: tuple[tuple[str, str], ...] = ()


def parse_history(text: str, where: str = "") -> tuple[tuple[CodingRow, ...], tuple[Finding, ...]]:
    """Rows, split at CR LF, CR or LF; at most MAX_ROWS. Never raises.

    text is bounded by its caller (parse_bext: MAX_HISTORY).
    """
    found = Collector(where)
    lines = [line for line in re.split(r"\r\n|\r|\n", text) if line.strip(" \0")]
    if len(lines) > MAX_ROWS:
        found.add(rules.HISTORY_ROW, f"{len(lines)} rows; the first {MAX_ROWS} are read.", chunk="bext")
    if lines and (not text.endswith("\r\n") or re.search(r"\r(?!\n)|(?<!\r)\n", text)):
        found.add(rules.HISTORY_ENDS, "Not every coding history row ends with CR LF.", chunk="bext")
    rows = tuple(_row(n, line.strip("\0"), found) for n, line in enumerate(lines[:MAX_ROWS], 1))
    return rows, found.done()


def _row(number: int, line: str, found: Collector) -> CodingRow:
    known: dict[str, str] = {}
    extra: list[tuple[str, str]] = []
    odd: list[str] = []
    text = _TEXT.search(line)
    head = line
    if text is not None:
        head, known["T"] = line[: text.start()], line[text.end() :]
    for part in head.split(",") if head else ():
        match = _PART.fullmatch(part.strip())
        if match is None:
            odd.append(part)
            continue
        key, value = match[1], match[2]
        if key.upper() in ("A", "F", "B", "W", "M") and not known.get(key.upper()):
            known[key.upper()] = value
        else:
            extra.append((key, value))
            odd.append(part)
    if "A" not in known:
        found.add(rules.HISTORY_ROW, f"Row {number} has no A=: {line[:120]!r}.", chunk="bext")
        return CodingRow(algorithm="", text=line)
    numbers: dict[str, int | None] = {}
    no_numbers: list[tuple[str, str]] = []
    for key in "FBW":
        value = known.get(key, "")
        numbers[key] = int(value) if re.fullmatch(r"[0-9]{1,12}", value) else None
        if value and numbers[key] is None:
            no_numbers.append((key, value))
            odd.append(f"{key}={value}")
    if known["A"] not in ALGORITHMS:
        odd.append(f"A={known['A']}")
    if known.get("M", MODES[0]) not in MODES:
        odd.append(f"M={known['M']}")
    if odd:
        found.add(rules.HISTORY_ROW, f"Row {number} has {', '.join(odd)[:200]!r}.", chunk="bext")
    return CodingRow(
        algorithm=known["A"],
        frequency=numbers["F"],
        bit_rate=numbers["B"],
        word_length=numbers["W"],
        mode=known.get("M"),
        text=known.get("T", ""),
        # Ahead of a second value of the same key, or that would be taken for the first when read again.
        extra=(*no_numbers, *extra),
    )


def format_history(rows: Iterable[CodingRow]) -> str:
    """The text of the rows, oldest first, CR LF after each.

    Keys stand in the order A, F, B, W, M, others, T. Commas in T= become semicolons (R 98 allows none);
    anything outside printable ASCII, or a comma elsewhere, raises RecordProblem.
    """
    return "".join(_line(n, row) + "\r\n" for n, row in enumerate(rows, 1))


def _line(number: int, row: CodingRow) -> str:
    where = f"coding history row {number}"
    if not row.algorithm:
        if row != CodingRow(algorithm="", text=row.text) or not row.text:
            raise _refused("it names no algorithm (A=)", where)
        return _ascii(row.text, where)
    parts = [("A", row.algorithm), ("F", row.frequency), ("B", row.bit_rate), ("W", row.word_length)]
    parts += [("M", row.mode), *row.extra]
    told = [f"{key}={value}" for key, value in parts if value is not None]
    if any("," in part for part in told):
        raise _refused(f"a comma stands outside T= ({'; '.join(told)})", where)
    if row.text:
        told.append("T=" + row.text.replace(",", ";"))
    return _ascii(",".join(told), where)


def _ascii(line: str, where: str) -> str:
    for position, char in enumerate(line, 1):
        if not " " <= char <= "~":
            raise _refused(f"character {position} is U+{ord(char):04X}; write printable ASCII", where)
    return line


def _refused(why: str, where: str) -> RecordProblem:
    return RecordProblem(
        "history-row-refused",
        f"The coding history row cannot be written: {why}.",
        where=where,
        todo="Correct the row (EBU R 98): plain ASCII, 'us' for microseconds, no commas.",
    )
