"""measurements.json as the program itself would write it, of sound made in memory."""

from __future__ import annotations

from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from provpack.jobs.measurements import measured, measurements_json
from provpack.measure.analysis import Analysers
from provpack.measure.levels import LevelsSink
from provpack.measure.pcm import PcmLayout
from support.interleave import music

R525 = Fraction(44_100_000, 1001)
AT = datetime(2031, 5, 6, 16, 38, tzinfo=UTC)


def tape(seconds: float) -> npt.NDArray[np.int16]:
    """A bright, loud 14-bit stereo tape of one converter for both channels, without damage: (frames, 2)."""
    return music(3, seconds, bits=14, level="loud", tone="bright")


def measure(
    codes: npt.NDArray[np.integer],
    *,
    rate: Fraction = R525,
    declared_bits: int | None = 14,
    line_standard: str | None = "525_5994",
) -> tuple[dict[str, Any], dict[str, Any]]:
    """(measurements.json, the record's `measured`) of codes (frames, channels), 16 or 32 bits wide."""
    codes = np.ascontiguousarray(codes)
    layout = PcmLayout(channels=codes.shape[1], container_bytes=codes.dtype.itemsize)
    analysers = Analysers(
        layout=layout,
        frames=len(codes),
        rate=rate,
        header_rate=round(rate),
        declared_bits=declared_bits,
        line_standard=line_standard,
    )
    levels = LevelsSink(layout, len(codes))
    data = codes.tobytes()
    for sink in (levels, *analysers.sinks):
        sink.feed(data)
    found, analysis = levels.finish(), analysers.finish()
    document = measurements_json(found, analysis, path="data/master/tape.wav", rate=rate, at=AT)
    return document, measured(found, analysis, rate, AT)
