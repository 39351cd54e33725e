"""Who did what when. RFC 3339 for moments with offset, EDTF (ISO 8601-2) for the date of the recording."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from provpack.report.timeline import timeline

Json = dict[str, Any]


@pytest.fixture
def record() -> Json:
    path = Path(__file__).parent / "records" / "pcm-14-bit.json"
    made: Json = json.loads(path.read_text(encoding="utf-8"))
    return made


def test_everything_that_happened_stands_in_order_and_says_how_it_is_known(record: Json) -> None:
    record["item"]["recorded_date"] = "1984-05"
    seen = timeline(record)
    assert [(step.what, step.kind) for step in seen.dated] == [
        ("Recorded", "declared"),
        ("Custody: received", "declared"),
        ("Consent to treatment: mould treatment", "declared"),
        ("Treatment: mould treatment", "declared"),
        ("Condition assessed", "declared"),
        ("Equipment suspect: D5", "declared"),
        ("Chain check passed", "declared"),
        ("Pass 1", "declared"),
        ("Pass 2", "declared"),
        ("Equipment cleared: D5", "declared"),
        ("Rule set aside: rec-shared-converter", "declared"),
        ("Sound measured", "measured"),
        ("Processing: de-emphasis", "declared"),
        ("Package made and sealed", "derived"),
        ("Custody: returned", "declared"),
    ]
    assert seen.undated == ()
    one = next(step for step in seen.dated if step.what == "Pass 1")
    assert (one.when, one.who) == ("2031-05-05 10:00:00 +02:00", "operator-1, deck D2")
    assert one.result == "until 2031-05-05 10:14:40 +02:00; partial"


def test_a_step_the_program_noted_is_not_called_declared(record: Json) -> None:
    record["derived"] = [{"field": "/processing/processing_steps/0", "from": ["/files"], "how": "noted"}]
    step = next(s for s in timeline(record).dated if s.what.startswith("Processing"))
    assert step.kind == "derived"


def test_what_has_no_date_stands_at_the_end(record: Json) -> None:
    record["processing"]["passes"][1]["started_at"] = None
    record["condition"]["condition_assessed_at"] = None
    record["condition"]["treatments"][0].pop("start")
    seen = timeline(record)
    assert [s.what for s in seen.undated] == ["Treatment: mould treatment", "Pass 2"]
    assert all(s.when == "date not known" and s.at == "" for s in seen.undated)
    assert "Condition assessed" not in [s.what for s in seen.dated], "null says that nobody assessed it"
    assert len(seen.dated) == len(timeline(_whole(record)).dated) - 3


def _whole(record: Json) -> Json:
    whole = copy.deepcopy(record)
    whole["processing"]["passes"][1]["started_at"] = "2031-05-05T11:00:00+02:00"
    whole["condition"]["condition_assessed_at"] = "2031-05-02T09:15:00+02:00"
    whole["condition"]["treatments"][0]["start"] = "2031-05-02"
    return whole


def test_a_day_begins_where_the_package_was_made(record: Json) -> None:
    # 23:30 UTC on 4 May is 01:30 on 5 May at +02:00, so it is after "5 May" there.
    record["processing"]["passes"][0]["started_at"] = "2031-05-04T23:30:00Z"
    what = [s.what for s in timeline(record).dated]
    assert what.index("Equipment suspect: D5") < what.index("Pass 1")
    record["processing"]["passes"][0]["started_at"] = "2031-05-04T21:30:00Z"
    what = [s.what for s in timeline(record).dated]
    assert what.index("Pass 1") < what.index("Equipment suspect: D5")


@pytest.mark.parametrize("said", ["XXXX", "", None, "unknown"])
def test_a_recording_of_unknown_date_is_not_put_first(record: Json, said: str | None) -> None:
    record["item"]["recorded_date"] = said
    assert timeline(record).dated[0].what != "Recorded"


@pytest.mark.parametrize("at", ["yesterday", "2031-02-30", "9999-12-31T23:59:59-12:00", 7, None])
def test_what_is_no_date_stands_at_the_end(record: Json, at: Any) -> None:
    record["processing"]["passes"][0]["started_at"] = at
    assert "Pass 1" in [s.what for s in timeline(record).undated]


def test_nothing_but_the_sealing(record: Json) -> None:
    only = {"made_by": record["made_by"], "package_name": "p"}
    assert [s.what for s in timeline(only).dated] == ["Package made and sealed"]
    assert timeline({}).dated == ()
