"""Closing: a receipt that fits is entered once; one that does not closes nothing."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.handover import (
    CLIENT,
    close_with,
    flip,
    hand_over,
    lines_of,
    rules_of,
    signer,
    studio,
    take_in,
    trusting,
)

from provpack.edge.ledger import LEDGER_NAME, read_ledger
from provpack.errors import InputProblem, RecordProblem

NAMES = ["job-1_t01", "job-1_t02"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    top = tmp_path_factory.mktemp("made")
    out = studio(top, ids=("T01", "T02"))
    hand_over(out, top / "d")
    take_in(top / "d/d1", top / "r", name="Registrar 2", organisation=CLIENT)
    return top


@pytest.fixture
def here(made: Path, tmp_path: Path) -> Path:
    """A copy of ledger and receipt to change: out/custody-ledger.jsonl, receipt-d1.json."""
    (tmp_path / "out").mkdir()
    shutil.copy(made / "out" / LEDGER_NAME, tmp_path / "out")
    shutil.copy(made / "r/receipt-d1.json", tmp_path)
    return tmp_path


def edited(here: Path, edit: Callable[[dict[str, Any]], object]) -> Path:
    path = here / "receipt-d1.json"
    content = json.loads(path.read_bytes())
    edit(content)
    path.write_text(json.dumps(content))
    return path


def test_a_receipt_that_fits_closes_the_hand_over_once(here: Path) -> None:
    receipt = here / "receipt-d1.json"
    result = close_with(receipt, here / "out", unvouched=True)
    assert (result.outcome, result.lines_written) == ("warnings", 2)
    assert rules_of(result.findings) == {"close-nobody-vouches"}
    lines = lines_of(here / "out", "accepted")
    assert [x["package"] for x in lines] == NAMES
    digest = hashlib.sha512(receipt.read_bytes()).hexdigest()
    delivered = {x["package"]: x for x in lines_of(here / "out", "delivered")}
    for line in lines:
        assert (line["document_sha512"], line["outcome"]) == (digest, "accepted")
        assert line["delivery_id"] == delivered[line["package"]]["delivery_id"]
        assert line["tagmanifest_sha512"] == delivered[line["package"]]["tagmanifest_sha512"]
        assert (line["person"], line["organisation"]) == ("Registrar 2", CLIENT)
    before = (here / "out" / LEDGER_NAME).read_bytes()
    again = close_with(receipt, here / "out" / LEDGER_NAME)
    assert (again.already, again.lines_written) == (True, 0)
    assert "close-already-entered" in rules_of(again.findings)
    assert (here / "out" / LEDGER_NAME).read_bytes() == before
    assert read_ledger(here / "out" / LEDGER_NAME).holds
    other = edited(here, lambda c: c.update(receipt_id="0b7a1a3e-1111-4222-8333-944444444444"))
    twice = close_with(other, here / "out", unvouched=True)
    assert "close-closed-otherwise" in rules_of(twice.findings)
    assert (twice.exit_code, twice.lines_written) == (13, 0)


def test_a_refusal_is_entered_and_a_later_receipt_can_still_accept(made: Path, tmp_path: Path) -> None:
    shutil.copytree(made / "d/d1", tmp_path / "came/d1")
    (tmp_path / "out").mkdir()
    shutil.copy(made / "out" / LEDGER_NAME, tmp_path / "out")
    flip(tmp_path / "came/d1/packages/job-1_t01/bag-info.txt")
    refused = take_in(tmp_path / "came/d1", tmp_path / "r1")
    result = close_with(refused.receipt, tmp_path / "out", unvouched=True)
    assert (result.exit_code, result.lines_written) == (1, 2)
    assert [x["outcome"] for x in lines_of(tmp_path / "out", "refused")] == ["refused", "refused"]
    accepted = close_with(made / "r/receipt-d1.json", tmp_path / "out", unvouched=True)
    assert accepted.lines_written == 2
    assert len(lines_of(tmp_path / "out", "accepted")) == 2


CONTRADICTIONS: dict[str, tuple[Callable[[dict[str, Any]], object], str, int]] = {
    "another delivery": (
        lambda c: c.update(delivery_id="0b7a1a3e-1111-4222-8333-944444444444"), "close-delivery-unknown", 13,
    ),
    "another note": (lambda c: c.update(delivery_note_sha512="0" * 128), "close-note-differs", 10),
    "no note": (lambda c: c.update(delivery_note_sha512=None), "close-note-differs", 10),
    "another package": (
        lambda c: c["packages"][0].update(tagmanifest_sha512="0" * 128), "close-identity-differs", 10,
    ),
    "a package less": (lambda c: c["packages"].pop(), "close-package-left-out", 13),
    "a package more": (
        lambda c: c["packages"].append({**c["packages"][0], "name": "job-9"}),
        "close-package-not-delivered", 13,
    ),
    "accepts what is bad": (
        lambda c: c["packages"][0].update(outcome="bad"), "close-receipt-contradicts-itself", 13,
    ),
    "accepts what is not as noted": (
        lambda c: c["packages"][0].update(as_noted=False), "close-receipt-contradicts-itself", 13,
    ),
    "a package twice": (
        lambda c: c["packages"].append(c["packages"][0]), "close-receipt-contradicts-itself", 13,
    ),
    "a note, but no delivery": (
        lambda c: c.update(delivery_id=None), "close-receipt-contradicts-itself", 13,
    ),
    "another witness": (lambda c: c["ledger"].update(last_sha512="0" * 128), "close-witness-differs", 10),
    "a witness of lines to come": (lambda c: c["ledger"].update(entries=4711), "close-witness-differs", 10),
}  # fmt: skip


@pytest.mark.parametrize("name", CONTRADICTIONS)
def test_a_contradiction_closes_nothing(name: str, here: Path) -> None:
    edit, rule, code = CONTRADICTIONS[name]
    before = (here / "out" / LEDGER_NAME).read_bytes()
    result = close_with(edited(here, edit), here / "out", unvouched=True)
    assert rule in rules_of(result.findings)
    assert (result.outcome, result.exit_code, result.lines_written) == ("refused", code, 0)
    assert (here / "out" / LEDGER_NAME).read_bytes() == before


@pytest.mark.parametrize("kind", ["changed", "removed"])
def test_a_ledger_changed_since_is_found_by_the_receipt(kind: str, here: Path) -> None:
    """The chain made anew over an edited line holds; only the receiver's copy of the last hash tells."""
    ledger = here / "out" / LEDGER_NAME
    entries = [json.loads(line) for line in ledger.read_bytes().splitlines()]
    if kind == "changed":
        entries[0]["note"] = "nothing happened"
    else:
        del entries[0]
    previous, rows = "0" * 128, []
    for n, entry in enumerate(entries, 1):
        row = json.dumps(
            {**entry, "n": n, "previous": previous}, sort_keys=True, separators=(",", ":")
        ).encode()
        previous = hashlib.sha512(row).hexdigest()
        rows.append(row + b"\n")
    ledger.write_bytes(b"".join(rows))
    assert read_ledger(ledger).holds
    result = close_with(here / "receipt-d1.json", here / "out")
    assert "close-witness-differs" in rules_of(result.findings)
    assert (result.exit_code, result.lines_written) == (10, 0)


def test_a_broken_ledger_closes_nothing(here: Path) -> None:
    ledger = here / "out" / LEDGER_NAME
    ledger.write_bytes(ledger.read_bytes().replace(b"wrapped", b"wroughd", 1))
    result = close_with(here / "receipt-d1.json", here / "out")
    assert "close-ledger-broken" in rules_of(result.findings)
    assert (result.exit_code, result.lines_written) == (10, 0)


def test_with_a_list_of_keys_only_the_receiver_s_signature_will_do(made: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    shutil.copy(made / "out" / LEDGER_NAME, tmp_path / "out")
    theirs, another = signer(tmp_path / "k", "registrar@ambersund"), signer(tmp_path / "k", "another")
    unsigned = made / "r/receipt-d1.json"
    assert close_with(unsigned, tmp_path / "out", trusting(theirs)).exit_code == 13
    signed = take_in(made / "d/d1", tmp_path / "r", signer=theirs).receipt
    assert close_with(signed, tmp_path / "out", trusting(another)).exit_code == 13
    sig = signed.with_name(f"{signed.name}.sig")
    kept = sig.read_bytes()
    sig.write_bytes(another.sign(signed.read_bytes(), "provpack-receipt"))
    assert close_with(signed, tmp_path / "out", trusting(theirs)).exit_code == 13
    sig.write_bytes(theirs.sign(signed.read_bytes() + b" ", "provpack-receipt"))
    wrong = close_with(signed, tmp_path / "out", unvouched=True)  # a wrong one will never do
    assert {"close-signature-not-valid"} <= rules_of(wrong.findings)
    assert wrong.lines_written == 0
    sig.write_bytes(kept)
    good = close_with(signed, tmp_path / "out", trusting(theirs))
    assert (good.outcome, good.signature.principal, good.lines_written) == ("good", "registrar@ambersund", 2)


def test_packages_received_without_a_note_are_held_against_their_sealing(made: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    shutil.copy(made / "out" / LEDGER_NAME, tmp_path / "out")
    receipt = take_in(made / "out/job-1_t01", tmp_path / "r").receipt
    result = close_with(receipt, tmp_path / "out", unvouched=True)
    assert rules_of(result.findings) == {"close-nobody-vouches", "close-no-delivery-named"}
    assert result.lines_written == 1


def test_what_is_no_receipt_or_no_ledger_is_refused(here: Path) -> None:
    with pytest.raises(InputProblem, match="no such file"):
        close_with(here / "nothing.json", here / "out")
    with pytest.raises(InputProblem, match="no custody ledger"):
        close_with(here / "receipt-d1.json", here)
    for text, error in (
        ("{}", RecordProblem), ("[]", InputProblem), ('{"a":1,"a":2}', InputProblem),
        ("[" * 100000, InputProblem), ('{"schema_version":"9.0.0"}', RecordProblem),
        ('{"a":1e999}', InputProblem), ('{"a":NaN}', InputProblem), ('"\\ud800"', InputProblem),
    ):  # fmt: skip
        (here / "x.json").write_text(text)
        with pytest.raises(error):
            close_with(here / "x.json", here / "out")
