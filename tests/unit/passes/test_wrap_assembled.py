"""Two passes, from `check` over the confirmed assembly to a sealed package whose master is proven.

The truth is the tape before it was damaged here (domain note 5 step 11; domain rule 24).
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from support.jobs import tree, wav, wrap
from unit.passes.pass_jobs import clean, job_with, muted

from provpack.chunks.embedded import read_embedded
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout
from provpack.edge import clock
from provpack.edge.schemas import validate
from provpack.edge.workers import crew
from provpack.jobs import assembledfile, passrules
from provpack.jobs.check import CheckResult, check_job
from provpack.jobs.progress import Silent
from provpack.jobs.wrapped import WrapUnit
from provpack.report.text import check_lines

N = len(clean())


def checked(folder: Path) -> CheckResult:
    with crew(2) as run_all:
        return check_job(folder, now=clock.now(), progress=Silent(), validate=validate, run_all=run_all)


def damaged(folder: Path, **options: object) -> Path:
    files = {1: muted(clean(), 150_000, 151_000), 2: muted(clean(), 50_000, 50_100)}
    return job_with(folder, files, **options)  # type: ignore[arg-type]


def wrapped(folder: Path, destination: Path) -> WrapUnit:
    (unit,) = wrap(folder, destination).units
    return unit


def test_check_proposes_the_engineer_confirms_wrap_makes_and_proves_it(tmp_path: Path) -> None:
    folder = damaged(tmp_path / "job")
    result = checked(folder)
    assert result.transfers[0].outcome == "refused"  # no file, and no assembly yet
    told = {"schema": "urn:provpack:schema:result-check:1.1.0", "exit_code": 12, **result.as_json()}
    assert not validate("result-check", told)
    lines = list(check_lines(result))
    first = lines.index("Proposed assembly of T01, for assembly.csv:") + 2
    text = "\n".join(lines[first : lines.index("", first)]) + "\n"
    (folder / "assembly.csv").write_text(text)

    again = checked(folder)
    assert [f for f in again.findings if f.severity == "error"] == []
    assert again.transfers[0].frames == N
    unit = wrapped(folder, tmp_path / "out")
    assert unit.outcome == "wrapped", unit.problem
    files = tree(Path(unit.path))
    master = files["data/master/job-1_t01.wav"]
    layout = read_layout(BytesSource(master), "master")
    assert layout.data is not None
    audio = master[layout.data.offset : layout.data.offset + layout.data.size]
    assert audio == clean().tobytes()
    assert files["data/passes/p1.wav"] == (folder / "p1.wav").read_bytes()
    assert not any("received-" in name for name in files)

    record = json.loads(files["data/metadata/record.json"])
    assert not validate("transfer-record", record)
    assert len(record["processing"]["assembly"]) == text.count("\n") - 1
    join, label = record["processing"]["processing_steps"]
    assert (join["type"], label["type"]) == ("join", "metadata_modification")
    assert join["output_sha256"] == label["input_sha256"] == record["audio_sha256"]
    packed = {f["path"]: f["sha256"] for f in record["files"]}
    assert join["parameters"]["pass_1_sha256"] == packed["data/passes/p1.wav"]
    (entry,) = [f for f in record["files"] if f["role"] == "master"]
    assert not any(key.startswith("original_") for key in entry)  # nobody handed such a file in
    assert passrules.ASSEMBLY_PROVEN.id in [f.rule for f in unit.findings]
    embedded = read_embedded(BytesSource(master), layout)
    assert embedded.axml is not None and b"pass_2_sha256" in embedded.axml


def test_a_master_that_is_not_what_the_assembly_says_is_never_sealed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [(1, 0, 100_000, 0, 100_000), (2, 100_000, N, 100_000, N)]
    folder = damaged(tmp_path / "job", assembly=rows)
    honest = assembledfile.AssembledSource._some

    def one_bit_wrong(self: assembledfile.AssembledSource, at: int, view: memoryview) -> int:
        size = honest(self, at, view)
        if at <= 600_000 < at + size:
            view[600_000 - at] ^= 4
        return size

    monkeypatch.setattr(assembledfile.AssembledSource, "_some", one_bit_wrong)
    unit = wrapped(folder, tmp_path / "out")
    assert unit.outcome == "refused" and unit.problem is not None
    assert unit.problem.code == "assembly-not-proven" and "Range 2: frame 14" in unit.problem.what
    assert passrules.ASSEMBLY_DIFFERS.id in [f.rule for f in unit.findings]
    assert list((tmp_path / "out").iterdir()) == []


def test_a_file_assembled_elsewhere_is_proven_or_refused(tmp_path: Path) -> None:
    rows = [(1, 0, 100_000, 0, 100_000), (2, 100_000, N, 100_000, N)]
    folder = damaged(tmp_path / "job", assembly=rows)
    (folder / "whole.wav").write_bytes(wav(clean().tobytes()))
    with (folder / "job.toml").open("a") as sheet:
        sheet.write('file = "whole.wav"\n')
    assert passrules.ASSEMBLY_PROVEN.id in [f.rule for f in checked(folder).findings]
    unit = wrapped(folder, tmp_path / "out")
    assert unit.outcome == "wrapped", unit.problem
    wrong = clean().copy()
    wrong[7, 0] ^= 4
    (folder / "whole.wav").write_bytes(wav(wrong.tobytes()))
    assert checked(folder).transfers[0].outcome == "refused"
    unit = wrapped(folder, tmp_path / "second")
    assert unit.outcome == "refused" and unit.problem is not None and "frame 7 " in unit.problem.what


def test_a_dry_run_names_the_master_and_writes_nothing(tmp_path: Path) -> None:
    folder = damaged(tmp_path / "job", assembly=[(2, 0, N, 0, N)])
    (unit,) = wrap(folder, tmp_path / "out", dry_run=True).units
    assert unit.outcome == "planned"
    sizes = dict(unit.files)
    real = wrapped(folder, tmp_path / "out")
    written = dict(real.files)
    assert sizes["data/master/job-1_t01.wav"] == written["data/master/job-1_t01.wav"]


def test_a_faulty_assembly_is_refused_by_check_and_wrap(tmp_path: Path) -> None:
    folder = damaged(tmp_path / "job", assembly=[(1, 0, 1000, 0, 1000), (2, 1001, N, 1001, N)])
    result = checked(folder)
    assert result.transfers[0].outcome == "refused"
    assert passrules.ASSEMBLY_GAP.id in [f.rule for f in result.findings]
    assert wrapped(folder, tmp_path / "out").outcome == "refused"


def test_an_hour_of_ranges_needs_room_in_the_record_only(tmp_path: Path) -> None:
    """Two thousand ranges: the record inside the master names them all."""
    rows = [(1 + i % 2, 100 * i, 100 * i + 100, 100 * i, 100 * i + 100) for i in range(2000)]
    folder = job_with(tmp_path / "job", {1: clean(), 2: clean().copy()}, assembly=rows)
    unit = wrapped(folder, tmp_path / "out")
    assert unit.outcome == "wrapped", unit.problem
    record = json.loads((Path(unit.path) / "data/metadata/record.json").read_text())
    assert len(record["processing"]["assembly"]) == 2000


def test_a_gap_in_the_assembly_is_told_once(tmp_path: Path) -> None:
    folder = damaged(tmp_path / "job")
    rows = f"T01,1,0,1000,0,1000\nT01,2,2000,{N},2000,{N}\n"
    (folder / "assembly.csv").write_text(
        "transfer_id,pass_n,source_start,source_end,target_start,target_end\n" + rows
    )
    told = [f.rule for f in checked(folder).findings if "assembly" in f.rule and f.severity == "error"]
    assert told == ["pass-assembly-gap"]
