"""What comparing passes told, in words for the engineer, and the proposed assembly as text for the sheet."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from provpack.findings import Finding, Rule, Severity
from provpack.jobs import passrules
from provpack.jobs.passfiles import frame_words, span
from provpack.jobs.passmerge import ProposedRange, together, why_damaged
from provpack.package.figures import counted

if TYPE_CHECKING:
    from provpack.jobs.passes import Pair, PassReport
    from provpack.measure.passes import Stretch

MOST_LISTED = 20
"""Differing stretches of one pair that are told one by one: the longest, in order of time."""
MOST_OFFSETS = 5
COLUMNS = ("transfer_id", "pass_n", "source_start", "source_end", "target_start", "target_end", "note")


def findings_of(report: PassReport) -> tuple[Finding, ...]:
    """All findings of a report: problems, then each pair, then what to do."""
    return (*report.problems, *_Words(report).all())


class _Words:
    def __init__(self, report: PassReport) -> None:
        self.report = report
        self.rate = report.rate

    def all(self) -> Iterator[Finding]:
        for pair in self.report.pairs:
            yield from self._pair(pair)
        report = self.report
        if report.pairs and report.has_file and report.file_pass is None and not report.confirmed:
            files = ", ".join(f"'{p.file}'" for p in report.passes)
            yield self._found(passrules.UNEXPLAINED, f"The passes made {files}.")
        yield from self._better()
        yield from self._undecided()
        yield from self._proposed()

    def _found(
        self,
        rule: Rule,
        what: str,
        *,
        frame: int | None = None,
        severity: Severity | None = None,
        todo: str = "",
    ) -> Finding:
        origin = self.report.origin
        position = origin.position() | ({} if frame is None else {"frame": frame})
        where = f"{origin}, {self.report.transfer_id}"
        return rule.found(what, where, todo=todo, severity=severity, position=position)

    def _at(self, n: int, frame: int) -> str:
        return f"pass {n} at {frame_words(frame, self.rate)}"

    # -- one pair ----------------------------------------------------------------------------------------
    def _pair(self, pair: Pair) -> Iterator[Finding]:
        found = pair.comparison
        both = f"Pass {pair.best} and pass {pair.other}"
        if found.relation == "identical":
            what = f"{both} hold the same {span(found.frames[0], self.rate)}, every bit equal."
            if found.alignment == "assumed":
                what += " (They are silent or uniform throughout, so that says little.)"
            yield self._found(passrules.IDENTICAL, what)
            return
        if found.relation == "differ_everywhere" and found.sound is not None:
            yield self._found(
                passrules.EVERYWHERE,
                f"{both} sound alike (correlation {found.sound.correlation:.4f} at least, in "
                f"{found.sound.places} places; pass {pair.other} has the same "
                f"{self._later(found.sound.lag)}), but no 64 frames in a row are equal. Codes differ by up "
                f"to {found.sound.largest_difference} there.",
            )
            return
        if not found.stretches:
            lengths = " and ".join(span(n, self.rate) for n in found.frames)
            yield self._found(passrules.UNALIGNED, f"{both}, {lengths}: nothing common was found.")
            return
        differing = [s for s in found.stretches if s.kind != "equal"]
        if not together(found):
            lost = sum(s.differing_frames for s in differing if s.kind == "differing")
            longest = max(s.differing_frames for s in differing)
            yield self._found(
                passrules.EVERYWHERE,
                f"{both}: {span(lost, self.rate)} differ, {span(longest, self.rate)} of them in one stretch, "
                f"and most of it shows no damage. {span(found.equal_frames, self.rate)} are equal, which "
                "silence and soft passages can be by chance.",
            )
            return
        yield self._found(passrules.ALIGNED, f"{both}: {self._alignment(pair, differing)}")
        listed = sorted(sorted(differing, key=lambda s: -max(s.length))[:MOST_LISTED], key=lambda s: s.start)
        for s in listed:
            yield self._found(passrules.DIFFERS, self._stretch(pair, s), frame=s.start[0])
        if len(differing) > len(listed):
            rest = len(differing) - len(listed)
            yield self._found(
                passrules.MORE_DIFFERENCES, f"{both}: {rest} more, shorter ones. {self._tally(pair)}"
            )
        if found.left_out:
            what = (
                f"{both} differ in {len(differing) + found.left_out} places; what lies behind "
                f"{frame_words(found.stretches[-1].start[0], self.rate)} of pass {pair.best} was not judged."
            )
            yield self._found(passrules.TOO_MANY, what)

    def _later(self, lag: int) -> str:
        if lag == 0:
            return "at the same frames"
        return f"{span(abs(lag), self.rate)} {'later' if lag > 0 else 'earlier'}"

    def _alignment(self, pair: Pair, differing: Sequence[Stretch]) -> str:
        found = pair.comparison
        first, *changes = found.lags or ((0, 0),)
        common = max(1, min(found.frames))
        said = [f"pass {pair.other} has the same samples {self._later(first[1])}"]
        if found.alignment == "assumed":
            said = [
                "too uniform to tell how they lie (silence, a steady tone), so compared from their starts"
            ]
        for frame, lag in changes[:MOST_OFFSETS]:
            said.append(f"from {frame_words(frame, self.rate)} of pass {pair.best} on, {self._later(lag)}")
        if len(changes) > MOST_OFFSETS:
            said.append(f"{len(changes) - MOST_OFFSETS} more changes of offset")
        lost = " Frames were lost or put in by one chain where the offset changes." if changes else ""
        inside = [s for s in differing if s.kind == "differing"]
        # Floored: 100.00 % must mean all of it.
        share = f"{found.equal_frames * 10_000 // common / 100:.2f} % of the shorter pass"
        equal = f"{span(found.equal_frames, self.rate)} are equal bit for bit, {share}"
        if not inside:
            return f"{'; '.join(said)}. {equal}; nothing they share differs.{lost}"
        frames = sum(s.differing_frames for s in inside)
        where = counted(len(inside), "stretch", "stretches")
        return f"{'; '.join(said)}. {equal}; {span(frames, self.rate)} in {where} differ.{lost}"

    def _stretch(self, pair: Pair, s: Stretch) -> str:
        (a, b), (la, lb) = s.start, s.length
        names = (pair.best, pair.other)
        if s.kind == "only":
            has = 0 if la else 1
            side = "before the other begins" if s.start[1 - has] == 0 else "after the other has ended"
            return (
                f"Only pass {names[has]} has {span(max(la, lb), self.rate)} from "
                f"{frame_words(s.start[has], self.rate)} on, {side}."
            )
        if not (la and lb):
            has = 0 if la else 1
            return (
                f"Pass {names[1 - has]} has nothing at {frame_words(s.start[1 - has], self.rate)} where pass "
                f"{names[has]} has {span(max(la, lb), self.rate)} from "
                f"{frame_words(s.start[has], self.rate)} on: lost by one, or put in by the other. "
                f"{self._verdict(s, names)}"
            )
        place = f"{self._at(names[0], a)} for {span(la, self.rate)}, {self._at(names[1], b)}"
        if la != lb:
            place += f" for {span(lb, self.rate)}"
        differ = "of unequal length" if la != lb else f"{s.differing_frames} of them differ"
        return f"{place[0].upper()}{place[1:]}: {differ}. {self._verdict(s, names)}"

    def _verdict(self, s: Stretch, names: tuple[int, int]) -> str:
        if s.damaged is not None:
            said = why_damaged(names[s.damaged], s.verdict.signs[s.damaged])
            return f"{said[0].upper()}{said[1:]}; pass {names[1 - s.damaged]} goes on unbroken."
        if all(s.verdict.signs):
            return "Both look damaged, so nothing tells which to take."
        return "Nothing in these two tells which is right."

    def _tally(self, pair: Pair) -> str:
        counts = {pair.best: 0, pair.other: 0, None: 0}
        names = (pair.best, pair.other)
        for s in pair.comparison.stretches:
            if s.kind == "differing":
                counts[None if s.damaged is None else names[s.damaged]] += 1
        return (
            f"In all, pass {names[0]} looks damaged in {counts[names[0]]}, pass {names[1]} looks damaged in "
            f"{counts[names[1]]}, and nothing tells in {counts[None]}."
        )

    # -- what to do --------------------------------------------------------------------------------------
    def _better(self) -> Iterator[Finding]:
        """The transfer's own file is damaged where another pass is sound."""
        own = self.report.file_pass
        if own is None or self.report.confirmed:
            return
        bad = []
        for pair in self.report.pairs:
            side = {pair.best: 0, pair.other: 1}.get(own)
            if side is None or not together(pair.comparison):
                continue
            bad += [
                (s.start[side], s.start[side] + s.length[side], max(s.length))
                for s in pair.comparison.stretches
                if s.kind == "differing" and s.damaged == side
            ]
        if not bad:
            return
        # Two other passes may show the same damage: the places are counted once.
        places: list[tuple[int, int, int]] = []
        for start, end, frames in sorted(bad):
            if places and start <= places[-1][1]:
                last = places.pop()
                start, end, frames = last[0], max(last[1], end), max(last[2], frames, end - last[0])
            places.append((start, end, frames))
        file = next(p.file for p in self.report.passes if p.n == own)
        places_word = counted(len(places), "stretch", "stretches")
        lost = span(sum(p[2] for p in places), self.rate)
        what = (
            f"'{file}' (pass {own}) looks damaged in {places_word}, {lost} in all, where another pass is "
            f"sound; the first at {frame_words(places[0][0], self.rate)}."
        )
        yield self._found(passrules.BETTER, what, frame=places[0][0])

    def _undecided(self) -> Iterator[Finding]:
        proposal = self.report.proposal
        if proposal is None or not proposal.undecided:
            return
        frames = sum(max(u.base[1] - u.base[0], u.theirs[1] - u.theirs[0]) for u in proposal.undecided)
        first = ", ".join(
            f"{frame_words(u.base[0], self.rate)} "
            f"(against pass {u.other}, frames {u.theirs[0]} to {u.theirs[1]})"
            for u in proposal.undecided[:3]
        )
        open_ = len(proposal.undecided)
        what = (
            f"{counted(open_, 'stretch', 'stretches')}, {span(frames, self.rate)} in all, where nothing "
            f"tells which pass is right; the proposal takes pass {proposal.base} there. In pass "
            f"{proposal.base}: {first}{', ...' if open_ > 3 else ''}."
        )
        severity: Severity | None = "note" if self.report.confirmed else None
        frame = proposal.undecided[0].base[0]
        yield self._found(passrules.UNDECIDED, what, frame=frame, severity=severity)

    def _proposed(self) -> Iterator[Finding]:
        proposal = self.report.proposal
        if proposal is None or self.report.confirmed:
            return
        if proposal.whole:
            if self.report.file_pass == proposal.base:
                return
            file = next(p.file for p in self.report.passes if p.n == proposal.base)
            yield self._found(
                passrules.BEST,
                f"Pass {proposal.base} is the best as it stands; no frame of another pass is needed.",
                todo=f"Name '{file}' as the file of the transfer. The other passes are kept beside it.",
            )
            return
        sources: dict[int, list[int]] = {}
        for r in proposal.ranges:
            sources.setdefault(r.pass_n, []).append(r.source_end - r.source_start)
        parts = [
            f"{span(sum(sizes), self.rate)} of pass {n} in {counted(len(sizes), 'range')}"
            for n, sizes in sorted(sources.items(), key=lambda kv: (kv[0] != proposal.base, kv[0]))
        ]
        what = f"A master of {span(proposal.frames, self.rate)}: {'; '.join(parts)}."
        yield self._found(passrules.PROPOSED, what)


def csv_rows(transfer_id: str, ranges: Sequence[ProposedRange]) -> str:
    """Header and rows for assembly.csv, comma-separated (edge/tables.py reads them back)."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for r in ranges:
        row = (transfer_id, r.pass_n, r.source_start, r.source_end, r.target_start, r.target_end, r.note)
        writer.writerow(row)
    return out.getvalue()


def toml_tables(ranges: Sequence[ProposedRange]) -> str:
    """[[transfer.assembly]] tables, to stand right below the [[transfer]] they belong to."""
    parts = []
    for r in ranges:
        lines = ["[[transfer.assembly]]"]
        lines += [f"{key} = {getattr(r, key)}" for key in COLUMNS[1:6]]
        if r.note:
            lines.append(f"note = {json.dumps(r.note, ensure_ascii=False)}")  # a TOML basic string
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)
