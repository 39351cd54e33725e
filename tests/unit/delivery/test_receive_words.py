"""What receiving and the text of a delivery say to people."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from support.handover import hand_over, studio, take_in

from provpack.findings import Finding
from provpack.jobs.receipts import ReceiveResult, ReceiveUnit
from provpack.package.receipt import Found
from provpack.report.text_delivery import receive_lines


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Deliveries `plain`, `tar`, `zip`."""
    top = tmp_path_factory.mktemp("made")
    out = studio(top, ids=("T01", "T02"))
    for name, form in (("plain", "folder"), ("tar", "tar"), ("zip", "zip")):
        hand_over(out, top / "d", name=name, form=form)
    return top


@pytest.fixture
def came(made: Path, tmp_path: Path) -> Callable[[str], Path]:
    return lambda name: Path(shutil.copytree(made / "d" / name, tmp_path / "came" / name))


def test_a_package_with_a_file_gone_is_incomplete_and_not_called_as_noted(
    came: Callable[[str], Path], tmp_path: Path
) -> None:
    delivery = came("plain")
    (delivery / "packages/job-1_t01/data/metadata/premis.xml").unlink()
    result = take_in(delivery, tmp_path / "r")
    lines = list(receive_lines(result))
    (line,) = [x for x in lines if "job-1_t01  (" in x]
    assert line.split()[:3] == ["INCOMPLETE", "job-1_t01", "(1"]
    assert "noted" not in line
    assert "1 incomplete, 1 good (depth meaning)." in lines
    assert any("job-1_t02  (as noted; " in x for x in lines)
    shutil.rmtree(delivery / "packages/job-1_t01")
    gone = list(receive_lines(take_in(delivery, tmp_path / "r2")))
    assert [x.split()[0] for x in gone if "job-1_t01  (" in x] == ["MISSING"]
    assert not any("job-1_t01  (as noted" in x for x in gone)


def test_one_key_that_nobody_vouches_for_is_told_once(tmp_path: Path) -> None:
    def unit(name: str, mark: str) -> ReceiveUnit:
        told = Finding(
            rule="sig-unvouched", severity="note", what=f"The key {mark}.", where=f"{name}/x.sig", todo="Ask."
        )
        found = Found(
            name=name, tagmanifest_sha512=None, outcome="good", signature="unvouched", demands="not_asked",
            as_noted=None, findings={"error": 0, "warning": 0, "note": 1},
        )  # fmt: skip
        return ReceiveUnit(found=found, findings=(told,))

    content = {
        "depth": "bytes", "conclusion": "accepted", "received_by": {"name": None, "organisation": None},
    }  # fmt: skip
    units = (unit("a", "one"), unit("b", "one"), unit("c", "one"), unit("d", "two"))
    result = ReceiveResult(
        path="x", kind="packages", receipt=tmp_path / "r", receipt_sha512="0", receipt_signature=None,
        content=content, units=units, findings=(),
    )  # fmt: skip
    lines = "\n".join(receive_lines(result))
    assert lines.count("The key one.") == 1
    assert "3 packages" in lines
    assert lines.count("The key two.") == 1
    assert "a  (no note; no findings)" in lines
    assert sum(len(u["findings"]) for u in result.as_json()["units"]) == 4


def test_unpacking_a_second_delivery_does_not_meet_the_first(made: Path) -> None:
    """PowerShell's Expand-Archive, and tar as a part of Windows, are from memory: text only."""
    for name, tool in (("tar", "tar -xf $_.FullName -C"), ("zip", "Expand-Archive -LiteralPath $_.FullName")):
        text = (made / "d" / name / "READ-ME-FIRST.txt").read_text()
        assert f'    mkdir "$HOME/unpacked-{name}"\n' in text
        assert f'    New-Item -ItemType Directory "$HOME\\unpacked-{name}"\n' in text
        assert f"    Get-ChildItem packages\\*.{name} | ForEach-Object {{\n" in text
        assert tool in text
        assert "$HOME/unpacked/" not in text
