"""The timeline cut into stretches of constant format (AES57 `region`), from signal_state_ranges.

Emphasis and 14/16-bit mode are flags of every field of the recording, so they are facts about a stretch of
time (domain note 1.2). Where the ranges leave a gap, what is said of the whole holds; where two ranges
contradict each other, nothing is known.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from provpack.package.premis_view import Json, at, rows

REGIONS_MAX = 500
"""More regions than this are not written; the last one then says that its state changes."""
Claim = tuple[str, str, tuple[str, ...]]  # emphasis, mode, evidence
_NOTHING: Claim = ("unknown", "unknown", ())


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Frames start..end of constant format. file: state of the samples, a word of PRE_EMPHASIS. tape: state
    of the recording, a word of TAPE_PRE_EMPHASIS. mode: 14, 16 or None (not stated, or not known)."""

    start: int
    end: int
    file: str
    tape: str
    mode: int | None
    evidence: tuple[str, ...]

    @property
    def state(self) -> tuple[str, str, int | None, tuple[str, ...]]:
        return (self.file, self.tape, self.mode, self.evidence)


def frame_of(value: Any) -> int | None:
    """A position that is a whole number of frames; None for anything else."""
    return value if isinstance(value, int) and not isinstance(value, bool) and value >= 0 else None


def in_file(tape: str, whole: str) -> str:
    """State of the samples where the recording is `tape`, in a file of which `whole` is declared. Whatever
    the two together do not settle is unknown: never `absent`."""
    if tape == "off":
        return "absent"
    if tape == "on" and whole in ("present", "mixed"):
        return "present"
    if tape == "on" and whole == "removed":
        return "removed"
    return "unknown"


def _ranges(record: Json, frames: int) -> list[tuple[int, int, Claim]]:
    out: list[tuple[int, int, Claim]] = []
    for entry in rows(at(record, "signal", "signal_state_ranges")):
        start, end = frame_of(entry.get("start")), frame_of(entry.get("end"))
        if start is None or end is None or start >= min(end, frames):
            continue
        evidence = tuple(str(e) for e in entry.get("evidence") or ())
        claim = (str(entry.get("emphasis") or "unknown"), str(entry.get("mode") or "unknown"), evidence)
        out.append((start, min(end, frames), claim))
    return out


def _agreed(claims: Counter[Claim]) -> Claim:
    """What all ranges over a place say together; contradiction is unknown."""
    if len(claims) == 1:
        return next(iter(claims))
    emphasis = {c[0] for c in claims}
    modes = {c[1] for c in claims} - {"unknown"}
    evidence = tuple(sorted({e for c in claims for e in c[2]}))
    return (
        emphasis.pop() if len(emphasis) == 1 else "unknown",
        modes.pop() if len(modes) == 1 else "unknown",
        evidence,
    )


def stretches(record: Json, frames: int) -> tuple[Stretch, ...]:
    """The whole of 0..frames without gap or overlap, neighbours of one state joined; at most REGIONS_MAX."""
    whole_file = str(at(record, "signal", "file_emphasis") or "unknown")
    whole_tape = str(at(record, "signal", "tape_emphasis") or "unknown")
    general = tuple(str(e) for e in at(record, "signal", "tape_emphasis_evidence") or ())
    changes: dict[int, list[tuple[int, Claim]]] = {0: [], frames: []}
    for start, end, claim in _ranges(record, frames):
        changes.setdefault(start, []).append((1, claim))
        changes.setdefault(end, []).append((-1, claim))
    active: Counter[Claim] = Counter()
    out: list[Stretch] = []
    for start, end in pairwise(sorted(changes)):
        for sign, claim in changes[start]:
            active[claim] += sign
            if not active[claim]:
                del active[claim]
        if active:
            tape, mode, evidence = _agreed(active)
            file = in_file(tape, whole_file)
        else:
            file, tape, mode, evidence = whole_file, whole_tape, "unknown", general
        made = Stretch(
            start=start,
            end=end,
            file=file,
            tape=tape,
            mode=int(mode) if mode in ("14", "16") else None,
            evidence=evidence,
        )
        if out and out[-1].state == made.state:
            made = Stretch(start=out.pop().start, end=end, file=file, tape=tape, mode=made.mode,
                           evidence=evidence)  # fmt: skip
        out.append(made)
    if len(out) > REGIONS_MAX:
        rest = Stretch(
            start=out[REGIONS_MAX - 1].start,
            end=frames,
            file="changing",
            tape="changing",
            mode=None,
            evidence=(),
        )
        out = [*out[: REGIONS_MAX - 1], rest]
    return tuple(out)
