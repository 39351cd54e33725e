"""The acts by the kind of their line: what page and command line can write down, and by which rules."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from provpack.jobs import benchattach, benchplay, benchundo, benchvalues
from provpack.jobs.benchact import Bench, Line, refused
from provpack.package.benchline import KINDS

ACTS: Final[Mapping[str, Callable[[Mapping[str, Any], Bench], Line]]] = {
    "taken_in": benchvalues.taken_in,
    "declared": benchvalues.declared,
    "pass_started": benchplay.pass_started,
    "pass_stopped": benchplay.pass_stopped,
    "event": benchplay.event,
    "noted": benchplay.noted,
    "file_attached": benchattach.file_attached,
    "file_detached": benchattach.file_detached,
    "judged": benchplay.judged,
    "taken_back": benchundo.taken_back,
}


def line_of(kind: str, members: Mapping[str, Any], bench: Bench) -> Line:
    """The line that an act becomes. Raises ProvpackError, code `bench-...`, for one that cannot be now."""
    act = ACTS.get(kind)
    if act is None:
        raise refused(
            "no-such-act",
            f"'{str(kind)[:80]}' is no act at the bench.",
            todo=f"The acts are: {', '.join(KINDS)}.",
            where="kind",
        )
    if not isinstance(members, Mapping):
        raise refused("no-such-member", "An act's members are a table.", todo="Give them so.", where=kind)
    return act(members, bench)
