"""What the section on measured figures is made of: sentences, tables, a picture; and figures in words."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from provpack.package.figures import count
from provpack.report.html_values import position, span
from provpack.report.picture_parts import Picture

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A table: the first cell of each line is its heading. more: lines that are only in the measurements."""

    caption: str
    columns: tuple[str, ...]
    lines: tuple[tuple[str, ...], ...]
    more: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of the section: sentences, then the picture, then tables, then what limits them."""

    ident: str
    title: str
    said: tuple[str, ...] = ()
    picture: Picture | None = None
    sheets: tuple[Sheet, ...] = ()
    limits: tuple[str, ...] = ()


def figure(value: float | None, unit: str, places: int = 1, none: str = "cannot be stated") -> str:
    """A measured figure with its decimals: -23.04 -> `−23.0 LUFS`; `none` for nothing."""
    if not isinstance(value, (int, float)):
        return none
    said = f"{value:,.{places}f}"
    if not any(c in "123456789" for c in said):
        said = said.removeprefix("-")  # no minus before zero
    said = said.replace(",", "\u202f").replace("-", "−")
    return f"{said} {unit}" if unit else said


def share(part: float) -> str:
    """A share as a percentage that never says 0 or 100 for what is not quite that."""
    if part <= 0:
        return "0 %"
    if part >= 1:
        return "100 %"
    if part < 0.001:
        return "under 0.1 %"
    return f"{min(99.9, 100 * part):.1f} %"


def decibels(part: float) -> float | None:
    """20 log10 of a fraction of full scale; None for nothing."""
    return 20.0 * math.log10(abs(part)) if part else None


def length(frames: int, rate: Fraction | None) -> str:
    """A length in time and frames; in milliseconds when short."""
    many = count(frames, "frame", "frames")
    if rate is None:
        return many
    seconds = Fraction(frames) / rate
    said = span(seconds) if seconds >= 10 else f"{float(seconds):.2f} s" if seconds >= 1 else (
        f"{float(seconds) * 1000:.2f} ms"
    )  # fmt: skip
    return f"{said} ({many})"


def where(frame: int, rate: Fraction | None) -> str:
    """A place in time and frames."""
    return position(frame, rate)


def sentences(items: Iterable[object]) -> tuple[str, ...]:
    """The items that say something, as text."""
    return tuple(str(item) for item in items if item)
