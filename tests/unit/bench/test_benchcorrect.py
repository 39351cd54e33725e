"""A sealed package is corrected: a new transfer takes over what was stated, and names the one it replaces."""

from __future__ import annotations

import json
import shlex
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import run
from support.benchlogged import finish, start
from support.benchsheets import clock, declare, log
from support.jobs import wrap
from support.worktime import at_most

from provpack.edge.schemas import validate
from provpack.errors import ProvpackError
from provpack.findings import Finding
from provpack.jobs.benchcorrect import correct, corrections, withdraw
from provpack.jobs.benchdesk import Acted, Desk, DeskInfo
from provpack.jobs.benchnaming import Naming
from provpack.jobs.benchview_chains import chains_view
from provpack.jobs.benchview_intake import carrier_view
from provpack.jobs.benchview_packages import packages_view
from provpack.jobs.check import check_job
from provpack.jobs.custody import enter_job
from provpack.jobs.load import load_job
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verify import verify_paths

NOW = datetime(2026, 6, 3, tzinfo=UTC)
OLD, NEW = "job-1_t01", "job-1_t01-2"
WHY = "The title is of another tape."


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with `job` and `packages`, T01 sealed in it."""
    root = tmp_path_factory.mktemp("sealed")
    start(root / "job")
    finish(root / "job")
    (root / "packages").mkdir()
    wrap(root / "job", root / "packages")
    assert (root / "packages" / OLD / "bagit.txt").is_file()
    return root


@pytest.fixture
def root(sealed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sealed, tmp_path / "room"))


def desk_of(root: Path) -> Desk:
    return Desk(
        root / "job", now=lambda: datetime.now(UTC), tool_version="1.0.0", destination=root / "packages"
    )


def act(desk: Desk, kind: str, **members: Any) -> Acted:
    return desk.act(kind, members, by="Bo Tarn", through="page")


def made_anew(desk: Desk, *, again: bool = False, new_id: str | None = None, reason: str = WHY) -> Acted:
    return correct(
        desk, "T01", reason=reason, again=again, new_id=new_id, by="Bo Tarn", through="page"
    )  # fmt: skip


def record(root: Path, name: str) -> dict[str, Any]:
    (path,) = (root / "packages" / name).glob("data/metadata/*record*.json")
    out: dict[str, Any] = json.loads(path.read_text())
    return out


def found(root: Path) -> list[Finding]:
    result = check_job(root / "job", now=datetime.now(UTC), progress=Silent(), validate=validate)
    grave = [f for f in result.findings if f.severity in ("error", "warning")]
    return [f for f in grave if f.rule != "rec-too-short"]  # eight seconds, of a tape of an hour


def refusal(desk: Desk, code: str, **wanted: Any) -> ProvpackError:
    before = desk.state.n
    with pytest.raises(ProvpackError) as caught:
        made_anew(desk, **wanted)
    assert caught.value.code == f"bench-{code}", caught.value
    assert desk.state.n == before
    return caught.value


# -- the same recording --------------------------------------------------------------------------------------
def test_what_is_corrected_is_wrapped_with_the_same_file_and_names_the_package_it_replaces(
    root: Path,
) -> None:
    desk, job = desk_of(root), root / "job"
    told = made_anew(desk)
    assert told.words[8:].startswith(f" T01-2 will replace {OLD}. ")
    assert (told.entry["id"], told.entry["value"]["record_id"]) == ("T01-2", record(root, OLD)["record_id"])
    act(
        desk, "declared", scope="transfer", id="T01-2", field="title", value="Morning", was="Evening",
    )  # fmt: skip
    assert [(f.rule, f.what) for f in found(root)] == []
    before = {p: p.read_bytes() for p in (root / "packages" / OLD).rglob("*") if p.is_file()}
    result = wrap(job, root / "packages", only=frozenset({"T01-2"}))
    assert [(u.transfer_id, u.outcome) for u in result.units] == [("T01-2", "wrapped")]
    old, new = record(root, OLD), record(root, NEW)
    assert new["supersedes"] == {"record_id": old["record_id"], "package_name": OLD, "reason": WHY}
    assert new["record_id"] != old["record_id"]
    assert (old["item"]["title"], new["item"]["title"]) == ("Evening", "Morning")
    assert new["audio_sha256"] == old["audio_sha256"]
    same = ("carrier", "condition", "deck", "decoder", "interface", "capture", "signal", "people", "custody")
    assert {name: new[name] for name in same} == {name: old[name] for name in same}
    assert new["processing"]["passes"] == old["processing"]["passes"]
    assert new["processing"]["transfer_events"] == old["processing"]["transfer_events"]
    assert [d["how"] for d in new["derived"] if "transfer_events" in d["field"]] == [
        d["how"] for d in old["derived"] if "transfer_events" in d["field"]
    ]
    assert not validate("transfer-record", new)
    assert {p: p.read_bytes() for p in (root / "packages" / OLD).rglob("*") if p.is_file()} == before
    unit = verify_paths(
        [root / "packages" / NEW], "meaning", progress=Silent(), clock=lambda: datetime.now(UTC),
        validate=lambda name, value: [(v.pointer, v.message) for v in validate(name, value)],
        recover=lambda source: record_of(source, ""),
    ).units[0]  # fmt: skip
    assert [(f.rule, f.what) for f in unit.findings if f.severity != "note"] == []
    assert unit.outcome == "good"
    (one,) = corrections(desk).values()
    assert (one.transfer_id, one.of, one.sealed) == ("T01-2", "T01", NEW)


def test_what_is_stated_of_the_old_one_reaches_the_new_one_unless_it_says_something_itself(
    root: Path,
) -> None:
    desk = desk_of(root)
    made_anew(desk)
    for field, value in (("qc_by", None), ("carrier_id", "K-9")):
        act(desk, "declared", scope="transfer", id="T01-2", field=field, value=value)
    old, new = desk.job().transfers
    assert (new.values["title"], new.values["carrier_id"]) == ("Evening", "K-9")
    assert "qc_by" not in new.values
    assert new.origins["title"] == old.origins["title"]
    assert new.file is not None
    assert new.file.written == "captures/1/evening.wav"
    assert "supersedes" not in old.values
    assert old.values["qc_by"] == "Bo Tarn"


def test_a_file_that_was_exchanged_since_is_told_of_the_correction(root: Path) -> None:
    made_anew(desk_of(root))
    file = root / "job" / "captures/1/evening.wav"
    file.write_bytes(file.read_bytes()[:-4])
    assert "row-file-exchanged" in {f.rule for f in found(root)}
    result = check_job(root / "job", now=NOW, progress=Silent(), validate=validate)
    assert all("row-file-exchanged" in {f.rule for f in one} for one in result.by_transfer)


def test_what_sheet_and_log_disagree_about_is_told_of_the_correction_too(root: Path) -> None:
    """The title stands in the log; somebody then writes another one into a sheet."""
    made_anew(desk_of(root))
    (root / "job" / "transfers.csv").write_text("transfer_id,title\nT01,Noon\n")
    result = check_job(root / "job", now=NOW, progress=Silent(), validate=validate)
    told = [{f.rule for f in one} for one in result.by_transfer]
    assert all("row-two-values" in rules for rules in told), told


def test_what_cannot_be_taken_of_the_old_one_is_told_of_the_new_one_too(tmp_path: Path) -> None:
    """A cell of T01 cannot be read: its correction lacks that value as well, and says why."""
    (tmp_path / "job.toml").write_text('job_id = "J"\nclient = "C"\ntransfer_organisation = "O"\n')
    (tmp_path / "transfers.csv").write_text(
        "transfer_id,corrects,recorded_date,title,carrier_type\nT01,,3.4.86,Noon,tin\nT01-2,T01,,,\n"
    )
    result = check_job(tmp_path, now=NOW, progress=Silent(), validate=validate)
    told = [[f.rule for f in one if "recorded_date" in f"{f.what}{f.where}"] for one in result.by_transfer]
    assert told == [["row-date-order"], ["row-date-order"]]
    told = [[f.rule for f in one if "carrier_type" in f"{f.what}{f.where}"] for one in result.by_transfer]
    assert told == [["row-vocabulary"], ["row-vocabulary"]], "and not that it is missing"
    (tmp_path / "transfers.csv").write_text(
        "transfer_id,corrects,recorded_date,title\nT01,,3.4.86,Noon\nT01-2,T01,1986-04-03,\n"
    )
    result = check_job(tmp_path, now=NOW, progress=Silent(), validate=validate)
    assert [["row-date-order" in {f.rule for f in one}] for one in result.by_transfer] == [[True], [False]]
    assert result.job.transfers[1].values["title"] == "Noon"


def test_notes_on_the_old_one_and_on_the_new_one_are_kept(root: Path) -> None:
    desk = desk_of(root)
    act(desk, "noted", transfer_id="T01", note="The label was read anew.")
    made_anew(desk)
    act(desk, "noted", transfer_id="T01-2", note="The client confirmed it.")
    notes = [
        e.get("note")
        for e in desk.job().transfers[1].values["transfer_events"]
        if e["type"] == "operator_note"
    ]
    assert notes == ["The label was read anew.", "The client confirmed it."]


def test_a_pass_is_entered_in_the_ledger_once(root: Path) -> None:
    """It was played as T01; its correction was not played."""
    desk, ledger = desk_of(root), root / "packages" / "custody-ledger.jsonl"
    first = enter_job(desk.job(), ledger, NOW)
    assert [(e["transfer_id"], e["pass_n"]) for e in first if e["kind"] == "pass_made"] == [("T01", 1)]
    made_anew(desk)
    assert enter_job(desk.job(), ledger, NOW) == []
    other = enter_job(desk.job(), root / "other-ledger.jsonl", NOW)
    assert [(e["transfer_id"], e["pass_n"]) for e in other if e["kind"] == "pass_made"] == [("T01", 1)]


def test_a_correction_has_no_pass_of_its_own(root: Path) -> None:
    desk = desk_of(root)
    made_anew(desk)
    with pytest.raises(ProvpackError) as caught:
        act(desk, "pass_started", transfer_id="T01-2", chain_id="A", settings=desk.settings("A"))
    assert caught.value.code == "bench-has-a-recording"
    log(
        root / "job", "pass_started", clock(90), transfer_id="T01-2", chain_id="A", settings={}, changed=[],
        **{"pass": 1},
    )  # fmt: skip
    assert "row-corrects-played" in {f.rule for f in found(root)}


# -- played again --------------------------------------------------------------------------------------------
def test_a_carrier_that_is_played_again_keeps_what_was_stated_of_it_and_nothing_of_the_playing(
    root: Path,
) -> None:
    desk = desk_of(root)
    told = made_anew(desk, again=True, new_id="T01 anew")
    assert told.entry["id"] == "T01 anew"
    _, new = desk.job().transfers
    assert (new.values["title"], new.values["carrier_id"]) == ("Evening", "T01")
    assert new.values["condition_terms"] == ["good"]
    assert new.file is None
    assert new.recording == "T01 anew"
    for name in ("passes", "transfer_events", "outcome", "deck_id", "tape_emphasis", "qc_by"):
        assert name not in new.values, name
    assert new.chain_id is None
    act(desk, "pass_started", transfer_id="T01 anew", chain_id="A", settings={
        **desk.settings("A"), "chain_check_id": "none",
    })  # fmt: skip
    assert desk.job().transfers[1].chain_id == "A"


# -- what cannot be ------------------------------------------------------------------------------------------
def test_only_what_is_sealed_is_replaced_and_once(root: Path) -> None:
    desk = desk_of(root)
    assert "in a few words" in refusal(desk, "member-missing", reason="  ").todo
    refusal(desk, "id-too-like", new_id="t01")
    refusal(desk, "not-a-text", reason="x" * 30_000)
    made_anew(desk)
    assert "T01-2" in refusal(desk, "corrected-already").what
    with pytest.raises(ProvpackError) as caught:
        correct(desk, "T01-2", reason=WHY, by=None, through="page")
    assert caught.value.code == "bench-not-sealed"
    with pytest.raises(ProvpackError) as caught:
        correct(desk, "T9", reason=WHY, by=None, through="page")
    assert caught.value.code == "bench-transfer-unknown"


def test_a_package_of_which_the_record_cannot_be_read_is_not_replaced(root: Path) -> None:
    path = root / "packages" / OLD / "data" / "metadata" / "record.json"
    whole = path.read_text()
    for text in ("", "[" * 100_000, "{}", whole.replace('"T01"', '"T02"')):
        path.chmod(0o644)
        path.write_text(text)
        refusal(desk_of(root), "package-unreadable")


def test_one_that_was_cut_off_half_way_is_gone_on_with(root: Path) -> None:
    desk = desk_of(root)
    act(desk, "taken_in", transfer_id="T01-2")
    act(desk, "declared", scope="transfer", id="T01-2", field="corrects", value="T01")
    assert "row-corrects-no-package" in {f.rule for f in found(root)}
    assert made_anew(desk).entry["id"] == "T01-2"
    assert "row-corrects-no-package" not in {f.rule for f in found(root)}
    assert len(desk.state.transfers) == 2


def test_it_is_taken_back_as_one_while_nothing_rests_on_it(root: Path) -> None:
    desk = desk_of(root)
    made_anew(desk)
    declare(root / "job", "transfer", "T01-2", "title", "Morning")
    with pytest.raises(ProvpackError) as caught:
        withdraw(desk, "T01-2", by=None, through="page")
    assert caught.value.code == "bench-others-rest-on-it"
    act(desk, "taken_back", entry=desk.state.n)
    assert withdraw(desk, "T01-2", by=None, through="page").words[9:].startswith("T01-2 does not replace T01")
    assert list(desk.said().transfers) == ["T01"]
    with pytest.raises(ProvpackError) as caught:
        withdraw(desk, "T01-2", by=None, through="page")
    assert caught.value.code == "bench-no-correction"
    assert made_anew(desk).entry["id"] == "T01-2"


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ({"A": {"corrects": "B"}, "B": {"corrects": "A"}}, "takes over from itself, by way of"),
        ({"A": {"corrects": "A"}}, "A names itself."),
        ({"A": {"corrects": "X"}}, "There is no transfer 'X'"),
        ({"A": {"corrects": "B", "plays_again": "C"}, "B": {}, "C": {}}, "plays C again"),
    ],
)
def test_what_takes_over_from_nobody_is_told(
    tmp_path: Path, rows: dict[str, dict[str, str]], words: str
) -> None:
    (tmp_path / "job.toml").write_text(
        'job_id = "J"\nclient = "C"\ntransfer_organisation = "O"\n'
        + "".join(
            f'[[transfer]]\ntransfer_id = "{name}"\n' + "".join(f'{k} = "{v}"\n' for k, v in row.items())
            for name, row in rows.items()
        )
    )
    result = check_job(tmp_path, now=NOW, progress=Silent(), validate=validate)
    told = [f.what for f in result.findings if f.rule == "row-corrects-unknown"]
    assert told
    assert all(words in what for what in told)


def test_what_is_taken_over_stands_in_the_order_of_the_other_row(tmp_path: Path) -> None:
    """In every process alike: what is told of the fields follows that order."""
    fields = (
        "title", "carrier_type", "carrier_stock", "label_transcription", "recorded_date", "condition_note",
        "line_standard", "tape_speed_mode",
    )  # fmt: skip
    (tmp_path / "job.toml").write_text(
        'job_id = "J"\nclient = "C"\ntransfer_organisation = "O"\n[[transfer]]\ntransfer_id = "A"\n'
        + "".join(f'{name} = "unknown"\n' for name in fields)
        + '[[transfer]]\ntransfer_id = "B"\ncorrects = "A"\n'
    )
    first, second = load_job(tmp_path).transfers
    said = [name for name in first.values if name in fields]
    assert len(said) > 6
    assert [name for name in second.values if name in fields] == said


def test_a_long_row_of_corrections_is_followed_to_its_recording(tmp_path: Path) -> None:
    many = 2000
    rows = "".join(f'[[transfer]]\ntransfer_id = "{n}"\ncorrects = "{n - 1}"\n' for n in range(many, 0, -1))
    (tmp_path / "job.toml").write_text(
        'job_id = "J"\nclient = "C"\ntransfer_organisation = "O"\n' + rows
        + '[[transfer]]\ntransfer_id = "0"\ntitle = "First"\n'
    )  # fmt: skip
    with at_most(20):
        loaded = load_job(tmp_path)
    assert {t.values["title"] for t in loaded.transfers} == {"First"}
    assert {t.recording for t in loaded.transfers} == {"0"}


def test_the_page_of_the_new_one_says_of_what_it_was_stated(root: Path) -> None:
    desk, info = desk_of(root), DeskInfo(destination=root / "packages")
    made_anew(desk)
    act(desk, "declared", scope="transfer", id="T01-2", field="title", value="Morning")
    view = carrier_view(desk, info, "T01-2")
    shown = {one["field"]: one for one in view["about"]}
    assert shown["carrier_id"]["origin"].startswith("of T01: said at the bench")
    assert shown["title"]["origin"].startswith("said here")
    assert shown["carrier_type"]["origin"].startswith("said at the bench")
    assert shown["carrier_type"]["origin"].endswith("for the whole job")
    assert view["listed"]["words"] == "corrects T01, and has its recording"
    carriers = [c["id"] for c in chains_view(desk, info)["carriers"]]
    assert carriers == [], "T01 is sealed, T01-2 has its recording"


# -- the page ------------------------------------------------------------------------------------------------
def test_the_page_offers_it_and_says_what_replaces_what(root: Path) -> None:
    desk, info = desk_of(root), DeskInfo(destination=root / "packages")
    view = packages_view(desk, info)
    assert [(c["id"], c["name"], c["new"]) for c in view["correct"]] == [
        ("T01", OLD, "Left empty, the next free one is used: T01-2")
    ]
    assert view["replacing"] == []
    made_anew(desk)
    view = packages_view(desk, info)
    assert view["correct"] == []
    assert view["replacing"] == [{"id": "T01-2", "of": "T01", "again": False, "can_go": True}]
    assert view["packages"][0]["replaced"] == "T01-2 replaces it, once wrapped."
    assert [row["id"] for row in view["ready"]] == ["T01-2"]
    wrap(root / "job", root / "packages", only=frozenset({"T01-2"}))
    view = packages_view(desk, info)
    assert [c["new"] for c in view["correct"]] == ["Left empty, the next free one is used: T01-3"]
    assert view["packages"][0]["replaced"] == f"T01-2 replaces it, sealed as {NEW}."
    command = view["packages"][0]["enter"]
    assert f"superseded --package {OLD} --note 'by {NEW}'" in command
    assert view["packages"][1]["enter"] == ""
    assert run(*shlex.split(command)[1:]).code <= 1, "wrapped here without a ledger: that is a warning"
    view = packages_view(desk, info)
    assert [one["enter"] for one in view["packages"]] == ["", ""]


def test_the_next_identifier_is_free_for_a_package_too(root: Path) -> None:
    desk = desk_of(root)
    for taken in ("t01-2", "T01_3"):
        act(desk, "taken_in", transfer_id=taken)
    assert Naming(desk).proposals(["T01"])["T01"].new == "T01-3"
    (root / "packages" / "job-1_t01-3").mkdir()
    (root / "packages" / "job-1_t01-3" / "bagit.txt").touch()
    found = Naming(desk).proposals(["T01", "t01-2"])
    assert (found["T01"].new, found["t01-2"].new) == ("T01-4", "t01-2-2")
