"""Sound of an invented tape, damaged on purpose, and what the program measures in it."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.interleave import play
from support.measured import R525, measure, tape

Json = dict[str, Any]
SECONDS = 45
MUTE, HOLD, WIDE = (900_000, 3000), (600_000, 900), (400_000, 640)
LINE_525 = 4_500_000 / 286


@pytest.fixture(scope="session")
def damaged_tape() -> tuple[Json, Json]:
    """(measurements.json, record's measured) of a tape with a line tone, dropouts in every tenth of a second
    of its first third, one mute, one held value, and a stretch of 16 bits."""
    codes = tape(SECONDS)
    whistle = (30 * np.cos(2 * np.pi * LINE_525 / float(R525) * np.arange(len(codes)))).astype(np.int16) & ~3
    places = [(int(at), 40) for at in np.arange(4000, len(codes) // 9, 1470)]
    codes = play(codes + whistle[:, None], bits=14, bursts=places, how="interpolation").codes
    codes[MUTE[0] : sum(MUTE)] = 0
    codes[HOLD[0] : sum(HOLD)] = codes[HOLD[0]]
    codes[WIDE[0] : sum(WIDE)] |= 3
    codes[:44100] = 0
    return measure(codes)


@pytest.fixture(scope="session")
def clean_tape() -> tuple[Json, Json]:
    """The same without any of it."""
    return measure(tape(12))


@pytest.fixture
def record() -> Callable[[Json], Json]:
    """A record about such a tape with the given `measured`."""
    path = Path(__file__).parent / "records" / "pcm-14-bit.json"
    base: Json = json.loads(path.read_text(encoding="utf-8"))

    def made(measured: Json) -> Json:
        record = copy.deepcopy(base)
        record["measured"] = measured
        frames = measured["frames"]
        record["signal"]["signal_state_ranges"] = [
            {"start": 0, "end": frames // 2, "emphasis": "on", "mode": "14", "evidence": ["indicator"]},
            {"start": frames // 2, "end": frames, "emphasis": "unknown", "note": "lamp flickers"},
        ]
        for n, event in enumerate(record["processing"]["transfer_events"]):
            if isinstance(event.get("frame"), int):
                event["frame"] = n * frames // 9
        return record

    return made
