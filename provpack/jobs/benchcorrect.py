"""A sealed package is corrected by a new transfer that replaces it: one press on the page, one line of `jot`.

Nothing is typed over from the package: its record says which one it is. The new transfer takes over what was
stated of the old one (jobs/corrections.py), and gets its own values, or its own pass, as any other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from provpack.errors import ProvpackError
from provpack.jobs.benchact import known_ids, maybe, near, refused
from provpack.jobs.benchdesk import Acted, Desk
from provpack.jobs.benchnaming import Naming
from provpack.jobs.benchsealed import sealed_record
from provpack.jobs.benchvalues import value_of
from provpack.jobs.corrections import CORRECTS, PLAYS_AGAIN
from provpack.jobs.sheetfields import sheet_fields
from provpack.package.benchline import Through

_AFTER: Final[Mapping[str, str]] = {
    CORRECTS: "It has the recording and all that was stated. State what is right, then wrap it.",
    PLAYS_AGAIN: "It has what was stated of the carrier. Play it, state the rest, then wrap it.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A transfer that takes the place of a sealed one. how: corrects or plays_again; lines: numbers of the
    lines that make it so, in their order; sealed: its own package, None while it has none."""

    transfer_id: str
    of: str
    how: str
    lines: tuple[int, ...]
    sealed: str | None


def corrections(desk: Desk) -> dict[str, Correction]:
    """Old transfer -> the one that takes its place, by what sheets and log state; of several the last."""
    out: dict[str, Correction] = {}
    for transfer_id, values in desk.said().transfers.items():
        how = next((name for name in (CORRECTS, PLAYS_AGAIN) if values.get(name)), None)
        old = str(values.get(how or ""))
        if how is None or old == transfer_id or not isinstance(values.get("supersedes"), Mapping):
            continue
        out[old] = Correction(
            transfer_id=transfer_id, of=old, how=how, lines=_lines(desk, transfer_id, how),
            sealed=desk.sealed(transfer_id),
        )  # fmt: skip
    return out


def _lines(desk: Desk, transfer_id: str, how: str) -> tuple[int, ...]:
    """The lines that made the correction; () when a sheet says a part of it: nothing is to be taken back."""
    taken = desk.state.transfers.get(transfer_id)
    said = [desk.state.values.get(("transfer", transfer_id, name)) for name in (how, "supersedes")]
    stated = [s.n for s in said if s is not None]
    if taken is None or taken.n is None or len(stated) < len(said):
        return ()
    return (taken.n, *sorted(stated))


def correct(
    desk: Desk,
    transfer_id: str,
    *,
    reason: str,
    again: bool = False,
    new_id: str | None = None,
    by: str | None,
    through: Through,
) -> Acted:
    """Take in a new transfer that replaces a sealed one, and state that it does. ProvpackError, nothing
    written, when the old one is not sealed, is replaced already, or the reason or identifier will not do.

    again: the carrier is played again; else the recording stays. reason: what is wrong, for the record.
    new_id: of the new transfer; None = the next free one whose package may be called so. Cut off half way,
    the same call goes on with it.
    """
    how = PLAYS_AGAIN if again else CORRECTS
    desk.refresh()
    old = _sealed(desk, transfer_id)
    there = corrections(desk).get(transfer_id)
    if there is not None:
        then = (
            f"That is sealed too, as {there.sealed}: if it is wrong, correct that one."
            if there.sealed
            else "Go on with that one: state what is right, then wrap it."
        )
        raise refused(
            "corrected-already",
            f"{transfer_id} is replaced by {there.transfer_id} already.",
            todo=then,
            where=transfer_id,
        )
    why = maybe({"reason": reason}, "reason")
    if why is None:
        raise refused(
            "member-missing",
            "It is not said what is wrong with the package.",
            todo="Say it in a few words: it stands in the new package, for whoever has both.",
            where="reason",
        )
    begun = _begun(desk, transfer_id, how)
    naming = Naming(desk)
    new = (new_id or "").strip() or begun
    if new is None:
        proposal = naming.proposals([transfer_id])[transfer_id]
        if proposal.another:
            raise refused(
                "id-unfit",
                f"The next free identifier, {proposal.new}, will not do. {proposal.unfit}",
                todo="Give the new transfer an identifier that makes a name as the client wants it.",
                where="new_id",
            )
        new = proposal.new
    if new != begun and new in known_ids(desk.said(), desk.state):
        raise refused(
            "id-taken",
            f"{new} is another transfer of this job.",
            todo="Give the new transfer an identifier of its own, or leave it out: then it gets one.",
            where="new_id",
        )
    column, warnings = sheet_fields().transfer["supersedes"], list[str]()
    supersedes = value_of(column, {**old, "reason": why}, warnings)  # refused before a line is written

    def act(kind: str, **members: Any) -> Acted:
        return desk.act(kind, members, by=by, through=through)

    def state(name: str, value: Any) -> Acted:
        return act("declared", scope="transfer", id=new, field=name, value=value, was=None)

    if begun == new:
        done = state("supersedes", supersedes)
    else:
        act("taken_in", transfer_id=new)
        state(how, transfer_id)
        done = state("supersedes", supersedes)  # last: with it the correction is whole
    words = f"{done.words[:8]} {new} will replace {old['package_name']}. {_AFTER[how]}"
    unfit = naming.unfit(transfer_id, new)
    warned = (*done.warnings, *((unfit,) if unfit else ()))
    return Acted(entry=done.entry, state=done.state, words=words, undo=False, warnings=warned)


def withdraw(desk: Desk, transfer_id: str, *, by: str | None, through: Through) -> Acted:
    """Take back all lines that made a transfer the correction of another. Refused, line by line, where others
    rest on them."""
    desk.refresh()
    found = next((c for c in corrections(desk).values() if c.transfer_id == transfer_id), None)
    if found is None or not found.lines:
        raise refused(
            "no-correction",
            f"The log does not make {transfer_id[:80]} the correction of another transfer.",
            todo="Look at the page Packages: it may be taken back already, or stand in a sheet.",
            where=transfer_id[:80],
        )
    own = [
        stated.n
        for (scope, id_, _), stated in desk.state.values.items()
        if (scope, id_) == ("transfer", transfer_id) and stated.n not in found.lines
    ]
    taken = desk.state.transfers[transfer_id]
    if own or taken.passes or taken.notes:
        raise refused(
            "others-rest-on-it",
            f"Something was written down for {transfer_id} since.",
            todo="Take that back first, on its page; or leave the transfer as it is.",
            where=transfer_id,
        )
    for number in sorted(found.lines, reverse=True):
        done = desk.act("taken_back", {"entry": number}, by=by, through=through)
    words = f"{done.words[:8]} {transfer_id} does not replace {found.of} any more."
    return Acted(entry=done.entry, state=done.state, words=words, undo=False, warnings=done.warnings)


def _begun(desk: Desk, old: str, how: str) -> str | None:
    """A transfer that was taken in to replace that one, and does not say so yet: the program was cut off."""
    for transfer_id, values in desk.said().transfers.items():
        if values.get(how) == old and not values.get("supersedes") and _taken_in(desk, transfer_id):
            return transfer_id
    return None


def _taken_in(desk: Desk, transfer_id: str) -> bool:
    taken = desk.state.transfers.get(transfer_id)
    return taken is not None and taken.n is not None


def _sealed(desk: Desk, transfer_id: str) -> dict[str, str]:
    """record_id and package_name of the sealed package of a transfer, as its record says."""
    known = known_ids(desk.said(), desk.state)
    if transfer_id not in known:
        raise refused(
            "transfer-unknown",
            f"There is no transfer '{transfer_id[:80]}' in this job.",
            todo=f"{near(transfer_id, known)}Look at the list of carriers.",
            where="transfer_id",
        )
    name = desk.sealed(transfer_id)
    if name is None or desk.destination is None:
        raise refused(
            "not-sealed",
            f"{transfer_id} is not sealed: no package of it stands in {desk.destination or 'any folder'}.",
            todo="Nothing need be replaced: change what is wrong where it is stated. If its package was "
            "moved, say where it is when you start (--to).",
            where=transfer_id,
        )
    try:
        record = sealed_record(desk.destination / name)
        found = {"record_id": record["record_id"], "package_name": name}
        if record["transfer_id"] == transfer_id and record.get("package_name") == name:
            return found
    except (ProvpackError, OSError, ValueError, KeyError, TypeError, RecursionError):
        pass
    raise refused(
        "package-unreadable",
        f"The record in package {name} cannot be read, or is of another package.",
        todo="Verify the package first: it may be damaged.",
        where=name,
    )
