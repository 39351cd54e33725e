"""A package is compared with what the custody ledger beside it says was sealed."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from support.bagmaking import now, seal

from provpack.edge.ledger import LEDGER_NAME, append
from provpack.jobs.progress import Silent
from provpack.jobs.verify import VerifyResult, verify_paths
from provpack.jobs.witness import LedgerWitness
from provpack.package import rules


def enter(root: Path, kind: str = "wrapped") -> None:
    digest = hashlib.sha512((root / "tagmanifest-sha512.txt").read_bytes()).hexdigest()
    append(
        root.parent / LEDGER_NAME,
        {"kind": kind, "package": root.name, "tagmanifest_sha512": digest, "at": "2031-05-06T09:00:00Z"},
    )


def verified(path: Path) -> VerifyResult:
    return verify_paths([path], "bytes", progress=Silent(), clock=now, witness=LedgerWitness())


@pytest.fixture
def sealed(bag: Callable[..., Path]) -> Path:
    root = bag("one")
    enter(root)
    return root


def test_the_sealed_package_is_good(sealed: Path) -> None:
    assert verified(sealed).verdict == "good"
    assert verified(sealed.parent).verdict == "good"


def test_a_valid_bag_that_is_not_the_sealed_one_is_bad(sealed: Path) -> None:
    (sealed / "data/a.txt").write_bytes(b"ALPHA")
    for old in sealed.glob("*manifest-*.txt"):
        old.unlink()
    seal(sealed)
    for path in (sealed, sealed.parent):
        (unit,) = verified(path).units
        assert unit.outcome == "bad" and [f.rule for f in unit.findings] == [rules.LEDGER_DIFFERS.id]


def test_a_later_check_is_no_seal(sealed: Path) -> None:
    (sealed / "data/a.txt").write_bytes(b"ALPHA")
    for old in sealed.glob("*manifest-*.txt"):
        old.unlink()
    seal(sealed)
    enter(sealed, "fixity_checked")
    assert verified(sealed).outcome == "bad"


def test_a_package_that_is_gone_is_named(sealed: Path, bag: Callable[..., Path]) -> None:
    enter(bag("two"))
    shutil.rmtree(sealed)
    result = verified(sealed.parent)
    assert result.verdict == "warnings" and [f.rule for f in result.findings] == [rules.LEDGER_MISSING.id]
    append(sealed.parent / LEDGER_NAME, {"kind": "returned", "package": "one"})
    assert verified(sealed.parent).verdict == "good"


def test_a_changed_ledger_is_told_once(sealed: Path) -> None:
    enter(sealed, "fixity_checked")
    ledger = sealed.parent / LEDGER_NAME
    first, second = ledger.read_text(encoding="utf-8").splitlines()
    entry = json.loads(first) | {"at": "2031-05-07T09:00:00Z"}
    ledger.write_text(f"{json.dumps(entry)}\n{second}\n", encoding="utf-8")
    result = verified(sealed.parent)
    assert result.verdict == "warnings" and [f.rule for f in result.findings] == [rules.LEDGER_BROKEN.id]


def test_names_in_a_ledger_lead_nowhere(sealed: Path) -> None:
    for name in ("../../etc", "/etc", "a/b", "..", "p" * 5000, "p\0p"):
        append(sealed.parent / LEDGER_NAME, {"kind": "wrapped", "package": name, "tagmanifest_sha512": "0"})
    assert verified(sealed.parent).verdict == "good"


def replace_package(root: Path) -> str:
    """Another valid bag in the place of this one; its identity."""
    (root / "data/a.txt").write_bytes(b"ALPHA")
    for old in root.glob("*manifest-*.txt"):
        old.unlink()
    seal(root)
    return hashlib.sha512((root / "tagmanifest-sha512.txt").read_bytes()).hexdigest()


def forged(ledger: Path, line: int, **members: object) -> None:
    """Put in a line made up from line 1, as line `line`; nothing in the ledger vouches for it."""
    lines = ledger.read_text(encoding="utf-8").splitlines()
    made = {**json.loads(lines[0]), "n": line, "previous": "f" * 128, **members}
    ledger.write_text(
        "\n".join([*lines[: line - 1], json.dumps(made), *lines[line - 1 :], ""]), encoding="utf-8"
    )


@pytest.mark.parametrize("line", [2, 3, 4])
def test_a_line_made_up_in_the_ledger_makes_no_other_package_good(sealed: Path, line: int) -> None:
    enter(sealed, "fixity_checked")
    enter(sealed, "fixity_checked")
    ledger = sealed.parent / LEDGER_NAME
    forged(ledger, line, tagmanifest_sha512=replace_package(sealed))
    for path in (sealed, sealed.parent):
        (unit,) = verified(path).units
        (finding,) = unit.findings
        assert unit.outcome == "bad" and finding.rule == rules.LEDGER_DIFFERS.id
        assert "line 1 of" in finding.what and f"Line {line} knows this one, but" in finding.what


def test_a_line_changed_in_the_ledger_makes_no_other_package_good_while_a_check_knows_the_first(
    sealed: Path,
) -> None:
    digest = hashlib.sha512((sealed / "tagmanifest-sha512.txt").read_bytes()).hexdigest()
    ledger = sealed.parent / LEDGER_NAME
    check = {"kind": "fixity_checked", "package": "one", "tagmanifest_sha512": digest, "outcome": "good"}
    append(ledger, {**check, "at": "2031-05-07T09:00:00Z"})
    text = ledger.read_text(encoding="utf-8")
    assert verified(sealed).verdict == "good"
    first, rest = text.split("\n", 1)
    ledger.write_text(first.replace(digest, replace_package(sealed)) + "\n" + rest, encoding="utf-8")
    (unit,) = verified(sealed).units
    assert unit.outcome == "bad" and "line 2 of" in unit.findings[0].what


def test_what_was_sealed_anew_behind_the_break_is_what_was_sealed(sealed: Path) -> None:
    enter(sealed, "fixity_checked")
    ledger = sealed.parent / LEDGER_NAME
    forged(ledger, 2, kind="note")
    replace_package(sealed)
    enter(sealed)  # the ledger takes it, and it follows from the line before
    enter(sealed, "fixity_checked")
    result = verified(sealed)
    assert result.units[0].outcome == "good" and [f.rule for f in result.findings] == [rules.LEDGER_BROKEN.id]


def test_that_a_package_left_is_not_believed_of_a_line_made_up(
    sealed: Path, bag: Callable[..., Path]
) -> None:
    enter(bag("two"))
    forged(sealed.parent / LEDGER_NAME, 2, kind="returned")
    shutil.rmtree(sealed)
    told = {f.rule for f in verified(sealed.parent).findings}
    assert told == {rules.LEDGER_BROKEN.id, rules.LEDGER_MISSING.id}
