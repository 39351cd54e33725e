"""`check` and `wrap` hold the audio against the sheet: each fault once, through the whole job."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from support.interleave import music
from support.jobs import wrap
from support.strangers import fmt_plain, make_job_around, wave

from provpack.edge.received import ReceivedFile
from provpack.edge.schemas import validate
from provpack.errors import InputProblem
from provpack.jobs.check import CheckResult, check_job
from provpack.jobs.measuring import measure_received
from provpack.jobs.progress import Silent
from provpack.measure.fanout import run_serially

Codes = npt.NDArray[np.int16]
NOW = datetime(2026, 7, 1, tzinfo=UTC)
SHORT = {
    "stopped_at": "2026-06-02T10:00:13+02:00",
    "outcome": "partial",
    "outcome_note": "only twelve seconds were wanted",
}


def tape(bits: Any = 14) -> Codes:
    """Twelve seconds without damage, both channels from one converter each."""
    return np.asarray(music(3, 12, bits=bits, level="loud", tone="bright"), dtype=np.int16)


def checked(folder: Path, codes: Codes, **row: Any) -> CheckResult:
    content = wave(fmt_plain(2, 44100, 16), codes.astype("<i2").tobytes())
    job = make_job_around(folder / "job", content, {**SHORT, "shared_converter": "yes", **row})
    return check_job(job, now=NOW, progress=Silent(), validate=validate, run_all=run_serially)


def rules_of(result: CheckResult) -> set[str]:
    return {f.rule for f in result.findings if f.rule.startswith("rec-") and f.position.get("path", "") and
            str(f.position["path"]).startswith("/measured")}  # fmt: skip


def halved(codes: Codes) -> Codes:
    return (codes.astype(np.int32) // 2).astype(np.int16)


def muted(codes: Codes) -> Codes:
    out = codes.copy()
    out[5 * 44100 : 5 * 44100 + 2000] = 0
    return out


FAULTS: list[tuple[str, Callable[[Codes], Codes], dict[str, Any], str]] = [
    ("rec-audio-silent", lambda c: c * 0, {}, "error"),
    ("rec-channel-silent", lambda c: c * np.array([1, 0], dtype=np.int16), {}, "warning"),
    ("rec-channels-equal", lambda c: np.repeat(c[:, :1], 2, axis=1), {}, "warning"),
    (
        "rec-channel-inverted",
        lambda c: np.stack((c[:, 0], -np.maximum(c[:, 0], -32764)), axis=1),
        {"channel_polarity": "unknown"},
        "warning",
    ),
    ("rec-effective-bits-above", halved, {}, "error"),
    ("rec-effective-bits-below", lambda c: c & ~np.int16(15), {}, "warning"),
    ("rec-damage-unlogged", muted, {}, "warning"),
    ("rec-clean-with-faults", muted, {"outcome": "clean"}, "error"),
    ("rec-shared-converter-against", lambda c: c, {"shared_converter": "no"}, "warning"),
    ("rec-shared-converter-hint", lambda c: c, {"shared_converter": "unknown"}, "note"),
]


def test_a_clean_tape_has_nothing_measured_against_it(tmp_path: Path) -> None:
    assert rules_of(checked(tmp_path, tape())) == set()


@pytest.mark.parametrize(("rule", "fault", "row", "severity"), FAULTS, ids=[f[0] for f in FAULTS])
def test_a_fault_in_the_audio_is_told_at_the_row_that_names_the_file(
    rule: str, fault: Callable[[Codes], Codes], row: dict[str, Any], severity: str, tmp_path: Path
) -> None:
    result = checked(tmp_path, fault(tape()), **row)
    (finding,) = [f for f in result.findings if f.rule == rule]
    assert finding.severity == severity and "transfer[1].file" in finding.where and finding.todo
    # Nothing else is wrong with it, save what follows from the same fault.
    assert rules_of(result) - {rule} <= {"rec-shared-converter-against", "rec-effective-bits-below"}
    # The headers alone do not show it.
    header = check_job(tmp_path / "job", now=NOW, progress=Silent(), validate=validate)
    assert rule not in {f.rule for f in header.findings}
    # An error stops the wrap of this transfer, a warning does not.
    unit = wrap(tmp_path / "job", tmp_path / "out").units[0]
    assert unit.outcome == ("refused" if severity == "error" else "wrapped"), unit.as_json()
    assert rule in {f.rule for f in unit.findings}


def test_a_waiver_with_a_reason_lets_it_pass_and_is_recorded(tmp_path: Path) -> None:
    import json

    waiver = {
        "rule": "rec-effective-bits-above",
        "reason": "level was halved by the client",
        "by": "Ilse Varrow",
        "at": "2026-06-03",
    }
    result = checked(tmp_path, halved(tape()), waivers=[waiver])
    (finding,) = [f for f in result.findings if f.rule == waiver["rule"]]
    assert finding.severity == "warning" and waiver["reason"] in finding.what
    (unit,) = wrap(tmp_path / "job", tmp_path / "out").units
    assert unit.outcome == "wrapped"
    record = json.loads((tmp_path / "out" / unit.package_name / "data/metadata/record.json").read_bytes())
    assert record["waivers"] == [waiver]


def test_a_file_that_shrinks_while_it_is_measured_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = ReceivedFile.read_into

    def short(self: ReceivedFile, offset: int, room: memoryview) -> int:
        return min(real(self, offset, room), 100)

    monkeypatch.setattr(ReceivedFile, "read_into", short)
    (finding,) = [f for f in checked(tmp_path, tape()).findings if f.rule == "row-file-unreadable"]
    assert "ended at byte" in finding.what


def test_a_waiver_for_a_rule_that_does_not_exist_is_told_with_the_name_that_was_meant(tmp_path: Path) -> None:
    waiver = {"rule": "rec-effectve-bits-above", "reason": "so", "by": "Ilse Varrow", "at": "2026-06-03"}
    result = checked(tmp_path, halved(tape()), waivers=[waiver])
    (finding,) = [f for f in result.findings if f.rule == "row-waiver-unknown"]
    assert finding.severity == "warning" and "Was 'rec-effective-bits-above' meant?" in finding.what
    assert [f.severity for f in result.findings if f.rule == "rec-effective-bits-above"] == ["error"]


class Meddler(Silent):
    """Somebody who writes into a file while it is measured."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def advance(self, amount: int) -> None:
        os.utime(self.path, ns=(1, 1))


def test_a_file_changed_while_it_is_measured_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "tape.wav"
    path.write_bytes(wave(fmt_plain(2, 44100, 16), tape().tobytes()))
    with ReceivedFile(path) as source, pytest.raises(InputProblem, match="changed"):
        measure_received(
            source, {}, rate=Fraction(44100), at=NOW, run_all=run_serially, progress=Meddler(path)
        )


@pytest.mark.parametrize(("header", "hertz"), [(44100, 15750.0), (44056, 15734.286)])
def test_the_line_tone_is_told_in_hertz_of_the_files_own_header(
    header: int, hertz: float, tmp_path: Path
) -> None:
    # arithmetic: one and the same row of samples, 15750 / 44100 cycles each
    tone = 300 * np.sin(2 * np.pi * 15750 / 44100 * np.arange(30 * 44100))
    noise = np.random.default_rng(1).normal(0, 40, (30 * 44100, 2))
    path = tmp_path / "tape.wav"
    path.write_bytes(wave(fmt_plain(2, header, 16), np.rint(noise + tone[:, None]).astype("<i2").tobytes()))
    with ReceivedFile(path) as source:
        told = measure_received(
            source, {}, rate=Fraction(header), at=NOW, run_all=run_serially, progress=Silent()
        )
    assert told is not None and told["line_pilot_hz"]["value"] == pytest.approx(hertz, abs=0.02)
