"""Look at a custody ledger: does the chain hold, do the papers agree, and what is open? Writes nothing."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Literal

from provpack.edge.chainedend import set_aside
from provpack.edge.ledger import LEDGER_NAME, read_ledger
from provpack.edge.ledgerend import packages_beside
from provpack.edge.tree import open_regular
from provpack.errors import CouldNotCheck
from provpack.findings import Finding
from provpack.jobs import custodyrules as rules
from provpack.jobs.custodyhistory import History
from provpack.jobs.custodyopen import Open, open_things
from provpack.model.formats import read_moment
from provpack.package.bagpaths import position, readable
from provpack.package.custodystate import CustodyState, moment_of, text
from provpack.package.figures import counted
from provpack.package.ledgerchain import Chain, Entry, Witness
from provpack.package.ledgerwords import sentence

Verdict = Literal["met", "contradicted", "tells_nothing"]
MAX_PAPER = 64 * 1024 * 1024
_SHA512 = re.compile(r"[0-9a-f]{128}\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A delivery note or receipt the ledger was compared with; entries and sha512 as it attests them."""

    path: str
    verdict: Verdict
    entries: int | None = None
    sha512: str | None = None

    def as_json(self) -> dict[str, Any]:
        return {
            "path": readable(self.path), "verdict": self.verdict, "entries": self.entries,
            "last_sha512": self.sha512,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyResult:
    """What was found. findings: about chain and papers; open: everything that waits for somebody."""

    path: str
    today: date
    chain: Chain
    papers: tuple[Paper, ...]
    findings: tuple[Finding, ...]
    open: tuple[Open, ...]
    asked: str | None = None
    history: tuple[Entry, ...] = ()

    @property
    def exit_code(self) -> int:
        """10 chain broken or contradicted; 11 a paper could not be used; 1 something is open; 0 nothing."""
        if self.chain.breaks:
            return 10
        if any(p.verdict == "tells_nothing" for p in self.papers):
            return 11
        return 1 if self.open or any(f.severity != "note" for f in self.findings) else 0

    @property
    def outcome(self) -> str:
        return {0: "good", 1: "open", 10: "bad", 11: "could_not_check"}[self.exit_code]

    def as_json(self) -> dict[str, Any]:
        """The shape of schemas/result-custody.schema.json."""
        head = self.chain.head
        torn = self.chain.torn
        return {
            "outcome": self.outcome,
            "ledger": readable(self.path),
            "today": self.today.isoformat(),
            "chain": {
                "holds": self.chain.holds,
                "lines": self.chain.lines,
                "entries": head[0] if head else None,
                "last_sha512": head[1] if head else None,
                "torn": {"bytes": torn.size, "complete": torn.complete} if torn else None,
                "breaks": [
                    {
                        "kind": b.kind,
                        "first_entry": b.entries[0] if b.entries else None,
                        "last_entry": b.entries[1] if b.entries else None,
                        "lines": list(b.lines),
                        "what": b.what,
                    }
                    for b in self.chain.breaks
                ],
            },
            "papers": [p.as_json() for p in self.papers],
            "open": [o.as_json() for o in self.open],
            "asked": self.asked,
            "history": [
                {
                    "n": entry["n"],
                    "moment": moment_of(entry) or None,
                    "kind": text(entry, "kind"),
                    "carrier": text(entry, "carrier_id") or text(entry, "client_item_id"),
                    "package": text(entry, "package"),
                    "said": sentence(entry),
                }
                for entry in self.history
            ],
            "findings": [f.as_json() for f in self.findings],
        }


def _no_ledger(folder: Path, ledger: Path) -> CouldNotCheck:
    if not folder.is_dir():
        todo = "Mend the path: name the folder that holds the packages and their custody ledger."
        return CouldNotCheck(
            "no-such-folder", "There is no such folder.", where=readable(str(folder)), todo=todo
        )
    beside = packages_beside(ledger)
    what = f"There is no {LEDGER_NAME} in this folder."
    todo = "Name the folder of the packages; wrap begins a ledger there, and enter does for carriers."
    if beside:
        many = (
            f"{len(beside)} packages it should tell of lie"
            if len(beside) > 1
            else "A package it should tell of lies"
        )
        what += f" {many} here."
        todo = "Look for the ledger in your copies before anything else is done here: a new one begins anew."
    return CouldNotCheck("ledger-missing", what, where=readable(str(ledger)), todo=todo)


def look_at_custody(
    folder: Path,
    *,
    today: date,
    against: Sequence[Path] = (),
    carrier: str | None = None,
    package: str | None = None,
) -> CustodyResult:
    """Read the ledger in a folder (or the ledger file itself) and say what it amounts to.

    carrier, package: also collect the lines that concern it. Raises CouldNotCheck when the ledger cannot be
    read at all; whatever is wrong with it is in the result.
    """
    ledger = folder / LEDGER_NAME if folder.is_dir() else folder
    if not os.path.lexists(ledger):
        raise _no_ledger(folder, ledger)
    papers = [_read_paper(path) for path in against]
    witnesses = [w for _, w, _ in papers if w is not None]
    state = CustodyState()
    chain = read_ledger(ledger, witnesses=witnesses, each=state.add)
    state.finish()
    history = History(state, carrier, package)
    if history.wanted:  # a second reading: what belongs together is known only now
        read_ledger(ledger, each=history.add)
    findings = list(_about_chain(chain, ledger))
    findings += [f for _, _, f in papers if f is not None]
    met = dict(zip((w.source for w in witnesses), chain.met, strict=True))
    asked = carrier or package
    if asked and not history.lines:
        near = history.near(asked)
        hint = f" Did you mean {', '.join(near)}?" if near else ""
        what = f"No line of the ledger names {readable(asked)}.{hint}"
        findings.append(rules.UNKNOWN_NAME.found(what, str(ledger)))
    return CustodyResult(
        path=str(ledger),
        today=today,
        chain=chain,
        papers=tuple(
            Paper(
                path=str(path),
                verdict="tells_nothing" if w is None else "met" if met[w.source] else "contradicted",
                entries=w.entries if w else None,
                sha512=w.sha512 if w else None,
            )
            for path, w, _ in papers
        ),
        findings=tuple(findings),
        open=tuple(open_things(state, today, history.touched)),
        asked=asked,
        history=tuple(sorted(history.lines, key=_happened)),
    )


def _happened(entry: Entry) -> tuple[bool, datetime]:
    moment = read_moment(moment_of(entry))
    return (moment is None, moment.earliest if moment is not None else datetime.min.replace(tzinfo=UTC))


def _read_paper(path: Path) -> tuple[Path, Witness | None, Finding | None]:
    """The witness in a delivery note or receipt, or why there is none."""
    try:
        with open_regular(path.parent, path.name) as file:
            data = file.read(MAX_PAPER + 1) or b""
        value = json.loads(data) if len(data) <= MAX_PAPER else None
        told = value.get("ledger") if isinstance(value, dict) else None
    except CouldNotCheck as err:
        return path, None, rules.NO_WITNESS.found(err.what, readable(str(path)))
    except (OSError, ValueError, RecursionError):
        return path, None, rules.NO_WITNESS.found("The file is no JSON document.", readable(str(path)))
    entries, digest = (
        (told.get("entries"), told.get("last_sha512")) if isinstance(told, dict) else (None, None)
    )
    if type(entries) is not int or entries < 0 or not isinstance(digest, str) or not _SHA512.match(digest):
        what = "The document does not say how many entries a custody ledger had, and the SHA-512 of the last."
        return path, None, rules.NO_WITNESS.found(what, readable(str(path)))
    return path, Witness(entries=entries, sha512=digest, source=readable(str(path))), None


def _about_chain(chain: Chain, ledger: Path) -> Iterator[Finding]:
    shown = readable(str(ledger))
    for one in chain.breaks:
        rule = rules.CONTRADICTED if one.kind == "contradicted" else rules.CHAIN_BROKEN
        if one.kind == "cut_off" and one.entries is None:
            rule = rules.HISTORY_GONE
        place: dict[str, str | int] = dict(position(shown))
        if one.lines:
            place["row"] = one.lines[0]
        where = f"{shown}, line {one.lines[0]}" if one.lines else f"{shown}, at its end"
        if rule is rules.HISTORY_GONE:
            where = shown
        yield rule.found(one.what, where, position=place)
    if chain.torn is not None:
        what = (
            f"The last line lacks its line end; nothing of it is lost (entry {chain.head[0]})."
            if chain.torn.complete and chain.head
            else f"The last line is only the beginning of an entry ({counted(chain.torn.size, 'byte')})."
        )
        yield rules.TORN.found(what, shown, position=position(shown))
    for name, size in set_aside(ledger):
        what = f"The beginning of an entry ({counted(size, 'byte')}) was set aside in {readable(name)}."
        beside = readable(str(ledger.with_name(name)))
        yield rules.SET_ASIDE.found(what, beside, position=position(beside))
