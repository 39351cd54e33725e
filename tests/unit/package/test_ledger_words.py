"""A line of the ledger as a sentence: who and what once, not twice."""

from __future__ import annotations

from provpack.package import ledgerline as kinds
from provpack.package.ledgerwords import sentence


def test_a_carrier_that_has_the_name_of_its_transfer_is_named_once() -> None:
    line = {"kind": kinds.PASS_MADE, "carrier_id": "T01", "transfer_id": "T01", "pass_n": 1, "chain_id": "A"}
    assert sentence(line) == "pass made T01 pass 1 on chain A."
    named = sentence({**line, "carrier_id": "K-0411"})
    assert named == "pass made K-0411 T01 pass 1 on chain A."
