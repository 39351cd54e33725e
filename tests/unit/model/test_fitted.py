"""What was fitted to a machine or chain while a pass ran. Moments and answers worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest

from provpack.model.fitted import fitted_during
from provpack.model.formats import read_moment


def register(*entries: dict[str, Any]) -> dict[str, object]:
    return {"equipment": list(entries)}


def board(**stay: str) -> dict[str, Any]:
    return {"id": "BRD-1", "kind": "digital_output_board", "fitted": [{"equipment_id": "DEC-1", **stay}]}


def told(
    document: dict[str, object], started: str | None, stopped: str | None, chain: str | None = None
) -> list[tuple[str, str, str]]:
    found = fitted_during(document, {"DEC-1"}, chain, read_moment(started), read_moment(stopped))
    return [(one.equipment_id, one.to, one.took_part) for one in found]


BEGUN, ENDED = "2031-05-05T10:00:00+02:00", "2031-05-05T11:00:00+02:00"


@pytest.mark.parametrize(
    ("stay", "started", "stopped", "answer"),
    [
        ({}, BEGUN, ENDED, "yes"),
        ({}, None, None, "yes"),
        ({"since": "2031-05-01"}, BEGUN, ENDED, "yes"),
        ({"since": "2031-05-01"}, None, None, "unknown"),
        ({"since": "2031-05-05"}, BEGUN, ENDED, "unknown"),  # at which hour of that day is not said
        ({"since": "2031-05-05T09:59:00+02:00"}, BEGUN, ENDED, "yes"),
        ({"since": "2031-05-05T08:00:00Z"}, BEGUN, ENDED, "yes"),  # the very moment the pass began
        ({"since": "2031-05-05T10:30:00+02:00"}, BEGUN, ENDED, "unknown"),  # fitted in the middle of it
        ({"since": "2031-05-05T09:01:00Z"}, BEGUN, ENDED, None),
        ({"since": "2031-05-08"}, BEGUN, ENDED, None),
        ({"until": "2031-05-08"}, BEGUN, ENDED, "yes"),
        ({"until": "2031-05-05T10:59:00+02:00"}, BEGUN, ENDED, "unknown"),
        ({"until": "2031-05-05T07:59:00Z"}, BEGUN, ENDED, None),
        ({"until": "2031-05-08"}, BEGUN, None, "unknown"),  # nobody noted when the pass ended
        ({"until": "2031-05-02"}, BEGUN, None, None),
        ({"since": "not a day"}, BEGUN, ENDED, "unknown"),
    ],
)
def test_times_decide_or_leave_it_open(
    stay: dict[str, str], started: str | None, stopped: str | None, answer: str | None
) -> None:
    wanted = [("BRD-1", "DEC-1", answer)] if answer else []
    assert told(register(board(**stay)), started, stopped) == wanted


def test_firmware_in_a_board_in_a_decoder_and_a_cable_of_the_chain() -> None:
    firmware = {"id": "FW-2", "fitted": [{"equipment_id": "BRD-1", "since": "2031-05-05"}]}
    cable = {"id": "CAB-7", "fitted": [{"chain_id": "B"}, {"chain_id": "A", "until": "2031-06-01"}]}
    both = {"id": "CLK-1", "fitted": [{"equipment_id": "DEC-1", "chain_id": "B"}]}
    document = register(firmware, board(), cable, both)
    assert told(document, BEGUN, ENDED, "A") == [
        ("FW-2", "BRD-1", "unknown"),
        ("BRD-1", "DEC-1", "yes"),
        ("CAB-7", "A", "yes"),
    ]
    assert told(document, BEGUN, ENDED, "B")[-2:] == [("CAB-7", "B", "yes"), ("CLK-1", "DEC-1", "yes")]


def test_the_surest_of_several_stays_counts_and_circles_end() -> None:
    twice = {
        "id": "BRD-1",
        "fitted": [{"equipment_id": "DEC-1", "since": "2031-05-05"}, {"equipment_id": "DEC-1"}],
    }
    one, two = (
        {"id": "X-1", "fitted": [{"equipment_id": "X-2"}, {"equipment_id": "DEC-1"}]},
        {"id": "X-2", "fitted": [{"equipment_id": "X-1"}]},
    )
    assert told(register(twice), BEGUN, ENDED) == [("BRD-1", "DEC-1", "yes")]
    assert told(register(one, two), BEGUN, ENDED) == [("X-1", "DEC-1", "yes"), ("X-2", "X-1", "yes")]


def test_a_chain_of_boards_is_followed_to_a_bounded_depth() -> None:
    """One level per look at the register when the innermost stands first; eight levels are followed."""
    nested = [{"id": f"B-{n}", "fitted": [{"equipment_id": f"B-{n - 1}"}]} for n in range(12, 1, -1)]
    found = told(register(*nested, {"id": "B-1", "fitted": [{"equipment_id": "DEC-1"}]}), BEGUN, ENDED)
    assert [name for name, _, _ in found] == [f"B-{n}" for n in range(8, 0, -1)]


@pytest.mark.parametrize(
    "entry", [{}, {"id": 3}, {"id": "A", "fitted": 3}, {"id": "A", "fitted": [3, {"equipment_id": 4}, {}]}]
)
def test_a_register_of_wrong_types_tells_nothing(entry: dict[str, Any]) -> None:
    assert told(register(entry), BEGUN, ENDED) == []
