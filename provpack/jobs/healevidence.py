"""What is known of a package from outside of it: what ledgers call it, and whose signature fits."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
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
from provpack.package.ledgerchain import Entry
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


def known_identities(
    ledgers: Iterable[Path], named: Path | None, names: Collection[str]
) -> tuple[frozenset[str], list[Finding]]:
    """The identities under which whole ledgers saw a package of one of these names sealed or handed over.

    named: the ledger that was asked for. Raises InputProblem when that one cannot be read or does not hold.
    """
    out: set[str] = set()
    findings: list[Finding] = []
    for path in [*([named] if named is not None else []), *ledgers]:
        here: set[str] = set()

        def look(line: int, entry: Entry, here: set[str] = here) -> None:
            digest = entry.get("tagmanifest_sha512")
            if entry.get("kind") in _SEALED and entry.get("package") in names and isinstance(digest, str):
                here.add(digest)

        problem = ""
        try:
            chain = read_ledger(path, each=look)
            if chain.breaks:
                problem = chain.breaks[0].what
        except ProvpackError as err:
            problem = err.what
        if not problem:
            out |= here
        elif path == named:
            raise InputProblem(
                "ledger-no-witness", f"This ledger can be no witness: {problem}", where=readable(str(path)),
                todo="Compare it with a copy kept elsewhere, and name one that holds.",
            )  # fmt: skip
        else:
            shown = readable(str(path))
            findings.append(rules.LEDGER_BROKEN.found(problem, shown, position=position(shown)))
    return frozenset(out), findings


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
