"""How a file's time and length lie to those of one pass; see package/benchmatch.py, which decides.

A capture program closes the file when capture ends, so the file's last change less its length is when it
began; a bext says so itself, in local time without an offset. Neither clock need be the one of the bench.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone, tzinfo
from typing import Final, Literal

from provpack.package.benchline import Fits
from provpack.package.benchstate import Pass

# -- tolerances: proposals; common practice, no source ---------------------------------------------------
# The bench attaches by them without asking, and `check` (jobs/check_chains.py, rule row-pass-length) measures
# with the same ones, so that what was attached without a question raises none afterwards.
LONGER: Final = 120.0
"""Seconds by which a capture may begin before the click, or run on after it, or be longer in all: capture is
started first, then the deck, then the page; and it runs on while somebody walks over to stop it."""

LONGER_LEAST, LONGER_SHARE = 10.0, 0.25
"""The same for a short pass: a quarter of it, ten seconds at least. Two minutes would cover everything."""

SHORTER: Final = 20.0
"""Seconds by which a capture may begin after the click, or end before it, or be shorter in all: somebody
clicked first and then started the capture. More would be music that is missing."""

SHORTER_LEAST, SHORTER_SHARE = 3.0, 0.1
"""The same for a short pass."""

RATE_UNSURE: Final = 0.001
"""Share of a length by which the header's rate may be wrong: 44100 Hz stands in the headers of files that
were clocked at 44100/1.001 Hz, which is 3.6 s in an hour; and the other way round. [computed]"""

ONE_CLOCK: Final = 5.0
"""Seconds within which two times of one event are the same: bext and file times are in whole seconds, some
disks keep even ones only, and the last block is written late."""

_HOUR: Final = 3600.0
_EARLIEST, _LATEST = 1902, 9990  # years; room for every sum made here
_LONGEST: Final = 14 * 86400.0
"""No capture lasts a fortnight: a header that says so is not believed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSeen:
    """An audio file of the job folder, as it was last seen.

    name: relative to the job folder. modified_at: ISO 8601 with offset. stable: it has stopped changing, its
    header is sane and the audio it declares is there. origination: local date and time of its bext without
    offset (EBU Tech 3285, OriginationDate and OriginationTime), None where there is none. faults: sentences.
    """

    name: str
    bytes: int
    modified_at: str
    stable: bool
    frames: int | None = None
    header_hz: int | None = None
    channels: int | None = None
    bits: int | None = None
    origination: str | None = None
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """begin: when the first sample was taken, as far as known. off: seconds that begin and end are away from
    the pass's, together."""

    time: Fits
    length: Fits
    why: tuple[str, ...]
    begin: datetime | None = None
    begin_from: Literal["modified_time", "bext"] = "modified_time"
    off: float = float("inf")

    @property
    def fits(self) -> bool:
        """Time and length agree."""
        return self.time == "agrees" and self.length == "agrees"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """One pass and one length: the moments, and what is allowed. All in seconds."""

    start: datetime
    stop: datetime
    length: float

    @property
    def lasted(self) -> float:
        return (self.stop - self.start).total_seconds()

    @property
    def unsure(self) -> float:
        return self.length * RATE_UNSURE

    @property
    def longer(self) -> float:
        return may_be_longer(self.lasted) + self.unsure

    @property
    def shorter(self) -> float:
        return may_be_shorter(self.lasted) + self.unsure

    def gaps(self, begin: datetime) -> tuple[float, float]:
        """Begin and end of the file less those of the pass."""
        gap = (begin - self.start).total_seconds()
        return gap, gap + self.length - self.lasted

    def holds(self, begin: datetime) -> bool:
        """Whether a file that began then was being written while the pass ran: all through it, or from its
        start on where it is too short. How much it holds besides, or lacks, is a matter of its length."""
        first, last = self.gaps(begin)
        if first > self.shorter or first + self.length <= 0:
            return False
        cut_short = self.length - self.lasted < -self.shorter
        return last >= -self.shorter or (cut_short and first >= -self.longer)


def may_be_longer(lasted: float) -> float:
    """Seconds by which a file may be longer than a pass that lasted so many seconds, if its rate is right."""
    return min(LONGER, max(LONGER_LEAST, LONGER_SHARE * lasted))


def may_be_shorter(lasted: float) -> float:
    """The same for a file that is shorter."""
    return min(SHORTER, max(SHORTER_LEAST, SHORTER_SHARE * lasted))


def readable_moment(text: str | None) -> datetime | None:
    """An ISO 8601 time with offset; None when it is none."""
    try:
        moment = datetime.fromisoformat(text or "")
    except ValueError:
        return None
    return moment if moment.tzinfo is not None and _EARLIEST <= moment.year <= _LATEST else None


def fit(seen: FileSeen, one: Pass) -> Fit:
    """Time and length of a file held against one pass."""
    start, stop = readable_moment(one.started_at), readable_moment(one.stopped_at)
    changed = readable_moment(seen.modified_at)
    name = f"{one.transfer_id}, pass {one.number}"
    if start is None:
        return _unknown(f"When {name} began cannot be read from the log.")
    if one.running:
        if changed is not None and (start - changed).total_seconds() > ONE_CLOCK:
            what = (
                f"It was last changed at {_at(changed, start.tzinfo)}, before {name} began at {_at(start)}."
            )
            return Fit(time="disagrees", length="not_known", why=(what,))
        return _unknown(f"{name} still runs, so its file cannot be whole yet.")
    if stop is None or stop <= start:
        return _unknown(
            f"{name} ends before it begins by the log: the clock was changed, or a line is wrong."
        )
    if not seen.stable:
        return _unknown(*(seen.faults or ("It is still being written, or was seen only once so far.",)))
    seconds = _length(seen)
    if seconds is None:
        return _unknown("How long it is cannot be told from its header.", *seen.faults)
    frame = _Frame(start=start, stop=stop, length=seconds)
    why: list[str] = []
    fits_length = _judge_length(frame, seen.header_hz or 0, why)
    time, begin, source = _judge_time(frame, changed, seen.origination, why)
    first, last = frame.gaps(begin) if begin is not None else (float("inf"), 0.0)
    return Fit(
        time=time, length=fits_length, why=tuple(why), begin=begin, begin_from=source,
        off=abs(first) + abs(last),
    )  # fmt: skip


def _unknown(*why: str) -> Fit:
    return Fit(time="not_known", length="not_known", why=why)


def _length(seen: FileSeen) -> float | None:
    if not seen.frames or not seen.header_hz:
        return None
    seconds = seen.frames / seen.header_hz
    return seconds if 0 < seconds < _LONGEST else None


def _judge_length(frame: _Frame, header_hz: int, why: list[str]) -> Fits:
    gap = frame.length - frame.lasted
    by = "as long" if abs(gap) < 0.05 else f"{_span(abs(gap))} {'longer' if gap > 0 else 'shorter'}"
    words = f"The file is {_span(frame.length)} long by its header ({header_hz} Hz), the pass "
    words += f"{_span(frame.lasted)}: the file is {by}."
    if frame.unsure >= 1:
        words += f" A header's rate may be off by one in a thousand, {frame.unsure:.1f} s here."
    good = -frame.shorter <= gap <= frame.longer
    if not good and _hour(timedelta(seconds=gap)):
        words += " That is a whole hour: look whether a clock was put forward or back meanwhile."
    why.append(words)
    return "agrees" if good else "disagrees"


_Begin = tuple[Fits, datetime | None, Literal["modified_time", "bext"]]


def _judge_time(frame: _Frame, changed: datetime | None, origination: str | None, why: list[str]) -> _Begin:
    """When the file began, by its last change and by its bext, and whether that was with the pass."""
    zone = frame.start.tzinfo
    by_change: datetime | None = None
    if changed is not None:
        by_change = (changed - timedelta(seconds=frame.length)).astimezone(zone)
    change: Fits = "not_known"
    if by_change is not None and changed is not None:
        change = _by_change(frame, changed, by_change, why)
    by_bext = _by_bext(frame, changed, by_change if change == "agrees" else None, origination, why)
    if by_bext is None:
        return change, by_change, "modified_time"
    bext: Fits = "agrees" if frame.holds(by_bext) else "disagrees"
    if bext == "disagrees" and _hour(by_bext - frame.start):
        why.append(
            f"Its bext says {_at(by_bext, zone)}, whole hours away: that clock may keep another zone or "
            "summer time, so it tells nothing."
        )
        return change, by_change, "modified_time"
    why.append(
        f"By its bext it began at {_at(by_bext, zone)}, local time without an offset; the pass at "
        f"{_at(frame.start)}."
    )
    if change == "not_known" or bext == change == "disagrees":
        return bext, by_bext, "bext"
    if bext != change:
        why.append("Its bext and its last change contradict each other: one of the two clocks is wrong.")
        return "not_known", by_change, "modified_time"
    assert by_change is not None
    apart = abs((by_change - by_bext).total_seconds())
    if apart <= ONE_CLOCK + frame.unsure:
        return "agrees", by_bext, "bext"  # it does not rest on the rate, as the other does
    why.append(f"That is {_span(apart)} from what its last change says.")
    return "agrees", by_change, "modified_time"


def _by_change(frame: _Frame, changed: datetime, begin: datetime, why: list[str]) -> Fits:
    zone = frame.start.tzinfo
    first, last = frame.gaps(begin)
    words = (
        f"By its last change ({_at(changed, zone)}) and its length it began at {_at(begin, zone)}; the pass "
    )
    words += f"ran from {_at(frame.start)} to {_at(frame.stop, zone)}."
    why.append(words)
    if frame.holds(begin):
        return "agrees"
    if last > frame.longer:
        # The only sign of a copy is that it is newer than what it holds.
        hint = "a copy, something that was changed later, or another capture"
        if _hour(timedelta(seconds=first)):
            hint += "; or, as it is whole hours, a disk that keeps local time"
        why.append(f"It was changed {_span(last)} after the pass was stopped: {hint}.")
        return "not_known"
    if _hour(timedelta(seconds=first)):
        why.append("That is whole hours off: a clock was changed, or the disk keeps local time.")
        return "not_known"
    if first > frame.shorter:
        why.append(f"It began {_span(first)} after the pass did.")
    else:
        why.append(f"It ended {_span(last)} before the pass was stopped.")
    return "disagrees"


def _by_bext(
    frame: _Frame,
    changed: datetime | None,
    sure: datetime | None,
    origination: str | None,
    why: list[str],
) -> datetime | None:
    """The moment that the bext means; None where it says nothing, or could mean two.

    sure: when the file began as its last change says, where that fits the pass.
    """
    try:
        local = datetime.fromisoformat(origination or "")
    except ValueError:
        return None
    if local.tzinfo is not None or not _EARLIEST <= local.year <= _LATEST:
        return None
    offsets = {m.utcoffset() or timedelta(0) for m in (frame.start, frame.stop)}
    could = [local.replace(tzinfo=timezone(offset)) for offset in offsets]
    if changed is not None and frame.length > 2 * LONGER_LEAST:
        ends = [m for m in could if abs((changed - m).total_seconds()) <= ONE_CLOCK]
        if ends:
            why.append("Its bext time is that of its last change: the program wrote when capture ended.")
            return ends[0] - timedelta(seconds=frame.length)
    if len(could) > 1 and sure is not None:
        return min(could, key=lambda m: abs((m - sure).total_seconds()))
    if len(could) > 1:
        why.append("The clocks were changed during the pass, so its bext time, which has no offset, could "
                   "mean two moments.")  # fmt: skip
        return None
    return could[0]


def _hour(gap: timedelta) -> bool:
    """Whether a gap is one to fourteen whole hours, as a wrong zone or summer time makes it."""
    seconds = abs(gap.total_seconds())
    hours = round(seconds / _HOUR)
    return 1 <= hours <= 14 and abs(seconds - hours * _HOUR) <= SHORTER


def _at(moment: datetime, zone: tzinfo | None = None) -> str:
    there = moment.astimezone(zone) if zone is not None else moment
    return f"{there:%Y-%m-%d %H:%M:%S}"


def _span(seconds: float) -> str:
    tenths = round(abs(seconds) * 10)
    whole, tenth = divmod(tenths, 10)
    if whole < 60:
        return f"{whole}.{tenth} s"
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}.{tenth}"
