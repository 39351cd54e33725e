"""What deliver looks at before it copies anything: the ledger, what that knows of each package, the place."""

from __future__ import annotations

import errno
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.disks import stopped
from support.handover import CLIENT, close_with, hand_over, rules_of, studio, take_in

from provpack import __version__
from provpack.cli.handover import deliver_ports
from provpack.edge.commit import RealDisk
from provpack.edge.ledger import LEDGER_NAME, append
from provpack.errors import DestinationProblem, EnvironmentProblem, InputProblem
from provpack.jobs.deliver import deliver
from provpack.jobs.delivered import DeliverResult, Wishes
from provpack.jobs.deliverysources import default_name
from provpack.jobs.progress import Silent
from provpack.package.ledgerline import ledger_line
from provpack.report.text_delivery import deliver_lines


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return studio(tmp_path_factory.mktemp("studio"), ids=("T01", "T02"))


@pytest.fixture
def out(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "out"))


def note_in(out: Path, kind: str, package: str, **more: Any) -> None:
    at = "2026-06-05T12:00:00+02:00"
    append(out / LEDGER_NAME, ledger_line(kind, at=at, tool_version=__version__, package=package, **more))


def deliver_with(append_lines: Any, out: Path, to: Path) -> DeliverResult:
    ports = replace(deliver_ports(Silent()), append=append_lines)
    return deliver([out], to, ports, Wishes(client=CLIENT, name="d1"))


def fails(path: Path, entries: Sequence[object]) -> None:
    raise EnvironmentProblem("disk-full", "The disk is full.", where=str(path), todo="Free some space.")


def fails_later(path: Path, entries: Sequence[object]) -> None:
    if entries:
        fails(path, entries)


def test_a_broken_ledger_stops_the_delivery_before_anything_is_copied(out: Path, tmp_path: Path) -> None:
    ledger = out / LEDGER_NAME
    lines = ledger.read_bytes().splitlines(keepends=True)
    ledger.write_bytes(lines[1])
    result = hand_over(out, tmp_path / "d")
    assert (result.outcome, result.exit_code, result.delivery) == ("refused", 10, None)
    assert "deliver-ledger-broken" in rules_of(result.findings)
    assert {u.outcome for u in result.units} == {"held_back"}
    assert result.problem is not None
    assert "provpack custody" in result.problem.todo
    assert not (tmp_path / "d").exists()
    assert ledger.read_bytes() == lines[1]


def test_a_ledger_that_cannot_be_written_stops_it_too(out: Path, tmp_path: Path) -> None:
    before = (out / LEDGER_NAME).read_bytes()
    result = deliver_with(fails, out, tmp_path / "d")
    assert (result.outcome, result.exit_code, result.delivery) == ("refused", 15, None)
    assert result.problem is not None
    assert "The disk is full." in result.problem.what
    assert str(out / LEDGER_NAME) == result.problem.where
    assert not (tmp_path / "d").exists()
    assert (out / LEDGER_NAME).read_bytes() == before


@pytest.mark.skipif(sys.platform != "linux", reason="needs /dev and permissions of POSIX")
def test_the_real_ledger_is_opened_as_for_an_append_and_left_as_it_is(out: Path) -> None:
    ports = deliver_ports(Silent())
    ledger = out / LEDGER_NAME
    ledger.write_bytes(ledger.read_bytes() + b'{"torn')
    before, mtime = ledger.read_bytes(), ledger.stat().st_mtime_ns
    ports.append(ledger, ())
    assert (ledger.read_bytes(), ledger.stat().st_mtime_ns) == (before, mtime)
    with pytest.raises(EnvironmentProblem):
        ports.append(out, ())  # a folder cannot be opened for writing, whoever asks


def test_without_any_ledger_it_says_so_loudly(out: Path, tmp_path: Path) -> None:
    (out / LEDGER_NAME).unlink()
    none = hand_over(out, tmp_path / "d")
    assert rules_of(none.findings) == {"deliver-no-ledger"}
    assert (none.outcome, none.ledger_lines) == ("warnings", 0)


def test_a_ledger_that_fails_after_the_commit_can_be_mended_by_close(out: Path, tmp_path: Path) -> None:
    result = deliver_with(fails_later, out, tmp_path / "d")
    assert rules_of(result.findings) == {"deliver-ledger-failed"}
    assert (result.outcome, result.ledger_lines) == ("warnings", 0)
    assert result.delivery is not None
    receipt = take_in(result.delivery, tmp_path / "r").receipt
    closed = close_with(receipt, out, unvouched=True, delivery=result.delivery)
    assert (closed.exit_code, closed.lines_written) == (1, 4)


def test_packages_accepted_superseded_or_destroyed_before_are_told(out: Path, tmp_path: Path) -> None:
    hand_over(out, tmp_path / "d")
    close_with(take_in(tmp_path / "d/d1", tmp_path / "r").receipt, out, unvouched=True)
    note_in(out, "superseded", "job-1_t02", note="by job-1_t02b: another emphasis")
    again = hand_over(out, tmp_path / "d", name="d2")
    told = {u.name: rules_of(u.findings) & {"deliver-accepted-before", "deliver-superseded-or-destroyed"}
            for u in again.units}  # fmt: skip
    assert told == {
        "job-1_t01": {"deliver-accepted-before"},
        "job-1_t02": {"deliver-accepted-before", "deliver-superseded-or-destroyed"},
    }
    assert (again.outcome, again.exit_code) == ("warnings", 1)
    text = " ".join(" ".join(line.split()) for line in deliver_lines(again))
    assert "superseded: by job-1_t02b" in text
    assert b"superseded" not in (tmp_path / "d/d2/delivery-note.json").read_bytes()  # the studio's own matter
    note_in(out, "destroyed", "job-1_t01", note="by mistake")
    assert "destroyed" in " ".join(f.what for u in hand_over(out, tmp_path / "d", name="d3").units
                                   for f in u.findings)  # fmt: skip
    note_in(out, "wrapped", "job-1_t01", tagmanifest_sha512=again.units[0].identity)  # sealed anew
    fresh = hand_over(out, tmp_path / "d", name="d4")
    assert not rules_of(fresh.units[0].findings) & {"deliver-accepted-before", *told["job-1_t02"]}


def test_an_archive_is_no_folder_of_packages(tmp_path: Path) -> None:
    (tmp_path / "x.tar").write_bytes(b"x")
    with pytest.raises(InputProblem, match="takes the folders of packages") as refused:
        hand_over(tmp_path / "x.tar", tmp_path / "d")
    assert refused.value.code == "not-a-folder"


def test_the_name_is_made_of_the_whole_name_of_the_client() -> None:
    day = "2026-06-05"
    assert default_name("Ambersund Chamber Archive", day) == f"delivery_ambersund_chamber_archive_{day}"
    assert default_name("Tollvik / Parish", day) == f"delivery_tollvik_parish_{day}"
    assert default_name("St. Olm\\Tollvik Co.", day) == f"delivery_st_olm_tollvik_co_{day}"


class TakenAtTheEnd(RealDisk):
    """Another run finishes a delivery of the same name just before ours is renamed."""

    def rename(self, old: Path, new: Path) -> None:
        if new.name == "d1":
            (new / "x").mkdir(parents=True)
        super().rename(old, new)


def test_the_loser_of_two_deliveries_is_told_of_a_delivery(out: Path, tmp_path: Path) -> None:
    with pytest.raises(DestinationProblem, match="Another delivery called d1 was finished") as lost:
        hand_over(out, tmp_path / "d", disk=TakenAtTheEnd())
    assert "sealed" not in str(lost.value)
    assert [p.name for p in (tmp_path / "d").iterdir()] == ["d1"]


def test_a_disk_that_fails_is_still_told_as_such(out: Path, tmp_path: Path) -> None:
    with stopped(at=40, error=OSError(errno.ENOSPC, "full")) as (disk, _), pytest.raises(EnvironmentProblem):
        hand_over(out, tmp_path / "d", disk=disk)


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_what_a_killed_deliver_left_is_named_by_the_next(out: Path, tmp_path: Path) -> None:
    words = "import sys,time;from pathlib import Path;sys.path.insert(0, sys.argv[1])\n"
    words += "import support.handover as h\n"
    words += "from provpack.edge.commit import RealDisk\n"
    words += "class Stuck(RealDisk):\n  def rename(self, old, new):\n    time.sleep(60)\n"
    words += "h.hand_over(Path(sys.argv[2]), Path(sys.argv[3]), disk=Stuck())"
    tests = Path(__file__).resolve().parents[2]
    line = [sys.executable, "-c", words, str(tests), str(out), str(tmp_path / "d")]
    with subprocess.Popen(line, cwd=tests.parent) as run:
        until = time.monotonic() + 30
        while not list((tmp_path / "d").glob(".partial-*/packages/*/*")) and time.monotonic() < until:
            time.sleep(0.02)
        run.send_signal(signal.SIGKILL)
    (left,) = (tmp_path / "d").glob(".partial-*")
    told = hand_over(out, tmp_path / "d")
    (finding,) = [f for f in told.findings if f.rule == "deliver-leftover"]
    assert finding.where == str(left)
    assert (told.outcome, told.delivery) == ("warnings", tmp_path / "d/d1")
