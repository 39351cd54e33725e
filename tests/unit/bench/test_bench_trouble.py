"""What is wrong with the log is told as soon as it is so: by the desk, on every page, in check."""

from __future__ import annotations

import json
import os
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.benchdesk import Evening
from support.benchlines import at, attached, back, counted, declared, event, judged, noted, started, stopped

from provpack.edge import benchlines, benchlog, schemas
from provpack.errors import EnvironmentProblem
from provpack.jobs.benchdesk import DeskInfo
from provpack.jobs.benchview_after import after_view, packages_view
from provpack.jobs.benchview_chains import chains_view
from provpack.jobs.benchview_intake import carrier_view, carriers_view, receipt_view
from provpack.jobs.load import load_job
from provpack.package.benchfold import Folding, fold
from provpack.package.benchline import LOG_NAME


@pytest.fixture
def evening(tmp_path: Path) -> Evening:
    made = Evening(tmp_path / "job")
    for name in ("T2", "T3", "T4"):
        made.act("taken_in", transfer_id=name)
    return made


def rules(evening: Evening) -> list[str]:
    return [f.rule for f in evening.desk.findings]


def change_second_line(evening: Evening) -> bytes:
    """Another program changes a line in the midst; the log stays as long as it was. Gives it as before."""
    log = evening.folder / LOG_NAME
    before = log.read_bytes()
    log.write_bytes(before.replace(b'"T3"', b'"T9"'))
    return before


def test_a_line_that_is_changed_while_the_desk_is_open_is_told(evening: Evening) -> None:
    assert evening.desk.troubles == []
    before = change_second_line(evening)
    assert evening.desk.refresh(), "a page must be told to look again"
    assert rules(evening) == ["bench-log-broken"] and list(evening.desk.state.transfers) == ["T2"]
    assert not evening.desk.refresh(), "told once"
    (said,) = evening.desk.troubles
    assert "Only line 1 counts" in said and "Do not mend it by hand" in said
    with pytest.raises(EnvironmentProblem) as caught:
        evening.act("noted", note="x")
    assert caught.value.code == "bench-log-broken"
    (evening.folder / LOG_NAME).write_bytes(before)
    assert evening.desk.refresh() and evening.desk.troubles == []
    assert list(evening.desk.state.transfers) == ["T2", "T3", "T4"]
    evening.act("noted", note="x")


def test_an_act_is_refused_though_nobody_looked_meanwhile(evening: Evening) -> None:
    change_second_line(evening)
    with pytest.raises(EnvironmentProblem) as caught:
        evening.act("taken_in", transfer_id="T5")
    assert caught.value.code == "bench-log-broken"
    assert rules(evening) == ["bench-log-broken"]


def test_a_torn_end_is_told_while_it_is_there_and_no_longer(evening: Evening) -> None:
    log = evening.folder / LOG_NAME
    whole = log.read_bytes()
    log.write_bytes(whole + whole.splitlines()[-1][:40])
    assert evening.desk.refresh() and rules(evening) == ["bench-log-torn"]
    assert not evening.desk.refresh()
    evening.act("noted", note="after the power came back")
    assert "bench-log-torn" not in rules(evening)
    assert evening.desk.state.notes[-1].text == "after the power came back"


def test_a_log_taken_away_stays_told(evening: Evening) -> None:
    (evening.folder / LOG_NAME).unlink()
    assert evening.desk.refresh() and rules(evening) == ["bench-log-replaced"]
    evening.act("noted", note="a new log")
    assert rules(evening) == ["bench-log-replaced"], "what is gone is not there again"
    assert evening.desk.state.n == 1


def test_a_line_of_another_program_that_is_not_ours_is_told(evening: Evening) -> None:
    other = {**json.loads((evening.folder / LOG_NAME).read_text().splitlines()[-1]), "kind": "sung"}
    from provpack.edge import chainedfile

    chainedfile.append_new(evening.folder / LOG_NAME, lambda: (other,), benchlog._WORDS)
    assert evening.desk.refresh() and rules(evening) == ["bench-log-line-not-understood"]
    evening.act("noted", note="x")
    assert rules(evening) == ["bench-log-line-not-understood"]


def spoil_link(log: Path) -> None:
    log.rename(log.with_name("elsewhere.jsonl"))
    log.symlink_to("elsewhere.jsonl")


def spoil_folder(log: Path) -> None:
    log.unlink()
    log.mkdir()


def spoil_pipe(log: Path) -> None:
    log.unlink()
    os.mkfifo(log)


@pytest.mark.parametrize("spoil", [spoil_link, spoil_folder, spoil_pipe])
def test_something_else_in_its_place_is_never_silently_no_log(
    evening: Evening, spoil: Callable[[Path], None]
) -> None:
    spoil(evening.folder / LOG_NAME)
    job = load_job(evening.folder)
    assert "bench-log-not-a-file" in {f.rule for f in job.findings if f.severity == "error"}
    assert [t.transfer_id for t in job.transfers] == ["T1"]
    assert evening.desk.refresh() and "bench-log-not-a-file" in rules(evening)
    assert "bench-log-not-a-file" in {f.rule for f in evening.another().findings}


def test_no_log_is_nothing_to_be_told(tmp_path: Path) -> None:
    made = Evening(tmp_path / "job")
    assert not [f for f in load_job(made.folder).findings if f.rule.startswith("bench-")]
    assert made.desk.troubles == []


def test_every_page_is_told(evening: Evening) -> None:
    evening.start("T2", "A")
    evening.act("pass_stopped", transfer_id="T2", outcome="complete")
    log = evening.folder / LOG_NAME
    log.write_bytes(log.read_bytes().replace(b'"complete"', b'"partial!"'))
    evening.desk.refresh()
    desk, info = evening.desk, DeskInfo(destination=evening.folder.parent / "out")
    views = (
        carriers_view(desk, info), carrier_view(desk, info, "T2"), receipt_view(desk, info, ["T2"]),
        chains_view(desk, info), after_view(desk, info, "T2", 1), packages_view(desk, info),
    )  # fmt: skip
    for view in views:
        assert view["troubles"] == desk.troubles and desk.troubles


# --- folded as it comes, and looked at quickly: always as if folded and validated whole ---


def some_line(dice: random.Random, n: int) -> dict[str, Any]:
    transfer, number = dice.choice(["T1", "T2"]), dice.choice([1, 2])
    return dice.choice(
        [
            lambda: started(transfer, number, dice.choice("AB"), n),
            lambda: stopped(transfer, number, n),
            lambda: event(transfer, number, dice.choice(["mute", "hold"]), n),
            lambda: noted("x", n),
            lambda: noted("x", n, transfer_id=transfer),
            lambda: declared(dice.choice(["title", "carrier_id"]), n, None, n),
            lambda: attached(transfer, number, "a.wav", n),
            lambda: judged(transfer, number, "redo", n),
            lambda: back(dice.randint(1, max(n, 1)), n),
        ]
    )()


def test_folding_line_by_line_is_folding_at_once() -> None:
    for seed in range(150):
        dice = random.Random(seed)
        entries = counted(*(some_line(dice, n) for n in range(40)))
        if seed % 5 == 0:
            dice.shuffle(entries)
        folding, states = Folding(), []
        done = 0
        while done < len(entries):
            step = dice.randint(1, 4)
            states.append((done + step, folding.add(entries[done : done + step])))
            done += step
        for upto, state in states:
            whole = fold(entries[:upto])
            assert state == whole, seed
            assert list(state.transfers) == list(whole.transfers), seed


ODD: tuple[Any, ...] = (
    None, "", "x", 0, 1, -1, True, 1.0, 2**70, [], {}, ["a"], "2026-06-02T21:00:00+02:00\n",
    "2026-02-30T21:00:00+02:00", "2026-06-02T21:00:00+02:00", "9" * 128, "x" * 20_001, "9" * 128 + "\n",
    "1.0.0", "1.0.00", {"time": "agrees", "length": "agrees", "input": "agrees"}, {"time": "agrees"},
)  # fmt: skip


def test_the_quick_look_takes_what_the_schema_takes_and_nothing_else() -> None:
    """Judge: the whole schema, by jsonschema. First good lines of every kind, so that much is known."""
    good = counted(
        started("T1", 1, "A", 1, reason="again"), event("T1", 1, "mute", 2, note="x", happened_at=at(1)),
        noted("x", 3, transfer_id="T1", **{"pass": 1}), declared("title", 1, None, 4, note="x"),
        stopped("T1", 1, 5, note="x"), attached("T1", 1, "a.wav", 6, reason="x"), judged("T1", 1, "redo", 7),
        back(7, 8),
    )  # fmt: skip
    for entry in good:
        assert benchlines.foreign(entry) == "" and schemas.validate("bench-entry", entry) == []
    refused = 0
    for entry in good:
        for name in entry:
            for value in ODD:
                spoilt = {**entry, name: value}
                wrong = bool(schemas.validate("bench-entry", spoilt)) or (
                    isinstance(value, float) and name in benchlines._WHOLE
                )
                assert bool(benchlines.foreign(spoilt)) is wrong, (name, value)
                refused += wrong
            shorter = {k: v for k, v in entry.items() if k != name}
            assert bool(benchlines.foreign(shorter)) is bool(schemas.validate("bench-entry", shorter)), name
    assert refused > 500
