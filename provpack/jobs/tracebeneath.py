"""A catalogue's answers about what took part, narrowed to what lies beneath some folders or addresses."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from provpack.catalogue.values import Answer
from provpack.edge.remoteaddress import shown_address
from provpack.findings import Finding
from provpack.jobs import tracerules as rules
from provpack.jobs.harvestfind import roots_of
from provpack.package.bagpaths import position, readable

if TYPE_CHECKING:
    from provpack.catalogue.values import Fault, Ledger, Touch
    from provpack.jobs.trace import Asked


class Beneath:
    """Packages beneath the roots only. Faults and ledgers are those of everywhere: what is known of the
    equipment does not depend on where a package lies."""

    def __init__(self, asked: Asked, roots: Sequence[Path | str]) -> None:
        self._asked = asked
        self.bases = tuple(_as_known(root) for root in roots_of(roots))

    def unknown(self) -> Iterator[Finding]:
        """Roots where the catalogue never looked."""
        known = [root for root, _ in self._asked.roots()]
        for base in self.bases:
            if not any(_within(base, root) or _within(root, base) for root in known):
                yield rules.ROOT_UNKNOWN.found(
                    f"The catalogue knows nothing of {base}.", base, position=position(base)
                )

    def holds(self, place: str) -> bool:
        """Whether a place is one of the roots or lies beneath one."""
        return any(_within(place, base) for base in self.bases)

    def touched(self, what: str, since: str | None, until: str | None) -> Iterator[Touch]:
        """Those of packages beneath the roots."""
        return (t for t in self._asked.touched(what, since, until) if self.holds(t.package.place))

    def not_read(self, limit: int) -> Answer:
        """Those beneath the roots."""
        found = [one for one in self._asked.not_read(0).first if self.holds(one.place)]
        return Answer(total=len(found), first=tuple(found[: limit or None]))

    def roots(self) -> list[tuple[str, str]]:
        """Roots of the catalogue that hold something of these, or lie beneath them."""
        return [
            (root, at)
            for root, at in self._asked.roots()
            if any(_within(base, root) or _within(root, base) for base in self.bases)
        ]

    def parts_like(self, text: str, limit: int) -> list[tuple[str, str, int]]:
        """Near names, of everywhere."""
        return self._asked.parts_like(text, limit)

    def faults(self, equipment: str) -> list[Fault]:
        """Fault notices, of everywhere."""
        return self._asked.faults(equipment)

    def broken_ledgers(self) -> list[Ledger]:
        """Broken ledgers, of everywhere: notices may be missing."""
        return self._asked.broken_ledgers()


def _as_known(root: Path | str) -> str:
    return readable(str(root)) if isinstance(root, Path) else readable(shown_address(root))


def _within(inner: str, outer: str) -> bool:
    return inner == outer or inner.startswith(outer.rstrip("/") + "/")
