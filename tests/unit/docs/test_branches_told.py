"""The check of branch coverage (tests/support/branches.py) tells what was not reached, and calls no room
whole that is not. The form of the report: coverage.py, `coverage json`, format 3."""

from __future__ import annotations

from typing import Any

import pytest
from support import branches

Json = dict[str, Any]


def told(statements: int, lines: list[int], branching: int, arcs: list[list[int]]) -> Json:
    summary = {
        "num_statements": statements, "missing_lines": len(lines), "num_branches": branching,
        "missing_branches": len(arcs),
    }  # fmt: skip
    return {"summary": summary, "missing_lines": lines, "missing_branches": arcs}


def report(**files: Json) -> Json:
    whole = {f"provpack/{room}" if "." in room else f"provpack/{room}/a.py": told(9, [], 2, [])
             for room in branches.WHOLE}  # fmt: skip
    return {"files": {**whole, **files}}


def test_lines_and_branches_are_counted_by_room() -> None:
    rooms = branches.rooms_of(
        {
            "files": {
                "/x/provpack/package/a.py": told(900, [], 100, [[7, -3]]),
                "/x/provpack/package/b.py": told(999, [4, 5], 0, [[3, 4]]),
                "/x/provpack/errors.py": told(3, [], 0, []),
            }
        }
    )
    assert {name: (room.there, room.missing) for name, room in rooms.items()} == {
        "errors.py": (3, 0), "package": (1999, 4),
    }  # fmt: skip
    assert rooms["package"].places == ["package/a.py: 7->-3", "package/b.py: 4, 5"]
    assert (rooms["package"].percent, rooms["errors.py"].percent) == ("99.7 %", "100.0 %")
    nearly = branches.rooms_of({"files": {"provpack/measure/a.py": told(99_999, [1], 0, [])}})
    assert nearly["measure"].percent == "99.9 %"


@pytest.mark.parametrize(
    ("files", "tests", "code"),
    [
        ({}, 0, 0),
        ({}, 1, 1),
        ({"provpack/jobs/a.py": told(9, [3], 0, [])}, 0, 0),
        ({"provpack/report/b.py": told(9, [3], 0, [])}, 0, 1),
        ({"provpack/package/b.py": told(9, [], 2, [[1, 2]])}, 0, 1),
        ({"provpack/xmldoc.py": told(9, [3], 0, [])}, 0, 1),
    ],
)
def test_it_fails_when_a_room_is_not_whole(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], files: Json, tests: int, code: int
) -> None:
    monkeypatch.setattr(branches, "measure", lambda arguments: (tests, report(**files)))
    assert branches.main([]) == code
    wanting = [line for line in capsys.readouterr().out.splitlines() if "not covered wholly" in line]
    assert len(wanting) == (code and not tests)


def test_a_room_that_was_not_measured_is_not_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(branches, "measure", lambda arguments: (0, {"files": {}}))
    assert branches.main([]) == 1


def test_every_test_it_names_is_there() -> None:
    assert [path for path in branches.TESTS if not (branches.ROOT / path).exists()] == []
