"""Any acts in any order: each is refused in words, or leaves a log that folds to the state the desk has."""

from __future__ import annotations

import json
import tempfile
from datetime import timedelta
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.benchdesk import START, Evening

from provpack.edge import benchlog, schemas
from provpack.errors import ProvpackError
from provpack.jobs.benchundo import clashes
from provpack.package.benchfold import fold
from provpack.package.benchline import KINDS

TRANSFERS = st.sampled_from(["T1", "T1", "T1", "T2", "T2", "T2", "T3", "t2", "", "nowhere"])
CHAIN_IDS = st.sampled_from(["A", "B", "A", "B", "C"])
PASSES = st.sampled_from([None, None, None, 1, 2, 0])
TIMES = st.one_of(
    st.none(),
    st.none(),
    st.none(),
    st.integers(-40, 60).map(lambda s: (START + timedelta(seconds=s)).isoformat()),
    st.sampled_from(["21:00", "2026-06-02"]),
)
NOTES = st.sampled_from([None, "", "hum", "\u202e\x00", "ä" * 50])
FILES = st.sampled_from(["captures/one/a.wav", "captures/two/b.wav", "../x.wav", "paper.txt"])
SOUP = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-5, 99), st.text(max_size=6), st.floats(allow_nan=False)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.sampled_from(["cell", "num", "den", "n", "type"]), inner, max_size=3),
    ),
    max_leaves=6,
)
SETTINGS = st.dictionaries(
    st.sampled_from(["deck_id", "decoder_id", "capture_input", "clock_source", "note"]),
    st.sampled_from(["DECK-1", "DECK-2", "1", "source", None, {"cell": "unknown"}]),
    max_size=2,
)
# as somebody would do it, mostly; the rest is held against the same promises
ACTS = st.one_of(
    st.fixed_dictionaries({"kind": st.just("taken_in"), "transfer_id": TRANSFERS}),
    st.fixed_dictionaries(
        {
            "kind": st.just("declared"),
            "scope": st.sampled_from(["transfer", "chain", "job", "defaults", "equipment"]),
            "id": st.sampled_from([None, "T1", "T2", "A", "C", "DECK-1"]),
            "field": st.sampled_from(["title", "deck_id", "passes", "client", "file"]),
            "value": st.one_of(st.sampled_from([None, "x", "DECK-2", {"cell": "unknown"}]), SOUP),
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("pass_started"), "transfer_id": TRANSFERS, "chain_id": CHAIN_IDS,
            "settings": SETTINGS, "happened_at": TIMES,
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("pass_stopped"), "transfer_id": TRANSFERS, "pass": PASSES,
            "outcome": st.sampled_from(["complete", "complete", "failed", "done"]), "happened_at": TIMES,
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("event"), "transfer_id": TRANSFERS, "pass": PASSES, "note": NOTES,
            "type": st.sampled_from(["mute", "mute", "hold", "operator_note", "noise"]), "happened_at": TIMES,
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("noted"), "transfer_id": st.one_of(st.none(), TRANSFERS), "pass": PASSES,
            "note": NOTES, "happened_at": TIMES,
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("file_attached"), "transfer_id": TRANSFERS, "pass": PASSES, "file": FILES,
            "attached_by": st.sampled_from([None, "person"]), "reason": NOTES,
        }
    ),
    st.fixed_dictionaries({"kind": st.just("file_detached"), "transfer_id": TRANSFERS, "pass": PASSES}),
    st.fixed_dictionaries(
        {
            "kind": st.just("judged"), "transfer_id": TRANSFERS, "pass": PASSES,
            "verdict": st.sampled_from(["accepted", "accepted", "redo", "fine"]),
        }
    ),
    st.fixed_dictionaries({"kind": st.just("taken_back"), "entry": st.integers(0, 12)}),
    st.fixed_dictionaries({"kind": st.sampled_from([*KINDS, "?"]), "note": SOUP, "transfer_id": SOUP}),
)  # fmt: skip


DECIDED = {"attached_by": "person", "reason": "heard it"}
ON = {"T1": ("A", "captures/one/a.wav"), "T2": ("B", "captures/two/b.wav")}
SENSIBLE = st.sampled_from(
    [
        *(
            act
            for t, (chain, file) in ON.items()
            for act in (
                {"kind": "pass_stopped", "transfer_id": t, "outcome": "complete"},
                {"kind": "pass_stopped", "transfer_id": t, "outcome": "failed"},
                {"kind": "pass_started", "transfer_id": t, "chain_id": chain, "settings": {}},
                {"kind": "event", "transfer_id": t, "type": "mute"},
                {"kind": "file_attached", "transfer_id": t, "file": file, **DECIDED},
                {"kind": "file_attached", "transfer_id": t, "file": "captures/one/a.wav", **DECIDED},
                {"kind": "file_detached", "transfer_id": t},
                {"kind": "judged", "transfer_id": t, "verdict": "redo"},
                {"kind": "declared", "scope": "transfer", "id": t, "field": "title", "value": "x"},
            )
        ),
        *({"kind": "taken_back", "entry": n} for n in range(3, 12)),
    ]
)
# one_of would lay the two flat and choose the sensible ones once in a dozen
EITHER = st.integers(0, 3).flatmap(lambda n: SENSIBLE if n else ACTS)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(st.lists(st.tuples(EITHER, st.integers(-3, 9)), min_size=8, max_size=20))
def test_refused_or_written_and_folded(acts: list[tuple[dict[str, Any], int]]) -> None:
    with tempfile.TemporaryDirectory() as place:
        evening = Evening(Path(place) / "job")
        evening.capture("captures/one/a.wav", 0.2)
        evening.capture("captures/two/b.wav", 0.2)
        log = evening.folder / "bench-log.jsonl"
        evening.act("taken_in", transfer_id="T2")
        evening.start("T1", "A")
        evening.start("T2", "B")
        for members, seconds in acts:
            given_ = dict(members)
            kind = given_.pop("kind")
            if kind == "pass_started" and given_.get("chain_id") in ("A", "B"):
                given_["settings"] = {**evening.desk.settings(given_["chain_id"]), **given_["settings"]}
            before = log.read_bytes() if log.exists() else b""
            count = evening.desk.state.n
            try:
                acted = evening.act(kind, after=seconds, **given_)
            except ProvpackError as problem:
                assert problem.exit_code == 12, problem
                assert problem.code.startswith("bench-") and problem.what and problem.where and problem.todo
                assert (log.read_bytes() if log.exists() else b"") == before
                assert evening.desk.state.n == count
                continue
            assert log.read_bytes().startswith(before)
            entries = [json.loads(line) for line in log.read_bytes().splitlines()]
            assert entries[-1] == dict(acted.entry) and acted.entry["n"] == count + 1
            assert not schemas.validate("bench-entry", entries[-1])
            assert fold(entries) == evening.desk.state == acted.state
            assert list(clashes(evening.desk.state)) == []
            assert acted.words
        read = benchlog.read(log)
        assert not read.findings
        assert evening.another().state == evening.desk.state
        evening.desk.job()
