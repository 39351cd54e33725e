"""Whether a pass and a fault met in time: judged with what is known of their ends, and no more.

An end is a moment as it was declared. A day without a time of day may mean any instant of that day anywhere
on Earth (model/formats.py); an end that nobody noted may lie anywhere. "covered" and "not covered" are said
only where every reading agrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import combinations
from typing import Final, Literal

from provpack.model.formats import Moment, is_date, read_moment, told_backwards

Verdict = Literal["covered", "not_covered", "cannot_be_told"]
Why = Literal["no_time_noted", "end_not_noted", "notice_open", "fitting_unsure", "day_only", "contradiction"]

EVER: Final = datetime.min.replace(tzinfo=UTC)
FOREVER: Final = datetime.max.replace(tzinfo=UTC)
_ALL: Final = (EVER, FOREVER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of time: the instants between which its begin lies, and those between which its end lies.
    contradictory: as it was written, it ends before it begins, though a far zone would allow it."""

    begin: tuple[datetime, datetime]
    end: tuple[datetime, datetime]
    contradictory: bool = False

    @property
    def impossible(self) -> bool:
        """Whether it ends before it begins: however it is read, or as whoever wrote it must have meant it."""
        return self.contradictory or self.end[1] < self.begin[0]


ALWAYS: Final = Stretch(begin=(EVER, EVER), end=(FOREVER, FOREVER))


def surely_meet(one: Stretch, two: Stretch) -> bool:
    """True only when the two share an instant in every reading."""
    return one.begin[1] <= two.end[0] and two.begin[1] <= one.end[0]


def surely_apart(one: Stretch, two: Stretch) -> bool:
    """True only when the two share no instant in any reading."""
    return one.end[1] < two.begin[0] or two.end[1] < one.begin[0]


def stretch_of_pass(started: str | None, stopped: str | None) -> Stretch:
    """Of a pass, from when it began and stopped; what nobody noted, or cannot be read, may be any time."""
    begin, end = read_moment(started), read_moment(stopped)
    if begin is None and end is None:
        return Stretch(begin=_ALL, end=_ALL)
    if begin is None:
        return Stretch(begin=(EVER, _both(end)[1]), end=_both(end))
    if end is None:
        return Stretch(begin=_both(begin), end=(begin.earliest, FOREVER))
    return Stretch(begin=_both(begin), end=_both(end))


def stretch_of_fitting(since: str | None, until: str | None) -> Stretch:
    """Of being fitted: without `since` as long as anybody knows, without `until` still."""
    return Stretch(
        begin=_told(since, EVER), end=_told(until, FOREVER), contradictory=told_backwards(since, until)
    )


def stretch_of_fault(since: str | None, until: str | None, noted: str | None) -> Stretch:
    """Of a fault's effect: without `until` still; without `since` nobody knows from when, but when it was
    noted it was there (or, when its end is told, by that end)."""
    begin, ends, found = read_moment(since), _told(until, FOREVER), read_moment(noted)
    if begin is not None:
        return Stretch(begin=_both(begin), end=ends, contradictory=told_backwards(since, until))
    return Stretch(begin=(EVER, min(found.latest if found else FOREVER, ends[1])), end=ends)


def _told(text: str | None, absent: datetime) -> tuple[datetime, datetime]:
    """An end whose absence has a meaning; one that is there and cannot be read may be any time."""
    return (absent, absent) if text is None else _both(read_moment(text))


def _both(moment: Moment | None) -> tuple[datetime, datetime]:
    return (moment.earliest, moment.latest) if moment is not None else _ALL


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What can be said of one pass and one notice. why: only with cannot_be_told."""

    verdict: Verdict
    why: Why | None = None


_COVERED: Final = Judgement(verdict="covered")
_NOT_COVERED: Final = Judgement(verdict="not_covered")


def judge(played: Stretch, fault: Stretch, fitted: Sequence[Stretch] = ()) -> Judgement:
    """Whether the fault fell into the pass. fitted: the times in which the equipment was in the machine that
    the record names; fault, pass and these must then share an instant."""
    if played.impossible or fault.impossible or any(f.impossible for f in fitted):
        return Judgement(verdict="cannot_be_told", why="contradiction")
    # stretches on one line share an instant when each two of them do
    pairs = list(combinations((played, fault, *fitted), 2))
    if any(surely_apart(one, two) for one, two in pairs):
        return _NOT_COVERED
    if all(surely_meet(one, two) for one, two in pairs):
        return _COVERED
    return Judgement(verdict="cannot_be_told", why=_why(played, fault, fitted))


def _why(played: Stretch, fault: Stretch, fitted: Sequence[Stretch]) -> Why:
    if played.begin == _ALL and played.end == _ALL:
        return "no_time_noted"
    if not surely_meet(played, fault):
        if fault.end == _ALL or (fault.begin[0] == EVER and played.begin[0] <= fault.begin[1]):
            return "notice_open"
        return "end_not_noted" if EVER in played.begin or FOREVER in played.end else "day_only"
    return "fitting_unsure"


def together(stretches: Sequence[Stretch]) -> Literal["surely", "perhaps", "never"]:
    """Whether there is an instant that all of them share."""
    if any(s.impossible for s in stretches):
        return "perhaps"
    pairs = list(combinations(stretches, 2))
    if any(surely_apart(one, two) for one, two in pairs):
        return "never"
    return "surely" if all(surely_meet(one, two) for one, two in pairs) else "perhaps"


# --- the time asked for ---


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The time asked for, as it was typed; None = open. A day is that day in every time zone."""

    since: str | None = None
    until: str | None = None

    @property
    def unreadable(self) -> str | None:
        """The end that is no moment, as typed; None when there is none."""
        return next((t for t in (self.since, self.until) if t is not None and read_moment(t) is None), None)

    @property
    def backwards(self) -> bool:
        """Whether it ends before it begins."""
        since, until = read_moment(self.since), read_moment(self.until)
        if since is None or until is None:
            return False
        if is_date(since.text) and is_date(until.text):
            return until.text < since.text
        return until.latest < since.earliest

    def may_hold(self, played: Stretch) -> bool:
        """Whether a pass may lie in it, at least in part; one without any time may."""
        since, until = read_moment(self.since), read_moment(self.until)
        begin = since.earliest if since else EVER
        end = until.latest if until else FOREVER
        return not (played.end[1] < begin or end < played.begin[0])

    def as_utc(self) -> tuple[str | None, str | None]:
        """The widest reading as UTC to the second, "YYYY-MM-DDThh:mm:ssZ", for a first sieve."""
        since, until = read_moment(self.since), read_moment(self.until)
        last = min(until.latest, FOREVER - timedelta(seconds=1)) if until else FOREVER
        return (
            _utc(since.earliest) if since else None,
            _utc(last + timedelta(seconds=1)) if until else None,
        )


def _utc(at: datetime) -> str:
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")
