"""The facts of a record: of a real one, and of real ones with anything put anywhere."""

from __future__ import annotations

import copy
import hashlib
import json
import random
from pathlib import Path
from typing import Any

import pytest
from support.harvested import empty

from provpack.catalogue.values import Package, Part
from provpack.edge.place import FolderPlace
from provpack.jobs.harvestpackage import package_values
from provpack.jobs.harvestrecord import record_facts
from provpack.jobs.harvestwords import LONGEST_TEXT
from provpack.model.recordrules import judge_record

Json = dict[str, Any]


def test_a_real_record(sealed_record: Json) -> None:
    facts = record_facts(sealed_record)
    assert facts["title"] == "Evening T01" and facts["client"] == "Ambersund Chamber Archive"
    assert facts["transferred_at"] == "2026-06-02T08:00:00Z"  # declared as 10:00:00+02:00
    assert facts["chain_check_at"] == "2026-06-01T06:00:00Z"
    assert facts["check_age_days"] == 2  # 26 hours: older than one day
    assert facts["supersedes"] is None and facts["names_held_back"] is False
    assert facts["operator"] == "Ilse Varrow" and facts["tape_emphasis"] == "on"
    assert facts["label"] == "[no label]"
    assert {"T01.wav"} <= set(facts["notes"].split("\n"))


def test_who_took_part(sealed_record: Json) -> None:
    parts = record_facts(sealed_record)["parts"]
    span = ("2026-06-02T08:00:00Z", "2026-06-02T08:00:01Z")
    of_pass = {(p.role, p.what) for p in parts if p.pass_n == 1 and (p.started_at, p.stopped_at) == span}
    assert of_pass == {
        ("deck", "DECK-1"), ("decoder", "DEC-1"), ("capture_device", "CAP-1"), ("chain", "A"),
        ("capture_input", "CAP-1 input 1"), ("digital_output_board", "as built"),
        ("software", "Larkfile 2.6"), ("operator", "Ilse Varrow"),
    }  # fmt: skip


def test_a_pass_over_another_chain_has_only_what_it_names(sealed_record: Json) -> None:
    record = copy.deepcopy(sealed_record)
    first = {k: v for k, v in record["processing"]["passes"][0].items() if not k.startswith("capture_")}
    record["processing"]["passes"].append(
        {**first, "n": 2, "chain_id": "B", "deck_id": "DECK-9", "decoder_id": "DEC-9",
         "started_at": "2026-06-03", "stopped_at": "2026-06-03"}
    )  # fmt: skip
    record["path_equipment"] = [
        {"equipment_id": "CBL-4", "kind": "cable", "fitted_to": "B", "took_part": "unknown", "pass_n": 2},
        {"equipment_id": "CLK-1", "kind": "clock", "fitted_to": "B", "took_part": "yes"},
    ]
    record["people"]["qc_by"] = "Per Sandvig"
    parts = record_facts(record)["parts"]
    second = {(p.role, p.what) for p in parts if p.pass_n == 2}
    assert second == {
        ("deck", "DECK-9"), ("decoder", "DEC-9"), ("chain", "B"), ("operator", "Ilse Varrow"),
        ("cable", "CBL-4"),
    }  # fmt: skip
    # a day may mean any time of it anywhere: the window is as wide as that
    assert {(p.started_at, p.stopped_at) for p in parts if p.pass_n == 2} == {
        ("2026-06-02T10:00:00Z", "2026-06-04T12:00:00Z")
    }
    assert {Part(what="CLK-1", role="clock"), Part(what="Per Sandvig", role="qc_by")} <= set(parts)


def test_what_no_pass_speaks_of_may_have_taken_part_at_any_time(sealed_record: Json) -> None:
    record = copy.deepcopy(sealed_record)
    record["processing"]["passes"] = []
    parts = [p for p in record_facts(record)["parts"] if p.role in ("deck", "decoder", "capture_input")]
    assert [(p.what, p.pass_n, p.started_at, p.stopped_at) for p in parts] == [
        ("DECK-1", None, None, None), ("DEC-1", None, None, None), ("CAP-1 input 1", None, None, None),
    ]  # fmt: skip
    assert record_facts(record)["check_age_days"] is None


EVENTS = [
    {"type": "mute", "start": 1000, "length": 100, "channel": 0},
    {"type": "hold", "start": 1050, "length": 100, "channel": 1},
    {"type": "click", "start": 5000, "length": 10, "channel": 0},
    {"type": "digital_silence", "start": 0, "length": 900, "channel": None},
    {"type": "unlock", "start": 7000, "length": 900, "channel": None},
]


@pytest.mark.parametrize(
    ("change", "events", "frames"),
    [
        (
            {"events_detected": EVENTS, "event_counts": {"mute": 1, "hold": 1, "click": 1, "unlock": 1}},
            3,
            160,
        ),
        ({"events_detected": EVENTS, "event_counts": None}, 3, 160),
        ({"events_detected": [], "event_counts": {"mute": 0}}, 0, 0),
        ({"events_detected": [], "event_counts": None}, 0, 0),
        # not looked for is not the same as none
        ({"events_detected": None, "event_counts": None}, None, None),
        ({"events_detected": [], "event_counts": {"clipped_run": 0}}, None, None),
        ({"events_detected": "many", "event_counts": "many"}, None, None),
    ],
)
def test_damage_is_what_was_measured_and_channels_count_once(
    sealed_record: Json, change: Json, events: int | None, frames: int | None
) -> None:
    record = copy.deepcopy(sealed_record)
    record["measured"] |= change
    record["signal"]["sampling_frequency"] = {"num": 44100, "den": 1}
    facts = record_facts(record)
    seconds = None if frames is None else frames / 44100
    assert facts["damage_events"] == events and facts["damage_seconds"] == pytest.approx(seconds)


@pytest.mark.parametrize(
    ("check", "begun", "age"),
    [
        ("2026-05-01T08:00:00+02:00", "2026-06-02T10:00:00+02:00", 33),
        ("2026-05-02T10:00:00+02:00", "2026-06-01T10:00:00+02:00", 30),
        ("2026-05-02T10:00:00+02:00", "2026-06-02T09:59:59+02:00", 31),
        ("2026-06-02T10:00:00+02:00", "2026-06-02T10:00:00+02:00", 0),
        ("2026-06-02", "2026-06-02T10:00:00+02:00", 0),
        ("2026-06-03T08:00:00+02:00", "2026-06-02T10:00:00+02:00", None),  # made after it: none before
        (None, "2026-06-02T10:00:00+02:00", None),
        ("2026-05-01", None, None),
    ],
)
def test_age_of_the_chain_check(
    sealed_record: Json, check: str | None, begun: str | None, age: int | None
) -> None:
    record = copy.deepcopy(sealed_record)
    record["capture"]["chain_check_at"] = check
    record["processing"]["passes"][0]["started_at"] = begun
    assert record_facts(record)["check_age_days"] == age
    old = [f for f in judge_record(record) if f.rule == "rec-chain-check-old"]
    assert bool(old) == (age is not None and age > 30)  # rule 30 and the column agree
    assert not old or f"{age} days old" in old[0].what


def test_the_age_of_a_check_counts_to_the_first_pass_on_its_chain(sealed_record: Json) -> None:
    record = copy.deepcopy(sealed_record)
    record["capture"] |= {"chain_id": "C", "chain_check_at": "2026-05-05T10:00:00+02:00"}
    first = record["processing"]["passes"][0]
    first |= {"chain_id": "A", "started_at": "2026-06-01T11:00:00+02:00", "stopped_at": None}
    second = {**first, "n": 2, "chain_id": "C", "started_at": "2026-06-10T11:00:00+02:00"}
    record["processing"]["passes"].append(second)
    assert record_facts(record)["check_age_days"] == 37
    assert record_facts(record)["transferred_at"] == "2026-06-01T09:00:00Z"
    assert "rec-chain-check-old" in {f.rule for f in judge_record(record)}
    # a check between the two is no check that came too late
    record["capture"]["chain_check_at"] = "2026-06-05T10:00:00+02:00"
    assert record_facts(record)["check_age_days"] == 6
    assert not {f.rule for f in judge_record(record)} & {"rec-chain-check-after", "rec-chain-check-old"}
    del second["chain_id"]  # then it ran on the chain of the record
    assert record_facts(record)["check_age_days"] == 6
    second["chain_id"] = "B"
    assert record_facts(record)["check_age_days"] is None  # no pass on it is dated


@pytest.mark.parametrize(
    ("earlier", "told"),
    [
        ({"record_id": "0F" * 16, "tagmanifest_sha512": "AB" * 64, "reason": "x"}, "ab" * 64),
        ({"record_id": "0f" * 16, "reason": "x"}, "0f" * 16),
        (None, None),
        (["ab" * 64], None),
    ],
)
def test_what_it_supersedes(sealed_record: Json, earlier: Any, told: str | None) -> None:
    assert record_facts({**sealed_record, "supersedes": earlier})["supersedes"] == told


def test_names_held_back_are_noticed(sealed_record: Json) -> None:
    held = [{"label": "Operator 1", "roles": ["/people/operator"], "commitment_sha256": "ab" * 32}]
    assert record_facts({**sealed_record, "held_back": held})["names_held_back"] is True
    assert record_facts({**sealed_record, "held_back": []})["names_held_back"] is False


def test_emphasis_of_a_transfer_without_audio_is_not_told(sealed_record: Json) -> None:
    record = {k: v for k, v in sealed_record.items() if k != "signal"}
    record |= {"audio_sha256": None, "measured": None, "outcome": "no_pcm_found"}
    facts = record_facts(record)
    assert facts["tape_emphasis"] is None and facts["file_emphasis"] is None
    assert facts["audio_sha256"] is None and facts["outcome"] == "no_pcm_found"
    record["signal"] = {"tape_emphasis": "not_applicable"}
    assert record_facts(record)["tape_emphasis"] == "not_applicable"


def test_free_texts_are_bounded_and_told_once(sealed_record: Json) -> None:
    record = copy.deepcopy(sealed_record)
    record["processing"]["transfer_events"] = [{"frame": n, "note": f"creak {n % 7}"} for n in range(1000)]
    record["condition"]["condition_note"] = "Spool rubs."
    notes = record_facts(record)["notes"].split("\n")
    assert notes.count("creak 3") == 1 and "Spool rubs." in notes
    record["outcome_note"] = "long " * 10_000
    assert len(record_facts(record)["notes"]) <= LONGEST_TEXT + 1


ODD: tuple[Any, ...] = (
    None, True, -1, 0, 10**30, 1e308, float("nan"), "", " ", "x" * 30_000, "\ud83d", "\0", "9999-99-99",
    "0001-01-01", "2031-05-04T25:00:00Z", [], {}, [[]], [{}], [None, 1, "a"], {"num": 0, "den": 0}, {"n": {}},
    "\u202e", "'; DROP TABLE package; --",
)  # fmt: skip


def spoiled(record: Json, dice: random.Random) -> Json:
    """The record with one to six values exchanged for odd ones, anywhere; sometimes a list grown long."""
    record = copy.deepcopy(record)
    for _ in range(dice.randint(1, 6)):
        place: Any = record
        while True:
            keys = list(place) if isinstance(place, dict) else range(len(place))
            key = dice.choice(list(keys))
            if isinstance(place[key], dict | list) and place[key] and dice.random() < 0.8:
                place = place[key]
                continue
            if isinstance(place, list) and dice.random() < 0.2:
                place.extend([copy.deepcopy(place[key])] * 50)
            else:
                place[key] = copy.deepcopy(dice.choice(ODD))
            break
    return record


def test_hostile_records_are_listed_and_stored(sealed_shelf: Path, tmp_path: Path) -> None:
    """Seeded; a record of a stranger costs nothing but what it does not tell."""
    source = sealed_shelf / "job-1_t01"
    base: Json = json.loads((source / "data/metadata/record.json").read_text(encoding="utf-8"))
    dice = random.Random(20310504)
    told: list[Package] = []
    bag = tmp_path / "bag"
    (bag / "data" / "metadata").mkdir(parents=True)
    for name in ("bagit.txt", "READ-ME-FIRST.txt"):
        (bag / name).write_bytes((source / name).read_bytes())
    for n in range(300):
        data = json.dumps(spoiled(base, dice)).encode()
        (bag / "data/metadata/record.json").write_bytes(data)
        line = f"{hashlib.sha512(data).hexdigest()}  data/metadata/record.json\n"
        (bag / "manifest-sha512.txt").write_text(line)
        place = FolderPlace(bag)
        place.shown = f"/odd/{n}"
        package = package_values(place)
        assert "failed" not in package.problem, package.problem
        assert package.ours and "is not what was sealed" not in package.problem
        told.append(package)
    with empty() as catalogue:
        with catalogue.writing() as writer:
            for package in told:
                writer.package(package)
        assert catalogue.ask.size()["packages"] == 300
        rules = {rule: n for rule, _, n in catalogue.ask.rules_raised()}
        assert rules["bag-record-invalid"] > 200
