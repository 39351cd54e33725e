"""Clean tapes must raise no measured finding at all.

Music of the demo's synthesiser, loud and quiet, bright and dull, 14 and 16 bits, both line standards,
declared as what they are and with the outcome clean.

    .venv/bin/python -m pytest -m perf -s tests/unit/measuring/test_false_alarms.py      # 200 tapes of 20 s
"""

from __future__ import annotations

import copy
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from support.interleave import music
from support.measured import measure

from provpack.model.measuredrules import RULES
from provpack.model.recordrules import judge_record

RECORDS = Path(__file__).parents[2] / "cases" / "records" / "valid"
DOMAIN = {"rec-effective-bits-above", "rec-effective-bits-below", "rec-line-pilot", "rec-clean-with-faults"}
MEASURED = {rule.id for rule in RULES} | DOMAIN
KINDS: dict[int, tuple[str, Fraction, str]] = {
    14: ("plain-14-bit-625", Fraction(44100), "625_50"),
    16: ("sixteen-bit-525", Fraction(44_100_000, 1001), "525_5994"),
}


def alarms(seed: int, seconds: float) -> list[str]:
    bits = 14 if seed % 2 else 16
    name, rate, standard = KINDS[bits]
    level: Any = ("loud", "quiet")[seed // 2 % 2]
    tone: Any = ("bright", "dull")[seed // 4 % 2]
    codes = music(5000 + seed, seconds, bits=bits, level=level, tone=tone)
    _, measured = measure(codes, rate=rate, declared_bits=bits, line_standard=standard)
    record = copy.deepcopy(json.loads((RECORDS / f"{name}.json").read_text(encoding="utf-8")))
    record |= {"measured": measured, "outcome": "clean"}
    record["decoder"]["shared_converter"] = "yes"
    record["signal"]["channel_use"] = "stereo"
    return [f"{seed}: {f.rule}: {f.what}" for f in judge_record(record) if f.rule in MEASURED]


@pytest.mark.parametrize("seed", range(8))
def test_a_clean_tape_raises_nothing(seed: int) -> None:
    assert alarms(seed, 8) == []


@pytest.mark.perf
def test_two_hundred_clean_tapes_raise_nothing() -> None:
    found = [alarm for seed in range(200) for alarm in alarms(seed, 20)]
    print(f"\nmeasured findings on 200 clean tapes, 66.7 minutes: {len(found)}", *found, sep="\n")
    assert not found
