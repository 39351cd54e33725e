"""Results as lines of plain text. Pure: values in, lines out; nothing is decided here."""

from __future__ import annotations

import re
import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from provpack.findings import Finding
from provpack.package.figures import counted, moment_words, numbered, size_words
from provpack.package.rules import NO_BAG_HERE, NOT_FOUND
from provpack.package.signrules import UNVOUCHED
from provpack.package.signwords import STATES

if TYPE_CHECKING:
    from provpack.jobs.check import CheckResult
    from provpack.jobs.demohandover import HandOver
    from provpack.jobs.verified import Examined, UnitResult, VerifyResult
    from provpack.jobs.wrapped import WrapResult, WrapUnit

WIDTH = 100
_AMOUNT = re.compile(r"(?<!\d)\d{1,3}(?: \d{3}){1,6}(?!\d)")
_GLUE = "\ufdd0"
"""For our own use alone, says Unicode 15, section 23.7 (noncharacters): no text has it."""
_ORDER = {"error": 0, "warning": 1, "note": 2}


def finding_lines(findings: Iterable[Finding], indent: str = "") -> Iterator[str]:
    """Gravest first, otherwise in the order found; each with place, what, and what to do."""
    for finding in sorted(findings, key=lambda f: _ORDER[f.severity]):
        yield f"{indent}{finding.severity.upper():8}{finding.where}"
        yield from wrapped(finding.what, indent + " " * 8)
        yield from wrapped(f"To do: {finding.todo}", indent + " " * 8)
        told = f"{finding.rule}; {finding.reference}" if finding.reference else finding.rule
        yield f"{indent}{' ' * 8}({told})"


def wrapped(text: str, indent: str, rest: str | None = None, width: int = WIDTH) -> list[str]:
    """A text in lines of at most width, words and amounts (1 203) never broken; rest: the indent of all but
    the first line."""
    lines = textwrap.wrap(
        _AMOUNT.sub(lambda found: found[0].replace(" ", _GLUE), text), width,
        initial_indent=indent, subsequent_indent=indent if rest is None else rest,
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
    return [line.replace(_GLUE, " ") for line in lines]


def hanging(text: str, indent: str, rest: str = "") -> list[str]:
    """As wrapped; all lines but the first stand two further in, or as rest says."""
    return wrapped(text, indent, rest or indent + "  ")


def count_words(findings: Iterable[Finding]) -> str:
    """ "2 errors, 1 warning", or "no findings"."""
    counts = Counter(f.severity for f in findings)
    words = [counted(counts[s], s) for s in ("error", "warning", "note") if counts[s]]
    return ", ".join(words) or "no findings"


def check_lines(result: CheckResult) -> Iterator[str]:
    """The result of `check`."""
    name = result.job_id or "(without job_id)"
    yield f"Job {name} in {result.folder}: {counted(len(result.transfers), 'transfer')}"
    yield ""
    if result.findings:
        yield from finding_lines(result.findings)
        yield ""
    yield from _proposed(result)
    for t in result.transfers:
        state = "has errors" if t.errors else "has warnings" if t.warnings else "ready"
        audio = f"{t.frames} frames" if t.frames is not None else "no audio file"
        yield f"  {t.transfer_id or '(no id)':24} {state:14} {audio:20} -> {t.package_name}"
    yield ""
    yield f"{count_words(result.findings)}."
    yield {
        "good": "Everything fits. Next: provpack wrap JOB --to DIR",
        "warnings": "Nothing stands in the way. Read the warnings, then: provpack wrap JOB --to DIR",
        "refused": "Transfers with errors will not be wrapped. Mend the places named, then check again.",
    }[result.outcome]


def _proposed(result: CheckResult) -> Iterator[str]:
    """Assemblies that can be put into the sheet as they stand, hence not indented."""
    for t in result.transfers:
        text = t.passes.sheet_text() if t.passes else ""
        if text and t.passes:
            place = "assembly.csv" if t.passes.csv else f"job.toml, below {t.declared_at.partition(', ')[2]}"
            yield f"Proposed assembly of {t.transfer_id}, for {place}:"
            yield ""
            yield from text.splitlines()
            yield ""


def wrap_lines(result: WrapResult) -> Iterator[str]:
    """The result of `wrap`, and of its dry run."""
    yield f"Job {result.job_id or '(without job_id)'} to {result.destination}" + (
        "  (dry run: nothing was written)" if result.dry_run else ""
    )
    yield ""
    if result.findings:
        yield from finding_lines(result.findings)
        yield ""
    for unit in result.units:
        yield from _unit_lines(unit)
    done = [u for u in result.units if u.outcome in ("wrapped", "planned")]
    there = [u for u in result.units if u.problem and u.problem.code == "destination-exists"]
    left = [u for u in result.units if u.outcome not in ("wrapped", "planned") and u not in there]
    verb = "would be wrapped" if result.dry_run else "wrapped"
    yield ""
    yield f"{numbered(len(done))} of {counted(len(result.units), 'transfer')} {verb}."
    if result.left:
        names = ", ".join(name or "(no id)" for name in result.left)
        yield f"Not asked for, and left ({numbered(len(result.left))}): {names}"
    if there:
        names = ", ".join(u.transfer_id or "(no id)" for u in there)
        yield f"Left alone, because something of that name lies there already: {names}"
        yield f"Whether those are whole packages: provpack verify {result.destination}"
    if left:
        yield "NOT wrapped: " + ", ".join(u.transfer_id or "(no id)" for u in left)
        yield "Mend what is named above and run the same command again: finished packages are left alone."
    elif not result.dry_run and done:
        yield f"Next: provpack verify {result.destination}"


def _unit_lines(unit: WrapUnit) -> Iterator[str]:
    told = {"wrapped": "wrapped", "planned": "would wrap", "refused": "REFUSED", "failed": "FAILED"}
    size = f"  {size_words(unit.payload_bytes)} in {counted(len(unit.files), 'file')}" if unit.files else ""
    yield f"  {unit.transfer_id or '(no id)':24} {told[unit.outcome]:10} -> {unit.package_name}{size}"
    if unit.outcome == "planned":
        for path, length in unit.files:
            yield f"      {path}  {size_words(length)}"
        yield "      and the metadata, report, manifests and READ-ME-FIRST.txt"
    if unit.tagmanifest_sha512:
        yield f"      SHA-512 of tagmanifest-sha512.txt {unit.tagmanifest_sha512[:32]}..."
    if unit.problem:
        yield from wrapped(unit.problem.what, " " * 6)
        yield from wrapped(f"Where: {unit.problem.where}", " " * 6)
        yield from wrapped(f"To do: {unit.problem.todo}", " " * 6)
    yield from finding_lines(unit.findings, " " * 6)


def verify_lines(result: VerifyResult, recorded: Sequence[str]) -> Iterator[str]:
    """The result of `verify`. What is the same for many packages is told once, with their number."""
    unvouched, many = None, 0
    for finding in (f for unit in result.units for f in unit.findings if _tells_of_no_list(f)):
        unvouched, many = unvouched or finding, many + 1
    together = many > 1
    for unit in result.units:
        yield f"{unit.outcome.upper():16}{unit.path}"
        if unit.payload_files:
            algorithms = " + ".join(unit.algorithms) or "nothing compared"
            yield (
                f"{' ' * 16}{counted(unit.payload_files, 'payload file')}, {size_words(unit.payload_bytes)}; "
                f"depth {unit.depth}; {algorithms}"
            )
        if unit.serialisation is not None and unit.name is not None:
            kind = unit.serialisation.removeprefix("application/").removeprefix("x-")
            yield f"{' ' * 16}bag {unit.name}, read in place in the {kind} archive"
        for one in unit.examined:
            yield from wrapped(f"{one.topic}: {_examined_words(one)}", " " * 16)
        yield from finding_lines(
            (f for f in unit.findings if not (together and _tells_of_no_list(f))), " " * 4
        )
    findings = list(result.findings)
    if unvouched is not None and together:
        what = (
            f"The signatures of {counted(many, 'package')} fit, but no list of signers was named, so nothing "
            "says whose keys these are. Their fingerprints are told above."
        )
        findings.append(replace(unvouched, what=what, where=counted(many, "package")))
    if findings:
        yield ""
        yield from finding_lines(findings)
    counts = result.counts()
    yield ""
    told = ", ".join(f"{numbered(n)} {word}" for word, n in counts.items() if n) or "0 packages checked"
    yield f"{told} (depth {result.depth})."
    if result.depth == "listed":
        yield "The payload was not read: this says that everything is there, not that it is unchanged."
    if any(unit.outcome in ("bad", "missing") and not _nothing_there(unit) for unit in result.notable()):
        yield "Repair nothing and delete nothing. Fetch the other copy, verify it too, and compare."
    if counts["could_not_check"]:
        yield "could_not_check is neither good nor bad: mend what is named above and check again."
    asked = result.tally.demands
    if asked["not_met"]:
        yield f"{counted(asked['not_met'], 'package')}: what was asked beyond being intact is NOT met."
    if asked["could_not_check"]:
        yield f"{counted(asked['could_not_check'], 'package')}: what was asked could not be checked."
    yield from recorded


_FACTS = {"principal": "by", "fingerprint": "key", "sealed_at": "sealed", "signers": "list"}
_UNTOLD = frozenset({"state", "namespace", "sealed_at_from"})
"""Facts of a signature that its state tells already, or that only programs ask for."""


def _nothing_there(unit: UnitResult) -> bool:
    """Whether a path was named at which there is no package, and of which no ledger tells."""
    found = {f.rule for f in unit.findings}
    return bool(found) and found <= {NOT_FOUND.id, NO_BAG_HERE.id}


def _tells_of_no_list(finding: Finding) -> bool:
    return finding.rule == UNVOUCHED.id and finding.severity == "note"


def verify_outcome(result: VerifyResult) -> str:
    """The outcome in words for the last line: intact is not good when more was asked and is not there."""
    return {
        "demands_not_met": "intact, but not as asked",
        "demands_not_checked": "intact; what was asked could not be checked",
    }.get(result.verdict, result.outcome)


def _examined_words(one: Examined) -> str:
    """State, demands and the plain facts of one question to a package."""
    words = STATES.get(one.state, one.state) if one.topic == "signature" else one.state
    words = words.replace("_", " ") if one.state != "valid" else one.state
    if one.demands not in ("not_asked", one.state):
        words += f"; what was asked: {one.demands.replace('_', ' ')}"
    told = [
        f"{_FACTS.get(key, key.replace('_', ' '))} {moment_words(value) if isinstance(value, str) else value}"
        for key, value in one.facts.items()
        if isinstance(value, str | int) and not isinstance(value, bool) and value != "" and key not in _UNTOLD
    ]
    return words + (f" ({'; '.join(told)})" if told else "")


def demo_lines(
    job: str,
    files: int,
    wrapped: WrapResult,
    verified: VerifyResult,
    recorded: Sequence[str],
    handed: Sequence[HandOver],
) -> Iterator[str]:
    """The result of `demo`: what was done, and where to look."""
    yield f"Made an invented job of {counted(files, 'file')}: {job}"
    yield ""
    yield from wrap_lines(wrapped)
    yield ""
    yield from verify_lines(verified, recorded)
    for one in handed:
        yield ""
        yield f"Delivered to {one.delivered.client}, received there, and closed with the receipt:"
        yield f"  delivery  {one.delivered.delivery}: {counted(len(one.delivered.delivered), 'package')}"
        yield f"  receipt   {one.received.receipt}: {one.received.outcome}"
        yield f"  ledger    {counted(one.closed.lines_written, 'line')} written: {one.closed.outcome}"
    yield ""
    yield "Where to look:"
    for one in handed:
        yield f"  {one.delivered.delivery}/index.html"
    for unit in wrapped.units:
        if unit.outcome == "wrapped":
            yield f"  {unit.path}/data/report/index.html"
    yield f"  {wrapped.destination}/*/READ-ME-FIRST.txt"
    yield f"  {wrapped.destination}/custody-ledger.jsonl    (and: provpack custody {wrapped.destination})"
    yield "Next: change one byte of a file in a package and verify again; then look at the job folder and"
    yield f"wrap your own: provpack check {job}"
