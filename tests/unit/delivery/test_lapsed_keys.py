"""A key that is no longer on the list for today: whoever kept it could have written yesterday's date."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from support.handover import CLIENT, hand_over, lines_of, rules_of, signer, studio, take_in, trusting

from provpack.cli.handover import close_ports, receive_ports
from provpack.edge import clock
from provpack.jobs.closing import close_handover
from provpack.jobs.progress import Silent
from provpack.jobs.receipts import ReceiveWishes
from provpack.jobs.receive import receive
from provpack.jobs.signatures import Signer
from provpack.package.signers import Signers, parse_signers, signer_line


def until_tomorrow(who: Signer) -> Signers:
    line = signer_line(who.principal, who.public_line, (), valid_before=clock.now() + timedelta(days=1))
    return parse_signers(line.encode(), "my-own-list")


def in_a_week() -> datetime:
    return clock.now() + timedelta(days=7)


@pytest.fixture
def room(tmp_path: Path) -> Signer:
    return signer(tmp_path / "k", "room@grauwell")


def test_a_note_signed_with_a_lapsed_key_is_taken_in_with_a_warning_or_not_at_all(
    tmp_path: Path, room: Signer
) -> None:
    hand_over(studio(tmp_path, ids=("T01",)), tmp_path / "d", signer=room)
    ports = replace(receive_ports(Silent()), now=in_a_week)
    (tmp_path / "today").mkdir()
    today = take_in(tmp_path / "d/d1", tmp_path / "today", signers=until_tomorrow(room))
    assert "sig-expired-since" not in rules_of(today.findings)
    (tmp_path / "later").mkdir()
    later = receive(tmp_path / "d/d1", tmp_path / "later", ports, ReceiveWishes(signers=until_tomorrow(room)))
    assert {f.severity for f in later.findings if f.rule == "sig-expired-since"} == {"warning"}
    asked = ReceiveWishes(signers=until_tomorrow(room), require_signature=True)
    (tmp_path / "asked").mkdir()
    refused = receive(tmp_path / "d/d1", tmp_path / "asked", ports, asked)
    assert refused.outcome == "refused"


def test_a_receipt_signed_with_a_lapsed_key_vouches_for_nothing(tmp_path: Path, room: Signer) -> None:
    out = studio(tmp_path, ids=("T01",))
    hand_over(out, tmp_path / "d")
    client = signer(tmp_path / "c", "registrar@ambersund")
    receipt = take_in(tmp_path / "d/d1", tmp_path / "r", signer=client, organisation=CLIENT).receipt
    book = tmp_path / "copy"
    shutil.copytree(out, book)
    later = replace(close_ports(), now=in_a_week)
    result = close_handover(receipt, book, later, until_tomorrow(client))
    assert result.exit_code == 13 and "sig-expired-since" in rules_of(result.findings)
    assert lines_of(book, "accepted") == []
    result = close_handover(receipt, book, later, until_tomorrow(client), unvouched=True)
    assert [line["signature"] for line in lines_of(book, "accepted")] == ["expired"]
    # in time, or with the key on today's list, it vouches and takes its place
    assert close_handover(receipt, book, close_ports(), trusting(client)).exit_code <= 1
    assert [line["signature"] for line in lines_of(book, "accepted")] == ["expired", "valid"]
