"""What the custody ledgers say of the packages beside them: sealed as what, still there, checked when?

Whoever changes a package and makes its manifests anew leaves a valid bag. Only a digest kept outside it
tells: the ledger line written when the package was sealed. A line with `place` is about a package elsewhere
and says nothing about what lies beside the ledger.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from provpack.edge.ledger import LEDGER_NAME, find_ledger, read_ledger
from provpack.edge.remoteaddress import shown_address
from provpack.errors import ProvpackError
from provpack.findings import Finding
from provpack.package import rules
from provpack.package.bagpaths import position, readable
from provpack.package.checkhistory import NOTHING_TOLD, CheckHistory, LedgerChecks, together
from provpack.package.ledgerchain import Entry
from provpack.package.ledgerline import HEALED, HERE, SAYS_NO_PLACE, WRAPPED


@dataclass(slots=True)
class _Told:
    """Of one package beside a ledger. sealed: its identity, told by entry number `line`."""

    sealed: str | None = None
    line: int = 0
    stays: bool = True


@dataclass(slots=True)
class _Ledger:
    """One ledger that was read. whole: its chain holds, so what it says may acquit."""

    packages: dict[str, _Told]
    checks: LedgerChecks
    whole: bool = False


class LedgerWitness:
    """Reads each ledger once, when it is first asked about a package beside it. Writes nothing.

    depth: of the checks that history() is to count. elsewhere: a ledger about packages that have none beside
    them; it need not exist yet.
    """

    def __init__(self, depth: str = "bytes", elsewhere: Path | None = None) -> None:
        self._depth = depth
        self._elsewhere = elsewhere
        self._known: dict[Path, _Ledger] = {}
        self._folders: dict[Path, tuple[Path, Path | None]] = {}
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
        told = self._of(ledger).packages.get(readable(place.name))
        if told is None or told.sealed is None or told.sealed == identity:
            return ()
        what = (
            f"tagmanifest-sha512.txt is not the one of the sealed package: its SHA-512 is "
            f"{identity[:16]}..., line {told.line} of {LEDGER_NAME} says {told.sealed[:16]}..."
        )
        where = "tagmanifest-sha512.txt"
        return (rules.LEDGER_DIFFERS.found(what, where, position={"path": where}),)

    def history(self, path: Path | str, *, archive: bool = False) -> CheckHistory:
        """When the package at this path (folder, or archive file) or address was checked, as the ledgers say.

        Lines without `place` are about folders directly beside the ledger: they acquit no other package of
        that name, in an archive or a folder beneath, but they do accuse it.
        """
        if isinstance(path, str):
            return together(self._from_elsewhere(shown_address(path).rstrip("/")))
        try:
            place, ledger = self._placed(path)
        except (OSError, ValueError, RuntimeError):
            return NOTHING_TOLD
        told = list(self._from_elsewhere(readable(str(place))))
        if ledger is not None:
            read = self._of(ledger)
            beside = read.checks.beside(readable(place.name))
            mine = ledger.parent == place.parent and not archive and read.whole
            told.append(beside if mine else beside.accusing())
            there = read.checks.elsewhere(readable(str(place)))
            told.append(there if read.whole else there.accusing())
        return together(told)

    def _placed(self, path: Path) -> tuple[Path, Path | None]:
        """The path without links, and the ledger beside it; a folder is asked once for all that lies in it.

        Raises OSError, ValueError, RuntimeError.
        """
        if path.name in ("", "..") or path.is_symlink():
            place = path.resolve()
            return place, find_ledger(place.parent)
        known = self._folders.get(path.parent)
        if known is None:
            folder = path.parent.resolve()
            known = (folder, find_ledger(folder) if folder.is_dir() else None)
            self._folders[path.parent] = known
        return known[0] / path.name, known[1]

    def _from_elsewhere(self, place: str) -> Iterator[CheckHistory]:
        ledger = self._elsewhere
        if ledger is not None and ledger.exists():
            read = self._of(ledger.resolve())
            there = read.checks.elsewhere(place)
            yield there if read.whole else there.accusing()

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
        for name, told in self._of(ledger).packages.items():
            plain = name not in ("", ".", "..") and "/" not in name and "\\" not in name and "\0" not in name
            if plain and told.sealed and told.stays and not (folder / name).exists():
                what = f"{readable(name)} was sealed here (line {told.line} of the ledger); it is gone."
                yield rules.LEDGER_MISSING.found(what, readable(str(folder / name)))

    def findings(self) -> tuple[Finding, ...]:
        """What is wrong with the ledgers themselves."""
        return tuple(self._findings)

    def _of(self, ledger: Path) -> _Ledger:
        with self._lock:
            if ledger not in self._known:
                self._known[ledger] = self._read(ledger)
            return self._known[ledger]

    def _read(self, ledger: Path) -> _Ledger:
        """What each line says of its package. Lines of a broken ledger can accuse, and never acquit."""
        out = _Ledger({}, LedgerChecks(self._depth))

        def look(line: int, entry: Entry) -> None:
            out.checks.add(entry)
            name, digest, kind = entry.get("package"), entry.get("tagmanifest_sha512"), entry.get("kind")
            if not isinstance(name, str) or entry.get("place"):
                return
            told = out.packages.setdefault(name, _Told())
            if kind not in SAYS_NO_PLACE:
                told.stays = kind in HERE
            if kind in (WRAPPED, HEALED) and isinstance(digest, str):
                told.sealed, told.line = digest, entry["n"]

        shown = readable(str(ledger))
        try:
            chain = read_ledger(ledger, each=look)
        except ProvpackError as err:
            found = rules.LEDGER_BROKEN.found(err.what, shown, todo=err.todo, position=position(shown))
            self._findings.append(found)
            return out
        out.whole = chain.holds
        if chain.breaks:
            more = f" {len(chain.breaks) - 1} more places are wrong." if len(chain.breaks) > 1 else ""
            what = f"{chain.breaks[0].what}{more}"
            self._findings.append(rules.LEDGER_BROKEN.found(what, shown, position=position(shown)))
        return out
