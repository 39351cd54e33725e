"""What sheets and bench log state, place by place: what a line calls `was`, and the chains as they are now.

Unlike a loaded transfer nothing is merged here: a value stands where it was stated, so that a line about
the transfer is compared with the transfer's own row and not with what its chain or the defaults say.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from provpack.package.benchstate import BenchState

Values = Mapping[str, Any]
NO_SETTINGS: Final = frozenset({"id", "note", "capture_files"})
"""Keys of a chain that are no setting of a machine: nobody confirms them before a pass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """Values by place, in the form of the job sheet. Keys: the id of the chain, transfer or equipment."""

    job: Values = field(default_factory=dict)
    defaults: Values = field(default_factory=dict)
    chains: Mapping[str, Values] = field(default_factory=dict)
    transfers: Mapping[str, Values] = field(default_factory=dict)
    equipment: Mapping[str, Values] = field(default_factory=dict)

    def at(self, scope: str, id_: str | None) -> Values:
        """The values of one place; empty when there is no such place."""
        if scope in ("job", "defaults"):
            return self.job if scope == "job" else self.defaults
        places = {"chain": self.chains, "transfer": self.transfers, "equipment": self.equipment}
        return places.get(scope, {}).get(id_ or "", {})

    def ids(self, scope: str) -> tuple[str, ...]:
        """The ids of that scope; empty for the job and its defaults."""
        places = {"chain": self.chains, "transfer": self.transfers, "equipment": self.equipment}
        return tuple(places.get(scope, ()))


def with_log(sheets: Said, state: BenchState) -> Said:
    """The sheets with what the log states laid over them; a value of null takes one away."""
    places: dict[str, dict[str | None, dict[str, Any]]] = {
        "job": {None: dict(sheets.job)},
        "defaults": {None: dict(sheets.defaults)},
        "chain": {k: dict(v) for k, v in sheets.chains.items()},
        "transfer": {k: dict(v) for k, v in sheets.transfers.items()},
        "equipment": {k: dict(v) for k, v in sheets.equipment.items()},
    }
    for transfer_id in state.transfers:
        places["transfer"].setdefault(transfer_id, {})
    for (scope, id_, name), stated in state.values.items():
        if scope not in places or (id_ is None) is not (scope in ("job", "defaults")):
            continue
        if stated.value is None:
            places[scope].get(id_, {}).pop(name, None)
        else:
            places[scope].setdefault(id_, {})[name] = stated.value

    def named(scope: str) -> dict[str, Values]:
        return {str(k): v for k, v in places[scope].items()}

    for chain_id, chain in places["chain"].items():
        chain.setdefault("id", chain_id)

    return Said(
        job=places["job"][None],
        defaults=places["defaults"][None],
        chains=named("chain"),
        transfers=named("transfer"),
        equipment=named("equipment"),
    )


def settings_of(chain: Values) -> dict[str, Any]:
    """What is confirmed before a pass: the fields of a chain that have a value, in the order of the sheet."""
    return {name: value for name, value in chain.items() if name not in NO_SETTINGS and value is not None}


def same(one: Any, other: Any) -> bool:
    """Whether two values are the same in JSON: true is not 1, and the order of members says nothing."""
    return _plain(one) == _plain(other)


def _plain(value: Any) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, default=str)
