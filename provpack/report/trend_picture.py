"""Damage per hour of measured sound, month by month: a lane for each machine or tape stock.

All lanes of a picture share one scale, so that they can be compared, and one time axis. What a bar rests on
is seen by its form, not by its colour: full where an hour or more was measured in that month, hollow where
less was, a dotted stub where there were transfers and none of them was measured, a flat line where sound was
measured and no damage found. A month without transfers is empty. The same figures stand in a table.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from provpack.package.figures import count, number
from provpack.package.readfirst_words import one_line
from provpack.report.audit_trends import (
    LITTLE_HOURS,
    Line,
    hours_words,
    line_words,
    month_name,
    month_number,
    per_hour,
    rate_words,
)
from provpack.report.picture_parts import (
    AXIS,
    Picture,
    Sample,
    field,
    frame,
    line,
    percent,
    short,
    stretched,
    swatch,
    text,
)

if TYPE_CHECKING:
    from provpack.catalogue.values import Trend

LANES_MAX = 8  # the others are in the table
MONTHS_MIN, MONTHS_MAX = 12, 240
NAME, HEIGHT, GAP = 34, 64, 14  # px
FLAT = 2.0  # px of a bar for nothing found
NAME_MAX = 44  # letters of a name above its lane
STUB = 14.0  # px of a stub for nothing measured
_STEPS = (1, 2, 3, 6, 12, 24, 60)


def trend_picture(lines: Sequence[Line], *, title: str, prefix: str) -> Picture | None:
    """The picture; None when no month is known. lines: most hours first. prefix: of its ids on the page."""
    drawn = [one for one in lines if one.months][:LANES_MAX]
    if not drawn:
        return None
    first, months = _window(drawn)
    top = _top(drawn, first, months)
    parts: list[str] = []
    y = 0.0
    for one in drawn:
        parts.append(text(one_line(one.subject, NAME_MAX), x="2", y=y + 13, look="group"))
        parts.append(text(_brief(one), x="2", y=y + 28, look="lane-said"))
        y += NAME
        parts += _lane(one, y=y, first=first, months=months, top=top)
        y += HEIGHT + GAP
    parts.append(_axis(first, months, y - GAP))
    caption = _caption(lines, drawn, first, months, top)
    said = " ".join([caption, *(_words(one, first, months) for one in drawn)])
    svg = frame(parts, height=y - GAP + AXIS, title=title, description=said, prefix=prefix)
    return Picture(svg=svg, words=caption, key=_key(drawn, first, months, top))


def _brief(one: Line) -> str:
    """What stands above a lane; short, since text in a picture does not go on in a next line."""
    if one.hours <= 0:
        return f"nothing measured in {count(one.transfers, 'transfer', 'transfers')}"
    return f"{rate_words(one.events, one.hours)} per hour, over {hours_words(one.hours)} measured"


def _window(lines: Sequence[Line]) -> tuple[int, int]:
    """(first month, number of months): all there are, at least 12; when they are too many, those 20 years in
    which most transfers lie (one mistyped year must not press all others into a line)."""
    weights: dict[int, int] = {}
    for one in lines:
        for trend in one.months:
            n = month_number(trend.month) or 0
            weights[n] = weights.get(n, 0) + trend.transfers
    known = sorted(weights)
    first, last = known[0], known[-1]
    if last - first >= MONTHS_MAX:
        best, low, held = -1, 0, 0
        for month in known:
            held += weights[month]
            while month - known[low] >= MONTHS_MAX:
                held -= weights[known[low]]
                low += 1
            if held > best:
                best, first, last = held, known[low], month
    months = max(MONTHS_MIN, last - first + 1)
    return first - first % (12 if months > 36 else 1), months + (first % 12 if months > 36 else 0)


def _shown(one: Line, first: int, months: int) -> list[tuple[int, Trend]]:
    """(place on the axis, month) of those inside the window."""
    placed = ((month_number(trend.month), trend) for trend in one.months)
    return [(n - first, trend) for n, trend in placed if n is not None and 0 <= n - first < months]


def _top(lines: Sequence[Line], first: int, months: int) -> float:
    """The top of the scale, a round number: from months that rest on enough, if there are any."""
    rates = [
        (trend.hours >= LITTLE_HOURS, rate)
        for one in lines
        for _, trend in _shown(one, first, months)
        if (rate := per_hour(trend.damage_events, trend.hours)) is not None
    ]
    solid = [rate for enough, rate in rates if enough] or [rate for _, rate in rates]
    highest, step = max(solid, default=0.0), 1.0
    while highest > 10 * step:
        step *= 10
    return next(part * step for part in (1, 2, 5, 10) if highest <= part * step)


def _lane(one: Line, *, y: float, first: int, months: int, top: float) -> list[str]:
    full: list[str] = []
    hollow: list[str] = []
    stubs: list[str] = []
    cut: list[float] = []
    for place, trend in _shown(one, first, months):
        rate = per_hour(trend.damage_events, trend.hours)
        x = f"{place + 0.12:.2f}"
        if rate is None:
            stubs.append(f"M{place + 0.5:.2f} {HEIGHT}V{short(HEIGHT - STUB)}")
            continue
        height = min(HEIGHT * rate / top, float(HEIGHT)) if rate else 0.0
        height = max(height, FLAT)
        bar = f"M{x} {HEIGHT}V{short(HEIGHT - height)}h0.76V{HEIGHT}z"
        (full if trend.hours >= LITTLE_HOURS else hollow).append(bar)
        if rate > top:
            cut.append((place + 0.5) / months)
    drawn = "".join(
        f'<path class="{look}" d="{"".join(d)}"/>'
        for look, d in (("bar", full), ("bar-little", hollow), ("stub", stubs))
        if d
    )
    parts = [field("lane", top=y, height=HEIGHT)]
    for part, said in ((1.0, number(_plain(top))), (0.5, number(_plain(top / 2)))):
        at = y + HEIGHT * (1 - part)
        parts.append(line("grid", x=("0", "100%"), y=(at, at)))
        parts.append(text(said, x="100%", y=at + 10, look="tick halo", anchor="end"))
    parts.append(stretched(drawn, top=y, height=HEIGHT, units=(months, HEIGHT)))
    parts.append(line("axis", x=("0", "100%"), y=(y + HEIGHT, y + HEIGHT)))
    parts += [text("↑", x=percent(at), y=y + 11, look="tick halo", anchor="middle") for at in cut]
    return parts


def _plain(value: float) -> float | int:
    return int(value) if value == int(value) else value


def _axis(first: int, months: int, y: float) -> str:
    """Months or years below all lanes; every second one steps aside on a narrow screen (class `fine`)."""
    step = next((step for step in _STEPS if months / step < 9), 120)
    out = []
    place = -first % step
    turn = 0
    while place < months:
        at = percent(place / months)
        anchor = "start" if place == 0 else "end" if place / months > 0.94 else "middle"
        name = month_name(first + place)
        said = name[:4] if step >= 12 else name
        out.append(line("axis", x=(at, at), y=(y, y + 6)))
        out.append(text(said, x=at, y=y + 22, look="tick fine" if turn % 2 else "tick", anchor=anchor))
        place += step
        turn += 1
    return "".join(out)


def _key(lines: Sequence[Line], first: int, months: int, top: float) -> tuple[Sample, ...]:
    """What is drawn, as far as it occurs."""
    all_of = [trend for one in lines for _, trend in _shown(one, first, months)]
    rates = [(t, per_hour(t.damage_events, t.hours)) for t in all_of]
    samples = [
        (
            any(r and t.hours >= LITTLE_HOURS for t, r in rates),
            '<path class="bar" d="M8 16V3h12V16z"/>',
            "damage per hour in a month, an hour or more measured",
        ),
        (
            any(r and t.hours < LITTLE_HOURS for t, r in rates),
            '<path class="bar-little" d="M8 16V3h12V16z"/>',
            "the same, from less than an hour: it says little",
        ),
        (
            any(r == 0 for _, r in rates),
            f'<path class="bar" d="M8 16V{16 - FLAT:g}h12V16z"/>',
            "measured, and no damage found",
        ),
        (
            any(r is None for _, r in rates),
            '<path class="stub" d="M14 16V2"/>',
            "transfers, none of them measured",
        ),
        (
            any(r is not None and r > top for _, r in rates),
            '<text class="tick" x="10" y="13">↑</text>',
            "higher than the picture (see the table)",
        ),
    ]
    return tuple(Sample(svg=swatch(svg), meaning=said) for there, svg, said in samples if there)


def _caption(lines: Sequence[Line], drawn: Sequence[Line], first: int, months: int, top: float) -> str:
    """What the picture shows, and what it leaves out."""
    last = month_name(first + months - 1)
    said = [
        f"Places of damage per hour of measured sound, month by month from {month_name(first)} to {last}; "
        f"every lane has the same scale, from 0 to {number(_plain(top))} per hour."
    ]
    outside = sum(len(one.months) - len(_shown(one, first, months)) for one in drawn)
    if outside:
        said.append(f"{count(outside, 'month lies', 'months lie')} outside of these years.")
    left = len(lines) - len(drawn)
    if left:
        said.append(f"{count(left, 'more stands', 'more stand')} in the table only.")
    return " ".join(said)


def _words(one: Line, first: int, months: int) -> str:
    """A lane in a sentence, for those who do not see it."""
    said = f"{one.subject}: {line_words(one)}"
    shown = [t for _, t in _shown(one, first, months) if t.hours > 0]
    worst = max(shown, key=lambda t: per_hour(t.damage_events, t.hours) or 0.0, default=None)
    if worst is not None and worst.damage_events and len(shown) > 1:
        rate = rate_words(worst.damage_events, worst.hours)
        said += f"; highest in {worst.month} with {rate} per hour, from {hours_words(worst.hours)}"
    return said + "."
