"""What a wrap enters in the custody ledger beside its packages."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from support.jobs import make_job

from provpack.cli.main import main
from provpack.edge import schemas
from provpack.edge.ledger import LEDGER_NAME, read_entries


def entries(folder: Path) -> list[dict[str, Any]]:
    found = read_entries(folder / LEDGER_NAME)
    assert not [v for entry in found for v in schemas.validate("ledger-entry", entry)]
    return found


def with_carriers(folder: Path) -> Path:
    job = make_job(folder, ids=("T01", "T02"), frames=4000)
    text = (job / "job.toml").read_text()
    for name in ("T01", "T02"):
        text = text.replace(
            f'client_item_id = "{name}"', f'client_item_id = "{name}"\ncarrier_id = "C-{name}"'
        )
    (job / "job.toml").write_text(text)
    return job


def test_passes_and_packages_are_entered_once(tmp_path: Path) -> None:
    job, out = with_carriers(tmp_path / "job"), tmp_path / "out"
    assert main(["wrap", str(job), "--to", str(out)]) in (0, 1)
    found = entries(out)
    assert [e["kind"] for e in found] == ["pass_made", "pass_made", "wrapped", "wrapped"]
    for entry, name in zip(found[2:], ("T01", "T02"), strict=True):
        record = json.loads((out / entry["package"] / "data/metadata/record.json").read_text())
        assert entry["record_id"] == record["record_id"]
        assert (entry["carrier_id"], entry["client_item_id"]) == (f"C-{name}", name)
        assert (entry["transfer_id"], entry["job_id"], entry["outcome"]) == (name, "JOB-1", "done")
    assert main(["wrap", str(job), "--to", str(out)]) == 14  # all packages are there
    assert entries(out) == found


def test_a_dry_run_enters_nothing(tmp_path: Path) -> None:
    job, out = with_carriers(tmp_path / "job"), tmp_path / "out"
    out.mkdir()
    assert main(["wrap", str(job), "--to", str(out), "--dry-run"]) in (0, 1)
    assert list(out.iterdir()) == []


def test_a_ledger_that_cannot_be_written_stops_no_wrap(tmp_path: Path, capsys: Any) -> None:
    job, out = with_carriers(tmp_path / "job"), tmp_path / "out"
    (out / LEDGER_NAME).mkdir(parents=True)
    assert main(["wrap", str(job), "--to", str(out), "--json"]) == 1
    result = json.loads(capsys.readouterr().out)
    assert [u["outcome"] for u in result["units"]] == ["wrapped", "wrapped"]
    assert [f["rule"] for f in result["findings"]] == ["wrap-sheets-not-entered"]
    assert all("wrap-ledger-failed" in [f["rule"] for f in u["findings"]] for u in result["units"])


def test_a_broken_ledger_is_told_before_more_is_added(tmp_path: Path, capsys: Any) -> None:
    job, out = with_carriers(tmp_path / "job"), tmp_path / "out"
    assert main(["wrap", str(job), "--to", str(out)]) in (0, 1)
    ledger = out / LEDGER_NAME
    lines = ledger.read_bytes().splitlines(keepends=True)
    ledger.write_bytes(b"".join([lines[0], lines[1].replace(b"T02", b"T99"), *lines[2:]]))
    other = make_job(tmp_path / "other", ids=("T03",), frames=4000)
    capsys.readouterr()
    assert main(["wrap", str(other), "--to", str(out), "--json"]) == 1
    (found,) = json.loads(capsys.readouterr().out)["findings"]
    assert (
        found["rule"] == "wrap-sheets-not-entered"
        and "broken" in found["what"]
        and "line 2" in found["where"]
    )
