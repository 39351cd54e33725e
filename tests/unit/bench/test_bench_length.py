"""What the bench attaches without asking is not told as wrong by `check` right after."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from itertools import product
from pathlib import Path

import pytest
from support.jobs import make_job

from provpack.findings import Finding
from provpack.jobs.check_chains import Playback, times
from provpack.jobs.check_files import FileFacts
from provpack.jobs.load import load_job
from provpack.jobs.loaded import LoadedTransfer
from provpack.package.benchfit import LONGER, FileSeen, fit
from provpack.package.benchstate import Pass

START = datetime.fromisoformat("2026-06-02T21:00:00+02:00")
RATES = {(44100, Fraction(44100)), (44100, Fraction(44100000, 1001)), (44056, Fraction(44100000, 1001)),
         (48000, Fraction(48000))}  # fmt: skip


@pytest.fixture(scope="module")
def transfer(tmp_path_factory: pytest.TempPathFactory) -> LoadedTransfer:
    return load_job(make_job(tmp_path_factory.mktemp("length") / "job")).transfers[0]


def attached(lasted: float, frames: int, hz: int) -> bool:
    stop = START + timedelta(seconds=lasted)
    one = Pass(
        transfer_id="T01", number=1, chain_id="A", n=1, started_at=START.isoformat(),
        stopped_at=stop.isoformat(), settings={}, changed=(),
    )  # fmt: skip
    seen = FileSeen(
        name="x.wav", bytes=1, modified_at=stop.isoformat(), stable=True, frames=frames, header_hz=hz
    )
    return fit(seen, one).length == "agrees"


def told(transfer: LoadedTransfer, lasted: float, frames: int, hz: int, rate: Fraction) -> list[Finding]:
    exact = {"num": rate.numerator, "den": rate.denominator}
    transfer = replace(transfer, values={**transfer.values, "sampling_frequency": exact})
    single = Playback(
        transfer=transfer, n=1, origin=transfer.origin, start=START,
        stop=START + timedelta(seconds=lasted), resources=(),
    )  # fmt: skip
    facts = FileFacts(frames=frames, header_rate=hz, channels=2, bits=16, is_float=False)
    return list(times(transfer, [single], facts, START + timedelta(days=1)))


def test_what_is_attached_without_a_question_raises_none(transfer: LoadedTransfer) -> None:
    agreed = 0
    for lasted, gap, (hz, rate) in product(
        (1, 8, 39, 40, 41, 100, 480, 3600, 21_600), range(-400, 1600), RATES
    ):
        frames = round((lasted + gap / 10) * hz)
        if frames > 0 and attached(lasted, frames, hz):
            agreed += 1
            assert not told(transfer, lasted, frames, hz, rate), (lasted, gap, hz, rate)
    assert agreed > 1000


def test_a_file_that_is_much_longer_than_its_pass_is_told(transfer: LoadedTransfer) -> None:
    for lasted, gap in ((1, 12), (40, 12), (3600, LONGER + 10)):
        found = told(transfer, lasted, round((lasted + gap) * 44100), 44100, Fraction(44100))
        assert [f.rule for f in found] == ["row-pass-length"], (lasted, gap)
        assert not attached(lasted, round((lasted + gap) * 44100), 44100)


def test_a_file_that_is_much_shorter_than_its_pass_is_told(transfer: LoadedTransfer) -> None:
    found = told(transfer, 3600, 3000 * 44100, 44100, Fraction(44100))
    assert [f.rule for f in found] == ["row-pass-length"]


def test_a_job_whose_pass_ends_long_before_its_file_is_told(tmp_path: Path) -> None:
    """Through the whole reading: a file of 15 s, a pass of one."""
    from unit.input.jobs_made import checked

    folder = make_job(tmp_path / "job", frames=15 * 44100)
    sheet = folder / "job.toml"
    text = sheet.read_text(encoding="utf-8")
    stop = next(line for line in text.splitlines() if line.startswith("stopped_at"))
    begun = next(line for line in text.splitlines() if line.startswith("started_at"))
    early = begun.replace("started_at", "stopped_at").replace(":00+02", ":01+02")
    sheet.write_text(text.replace(stop, early), encoding="utf-8")
    assert "row-pass-length" in {f.rule for f in checked(folder).findings}
