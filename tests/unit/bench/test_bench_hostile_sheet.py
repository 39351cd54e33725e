"""Whatever a log says, loading the job raises nothing and the transfers stay in shape."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.benchsheets import clock, write_job

from provpack.edge.schemas import validate
from provpack.jobs import load
from provpack.jobs.benchsheet import BenchSheet, ReadSheet
from provpack.jobs.check_records import NO_ID
from provpack.jobs.load import build_record_draft
from provpack.package.benchfold import fold
from provpack.package.benchline import KINDS

SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-3, 10**6), st.text(max_size=6), st.floats(allow_nan=False),
    st.sampled_from(["on", "off", "unknown", "T1", "A", "0:00:01", clock(3), "1/0", "\x00", "../x"]),
)  # fmt: skip
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.sampled_from(["n", "frame", "start", "end", "pass_n", "file", "type", "num", "den"]),
                      inner, max_size=4),
    max_leaves=8,
)  # fmt: skip
FIELDS = st.sampled_from(
    ["title", "passes", "transfer_events", "assembly", "signal_state_ranges", "file", "chain", "id",
     "transfer_id", "sampling_frequency", "tape_emphasis", "documents", "deck_id", "equipment", "job_id",
     "service_log", "custody_events", "emphasis_indicator", "no_such_field", "supersedes"]
)  # fmt: skip
MOMENTS = st.integers(-20, 30).map(clock) | st.sampled_from(["", "soon", "0001-01-01T00:00:00+00:00"])
LINES = st.fixed_dictionaries(
    {
        "kind": st.sampled_from([*KINDS, *["event", "pass_started", "file_attached", "declared"] * 2]),
        "at": MOMENTS,
        "transfer_id": st.sampled_from(["T1", "T2"]),
        "pass": st.integers(0, 3),
        "scope": st.sampled_from(["job", "defaults", "chain", "transfer", "equipment"]),
        "id": st.sampled_from([None, "A", "T1", "E1", "new"]),
        "field": FIELDS,
        "value": VALUES,
        "was": VALUES,
        "type": st.sampled_from(["mute", "emphasis_on", "emphasis_off", "mode_14", "mode_16", "odd"]),
        "chain_id": st.sampled_from(["A", "B", ""]),
        "settings": st.dictionaries(FIELDS, VALUES, max_size=3),
        "outcome": st.sampled_from(["complete", "odd"]),
        "file": st.sampled_from(["paper.txt", "../out.wav", "gone.wav"]),
        "frames": st.sampled_from([None, 0, 441000]),
        "starts_at": st.none() | MOMENTS,
        "starts_from": st.sampled_from(["modified_time", "stated", "odd"]),
        "verdict": st.sampled_from(["accepted", "redo"]),
        "note": st.text(max_size=5),
        "entry": st.integers(0, 12),
    }
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_job(
        tmp_path_factory.mktemp("hostile") / "job",
        {
            "job": [{"job_id": "J1", "client": "C", "transfer_organisation": "O"}],
            "defaults": [{"sampling_frequency": 44100}],
            "chain": [{"id": "A"}],
            "transfer": [{"transfer_id": "T1", "transfer_events": [{"frame": 5, "type": "mute"}]}],
            "equipment": [{"id": "E1", "kind": "deck"}],
        },
    )


@given(lines=st.lists(LINES, max_size=12))
@settings(
    max_examples=120, deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
def test_loading_raises_nothing(
    folder: Path, monkeypatch: pytest.MonkeyPatch, lines: list[dict[str, Any]]
) -> None:
    state = fold([{**line, "n": n, "by": None} for n, line in enumerate(lines, 1)])
    monkeypatch.setattr(load, "read_bench", lambda *_: ReadSheet(bench=BenchSheet(state)))
    job = load.load_job(folder)
    assert {t.transfer_id for t in job.transfers} >= {"T1"}
    for transfer in job.transfers:
        frames = [e.get("frame") for e in transfer.values.get("transfer_events") or ()]
        assert all(f is None or type(f) is int for f in frames)
        ranges = transfer.values.get("signal_state_ranges") or ()
        assert all(set(r) <= {"start", "end", "emphasis", "mode", "evidence", "note"} for r in ranges)
        validate("transfer-record", build_record_draft(job, transfer, record_id=NO_ID))
