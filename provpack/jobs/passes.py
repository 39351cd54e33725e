"""Two or more passes of one carrier, compared bit for bit: `compare_transfer`.

Each pass is held against the best: the one with the fewest frames where it alone looks damaged, then the
longest, then the first. Which that is shows while comparing; n passes take n - 1 comparisons when the first
is the best, and a few more otherwise. Nothing is decided here for the engineer: the proposal becomes a master
only when its ranges stand in the sheet.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any, TypeVar

from provpack.errors import Bug, ProvpackError
from provpack.findings import Finding
from provpack.jobs import passrules
from provpack.jobs.declared import found_at
from provpack.jobs.loaded import LoadedTransfer, Origin
from provpack.jobs.merge import exact_rate
from provpack.jobs.passfiles import PassAudio, open_pass, pass_names, reader
from provpack.jobs.passmerge import Proposed, merge, together
from provpack.jobs.progress import Progress

if TYPE_CHECKING:
    from provpack.measure.passes import Comparison

T = TypeVar("T")

MOST_PASSES = 8
MOST_IN_JSON = 1000
"""Differing stretches of one pair that the result for programs lists."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PassInfo:
    """A compared pass: number, file in the job folder, frames, header rate in Hz, where it is declared."""

    n: int
    file: str
    frames: int
    header_rate: int
    origin: Origin


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """The best pass against another one; `best` is pass 0 of the comparison, `other` pass 1."""

    best: int
    other: int
    comparison: Comparison


@dataclass(frozen=True, slots=True, kw_only=True)
class PassReport:
    """What comparing the passes of a transfer told. rate: exact, Hz; None when the sheet implies none.

    file_pass: the pass whose file is the transfer's own, None when it names no file or one of no pass.
    confirmed: the sheet has an assembly. problems: what kept passes from being compared. csv: whether the
    passes stand in a companion sheet, so that rows for assembly.csv suit better than TOML tables.
    """

    transfer_id: str
    origin: Origin
    rate: Fraction | None
    file_pass: int | None
    has_file: bool
    confirmed: bool
    csv: bool
    passes: tuple[PassInfo, ...] = ()
    pairs: tuple[Pair, ...] = ()
    proposal: Proposed | None = None
    problems: tuple[Finding, ...] = ()

    def findings(self) -> tuple[Finding, ...]:
        """Everything worth saying, for people."""
        from provpack.jobs.passtext import findings_of

        return findings_of(self)

    def sheet_text(self) -> str:
        """The proposed assembly as it can stand in the sheet: rows of assembly.csv where the passes stand in
        passes.csv, else [[transfer.assembly]] tables; "" when there is none, or it is the best pass whole."""
        from provpack.jobs.passtext import csv_rows, toml_tables

        if self.proposal is None or self.confirmed or len(self.proposal.ranges) < 2:
            return ""
        rows = self.proposal.ranges
        return csv_rows(self.transfer_id, rows) if self.csv else toml_tables(rows)

    def as_json(self) -> dict[str, Any]:
        """For programs: passes, pairs, and the proposed assembly in the fields of the sheet."""
        return {
            "passes": [
                {"n": p.n, "file": p.file, "frames": p.frames, "header_rate_hz": p.header_rate}
                for p in self.passes
            ],
            "pairs": [_pair_json(p) for p in self.pairs],
            "proposed_assembly": _proposal_json(self.proposal) if self.proposal else None,
        }


def compare_transfer(transfer: LoadedTransfer, rate: Fraction | None, progress: Progress) -> PassReport:
    """Compare the pass files of a transfer with each other. rate: exact sampling frequency, for times only.

    Raises nothing for what the files hold: what cannot be compared is a finding. Reads each file about twice
    per comparison; memory does not grow with their length. A transfer with fewer than two pass files gives a
    report without pairs and without findings.
    """
    named = pass_names(transfer)
    origin = transfer.origin_of("passes")
    report = PassReport(
        transfer_id=transfer.transfer_id,
        origin=origin,
        rate=rate,
        file_pass=next((n for n, f in named.items() if transfer.file and f is transfer.file), None),
        has_file=transfer.file is not None,
        confirmed=bool(transfer.values.get("assembly")),
        csv=origin.level == "companion",
    )
    if len(named) < 2:
        return report
    with ExitStack() as stack:
        audios, problems = _opened(transfer, named, stack)
        told = [
            PassInfo(
                n=a.n,
                file=a.name,
                frames=a.frames,
                header_rate=a.format.sample_rate,
                origin=_origin_of(transfer, a.n),
            )
            for a in audios.values()
        ]
        report = replace(report, passes=tuple(told), problems=tuple(problems))
        if len(audios) < 2:
            return report
        try:
            pairs, proposal = _Comparing(transfer.transfer_id, audios, progress).run(report.file_pass)
            for audio in audios.values():
                audio.source.check_unchanged()
        except ProvpackError as err:
            if isinstance(err, Bug):
                raise
            what = f"{err.what} ({err.where})"
            problems.append(found_at(passrules.NOT_LOOKED_AT, what, origin, todo=err.todo))
            return replace(report, problems=tuple(problems))
    return replace(report, pairs=pairs, proposal=proposal)


def pass_findings(transfer: LoadedTransfer, progress: Progress) -> tuple[Finding, ...]:
    """What comparing the passes of a transfer tells, with times by its exact rate."""
    known = exact_rate(transfer.values)
    return compare_transfer(transfer, known[0] if known else None, progress).findings()


def _origin_of(transfer: LoadedTransfer, n: int) -> Origin:
    entries = transfer.values.get("passes")
    for i, entry in enumerate(entries if isinstance(entries, list) else ()):
        if isinstance(entry, Mapping) and entry.get("n") == n:
            return transfer.origins.get(f"passes/{i}", transfer.origin_of("passes"))
    return transfer.origin_of("passes")


def _opened(
    transfer: LoadedTransfer, named: Mapping[int, Any], stack: ExitStack
) -> tuple[dict[int, PassAudio], list[Finding]]:
    """The passes that can be compared with each other, by number, and why others cannot."""
    audios: dict[int, PassAudio] = {}
    problems: list[Finding] = []
    files: dict[str, int] = {}
    for n, file in named.items():
        place = _origin_of(transfer, n)
        if file.path is None:
            continue  # the transfer's own findings say why
        twin = files.setdefault(file.relative, n)
        if twin != n:
            what = f"Pass {n} and pass {twin} both name '{file.written}'."
            problems.append(found_at(passrules.SAME_FILE, what, place))
            continue
        if len(audios) >= MOST_PASSES:
            what = f"{MOST_PASSES} passes were compared; pass {n} was not."
            problems.append(found_at(passrules.NOT_LOOKED_AT, what, place))
            continue
        try:
            audios[n] = open_pass(n, file, stack)
        except ProvpackError as err:
            what = f"Pass {n}, '{err.where}': {err.what}"
            problems.append(found_at(passrules.FILE_UNUSABLE, what, place, todo=err.todo))
    if not audios:
        return audios, problems
    shapes = Counter((a.format.channels, a.format.container_bytes) for a in audios.values())
    usual = shapes.most_common(1)[0][0]
    like = next(a for a in audios.values() if (a.format.channels, a.format.container_bytes) == usual)
    for audio in list(audios.values()):
        place = _origin_of(transfer, audio.n)
        if not audio.same_samples(like):
            what = f"Pass {audio.n} has {audio.shape()}, pass {like.n} {like.shape()}."
            problems.append(found_at(passrules.FORMAT, what, place))
            del audios[audio.n]
        elif audio.format.sample_rate != like.format.sample_rate:
            what = (
                f"The header of pass {audio.n} says {audio.format.sample_rate} Hz, that of pass {like.n} "
                f"{like.format.sample_rate} Hz."
            )
            problems.append(found_at(passrules.HEADER_RATE, what, place))
    return audios, problems


class _Comparing:
    """The comparisons of one transfer, each made once."""

    def __init__(self, name: str, audios: Mapping[int, PassAudio], progress: Progress) -> None:
        self._name = name
        self._audios = audios
        self._progress = progress
        self._made: dict[tuple[int, int], Comparison] = {}

    def run(self, first: int | None) -> tuple[tuple[Pair, ...], Proposed | None]:
        """first: the pass that is the best where nothing speaks for another."""
        order = sorted(self._audios, key=lambda n: n != first)
        groups: list[list[int]] = []  # passes with common samples, the best of each group in front
        for n in order:
            for group in groups:
                found = self.of(group[0], n)
                if together(found):
                    group.insert(0 if _other_is_better(found) else len(group), n)
                    break
            else:
                groups.append([n])
        best, *_ = max(groups, key=len)
        pairs = tuple(
            Pair(best=best, other=n, comparison=self.of(best, n)) for n in self._audios if n != best
        )
        proposal = merge(
            best,
            self._audios[best].frames,
            {p.other: p.comparison for p in pairs if together(p.comparison)},
            reader(self._audios, lambda _: None),
        )
        return pairs, proposal

    def of(self, one: int, two: int) -> Comparison:
        """The comparison with pass `one` as pass 0 and pass `two` as pass 1."""
        key = (min(one, two), max(one, two))
        if key not in self._made:
            self._made[key] = self._compare(*key)
        return self._made[key] if key[0] == one else flipped(self._made[key])

    def _compare(self, one: int, two: int) -> Comparison:
        from provpack.measure.passes import compare_passes

        pair = {0: self._audios[one], 1: self._audios[two]}
        total = 2 * sum(a.data.size for a in pair.values())
        self._progress.begin(f"{self._name}: pass {one} against pass {two}", total)
        done = 0

        def told(amount: int) -> None:
            nonlocal done
            step = min(amount, total - done)  # differing places are looked at more than twice
            if step > 0:
                done += step
                self._progress.advance(step)

        found = compare_passes(reader(pair, told), (pair[0].frames, pair[1].frames))
        told(total)
        return found


def _other_is_better(found: Comparison) -> bool:
    damage = [0, 0]
    for s in found.stretches:
        if s.kind == "differing" and s.damaged is not None:
            damage[s.damaged] += max(s.length)
    return (damage[1], -found.frames[1]) < (damage[0], -found.frames[0])


def _swap(pair: tuple[T, T]) -> tuple[T, T]:
    return pair[1], pair[0]


def flipped(found: Comparison) -> Comparison:
    """The same comparison with the two passes changed round."""

    stretches = tuple(
        replace(
            s,
            start=_swap(s.start),
            length=_swap(s.length),
            verdict=replace(
                s.verdict,
                damaged=None if s.verdict.damaged is None else 1 - s.verdict.damaged,
                signs=_swap(s.verdict.signs),
                breaks=_swap(s.verdict.breaks),
            ),
        )
        for s in found.stretches
    )
    sound = replace(found.sound, lag=-found.sound.lag) if found.sound else None
    return replace(found, frames=_swap(found.frames), stretches=stretches, sound=sound)


def _pair_json(pair: Pair) -> dict[str, Any]:
    found = pair.comparison
    differing = [s for s in found.stretches if s.kind != "equal"]
    names = (pair.best, pair.other)
    return {
        "first": pair.best,
        "second": pair.other,
        "relation": found.relation,
        "alignment": found.alignment,
        "equal_frames": found.equal_frames,
        "offsets": [{"frame": frame, "later": lag} for frame, lag in found.lags[:MOST_IN_JSON]],
        "sound": {
            "later": found.sound.lag,
            "correlation": found.sound.correlation,
            "largest_difference": found.sound.largest_difference,
        }
        if found.sound
        else None,
        "differing": [
            {
                "kind": s.kind,
                "first_start": s.start[0],
                "first_length": s.length[0],
                "second_start": s.start[1],
                "second_length": s.length[1],
                "frames": s.differing_frames,
                "damaged": None if s.damaged is None else names[s.damaged],
                "signs": [list(signs) for signs in s.verdict.signs],
            }
            for s in differing[:MOST_IN_JSON]
        ],
        "differing_left_out": found.left_out + max(0, len(differing) - MOST_IN_JSON),
    }


def _proposal_json(proposal: Proposed) -> dict[str, Any]:
    return {
        "base": proposal.base,
        "frames": proposal.frames,
        "whole": proposal.whole,
        "ranges": range_rows(proposal),
        "undecided": [
            {
                "other": u.other,
                "base_start": u.base[0],
                "base_end": u.base[1],
                "other_start": u.theirs[0],
                "other_end": u.theirs[1],
                "target_start": u.target[0],
                "target_end": u.target[1],
            }
            for u in proposal.undecided
        ],
    }


def range_rows(proposal: Proposed) -> Sequence[dict[str, Any]]:
    """The ranges in the fields of `assembly` (schemas/fields.schema.json)."""
    return [
        {
            "pass_n": r.pass_n,
            "source_start": r.source_start,
            "source_end": r.source_end,
            "target_start": r.target_start,
            "target_end": r.target_end,
            **({"note": r.note} if r.note else {}),
        }
        for r in proposal.ranges
    ]
