"""What runs beside the evening: measured, wrapped and verified in processes of their own."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support import benchworkers
from support.jobs import make_job, samples, tree, wav

from provpack.cli.ports import wrap_ports
from provpack.edge import clock, schemas
from provpack.edge.ledger import LEDGER_NAME, read_entries
from provpack.errors import InputProblem, UsageProblem
from provpack.jobs import benchmeasure, benchwork
from provpack.jobs.benchmeasure import CACHE_FOLDER, file_of_pass, measure_pass, measured_before
from provpack.jobs.benchtasks import verify_of_job
from provpack.jobs.benchwork import Works
from provpack.jobs.check import check_job
from provpack.jobs.load import load_job
from provpack.jobs.progress import Silent

LONG = 120.0
FRAMES = 30000


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return make_job(tmp_path / "job", ids=("T01", "T02"), frames=FRAMES)


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"


@pytest.fixture
def works(job: Path, out: Path) -> Iterator[Works]:
    made = Works(job, out, now=clock.now, make_ports=wrap_ports)
    yield made
    made.close()


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + LONG
    while not true():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.02)


def over(works: Works, name: str) -> dict[str, Any]:
    until(lambda: works.all()[name]["state"] != "running")
    return dict(works.all()[name])


# --- measuring ---


def test_a_pass_is_measured_as_check_measures_it(job: Path, works: Works) -> None:
    from provpack.edge.schemas import validate
    from provpack.edge.workers import crew

    work = over(works, works.measure("T01", 1))
    assert work["state"] == "done", work["words"]
    result = work["result"]
    assert (result["file"], result["bytes"], result["rate_from"]) == ("T01.wav", 4 * FRAMES + 44, "declared")
    assert not schemas.validate("measurements", result["measurements"])
    assert result["measured"]["frames"] == result["measurements"]["frames"] == FRAMES
    with crew() as run_all:
        checked = check_job(job, now=clock.now(), progress=Silent(), validate=validate, run_all=run_all)
    wanted = {(f.rule, f.what) for f in checked.by_transfer[0]}
    assert {(f["rule"], f["what"]) for f in result["findings"]} == wanted
    assert result["outcome"] in ("good", "warnings", "refused")
    assert work["label"] == "measuring T01.wav"
    assert work["done"] == work["total"] == 4 * FRAMES
    json.dumps(works.snapshot(), allow_nan=False)


def test_what_was_measured_is_kept_as_long_as_the_file_is_the_same(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tree(job)
    first = measure_pass(job, "T01", 1, clock.now, Silent())
    assert {n: d for n, d in tree(job).items() if not n.startswith(CACHE_FOLDER)} == before

    def never(*_: object, **__: object) -> None:
        raise AssertionError("it was read again")

    monkeypatch.setattr(benchmeasure, "measure_audio", never)
    assert measure_pass(job, "T01", 1, clock.now, Silent()) == first
    kept = measured_before(job, "T01.wav")
    assert kept is not None
    assert kept["measurements"] == first["measurements"]
    os.utime(job / "T01.wav", ns=(1, 1))
    assert measured_before(job, "T01.wav") is None
    with pytest.raises(AssertionError):
        measure_pass(job, "T01", 1, clock.now, Silent())


def test_what_the_measurements_had_to_know_is_part_of_what_is_kept(job: Path) -> None:
    measure_pass(job, "T01", 1, clock.now, Silent())
    sheet = job / "job.toml"
    sheet.write_text(sheet.read_text().replace('line_standard = "625_50"', 'line_standard = "525_5994"', 1))
    again = measure_pass(job, "T01", 1, clock.now, Silent())
    # 44.1 kHz and 525/59.94 lines: 44100/1.001 Hz (domain note, section on rates)
    assert again["measurements"]["sampling_frequency"] == {"num": 44100000, "den": 1001}
    assert len(list((job / CACHE_FOLDER).iterdir())) == 2


@pytest.mark.parametrize("harm", [b"", b"{}", b"x" * 64 + b"\n{}", b"\xff\xfe"])
def test_what_is_kept_and_broken_is_made_anew(job: Path, harm: bytes) -> None:
    first = measure_pass(job, "T01", 1, clock.now, Silent())
    (kept,) = (job / CACHE_FOLDER).iterdir()
    kept.write_bytes(harm)
    assert measured_before(job, "T01.wav") is None
    again = measure_pass(job, "T01", 1, clock.now, Silent())
    assert again["measurements"]["envelope"] == first["measurements"]["envelope"]
    assert measured_before(job, "T01.wav") is not None
    assert kept.read_bytes() == harm  # nothing is written over


def test_nothing_is_kept_outside_the_job(job: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (job / CACHE_FOLDER).symlink_to(elsewhere)
    assert measure_pass(job, "T01", 1, clock.now, Silent())["measured"]["frames"] == FRAMES
    assert list(elsewhere.iterdir()) == []
    assert measured_before(job, "T01.wav") is None
    assert measured_before(job, "../job/T01.wav") is None


def test_findings_follow_what_is_declared_now(job: Path) -> None:
    good = measure_pass(job, "T01", 1, clock.now, Silent())
    sheet = job / "job.toml"
    sheet.write_text(sheet.read_text().replace("source_bit_depth = 14", "source_bit_depth = 16"))
    now = measure_pass(job, "T01", 1, clock.now, Silent())
    assert {f["rule"] for f in now["findings"]} != {f["rule"] for f in good["findings"]}


@pytest.mark.parametrize(
    ("transfer_id", "number", "code"), [("T09", 1, "no-such-transfer"), ("T01", 2, "pass-without-file")]
)
def test_a_pass_that_cannot_be_measured(job: Path, transfer_id: str, number: int, code: str) -> None:
    with pytest.raises(InputProblem) as told:
        measure_pass(job, transfer_id, number, clock.now, Silent())
    assert told.value.code == code


def test_a_file_without_audio_is_told_with_the_words_of_its_header(job: Path, works: Works) -> None:
    (job / "T01.wav").write_bytes(b"RIFF0000WAVEnothing")
    work = over(works, works.measure("T01", 1))
    assert work["state"] == "failed"
    assert work["problem"]["code"] == "nothing-to-measure"
    assert work["words"].startswith(work["problem"]["what"])


def test_each_pass_has_its_own_file(job: Path) -> None:
    (job / "first.wav").write_bytes(wav(samples(8000, 5)))
    with (job / "job.toml").open("a") as sheet:  # belongs to the last [[transfer]], T02
        sheet.write(
            'passes = [{n = 1, outcome = "partial", file = "first.wav"}, '
            '{n = 2, outcome = "complete", file = "T02.wav"}]\n'
        )
    transfer = load_job(job).transfers[1]
    named = [file_of_pass(transfer, n) for n in (1, 2, 3)]
    assert [one.relative if one else None for one in named] == ["first.wav", "T02.wav", None]
    assert measure_pass(job, "T02", 1, clock.now, Silent())["measured"]["frames"] == 8000
    assert measure_pass(job, "T02", 2, clock.now, Silent())["measured"]["frames"] == FRAMES


# --- wrapping and verifying ---


def test_chosen_transfers_are_wrapped_and_verified(job: Path, out: Path, works: Works) -> None:
    work = over(works, works.wrap(("T02",)))
    assert work["state"] == "done", work["words"]
    assert work["words"] == "1 of 1 wrapped."
    shown = {k: v for k, v in work["result"].items() if k != "exit_code"}
    head = {"schema": "urn:provpack:schema:result-wrap:1.1.0", "exit_code": work["result"]["exit_code"]}
    assert not schemas.validate("result-wrap", {**head, **shown})
    assert sorted(p.name for p in out.iterdir() if p.is_dir()) == ["job-1_t02"]
    lines = len(read_entries(out / LEDGER_NAME))
    work = over(works, works.verify())
    assert work["words"] == "Verified: 1 good."
    assert [u["outcome"] for u in work["result"]["units"]] == ["good"]
    new = read_entries(out / LEDGER_NAME)[lines:]
    assert [(e["kind"], e["package"], e["outcome"]) for e in new] == [("fixity_checked", "job-1_t02", "good")]
    work = over(works, works.wrap(("T02",)))  # it is there already
    assert work["words"] == "0 of 1 wrapped. Not wrapped: T02."


@pytest.mark.parametrize("name", ["..", "../job", "job-1_t01", "", "/etc"])
def test_only_packages_of_this_job_are_verified(job: Path, out: Path, name: str) -> None:
    (out / "job-1_t02").mkdir(parents=True)
    (out / "job-1_t02/bagit.txt").touch()
    with pytest.raises(InputProblem) as told:
        verify_of_job(job, out, frozenset({name}), "bytes", clock.now, Silent())
    assert told.value.code == "no-such-package"


def test_before_anything_is_wrapped_there_is_nothing_to_verify(job: Path, out: Path) -> None:
    with pytest.raises(InputProblem, match="no package yet"):
        verify_of_job(job, out, frozenset(), "bytes", clock.now, Silent())


def test_an_unknown_transfer_fails_with_its_words(works: Works, out: Path) -> None:
    work = over(works, works.wrap(("T03",)))
    assert work["state"] == "failed"
    assert "no transfer 'T03'" in work["words"]
    assert not out.exists()


def test_a_choice_of_nothing_is_refused(works: Works) -> None:
    with pytest.raises(UsageProblem):
        works.wrap(())


# --- the works themselves ---


@pytest.fixture
def marks(monkeypatch: pytest.MonkeyPatch, job: Path) -> Path:
    """Measuring never ends; each leaves a mark of its transfer here while it runs."""
    monkeypatch.setattr(benchwork, "measure_pass", benchworkers.endless_pass)
    (job / "marks").mkdir()
    return job / "marks"


def names_in(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_two_are_measured_at_once_and_the_others_wait(works: Works, marks: Path) -> None:
    names = [works.measure(f"T{n}", 1) for n in range(4)]
    until(lambda: names_in(marks) == ["T0", "T1"])
    assert works.measure("T1", 1) == names[1]  # asked for twice is one
    state = works.all()
    assert [state[n]["words"] for n in names[2:]] == [benchwork.WAITS] * 2
    assert {one["state"] for one in state.values()} == {"running"}
    assert works.stop(names[3])  # never began
    assert works.stop(names[0])
    until(lambda: works.all()[names[0]]["state"] == "failed")
    assert works.all()[names[0]]["words"] == works.all()[names[3]]["words"] == "It was stopped."
    until(lambda: names_in(marks) == ["T1", "T2"])
    assert not works.stop(names[0])
    assert not works.stop("w99")
    works.close()
    assert names_in(marks) == []


def test_what_is_new_is_told(job: Path, out: Path) -> None:
    told: list[int] = []
    works = Works(job, out, now=clock.now, make_ports=wrap_ports, changed=lambda: told.append(1))
    over(works, works.measure("T01", 1))
    works.close()
    assert len(told) >= 2


def test_the_same_by_name(works: Works) -> None:
    first = works.start("measure", {"transfer_id": "T01", "pass": 1})
    assert over(works, first)["result"]["transfer_id"] == "T01"
    assert over(works, works.start("wrap", {"ids": ["T01"]}))["state"] == "done"
    work = over(works, works.start("verify", {"names": ["job-1_t01"], "depth": "listed"}))
    assert work["result"]["depth"] == "listed"
    assert works.measured("T01.wav") is not None
    assert works.measured("../T01.wav") is None


def test_files_of_the_folder_are_seen(works: Works, job: Path) -> None:
    assert works.files() == ()
    assert works.look()
    assert [f.name for f in works.files()] == ["T01.wav", "T02.wav"]
    assert not works.look()
    (job / "T01.wav").unlink()
    assert works.look()


def test_a_wrap_that_is_stopped_leaves_nothing_half(tmp_path: Path, out: Path) -> None:
    big = make_job(tmp_path / "big", ids=("T01",), frames=20_000_000)
    works = Works(big, out, now=clock.now, make_ports=wrap_ports)
    name = works.wrap(("T01",))
    until(lambda: works.all()[name]["done"] > 1_000_000 and "copying" in works.all()[name]["label"])
    works.close()
    assert works.all()[name]["state"] == "failed"
    assert [p for p in out.iterdir() if p.is_dir()] == []
