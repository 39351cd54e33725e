"""Readers of papers: custody ledger, signatures, keys, records, notes and receipts, PREMIS and METS."""

from __future__ import annotations

import contextlib
import hashlib
import json
import tempfile
from pathlib import Path
from typing import Any
from unittest.mock import patch

from fuzz.law import as_json, halves, lawful, target, told
from provpack.edge import sshkeys
from provpack.edge.ledger import append, head, read_ledger
from provpack.edge.schemas import validate
from provpack.edge.sshkeys import load_key, read_passphrase, verify
from provpack.errors import InputProblem, ProvpackError
from provpack.jobs.deliverypapers import strangers_document
from provpack.jobs.harvestjudge import judged
from provpack.jobs.harvestledger import ledger_values
from provpack.jobs.harvestrecord import record_facts, roles
from provpack.jobs.verify_meaning import Helpers, check_record, compare_record, looks_like_record
from provpack.model.recordrules import judge_record
from provpack.package import layout
from provpack.package.bagblocks import parse_block_digests
from provpack.package.custodystate import CustodyState
from provpack.package.documents import document_bytes, parse_document
from provpack.package.healnote import expected_files
from provpack.package.ledgerchain import Witness, parse_chain, read_chain
from provpack.package.metadata_check import DOCUMENTS, check_metadata, rules_at_wrapping
from provpack.package.premis import read_extension
from provpack.package.premis_check import check_premis
from provpack.package.receipt import contradictions
from provpack.package.signers import Signers, matches, parse_signers, signer_line
from provpack.package.sshsig import build_signature, parse_signature
from provpack.package.sshwire import NotWire, line_of_blob

FEW_ROUNDS = 4
"""Of bcrypt, for the time of one input: that the bound is asked is to be seen here, not what it costs."""

RAM = "/dev/shm" if Path("/dev/shm").is_dir() else None


def json_of(data: bytes) -> Any:
    """The JSON value; InputProblem for none."""
    try:
        return json.loads(data)
    except (ValueError, RecursionError):
        raise InputProblem("no-json", "No JSON.", where="input", todo="none") from None


@target
def ledger(data: bytes) -> None:
    """Any ledger and any witness are read to the same chain however the bytes come, each break told."""
    told_by, lines = halves(data, 2)
    witness = Witness(entries=len(told_by) + 1, sha512=hashlib.sha512(told_by).hexdigest(), source="note")
    for witnesses in ((), (witness,)):
        whole = parse_chain(lines, witnesses)
        pieces = read_chain(
            lambda: (lines[i : i + 61] for i in range(0, len(lines), 61)), witnesses=witnesses, keep=True
        )
        lawful(whole == pieces, "the chain depends on how the bytes come")
        lawful(whole.holds == (not whole.breaks), "broken or not?")
        for one in whole.breaks:
            lawful(one.what and (one.entries is None or 0 < one.entries[0] <= one.entries[1]), f"{one}")
            lawful(all(0 < line <= whole.lines + 1 for line in one.lines), f"{one} of {whole.lines} lines")
            as_json([one.what, one.kind, list(one.lines)])
    if len({line for line in lines.split(b"\n") if line}) > 1:
        lawful(len(whole.breaks) <= lines.count(b"\n") * 4 + 8, "more breaks than lines")


@target
def ledger_told(data: bytes) -> None:
    """Any ledger gives the state of custody and a row for the catalogue, and the next line can be appended
    to one that holds."""
    with tempfile.TemporaryDirectory(dir=RAM) as folder:
        path = Path(folder) / "custody-ledger.jsonl"
        path.write_bytes(data)
        row = ledger_values(path, now="2031-01-01T00:00:00Z")
        row.head.encode(), row.broken.encode()
        chain = read_ledger(path, keep=True)
        state = CustodyState()
        for line, entry in enumerate(chain.entries, 1):
            state.add(line, entry)
        state.finish()
        for carrier in state.carriers.values():
            state.in_house(carrier), state.outcome_of(carrier)
        if chain.lines and not chain.breaks:
            last = head(path)
            append(path, {"kind": "x"})
            lawful(last is not None or chain.torn, "a ledger with lines has no last one")
            lawful(read_ledger(path).holds, "a line appended breaks the chain")


@target
def ssh_signature(data: bytes) -> None:
    """Any bytes are an envelope that is built again to the same meaning, or are refused."""
    envelope = parse_signature(data, "x.sig")
    lawful(len(envelope.raw) == 64 and len(envelope.key) == 32 and envelope.namespace, f"{envelope}")
    verify(envelope.key, envelope.raw, envelope.signed_bytes(b"message"))
    again = parse_signature(build_signature(envelope.public_key, envelope.namespace, envelope.raw), "y.sig")
    same = (again.public_key, again.namespace, again.raw)
    lawful(same == (envelope.public_key, envelope.namespace, envelope.raw), f"{again} was {envelope}")


@target
def ssh_signers(data: bytes) -> None:
    """Any list gives lines whose keys can be written, and names of every line that is passed over."""
    signers: Signers = parse_signers(data, "allowed_signers")
    told(signers.findings)
    for line in signers.lines:
        with contextlib.suppress(NotWire):
            public = line_of_blob(line.public_key)
            with contextlib.suppress(ProvpackError):
                after, before = line.valid_after, line.valid_before
                made = signer_line(line.principals, public, ("a",), after, before)
                again = parse_signers(made.encode(), "made").lines
                lawful(again and again[0].public_key == line.public_key, "a line written is not read back")
                lawful((again[0].valid_after, again[0].valid_before) == (after, before), f"times of {made}")
        line.when()
        for name in ("a@b.example", "", "*" * 20):
            matches(name, line.principals)
            matches(name, line.namespaces or "")


@target
def ssh_key(data: bytes) -> None:
    """Any file is a key that signs what verifies, or is refused; no passphrase costs more than its bound."""
    with tempfile.TemporaryDirectory(dir=RAM) as folder:
        path = Path(folder) / "key"
        path.write_bytes(data)
        path.chmod(0o600)
        with contextlib.suppress(ProvpackError):
            told(read_passphrase(path)[1])
        with patch.object(sshkeys, "MAX_ROUNDS", FEW_ROUNDS):
            key = load_key(path, lambda: "correct horse")
        envelope = parse_signature(key.sign(b"m", "n"), "made")
        lawful(verify(envelope.key, envelope.raw, envelope.signed_bytes(b"m")), "its signature is wrong")
        key.public_line().encode("ascii")


@target
def record(data: bytes) -> None:
    """Any record.json is judged by schema and rules, and gives facts for the catalogue."""
    looks_like_record(data)
    value, findings = check_record(data, Helpers(validate=_validate))
    told(findings)
    if value is None:
        return
    told(judge_record(value, equipment=None))
    told(judge_record(value, delivering=True))
    record_facts(value)
    as_json(roles(value))
    list(judged(value))
    told(compare_record(value, None, {layout.RECORD: {"sha256": "ab" * 32}}))


def _validate(name: str, value: object) -> list[tuple[str, str]]:
    return [(v.pointer, v.message) for v in validate(name, value)]


@target
def record_and_blocks(data: bytes) -> None:
    """Any record is compared with any block digests."""
    one, other = halves(data, 2)
    value, digests = json_of(one), parse_block_digests(other)[0]
    if isinstance(value, dict) and not validate("transfer-record", value):
        told(compare_record(value, digests, {}, no_blocks=digests is None))


@target
def documents(data: bytes) -> None:
    """A stranger's document is read as one meaning or refused, and is written and read back the same."""
    value = parse_document(data, "x.json")
    lawful(parse_document(document_bytes(value), "y.json") == value, "a document does not come back")
    for schema in ("delivery-note", "receipt", "measurements", "healing-record"):
        with contextlib.suppress(ProvpackError):
            strangers_document(schema, data, "x.json")
    files = expected_files(value)
    lawful(files is None or all(isinstance(path, str) for path in files), "no paths")


@target
def receipt(data: bytes) -> None:
    """Any receipt that fits its schema is compared with the lines of any ledger."""
    paper, lines = halves(data, 2)
    content = strangers_document("receipt", paper, "receipt.json")
    entries = parse_chain(lines).entries
    for one in contradictions(content, entries):
        lawful(one.what and one.kind, f"{one}")
        as_json([one.what, one.package])


@target
def premis(data: bytes) -> None:
    """Any document is checked as PREMIS, and what it embeds is found or not."""
    told(check_premis(data))
    counts = rules_at_wrapping(data)
    lawful(all(number >= 0 for number in counts.values()), f"{counts}")
    text = read_extension(data)
    lawful(text is None or text.encode("utf-8") is not None, "a record that is no text")


@target
def metadata(data: bytes) -> None:
    """Any two metadata documents are held against each other and a record."""
    first, second, other = halves(data, 3)
    value = None
    with contextlib.suppress(ProvpackError):
        value = json_of(other)
    fits = isinstance(value, dict) and not validate("transfer-record", value)
    for path in DOCUMENTS:
        pair = {path: first, layout.PREMIS: second}
        told(check_metadata(pair, record=value if fits else None, digests={}, sizes={}))
