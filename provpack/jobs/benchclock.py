"""The clock of a line: the press that came late, the clock that was set back."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final

from provpack.jobs.benchact import SLACK, clock_words, instant, of_pass, stamp
from provpack.package.benchstate import BenchState

_TIMED: Final = frozenset({"pass_started", "pass_stopped", "event", "noted"})
"""Acts whose line can say when it happened."""
LATE: Final = timedelta(milliseconds=500)
"""A press that took this long to arrive keeps its own time. [limit: a busy machine needs a tenth of it]"""
_APART: Final = timedelta(minutes=10)
"""No press waits this long: then window and program have different clocks."""


def as_pressed(
    kind: str, members: Mapping[str, Any], pressed: datetime | None, now: datetime
) -> tuple[Mapping[str, Any], list[str]]:
    """The members, with the time of the press as when it happened where it came late; and what to say of it.

    pressed: when the key or button was pressed, by the clock of the program as the window knows it.
    """
    if pressed is None or kind not in _TIMED or members.get("happened_at") is not None:
        return members, []
    late = now - pressed
    if -SLACK <= late <= LATE:
        return members, []
    shown = clock_words(stamp(pressed), now)
    if not -SLACK <= late <= _APART:
        return members, [
            f"The window says it was pressed at {shown}, and the clock of this machine shows {now:%H:%M:%S}: "
            "one of them was set anew. This was written with the time of this machine; look at its clock."
        ]
    seconds = f"{late.total_seconds():.1f}"
    return {**members, "happened_at": stamp(pressed)}, [
        f"It was pressed at {shown} and written {seconds} s later: the time of the press is what counts."
    ]


def set_back(now: datetime, last: Mapping[str, Any], state: BenchState) -> list[str]:
    """What to say when the clock stands before what is logged already; the line is written all the same.

    Held against the last line, and against what is known of each pass that runs: as long as one does that was
    started by the other clock, its times contradict each other.
    """
    known = [(instant(str(last.get("at", ""))), f"line {last.get('n')}")]
    for one in state.running():
        known.append((instant(one.started_at), f"the start of {of_pass(one)}"))
        known += [(instant(e.at), f"line {e.n}, in {of_pass(one)}") for e in one.events[-1:]]
    read = [(at, what) for at, what in known if at is not None and now < at - SLACK]
    if not read:
        return []
    at, what = max(read, key=lambda item: item[0])
    seconds = round((at - now).total_seconds())
    return [
        f"The clock of this machine stands {seconds} s before {what} ({clock_words(stamp(at), now)}): it was "
        "set back. This was written with the time it shows now. Set it right, and write a note: by how much, "
        "and which lines have the wrong time."
    ]
