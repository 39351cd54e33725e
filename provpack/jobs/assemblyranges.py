"""The ranges of an assembly as the sheet declares them, and what is wrong with them by numbers alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from provpack.findings import Finding, Rule
from provpack.jobs import passrules
from provpack.jobs.loaded import LoadedTransfer, Origin
from provpack.jobs.passfiles import frame_words

MOST_TOLD = 20
"""Findings of one rule about ranges that are told one by one."""
_POSITIONS = ("pass_n", "source_start", "source_end", "target_start", "target_end")


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """A row of the assembly: its number in the sheet from 1, positions in frames with exclusive ends."""

    number: int
    pass_n: int
    source_start: int
    source_end: int
    target_start: int
    target_end: int
    origin: Origin

    @property
    def frames(self) -> int:
        return self.target_end - self.target_start


def declared_ranges(transfer: LoadedTransfer) -> tuple[tuple[Range, ...], tuple[Finding, ...]]:
    """The ranges of the sheet in order of the target, and what cannot be read of them."""
    entries = transfer.values.get("assembly")
    ranges: list[Range] = []
    told = Told()
    for i, entry in enumerate(entries if isinstance(entries, list) else ()):
        origin = transfer.origins.get(f"assembly/{i}", transfer.origin_of("assembly"))
        values = [entry.get(name) if isinstance(entry, Mapping) else None for name in _POSITIONS]
        numbers = [v for v in values if isinstance(v, int) and not isinstance(v, bool) and v >= 0]
        if len(numbers) == len(_POSITIONS):
            n, a, b, c, d = numbers
            ranges.append(
                Range(
                    number=i + 1, pass_n=n, source_start=a, source_end=b, target_start=c, target_end=d,
                    origin=origin,
                )
            )  # fmt: skip
            continue
        missing = [name for name, v in zip(_POSITIONS, values, strict=True) if not isinstance(v, int)]
        what = f"Range {i + 1} has no usable {', '.join(missing) or 'positions'}."
        told.add(passrules.ASSEMBLY_UNCLEAR, what, origin)
    ranges.sort(key=lambda r: (r.target_start, r.number))
    return tuple(ranges), told.done()


def judge_ranges(
    ranges: Sequence[Range], frames: Mapping[int, int], target: int | None, rate: Fraction | None
) -> tuple[Finding, ...]:
    """What is wrong with ranges in order of the target. frames: of each pass that can be used; target: frames
    of the assembled file, None while that is what the ranges make."""
    told = Told()
    at = 0
    reached: dict[int, int] = {}
    for r in ranges:
        if r.target_start > at:
            what = f"No range holds target frames {at} to {r.target_start - 1}, before range {r.number}."
            told.add(passrules.ASSEMBLY_GAP, what, r.origin, at, rate)
        elif r.target_start < at:
            what = f"Range {r.number} starts at target frame {r.target_start}; {at} are taken before it."
            told.add(passrules.ASSEMBLY_OVERLAP, what, r.origin, r.target_start, rate)
        at = max(at, r.target_end)
        if r.frames <= 0 or r.frames != r.source_end - r.source_start:
            what = (
                f"Range {r.number}: {r.source_end - r.source_start} frames of pass {r.pass_n} become "
                f"{r.frames} frames."
            )
            told.add(passrules.ASSEMBLY_LENGTH, what, r.origin, r.target_start, rate)
            continue
        have = frames.get(r.pass_n)
        if have is not None and r.source_end > have:
            what = f"Range {r.number} ends at frame {r.source_end} of pass {r.pass_n}, which has {have}."
            told.add(passrules.ASSEMBLY_OUTSIDE, what, r.origin, r.target_start, rate)
        if r.source_start < reached.get(r.pass_n, 0):
            what = (
                f"Range {r.number} starts at frame {r.source_start} of pass {r.pass_n}; an earlier "
                f"range went up to {reached[r.pass_n]}."
            )
            told.add(passrules.ASSEMBLY_BACKWARDS, what, r.origin, r.target_start, rate)
        reached[r.pass_n] = max(reached.get(r.pass_n, 0), r.source_end)
    if target is not None and at != target and ranges:
        rule = passrules.ASSEMBLY_GAP if at < target else passrules.ASSEMBLY_OUTSIDE
        what = f"The ranges end at frame {at}; the file has {target} frames."
        told.add(rule, what, ranges[-1].origin, min(at, target), rate)
    return told.done()


class Told:
    """Findings about ranges, at most MOST_TOLD of a rule; the rest are counted."""

    def __init__(self) -> None:
        self._found: list[Finding] = []
        self._count: Counter[str] = Counter()
        self._last: dict[str, Finding] = {}

    def add(
        self, rule: Rule, what: str, origin: Origin, frame: int | None = None, rate: Fraction | None = None
    ) -> None:
        self._count[rule.id] += 1
        position = origin.position() | ({} if frame is None else {"frame": frame})
        where = str(origin) if frame is None else f"{origin}, {frame_words(frame, rate)}"
        finding = rule.found(what, where, position=position)
        self._last[rule.id] = finding
        if self._count[rule.id] <= MOST_TOLD:
            self._found.append(finding)

    def done(self) -> tuple[Finding, ...]:
        more = [
            replace(
                last, what=f"{self._count[rule] - MOST_TOLD} more of the same kind. The last: {last.what}"
            )
            for rule, last in self._last.items()
            if self._count[rule] > MOST_TOLD
        ]
        return (*self._found, *more)
