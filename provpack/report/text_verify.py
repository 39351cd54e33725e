"""What `verify` says of a whole run: what was chosen and why, what a sample says, and the run as a mail."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import timedelta
from itertools import chain, islice
from typing import TYPE_CHECKING

from provpack.findings import Finding
from provpack.model.ages import span_words
from provpack.package import archiverules, rules
from provpack.package.bagpaths import readable
from provpack.package.figures import counted, numbered, size_words
from provpack.report.text import wrapped

if TYPE_CHECKING:
    from provpack.jobs.choose import Sampled
    from provpack.jobs.reverify import Selection
    from provpack.jobs.verified import UnitResult, VerifyResult

_WIDTH = 72
_DIGEST = re.compile(r"\b([0-9a-f]{16})[0-9a-f]{48,}\b")
_NONE_HERE = rules.NO_BAG_HERE.id
_PASSED = {
    rules.LINK_PASSED.id: "link",
    f"{archiverules.PASSED_OVER.id}: {archiverules.NOT_LOOKED_INTO}": "compressed archive",
}
"""Rule, or rule and what it says -> what was passed over."""
_COMMAND = re.compile(r" *provpack [a-z]")
_SHORT = ("not_met", "could_not_check")
_MOST_TOLD = 50
_MOST_FINDINGS = 3


def selection_lines(selection: Selection) -> Iterator[str]:
    """What was chosen of what there is, and what is left for the next run; nothing when all was wanted."""
    if not selection.everything:
        yield _chosen(selection)
        yield from _left(selection)
    if selection.again:
        yield f"Once found bad or missing, so checked every time: {_few(selection.again)}."
    if selection.sample is not None:
        yield from sample_lines(selection.sample, len(selection.again), selection.gone)
    yield from selection.remarks


def sample_lines(sample: Sampled, again: int = 0, gone: int = 0) -> Iterator[str]:
    """What a sample says of all from which it was drawn. again: once bad, checked besides; gone: likewise."""
    confidence = sample.as_json()["confidence"]
    checked, not_good = sample.checked, sample.not_good
    if not sample.drawn:
        yield "There was nothing to draw a sample from."
        return
    yield (
        f"Sample: {numbered(sample.drawn)} of {counted(sample.population, 'package')} drawn at random "
        f"(seed {sample.seed}); of {numbered(checked)} checked, {numbered(checked - not_good)} good and "
        f"{numbered(not_good)} not."
    )
    if sample.at_most is None:
        yield "The sample was not finished, so it says nothing of the packages that were not drawn."
        return
    yield (
        f"With {confidence} confidence at most {numbered(sample.at_most)} of the "
        f"{numbered(sample.population)} are not good, at the depth of this check and as they were now. (Of "
        f"all samples that could have been drawn, at least {confidence} lead to a figure that holds; "
        "could_not_check counts as not good.)"
    )
    if again:
        yield f"Not part of these figures: {counted(again, 'package')} once found bad, checked besides."
    if gone:
        yield f"Nor part of them: {counted(gone, 'package')} that {_are(gone)} not there any more."


def unlisted_lines(gone: int) -> Iterator[str]:
    """What the catalogue knows besides those that it lists for a check."""
    if gone:
        yield (
            f"Not looked for: {counted(gone, 'package')} that {'was' if gone == 1 else 'were'} gone already "
            "when the catalogue last looked at their folders; provpack audit lists them."
        )


def _chosen(selection: Selection) -> str:
    asked = selection.wish
    if not selection.known:
        return "Nothing is due: no package is known here."
    if not selection.due:
        since = f" within {span_words(asked.older_than)}" if asked.older_than else ""
        return f"Nothing is due: {counted(selection.known, 'package')} known, every one found good{since}."
    words = f"{counted(selection.known, 'package')} known"
    if asked.older_than:
        since = span_words(asked.older_than)
        words += f", {numbered(selection.due)} due (not found good for {since}, or once bad)"
    if selection.bare:
        words += f", {numbered(selection.bare)} without a good check before"
    order = ", the longest unchecked first" if asked.oldest_first else ""
    return f"{words}; {numbered(selection.checked)} checked{order}."


def _left(selection: Selection) -> Iterator[str]:
    if selection.left:
        budget = f" after {span_words(selection.time_budget)}" if selection.time_budget else ""
        yield f"No more was begun{budget}: {_left_words(selection)}. The same command goes on there."
        if selection.round is not None:
            yield (
                f"At this speed the whole round of {counted(selection.due, 'package')} takes "
                f"{_about(selection.round)}."
            )


def _left_words(selection: Selection) -> str:
    words = f"{numbered(selection.left)} left"
    if selection.bare_left:
        return f"{words}, {numbered(selection.bare_left)} of them without a good check"
    return f"{words}, oldest check {selection.oldest_left:%Y-%m-%d}" if selection.oldest_left else words


# --- as a mail ---


def brief_lines(result: VerifyResult, selection: Selection, recorded: Sequence[str]) -> Iterator[str]:
    """The run as a mail: the first line says all, then what needs somebody, totals and what comes next.

    ASCII, 72 columns but for the first line, which may be the subject of the mail, for longer paths, and for
    commands, which are never wrapped.
    """
    yield _ascii(f"provpack: {subject(result, selection)}")
    for line in _brief(result, selection, recorded):
        yield from _plain(line)


def _brief(result: VerifyResult, selection: Selection, recorded: Sequence[str]) -> Iterator[str]:
    yield ""
    yield from _needs_somebody(result)
    yield "TOTALS"
    for name, count in result.counts().items():
        if count or name == "good":
            yield f"  {numbered(count):>7}  {name}"
    size = result.tally.bytes_read
    speed = f", {size_words(round(size / seconds))} per second" if (seconds := _seconds(selection)) else ""
    yield f"  {size_words(size)} read in {span_words(selection.elapsed)}{speed}, depth {result.depth}."
    for line in (*passed_over_lines(result.findings), *selection_lines(selection), *recorded):
        yield f"  {line}"


def passed_over_lines(findings: Iterable[Finding]) -> Iterator[str]:
    """How much was met on the way and not looked into; nothing when there was nothing. Staging folders of
    interrupted runs are warnings, and told as such."""
    many = Counter(
        word
        for finding in findings
        if (word := _PASSED.get(finding.rule) or _PASSED.get(f"{finding.rule}: {finding.what}"))
    )
    if many:
        words = ", ".join(counted(many[word], word) for word in _PASSED.values() if many[word])
        yield f"passed over: {words}."


def subject(result: VerifyResult, selection: Selection) -> str:
    """One line that says all."""
    return "".join(f"{told}; " for told in _before_all(result)) + _of_units(result, selection)


def _before_all(result: VerifyResult) -> Iterator[str]:
    """What no count of checked packages shows."""
    many = Counter(finding.rule for finding in result.findings)
    if gone := many[rules.LEDGER_MISSING.id]:
        yield f"{counted(gone, 'package')} of the ledgers {_are(gone)} not there any more"
    if untold := many[rules.LEDGER_UNTOLD.id]:
        others = f"{numbered(untold)} {'other is' if untold == 1 else 'others are'}"
        yield f"whether {others} still there cannot be told"
    if other := sum(f.rule == rules.LEDGER_OTHER.id for u in result.notable() for f in u.findings):
        yield f"{counted(other, 'package')} {_are(other)} not the one found good there before"
    if many[rules.NOT_RECORDED.id]:
        yield "NOT recorded in the ledger"
    yield from (
        f"the page could NOT be written: {finding.what.partition(': ')[2].rstrip('.')}"
        for finding in result.findings
        if finding.rule == rules.PAGE_NOT_WRITTEN.id
    )


def _of_units(result: VerifyResult, selection: Selection) -> str:
    counts, total = result.counts(), len(result.units)
    wrong = total - counts["good"]
    of_all = f"of {counted(total, 'package')}"
    left = f"; {_left_words(selection)}" if selection.left else ""
    said = (rules.LEDGER_MISSING.id, rules.LEDGER_UNTOLD.id, rules.NOT_RECORDED.id, rules.PAGE_NOT_WRITTEN.id)
    warnings = sum(f.severity != "note" and f.rule not in said for f in result.findings)
    besides = f"; {counted(warnings, 'warning')} besides" if warnings else ""
    if wrong and not selection.known and all(map(_is_no_package, result.units)):
        where = result.units[0].path if total == 1 else f"any of the {numbered(total)} paths"
        return f"no package was found at {where}, so nothing was checked{left}{besides}"
    if wrong:
        kinds = ", ".join(f"{numbered(n)} {word}" for word, n in counts.items() if n and word != "good")
        return f"{numbered(wrong)} {of_all} {_are(wrong)} not good ({kinds}){left}{besides}"
    short = sum(result.tally.demands[word] for word in _SHORT)
    if short:
        return f"{numbered(short)} {of_all} {_are(short)} intact but not as asked{left}{besides}"
    if not total:
        if selection.left:
            return f"nothing was checked{left}{besides}"
        return f"nothing is due of {counted(selection.known, 'package')}{besides}"
    warned = result.tally.warned
    told = f", {numbered(warned)} with warnings" if warned else ""
    all_of = "the 1 package" if total == 1 else f"all {numbered(total)} packages"
    return f"{all_of} checked {_are(total)} good{told}{_bound(selection.sample)}{left}{besides}"


def _bound(sample: Sampled | None) -> str:
    if sample is None or sample.at_most is None:
        return ""
    confidence, of_all = sample.as_json()["confidence"], numbered(sample.population)
    return f"; of {of_all} at most {numbered(sample.at_most)} are not ({confidence} confidence)"


def _is_no_package(unit: UnitResult) -> bool:
    return unit.name is None and {f.rule for f in unit.findings} == {_NONE_HERE}


def _is_wanted(unit: UnitResult) -> bool:
    return unit.outcome != "good" or unit.demands in _SHORT


def _needs_somebody(result: VerifyResult) -> Iterator[str]:
    wanted = sum(map(_is_wanted, result.notable()))
    besides = (f for u in result.notable() if not _is_wanted(u) for f in u.findings if f.severity != "note")
    others = chain(besides, (f for f in result.findings if f.severity != "note"))
    grouped = list(_grouped(others))
    if not wanted and not grouped:
        return
    yield "NEEDS SOMEBODY"
    for unit in islice(filter(_is_wanted, result.notable()), _MOST_TOLD):
        yield from _unit(unit)
    if wanted > _MOST_TOLD:
        yield f"  and {numbered(wanted - _MOST_TOLD)} more; without --brief, or with --json, all are listed."
    yield from grouped
    yield ""
    counts = result.counts()
    if counts["bad"] or counts["missing"]:
        yield "WHAT TO DO"
        yield "  Repair nothing and delete nothing. Fetch the other copy, verify it too, and compare."
        yield ""
    elif counts["could_not_check"]:
        yield "WHAT TO DO"
        yield "  could_not_check is neither good nor bad: mend what is named above and check again."
        yield ""


def _unit(unit: UnitResult) -> Iterator[str]:
    word = unit.outcome if unit.outcome != "good" else "not as asked"
    yield f"  {word.upper()}  {unit.path}"
    grave = [f for f in unit.findings if f.severity == "error"] or list(unit.findings)
    said = list(dict.fromkeys(f"    {finding.where}: {finding.what}" for finding in grave))
    yield from said[:_MOST_FINDINGS]
    if len(said) > _MOST_FINDINGS:
        yield f"    and {numbered(len(said) - _MOST_FINDINGS)} more findings"
    if grave:
        yield f"    To do: {grave[0].todo}"


def _grouped(findings: Iterable[Finding]) -> Iterator[str]:
    """Warnings of one kind once, with their number."""
    first: dict[str, Finding] = {}
    many: Counter[str] = Counter()
    for finding in findings:
        first.setdefault(finding.rule, finding)
        many[finding.rule] += 1
    for rule, finding in first.items():
        times = f" ({numbered(many[rule] - 1)} more of this kind)" if many[rule] > 1 else ""
        yield f"  {finding.severity.upper()}  {finding.where}"
        yield f"    {finding.what}{times}"
        yield f"    To do: {finding.todo}"


def _plain(line: str) -> Iterator[str]:
    """ASCII, wrapped, digests cut short; what stands under something keeps standing under it."""
    if _COMMAND.match(line):
        yield _ascii(line)  # one that is wrapped, or cut short, cannot be typed
        return
    text = _ascii(_DIGEST.sub(r"\1...", line))
    indent = text[: len(text) - len(text.lstrip())]
    yield from wrapped(text.strip(), indent, f"{indent}  " if indent else "", _WIDTH) or [""]


def _ascii(text: str) -> str:
    return readable(text.replace("\u202f", " ")).encode("ascii", "backslashreplace").decode("ascii")


def _seconds(selection: Selection) -> float:
    return selection.elapsed.total_seconds()


def _about(span: timedelta) -> str:
    words = span_words(span)
    return words if words.startswith("under") else f"about {words}"


def _few(paths: Sequence[str]) -> str:
    more = f" and {numbered(len(paths) - 5)} more" if len(paths) > 5 else ""
    return ", ".join(paths[:5]) + more


def _are(many: int) -> str:
    return "is" if many == 1 else "are"
