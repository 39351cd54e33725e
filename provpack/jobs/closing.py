"""Close a hand-over: hold a receipt against the custody ledger, and enter it when nothing contradicts it.

Nothing is ever closed falsely: as soon as one thing does not fit, nothing at all is written, and what does
not fit is told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from provpack import __version__
from provpack.edge.hashing import digest_bytes
from provpack.edge.ledger import LEDGER_NAME
from provpack.edge.place import FolderPlace
from provpack.edge.reading import read_small
from provpack.errors import InputProblem
from provpack.findings import Finding, worst
from provpack.jobs import deliveryrules as rules
from provpack.jobs.closinglate import is_delivered, late_lines
from provpack.jobs.deliverypapers import strangers_document
from provpack.jobs.signatures import SignatureVerdict, judge_signature
from provpack.package.bagpaths import readable
from provpack.package.documents import MAX_DOCUMENT
from provpack.package.figures import moment_words
from provpack.package.ledgerchain import Chain, Entry, Witness
from provpack.package.ledgerline import ACCEPTED, DELIVERED, REFUSED, WRAPPED, ledger_line
from provpack.package.receipt import contradictions
from provpack.package.signers import Signers
from provpack.package.signwords import STATES, moment_of
from provpack.package.sshsig import MAX_SIGNATURE, NAMESPACE_RECEIPT

_RULES = {
    "unknown_delivery": rules.UNKNOWN_DELIVERY,
    "not_delivered": rules.NOT_DELIVERED,
    "left_out": rules.LEFT_OUT,
    "identity": rules.IDENTITY_DIFFERS,
    "note": rules.NOTE_DIFFERS,
    "itself": rules.CONTRADICTS_ITSELF,
    "closed_otherwise": rules.CLOSED_OTHERWISE,
}
_BY_OTHER_MEANS = "If you have compared it by other means, say so with --unvouched."
_FIXITY = frozenset(
    r.id for r in (rules.IDENTITY_DIFFERS, rules.NOTE_DIFFERS, rules.WITNESS_DIFFERS, rules.LEDGER_NOT_WHOLE)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosePorts:
    """Everything of the world that closing needs. read_ledger: with witnesses, entries kept. append_new: as
    in edge.ledger, nothing can come between seeing and writing."""

    now: Callable[[], datetime]
    read_ledger: Callable[[Path, Sequence[Witness]], Chain]
    append_new: Callable[..., Sequence[Mapping[str, Any]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseResult:
    """What came of a receipt. packages: those closed, or that would have been."""

    receipt: Path
    receipt_sha512: str
    ledger: Path
    content: Mapping[str, Any]
    already: bool
    signature: SignatureVerdict
    lines_written: int
    packages: tuple[str, ...]
    findings: tuple[Finding, ...]

    @property
    def exit_code(self) -> int:
        """10 when ledger, note or a package is not what it was; 13 for any other contradiction."""
        if worst(self.findings) == "error":
            return 10 if any(f.rule in _FIXITY for f in self.findings) else 13
        return 1 if worst(self.findings) == "warning" else 0

    @property
    def outcome(self) -> str:
        return {0: "good", 1: "warnings"}.get(self.exit_code, "refused")

    def as_json(self) -> dict[str, Any]:
        """The shape of schemas/result-close.schema.json."""
        return {
            "outcome": self.outcome,
            "receipt": readable(str(self.receipt)),
            "receipt_sha512": self.receipt_sha512,
            "ledger": readable(str(self.ledger)),
            "delivery_id": self.content["delivery_id"],
            "conclusion": self.content["conclusion"],
            "already": self.already,
            "signature": self.signature.state,
            "principal": self.signature.principal,
            "lines_written": self.lines_written,
            "packages": list(self.packages),
            "findings": [f.as_json() for f in self.findings],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    """A receipt that was read and whose signature was judged."""

    name: str
    digest: str
    content: Mapping[str, Any]
    verdict: SignatureVerdict

    @property
    def vouched(self) -> bool:
        """Whether the signature proves that somebody on a list of trusted keys made it."""
        return _is_vouched(self.verdict.state)

    def judge(self, entries: Sequence[Entry]) -> tuple[bool, list[Finding]]:
        """(whether it is in the ledger already, findings) of the receipt held against these entries.

        An acceptance that nobody vouched for gives way to a receipt that somebody vouches for; any other is
        final.
        """
        where = readable(self.name)
        answers = [e for e in entries if e.get("kind") in (ACCEPTED, REFUSED)]
        mine = [e for e in answers if e.get("document_sha512") == self.digest]
        for entry in mine:
            if _is_vouched(entry.get("signature")) or not self.vouched:
                what = f"Line {entry.get('n')} of the ledger, of {_day(entry)}, is about this receipt."
                return True, [rules.ALREADY.found(what, where)]
        found = []
        for entry in answers:
            other = entry.get("document_sha512") != self.digest
            if other and str(entry.get("note")).startswith(_said(self.content)):
                what = f"Line {entry.get('n')} of the ledger is about a receipt {self.content['receipt_id']}"
                found.append(rules.RECEIPT_ID_TWICE.found(f"{what} with another SHA-512.", where))
                break
        standing = _acceptances(self.content, entries)
        weak = [e for e in standing if self.vouched and not _is_vouched(e.get("signature"))]
        if weak:
            what = f"Line {weak[0].get('n')} of the ledger accepted with nobody to vouch for it."
            found.append(rules.SUPERSEDES.found(what, where))
        given_way = {id(e) for e in weak}
        left = [e for e in entries if id(e) not in given_way]
        found += [
            _RULES[c.kind].found(c.what, c.package or where)
            for c in contradictions(self.content, left)[:1000]
        ]
        if self.content["delivery_id"] is None:
            what = "The receipt is held against what was sealed here under the names it gives."
            found.append(rules.NO_DELIVERY_NAMED.found(what, where))
            for entry in [e for e in standing if id(e) not in given_way][:1]:
                what = f"Line {entry.get('n')} of the ledger accepted '{entry.get('package')}' before."
                found.append(rules.CLOSED_OTHERWISE.found(what, where))
        return False, found


def close_handover(
    receipt: Path,
    ledger: Path,
    ports: ClosePorts,
    signers: Signers | None,
    *,
    unvouched: bool = False,
    delivery: Path | None = None,
) -> CloseResult:
    """Take in one receipt file. ledger: the folder of the ledger, or the ledger itself.

    unvouched: enter it although no signature proves who made it; somebody compared it by other means.
    delivery: the folder of the delivery, whose lines are entered first if the ledger lacks them.

    Raises InputProblem, RecordProblem and CouldNotCheck when receipt, note or ledger cannot be read, and what
    the ledger raises when it cannot be written. Whatever does not fit is in the result.
    """
    book = ledger / LEDGER_NAME if ledger.is_dir() else ledger
    if not book.is_file():
        raise InputProblem(
            "no-ledger", "There is no custody ledger.", where=readable(str(book)),
            todo="Name the folder the packages were delivered from, after --ledger.",
        )  # fmt: skip
    data, content = _read(receipt)
    digest = digest_bytes(data, ("sha512",))["sha512"]
    verdict = _signature(receipt, data, content, signers, unvouched, ports.now())
    answer = _Answer(name=receipt.name, digest=digest, content=content, verdict=verdict)
    chain, findings = _chain(book, content, ports)
    late: list[dict[str, Any]] = []
    if delivery is not None:
        late, told = late_lines(delivery, content, chain.entries, ports.now())
        findings += told
    entries = _followed_by(chain.entries, late)
    already, told = answer.judge(entries)
    findings += [*_vouching(answer, signers, enter=unvouched or already), *told]
    lines = _lines(answer, entries, ports.now())
    written = 0
    if not already and worst(findings) != "error":
        written, already, told = _enter(book, late, lines, answer, ports)
        if not written:  # another run was faster: what it wrote is what counts
            findings += [f for f in told if f not in findings]
    return CloseResult(
        receipt=receipt, receipt_sha512=digest, ledger=book, content=content, already=already,
        signature=verdict, lines_written=written, packages=tuple(line["package"] for line in lines),
        findings=tuple(findings),
    )  # fmt: skip


def _read(path: Path) -> tuple[bytes, dict[str, Any]]:
    """The receipt as a stranger's document: bounded, strict, held against its schema."""
    if not path.is_file():
        raise InputProblem(
            "no-receipt", "There is no such file.", where=readable(str(path)),
            todo="Name the receipt-....json that the receiver sent back.",
        )  # fmt: skip
    data = read_small(FolderPlace(path.parent), path.name, MAX_DOCUMENT)
    content = strangers_document("receipt", data, readable(path.name))
    return data, content


def _chain(book: Path, content: Mapping[str, Any], ports: ClosePorts) -> tuple[Chain, list[Finding]]:
    """The ledger, held against the hash of its last line that the receiver was given with the note."""
    theirs, where = content["ledger"], readable(str(book))
    witnesses = [Witness(entries=theirs["entries"], sha512=theirs["last_sha512"], source="the receipt")] if (
        theirs
    ) else []  # fmt: skip
    chain = ports.read_ledger(book, witnesses)
    findings = []
    if not all(chain.met):
        what = f"Line {theirs['entries']} of the ledger is not the one whose SHA-512 the receiver holds."
        findings.append(rules.WITNESS_DIFFERS.found(what, where))
    findings += [rules.LEDGER_NOT_WHOLE.found(b.what, where) for b in chain.breaks[:20]]
    return chain, findings


def _is_vouched(state: object) -> bool:
    return state == "valid"


def _signature(
    path: Path,
    data: bytes,
    content: Mapping[str, Any],
    signers: Signers | None,
    unvouched: bool,
    now: datetime,
) -> SignatureVerdict:
    """What the receipt's signature proves. With a list it must be valid, unless it may be unvouched.

    A key that is valid only at the time the receipt claims for itself vouches for nothing here.
    """
    beside = path.with_name(f"{path.name}.sig")
    signature = (
        read_small(FolderPlace(beside.parent), beside.name, MAX_SIGNATURE) if beside.is_file() else None
    )
    verdict = judge_signature(
        data, signature, namespace=NAMESPACE_RECEIPT, signers=signers,
        at=moment_of(content["made_by"]["at"]), where=readable(beside.name),
        required=signers is not None and not unvouched, now=now,
    )  # fmt: skip
    return replace(verdict, state="expired") if verdict.lapsed else verdict


def _vouching(answer: _Answer, signers: Signers | None, *, enter: bool) -> list[Finding]:
    """What follows from the signature. enter: somebody says it was compared by other means, or it is in the
    ledger anyway. A signature that is wrong is never good enough."""
    verdict, where = answer.verdict, readable(answer.name)
    if answer.vouched:
        return list(verdict.findings)
    if verdict.state == "wrong" or (signers is not None and not enter):
        what = f"Of the receipt: {STATES[verdict.state]}."
        todo = "" if verdict.state == "wrong" else f"{rules.SIGNATURE_NOT_VALID.todo} {_BY_OTHER_MEANS}"
        return [*verdict.findings, rules.SIGNATURE_NOT_VALID.found(what, where, todo=todo)]
    what = {
        "missing": "The receipt is not signed.",
        "unvouched": f"The receipt is signed with the key {verdict.fingerprint}; no list says whose that is.",
        "foreign": f"The receipt is signed with the key {verdict.fingerprint}, which is not on your list.",
    }.get(verdict.state, f"Of the receipt: {STATES[verdict.state]}.")
    if verdict.state == "missing" and answer.content["signer"] is not None:
        what = "The receipt says that it is signed, but the file with .sig at its end did not come with it."
    if enter:
        return [rules.NOBODY_VOUCHES.found(what, where)]
    return [rules.NOT_VOUCHED.found(f"{what} The SHA-512 of the receipt is {answer.digest}.", where)]


def _day(entry: Entry) -> str:
    return moment_words(str(entry.get("at")))


def _acceptances(content: Mapping[str, Any], entries: Sequence[Entry]) -> list[Entry]:
    """Lines that accepted what the receipt is about: its delivery, or, where it names none, one of its
    packages since that was last sealed or delivered."""
    delivery = content["delivery_id"]
    if delivery is not None:
        return [e for e in entries if e.get("kind") == ACCEPTED and e.get("delivery_id") == delivery]
    found: dict[object, list[Entry]] = {p["name"]: [] for p in content["packages"]}
    for entry in entries:
        held = found.get(entry.get("package")) if isinstance(entry.get("package"), str) else None
        if held is not None and entry.get("kind") in (WRAPPED, DELIVERED):
            held.clear()
        elif held is not None and entry.get("kind") == ACCEPTED:
            held.append(entry)
    return [entry for held in found.values() for entry in held]


def _followed_by(entries: Sequence[Entry], lines: Sequence[dict[str, Any]]) -> list[Entry]:
    """The entries with lines that would be appended, under the numbers these would have."""
    return [*entries, *({**line, "n": n} for n, line in enumerate(lines, len(entries) + 1))]


def _enter(
    book: Path, late: list[dict[str, Any]], lines: list[dict[str, Any]], answer: _Answer, ports: ClosePorts
) -> tuple[int, bool, list[Finding]]:
    """(lines written, whether it was there already, findings): all lines, or none when the ledger has closed
    the hand-over in the meantime. Looked at and written under one lock."""
    seen: list[Entry] = []
    said: list[tuple[bool, list[Finding]]] = []

    def make() -> list[dict[str, Any]]:
        known = any(is_delivered(e, answer.content["delivery_id"]) for e in seen)
        first = [] if known else late
        already, found = answer.judge(_followed_by(seen, first))
        said.append((already, found))
        return [] if already or worst(found) == "error" else [*first, *lines]

    written = len(ports.append_new(book, make, see=seen.append))
    return (written, *said[-1])


def _said(content: Mapping[str, Any]) -> str:
    """How the note of a line about this receipt begins."""
    return f"receipt {content['receipt_id']}:"


def _lines(answer: _Answer, entries: Sequence[Entry], now: datetime) -> list[dict[str, Any]]:
    """A line for each package of the receipt that was handed over, with the identity we handed over."""
    content, verdict = answer.content, answer.verdict
    delivery = content["delivery_id"]
    kinds = (DELIVERED,) if delivery is not None else (WRAPPED, DELIVERED)
    handed = {
        str(e.get("package")): e
        for e in entries
        if e.get("kind") in kinds and (delivery is None or e.get("delivery_id") == delivery)
    }
    kind = REFUSED if content["conclusion"] == "refused" else ACCEPTED
    return [
        ledger_line(
            kind, at=now.isoformat(), tool_version=__version__, package=p["name"],
            tagmanifest_sha512=handed[p["name"]].get("tagmanifest_sha512"),
            record_id=handed[p["name"]].get("record_id"), outcome=content["conclusion"],
            findings=p["findings"], delivery_id=delivery, document_sha512=answer.digest,
            signature=verdict.state, principal=verdict.principal, fingerprint=verdict.fingerprint,
            person=content["received_by"]["name"], organisation=content["received_by"]["organisation"],
            happened_at=content["made_by"]["at"],
            note=f"{_said(content)} found {p['outcome']} at depth {content['depth']}",
        )
        for p in content["packages"]
        if p["name"] in handed
    ]  # fmt: skip
