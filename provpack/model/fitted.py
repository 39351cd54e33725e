"""What else was in the signal path: boards, firmware, cables and clocks that the register says were fitted.

The register (schemas/equipment-register.schema.json, `fitted`) says of a piece of equipment into what it was
built or to which chain it was wired, and when. Together with the time of a pass that tells whether it took
part. Where times do not decide, the answer is "unknown", never "no".
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from provpack.model.formats import Moment
from provpack.model.recordview import Row, View

TookPart = Literal["yes", "unknown"]
_DEPTH: Final = 8
"""A firmware in a board in a decoder is three deep; more than this is a register that goes in circles."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """One piece of equipment in the path of one pass. entry: its row in the register; to: the equipment or
    chain it was fitted to; took_part: "yes" when the times surely cover the pass, "unknown" when they may."""

    entry: Row
    to: str
    took_part: TookPart

    @property
    def equipment_id(self) -> str:
        return self.entry.text("id") or ""


def fitted_during(
    register: Mapping[str, object],
    equipment: Collection[str],
    chain_id: str | None,
    started: Moment | None,
    stopped: Moment | None,
) -> list[Fitted]:
    """Everything fitted, also by way of something else, to the equipment or chain while the pass ran.

    started, stopped: of the pass, None where nobody noted it. Each piece once, in the order of the register,
    with the surest way it is known to have taken part.
    """
    rows = [row for row in View(record=register).rows("equipment") if row.text("id")]
    known: dict[str, Fitted] = {}
    hosts: dict[str, TookPart] = dict.fromkeys(equipment, "yes")
    for _ in range(_DEPTH):
        before = {name: one.took_part for name, one in known.items()}
        for row in rows:
            name = row.text("id") or ""
            if name in equipment:
                continue
            for stay in row.rows("fitted"):
                host, chain = stay.text("equipment_id"), stay.text("chain_id")
                through = hosts.get(host) if host else "yes" if chain and chain == chain_id else None
                if host and chain and chain != chain_id:
                    through = None
                covered = covers(stay, started, stopped) if through else None
                if covered is None:
                    continue
                sure: TookPart = "yes" if (through, covered) == ("yes", "yes") else "unknown"
                if name not in known or (sure == "yes" and known[name].took_part != "yes"):
                    known[name] = Fitted(entry=row, to=host or chain or "", took_part=sure)
        if before == {name: one.took_part for name, one in known.items()}:
            break
        hosts |= {name: one.took_part for name, one in known.items()}
    return [known[name] for row in rows if (name := row.text("id") or "") in known]


def covers(stay: Row, started: Moment | None, stopped: Moment | None) -> TookPart | None:
    """Whether a time of being fitted covers a pass: surely, perhaps, or surely not (None).

    An absent `since` or `until` is an open end; one that cannot be read decides nothing.
    """
    since, until = stay.moment("since"), stay.moment("until")
    first, last = started or stopped, stopped or started
    if since is not None and last is not None and last.surely_before(since):
        return None
    if until is not None and first is not None and until.surely_before(first):
        return None
    inside = _surely(since, started, stay.fields.get("since")) and _surely(
        stopped, until, stay.fields.get("until")
    )
    return "yes" if inside else "unknown"


def _surely(earlier: Moment | None, later: Moment | None, border: object) -> bool:
    """Whether one moment is surely not after the other; border: what the register wrote, None = open end."""
    if border is None:
        return True
    return earlier is not None and later is not None and earlier.latest <= later.earliest
