"""What `deliver` and `close` say: what has left, what was entered, and what to do next."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from provpack.errors import InputProblem
from provpack.findings import Finding, Severity
from provpack.report.text_delivery import _came, _noted, close_lines, deliver_lines


def finding(rule: str = "x", severity: Severity = "error") -> Finding:
    return Finding(rule=rule, severity=severity, what="What is wrong.", where="a", todo="Mend it.")


def unit(outcome: str, name: str = "j_t01", size: int = 2000) -> Any:
    return SimpleNamespace(outcome=outcome, name=name, size=size, findings=())


def delivered(*units: Any, **more: Any) -> list[str]:
    made = {
        "client": "Harbour Museum", "form": "tar", "findings": (), "problem": None, "delivery": "/out/D-1",
        "note_sha512": "ab", "ledger_lines": 3, **more,
    }  # fmt: skip
    left = tuple(u for u in units if u.outcome == "delivered")
    return list(deliver_lines(SimpleNamespace(units=units, delivered=left, **made)))


def test_what_was_delivered() -> None:
    lines = delivered(unit("delivered"), unit("delivered", "j_t02", 500))
    assert lines[0] == "For Harbour Museum, as tar"
    assert "2 packages delivered, 2.5 kB, every byte checked." in lines
    assert "The delivery: /out/D-1" in lines and "SHA-512 of its delivery note: ab" in lines
    assert "Entered in the custody ledger (3 lines)." in lines
    assert not any(line.startswith(("NOT", "Nothing")) or "left alone" in line for line in lines)


def test_what_was_left_and_what_could_not_be_delivered() -> None:
    problem = InputProblem("x", "It is damaged.", where="/p/j_t02", todo="Heal it.")
    lines = delivered(
        unit("delivered"), unit("not_asked", "k_t01"), unit("not_delivered", "j_t02"), findings=(finding(),),
        problem=problem, ledger_lines=0,
    )  # fmt: skip
    assert "1 package delivered, 2 kB, every byte checked." in lines
    assert "1 package of other clients left alone." in lines and "NOT delivered: j_t02" in lines
    at = lines.index("It is damaged.")
    assert lines[at + 1 : at + 3] == ["Where: /p/j_t02", "To do: Heal it."]
    assert "NOT entered in any custody ledger; see the warnings above." in lines
    assert "ERROR   a" in lines


def test_a_delivery_that_was_not_written() -> None:
    lines = delivered(unit("not_delivered"), client=None, delivery=None)
    assert lines[0] == "For (no client could be told), as tar" and lines[-1] == "Nothing was written."
    assert not any("provpack close" in line for line in lines)


def closed(outcome: str = "closed", **more: Any) -> list[str]:
    content = {
        "received_by": {"name": None, "organisation": None}, "conclusion": more.pop("conclusion", "accepted"),
        "packages": [{}], "remarks": more.pop("remarks", None), **more.pop("content", {}),
    }  # fmt: skip
    made = {
        "receipt": "/r.json", "content": content, "findings": (), "outcome": outcome, "already": False,
        "signature": SimpleNamespace(state="missing", principal=None), "packages": ("j_t01",),
        "lines_written": 1, "ledger": "/l.jsonl", **more,
    }  # fmt: skip
    return list(close_lines(SimpleNamespace(**made)))


def test_a_hand_over_that_is_closed() -> None:
    lines = closed()
    assert lines[:2] == ["Receipt /r.json", "  says 'accepted' of 1 package"]
    assert "The hand-over of 1 package is closed (1 line)." in lines
    assert "Keep the receipt with the job's papers: the ledger holds" in lines
    assert lines[-1] == "Ledger: /l.jsonl"


def test_who_signed_and_what_was_remarked() -> None:
    who = {"received_by": {"name": "I. Varrow", "organisation": "Harbour Museum"}}
    signature = SimpleNamespace(state="valid", principal="museum@example")
    lines = closed(content=who, remarks="One box\nwas wet.", signature=signature)
    assert lines[1] == "  says 'accepted' of 1 package, by I. Varrow of Harbour Museum"
    assert "  remarks: One box was wet." in lines and "  signed by museum@example" in lines
    assert "Keep the receipt and its .sig with the job's papers: the ledger holds" in lines


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"already": True}, "This receipt had been entered before. Nothing was written."),
        ({"conclusion": "refused"}, "The refusal of 1 package is entered (1 line)."),
        (
            {"outcome": "refused", "findings": (finding("close-not-vouched-for"), finding("y", "note"))},
            "Nobody vouches for the receipt.",
        ),
        (
            {"outcome": "refused", "findings": (finding("close-not-vouched-for"), finding("close-other"))},
            "The receipt does not fit.",
        ),
    ],
)
def test_what_is_not_closed(more: dict[str, Any], said: str) -> None:
    lines = closed(**more)
    assert said in lines and not any("is closed" in line for line in lines)
    assert any(line.startswith("Keep the receipt") for line in lines) == (more.get("outcome") != "refused")
    nothing = "Nothing was closed, and nothing was written to the ledger."
    assert (nothing in lines) == (more.get("outcome") == "refused")


@pytest.mark.parametrize(
    ("kind", "came", "as_noted", "outcome", "said"),
    [
        ("packages", True, None, "good", "no note"),
        ("delivery", False, None, "missing", "the note names it"),
        ("delivery", True, None, "good", "no note names it"),
        ("delivery", True, False, "good", "NOT AS NOTED"),
        ("delivery", True, True, "good", "as noted"),
        ("delivery", True, True, "bad", ""),
    ],
)
def test_how_a_package_stands_to_the_note(
    kind: str, came: bool, as_noted: bool | None, outcome: str, said: str
) -> None:
    found = SimpleNamespace(as_noted=as_noted, outcome=outcome)
    assert _noted(SimpleNamespace(came=came, found=found), kind) == said  # type: ignore[arg-type]


def test_what_came_with_files_missing_is_incomplete() -> None:
    def came(outcome: str, there: bool) -> str:
        return _came(SimpleNamespace(came=there, found=SimpleNamespace(outcome=outcome)))  # type: ignore[arg-type]

    assert (came("missing", True), came("missing", False), came("bad", True)) == (
        "incomplete",
        "missing",
        "bad",
    )
