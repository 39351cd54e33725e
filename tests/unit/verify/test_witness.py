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
