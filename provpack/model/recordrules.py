"""Judge a transfer record: every domain rule that can be told from the record, without the audio itself.

Pure: no files, no clock. A part that is missing makes its rules silent; what must be there is the schema's
business. Rules 7, 8, 23 and 26 speak only when the record holds measurements.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Final

from provpack.findings import Finding, Severity
from provpack.model import measuredrules, rules
from provpack.model.judge_chain import (
    judge_chain,
    judge_checks,
    judge_clean,
    judge_equipment,
    judge_passes,
)
from provpack.model.judge_custody import judge_custody, judge_people, judge_rights
from provpack.model.judge_lineage import judge_assembly, judge_lineage
from provpack.model.judge_measured import judge_measured
from provpack.model.judge_signal import (
    judge_bits,
    judge_duration,
    judge_emphasis,
    judge_rates,
    judge_segments,
)
from provpack.model.recordview import View, found

_MOST_TOLD: Final = 100
_MILDER: Final[Mapping[Severity, Severity]] = {"error": "warning", "warning": "note", "note": "note"}


def judge_record(
    record: Mapping[str, object],
    *,
    equipment: Mapping[str, object] | None = None,
    delivering: bool = False,
) -> tuple[Finding, ...]:
    """All findings of rules 1-30 on one record, in the order of the rules.

    equipment: the register (schemas/equipment-register.schema.json), for rule 29. delivering: the record is
    about to go to a third party (rule 27). A waiver in the record makes a finding one step milder and says
    so; it never hides one. `where` is "JSON pointer = value", position["path"] the pointer alone.
    """
    view = View(record=record)
    judged: list[Finding] = []
    for findings in (
        judge_rates(view),
        judge_bits(view),
        judge_chain(view),
        judge_emphasis(view),
        judge_lineage(view),
        judge_duration(view),
        judge_segments(view),
        judge_passes(view),
        judge_custody(view),
        judge_clean(view),
        judge_assembly(view),
        judge_rights(view, delivering=delivering),
        judge_people(view),
        judge_equipment(view, equipment),
        judge_checks(view),
        judge_measured(view),
    ):
        judged.extend(_some(findings))
    order = {rule.id: n for n, rule in enumerate((*rules.RULES, *measuredrules.RULES))}
    return tuple(sorted(_waived(judged, view), key=lambda f: order[f.rule]))


def _some(findings: Iterable[Finding]) -> Iterator[Finding]:
    """The first hundred findings of a rule; a hundred thousand say no more."""
    counts: Counter[str] = Counter()
    for finding in findings:
        counts[finding.rule] += 1
        if counts[finding.rule] <= _MOST_TOLD:
            yield finding


def _waived(findings: Iterable[Finding], view: View) -> Iterable[Finding]:
    waivers = {row.text("rule"): row for row in view.rows("waivers")}
    for finding in findings:
        waiver = waivers.get(finding.rule)
        if waiver is None or not waiver.text("reason") or not waiver.text("by"):
            yield finding
        else:
            said = f"Set aside by {waiver.text('by')}, {waiver.text('at')}: {waiver.text('reason')}"
            yield replace(finding, severity=_MILDER[finding.severity], what=f"{finding.what} {said}")


def judge_identities(known: Iterable[tuple[str, str, str | None]]) -> Iterator[Finding]:
    """Domain rule 25 between records: one record_id stands for one audio.

    known: where a record is, its record_id and its audio_sha256. Copies of one record are no finding.
    """
    first: dict[str, tuple[str, str | None]] = {}
    for place, name, digest in known:
        before = first.setdefault(name, (place, digest))
        if before[1] != digest:
            what = f"{before[0]} and {place} have the same record_id and different audio."
            yield found(rules.AUDIO_CHANGED, what, "/record_id", name, severity="warning")
