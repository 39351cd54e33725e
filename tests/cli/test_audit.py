"""`provpack audit`: a world in which every kind of thing is wrong once, and one in which nothing is."""

from __future__ import annotations

import csv
import io
import json
import shutil
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import fits, no_traceback, run
from support.auditworld import checked, enter, found, line, package, record_of

from provpack.edge import clock
from provpack.edge.ledger import LEDGER_NAME
from provpack.jobs import auditrules as rules

TODAY = datetime.fromisoformat("2026-11-20T12:00:00+01:00")
OLD = ("--older-than", "120d")


@pytest.fixture(autouse=True)
def one_day(monkeypatch: pytest.MonkeyPatch) -> None:
    """The day of the look back, and no catalogue but those that are named."""
    monkeypatch.setattr(clock, "now", lambda: TODAY)
    monkeypatch.delenv("PROVPACK_CATALOGUE", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", "/nonexistent/data")


def catalogued(at: Path, *roots: Path) -> Path:
    """A catalogue of some folders."""
    said = run("catalogue", "rebuild", *roots, "--catalogue", at)
    assert said.code in (0, 1), said.err
    return at


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One good package that was checked, its carrier gone home."""
    top = tmp_path_factory.mktemp("clean")
    out = top / "out"
    name = package(top, out, "ok")
    for kind, at in (("carrier_received", "2026-06-01"), ("carrier_returned", "2026-06-09")):
        enter(
            out,
            line(kind, f"{at}T09:00:00+02:00", carrier_id="C-1", organisation="Ambersund Chamber Archive"),
        )
    checked(out, name)
    return out


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """out: one package for each thing that can be wrong; second: a ledger that was changed; catalogue: made
    before the disk changed once more."""
    top = tmp_path_factory.mktemp("world")
    out, second = top / "out", top / "second"
    unknown = {'tape_emphasis = "on"': 'tape_emphasis = "unknown"',
               'file_emphasis = "present"': 'file_emphasis = "unknown"'}  # fmt: skip
    names = {
        "emph": package(top, out, "emph", unknown),
        "chain": package(top, out, "chain", {"2026-06-01T08:00:00+02:00": "2026-04-01T08:00:00+02:00"}),
        "rights": package(top, out, "rights", {'rights_basis = "owner"': 'rights_basis = "unknown"'}),
        "due": package(top, out, "due", {"personal_data = false":
                                         'personal_data = false\nnext_check_due = "2026-09-01"'}),
        "old": package(top, out, "old"),
    }  # fmt: skip
    for name in ("emph", "chain", "rights"):
        checked(out, names[name])
    checked(out, names["due"], "2026-08-01T10:00:00+02:00")
    checked(out, names["old"], "2026-07-01T10:00:00+02:00")
    for copy in (
        "never",
        "bad",
        "once",
        "away",
        "torn",
    ):  # packages like the old one, under names of their own
        shutil.copytree(out / names["old"], out / copy)
        names[copy] = copy
    checked(out, "bad", outcome="bad")
    checked(out, "once", "2026-10-01T10:00:00+02:00", outcome="missing")
    checked(out, "once")
    checked(out, "away")
    checked(out, "torn")
    (out / "torn/data/metadata/record.json").write_text("{", encoding="utf-8")
    enter(
        out,
        line(
            "wrapped",
            "2026-06-05T12:00:00+02:00",
            package="lost",
            tagmanifest_sha512="ab" * 64,
            outcome="done",
        ),
        line(
            "carrier_received", "2026-06-06T12:00:00+02:00", carrier_id="C-9", organisation="Tollvik Parish"
        ),
        line(
            "carrier_received", "2026-06-06T12:00:00+02:00", carrier_id="C-8", organisation="Tollvik Parish"
        ),
        line(
            "carrier_returned", "2026-06-07T12:00:00+02:00", carrier_id="C-8", organisation="Tollvik Parish"
        ),
    )
    shutil.copytree(out / names["old"], second / "beside")
    for _ in range(3):
        checked(second, "beside")
    lines = (second / LEDGER_NAME).read_text(encoding="utf-8").splitlines()
    lines[0] = lines[0].replace("2026", "2027")
    (second / LEDGER_NAME).write_text("\n".join(lines) + "\n", encoding="utf-8")
    catalogued(top / "catalogue.sqlite", out, second)
    # and then the disk goes on
    shutil.rmtree(out / "away")
    shutil.copytree(out / names["old"], out / "stranger")
    (out / ".partial-0123").mkdir()
    (out / f"{LEDGER_NAME}.torn-0123456789ab").write_bytes(b'{"n":9,')
    (out / "shelf.tar.gz").write_bytes(b"\x1f\x8b\x08\x00")
    return top


def asked(*words: str | Path) -> dict[str, Any]:
    """The result as JSON, which keeps its schema."""
    said = run("audit", *words, "--json")
    no_traceback(said.err)
    value = said.json()
    fits("audit", value)
    assert value["exit_code"] == said.code
    return value


OLD_NAME = "job-old_old"
EXPECTED = {
    rules.LAST_NOT_GOOD.id: ["bad"],
    rules.GONE.id: ["away"],
    rules.SEALED_UNKNOWN.id: ["lost"],
    rules.LEDGER_BROKEN.id: [LEDGER_NAME],
    rules.NOT_KNOWN.id: ["stranger"],
    rules.NOT_LOOKED_AT.id: ["shelf.tar.gz"],
    rules.NOT_READ.id: ["torn"],
    rules.DUE.id: ["job-due_due"],
    rules.NOT_CHECKED.id: sorted([OLD_NAME, "never"]),
    rules.NO_OUTCOME.id: ["C-9"],
    rules.RULES_TODAY.id: [],
    rules.EMPHASIS_UNKNOWN.id: ["job-emph_emph"],
    rules.CHAIN_CHECK.id: ["job-chain_chain"],
    rules.RIGHTS_GAP.id: ["job-rights_rights"],
    rules.LEFTOVER.id: [".partial-0123"],
    rules.SET_ASIDE.id: [f"{LEDGER_NAME}.torn-0123456789ab"],
    rules.ONCE_BAD.id: ["bad", "once"],
}


def test_every_kind_of_thing_is_found_and_nothing_else(world: Path) -> None:
    value = asked(world / "out", world / "second", "--catalogue", world / "catalogue.sqlite", *OLD)
    assert value["outcome"] == "found"
    assert found(value) == EXPECTED
    totals = {section["rule"]: section["total"] for section in value["sections"]}
    assert set(totals) == {rule.id for rule in rules.RULES}
    for rule, total in totals.items():
        assert rule == rules.RULES_TODAY.id or total == len(EXPECTED.get(rule, [])), rule


def test_rules_of_today_are_told_by_rule_and_each_lists_its_packages(world: Path) -> None:
    where = ("--catalogue", world / "catalogue.sqlite")
    section = next(s for s in asked(*where)["sections"] if s["rule"] == rules.RULES_TODAY.id)
    groups = {group["rule"]: group for group in section["groups"]}
    assert {"rec-chain-check-old", "rec-rights-unknown"} <= set(groups)
    assert groups["rec-chain-check-old"]["packages"] == 1
    assert section["total"] == sum(group["packages"] for group in groups.values())
    for rule, group in groups.items():
        one = asked(*where, "--rule", rule)
        assert [s["rule"] for s in one["sections"]] == [rule]
        assert len(one["sections"][0]["items"]) == one["sections"][0]["total"] == group["packages"]
    chain = asked(*where, "--rule", "rec-chain-check-old")["sections"][0]["items"][0]
    assert chain["package"] == "job-chain_chain" and "days" in chain["what"]


def test_one_question_alone_is_answered_wholly(world: Path) -> None:
    where = ("--catalogue", world / "catalogue.sqlite")
    one = asked(*where, "--rule", rules.NOT_CHECKED.id, *OLD)
    assert [s["rule"] for s in one["sections"]] == [rules.NOT_CHECKED.id]
    assert found(one) == {rules.NOT_CHECKED.id: EXPECTED[rules.NOT_CHECKED.id]}
    assert one["trends"] == {"deck": [], "decoder": [], "stock": []}
    none = run("audit", *where, "--rule", "audit-chek-old")
    assert none.code == 2 and "Did you mean audit-check-old" in none.err
    nothing = asked(*where, "--rule", "rec-bit-depth")
    assert nothing["exit_code"] == 0 and nothing["sections"][0]["total"] == 0


def test_a_limit_cuts_the_lists_and_not_the_figures(world: Path) -> None:
    value = asked("--catalogue", world / "catalogue.sqlite", "--limit", "1", *OLD)
    old = next(s for s in value["sections"] if s["rule"] == rules.NOT_CHECKED.id)
    assert (old["total"], len(old["items"])) == (2, 1)
    assert old["items"][0]["package"] == "never"  # what was never checked comes first


def test_without_root_the_disk_is_not_called_good(world: Path) -> None:
    value = asked("--catalogue", world / "catalogue.sqlite", *OLD)
    states = {section["rule"]: section for section in value["sections"]}
    for rule in rules.ON_DISK:
        assert states[rule]["total"] is None and "ROOT" in states[rule]["not_looked_at"]
    assert states[rules.GONE.id]["total"] == 0  # as the catalogue saw it


def test_without_catalogue_everything_is_read_now(world: Path) -> None:
    value = asked(world / "out", world / "second", *OLD)
    told = found(value)
    states = {section["rule"]: section for section in value["sections"]}
    assert value["basis"]["catalogue"] is None
    assert states[rules.NOT_KNOWN.id]["total"] is None
    expected = {k: v for k, v in EXPECTED.items() if k not in (rules.NOT_KNOWN.id, rules.GONE.id)}
    expected[rules.NOT_CHECKED.id] = sorted([*EXPECTED[rules.NOT_CHECKED.id], "stranger"])
    assert told == expected


def test_a_catalogue_that_was_not_typed_does_not_answer_for_folders(
    world: Path, clean: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With ROOT what lies there is read anew, as trace does; the usual catalogue answers without ROOT."""
    monkeypatch.setenv("PROVPACK_CATALOGUE", str(world / "catalogue.sqlite"))
    value = asked(clean)
    assert value["basis"]["catalogue"] is None and value["exit_code"] == 0 and found(value) == {}
    states = {section["rule"]: section for section in value["sections"]}
    assert "--catalogue" in states[rules.NOT_KNOWN.id]["not_looked_at"]
    assert asked(*OLD)["basis"]["catalogue"] == str(world / "catalogue.sqlite")


def test_a_catalogue_behind_the_disk_is_told_with_what_to_type(world: Path) -> None:
    value = asked(world / "out", "--catalogue", world / "catalogue.sqlite")
    remark = next(r for r in value["remarks"] if "behind" in r)
    assert "1 package not known to it, 1 package no longer there" in remark
    assert f"provpack catalogue add --catalogue {world / 'catalogue.sqlite'} {world / 'out'}" in remark


def test_a_folder_that_the_catalogue_never_saw_is_told(world: Path, clean: Path) -> None:
    value = asked(clean, "--catalogue", world / "catalogue.sqlite")
    assert "never looked through it" in next(r for r in value["remarks"] if "behind" in r)
    assert found(value)[rules.NOT_KNOWN.id] == ["job-ok_ok"]


def test_a_package_that_was_changed_since_is_told(clean: Path, tmp_path: Path) -> None:
    shutil.copytree(clean, tmp_path / "out")
    where = catalogued(tmp_path / "c.sqlite", tmp_path / "out")
    assert asked(tmp_path / "out", "--catalogue", where)["remarks"] == []
    info = tmp_path / "out/job-ok_ok/bag-info.txt"
    info.write_bytes(info.read_bytes() + b"Note: later\n")
    remarks = asked(tmp_path / "out", "--catalogue", where)["remarks"]
    assert len(remarks) == 1 and "1 package changed since" in remarks[0]


@pytest.mark.parametrize("with_catalogue", [True, False])
def test_a_clean_world_finds_nothing(clean: Path, tmp_path: Path, with_catalogue: bool) -> None:
    where = ("--catalogue", catalogued(tmp_path / "c.sqlite", clean)) if with_catalogue else ()
    value = asked(clean, *where)
    assert (value["outcome"], value["exit_code"]) == ("good", 0)
    assert found(value) == {}
    plain = run("audit", clean, *where)
    assert plain.code == 0 and plain.out.endswith("Outcome: good (exit code 0)\n")


def test_trends_come_from_what_was_measured(clean: Path) -> None:
    value = asked(clean)
    measured = record_of(clean / "job-ok_ok")["measured"]
    for kind, name in (("deck", "DECK-1"), ("decoder", "DEC-1")):
        (one,) = value["trends"][kind]
        assert (one["subject"], one["month"], one["transfers"]) == (name, "2026-06", 1)
        assert one["hours"] == pytest.approx(measured["duration_s"] / 3600, abs=1e-6)
        assert one["damage_events"] == 0 and one["events_per_hour"] == 0


def test_text_table_and_page_tell_the_same(world: Path, tmp_path: Path) -> None:
    words = (world / "out", world / "second", "--catalogue", world / "catalogue.sqlite", *OLD)
    table, page = tmp_path / "all.csv", tmp_path / "all.html"
    said = run("audit", *words, "--csv", table, "--page", page)
    assert said.code == 1
    text = table.read_bytes().decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    in_table: dict[str, list[str]] = {}
    for row in rows:
        name = row["package"] or row["carrier_id"] or row["where"].rpartition("/")[2]
        in_table.setdefault(row["rule"], []).append(name)
    for rule, names in EXPECTED.items():
        if rule != rules.RULES_TODAY.id:
            assert sorted(in_table.pop(rule)) == names
    assert in_table["rec-chain-check-old"] == ["job-chain_chain"]
    assert all(rule.startswith(("rec-", "bag-", "harvest-")) for rule in in_table)
    told = page.read_text(encoding="utf-8")
    for names in EXPECTED.values():
        assert all(name.replace("_", "_<wbr>") in told for name in names)
        assert all(name in said.out for name in names)
    assert list(tmp_path.glob(".partial-*")) == []


def test_files_are_never_written_over_or_into_a_package(clean: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.csv"
    there.write_text("mine")
    for words in (("--csv", there), ("--page", there)):
        said = run("audit", clean, *words, "--json")
        assert said.code == 14 and said.json()["error"]["code"] == "file-exists"
    assert there.read_text() == "mine"
    inside = run("audit", clean, "--csv", clean / "job-ok_ok/x.csv", "--json")
    assert inside.code == 14 and inside.json()["error"]["code"] == "destination-in-package"
    nowhere = run("audit", clean, "--page", tmp_path / "no/x.html")
    assert nowhere.code == 14
    twice = run("audit", clean, "--csv", tmp_path / "x", "--page", tmp_path / "x")
    assert twice.code == 2 and not (tmp_path / "x").exists()


def test_nothing_to_look_at_is_told_with_what_to_type(tmp_path: Path) -> None:
    said = run("audit", "--json")
    assert said.code == 15 and said.json()["error"]["code"] == "no-catalogue"
    assert "provpack catalogue rebuild ROOT" in said.json()["error"]["todo"]
    named = run("audit", "--catalogue", tmp_path / "none.sqlite")
    assert named.code in (12, 15) and "to do:" in named.err
    assert run("audit", tmp_path / "nothing").code == 11
    assert run("audit", tmp_path, "--older-than", "soon").code == 2


def test_a_folder_without_a_package_is_not_called_good(tmp_path: Path) -> None:
    """A mount point without its disk looks like this."""
    value = asked(tmp_path)
    assert value["exit_code"] == 1 and value["basis"]["known"]["packages"] == 0
    assert found(value) == {rules.NOTHING_HERE.id: [tmp_path.name]}


def test_a_ledger_without_its_last_line_end_is_told_and_not_to_be_deleted(
    clean: Path, tmp_path: Path
) -> None:
    shutil.copytree(clean, tmp_path / "out")
    with (tmp_path / "out" / LEDGER_NAME).open("ab") as ledger:
        ledger.write(b'{"n":')
    value = asked(tmp_path / "out")
    assert found(value) == {rules.LEDGER_TORN.id: [LEDGER_NAME]}
    assert "delete" not in next(s for s in value["sections"] if s["rule"] == rules.LEDGER_TORN.id)["todo"]


def test_names_that_are_no_text_are_told_and_kept(clean: Path, tmp_path: Path) -> None:
    odd = tmp_path / "out" / "odd\udcff\x1b[2J\u202e"
    shutil.copytree(clean / "job-ok_ok", odd)
    table = tmp_path / "t.csv"
    value = asked(tmp_path / "out", "--csv", table)
    (one,) = next(s for s in value["sections"] if s["rule"] == rules.NOT_CHECKED.id)["items"]
    assert r"odd\xff\x1b[2J\u202e" in one["where"] and one["where_base64"]
    json.dumps(value)
    assert r"odd\xff\x1b[2J\u202e" in table.read_text(encoding="utf-8-sig")
    assert "\x1b" not in run("audit", tmp_path / "out").out


def test_another_package_in_the_place_of_a_sealed_one_is_told(clean: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    shutil.copytree(clean, out)
    where = catalogued(tmp_path / "c.sqlite", out)
    with (out / "job-ok_ok/tagmanifest-sha512.txt").open("ab") as seal:
        seal.write(b"0" * 128 + b"  more.txt\n")
    assert run("catalogue", "add", out, "--catalogue", where).code == 1
    for words in ((out,), ("--catalogue", where)):
        value = asked(*words)
        assert {rules.OTHER.id, rules.NOT_READ.id, rules.SEALED_UNKNOWN.id} <= set(found(value))
        assert found(value)[rules.OTHER.id] == ["job-ok_ok"]


def test_a_root_that_is_away_is_told_until_it_is_back(clean: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    shutil.copytree(clean, out)
    where = catalogued(tmp_path / "c.sqlite", out)
    out.rename(tmp_path / "unplugged")
    assert run("catalogue", "add", out, "--catalogue", where).code == 1
    value = asked("--catalogue", where)
    assert (value["exit_code"], found(value)) == (1, {rules.ROOT_AWAY.id: ["out"]})
    (tmp_path / "unplugged").rename(out)
    assert run("catalogue", "add", out, "--catalogue", where).code == 0
    assert found(asked("--catalogue", where)) == {}
