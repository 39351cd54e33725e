"""Assemblies that are wrong: each fault is told with its range, frame and time; and what proves a right one.

Source of the rules: domain note 5 step 11 and domain rule 24; the faults are made here.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support.jobs import wav
from unit.passes.pass_jobs import RATE, clean, job_with, muted, told, transfer_of

from provpack.errors import InputProblem
from provpack.findings import worst
from provpack.jobs import passrules
from provpack.jobs.assembly import note_join, open_assembled, plan_assembly, prove_file, prove_packed
from provpack.jobs.progress import Silent
from provpack.jobs.wrapped import Refusal

N = len(clean())
Row = tuple[int, int, int, int, int]
GOOD: list[Row] = [(1, 0, 100_000, 0, 100_000), (2, 100_000, N, 100_000, N)]
FAULTS: dict[str, tuple[list[Row], list[str], str]] = {
    "late start": ([(1, 5, N, 5, N)], ["assembly-gap"], "target frames 0 to 4"),
    "gap": (
        [(1, 0, 100_000, 0, 100_000), (2, 100_010, N, 100_010, N)],
        ["assembly-gap"],
        "target frames 100000 to 100009, before range 2",
    ),
    "overlap": (
        [(1, 0, 100_000, 0, 100_000), (2, 99_999, N, 99_999, N)],
        ["assembly-overlap"],
        "Range 2 starts at target frame 99999; 100000 are taken",
    ),
    "length": ([(1, 0, N, 0, N - 1)], ["assembly-length"], f"{N} frames of pass 1 become {N - 1}"),
    "backwards range": ([(1, 9, 5, 0, 4)], ["assembly-length"], "-4 frames of pass 1 become 4"),
    "empty": ([(1, 5, 5, 0, 0)], ["assembly-length"], "0 frames of pass 1 become 0"),
    "outside": ([(1, 0, N + 1, 0, N + 1)], ["assembly-outside"], f"frame {N + 1} of pass 1, which has {N}"),
    "huge": (
        [(1, 10**14, 10**14 + 5, 0, 5)],
        ["assembly-outside"],
        "frame 100000000000005 of pass 1",
    ),
    "unknown pass": ([(7, 0, N, 0, N)], ["assembly-source"], "pass 7, which is not among the passes"),
    "taken twice": (
        [(1, 0, 1000, 0, 1000), (1, 0, 1000, 1000, 2000)],
        ["assembly-backwards"],
        "an earlier range went up to 1000",
    ),
}


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_faults_by_numbers_alone(tmp_path: Path, name: str) -> None:
    rows, rules, words = FAULTS[name]
    transfer = transfer_of(job_with(tmp_path / "job", {1: clean(), 2: clean()}, assembly=rows))
    assembly, findings = plan_assembly(transfer, RATE)
    assert told(findings) == rules and words in findings[0].what
    assert findings[0].position["file"] == "assembly.csv" and "row" in findings[0].position
    if rules == ["assembly-backwards"]:
        assert assembly is not None and findings[0].severity == "warning"
        return
    assert assembly is None and worst(findings) == "error"
    with pytest.raises(InputProblem):
        open_assembled(transfer, RATE)


def test_time_and_frame_stand_in_the_place(tmp_path: Path) -> None:
    rows = FAULTS["gap"][0]
    transfer = transfer_of(job_with(tmp_path / "job", {1: clean(), 2: clean()}, assembly=rows))
    (found,) = plan_assembly(transfer, RATE)[1]
    assert (
        found.where == "assembly.csv, row 3, 0:00:02.268 (frame 100000)"
        and found.position["frame"] == 100_000
    )


def test_unreadable_rows_and_missing_columns(tmp_path: Path) -> None:
    sheet = "transfer_id,pass_n,source_start,source_end,target_start\nT01,1,0,1000,0\n"
    transfer = transfer_of(job_with(tmp_path / "job", {1: clean(), 2: clean()}, assembly=sheet))
    assembly, findings = plan_assembly(transfer, RATE)
    assert assembly is None and told(findings) == ["assembly-unclear"]
    assert "Range 1 has no usable target_end" in findings[0].what


def test_times_in_the_sheet_are_frames_by_the_exact_rate(tmp_path: Path) -> None:
    sheet = "transfer_id,pass_n,source_start,source_end,target_start,target_end\nT01,1,0,0:00:05,0,220500\n"
    transfer = transfer_of(job_with(tmp_path / "job", {1: clean(), 2: clean()}, assembly=sheet))
    assembly, _ = plan_assembly(transfer, RATE)
    assert assembly is not None and assembly.frames == 220_500


def test_a_pass_without_a_file_and_one_that_cannot_be_read(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: clean(), 2: b"no sound at all"}, assembly=GOOD)
    with (folder / "passes.csv").open("a") as sheet:
        sheet.write("T01,3,A,DECK-1,,,failed,\n")
    with (folder / "assembly.csv").open("a") as sheet:
        sheet.write(f"T01,3,0,5,{N},{N + 5}\n")
    assembly, findings = plan_assembly(transfer_of(folder), RATE)
    assert assembly is None and told(findings) == ["assembly-source", "assembly-source"]
    assert "'p2.wav'" in findings[0].what and "pass 3, which names no file" in findings[1].what


def test_passes_of_another_sample_width_are_not_put_together(tmp_path: Path) -> None:
    wide = wav(clean().tobytes())
    wide = wide[:32] + b"\x08\x00\x20\x00" + wide[36:]  # the same bytes, called 32 bits
    transfer = transfer_of(job_with(tmp_path / "job", {1: clean(), 2: wide}, assembly=GOOD))
    assembly, findings = plan_assembly(transfer, RATE)
    assert assembly is None and "assembly-source" in told(findings)
    assert any("2 channel(s) of 32 bits" in f.what for f in findings)


def test_thousands_of_faults_are_counted(tmp_path: Path) -> None:
    rows = [(1, 3 * i, 3 * i + 1, 3 * i, 3 * i + 1) for i in range(5000)]
    transfer = transfer_of(job_with(tmp_path / "job", {1: clean(), 2: clean()}, assembly=rows))
    assembly, findings = plan_assembly(transfer, RATE)
    assert assembly is None and len(findings) == 21
    assert findings[-1].what.startswith("4979 more of the same kind. The last: ")


# ---- a file that was assembled elsewhere


def with_file(folder: Path, audio: np.ndarray, rows: list[Row]) -> Path:
    """The transfer names a file of its own that is none of the passes."""
    files = {1: muted(clean(), 150_000, 151_000), 2: muted(clean(), 50_000, 50_100)}
    job_with(folder, files, assembly=rows)
    (folder / "whole.wav").write_bytes(wav(audio.tobytes()))
    with (folder / "job.toml").open("a") as sheet:
        sheet.write('file = "whole.wav"\n')
    return folder


def test_a_file_made_as_the_sheet_says_is_proven(tmp_path: Path) -> None:
    transfer = transfer_of(with_file(tmp_path / "job", clean(), GOOD))
    (proven,) = prove_file(transfer, RATE, Silent())
    assert proven.rule == passrules.ASSEMBLY_PROVEN.id and proven.severity == "note"
    assert f"2 ranges of passes 1, 2, {N} frames in all" in proven.what


@pytest.mark.parametrize("frame", [0, 99_999, 100_000, N - 1])
def test_one_bit_that_differs_is_found_with_its_range_frame_and_time(tmp_path: Path, frame: int) -> None:
    audio = clean().copy()
    audio[frame, 1] ^= 1
    transfer = transfer_of(with_file(tmp_path / "job", audio, GOOD))
    (wrong,) = prove_file(transfer, RATE, Silent())
    n, number = (1, 1) if frame < 100_000 else (2, 2)
    assert wrong.rule == passrules.ASSEMBLY_DIFFERS.id and wrong.severity == "error"
    assert f"Range {number}: frame {frame} of the target is not frame {frame} of pass {n}" in wrong.what
    assert wrong.position["frame"] == frame and wrong.position["row"] == number + 1
    assert f"(frame {frame})" in wrong.where


@pytest.mark.parametrize(("change", "rule"), [(-1, "assembly-outside"), (1, "assembly-gap")])
def test_a_file_of_another_length(tmp_path: Path, change: int, rule: str) -> None:
    audio = clean()[:change] if change < 0 else np.concatenate([clean(), clean()[:1]])
    transfer = transfer_of(with_file(tmp_path / "job", audio, GOOD))
    assert told(prove_file(transfer, RATE, Silent())) == [rule]


def test_a_file_that_cannot_be_read_is_not_called_proven(tmp_path: Path) -> None:
    folder = with_file(tmp_path / "job", clean(), GOOD)
    (folder / "whole.wav").write_bytes(b"RIFF")
    (wrong,) = prove_file(transfer_of(folder), RATE, Silent())
    assert wrong.severity == "error" and "cannot be proven" in wrong.what


def test_a_waiver_lets_a_file_pass_that_was_handed_in(tmp_path: Path) -> None:
    audio = clean().copy()
    audio[5, 1] ^= 1
    folder = with_file(tmp_path / "job", audio, GOOD)
    with pytest.raises(Refusal):
        prove_packed(transfer_of(folder), {}, folder / "whole.wav", RATE, Silent(), ())
    with (folder / "job.toml").open("a") as sheet:
        sheet.write(
            'waivers = [{ rule = "pass-assembly-differs", reason = "one click mended", by = "Ilse" }]\n'
        )
    (found,) = prove_packed(transfer_of(folder), {}, folder / "whole.wav", RATE, Silent(), ())
    assert found.severity == "warning" and "one click mended" in found.what


def test_nothing_to_prove(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: clean(), 2: clean()}, own=1)
    assert prove_file(transfer_of(folder), RATE, Silent()) == ()
    assert prove_packed(transfer_of(folder), {}, Path("none.wav"), RATE, Silent(), ()) == ()


# ---- the proof before sealing


def test_the_proof_reads_the_packed_passes_and_the_master_anew(tmp_path: Path) -> None:
    folder = job_with(tmp_path / "job", {1: clean(), 2: clean()}, assembly=GOOD)
    transfer = transfer_of(folder)
    master = tmp_path / "master.wav"
    with open_assembled(transfer, RATE) as made:
        master.write_bytes(made.read_at(0, made.size))
    packed = {f"p{n}.wav": tmp_path / f"copy{n}.wav" for n in (1, 2)}
    for n in (1, 2):
        packed[f"p{n}.wav"].write_bytes((folder / f"p{n}.wav").read_bytes())
    (proven,) = prove_packed(transfer, packed, master, RATE, Silent(), ())
    assert proven.rule == passrules.ASSEMBLY_PROVEN.id
    # A copy that is not what was read when the master was made: the package must not be sealed.
    spoilt = clean().copy()
    spoilt[120_000, 0] ^= 4
    packed["p2.wav"].write_bytes(wav(spoilt.tobytes()))
    with pytest.raises(Refusal) as caught:
        prove_packed(transfer, packed, master, RATE, Silent(), (proven,))
    assert "frame 120000" in caught.value.what and caught.value.findings[0] == proven
    assert caught.value.findings[1].rule == passrules.ASSEMBLY_DIFFERS.id


def test_the_step_names_its_sources_by_digest(tmp_path: Path) -> None:
    from provpack.edge import clock

    transfer = transfer_of(job_with(tmp_path / "job", {1: clean(), 2: clean()}, assembly=GOOD))
    assembly, _ = plan_assembly(transfer, RATE)
    assert assembly is not None
    record = {
        "made_by": {"tool": "provpack", "version": "1"},
        "derived": [],
        "processing": {
            "processing_steps": [{"type": "other", "note": "before"}],
            "passes": [{"n": n, "sha256": str(n) * 64} for n in (1, 2, 3)],
        },
    }
    note_join(record, assembly, "f" * 64, clock.now())
    step = record["processing"]["processing_steps"][1]
    assert step["type"] == "join" and step["output_sha256"] == "f" * 64
    assert step["parameters"] == {
        "ranges": 2, "frames": N, "pass_1_sha256": "1" * 64, "pass_2_sha256": "2" * 64,
    }  # fmt: skip
    assert record["derived"][0]["field"] == "/processing/processing_steps/1"
