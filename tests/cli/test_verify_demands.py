"""`verify` asked for more than intactness: the list of signers, and how the two answers are kept apart."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from support.jobs import make_job, wrap

from provpack.cli.main import main
from provpack.edge import schemas
from provpack.edge.sshkeys import make_key
from provpack.jobs.signatures import Signer
from provpack.jobs.wrapped import Wishes
from provpack.package.signers import signer_line
from provpack.package.sshsig import NAMESPACE_PACKAGE

ROOM = "room@grauwell.example"


@pytest.fixture
def signed(tmp_path: Path) -> Path:
    """tmp_path/out with one signed package; tmp_path/list names its signer, after a line that is none."""
    key = make_key(tmp_path / "key", ROOM)
    wishes = Wishes(signer=Signer(principal=ROOM, key=key))
    (unit,) = wrap(make_job(tmp_path / "job", frames=4000), tmp_path / "out", wishes=wishes).units
    assert unit.outcome == "wrapped"
    line = signer_line(ROOM, key.public_line(), [NAMESPACE_PACKAGE])
    (tmp_path / "list").write_text(f"this is no line\n{line}\n")
    return tmp_path / "out"


def verified(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    capsys.readouterr()
    code = main(["verify", *words, "--no-ledger", "--json"])
    result = json.loads(capsys.readouterr().out)
    assert schemas.validate("result-verify", result) == []
    return code, result


def test_what_is_wrong_with_the_list_is_told_once(signed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, result = verified(
        capsys, str(signed), "--signers", str(signed.parent / "list"), "--require-signature"
    )
    assert [f["rule"] for f in result["findings"]] == ["sig-signers-line"]
    (unit,) = result["units"]
    assert (code, unit["outcome"], unit["demands"]) == (1, "good", "met")
    assert unit["examined"]["signature"]["state"] == "valid"


def test_intact_and_signed_by_a_stranger_are_two_answers(
    signed: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    stranger = make_key(tmp_path / "other", "someone@else.example")
    line = signer_line("someone@else.example", stranger.public_line(), [NAMESPACE_PACKAGE])
    (tmp_path / "others").write_text(line + "\n")
    for extra, code in ((), 1), (("--require-signature",), 13):
        got, result = verified(capsys, str(signed), "--signers", str(tmp_path / "others"), *extra)
        (unit,) = result["units"]
        assert (got, unit["outcome"]) == (code, "good")
        assert unit["examined"]["signature"]["state"] == "foreign"
