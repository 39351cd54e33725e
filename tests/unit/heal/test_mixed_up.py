"""Copies of two packages taken for one: what is built bears the name, record and identity of a single one."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from support.bagmaking import seal
from support.copies import IDENTITY, MASTER, NAME, Ledger, copied, hurt, make_package, run_heal, tree
from support.signing import key_of_seed

from provpack.edge.ledger import LEDGER_NAME, append
from provpack.edge.sshkeys import load_signers
from provpack.errors import InputProblem
from provpack.package.ledgerline import WRAPPED, ledger_line
from provpack.package.sshsig import NAMESPACE_PACKAGE

AT = "2031-05-04T10:00:00+02:00"
OTHER_ID = "5b1d52a2-6a0e-4a35-9d3c-0b7f6f3f2c22"


@pytest.fixture
def copies(tmp_path: Path) -> list[Path]:
    return list(copied(make_package(tmp_path / "original" / NAME, blocks=6), tmp_path, 2))


def identity(package: Path) -> str:
    return hashlib.sha512((package / IDENTITY).read_bytes()).hexdigest()


def another(root: Path) -> Path:
    """A package of another tape, under a name and with a record of its own."""
    make_package(root, blocks=6, seed=9)
    record = {"package_name": root.name, "record_id": OTHER_ID}
    (root / "data/metadata/record.json").write_text(json.dumps(record))
    seal(root)
    return root


def test_two_packages_are_told_apart_by_any_manifest(copies: list[Path], tmp_path: Path) -> None:
    """Without its tagmanifest-sha512.txt a package is no less another one."""
    other = another(tmp_path / "other" / "tape-8")
    (copies[0] / IDENTITY).unlink()
    (copies[0] / "bagit.txt").unlink()
    (other / "bagit.txt").unlink()
    with pytest.raises(InputProblem) as refused:
        run_heal([copies[0], other], tmp_path / "out")
    assert refused.value.code == "two-packages" and not (tmp_path / "out").exists()


def test_name_record_and_identity_are_of_one_package(copies: list[Path], tmp_path: Path) -> None:
    """A ledger that knows only the other package decides for it; then all that is told is of that one."""
    other = another(tmp_path / "other" / "tape-8")
    sealed = tree(other)
    line = ledger_line(
        WRAPPED, at=AT, tool_version="0.1.0", package="tape-8", tagmanifest_sha512=identity(other)
    )
    append(tmp_path / LEDGER_NAME, line)
    # Its master is to be joined, by its own block digests, though the first copy has another master whole.
    (two,) = copied(other, tmp_path / "more", 1)
    hurt(other / MASTER, 600)
    hurt(two / MASTER, 1600)
    lines = Ledger()
    result = run_heal([copies[0], other, two], tmp_path / "out", ledger=tmp_path / LEDGER_NAME, lines=lines)
    assert result.outcome == "healed" and result.name == "tape-8", result.as_json()
    built = tmp_path / "out" / "tape-8"
    assert tree(built) == sealed
    record = json.loads((tmp_path / "out" / "tape-8.healing.json").read_bytes())
    (written,) = lines.lines
    for told in (record, written):
        assert (told["package"], told["record_id"]) == ("tape-8", OTHER_ID)
        assert told["tagmanifest_sha512"] == identity(built)
    assert [m["path"] for m in record["masters"]] == [MASTER]


def test_a_whole_copy_beside_another_package_is_called_by_its_own_name(
    copies: list[Path], tmp_path: Path
) -> None:
    other = another(tmp_path / "other" / "tape-8")
    for path in copies[0].glob("*manifest-*"):
        path.unlink()
    result = run_heal([copies[0], other], tmp_path / "out")
    assert (result.outcome, result.exit_code) == ("nothing_to_heal", 1), "it warns of the other package"
    assert result.name == "tape-8" and result.identity == identity(other)
    assert result.assessment is not None and result.assessment.record_id == OTHER_ID


def test_a_signature_is_judged_at_the_time_its_own_package_tells(tmp_path: Path) -> None:
    def signed(root: Path, seed: int, at: str) -> Path:
        make_package(root, blocks=6, seed=seed)
        record = {"package_name": NAME, "record_id": OTHER_ID, "made_by": {"at": at}}
        (root / "data/metadata/record.json").write_text(json.dumps(record))
        seal(root)
        text = (root / IDENTITY).read_bytes()
        (root / f"{IDENTITY}.sig").write_bytes(key_of_seed(1).sign(text, NAMESPACE_PACKAGE))
        return root

    early, late = (
        signed(tmp_path / n / NAME, i, f"{n}-01-01T00:00:00Z") for i, n in enumerate(("2019", "2023"))
    )
    listed = tmp_path / "signers"
    key = key_of_seed(1).public_line()
    listed.write_text(f'studio@grauwell.example valid-after="20220101Z" {key}\n')
    result = run_heal([early, late], tmp_path / "out", signers=load_signers(listed))
    assert result.identity == identity(late) and result.as_json()["signature"] == "valid"
    assert result.as_json()["evidence"] == "signature"
