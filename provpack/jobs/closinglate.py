"""A delivery that its ledger does not know: enter it from its own note, when its receipt is closed.

That happens when the ledger could not be written at the moment the delivery was made. The lines say that they
came late; only packages that this very ledger saw being sealed are entered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from provpack import __version__
from provpack.edge.hashing import digest_bytes
from provpack.edge.place import FolderPlace
from provpack.edge.reading import read_small
from provpack.errors import InputProblem
from provpack.findings import Finding
from provpack.jobs import deliveryrules as rules
from provpack.jobs.deliverypapers import strangers_document
from provpack.package.bagpaths import readable
from provpack.package.deliverynote import NOTE
from provpack.package.documents import MAX_DOCUMENT
from provpack.package.figures import counted, moment_words
from provpack.package.ledgerchain import Entry
from provpack.package.ledgerline import DELIVERED, WRAPPED, ledger_line


def late_lines(
    folder: Path, receipt: Mapping[str, Any], entries: Sequence[Entry], now: datetime
) -> tuple[list[dict[str, Any]], list[Finding]]:
    """The lines about the delivery in the folder that the ledger lacks, and what speaks against them.

    receipt: fits its schema. No lines when the ledger knows the delivery, or when there is an error. Raises
    InputProblem, RecordProblem and CouldNotCheck when the note cannot be read.
    """
    delivery, where = receipt["delivery_id"], readable(str(folder / NOTE))
    if any(is_delivered(entry, delivery) for entry in entries):
        return [], []
    if not (folder / NOTE).is_file():
        raise InputProblem(
            "no-delivery-note", f"There is no {NOTE} in this folder.", where=readable(str(folder)),
            todo="Name the folder that `provpack deliver` made, after --delivery.",
        )  # fmt: skip
    data = read_small(FolderPlace(folder), NOTE, MAX_DOCUMENT)
    note = strangers_document("delivery-note", data, where)
    digest = digest_bytes(data, ("sha512",))["sha512"]
    wrong = _unfit(note, digest, receipt, entries)
    if wrong:
        return [], [rules.DELIVERY_NOT_OURS.found(what, where) for what in wrong[:100]]
    many, at = counted(len(note["packages"]), "package"), moment_words(note["made_by"]["at"])
    what = f"Delivery {note['delivery_name']} of {many}, made on {at}."
    lines = [
        ledger_line(
            DELIVERED, at=now.isoformat(), tool_version=__version__, package=p["name"],
            tagmanifest_sha512=p["tagmanifest_sha512"], record_id=p["record_id"], outcome="done",
            findings=p["findings"], delivery_id=delivery, document_sha512=digest,
            organisation=note["to"]["client"], happened_at=note["made_by"]["at"],
            note=f"delivery {note['delivery_name']} to {note['to']['client']}, as {note['form']}; entered "
            "afterwards from its own note",
        )
        for p in note["packages"]
    ]  # fmt: skip
    return lines, [rules.ENTERED_LATE.found(what, where)]


def is_delivered(entry: Entry, delivery: str | None) -> bool:
    """Whether the line says that this delivery left."""
    return delivery is not None and entry.get("kind") == DELIVERED and entry.get("delivery_id") == delivery


def _unfit(
    note: Mapping[str, Any], digest: str, receipt: Mapping[str, Any], entries: Sequence[Entry]
) -> list[str]:
    """Why the note cannot be entered, in sentences; [] when it can."""
    if note["delivery_id"] != receipt["delivery_id"] or digest != receipt["delivery_note_sha512"]:
        return ["The receipt is not about the delivery note in this folder."]
    if note["ledger"] != receipt["ledger"]:
        return ["Note and receipt name different last lines of the ledger."]
    sealed = {entry.get("package"): entry for entry in entries if entry.get("kind") == WRAPPED}
    out = []
    for package in note["packages"]:
        line = sealed.get(package["name"])
        if line is None:
            out.append(f"The ledger does not say that '{readable(package['name'])}' was sealed.")
        elif line.get("tagmanifest_sha512") != package["tagmanifest_sha512"]:
            out.append(
                f"'{readable(package['name'])}' is noted as {package['tagmanifest_sha512'][:16]}...; line "
                f"{line.get('n')} sealed it as {str(line.get('tagmanifest_sha512'))[:16]}..."
            )
    return out
