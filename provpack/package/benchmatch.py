"""Does a file belong to a pass? Its time, its length and its capture input each agree, disagree, or it is not
known. Pure: what was seen of the file and of the passes comes in, sentences with figures come out.

A file is attached without a question only where all three agree. Two passes that run side by side on two
chains are often as long as each other to the second, so time and length alone never decide between passes:
the capture input does, and where no `capture_files` says which input a file came from, a person is asked.

All tolerances here are proposals: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from provpack.model.labels import called
from provpack.package.benchfit import FileSeen, Fit, fit, readable_moment
from provpack.package.benchglob import fits_pattern, pattern_fault
from provpack.package.benchline import Fits
from provpack.package.benchstate import Pass

StartsFrom = Literal["modified_time", "bext", "stated", "pass_start", "not_known"]

__all__ = ["Agreement", "FileSeen", "StartsFrom", "match"]

INPUT: Final = ("capture_device_id", "capture_input")
"""What a chain's capture_files speaks of."""

CLEARLY_CLOSER: Final = 2.0
"""So many times further off, plus a second, must another pass of the same chain be before it is no rival."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What was found, and why, in sentences with figures.

    starts_at, starts_from: for the line of the bench log. better: another pass that the file would fit, None
    when this one fits or none does. held_by: another pass that has the file already.
    """

    time: Fits
    length: Fits
    input: Fits
    why: tuple[str, ...]
    starts_at: str | None
    starts_from: StartsFrom
    better: Pass | None = None
    held_by: Pass | None = None

    @property
    def whole(self) -> bool:
        """All three agree, and no other pass has the file: nobody need be asked."""
        return (self.time, self.length, self.input) == ("agrees",) * 3 and self.held_by is None

    def members(self) -> dict[str, Fits]:
        """`agreement` of the bench log's line."""
        return {"time": self.time, "length": self.length, "input": self.input}


def match(
    seen: FileSeen,
    one: Pass,
    *,
    capture_files: str | None,
    others: Sequence[Pass] = (),
    other_files: Mapping[str, str | None] | None = None,
) -> Agreement:
    """Hold a file against a pass. capture_files: of the pass's chain, None or "" where none is given.

    others: every other pass the file might belong to, those that ran at the same time above all; the pass
    itself among them is passed over. other_files: chain -> its capture_files; with it, a pattern that fits
    the files of two chains is found out, and another pass is only called better where its pattern allows it.
    Never raises for what a file or a log says.
    """
    found = fit(seen, one)
    why = list(found.why)
    patterns = dict(other_files or {})
    rest = [o for o in others if (o.transfer_id, o.number) != (one.transfer_id, one.number)]
    from_input = _input(seen.name, one, capture_files, patterns, why)
    rivals = [(o, fit(seen, o), _other_input(seen.name, o, one, from_input, patterns)) for o in rest]
    time = found.time
    if found.fits:
        near = [o for o, theirs, may in rivals if theirs.fits and may != "disagrees"
                and not _settled(one, o, found, theirs, from_input)]  # fmt: skip
        if near:
            time = "not_known"
            why.append(f"By time and length it fits {_names(near)} as well, so they do not tell whose it is.")
    held = next((o for o in rest if o.attached is not None and o.attached.file == seen.name), None)
    if held is not None:
        why.append(f"It is already the file of {_name(held)}.")
    mine: tuple[Fits, ...] = (time, found.length, from_input)
    better = None if mine == ("agrees",) * 3 else _better(rivals)
    if better is not None and from_input == "disagrees":
        why.append(f"It would fit {_name(better)}.")
    starts_at, starts_from = _starts(one, found)
    return Agreement(
        time=time, length=found.length, input=from_input, why=tuple(why),
        starts_at=starts_at, starts_from=starts_from, better=better, held_by=held,
    )  # fmt: skip


def _input(
    name: str, one: Pass, pattern: str | None, others: Mapping[str, str | None], why: list[str]
) -> Fits:
    """Whether the file came from the chain's capture input, as far as patterns can tell."""
    chain = one.chain_id
    if not pattern or not pattern.strip():
        why.append(
            f"It is not stated where the captures of chain {chain} appear, so which input the file came from "
            "is not known."
        )
        return "not_known"
    moved = [f for f in INPUT if f in one.changed]
    if moved and "capture_files" not in one.changed:
        why.append(
            f"For this pass {called(*moved)} differed from what chain {chain} has, so where its "
            "captures appear may not mean this input."
        )
        return "not_known"
    fault = pattern_fault(pattern)
    if fault:
        why.append(f"Where the captures of chain {chain} appear, '{pattern}', {fault}: it tells nothing.")
        return "not_known"
    verdict = fits_pattern(name, pattern)
    if verdict == "disagrees":
        why.append(f"'{name}' is not where chain {chain} captures to ('{pattern}').")
    elif verdict == "not_known":
        why.append(f"'{name}' is where chain {chain} captures to ('{pattern}') but for upper and lower case.")
    else:
        also = [c for c, p in others.items() if c != chain and p and fits_pattern(name, p) != "disagrees"]
        if also:
            why.append(
                f"'{name}' is where chain {chain} captures to, but chain {', '.join(sorted(also))} captures "
                "there too, so that does not tell."
            )
            return "not_known"
        why.append(f"'{name}' is where chain {chain} captures to ('{pattern}').")
    return verdict


def _other_input(
    name: str, other: Pass, one: Pass, from_input: Fits, patterns: Mapping[str, str | None]
) -> Fits:
    if other.chain_id == one.chain_id:
        return from_input
    pattern = patterns.get(other.chain_id)
    return fits_pattern(name, pattern) if pattern else "not_known"


def _settled(one: Pass, other: Pass, mine: Fit, theirs: Fit, from_input: Fits) -> bool:
    """Whether it is plain that the file is this pass's and not the other's."""
    if other.chain_id != one.chain_id:
        return from_input == "agrees"
    return theirs.off > CLEARLY_CLOSER * mine.off + 1.0


def _better(rivals: Sequence[tuple[Pass, Fit, Fits]]) -> Pass | None:
    """The other pass that the file fits best; one that its capture input speaks for comes first."""
    able = [
        (may != "agrees", not theirs.fits, theirs.off, o.n, o)
        for o, theirs, may in rivals
        if may != "disagrees" and (theirs.fits or (may == "agrees" and theirs.time == "agrees"))
    ]
    return min(able, key=lambda row: row[:4])[-1] if able else None


def _starts(one: Pass, found: Fit) -> tuple[str | None, StartsFrom]:
    """When the first sample was taken. Where the file's own times do not fit the pass, a person who attaches
    it all the same says that they are wrong: then the start of the pass is the best there is."""
    if found.time == "agrees" and found.begin is not None:
        return found.begin.isoformat(timespec="milliseconds"), found.begin_from
    if readable_moment(one.started_at) is not None:
        return one.started_at, "pass_start"
    return None, "not_known"


def _name(one: Pass) -> str:
    return f"{one.transfer_id}, pass {one.number}, chain {one.chain_id}"


def _names(passes: Sequence[Pass]) -> str:
    return "; ".join(_name(p) for p in passes)
