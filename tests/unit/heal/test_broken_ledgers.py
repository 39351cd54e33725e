"""A ledger whose chain is broken vouches for nothing, and still accuses."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest
from support.bagmaking import seal
from support.copies import IDENTITY, NAME, copied, hurt, make_package, run_heal

from provpack.edge.ledger import LEDGER_NAME, append
from provpack.errors import InputProblem
from provpack.package.ledgerline import NOTE, WRAPPED, ledger_line

AT = "2031-05-04T10:00:00+02:00"


@pytest.fixture
def original(tmp_path: Path) -> Path:
    return make_package(tmp_path / "original" / NAME, blocks=6)


def identity(package: Path) -> str:
    return hashlib.sha512((package / IDENTITY).read_bytes()).hexdigest()


def write_ledger(folder: Path, package: Path) -> Path:
    line = ledger_line(
        WRAPPED, at=AT, tool_version="0.1.0", package=NAME, tagmanifest_sha512=identity(package)
    )
    folder.mkdir(exist_ok=True)
    append(folder / LEDGER_NAME, line)
    return folder / LEDGER_NAME


def resealed(original: Path, target: Path) -> Path:
    """A copy in which somebody changed a document and sealed it anew: a valid bag, another package."""
    shutil.copytree(original, target)
    (target / "data/documents/log.txt").write_bytes(b"Nothing to see here.\n")
    seal(target)
    return target


def _broken(ledger: Path) -> None:
    """Line 1 is not what line 2 says it was."""
    text = ledger.read_bytes()
    ledger.write_bytes(text.replace(b'"at":"2031-05-04', b'"at":"2031-05-05', 1))
    assert ledger.read_bytes() != text


def test_a_broken_ledger_that_knows_another_package_still_accuses(original: Path, tmp_path: Path) -> None:
    other = resealed(original, tmp_path / "other" / NAME)
    one, two = copied(other, tmp_path / "more", 2)
    hurt(one / "data/report/index.html")
    hurt(two / "data/documents/log.txt", 5)
    ledger = write_ledger(one.parent, original)
    append(ledger, ledger_line(NOTE, at=AT, tool_version="0.1.0", note="Shelf 3."))
    _broken(ledger)
    with pytest.raises(InputProblem, match="broken ledger knows another package by this name: line 1") as no:
        run_heal([one, two], tmp_path / "out")
    assert no.value.exit_code == 12 and identity(original)[:16] in no.value.what
    assert not (tmp_path / "out").exists()
    # a whole ledger vouches for the copies: then the broken one is told, and heeded no further
    whole = write_ledger(tmp_path / "elsewhere", other)
    result = run_heal([one, two], tmp_path / "out", ledger=whole)
    assert result.outcome == "healed" and result.exit_code == 1
    assert {"heal-ledger-broken", "heal-ledger-knows-another"} <= {f.rule for f in result.findings}


@pytest.mark.parametrize("behind", [False, True])
def test_a_line_at_or_before_a_break_does_not_acquit(behind: bool, original: Path, tmp_path: Path) -> None:
    """A line about the forged package stands in the broken part, beside that of the sealed one."""
    other = resealed(original, tmp_path / "other" / NAME)
    one, two = copied(other, tmp_path / "more", 2)
    hurt(one / "data/report/index.html")
    ledger = write_ledger(one.parent, original)
    if not behind:
        write_ledger(one.parent, other)
    append(ledger, ledger_line(NOTE, at=AT, tool_version="0.1.0", note="Shelf 3."))
    if behind:
        write_ledger(one.parent, other)
        _broken(ledger)
    else:
        lines = ledger.read_bytes().splitlines(keepends=True)
        ledger.write_bytes(b"".join([lines[0], lines[1].replace(b"0.1.0", b"0.1.1"), lines[2]]))
    found = {f.rule: f for f in run_heal([one, two], tmp_path / "out").findings}
    assert "heal-ledger-broken" in found and ("heal-ledger-knows-another" in found) is not behind
    if not behind:
        told = found["heal-ledger-knows-another"]
        assert "line 1" in told.where and "Line 2 knows this one, but may be made up." in told.what
