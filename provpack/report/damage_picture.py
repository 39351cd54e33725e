"""Where a master is damaged, over the time of the tape.

One lane is the whole recording; damaged stretches lie in it hatched, never thinner than can be seen, and
numbered as in the list beside the picture. Frames that are gone at the end have a hatching of their own. If a
second copy was looked at, a further lane tells of each stretch whether it is good there. Nothing is said by
colour alone (WCAG 2.2, 1.4.1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from provpack.package.figures import clock, count
from provpack.report.picture_parts import (
    AXIS,
    Picture,
    Sample,
    field,
    frame,
    percent,
    short,
    swatch,
    text,
    time_axis,
)

LANE = 46  # px
SIGNS = 22  # px above the lane for numbers
HEAD = 18
GAP = 8
LABEL_ROOM = 0.035  # part of the width one number needs on a small screen
DRAWN_MAX = 1500  # stretches; neighbours nearer than a pixel look like one anyway

LOOKS = {
    "damaged": ("M-2 8L8 -2M0 10L10 0", "damaged: another content than was packaged"),
    "gone": ("M0 0L8 8M8 0L0 8", "gone: the file ends before"),
    "there": ("M0 4H8", "good in the second copy (half as high)"),
    "lost": ("M2 0V8M6 0V8", "in neither copy"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Frames first to last inclusive. look: a key of LOOKS. number: as in the list, 0 = none of its own."""

    first: int
    last: int
    look: str
    number: int = 0


def damage_picture(
    frames: int,
    rate: Fraction,
    stretches: Sequence[Stretch],
    *,
    second: Sequence[Stretch] | None,
    title: str,
    words: str,
    prefix: str,
) -> Picture | None:
    """The picture; None when the recording has no length. second: what the second copy has, None when there
    was none to look at. words: the same in a sentence. prefix: of its ids, one of its own on the page."""
    if frames <= 0 or rate <= 0:
        return None
    parts = [f"<defs>{_patterns(prefix)}</defs>"]
    y: float = HEAD + SIGNS
    parts.append(text("This copy", x="2", y=12, look="group"))
    parts += _lane(frames, stretches, y, prefix)
    parts += _numbers(frames, stretches, HEAD + SIGNS - 7)
    y += LANE
    if second is not None:
        parts.append(text("The second copy, in those places", x="2", y=y + HEAD, look="group"))
        y += HEAD + GAP
        parts += _lane(frames, second, y, prefix)
        y += LANE
    parts.append(time_axis(float(frames / rate), y))
    used = dict.fromkeys(s.look for s in (*stretches, *(second or ())))
    return Picture(
        svg=frame(parts, height=y + AXIS, title=title, description=words, prefix=prefix),
        words=words,
        key=tuple(
            Sample(svg=_sample(look, prefix), meaning=LOOKS[look][1]) for look in LOOKS if look in used
        ),
    )


def picture_words(frames: int, rate: Fraction, stretches: Sequence[Stretch]) -> str:
    """The picture in a sentence."""
    hurt = sum(s.last - s.first + 1 for s in stretches)
    return (
        f"{count(len(stretches), 'damaged stretch', 'damaged stretches')} in {clock(frames / rate)} of "
        f"sound, {float(hurt / rate):.1f} seconds together, {100 * hurt / frames:.2f} % of it."
    )


def _lane(frames: int, stretches: Sequence[Stretch], y: float, prefix: str) -> list[str]:
    out = [field("lane", top=y, height=LANE)]
    for one in stretches[:DRAWN_MAX]:
        start, length = one.first / frames, (one.last - one.first + 1) / frames
        # Where a stretch is too thin for a hatching to be seen, its height still tells good from lost.
        height = LANE / 2 if one.look == "there" else LANE
        # The outline keeps a stretch of a second visible in hours of sound.
        out.append(
            f'<rect class="hurt hurt-{one.look}" x="{percent(start)}" y="{short(y + LANE - height)}" '
            f'width="{percent(max(length, 0.0005))}" height="{short(height)}" '
            f'fill="url(#{prefix}-{one.look})"/>'
        )
    return out


def _numbers(frames: int, stretches: Sequence[Stretch], y: float) -> list[str]:
    """The numbers of the list, where there is room."""
    out: list[str] = []
    last = -1.0
    for one in stretches:
        part = (one.first + one.last + 1) / 2 / frames
        if one.number and part - last >= LABEL_ROOM:
            anchor = "end" if part > 0.98 else "start" if part < 0.02 else "middle"
            out.append(text(str(one.number), x=percent(part), y=y, look="mark-number", anchor=anchor))
            last = part
    return out


def _patterns(prefix: str) -> str:
    return "".join(
        f'<pattern id="{prefix}-{look}" width="8" height="8" patternUnits="userSpaceOnUse">'
        f'<rect class="ground-{look}" width="8" height="8"/><path class="ink-hurt ink-{look}" d="{shape}"/>'
        "</pattern>"
        for look, (shape, _) in LOOKS.items()
    )


def _sample(look: str, prefix: str) -> str:
    return swatch(f'<rect width="28" height="16" class="hurt hurt-{look}" fill="url(#{prefix}-{look})"/>')
