"""Positions and durations as METS and Dublin Core write them, and which copies share the master's time line.

Neither has a unit for sample frames (mets.xsd 1.12.1, `BETYPE`, `EXTTYPE`: TIME is the nearest). A time is
therefore computed exactly from frames and rate and rounded to the microsecond, half a frame being 2.6
microseconds even at 192 kHz, so that the frame can be had back; the frames stand beside it in words.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from provpack.errors import RecordProblem
from provpack.model.rates import frames_to_seconds, rate_from_json, rate_to_json
from provpack.package.premis_view import Json, View, at, rows

# Steps that leave every position where it was, in time. `relabel` and `resample` do not belong here: the one
# changes how long a second lasts; the other may move the first sample. Nor does `encoding`: lossy coders pad.
KEEPS_TIME = frozenset(
    {
        "metadata_modification",
        "container_change",
        "decoder_deemphasis",
        "deemphasis",
        "deskew",
        "word_length_change",
        "dither",
        "gain",
        "channel_swap",
        "polarity_inversion",
        "dc_removal",
    }
)
_MICRO = 1_000_000


def rate_of(record: Json) -> Fraction | None:
    """The exact sampling frequency, Hz; None when the record has none."""
    try:
        return rate_from_json(at(record, "signal", "sampling_frequency"))
    except RecordProblem:
        return None


def rate_words(rate: Fraction) -> str:
    """`44100000/1001 Hz`, always as a fraction."""
    exact = rate_to_json(rate)
    return f"{exact['num']}/{exact['den']} Hz"


def _parts(frames: int, rate: Fraction) -> tuple[int, int, int, int]:
    """Hours, minutes, seconds, microseconds; rounded to the nearest microsecond, a half up."""
    micro = (frames_to_seconds(frames, rate) * _MICRO + Fraction(1, 2)).__floor__()
    seconds, micro = divmod(micro, _MICRO)
    return seconds // 3600, seconds // 60 % 60, seconds % 60, micro


def clock_time(frames: int, rate: Fraction) -> str:
    """A position as HH:MM:SS.ffffff from the first frame of the file, for BETYPE="TIME"."""
    hours, minutes, seconds, micro = _parts(frames, rate)
    return f"{hours:02d}:{minutes:02d}:{seconds:02d}.{micro:06d}"


def iso_duration(frames: int, rate: Fraction) -> str:
    """A duration as PT1H2M3.456789S (ISO 8601-1:2019, 5.5.2), trailing zeros of the fraction left out."""
    hours, minutes, seconds, micro = _parts(frames, rate)
    fraction = f".{micro:06d}".rstrip("0").rstrip(".")
    return f"PT{hours}H{minutes}M{seconds}{fraction}S"


def exact_duration(record: Json) -> tuple[int, Fraction] | None:
    """Frames measured and the exact rate; None when there is no audio or its rate is not known."""
    frames, rate = at(record, "measured", "frames"), rate_of(record)
    return (frames, rate) if isinstance(frames, int) and rate is not None else None


def keeps_time(view: View, file: Any) -> bool:
    """Whether a derivative has the master's time line: it was made from a master, all steps that made it are
    known, and none of them moves a position."""
    parent = view.by_digest.get(str(file.get("parent")))
    masters = view.named("master")
    if parent not in (*masters, *(view.received[m] for m in masters if m in view.received)):
        return False
    made = set(view.made_by_steps(file))
    steps = rows(at(view.record, "processing", "processing_steps"))
    kinds = [step.get("type") for i, step in enumerate(steps, start=1) if f"processing-{i}" in made]
    return bool(kinds) and all(kind in KEEPS_TIME for kind in kinds)
