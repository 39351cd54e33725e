"""Exact sampling frequencies, and sample frames <-> time by exact rational arithmetic.

44100/1.001 Hz is 44 055.944 Hz; calling it 44 100 shortens an hour by 3.6 s (domain note 1.4, computed
there from 245 lines x 3 samples x 60/1.001 fields). So no float ever takes part in a conversion here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import Final

from provpack.errors import RecordProblem

FIELDS_PER_SECOND: Final[Mapping[str, Fraction]] = MappingProxyType(
    {"525_5994": Fraction(60000, 1001), "525_60": Fraction(60), "625_50": Fraction(50)}
)
"""Fields per second by line standard (60/1.001, 60, 50)."""

_EIAJ_LINES: Final = {"525_5994": 245, "525_60": 245, "625_50": 294}
_SAMPLES_PER_LINE: Final = 3
_SCALE: Final = 1001
_PCM_ON_VIDEO: Final = ("eiaj_14", "ext_16")


def rate_from_json(value: object) -> Fraction:
    """{"num": 44100000, "den": 1001} -> Fraction, Hz. Raises RecordProblem for anything else."""
    if isinstance(value, Mapping):
        num, den = _whole(value.get("num")), _whole(value.get("den"))
        if num is not None and den is not None:
            return Fraction(num, den)
    raise RecordProblem(
        "rate-unreadable",
        f"{value!r} is not a sampling frequency: it takes whole numbers num and den, both above 0.",
        where="sampling_frequency",
        todo='Write it as a fraction, for example {"num": 44100000, "den": 1001} for 44 055.944 Hz.',
    )


def _whole(value: object) -> int | None:
    """A whole number above 0; JSON's 44100.0 counts (JSON Schema 2020-12 validation, 6.1.1)."""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return value if isinstance(value, int) and not isinstance(value, bool) and value > 0 else None


def rate_to_json(rate: Fraction) -> dict[str, int]:
    """Fraction, Hz -> {"num": ..., "den": ...}: over 1001 where the trade writes it so, else lowest terms."""
    num, den = _trade_terms(rate)
    return {"num": num, "den": den}


def _trade_terms(rate: Fraction) -> tuple[int, int]:
    """44100/1.001 is written 44100000/1001 everywhere; a Fraction makes 6300000/143 of it."""
    den = _SCALE if rate.denominator > 1 and _SCALE % rate.denominator == 0 else rate.denominator
    return rate.numerator * (den // rate.denominator), den


def format_rate(rate: Fraction) -> str:
    """For people: "44100 Hz", or "44100000/1001 Hz (44055.944 Hz)" when it is not whole."""
    if rate.denominator == 1:
        return f"{rate.numerator} Hz"
    milli = round(rate * 1000)
    num, den = _trade_terms(rate)
    return f"{num}/{den} Hz ({milli // 1000}.{milli % 1000:03d} Hz)"


def parse_rate(text: str) -> Fraction:
    """ "44100", "44100/1", "44100000/1001" or "48000 Hz" -> Fraction, Hz; RecordProblem otherwise.

    Decimals are refused: 44055.944 is a rounded figure of 44100000/1001 and would not be exact.
    """
    # Blanks are taken possessively: two runs of them side by side would be tried in every division.
    found = re.fullmatch(r"([0-9]{1,12})\s*+(?:/\s*+([0-9]{1,9})\s*+)?(?:Hz)?", text.strip())
    if found and int(found[1]) > 0 and int(found[2] or "1") > 0:
        return Fraction(int(found[1]), int(found[2] or "1"))
    raise RecordProblem(
        "rate-unreadable",
        f'"{text[:60]}" is not an exact sampling frequency.',
        where="sampling_frequency",
        todo="Write whole hertz (44100) or an exact fraction (44100000/1001 for 44 055.944 Hz).",
    )


def _eiaj_rate(line_standard: str) -> Fraction:
    return _EIAJ_LINES[line_standard] * _SAMPLES_PER_LINE * FIELDS_PER_SECOND[line_standard]


EXPECTED_RATE: Final[Mapping[tuple[str, str], Fraction]] = MappingProxyType(
    {
        **{(s, f): _eiaj_rate(s) for s in ("525_5994", "625_50") for f in _PCM_ON_VIDEO},
        ("525_5994", "pcm1_13"): _eiaj_rate("525_5994"),
        ("525_5994", "pcm16x0"): _eiaj_rate("525_5994"),
        ("525_60", "pcm16x0"): _eiaj_rate("525_60"),
    }
)
"""Sampling frequency that (line standard, recording format) implies, Hz. No entry: it implies none."""


def expected_rate(line_standard: object, recording_format: object) -> Fraction | None:
    """EXPECTED_RATE for two values of any kind; None when they imply nothing."""
    if isinstance(line_standard, str) and isinstance(recording_format, str):
        return EXPECTED_RATE.get((line_standard, recording_format))
    return None


def rounded_rate(rate: Fraction) -> int:
    """The whole Hz a file header writes for the rate: nearest, a half goes up (44056 for 525 lines)."""
    return (rate + Fraction(1, 2)).__floor__()


def difference_ppm(label: int, rate: Fraction) -> Fraction:
    """How far the header's figure lies from the true rate, parts per million, exact and signed."""
    return (label - rate) / rate * 1_000_000


def frames_to_seconds(frames: int, rate: Fraction) -> Fraction:
    """Exact duration in seconds of so many sample frames."""
    return frames / rate


def seconds_to_frames(seconds: Fraction, rate: Fraction) -> int:
    """The sample frame nearest to a time; exactly between two, the later."""
    return (seconds * rate + Fraction(1, 2)).__floor__()


def format_time(frames: int, rate: Fraction) -> str:
    """Position as h:mm:ss.mmm, rounded to the nearest millisecond (a half goes up); frames >= 0."""
    milli = (frames_to_seconds(frames, rate) * 1000 + Fraction(1, 2)).__floor__()
    seconds, milli = divmod(milli, 1000)
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{milli:03d}"


def parse_time(text: str, rate: Fraction) -> int:
    """h:mm:ss or h:mm:ss.fff -> the nearest sample frame, by the exact rate. RecordProblem otherwise."""
    found = re.fullmatch(r"([0-9]{1,4}):([0-5][0-9]):([0-5][0-9])(?:\.([0-9]{1,9}))?", text.strip())
    if found is None:
        raise RecordProblem(
            "time-unreadable",
            f'"{text[:60]}" is not a time of the form h:mm:ss or h:mm:ss.fff.',
            where="position",
            todo="Write hours, minutes and seconds (00-59), for example 0:12:30.250, or whole frames.",
        )
    hours, minutes, seconds, part = found.groups()
    whole = int(hours) * 3600 + int(minutes) * 60 + int(seconds)
    fraction = Fraction(int(part), 10 ** len(part)) if part else Fraction(0)
    return seconds_to_frames(whole + fraction, rate)
