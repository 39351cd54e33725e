"""Names that somebody may have meant."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from provpack.catalogue.words import plain

_LIKE = 0.35
"""Least share of common letter pairs: lower, and everything is like everything."""


def nearest(asked: str, names: Sequence[tuple[str, str, int]], limit: int) -> list[tuple[str, str, int]]:
    """The (name, role, number) whose name is like the asked one, the likest first; limit 0 = all."""
    wanted = plain(asked)[:200]
    pairs = _pairs(wanted)
    ranked = []
    for name, role, n in names:
        own = plain(name)[:200]
        inside = bool(wanted) and (wanted in own or own in wanted)
        alike = 1.0 if own == wanted else _dice(pairs, _pairs(own))
        if inside or alike >= _LIKE:
            ranked.append((-alike - inside, name, role, n))
    found = [(name, role, n) for _, name, role, n in sorted(ranked)]
    return found[:limit] if limit else found


def _pairs(text: str) -> frozenset[str]:
    return frozenset(a + b for a, b in zip(f" {text}", f"{text} ", strict=True))


def _dice(one: Iterable[str], other: frozenset[str]) -> float:
    first = frozenset(one)
    both = len(first) + len(other)
    return 2 * len(first & other) / both if both else 0.0
