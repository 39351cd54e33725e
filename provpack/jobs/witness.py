"""What the custody ledgers say of the packages beside them: sealed as what, and still there?

Whoever changes a package and makes its manifests anew leaves a valid bag. Only a digest kept outside it
tells: the ledger line written when the package was sealed.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from provpack.edge.ledger import LEDGER_NAME, find_ledger, read_ledger
from provpack.errors import ProvpackError
from provpack.findings import Finding
from provpack.package import rules
from provpack.package.bagpaths import position, readable
from provpack.package.ledgerchain import Entry
from provpack.package.ledgerline import HERE, SAYS_NO_PLACE, WRAPPED


class LedgerWitness:
    """Reads each ledger once, when it is first asked about a package beside it. Writes nothing."""

    def __init__(self) -> None:
        self._known: dict[Path, dict[str, dict[str, Any]]] = {}
        self._findings: list[Finding] = []
        self._lock = threading.Lock()

    def judge(self, root: Path, identity: str | None) -> tuple[Finding, ...]:
        """A finding when the package at root is not the one that was sealed under its name.

        identity: SHA-512 (hex) of its tagmanifest-sha512.txt as it is now; None tells nothing here.
        """
        try:
            place = root.resolve()
            ledger = find_ledger(place.parent) if place.parent.is_dir() else None
        except (OSError, ValueError):
            return ()
        if ledger is None or identity is None:
            return ()
        told = self._of(ledger).get(readable(place.name))
        sealed = told and told["sealed"]
        if not sealed or sealed == identity:
            return ()
        what = (
            f"tagmanifest-sha512.txt is not the one of the sealed package: its SHA-512 is "
            f"{identity[:16]}..., "
            f"line {told['line'] if told else '?'} of {LEDGER_NAME} says {sealed[:16]}..."
        )
        where = "tagmanifest-sha512.txt"
        return (rules.LEDGER_DIFFERS.found(what, where, position={"path": where}),)

    def missing(self, folder: Path) -> Iterator[Finding]:
        """Packages that the ledger in this folder sealed here, and that are not here any more."""
        # A path that cannot be looked at has had its finding; here it tells nothing.
        with contextlib.suppress(OSError, ValueError):
            yield from self._missing(folder)

    def _missing(self, folder: Path) -> Iterator[Finding]:
        folder = folder.resolve()
        ledger = folder / LEDGER_NAME
        if not folder.is_dir() or not ledger.is_file() or ledger.is_symlink():
            return
        for name, told in self._of(ledger).items():
            plain = name not in ("", ".", "..") and "/" not in name and "\\" not in name and "\0" not in name
            if plain and told["sealed"] and told["stays"] and not (folder / name).exists():
                what = f"{readable(name)} was sealed here (line {told['line']} of the ledger); it is gone."
                yield rules.LEDGER_MISSING.found(what, readable(str(folder / name)))

    def findings(self) -> tuple[Finding, ...]:
        """What is wrong with the ledgers themselves."""
        return tuple(self._findings)

    def _of(self, ledger: Path) -> dict[str, dict[str, Any]]:
        with self._lock:
            if ledger not in self._known:
                self._known[ledger] = self._read(ledger)
            return self._known[ledger]

    def _read(self, ledger: Path) -> dict[str, dict[str, Any]]:
        """What each line says of its package. Lines of a broken ledger can accuse, and never acquit."""
        out: dict[str, dict[str, Any]] = {}

        def look(line: int, entry: Entry) -> None:
            name, digest, kind = entry.get("package"), entry.get("tagmanifest_sha512"), entry.get("kind")
            if not isinstance(name, str):
                return
            told = out.setdefault(name, {"sealed": None, "line": 0, "stays": True})
            if kind not in SAYS_NO_PLACE:
                told["stays"] = kind in HERE
            if kind == WRAPPED and isinstance(digest, str):
                told |= {"sealed": digest, "line": entry["n"]}

        shown = readable(str(ledger))
        try:
            chain = read_ledger(ledger, each=look)
        except ProvpackError as err:
            found = rules.LEDGER_BROKEN.found(err.what, shown, todo=err.todo, position=position(shown))
            self._findings.append(found)
            return out
        if chain.breaks:
            more = f" {len(chain.breaks) - 1} more places are wrong." if len(chain.breaks) > 1 else ""
            what = f"{chain.breaks[0].what}{more}"
            self._findings.append(rules.LEDGER_BROKEN.found(what, shown, position=position(shown)))
        return out
