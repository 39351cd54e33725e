"""How much is told of what to listen for, from both sides of each limit. The numbers are those that stand in
provpack/package/listening.py (ours): two seconds, thirty seconds, four stretches, eight of a kind.

At 44100/1.001 Hz two seconds are 88 111.9 frames and thirty seconds 1 321 678.3. [computed]
"""

from __future__ import annotations

from typing import Any

import pytest

from provpack.package.listening import listening

TWO_SECONDS, THIRTY_SECONDS, MINUTE = 88_111, 1_321_678, 2_643_357


def told(
    *,
    found: list[int] | None = None,
    noted: list[int] | None = None,
    ranges: list[dict[str, Any]] | None = None,
) -> list[str]:
    """found: first frames of measured mutes; noted: frames of mutes in the log."""
    measured = [{"type": "mute", "start": n, "length": 40, "channel": None} for n in found or []]
    logged = [{"type": "mute", "frame": n, "origin": "seen"} for n in noted or []]
    signal = {
        "sampling_frequency": {"num": 44_100_000, "den": 1001}, "file_emphasis": "mixed",
        "signal_state_ranges": ranges or [],
    }  # fmt: skip
    return listening(
        {
            "audio_sha256": "a", "signal": signal, "measured": {"channels": 2, "events_detected": measured},
            "processing": {"transfer_events": logged},
        }
    )  # fmt: skip


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("apart", "same"), [(TWO_SECONDS, True), (TWO_SECONDS + 1, False)])
def test_what_was_noted_within_two_seconds_is_the_same(sign: int, apart: int, same: bool) -> None:
    lines = told(found=[THIRTY_SECONDS + sign * apart], noted=[THIRTY_SECONDS])
    (noted,) = [line for line in lines if "noted by a person" in line]
    assert noted == f"At 0:00:29: mute (noted by a person{'; measured there too' * same})."
    assert len(lines) == (1 if same else 2)


@pytest.mark.parametrize(
    ("apart", "times"),
    [(THIRTY_SECONDS, "From 0:00:00 to 0:00:29"), (THIRTY_SECONDS + 1, "At 0:00:00 and 0:00:30")],
)
def test_places_within_thirty_seconds_are_one_stretch(apart: int, times: str) -> None:
    assert told(found=[0, apart]) == [
        f"{times}: 2 mutes: the sound is cut to zero, in both channels (measured)."
    ]


@pytest.mark.parametrize(
    ("many", "times"),
    [
        (4, "At 0:00:00, 0:01:00, 0:02:00 and 0:03:00: 4 mutes"),
        (5, "From 0:00:00 to 0:04:00, most of them in the minute from 0:00:00: 5 mutes"),
    ],
)
def test_four_stretches_are_told_one_by_one(many: int, times: str) -> None:
    (said,) = told(found=[n * MINUTE for n in range(many)])
    assert said.startswith(times)


@pytest.mark.parametrize("many", [8, 9])
def test_eight_notes_are_told_one_by_one(many: int) -> None:
    lines = told(noted=[n * MINUTE for n in range(many)])
    if many == 8:
        assert lines == [f"At 0:0{n}:00: mute (noted by a person)." for n in range(8)]
    else:
        (said,) = lines
        assert said.endswith(": mute, 9 times (noted in the log).")


@pytest.mark.parametrize("many", [8, 9])
def test_up_to_eight_the_log_speaks_for_what_was_found_as_well(many: int) -> None:
    places = [n * MINUTE for n in range(many)]
    measured = [line for line in told(found=places, noted=places) if line.endswith("(measured).")]
    assert len(measured) == (many > 8)


@pytest.mark.parametrize("many", [8, 9])
def test_eight_stretches_with_pre_emphasis_are_told_one_by_one(many: int) -> None:
    ranges = [{"start": 2 * n * MINUTE, "end": (2 * n + 1) * MINUTE, "emphasis": "on"} for n in range(many)]
    lines = told(ranges=ranges)
    assert [line[:23] for line in lines[:8]] == [
        f"From 0:{2 * n:02}:00 to 0:{2 * n + 1:02}:00" for n in range(8)
    ]
    more = "From 0:16:00 on: 1 more stretch like these; the record lists them."
    assert lines[8:] == [more] * (many - 8)
