"""What is known of a package from outside of it: what ledgers call it, and whose signature fits."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from provpack.edge.ledger import find_ledger, read_ledger
from provpack.edge.reading import read_small
from provpack.errors import CouldNotCheck, InputProblem, ProvpackError
from provpack.findings import Finding
from provpack.jobs import healrules as rules
from provpack.jobs.healcopies import Copy
from provpack.jobs.signatures import SignatureVerdict, judge_signature
from provpack.package.bagpaths import position, readable
from provpack.package.healplan import IDENTITY, Plan
from provpack.package.ledgerchain import ANY_LINE, Entry
from provpack.package.ledgerline import DELIVERED, HEALED, WRAPPED
from provpack.package.ownbag import SIGNATURE
from provpack.package.signers import Signers
from provpack.package.sshsig import MAX_SIGNATURE, NAMESPACE_PACKAGE

_SEALED = frozenset({WRAPPED, DELIVERED, HEALED})
FITS = frozenset({"valid", "unvouched", "expired", "foreign"})
"""States of a signature that belongs to the bytes, whoever made it."""


def ledgers_beside(copies: Iterable[Copy]) -> list[Path]:
    """The custody ledgers that lie beside the copies, each once."""
    found: dict[Path, None] = {}
    for copy in copies:
        local = copy.place.local if copy.place is not None else None
        try:
            folder = local.resolve().parent if local is not None else None
            ledger = find_ledger(folder) if folder is not None and folder.is_dir() else None
        except (OSError, ValueError):
            continue
        if ledger is not None:
            found.setdefault(ledger)
    return list(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokenWitness:
    """A ledger whose lines do not all follow from each other. told: identity -> the last line that calls a
    package of this name so; touched: lines up to this one may be made up, and acquit nobody."""

    path: Path
    told: Mapping[str, int]
    touched: int

    def contradicts(self, identity: str) -> Finding | None:
        """That it knows another package by this name, when no line behind the break knows this one."""
        if not self.told or self.told.get(identity, 0) > self.touched:
            return None
        others = {told: line for told, line in self.told.items() if told != identity}
        if not others:
            return None
        other, line = max(others.items(), key=lambda item: item[1])
        shown = readable(str(self.path))
        also = (
            f" Line {self.told[identity]} knows this one, but may be made up." if self.knows(identity) else ""
        )
        what = (
            f"The broken ledger knows another package by this name: line {line} has {other[:16]}..., and "
            f"what the copies hold is {identity[:16]}... (SHA-512 of {IDENTITY}).{also}"
        )
        return rules.LEDGER_OTHER.found(what, f"{shown}, line {line}", position=position(shown))

    def knows(self, identity: str) -> bool:
        """Whether any line calls a package of this name so."""
        return identity in self.told


def known_identities(
    ledgers: Iterable[Path], named: Path | None, names: Collection[str]
) -> tuple[frozenset[str], list[BrokenWitness], list[Finding]]:
    """The identities under which whole ledgers saw a package of one of these names sealed or handed over; and
    the broken ledgers, which vouch for nothing.

    named: the ledger that was asked for. Raises InputProblem when that one cannot be read or does not hold.
    """
    out: set[str] = set()
    broken: list[BrokenWitness] = []
    findings: list[Finding] = []
    for path in dict.fromkeys([*([named] if named is not None else []), *ledgers]):
        here: dict[str, int] = {}

        def look(line: int, entry: Entry, here: dict[str, int] = here) -> None:
            digest = entry.get("tagmanifest_sha512")
            if entry.get("kind") in _SEALED and entry.get("package") in names and isinstance(digest, str):
                here[digest] = line

        problem, touched = "", ANY_LINE
        try:
            chain = read_ledger(path, each=look)
            if chain.breaks:
                problem, touched = chain.trouble, chain.last_touched
        except ProvpackError as err:
            problem = err.what
        if not problem:
            out |= set(here)
        elif path == named:
            raise InputProblem(
                "ledger-no-witness", f"This ledger can be no witness: {problem}", where=readable(str(path)),
                todo="Compare it with a copy kept elsewhere, and name one that holds.",
            )  # fmt: skip
        else:
            shown = readable(str(path))
            findings.append(rules.LEDGER_BROKEN.found(problem, shown, position=position(shown)))
            broken.append(BrokenWitness(path=path, told=here, touched=touched))
    return frozenset(out), broken, findings


def accused(broken: Iterable[BrokenWitness], plan: Plan) -> list[Finding]:
    """What broken ledgers say against the package that was chosen.

    Raises InputProblem when one knows only others by its name, and nothing from outside vouches for it: a
    ledger that was broken on purpose must not make its lines go away.
    """
    findings = []
    for ledger in broken if plan.identity is not None else ():
        assert plan.identity is not None
        found = ledger.contradicts(plan.identity)
        if found is None:
            continue
        if plan.evidence not in ("ledger", "signature") and not ledger.knows(plan.identity):
            raise InputProblem("other-package", found.what, where=found.where, todo=rules.LEDGER_OTHER.todo)
        findings.append(found)
    return findings


@dataclass(slots=True)
class Court:
    """The signatures that the copies hold, judged over whatever tag manifest is in question.

    at: when the package of a tag manifest says that it was sealed."""

    signatures: dict[bytes, list[int]]
    signers: Signers | None
    at: Callable[[bytes], datetime | None] = lambda _text: None

    def judge(self, signature: bytes, text: bytes) -> SignatureVerdict:
        return judge_signature(
            text, signature, namespace=NAMESPACE_PACKAGE, signers=self.signers, at=self.at(text),
            where=SIGNATURE,
        )  # fmt: skip

    def trusted(self, text: bytes) -> bool:
        """Whether a signer on the list signed these bytes."""
        return self.signers is not None and any(self.judge(s, text).state == "valid" for s in self.signatures)

    def fits(self, text: bytes) -> bool:
        """Whether anybody signed just these bytes."""
        return any(self.judge(s, text).state in FITS for s in self.signatures)

    def choose(self, text: bytes) -> tuple[bytes | None, str, list[Finding]]:
        """(signature to carry over, its state, what is to be said); None when there is none or no telling."""
        if not self.signatures:
            return None, "missing", []
        judged = [(self.judge(s, text), s) for s in self.signatures]
        for state in ("valid", "unvouched", "expired", "foreign"):
            hits = [s for verdict, s in judged if verdict.state == state]
            if hits:
                return max(hits, key=lambda s: len(self.signatures[s])), state, []
        verdict, only = judged[0]
        if len(judged) == 1:
            if verdict.state == "could_not_check":
                return only, verdict.state, list(verdict.findings)
            what = "The only signature file there is does not fit the package."
            return only, verdict.state, [rules.SIGNATURE_WRONG.found(what, SIGNATURE)]
        what = f"There are {len(judged)} different signature files, and none fits."
        return None, "wrong", [rules.SIGNATURE_LEFT_OUT.found(what, SIGNATURE)]


def signatures_of(copies: Iterable[Copy], sizes: dict[int, dict[str, int]]) -> dict[bytes, list[int]]:
    """Each signature file there is, and the copies that hold it."""
    out: dict[bytes, list[int]] = {}
    for copy in copies:
        if copy.place is not None and sizes[copy.number].get(SIGNATURE, MAX_SIGNATURE + 1) <= MAX_SIGNATURE:
            try:
                data = read_small(copy.place, SIGNATURE, MAX_SIGNATURE)
            except CouldNotCheck:
                continue
            out.setdefault(data, []).append(copy.number)
    return out
