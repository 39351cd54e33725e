"""What ledger lines tell of checks: what counts as checked, what accuses for ever, whose line it is."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from provpack.edge.ledger import LEDGER_NAME, append_many, read_ledger
from provpack.jobs.witness import LedgerWitness
from provpack.package.checkhistory import CheckHistory, LedgerChecks
from provpack.package.ledgerchain import Chain


def check(day: int, outcome: Any = "good", depth: Any = "bytes", **more: Any) -> dict[str, Any]:
    at = f"2031-05-{day:02d}T09:00:00+00:00"
    line = {"kind": "fixity_checked", "package": "p", "at": at, "outcome": outcome, "depth": depth}
    return {**line, **more}


def may(day: int) -> datetime:
    return datetime(2031, 5, day, 9, tzinfo=UTC)


def told(*lines: dict[str, Any], depth: str = "bytes") -> CheckHistory:
    checks = LedgerChecks(depth)
    for line in lines:
        checks.add(line)
    return checks.beside("p")


@pytest.mark.parametrize(
    ("asked", "counting"),
    [("listed", {"listed", "bytes", "meaning"}), ("bytes", {"bytes", "meaning"}), ("meaning", {"meaning"})],
)
def test_only_a_check_at_least_as_deep_counts(asked: str, counting: set[str]) -> None:
    for depth in ("listed", "bytes", "meaning", None, "deeper", 3):
        history = told(check(1, depth=depth), depth=asked)
        assert (history.good is not None) == (history.tried is not None) == (depth in counting)


def test_the_latest_good_check_counts_whatever_the_order_of_lines() -> None:
    assert told(check(4), check(9), check(6)).good == may(9)


@pytest.mark.parametrize("outcome", ["bad", "missing"])
def test_once_bad_is_never_forgotten(outcome: str) -> None:
    history = told(check(1, outcome, "listed"), check(2), check(3))
    assert history.good == may(3) and history.once_bad == "2031-05-01T09:00:00+00:00"


@pytest.mark.parametrize("outcome", ["could_not_check", None, "fine", 7])
def test_what_could_not_be_told_is_due_and_no_accusation(outcome: Any) -> None:
    history = told(check(1), check(2, outcome))
    assert history == CheckHistory(good=None, tried=may(2), once_bad=None)
    assert told(check(1), check(2, outcome), check(3)).good == may(3)


@pytest.mark.parametrize("kind", ["wrapped", "healed"])
def test_a_package_made_anew_was_not_checked_yet(kind: str) -> None:
    history = told(check(1, "bad"), check(2), {"kind": kind, "package": "p"})
    assert history.good is None and history.once_bad is not None


def test_other_kinds_and_lines_of_no_shape_tell_nothing() -> None:
    odd: list[dict[str, Any]] = [
        {"kind": "delivered", "package": "p", "at": "2031-05-01", "outcome": "good", "depth": "bytes"},
        check(1, package=None),
        check(1, package=["p"]),
        {"kind": ["fixity_checked"], "package": "p"},
    ]
    assert told(*odd) == CheckHistory()
    assert told(check(1, at=17)).good is None and told(check(1, at="yesterday")).good is None


# --- from real ledgers ---


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    for name in ("p", "sub/p", "other"):
        (tmp_path / "out" / name).mkdir(parents=True)
    return tmp_path / "out"


def test_a_line_is_about_the_folder_beside_and_a_place_about_that_place(tree: Path) -> None:
    append_many(
        tree / LEDGER_NAME, [check(1), check(2, place=str(tree / "sub/p")), check(3, place="s3://b/p")]
    )
    witness = LedgerWitness("bytes", tree / LEDGER_NAME)
    assert witness.history(tree / "p").good == may(1)
    assert witness.history(tree / "sub/p").good == may(2)
    assert witness.history("s3://user:word@b/p/").good == may(3)
    assert witness.history(tree / "other") == CheckHistory()
    assert witness.history(tree / "p", archive=True).good is None


def test_a_line_of_the_same_name_accuses_below_but_does_not_acquit(tree: Path) -> None:
    append_many(tree / LEDGER_NAME, [check(1, "bad"), check(2)])
    witness = LedgerWitness("bytes")
    assert witness.history(tree / "p").good == may(2)
    below = witness.history(tree / "sub/p")
    assert below.good is None and below.once_bad is not None


def test_a_place_says_nothing_of_what_lies_beside(tree: Path) -> None:
    sealed = {
        "kind": "wrapped",
        "package": "gone",
        "tagmanifest_sha512": "0" * 128,
        "place": "/elsewhere/gone",
    }
    append_many(tree / LEDGER_NAME, [sealed, check(1, "bad", place="/elsewhere/p")])
    witness = LedgerWitness("bytes")
    assert list(witness.missing([tree])) == [] and witness.judge(tree / "gone", "1" * 128) == ()
    assert witness.history(tree / "p") == CheckHistory()


def test_a_healed_package_is_held_against_its_line(tree: Path) -> None:
    append_many(tree / LEDGER_NAME, [{"kind": "healed", "package": "p", "tagmanifest_sha512": "0" * 128}])
    witness = LedgerWitness("bytes")
    assert witness.judge(tree / "p", "0" * 128) == ()
    assert [f.rule for f in witness.judge(tree / "p", "1" * 128)] == ["bag-ledger-differs"]


def test_a_broken_ledger_accuses_and_does_not_acquit(tree: Path) -> None:
    ledger = tree / LEDGER_NAME
    append_many(ledger, [check(1, "bad"), check(2), check(3)])
    first, *rest = ledger.read_text(encoding="utf-8").splitlines()
    first = json.dumps(json.loads(first) | {"at": "2031-04-30T09:00:00+00:00"})
    ledger.write_text("\n".join([first, *rest, ""]), encoding="utf-8")
    witness = LedgerWitness("bytes")
    history = witness.history(tree / "p")
    assert history == CheckHistory(good=None, tried=may(3), once_bad="2031-04-30T09:00:00+00:00")
    assert [f.rule for f in witness.findings()] == ["bag-ledger-broken"]


def test_a_ledger_is_read_once(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    append_many(tree / LEDGER_NAME, [check(1)])
    read: list[Path] = []

    def counted(path: Path, **options: Any) -> Chain:
        read.append(path)
        return read_ledger(path, **options)

    monkeypatch.setattr("provpack.jobs.ledgertold.read_ledger", counted)
    witness = LedgerWitness("bytes", tree / LEDGER_NAME)
    for _ in range(3):
        witness.history(tree / "p")
        witness.history("s3://b/p")
        witness.judge(tree / "p", "0" * 128)
        list(witness.missing([tree]))
    assert read == [tree / LEDGER_NAME]


def test_a_check_at_another_path_accuses_and_does_not_acquit() -> None:
    checks = LedgerChecks("bytes")
    for line in (check(1), check(2, "bad", seen_path="/old/p"), check(3, seen_path="/old/p")):
        checks.add(line)
    bad = "2031-05-02T09:00:00+00:00"
    assert checks.beside("p", "/old/p") == CheckHistory(good=may(3), tried=may(3), once_bad=bad)
    assert checks.beside("p", "/new/p") == CheckHistory(good=None, tried=may(3), once_bad=bad)
    checks.add(check(4, seen_path="/new/p"))
    assert checks.beside("p", "/new/p").good == may(4) and checks.beside("p", "/old/p").good == may(3)


def test_a_good_check_says_what_it_read() -> None:
    one, two = "1" * 128, "2" * 128
    history = told(check(2, tagmanifest_sha512=one), check(3, tagmanifest_sha512=two), check(1))
    assert history.good == may(3) and history.identity == two
    older = CheckHistory(good=may(1), tried=may(1), identity=one)
    assert older.and_also(history).identity == history.and_also(older).identity == two
    assert history.accusing().identity is None


def test_what_a_ledger_met_and_nobody_meets_now_is_gone(tree: Path) -> None:
    lines = [check(1, place=f"s3://b/{name}") for name in ("p", "q", "r")]
    destroyed = {"kind": "destroyed", "package": "r", "place": "s3://b/r"}
    elsewhere = [check(1, place="s3://other/p"), check(1, "missing", place="s3://b/never")]
    append_many(tree / "L.jsonl", [*lines, destroyed, *elsewhere])
    witness = LedgerWitness("bytes", tree / "L.jsonl")
    witness.met("s3://user:word@b/p/")
    (gone,) = witness.missing(["s3://b"])
    assert gone.where == "s3://b/q"
    assert gone.what.startswith("q was checked here (line 2 of the ledger); it is gone.")
    assert list(witness.missing(["s3://b"], searched=False)) == []


def test_a_folder_that_does_not_answer_holds_up_nothing(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    append_many(tree / LEDGER_NAME, [check(1, package=name) for name in ("one", "two", "three")])
    asked: list[Path] = []

    def hangs(path: Path, **_: Any) -> None:
        asked.append(path)
        time.sleep(1)

    monkeypatch.setattr("provpack.jobs.lookagain.absence", hangs)
    monkeypatch.setattr("provpack.jobs.lookagain._ANSWER", 0.05)
    told = list(LedgerWitness("bytes").missing([tree]))
    assert len(asked) == 1 and [one.rule for one in told] == ["bag-ledger-untold"] * 3
    assert all("whether it still is cannot be told" in one.what for one in told)
