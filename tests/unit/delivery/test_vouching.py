"""Closing by whom: a receipt that nobody vouches for is entered only on somebody's word, and gives way."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
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

from provpack.cli.handover import close_ports
from provpack.edge import ledger as ledger_file
from provpack.edge import schemas
from provpack.edge.ledger import LEDGER_NAME, read_entries
from provpack.errors import InputProblem
from provpack.jobs.closing import close_handover
from provpack.jobs.signatures import Signer
from provpack.package.custodystate import CustodyState
from provpack.package.ledgerline import ledger_line
from provpack.report.text_delivery import close_lines


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    top = tmp_path_factory.mktemp("made")
    out = studio(top, ids=("T01", "T02"))
    hand_over(out, top / "d")
    return top


@pytest.fixture
def out(made: Path, tmp_path: Path) -> Path:
    """A ledger of one's own, after the delivery."""
    (tmp_path / "out").mkdir()
    shutil.copy(made / "out" / LEDGER_NAME, tmp_path / "out")
    return tmp_path / "out"


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Signer:
    return signer(tmp_path_factory.mktemp("k"), "registrar@ambersund")


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Signer:
    return signer(tmp_path_factory.mktemp("s"), "stranger")


@pytest.fixture(scope="module")
def genuine(made: Path, client: Signer) -> Path:
    return take_in(made / "d/d1", made / "genuine", signer=client, organisation=CLIENT).receipt


@pytest.fixture(scope="module")
def foreign(made: Path, stranger: Signer) -> Path:
    return take_in(made / "d/d1", made / "foreign", signer=stranger).receipt


@pytest.fixture(scope="module")
def unsigned(made: Path) -> Path:
    return take_in(made / "d/d1", made / "unsigned").receipt


def answers(out: Path) -> dict[str, str | None]:
    """What `provpack custody` makes of it."""
    state = CustodyState()
    for number, entry in enumerate(read_entries(out / LEDGER_NAME), 1):
        assert not schemas.validate("ledger-entry", entry), entry
        state.add(number, entry)
    state.finish()
    (delivery,) = state.deliveries.values()
    return delivery.answers


@pytest.mark.parametrize("listed", [False, True])
@pytest.mark.parametrize("who", ["foreign", "unsigned"])
def test_what_nobody_vouches_for_is_entered_only_on_somebodys_word(
    who: str, listed: bool, out: Path, client: Signer, stranger: Signer, request: pytest.FixtureRequest
) -> None:
    receipt = request.getfixturevalue(who)
    signers = trusting(client) if listed else None
    before = (out / LEDGER_NAME).read_bytes()
    refused = close_with(receipt, out, signers)
    assert (refused.exit_code, refused.outcome, refused.lines_written) == (13, "refused", 0)
    assert (out / LEDGER_NAME).read_bytes() == before
    assert ("close-signature-not-valid" if listed else "close-not-vouched-for") in rules_of(refused.findings)
    assert any("--unvouched" in f.todo for f in refused.findings)
    if not listed:
        assert any(refused.receipt_sha512 in f.what for f in refused.findings)
        assert "Nobody vouches for the receipt." in list(close_lines(refused))
    entered = close_with(receipt, out, signers, unvouched=True)
    assert (entered.exit_code, entered.lines_written) == (1, 2)
    assert rules_of(entered.findings) == {"close-nobody-vouches"}
    state = "missing" if who == "unsigned" else "foreign" if listed else "unvouched"
    for line in lines_of(out, "accepted"):
        assert (line["signature"], line.get("principal")) == (state, None)
        assert line.get("fingerprint") == (stranger.fingerprint if who == "foreign" else None)
    assert answers(out) == {"job-1_t01": "accepted", "job-1_t02": "accepted"}


def test_the_client_s_own_receipt_takes_the_place_of_a_stranger_s(
    out: Path, genuine: Path, foreign: Path, client: Signer
) -> None:
    assert close_with(foreign, out, unvouched=True).lines_written == 2
    result = close_with(genuine, out, trusting(client))
    assert (result.outcome, result.lines_written) == ("good", 2)
    assert rules_of(result.findings) == {"close-supersedes-unvouched"}
    assert [line["signature"] for line in lines_of(out, "accepted")] == ["unvouched"] * 2 + ["valid"] * 2
    last = lines_of(out, "accepted")[-1]
    assert (last["principal"], last["fingerprint"]) == (client.principal, client.fingerprint)
    text = " ".join(close_lines(result))
    assert "Keep the receipt and its .sig with the job's papers" in text
    again = close_with(foreign, out, unvouched=True)
    assert (again.already, again.lines_written) == (True, 0)


@pytest.mark.parametrize("unvouched", [False, True])
def test_an_acceptance_that_is_vouched_for_is_final(
    unvouched: bool, out: Path, made: Path, tmp_path: Path, genuine: Path, foreign: Path, client: Signer
) -> None:
    assert close_with(genuine, out, trusting(client)).lines_written == 2
    for receipt, signers in (
        (foreign, None),
        (take_in(made / "d/d1", tmp_path / "r", signer=client).receipt, trusting(client)),
    ):
        later = close_with(receipt, out, signers, unvouched=unvouched)
        assert "close-closed-otherwise" in rules_of(later.findings)
        assert (later.exit_code, later.lines_written) == (13, 0)


def test_the_client_s_refusal_takes_the_place_of_a_stranger_s_acceptance(
    out: Path, made: Path, tmp_path: Path, foreign: Path, client: Signer
) -> None:
    close_with(foreign, out, unvouched=True)
    shutil.copytree(made / "d/d1", tmp_path / "came/d1")
    flip(tmp_path / "came/d1/packages/job-1_t01/bag-info.txt")
    refusal = take_in(tmp_path / "came/d1", tmp_path / "r", signer=client).receipt
    assert close_with(refusal, out, trusting(client)).lines_written == 2
    assert answers(out) == {"job-1_t01": "refused", "job-1_t02": "refused"}


def test_the_same_receipt_is_entered_anew_when_its_signature_is_vouched_for(
    out: Path, genuine: Path, client: Signer
) -> None:
    assert close_with(genuine, out, unvouched=True).lines_written == 2
    assert close_with(genuine, out, trusting(client)).lines_written == 2
    assert close_with(genuine, out, trusting(client)).already
    assert [x["signature"] for x in lines_of(out, "accepted")] == ["unvouched"] * 2 + ["valid"] * 2


def test_one_receipt_identifier_stands_for_one_receipt(out: Path, unsigned: Path, tmp_path: Path) -> None:
    refused = json.loads(unsigned.read_bytes()) | {"conclusion": "refused"}
    (tmp_path / "one.json").write_text(json.dumps(refused))
    assert close_with(tmp_path / "one.json", out, unvouched=True).lines_written == 2
    result = close_with(unsigned, out, unvouched=True)
    assert rules_of(result.findings) == {"close-nobody-vouches", "close-receipt-id-twice"}
    assert (result.exit_code, result.lines_written) == (13, 0)


def test_without_a_delivery_the_same_holds_for_each_package(
    out: Path, made: Path, tmp_path: Path, client: Signer, stranger: Signer
) -> None:
    def of(who: Signer, name: str) -> Path:
        return take_in(made / "out/job-1_t01", tmp_path / name, signer=who).receipt

    assert close_with(of(stranger, "a"), out, unvouched=True).lines_written == 1
    other = close_with(of(stranger, "b"), out, unvouched=True)
    assert "close-closed-otherwise" in rules_of(other.findings)
    assert close_with(of(client, "c"), out, trusting(client)).lines_written == 1
    last = close_with(of(client, "d"), out, trusting(client))
    assert (last.exit_code, last.lines_written) == (13, 0)


def test_a_receipt_entered_at_the_very_moment_is_seen(out: Path, genuine: Path, foreign: Path) -> None:
    """Between the first look and the append another run closes the hand-over."""
    ports = close_ports()

    def late(*args: Any, **named: Any) -> Any:
        close_with(genuine, out, unvouched=True)
        return ports.append_new(*args, **named)

    lost = close_handover(foreign, out, replace(ports, append_new=late), None, unvouched=True)
    assert (lost.outcome, lost.lines_written) == ("refused", 0)
    assert "close-closed-otherwise" in rules_of(lost.findings)
    assert len(lines_of(out, "accepted")) == 2


def test_the_same_receipt_entered_at_the_very_moment_is_entered_once(out: Path, genuine: Path) -> None:
    ports = close_ports()

    def late(*args: Any, **named: Any) -> Any:
        close_with(genuine, out, unvouched=True)
        return ports.append_new(*args, **named)

    lost = close_handover(genuine, out, replace(ports, append_new=late), None, unvouched=True)
    assert (lost.already, lost.outcome, lost.lines_written) == (True, "warnings", 0)
    assert len(lines_of(out, "accepted")) == 2


# --- a delivery that its ledger does not know ---


@pytest.fixture
def unknown(out: Path) -> Path:
    """The ledger as it was before the delivery, and one line of other matters since."""
    rows = (out / LEDGER_NAME).read_bytes().splitlines(keepends=True)
    (out / LEDGER_NAME).write_bytes(b"".join(row for row in rows if b'"kind":"delivered"' not in row))
    at = "2026-06-05T12:00:00+02:00"
    ledger_file.append(out / LEDGER_NAME, ledger_line("note", at=at, tool_version="1.0.0", note="x"))
    return out


def test_a_delivery_that_could_not_be_entered_is_entered_from_its_note(
    unknown: Path, made: Path, genuine: Path, client: Signer
) -> None:
    refused = close_with(genuine, unknown, trusting(client))
    assert rules_of(refused.findings) == {"close-delivery-unknown"}
    assert "--delivery" in refused.findings[0].todo
    result = close_with(genuine, unknown, trusting(client), delivery=made / "d/d1")
    assert rules_of(result.findings) == {"close-delivery-entered-late"}
    assert (result.exit_code, result.lines_written) == (1, 4)
    kinds = [e["kind"] for e in read_entries(unknown / LEDGER_NAME)][-4:]
    assert kinds == ["delivered"] * 2 + ["accepted"] * 2
    assert answers(unknown) == {"job-1_t01": "accepted", "job-1_t02": "accepted"}
    ours = {e["package"]: e for e in lines_of(made / "out", "delivered")}
    for line in lines_of(unknown, "delivered"):
        same = (
            "tagmanifest_sha512",
            "record_id",
            "delivery_id",
            "document_sha512",
            "organisation",
            "findings",
        )
        assert all(line[key] == ours[line["package"]][key] for key in same)
        assert "entered afterwards" in line["note"]
    again = close_with(genuine, unknown, trusting(client), delivery=made / "d/d1")
    assert (again.already, again.lines_written) == (True, 0)


def _another_identity(row: dict[str, Any]) -> None:
    if row["kind"] == "wrapped":
        row["tagmanifest_sha512"] = "0" * 128


SPOILT: Mapping[str, Callable[[Iterable[dict[str, Any]]], list[dict[str, Any]]]] = {
    "sealed otherwise": lambda rows: [_another_identity(row) or row for row in rows],
    "never sealed": lambda rows: [row for row in rows if row.get("package") != "job-1_t02"],
}


@pytest.mark.parametrize("how", SPOILT)
def test_only_packages_the_ledger_saw_sealed_are_entered_late(
    how: str, unknown: Path, made: Path, genuine: Path, client: Signer
) -> None:
    book = unknown / LEDGER_NAME
    rows = SPOILT[how](read_entries(book))
    book.unlink()
    ledger_file.append_many(book, rows)
    before = book.read_bytes()
    result = close_with(genuine, unknown, trusting(client), delivery=made / "d/d1")
    assert "close-delivery-does-not-fit" in rules_of(result.findings)
    assert (result.outcome, result.lines_written, book.read_bytes()) == ("refused", 0, before)


def test_another_note_is_not_entered_late(
    unknown: Path, made: Path, genuine: Path, client: Signer, tmp_path: Path
) -> None:
    (tmp_path / "d1").mkdir()
    with pytest.raises(InputProblem, match="no delivery-note"):
        close_with(genuine, unknown, trusting(client), delivery=tmp_path / "d1")
    note = json.loads((made / "d/d1/delivery-note.json").read_bytes())
    (tmp_path / "d1/delivery-note.json").write_text(json.dumps(note))
    result = close_with(genuine, unknown, trusting(client), delivery=tmp_path / "d1")
    assert "close-delivery-does-not-fit" in rules_of(result.findings)
    assert result.lines_written == 0
