"""Comparing the pass files of a transfer: what is said, and the assembly proposed for the sheet.

There is no published definition to test against: the source of every expectation is the damage done here
(domain note 4, "pass agreement"; domain note 5 step 11).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from support.jobs import wav
from support.passes import reader
from unit.passes.pass_jobs import RATE, clean, compared, job_with, muted, told, transfer_of

from provpack.findings import worst
from provpack.jobs import passes as passes_module
from provpack.jobs import passrules
from provpack.jobs.assembly import open_assembled
from provpack.jobs.passes import compare_transfer
from provpack.jobs.passmerge import merge
from provpack.jobs.progress import Silent
from provpack.jobs.wrapsize import compared_bytes
from provpack.measure.passes import compare_passes
from provpack.model.rates import format_time


def test_every_rule_has_an_id_of_its_own_and_says_what_to_do() -> None:
    ids = [rule.id for rule in passrules.RULES]
    assert len(set(ids)) == len(ids)
    assert all(rule.id.startswith("pass-") and rule.todo and rule.title for rule in passrules.RULES)


def test_one_pass_or_none_says_nothing(tmp_path: Path) -> None:
    report = compared(job_with(tmp_path / "job", {1: clean()}))
    assert report.findings() == () and report.sheet_text() == "" and report.proposal is None


def test_identical_passes(tmp_path: Path) -> None:
    report = compared(job_with(tmp_path / "job", {1: clean(), 2: clean()}, own=1))
    assert told(report.findings()) == ["identical"]
    assert worst(report.findings()) == "note"
    assert f"{len(clean())} frames" in report.findings()[0].what
    assert report.sheet_text() == ""


def test_two_silent_passes_are_said_to_be_no_evidence(tmp_path: Path) -> None:
    silence = np.zeros_like(clean())
    report = compared(job_with(tmp_path / "job", {1: silence, 2: silence.copy()}))
    assert "says little" in report.findings()[0].what


def test_offset_damage_and_where_in_both_passes(tmp_path: Path) -> None:
    late = np.concatenate([np.zeros((777, 2), dtype=np.int16), clean()])
    folder = job_with(tmp_path / "job", {1: muted(clean(), 60_000, 61_470), 2: late}, own=1)
    findings = compared(folder).findings()
    aligned, only, differs, better, proposed = findings
    assert told(findings) == ["aligned", "differs", "differs", "file-not-best", "best-as-it-stands"]
    assert "777 frames (17.6 ms) earlier" in aligned.what  # pass 2 is the base: pass 1 lies earlier
    assert "Only pass 2" in only.what and "before the other begins" in only.what
    assert format_time(60_000, RATE) in differs.what and format_time(60_777, RATE) in differs.what
    assert "Pass 1 looks damaged: all its samples are zero there" in differs.what
    assert differs.position["frame"] == 60_777 and differs.position["file"] == "passes.csv"
    assert better.severity == "warning" and "1470 frames" in better.what and "'p1.wav'" in better.what
    assert "name 'p2.wav'" in proposed.todo.casefold()  # no frame of pass 1 is needed
    assert [f.severity for f in (aligned, only, differs, proposed)] == ["note"] * 4


def test_the_better_file_gives_no_warning(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: muted(clean(), 60_000, 61_470), 2: clean()}, own=2)
    assert worst(compared(folder).findings()) == "note"


@pytest.mark.parametrize("form", ["csv", "toml"])
def test_the_proposed_text_stands_in_the_sheet_and_makes_the_clean_tape(tmp_path: Path, form: str) -> None:
    one = muted(muted(clean(), 60_000, 61_470), 150_000, 150_100)
    two = muted(clean(), 200_000, 200_900)
    folder = job_with(tmp_path / "job", {1: one, 2: two})
    if form == "toml":
        move_passes_into_the_job_sheet(folder)
    report = compared(folder)
    text = report.sheet_text()
    assert (report.csv is (form == "csv") and "[[transfer.assembly]]" in text) or text.startswith(
        "transfer_id,"
    )
    if form == "csv":
        (folder / "assembly.csv").write_text(text)
    else:
        sheet = (folder / "job.toml").read_text()
        (folder / "job.toml").write_text(f"{sheet}\n{text}")
    transfer = transfer_of(folder)  # the reader takes it without a complaint
    assert report.proposal is not None
    wanted = report.as_json()["proposed_assembly"]["ranges"]
    assert [dict(entry) for entry in transfer.values["assembly"]] == wanted
    with open_assembled(transfer, RATE) as made:
        assert made.read_at(0, made.size) == wav(clean().tobytes())
    again = compare_transfer(transfer, RATE, Silent())
    assert "assembly-proposed" not in told(again.findings())  # the engineer has confirmed one


def move_passes_into_the_job_sheet(folder: Path) -> None:
    (folder / "passes.csv").unlink()
    text = (folder / "job.toml").read_text()
    for n in (1, 2):
        text += f'\n[[transfer.passes]]\nn = {n}\nchain_id = "A"\noutcome = "complete"\nfile = "p{n}.wav"\n'
    (folder / "job.toml").write_text(text)


def test_where_nothing_tells_it_is_said_and_the_base_is_taken(tmp_path: Path) -> None:
    two = clean().copy()
    two[100_000:100_002] ^= 4  # one code of a 14-bit tape: no click, no hold, nothing
    report = compared(job_with(tmp_path / "job", {1: clean(), 2: two}, own=1))
    assert report.proposal is not None and report.proposal.whole
    (undecided,) = [f for f in report.findings() if f.rule == passrules.UNDECIDED.id]
    assert undecided.severity == "warning" and "frame 100000" in undecided.what
    assert "the proposal takes pass 1 there" in undecided.what
    assert report.proposal.undecided[0].base == (100_000, 100_002)
    row = f"T01,1,100000,100002,100000,100002,{report.proposal.ranges[1].note}"
    assert row in report.sheet_text().splitlines() and "pass 2 has frames 100000 to 100002" in row
    assert any("Nothing in these two tells which is right" in f.what for f in report.findings())


def test_a_third_pass_decides_what_two_cannot(tmp_path: Path) -> None:
    odd = clean().copy()
    odd[100_000:100_002] ^= 4
    report = compared(job_with(tmp_path / "job", {1: odd, 2: clean(), 3: clean()}, own=1))
    assert told(report.findings()).count("undecided") == 0
    with_odd_base = report.proposal
    assert with_odd_base is not None and with_odd_base.base == 1
    assert [(r.pass_n, r.source_start, r.source_end) for r in with_odd_base.ranges] == [
        (1, 0, 100_000), (2, 100_000, 100_002), (1, 100_002, len(odd)),
    ]  # fmt: skip
    assert "agree bit for bit against pass 1" in with_odd_base.ranges[1].note


def test_a_third_pass_decides_about_frames_that_one_lost(tmp_path: Path) -> None:
    """Three frames lost in a soft place leave no trace that two passes could be judged by."""
    short = muted(np.delete(clean(), np.s_[60_000:60_003], axis=0), 120_000, 121_000)
    folder = job_with(tmp_path / "job", {1: short, 2: clean(), 3: clean()}, own=1)
    pairs = {n: compare_passes(reader(short, clean()), (len(short), len(clean()))) for n in (2, 3)}
    three = {1: short, 2: clean(), 3: clean()}
    got = merge(1, len(short), pairs, lambda n, start, size: three[n][start : start + size])
    assert got is not None and got.undecided == () and got.frames == len(clean())
    whole = [three[r.pass_n][r.source_start : r.source_end] for r in got.ranges]
    assert np.array_equal(np.concatenate(whole), clean())
    assert "undecided" not in told(compared(folder).findings())


def test_of_three_passes_the_least_damaged_is_the_base(tmp_path: Path) -> None:
    files = {
        1: muted(clean(), 50_000, 53_000),
        2: muted(clean(), 90_000, 92_000),
        3: muted(clean(), 120_000, 120_500),
    }
    folder = job_with(tmp_path / "job", files)
    report = compared(folder)
    assert report.proposal is not None and report.proposal.base == 3
    assert {p.best for p in report.pairs} == {3} and {p.other for p in report.pairs} == {1, 2}
    assert report.proposal.frames == len(clean()) and len(report.proposal.ranges) == 3
    (folder / "assembly.csv").write_text(report.sheet_text())
    with open_assembled(transfer_of(folder), RATE) as made:
        assert made.read_at(0, made.size) == wav(clean().tobytes())


@pytest.mark.parametrize(("gain", "words"), [(0.89, "shows no damage"), (0.5, "sound alike")])
def test_a_pass_with_another_level_does_not_hide_that_two_others_agree(
    tmp_path: Path, gain: float, words: str
) -> None:
    """At 0.89 the softest codes of 14 bits stay what they were: a twentieth of the frames agrees."""
    scaled = np.rint(clean() * gain).astype(np.int16)
    report = compared(job_with(tmp_path / "job", {1: scaled, 2: clean(), 3: clean()}, own=1))
    rules = told(report.findings())
    assert sorted(rules) == ["best-as-it-stands", "differ-everywhere", "identical"]
    (everywhere,) = [f for f in report.findings() if f.rule == passrules.EVERYWHERE.id]
    assert everywhere.severity == "warning" and words in everywhere.what
    assert report.proposal is not None and report.proposal.base == 2 and report.proposal.whole


def test_passes_of_different_carriers(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(-9000, 9000, size=(200_000, 2)).astype(np.int16)
    report = compared(job_with(tmp_path / "job", {1: clean(), 2: noise}))
    assert told(report.findings()) == ["not-aligned"] and report.proposal is None
    assert report.as_json()["pairs"][0]["relation"] == "undetermined"


def test_frames_lost_by_one_chain(tmp_path: Path) -> None:
    short = np.delete(clean(), np.s_[150_000:150_018], axis=0)
    report = compared(job_with(tmp_path / "job", {1: clean(), 2: short}, own=1))
    what = " ".join(f.what for f in report.findings())
    assert "18 frames (0.4 ms) earlier" in what and "Frames were lost or put in" in what
    assert "Pass 2 has nothing at" in what


def test_many_differences_are_counted_not_listed(tmp_path: Path) -> None:
    bad = clean().copy()
    for at in range(5_000, len(bad) - 5_000, 3_000):
        bad[at : at + 100] = 0
    report = compared(job_with(tmp_path / "job", {1: bad, 2: clean()}, own=1))
    rules = told(report.findings())
    assert rules.count("differs") == 20 and rules.count("differs-more") == 1
    (more,) = [f for f in report.findings() if f.rule == passrules.MORE_DIFFERENCES.id]
    (pair,) = report.as_json()["pairs"]
    assert f"{len(pair['differing']) - 20} more" in more.what
    assert "pass 1 looks damaged in 85" in more.what


def test_without_a_rate_places_are_frames(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: muted(clean(), 60_000, 61_470), 2: clean()})
    report = compare_transfer(transfer_of(folder), None, Silent())
    assert any("pass 1 at frame 60000" in f.what for f in report.findings())
    assert not any(":" in f.what and "0:00" in f.what for f in report.findings())


class Watched:
    """A listener that adds up."""

    def __init__(self) -> None:
        self.steps: list[list[int]] = []
        self.labels: list[str] = []

    def begin(self, label: str, total: int) -> None:
        self.labels.append(label)
        self.steps.append([total, 0])

    def advance(self, amount: int) -> None:
        assert amount > 0
        self.steps[-1][1] += amount


def test_progress_reaches_its_end_and_never_passes_it(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: muted(clean(), 60_000, 61_470), 2: clean(), 3: clean()[5000:]})
    watched = Watched()
    compare_transfer(transfer_of(folder), RATE, watched)
    assert len(watched.steps) >= 2 and all(total == done for total, done in watched.steps)
    headers = 2 * 4 * 44  # two comparisons of two files each, all read twice
    expected = compared_bytes(transfer_of(folder))
    assert expected - headers <= sum(done for _, done in watched.steps)
    assert expected - headers >= sum(done for _, done in watched.steps[:1])
    assert watched.labels[0] == "T01: pass 1 against pass 2"


def test_the_report_is_plain_json(tmp_path: Path) -> None:
    report = compared(job_with(tmp_path / "job", {1: muted(clean(), 60_000, 61_470), 2: clean()[99:]}))
    text = json.dumps(report.as_json(), allow_nan=False)
    assert json.loads(text) == report.as_json()
    (pair,) = report.as_json()["pairs"]
    assert pair["offsets"][0]["later"] in (99, -99)


# ---- files that are not as they should be


def broken(kind: str) -> bytes:
    whole = wav(clean().tobytes())
    return {
        "empty": b"",
        "text": b"this is no sound",
        "header only": whole[:44],
        "cut in the header": whole[:30],
        "float": whole[:20] + b"\x03\x00" + whole[22:34] + b"\x20\x00" + whole[36:],
        "big-endian": b"RIFX" + whole[4:],
    }[kind]


@pytest.mark.parametrize("kind", ["empty", "text", "header only", "cut in the header", "float", "big-endian"])
def test_a_file_that_cannot_be_compared_does_not_stop_the_others(tmp_path: Path, kind: str) -> None:
    files = {1: clean(), 2: broken(kind), 3: clean()}
    report = compared(job_with(tmp_path / "job", files))
    assert told(report.findings()) == ["file-unusable", "identical", "best-as-it-stands"]
    assert "Pass 2, 'p2.wav'" in report.findings()[0].what and report.findings()[0].severity == "warning"
    assert report.findings()[0].position["row"] == 3  # of passes.csv


def test_passes_of_another_shape_or_rate(tmp_path: Path) -> None:
    mono = wav(clean()[:, :1].tobytes())
    mono = mono[:22] + b"\x01\x00" + mono[24:32] + b"\x02\x00" + mono[34:]
    other_rate = wav(clean().tobytes(), 44056)
    report = compared(job_with(tmp_path / "job", {1: clean(), 2: mono, 3: other_rate}))
    assert told(report.findings()) == ["format-differs", "header-rate", "identical", "best-as-it-stands"]
    assert "1 channel(s) of 16 bits" in report.findings()[0].what
    assert "44056 Hz" in report.findings()[1].what


def test_one_file_for_two_passes(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: clean(), 2: clean()})
    sheet = (folder / "passes.csv").read_text()
    (folder / "passes.csv").write_text(sheet.replace("p2.wav", "p1.wav"))
    assert told(compared(folder).findings()) == ["same-file"]


def test_a_truncated_file_is_compared_as_far_as_it_goes(tmp_path: Path) -> None:
    cut = wav(clean().tobytes())[: 44 + 4 * 200_000 + 3]  # the header claims more, the last frame is torn
    report = compared(job_with(tmp_path / "job", {1: clean(), 2: cut}))
    assert [p.frames for p in report.passes] == [len(clean()), 200_000]
    assert "nothing they share differs" in report.findings()[0].what


def test_a_file_that_shrinks_while_it_is_read(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: clean(), 2: muted(clean(), 60_000, 61_470)})

    class Cutting(Silent):
        def advance(self, amount: int) -> None:
            with (folder / "p2.wav").open("r+b") as file:
                file.truncate(1000)

    report = compare_transfer(transfer_of(folder), RATE, Cutting())
    assert told(report.findings()) == ["not-compared"]
    assert "p2.wav" in report.findings()[0].what and report.proposal is None


def test_a_file_that_is_written_to_while_it_is_read(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: clean(), 2: clean()})

    class Adding(Silent):
        def advance(self, amount: int) -> None:
            with (folder / "p2.wav").open("ab") as file:
                file.write(b"more")

    assert told(compare_transfer(transfer_of(folder), RATE, Adding()).findings()) == ["not-compared"]


def test_a_file_of_no_pass_and_no_assembly(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: clean(), 2: clean()})
    (folder / "whole.wav").write_bytes(wav(clean().tobytes()))
    with (folder / "job.toml").open("a") as sheet:
        sheet.write('file = "whole.wav"\n')
    assert told(compared(folder).findings()) == ["identical", "file-unexplained", "best-as-it-stands"]


def test_no_more_than_a_few_passes_are_compared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(passes_module, "MOST_PASSES", 2)
    report = compared(job_with(tmp_path / "job", {1: clean(), 2: clean(), 3: clean()}))
    assert told(report.findings()) == ["not-compared", "identical", "best-as-it-stands"]
    assert "pass 3 was not" in report.findings()[0].what


def test_a_long_pass_against_a_short_silent_one(tmp_path: Path) -> None:
    files = {1: np.tile(clean(), (3, 1)), 2: np.zeros((1000, 2), dtype=np.int16)}
    report = compared(job_with(tmp_path / "job", files))
    assert told(report.findings()) == ["not-aligned"]
