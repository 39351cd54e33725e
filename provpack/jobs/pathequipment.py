"""Boards, firmware, cables and clocks that took part in the passes of a transfer, as the register tells."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from provpack.model.fitted import fitted_during
from provpack.model.formats import read_moment

MACHINES = ("deck_id", "decoder_id", "capture_device_id")
HOW = "the equipment register says it was fitted to this machine or chain when the pass ran"


def path_equipment(register: Mapping[str, object], values: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The record's `path_equipment`, by pass and in the order of the register.

    values: flat, with `passes`. What a pass leaves unsaid is that of the transfer, unless the pass names a
    chain of its own.
    """
    return [entry for one in _passes(values) for entry in _of_pass(register, values, one)]


def _passes(values: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    passes = values.get("passes")
    return [one for one in passes if isinstance(one, Mapping)] if isinstance(passes, list) else []


def _of_pass(
    register: Mapping[str, object], values: Mapping[str, Any], one: Mapping[str, Any]
) -> Iterator[dict[str, Any]]:
    own = one.get("chain_id") in (None, values.get("chain_id"))
    named = [one.get(name) or (values.get(name) if own else None) for name in MACHINES]
    chain = one.get("chain_id") or values.get("chain_id")
    for found in fitted_during(
        register,
        {name for name in named if isinstance(name, str)},
        chain if isinstance(chain, str) else None,
        read_moment(one.get("started_at")),
        read_moment(one.get("stopped_at")),
    ):
        entry = {
            "equipment_id": found.equipment_id,
            "kind": found.entry.text("kind"),
            "make_model": found.entry.text("make_model"),
            "serial": found.entry.text("serial"),
            "fitted_to": found.to,
            "took_part": found.took_part,
            "pass_n": one.get("n"),
        }
        yield {name: value for name, value in entry.items() if value not in (None, "")}
