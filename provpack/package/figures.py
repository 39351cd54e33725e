"""Numbers, times and lists as people write them; the same wherever people read them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any, Final

_MOMENT: Final = re.compile(r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d:\d\d(?:\.\d+)?)(Z|[+-]\d\d:\d\d)")
_FOUND: Final[Mapping[str, tuple[str, str]]] = {
    "mute": ("mute", "mutes"),
    "hold": ("held value", "held values"),
    "interpolation": ("place with interpolated samples", "places with interpolated samples"),
    "click": ("click", "clicks"),
    "clipped_run": ("clipped run", "clipped runs"),
    "unlock": ("lost lock", "lost locks"),
    "other": ("stretch of another word length", "stretches of another word length"),
}


def number(value: float) -> str:
    """A number with thin groups and no needless decimals: 38500000 -> `38 500 000`, -3.1 -> `−3.1`."""
    said = f"{value:,}" if isinstance(value, int) else f"{value:,.6f}".rstrip("0").rstrip(".")
    said = "0" if said == "-0" else said
    return said.replace(",", "\u202f").replace("-", "−")


def clock(seconds: Fraction | float) -> str:
    """A time as h:mm:ss, rounded down: 800 -> 0:13:20."""
    whole = max(0, int(seconds))
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def size_words(count_of_bytes: int) -> str:
    """An amount of data in the largest decimal unit (SI) that leaves at least 1: 154012345 -> `154 MB`."""
    figure, units = float(count_of_bytes), ("bytes", "kB", "MB", "GB", "TB")
    place = 0
    while figure >= 999.95 and place < len(units) - 1:
        figure, place = figure / 1000, place + 1
    return f"{number(count_of_bytes)} bytes" if place == 0 else f"{number(round(figure, 1))} {units[place]}"


def count(many: int, one: str, several: str = "") -> str:
    """`1 run`, `12 runs`; several: the plural where it is not the singular and an s."""
    return f"{number(many)} {one if many == 1 else several or one + 's'}"


def counted(many: int, one: str, several: str = "") -> str:
    """As count, in plain ASCII: for findings and terminals."""
    return plain(count(many, one, several))


def numbered(value: float) -> str:
    """As number, in plain ASCII: for findings and terminals."""
    return plain(number(value))


def plain(said: str) -> str:
    """What number and count wrote, in plain ASCII."""
    return said.replace("\u202f", " ").replace("−", "-")


def moment_words(value: str) -> str:
    """A date and time as people write it: 2031-05-05T10:00:00+02:00 -> `2031-05-05 10:00:00 +02:00`. What is
    no such moment stays as it is."""
    found = _MOMENT.fullmatch(value)
    zone = "UTC" if found and found[3] in ("Z", "+00:00") else found and found[3]
    return f"{found[1]} {found[2]} {zone}" if found else value


def listed(items: Sequence[str]) -> str:
    """Several things as one text: `a, b and c`."""
    return " and ".join([", ".join(items[:-1]), items[-1]]) if len(items) > 1 else "".join(items)


def channel_names(channels: int) -> tuple[str, ...]:
    """What channels are called, by their place in the file."""
    if channels == 2:
        return ("left", "right")
    return tuple(f"channel {n + 1}" for n in range(channels))


def found_words(counts: Mapping[str, Any]) -> str:
    """`2 mutes and 1 click`; empty when there is nothing. Leader and trailer are no damage."""
    return listed([count(int(counts[k]), *said) for k, said in _FOUND.items() if counts.get(k)])
