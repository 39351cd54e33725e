"""Close a hand-over: hold a receipt against the custody ledger, and enter it when nothing contradicts it.

Nothing is ever closed falsely: as soon as one thing does not fit, nothing at all is written, and what does
not fit is told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
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
from provpack.jobs.deliverypapers import strangers_document
from provpack.jobs.signatures import SignatureVerdict, judge_signature
from provpack.package.bagpaths import readable
from provpack.package.documents import MAX_DOCUMENT
from provpack.package.ledgerchain import Chain, Entry, Witness
from provpack.package.ledgerline import ACCEPTED, DELIVERED, REFUSED, WRAPPED, ledger_line
from provpack.package.receipt import contradictions
from provpack.package.signers import Signers
from provpack.package.signwords import moment_of
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


def close_handover(receipt: Path, ledger: Path, ports: ClosePorts, signers: Signers | None) -> CloseResult:
    """Take in one receipt file. ledger: the folder of the ledger, or the ledger itself.

    Raises InputProblem, RecordProblem and CouldNotCheck when receipt or ledger cannot be read, and what the
    ledger raises when it cannot be written. Whatever does not fit is in the result.
    """
    book = ledger / LEDGER_NAME if ledger.is_dir() else ledger
    if not book.is_file():
        raise InputProblem(
            "no-ledger", "There is no custody ledger.", where=readable(str(book)),
            todo="Name the folder the packages were delivered from, after --ledger.",
        )  # fmt: skip
    data, content = _read(receipt)
    digest = digest_bytes(data, ("sha512",))["sha512"]
    verdict, findings = _signature(receipt, data, content, signers)
    theirs = content["ledger"]
    where = readable(str(book))
    witnesses = [Witness(entries=theirs["entries"], sha512=theirs["last_sha512"], source="the receipt")] if (
        theirs
    ) else []  # fmt: skip
    chain = ports.read_ledger(book, witnesses)
    if not all(chain.met):
        what = f"Its line {theirs['entries']} is not the one whose SHA-512 the receiver holds."
        findings.append(rules.WITNESS_DIFFERS.found(what, where))
    findings += [rules.LEDGER_NOT_WHOLE.found(b.what, where) for b in chain.breaks[:20]]
    already = _already(chain.entries, digest)
    if already is not None:
        what = f"Line {already.get('n')} of the ledger, of {already.get('at')}, is about this receipt."
        findings.append(rules.ALREADY.found(what, readable(receipt.name)))
    else:
        findings += [
            _RULES[c.kind].found(c.what, c.package or readable(receipt.name))
            for c in contradictions(content, chain.entries)[:1000]
        ]
        if content["delivery_id"] is None:
            what = "It is held against what was sealed here under those names."
            findings.append(rules.NO_DELIVERY_NAMED.found(what, readable(receipt.name)))
    lines = _lines(content, digest, chain.entries, ports.now())
    written = 0
    if already is None and worst(findings) != "error":
        written = _enter(book, lines, content, digest, ports)
        if not written:
            what = "Another run entered it, or another receipt for the delivery, at this very moment."
            findings.append(rules.ALREADY.found(what, readable(receipt.name)))
    return CloseResult(
        receipt=receipt, receipt_sha512=digest, ledger=book, content=content, already=already is not None,
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


def _signature(
    path: Path, data: bytes, content: Mapping[str, Any], signers: Signers | None
) -> tuple[SignatureVerdict, list[Finding]]:
    """What the receipt's signature proves. With a list of keys it must be valid; a wrong one never does."""
    beside = path.with_name(f"{path.name}.sig")
    signature = (
        read_small(FolderPlace(beside.parent), beside.name, MAX_SIGNATURE) if beside.is_file() else None
    )
    verdict = judge_signature(
        data, signature, namespace=NAMESPACE_RECEIPT, signers=signers,
        at=moment_of(content["made_by"]["at"]), where=readable(beside.name), required=signers is not None,
    )  # fmt: skip
    if verdict.state == "valid":
        return verdict, list(verdict.findings)
    where = readable(path.name)
    if signers is not None or verdict.state in ("wrong", "could_not_check"):
        what = f"Its signature is: {verdict.state.replace('_', ' ')}."
        return verdict, [*verdict.findings, rules.SIGNATURE_NOT_VALID.found(what, where)]
    what = "It is not signed." if verdict.state == "missing" else (
        f"It is signed with the key {verdict.fingerprint}, and no list says whose key that is."
    )  # fmt: skip
    if verdict.state == "missing" and content["signer"] is not None:
        what = "It says that it is signed, but the file with .sig at its end did not come with it."
    return verdict, [rules.NOBODY_VOUCHES.found(what, where)]


def _enter(
    book: Path, lines: list[dict[str, Any]], content: Mapping[str, Any], digest: str, ports: ClosePorts
) -> int:
    """Lines written: all of them, or none when the ledger has closed the hand-over in the meantime."""
    closed: list[Entry] = []
    delivery = content["delivery_id"]

    def see(entry: Entry) -> None:
        accepted = delivery and entry.get("kind") == ACCEPTED and entry.get("delivery_id") == delivery
        if accepted or _already((entry,), digest) is not None:
            closed.append(entry)

    return len(ports.append_new(book, lambda: [] if closed else lines, see=see))


def _already(entries: Sequence[Entry], digest: str) -> Entry | None:
    closed = (ACCEPTED, REFUSED)
    return next((e for e in entries if e.get("kind") in closed and e.get("document_sha512") == digest), None)


def _lines(
    content: Mapping[str, Any], digest: str, entries: Sequence[Entry], now: datetime
) -> list[dict[str, Any]]:
    """A line for each package of the receipt that was handed over, with the identity we handed over."""
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
            findings=p["findings"], delivery_id=delivery, document_sha512=digest,
            person=content["received_by"]["name"], organisation=content["received_by"]["organisation"],
            happened_at=content["made_by"]["at"],
            note=f"receipt {content['receipt_id']}: found {p['outcome']} at depth {content['depth']}",
        )
        for p in content["packages"]
        if p["name"] in handed
    ]  # fmt: skip
