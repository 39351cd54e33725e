"""The custody ledgers that packages hang on, before these are delivered: whole, open for writing, and what
they know of each package.

Looked at before anything is copied: a delivery that cannot be entered could never be closed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from provpack.edge.ledger import find_ledger
from provpack.errors import CouldNotCheck, EnvironmentProblem, PackageProblem, ProvpackError
from provpack.findings import Finding
from provpack.jobs import deliveryrules as rules
from provpack.jobs.delivered import DeliverPorts
from provpack.jobs.deliverylook import Looked
from provpack.package.bagpaths import readable
from provpack.package.figures import moment_words
from provpack.package.ledgerchain import Chain, Entry
from provpack.package.ledgerline import ACCEPTED, DESTROYED, SUPERSEDED, WRAPPED

_COMPARE = "Compare it with a copy kept elsewhere; `provpack custody` names each line. Then deliver again."


@dataclass(slots=True)
class Ledgers:
    """head: entries and last_sha512 for the delivery note, None when no one ledger can be vouched for.
    problem: why nothing may be delivered. history: what a ledger says of a package, by its name."""

    head: Mapping[str, Any] | None = None
    problem: ProvpackError | None = None
    findings: list[Finding] = field(default_factory=list)
    history: dict[str, list[Finding]] = field(default_factory=dict)


def ledger_of(one: Looked) -> Path | None:
    """The ledger the package hangs on."""
    return find_ledger(one.root.resolve().parent)


def look_at_ledgers(wanted: Sequence[Looked], ports: DeliverPorts) -> Ledgers:
    """Everything the ledgers say, and whether lines can be appended to them. Writes nothing."""
    out = Ledgers()
    there: dict[Path | None, list[Looked]] = {}
    for one in wanted:
        there.setdefault(ledger_of(one), []).append(one)
    for ledger, packages in there.items():
        if ledger is None:
            first = packages[0]
            what = f"No custody-ledger.jsonl lies beside '{first.name}'."
            out.findings.append(rules.NO_LEDGER.found(what, readable(str(first.root.parent))))
            continue
        try:
            chain = ports.read_ledger(ledger, ())
        except CouldNotCheck as err:
            out.problem = out.problem or EnvironmentProblem(
                "ledger-unreadable", f"{err.what} Nothing was delivered.", where=err.where, todo=err.todo
            )
            continue
        _judge(ledger, chain, ports, out)
        out.history |= _history(chain.entries, packages)
        if len(there) == 1 and chain.head is not None:
            out.head = {"entries": chain.head[0], "last_sha512": chain.head[1]}
    if len(there) > 1:
        named = ", ".join(readable(str(path)) for path in there if path) or "none"
        what = f"The packages belong to {len(there)} different ledgers: {named}."
        out.findings.append(rules.SEVERAL_LEDGERS.found(what, "custody-ledger.jsonl"))
    return out


def _judge(ledger: Path, chain: Chain, ports: DeliverPorts, out: Ledgers) -> None:
    """Whether the chain holds and the file can be opened for appending."""
    where = readable(str(ledger))
    if chain.breaks:
        out.findings += [rules.LEDGER_BROKEN.found(broken.what, where) for broken in chain.breaks[:5]]
        out.problem = PackageProblem(
            "ledger-broken", "The custody ledger is broken. Nothing was delivered.", where=where,
            todo=_COMPARE,
        )  # fmt: skip
        return
    try:
        ports.append(ledger, ())  # opened and locked as for an append; no line, so nothing is written
    except ProvpackError as err:
        out.problem = out.problem or EnvironmentProblem(
            "ledger-not-writable",
            f"The custody ledger cannot be written: {err.what} Nothing was delivered: the delivery could not "
            "be entered in it.",
            where=where,
            todo="Make the file writable for you (owner, permissions, medium, no other program that holds "
            "it), then run the same command again.",
        )


def _history(entries: Sequence[Entry], packages: Sequence[Looked]) -> dict[str, list[Finding]]:
    """Package -> warnings: since its sealing it was accepted, or entered as superseded or destroyed."""
    told: dict[str, dict[str, Entry]] = {one.name: {} for one in packages}
    for entry in entries:
        name, kind = entry.get("package"), entry.get("kind")
        held = told.get(name) if isinstance(name, str) else None
        if held is None or not isinstance(kind, str):
            continue
        if kind == WRAPPED:
            held.clear()
        elif kind in (ACCEPTED, SUPERSEDED, DESTROYED):
            held[kind] = entry
    out: dict[str, list[Finding]] = {}
    for one in packages:
        for kind, entry in told[one.name].items():
            rule = rules.WAS_ACCEPTED if kind == ACCEPTED else rules.WAS_ENDED
            said = entry.get("note") if kind != ACCEPTED else None
            more = f": {readable(said[:200])}" if isinstance(said, str) and said else ""
            what = (
                f"Line {entry.get('n')} of the ledger, of {moment_words(str(entry.get('at')))}: {kind}{more}."
            )
            out.setdefault(one.name, []).append(rule.found(what, readable(str(one.root))))
    return out
