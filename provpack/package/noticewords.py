"""Words of the notices to clients, and of a trace: what takes part in a transfer, and why a word is open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from provpack.package.figures import moment_words
from provpack.package.readfirst_words import one_line

ROLES: Final[Mapping[str, str]] = {
    "deck": "playback deck",
    "decoder": "decoder",
    "capture_device": "capture device",
    "capture_input": "input of the capture device",
    "digital_output_board": "digital output board",
    "interface": "interface",
    "converter": "converter",
    "clock": "clock generator",
    "computer": "computer",
    "cable": "cable",
    "firmware": "firmware",
    "software": "program",
    "operator": "operator",
    "qc_by": "quality control",
    "agent": "somebody who treated or processed it",
    "chain": "chain of equipment",
}
"""What equipment, programs and people are called in a transfer."""

WHY: Final[Mapping[str, str]] = {
    "no_time_noted": "nobody noted when it was",
    "end_not_noted": "only its begin or only its end was noted",
    "notice_open": "nobody knows from when, or until when, the fault had an effect",
    "fitting_unsure": "it is not sure that the part was in the machine at that time",
    "day_only": "a day was noted without time of day and time zone, and just that decides",
    "contradiction": "the times that were noted contradict each other",
}
"""Why it cannot be told whether a pass lies in the time of a fault."""

PEOPLE: Final = frozenset({"operator", "qc_by", "agent"})
_NOT_PLAYING: Final = PEOPLE | {"software"}


def is_playing(n: int | None, roles: Sequence[str]) -> bool:
    """Whether a stretch of time is one of playing; work on the carrier or on the sound belongs to no pass."""
    return n is not None or not roles or not _NOT_PLAYING.issuperset(roles)


def window_words(since: str | None, until: str | None) -> str:
    """`in the time from 2031-05-01 to 2031-05-09`; "" when no time was asked for."""
    begin = f"from {moment_words(one_line(since, 40))}" if since else ""
    end = f"{'to' if since else 'until'} {moment_words(one_line(until, 40))}" if until else ""
    return f"in the time {begin} {end}".replace("  ", " ").strip() if since or until else ""
