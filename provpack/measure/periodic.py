"""Does damage come back with the field or with the head?

The adaptor's samples are locked to the picture: a field holds exactly 735 (525 lines) or 882 (625 lines)
stereo samples, and two heads take turns (domain note 1.4). Damage at one place of the drum comes back after
1470 or 1764 frames (one bad head) or, with both heads or the tape path at fault, after 735 or 882 in every
field (2.1). Definitions (proposal, no source):
    place       events nearer than MERGE frames count as one, at the frame of the first
    lag         distance of a place from another at most FIELDS fields earlier, and half a field at least
    score       share of lags within TOLERANCE frames of a whole number of fields, 0 to 1
    chance      the share of lags that would be so by chance, (2 TOLERANCE + 1) / field
    repeating   at least FEWEST lags there, of MULTIPLES different numbers of fields (a beat has one), score
                >= LEAST_SCORE, and a probability of so many by chance (binomial, bounded after Chernoff)
                below 1e-9
    one head    repeating, and of those lags at most ODD_SHARE are an odd number of fields
Every lag is compared with near ones only, so it does not matter that a relock shifts the place in the field.
Mains-locked disturbance at 50 or 59.94 Hz repeats like this too; two heads bad at different places may look
like one. Music does not hit these periods.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

FIELD_FRAMES = {"525_5994": 735, "525_60": 735, "625_50": 882}
MERGE = 256
FIELDS = 8
TOLERANCE = 16
FEWEST = 8
MULTIPLES = 3
LEAST_SCORE = 0.25
ODD_SHARE = 0.1
MAX_PLACES = 5000

Pattern = Literal["one_head", "every_field", "none", "too_few_events"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Periodicity:
    """For one field length in frames: the pattern; period in frames (None without one); places and lags
    looked at; score and what chance would give, 0 to 1."""

    field_frames: int
    pattern: Pattern
    period: int | None
    places: int
    lags: int
    score: float
    chance: float


def periodicity(frames: Sequence[int], line_standard: str | None) -> tuple[Periodicity, ...]:
    """One result for a known line standard (525_5994, 525_60, 625_50), one for each field length otherwise;
    the first is the one with the higher score. frames: first frames of damage events, any order; at most
    MAX_PLACES places are looked at."""
    known = FIELD_FRAMES.get(line_standard or "")
    fields = (known,) if known else tuple(sorted(set(FIELD_FRAMES.values())))
    places = _places(frames)
    return tuple(sorted((_look(places, field) for field in fields), key=lambda p: -p.score))


def _places(frames: Sequence[int]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    places: list[int] = []
    for frame in sorted(frames):
        if not places or frame - places[-1] >= MERGE:
            places.append(frame)
            if len(places) == MAX_PLACES:
                break
    return np.array(places, dtype=np.int64)


def _look(places: np.ndarray[tuple[int], np.dtype[np.int64]], field: int) -> Periodicity:
    reach = FIELDS * field + TOLERANCE
    found = [np.zeros(0, dtype=np.int64)]
    for k in range(1, reach // MERGE + 1):
        lags = places[k:] - places[:-k]
        near = lags[(lags <= reach) & (2 * lags >= field)]
        found.append(near)
        if not (lags <= reach).any():
            break
    lags = np.concatenate(found)
    fields = (2 * lags + field) // (2 * field)
    hit = np.abs(lags - fields * field) <= TOLERANCE
    hits = int(np.count_nonzero(hit))
    chance = (2 * TOLERANCE + 1) / field
    score = hits / len(lags) if len(lags) else 0.0
    pattern: Pattern = "none"
    if len(lags) < FEWEST:
        pattern = "too_few_events"
    elif (
        hits >= FEWEST
        and len(np.unique(fields[hit])) >= MULTIPLES
        and score >= LEAST_SCORE
        and _tail(hits, len(lags), chance) < math.log(1e-9)
    ):
        odd = int(np.count_nonzero(fields[hit] % 2))
        pattern = "one_head" if odd <= ODD_SHARE * hits else "every_field"
    return Periodicity(
        field_frames=field,
        pattern=pattern,
        period={"one_head": 2 * field, "every_field": field}.get(pattern),
        places=len(places),
        lags=len(lags),
        score=round(score, 4),
        chance=round(chance, 4),
    )


def _tail(hits: int, n: int, p: float) -> float:
    """Upper bound of ln P(at least so many of n by chance p), after Chernoff; 0 when not above chance."""
    share = hits / n
    if share <= p:
        return 0.0
    rest = (1 - share) * math.log((1 - share) / (1 - p)) if share < 1 else 0.0
    return -n * (share * math.log(share / p) + rest)
