"""Results of `deliver`, `receive` and `close` as lines of plain text. Pure: values in, lines out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from provpack.package.figures import counted, numbered, size_words
from provpack.report.text import count_words, finding_lines

if TYPE_CHECKING:
    from provpack.findings import Finding
    from provpack.jobs.closing import CloseResult
    from provpack.jobs.delivered import DeliverResult
    from provpack.jobs.receipts import ReceiveResult, ReceiveUnit

_UNIT = {
    "delivered": "delivered",
    "not_delivered": "NOT DELIVERED",
    "not_asked": "left alone",
    "held_back": "held back",
}
_CONCLUSION = {
    "accepted": "ACCEPTED: everything is there, unchanged, and as the papers say.",
    "accepted_with_remarks": "ACCEPTED WITH REMARKS: what the delivery note names is there and "
    "unchanged; read the remarks above.",
    "refused": "REFUSED: not everything is as it should be. Repair nothing and delete nothing; see above.",
}
_WITHOUT_PAPERS = {
    **_CONCLUSION,
    "accepted": "ACCEPTED: what came is whole and unchanged by its own checksums. No delivery note says what "
    "should have come.",
    "accepted_with_remarks": "ACCEPTED WITH REMARKS: what came is whole and unchanged by its own checksums; "
    "read the remarks above. No delivery note says what should have come.",
}
_NOTE_SIGNATURE = {
    "valid": "The delivery note is signed by a key on your list.",
    "unvouched": "The delivery note is signed; whose key that is, no list of your own says.",
    "foreign": "The delivery note is signed by a key that is NOT on your list.",
    "expired": "The delivery note is signed by a key that your list does not hold for that time.",
    "wrong": "The signature of the delivery note does NOT fit it.",
    "missing": "The delivery note is not signed.",
    "could_not_check": "The signature of the delivery note could not be checked.",
}


def deliver_lines(result: DeliverResult) -> Iterator[str]:
    """The result of `deliver`."""
    yield f"For {result.client or '(no client could be told)'}, as {result.form}"
    yield ""
    if result.findings:
        yield from finding_lines(result.findings)
        yield ""
    for unit in result.units:
        yield f"  {_UNIT[unit.outcome]:14}{unit.name}  {size_words(unit.size)}"
        yield from finding_lines(unit.findings, " " * 6)
    counts = Counter(unit.outcome for unit in result.units)
    yield ""
    total = sum(unit.size for unit in result.delivered)
    yield f"{counted(counts['delivered'], 'package')} delivered, {size_words(total)}, every byte checked."
    if counts["not_asked"]:
        yield f"{counted(counts['not_asked'], 'package')} of other clients left alone."
    if counts["not_delivered"]:
        names = ", ".join(u.name for u in result.units if u.outcome == "not_delivered")
        yield f"NOT delivered: {names}"
    if result.problem is not None:
        yield f"{result.problem.what}"
        yield f"Where: {result.problem.where}"
        yield f"To do: {result.problem.todo}"
    if result.delivery is None:
        yield "Nothing was written."
        return
    yield f"The delivery: {result.delivery}"
    yield f"SHA-512 of its delivery note: {result.note_sha512}"
    if result.ledger_lines:
        yield f"Entered in the custody ledger ({counted(result.ledger_lines, 'line')})."
    else:
        yield "NOT entered in any custody ledger; see the warnings above."
    yield "Next: copy that folder whole to the client's medium. When the receipt comes back:"
    yield "  provpack close RECEIPT --ledger FOLDER-OF-THE-PACKAGES --signers LIST-OF-KEYS"


def receive_lines(result: ReceiveResult) -> Iterator[str]:
    """The result of `receive`."""
    content = result.content
    yield f"{'Delivery' if result.kind == 'delivery' else 'Packages'}: {result.path}"
    yield ""
    shared = _shared(result.units)
    told = [*result.findings, *shared.values()]
    if told:
        yield from finding_lines(told)
        yield ""
    for unit in result.units:
        alone = [f for f in unit.findings if _key(f) not in shared]
        said = "; ".join(word for word in (_noted(unit, result.kind), count_words(alone)) if word)
        yield f"  {_came(unit).upper():16}{unit.found.name}  ({said})"
        yield from finding_lines(alone, " " * 6)
    counts = Counter(_came(unit) for unit in result.units)
    yield ""
    yield ", ".join(f"{numbered(n)} {word}" for word, n in counts.items()) + f" (depth {content['depth']})."
    if result.kind == "delivery":
        there = content["delivery_note_sha512"] is not None
        yield _NOTE_SIGNATURE[content["note_signature"]] if there else "The delivery note is not there."
    yield (_CONCLUSION if result.kind == "delivery" else _WITHOUT_PAPERS)[result.outcome]
    yield ""
    yield f"Receipt written: {result.receipt}"
    yield f"SHA-512 of the receipt: {result.receipt_sha512}"
    if result.receipt_signature:
        yield f"Its signature: {result.receipt_signature}"
    who = content["received_by"]
    named = [word for word in (who["name"], who["organisation"]) if word]
    yield (
        f"It names {' of '.join(named)} as receiver, as you asked."
        if named
        else "It names nobody as receiver; --by and --organisation do, if you wish."
    )
    both = "both files" if result.receipt_signature else "this file"
    yield f"Send {both} back to whoever delivered, and keep a copy with your papers."
    yield "Until the sender has confirmed it, no original and no working copy should be given away or wiped."


def _came(unit: ReceiveUnit) -> str:
    """The outcome for people: what came with files missing is not missing, but incomplete."""
    return "incomplete" if unit.found.outcome == "missing" and unit.came else unit.found.outcome


def _noted(unit: ReceiveUnit, kind: str) -> str:
    """How it stands to the note; nothing soothing of a package that is not good."""
    if kind == "packages":
        return "no note"
    if not unit.came:
        return "the note names it"
    if unit.found.as_noted is None:
        return "no note names it"
    if not unit.found.as_noted:
        return "NOT AS NOTED"
    return "as noted" if unit.found.outcome == "good" else ""


def _key(finding: Finding) -> tuple[str, str, str]:
    return finding.rule, finding.severity, finding.what


def _shared(units: Sequence[ReceiveUnit]) -> dict[tuple[str, str, str], Finding]:
    """The note about a key that no list vouches for, once for all packages signed with that key."""
    found = [f for unit in units for f in unit.findings if (f.rule, f.severity) == ("sig-unvouched", "note")]
    many = Counter(map(_key, found))
    return {
        _key(f): replace(f, where=counted(many[_key(f)], "package"), what=f"Of each of them: {f.what}")
        for f in found
        if many[_key(f)] > 1
    }


def close_lines(result: CloseResult) -> Iterator[str]:
    """The result of `close`."""
    content = result.content
    who = [w for w in (content["received_by"]["name"], content["received_by"]["organisation"]) if w]
    yield f"Receipt {result.receipt}"
    yield f"  says '{content['conclusion']}' of {counted(len(content['packages']), 'package')}" + (
        f", by {' of '.join(who)}" if who else ""
    )
    if content["remarks"]:
        yield f"  remarks: {' '.join(str(content['remarks']).split())}"
    if result.signature.state == "valid":
        yield f"  signed by {result.signature.principal}"
    yield ""
    if result.findings:
        yield from finding_lines(result.findings)
        yield ""
    packages, lines = counted(len(result.packages), "package"), counted(result.lines_written, "line")
    if result.outcome == "refused":
        fits = all(f.rule == "close-not-vouched-for" for f in result.findings if f.severity == "error")
        yield "Nobody vouches for the receipt." if fits else "The receipt does not fit."
        yield "Nothing was closed, and nothing was written to the ledger."
    elif result.already:
        yield "This receipt had been entered before. Nothing was written."
    elif content["conclusion"] == "refused":
        yield f"The refusal of {packages} is entered ({lines})."
        yield "The hand-over stays open: look at what the receiver found, and deliver again."
    else:
        yield f"The hand-over of {packages} is closed ({lines})."
    if result.outcome != "refused":
        signed = result.signature.state != "missing"
        yield f"Keep the receipt{' and its .sig' if signed else ''} with the job's papers: the ledger holds"
        yield "only its digest."
    yield f"Ledger: {result.ledger}"
