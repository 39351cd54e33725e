"""What the custody ledgers say of the packages beside them: sealed as what, still there, checked when?

Whoever changes a package and makes its manifests anew leaves a valid bag. Only a digest kept outside it
tells: the ledger line written when the package was sealed. A line with `place` is about a package elsewhere
and says nothing about what lies beside the ledger.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from provpack.edge.ledger import LEDGER_NAME, find_ledger, read_ledger
from provpack.edge.pace import within
from provpack.edge.presence import absence
from provpack.edge.remoteaddress import is_address, local_path, shown_address
from provpack.errors import ProvpackError
from provpack.findings import Finding
from provpack.package import rules
from provpack.package.bagpaths import position, readable
from provpack.package.checkhistory import NOTHING_TOLD, CheckHistory, LedgerChecks, together
from provpack.package.ledgerchain import Entry
from provpack.package.ledgerline import FIXITY_CHECKED, HEALED, HERE, SAYS_NO_PLACE, WRAPPED


@dataclass(slots=True)
class _Told:
    """Of one package beside a ledger, or at a place. sealed: its identity, told by entry number `line`.
    found: number of the last entry of a check that met it there, good or bad."""

    sealed: str | None = None
    line: int = 0
    stays: bool = True
    found: int = 0

    @property
    def here(self) -> bool:
        """Whether it was there, and nothing says that it went."""
        return self.stays and bool(self.sealed or self.found)

    def words(self, place: str) -> str:
        did, line = ("sealed", self.line) if self.sealed else ("checked", self.found)
        return f"{Path(place).name} was {did} here (line {line} of the ledger)"


_ANSWER = 10.0
"""Seconds within which a place must answer."""


@dataclass(slots=True)
class _Ledger:
    """One ledger that was read. whole: its chain holds, so what it says may acquit."""

    packages: dict[str, _Told]
    places: dict[str, _Told]
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
        self._met: set[str] = set()
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
            beside = read.checks.beside(readable(place.name), readable(str(place)))
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

    def met(self, path: Path | str) -> None:
        """Something was found at this path or address, and is told of by whoever asks."""
        if isinstance(path, str):
            self._met.add(shown_address(path).rstrip("/"))
            return
        with contextlib.suppress(OSError, ValueError, RuntimeError):
            self._met.add(readable(str(self._placed(path)[0])))
            if path.is_symlink():  # what it leads to lies elsewhere, but of the link the caller tells too
                self._met.add(readable(str(path.parent.resolve() / path.name)))

    def missing(self, beneath: Sequence[Path | str], *, searched: bool = True) -> Iterator[Finding]:
        """Packages that a ledger sealed or met beneath these folders and addresses, and that are not there
        any more, each once. No folder and address at all: wherever the ledgers read so far tell of one.

        searched: everything beneath was looked through, and met() told of what was found.
        """
        above = []
        for one in beneath:
            with contextlib.suppress(OSError, ValueError, RuntimeError):  # the path has had its finding
                above.append(self._above(one))
        if self._elsewhere is not None and self._elsewhere.exists():
            self._of(self._elsewhere.resolve())
        done, look = set(self._met), _Look(searched)
        for ledger, read in list(self._known.items()):
            for place, told in _places(ledger, read):
                wanted = not beneath or any(place.startswith(one) for one in above)
                if wanted and told.here and place not in done:
                    done.add(place)
                    why = look.why_gone(place)
                    if why:
                        yield rules.LEDGER_MISSING.found(f"{told.words(place)}{why}", place)

    def _above(self, path: Path | str) -> str:
        """The path or address as places begin with it; the ledger of a folder is read. Raises as _placed."""
        if isinstance(path, str):
            local = local_path(path) if is_address(path) else Path(path)
            if local is None:
                return f"{shown_address(path).rstrip('/')}/"
            path = local
        folder = path.resolve()
        ledger = find_ledger(folder) if folder.is_dir() else None
        if ledger is not None:
            self._of(ledger)
        return f"{readable(str(folder)).rstrip(os.sep)}{os.sep}"

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
        out = _Ledger({}, {}, LedgerChecks(self._depth))

        def look(line: int, entry: Entry) -> None:
            out.checks.add(entry)
            name, digest, kind = entry.get("package"), entry.get("tagmanifest_sha512"), entry.get("kind")
            place = entry.get("place")
            named, held = (place, out.places) if place else (name, out.packages)
            if not isinstance(named, str):
                return
            told = held.setdefault(named, _Told())
            if kind not in SAYS_NO_PLACE:
                told.stays = kind in HERE
            if kind in (WRAPPED, HEALED) and isinstance(digest, str):
                told.sealed, told.line = digest, entry["n"]
            seen = kind == FIXITY_CHECKED and entry.get("outcome") in ("good", "bad")
            if seen and entry.get("seen_path") in (None, f"{folder}{os.sep}{name}"):
                told.found = entry["n"]

        shown, folder = readable(str(ledger)), _folder_of(ledger)
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


def _folder_of(ledger: Path) -> str:
    return readable(str(ledger.parent)).rstrip(os.sep)


def _places(ledger: Path, read: _Ledger) -> Iterator[tuple[str, _Told]]:
    """Where a ledger says that packages are, and what it says of them."""
    for name, told in read.packages.items():
        if name not in ("", ".", "..") and not set(name) & set("/\\\0"):
            yield f"{_folder_of(ledger)}{os.sep}{readable(name)}", told
    yield from read.places.items()


class _Look:
    """Whether a package that nobody met is there all the same; no folder that is silent holds up the run."""

    def __init__(self, searched: bool) -> None:
        self._searched = searched
        self._silent: set[str] = set()

    def why_gone(self, place: str) -> str:
        """What is to be said of that; "" when it is there."""
        if is_address(place):
            return "; it is gone. No package was found at this address." if self._searched else ""
        folder = str(Path(place).parent)
        if folder in self._silent or (os.sep == "/" and "\\" in place and not self._searched):
            return ""  # of a name that is no text only those who searched know
        told = within(_ANSWER, lambda: (absence(Path(place)),))
        if told is None:
            self._silent.add(folder)
            return "; whether it still is cannot be told. Its folder does not answer."
        gone = told[0]
        if gone is None or gone[0] == "impossible" or (gone[0] == "file" and not self._searched):
            return ""  # a file may be an archive, where nobody looked whether it is one
        if gone[0] == "unreadable":
            return f"; whether it still is cannot be told. {gone[1]}"
        return f"; it is gone. {gone[1]}"
