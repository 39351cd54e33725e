"""Lines about packages that lie elsewhere, as `custody` reads them."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from provpack.edge.ledger import LEDGER_NAME, append_many
from provpack.edge.schemas import validate
from provpack.jobs.custodyview import CustodyResult, look_at_custody
from provpack.package.ledgerchain import NO_PREVIOUS
from provpack.package.ledgerline import ledger_line

AT = "2031-06-10T12:00:00+02:00"


def line(kind: str, **fields: Any) -> dict[str, Any]:
    made = ledger_line(kind, at=AT, tool_version="0.1.0", **fields)
    assert validate("ledger-entry", {**made, "n": 1, "previous": NO_PREVIOUS}) == []
    return made


def check(outcome: str, **fields: Any) -> dict[str, Any]:
    counts = {"error": 0, "warning": 0, "note": 0}
    return line("fixity_checked", package="p", outcome=outcome, depth="bytes", findings=counts, **fields)


def look(folder: Path, *lines: dict[str, Any], **more: Any) -> CustodyResult:
    append_many(folder / LEDGER_NAME, lines)
    return look_at_custody(folder, today=date(2031, 6, 20), **more)


SEALED = line("wrapped", package="p", tagmanifest_sha512="0" * 128)


def test_a_check_elsewhere_is_no_check_here(tmp_path: Path) -> None:
    result = look(tmp_path, SEALED, check("good", place="/far/p"))
    assert [o.finding.rule for o in result.open] == ["custody-never-checked"]


def test_damage_elsewhere_is_open_under_its_place(tmp_path: Path) -> None:
    result = look(tmp_path, SEALED, check("good"), check("bad", place="/far/p"))
    assert [(o.finding.rule, o.packages) for o in result.open] == [("custody-check-failed", ("/far/p",))]
    assert result.open[0].finding.what.startswith("/far/p: the last check said bad")


def test_what_happened_elsewhere_moves_nothing_here(tmp_path: Path) -> None:
    gone = line("destroyed", package="p", place="/far/p")
    result = look(tmp_path, SEALED, check("bad"), gone)
    assert [(o.finding.rule, o.packages) for o in result.open] == [("custody-check-failed", ("p",))]


def test_the_history_tells_the_place(tmp_path: Path) -> None:
    result = look(tmp_path, SEALED, check("bad", place="/far/p"), package="p")
    said = [entry["said"] for entry in result.as_json()["history"]]
    assert said == ["wrapped and sealed p.", "checked p at /far/p (bytes): bad."]
    again = look_at_custody(tmp_path, today=date(2031, 6, 20), package="/far/p")
    assert [entry["n"] for entry in again.history] == [2]


def test_a_healed_package_waits_for_its_first_check(tmp_path: Path) -> None:
    result = look(tmp_path, line("healed", package="p", tagmanifest_sha512="0" * 128))
    assert [o.finding.rule for o in result.open] == ["custody-never-checked"]
