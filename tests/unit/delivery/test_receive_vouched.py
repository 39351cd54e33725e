"""Whoever makes a delivery of genuine packages can leave some out: the note must be by somebody trusted."""

from __future__ import annotations

from pathlib import Path

from support.handover import hand_over, rules_of, signer, studio, take_in, trusting


def test_a_note_signed_by_a_stranger_is_refused_when_the_receiver_has_a_list(tmp_path: Path) -> None:
    room, stranger = signer(tmp_path / "k", "room@grauwell"), signer(tmp_path / "s", "stranger")
    hand_over(studio(tmp_path, ids=("T01", "T02")), tmp_path / "d", signer=stranger)
    result = take_in(tmp_path / "d/d1", tmp_path / "r", signers=trusting(room))
    assert result.outcome == "refused" and "receive-note-not-by-yours" in rules_of(result.findings)
    result = take_in(tmp_path / "d/d1", tmp_path / "r2", signers=trusting(room, stranger))
    assert result.outcome == "accepted"


def test_a_part_of_a_delivery_is_told_as_one(tmp_path: Path) -> None:
    hand_over(studio(tmp_path, ids=("T01", "T02")), tmp_path / "d")
    packages = tmp_path / "d/d1/packages"
    for n, part in enumerate((packages, sorted(packages.iterdir())[0])):
        result = take_in(part, tmp_path / f"r{n}")
        assert result.outcome == "accepted_with_remarks"
        assert "receive-part-of-delivery" in rules_of(result.findings)
