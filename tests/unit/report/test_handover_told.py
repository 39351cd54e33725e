"""What `deliver`, `receive` and `close` say: what has left or come, what was entered, what to do next."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from provpack.errors import InputProblem
from provpack.findings import Finding, Severity
from provpack.jobs.receipts import ReceiveResult, ReceiveUnit
from provpack.package.receipt import Found
from provpack.report.text_delivery import _came, _noted, close_lines, deliver_lines, receive_lines


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


def taken(name: str, *findings: Finding, outcome: str = "good", as_noted: bool | None = True) -> ReceiveUnit:
    found = Found(
        name=name, tagmanifest_sha512=None, outcome=outcome, signature="missing", demands="not_asked",
        as_noted=as_noted, findings={},
    )  # fmt: skip
    return ReceiveUnit(found=found, findings=findings)


def received(*units: ReceiveUnit, kind: str = "delivery", **more: Any) -> list[str]:
    signature = more.pop("receipt_signature", None)
    findings = more.pop("findings", ())
    content = {
        "received_by": {"name": None, "organisation": None}, "conclusion": "accepted", "depth": "bytes",
        "delivery_note_sha512": "ab", "note_signature": "missing", **more,
    }  # fmt: skip
    result = ReceiveResult(
        path="/in/D-1", kind=kind, receipt=Path("/r.json"), receipt_sha512="cd", receipt_signature=signature,
        content=content, units=units, findings=findings,
    )  # fmt: skip
    return list(receive_lines(result))


def test_a_delivery_that_is_accepted() -> None:
    lines = received(*[taken(f"j_t{n:04}") for n in range(1200)])
    assert lines[:3] == ["Delivery: /in/D-1", "", "  GOOD            j_t0000  (as noted; no findings)"]
    at = lines.index("1 200 good (depth bytes).")
    assert lines[at + 1 : at + 3] == [
        "The delivery note is not signed.",
        "ACCEPTED: everything is there, unchanged, and as the papers say.",
    ]
    assert lines[at + 4 : at + 7] == [
        "Receipt written: /r.json", "SHA-512 of the receipt: cd",
        "It names nobody as receiver; --by and --organisation do, if you wish.",
    ]  # fmt: skip
    assert lines[-2] == "Send this file back to whoever delivered, and keep a copy with your papers."


def test_a_receipt_that_is_signed_is_sent_with_its_signature() -> None:
    who = {"name": "I. Varrow", "organisation": "Harbour Museum"}
    lines = received(taken("j_t01"), received_by=who, receipt_signature=Path("/r.json.sig"))
    at = lines.index("SHA-512 of the receipt: cd")
    assert lines[at + 1 : at + 4] == [
        "Its signature: /r.json.sig",
        "It names I. Varrow of Harbour Museum as receiver, as you asked.",
        "Send both files back to whoever delivered, and keep a copy with your papers.",
    ]


def test_what_came_without_papers_and_with_findings() -> None:
    unvouched = finding("sig-unvouched", "note")
    lines = received(
        taken("j_t01", unvouched, as_noted=None), taken("j_t02", unvouched, finding(), outcome="bad"),
        kind="packages", findings=(finding("receive-x", "warning"),), conclusion="refused",
    )  # fmt: skip
    assert lines[0] == "Packages: /in/D-1"
    assert lines[2] == "WARNING a" and "NOTE    2 packages" in lines
    assert "  GOOD            j_t01  (no note; no findings)" in lines
    at = lines.index("  BAD             j_t02  (no note; 1 error)")
    assert lines[at + 1] == "      ERROR   a"
    assert "1 good, 1 bad (depth bytes)." in lines and not any("delivery note" in line for line in lines)
    assert any(line.startswith("REFUSED: not everything is as it should be.") for line in lines)
    gone = received(taken("j_t01"), delivery_note_sha512=None, conclusion="accepted_with_remarks")
    assert "The delivery note is not there." in gone


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
