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
from pathlib import Path

from provpack.edge.ledger import LEDGER_NAME, find_ledger, unfit_ledger
from provpack.edge.remoteaddress import is_address, local_path, shown_address
from provpack.findings import Finding
from provpack.jobs.ledgertold import LedgerTold, Told, read_told
from provpack.jobs.lookagain import Look
from provpack.package import rules
from provpack.package.bagpaths import position, readable
from provpack.package.checkhistory import NOTHING_TOLD, CheckHistory, together

_NAMED = 5


class LedgerWitness:
    """Reads each ledger once, when it is first asked about a package beside it. Writes nothing.

    depth: of the checks that history() is to count. elsewhere: a ledger about packages that have none beside
    them; it need not exist yet.
    """

    def __init__(self, depth: str = "bytes", elsewhere: Path | None = None) -> None:
        self._depth = depth
        self._elsewhere = elsewhere
        self._known: dict[Path, LedgerTold] = {}
        self._folders: dict[Path, tuple[Path, Path | None]] = {}
        self._findings: list[Finding] = []
        self._met: set[str] = set()
        self._unsearched: set[str] = set()
        self._unfit: set[Path] = set()
        self._lock = threading.Lock()

    def judge(self, root: Path, identity: str | None, *, bare: bool = False) -> tuple[Finding, ...]:
        """A finding when the package at root is not the one that was sealed under its name, or under the name
        of the link that leads to it.

        identity: SHA-512 (hex) of its tagmanifest-sha512.txt as it is now; None tells nothing here, unless it
        was seen that the package has no such file (bare).
        """
        if identity is None and not bare:
            return ()
        try:
            place, ledger = self._placed(root)
            link = self._beside_link(root) if root.is_symlink() else None
        except (OSError, ValueError, RuntimeError):
            return ()
        where = "tagmanifest-sha512.txt"
        told = self._of(ledger).packages.get(readable(place.name)) if ledger is not None else None
        other = told.differs(identity) if told is not None else None
        if told is not None and other is not None:
            is_now = f"its SHA-512 is {identity[:16]}..." if identity else "there is none"
            what = (
                f"{where} is not the one of the sealed package: {is_now}, line {other[1]} of {LEDGER_NAME} "
                f"says {other[0][:16]}...{_made_up(told, identity)}"
            )
            return (rules.LEDGER_DIFFERS.found(what, where, position={"path": where}),)
        other = link.differs(identity) if link is not None and link.here else None
        if link is not None and other is not None:
            what = (
                f"A link stands here, to {readable(place.name)}, which is not the package that was sealed "
                f"under this name (SHA-512 {other[0][:16]}..., line {other[1]} of {LEDGER_NAME})."
                f"{_made_up(link, identity)}"
            )
            shown = readable(str(root))
            return (rules.LEDGER_LINK.found(what, shown, position=position(shown)),)
        return ()

    def since(
        self,
        path: Path | str,
        identity: str | None,
        *,
        bare: bool = False,
        archive: bool = False,
        contents: str | None = None,
    ) -> tuple[Finding, ...]:
        """A finding when what lies at this path (folder, or archive file) or address is another package than
        the one that was last found good there. identity, bare: as for judge, which tells of sealed ones.
        contents: SHA-512 (hex) about its payload manifests, which is compared where it had no identity."""
        if identity is None and not bare:
            return ()
        try:
            known = [told for told in self._checked(path, archive) if told.good or told.good_manifests]
        except (OSError, ValueError, RuntimeError):
            return ()
        if not known or any(told.sealed or told.same_as(identity, contents) for told in known):
            return ()
        shown = readable(str(path) if isinstance(path, Path) else shown_address(path))
        last = known[0]
        of, was, now = (
            ("tagmanifest-sha512.txt", last.good, identity)
            if last.good
            else ("payload manifests", last.good_manifests, contents)
        )
        what = (
            f"This is another package than the one found good here before: the SHA-512 of its {of} was "
            f"{str(was)[:16]}... at the last check (line {last.good_line} of the ledger), and "
            f"{f'is {now[:16]}... now' if now else 'there is none now'}."
        )
        return (rules.LEDGER_OTHER.found(what, shown, position=position(shown)),)

    def _checked(self, path: Path | str, archive: bool) -> list[Told]:
        """What the ledgers tell of checks at this path or address. Raises as _placed."""
        out: list[Told | None] = []
        elsewhere = self._elsewhere_told()
        if isinstance(path, str):
            place = shown_address(path).rstrip("/")
            return [told for one in elsewhere if (told := one.places.get(place)) is not None]
        real, ledger = self._placed(path)
        place = readable(str(real))
        out += [one.places.get(place) for one in elsewhere]
        if ledger is not None:
            read = self._of(ledger)
            out.append(read.places.get(place))
            if ledger.parent == real.parent and not archive:
                out.append(read.packages.get(readable(real.name)))
        if path.is_symlink():
            out.append(self._beside_link(path))
        return [told for told in out if told is not None]

    def _beside_link(self, path: Path) -> Told | None:
        """What the ledger in the folder of a link tells of the link's name. Raises OSError, ValueError."""
        folder = path.parent.resolve()
        ledger = find_ledger(folder)
        beside = ledger is not None and ledger.parent == folder
        return self._of(ledger).packages.get(readable(path.name)) if ledger is not None and beside else None

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
            return place, self._ledger_of(place.parent)
        known = self._folders.get(path.parent)
        if known is None:
            folder = path.parent.resolve()
            known = (folder, self._ledger_of(folder))
            self._folders[path.parent] = known
        return known[0] / path.name, known[1]

    def _ledger_of(self, folder: Path) -> Path | None:
        """The ledger in or above a folder; what has its name and is none gets a finding, once."""
        if not folder.is_dir():
            return None
        unfit = unfit_ledger(folder)
        if unfit is not None and unfit[0] not in self._unfit:
            self._unfit.add(unfit[0])
            shown = readable(str(unfit[0]))
            what = f"A {unfit[1]} has the name of the ledger. It is not followed, read or written."
            todo = "Put the ledger itself there, or name it: --ledger FILE."
            self._findings.append(rules.LEDGER_BROKEN.found(what, shown, todo=todo, position=position(shown)))
        return find_ledger(folder)

    def _elsewhere_told(self) -> list[LedgerTold]:
        ledger = self._elsewhere
        return [self._of(ledger.resolve())] if ledger is not None and ledger.exists() else []

    def _from_elsewhere(self, place: str) -> Iterator[CheckHistory]:
        for read in self._elsewhere_told():
            there = read.checks.elsewhere(place)
            yield there if read.whole else there.accusing()

    def met(self, path: Path | str, findings: Sequence[Finding] = ()) -> None:
        """Something was found at this path or address, and is told of by whoever asks. findings: all that can
        be told of it: then what a link leads to was not met; nor what lies beneath, if nobody could look."""
        with contextlib.suppress(OSError, ValueError, RuntimeError):
            if isinstance(path, str):
                place = shown_address(path).rstrip("/")
            elif findings and path.name not in ("", ".."):
                place = readable(str(path.parent.resolve() / path.name))
            else:
                place = readable(str(self._placed(path)[0]))
            self._met.add(place)
            if any(f.rule in rules.COULD_NOT_CHECK for f in findings):
                self._unsearched.add(place)

    def missing(self, beneath: Sequence[Path | str], *, searched: bool = True) -> Iterator[Finding]:
        """Packages that a ledger sealed or met beneath these folders and addresses, and that are not there
        any more, or of which that cannot be told, each once. No folder and address at all: wherever the
        ledgers read so far tell of one.

        searched: everything beneath was looked through, but for what met() was told could not be, and met()
        told of what was found.
        """
        above = []
        for one in beneath:
            with contextlib.suppress(OSError, ValueError, RuntimeError):  # the path has had its finding
                above.append(self._above(one))
        self._elsewhere_told()

        def wanted(place: str) -> bool:
            return not beneath or any(place.startswith(one) for one in above)

        done, look = set[str](), Look(searched, self._unsearched)
        for read in list(self._known.values()):
            for place, told in read.all_places():
                if told.here and place not in self._met and place not in done and wanted(place):
                    done.add(place)
                    rule, why = look.at(place)
                    if rule is not None:
                        yield rule.found(f"{told.words(place)}{why}", place)
            if read.met_in and wanted(f"{read.folder}{os.sep}"):
                yield from _not_all_here(read, self._met, look)

    def _above(self, path: Path | str) -> str:
        """The path or address as places begin with it; the ledger of a folder is read. Raises as _placed."""
        if isinstance(path, str):
            local = local_path(path) if is_address(path) else Path(path)
            if local is None:
                return f"{shown_address(path).rstrip('/')}/"
            path = local
        folder = path.resolve()
        ledger = self._ledger_of(folder)
        if ledger is not None:
            self._of(ledger)
        return f"{readable(str(folder)).rstrip(os.sep)}{os.sep}"

    def findings(self) -> tuple[Finding, ...]:
        """What is wrong with the ledgers themselves."""
        return tuple(self._findings)

    def _of(self, ledger: Path) -> LedgerTold:
        with self._lock:
            if ledger not in self._known:
                self._known[ledger], wrong = read_told(ledger, self._depth)
                self._findings += [wrong] if wrong is not None else []
            return self._known[ledger]


def _made_up(told: Told, identity: str | None) -> str:
    """What is to be said of the line that calls it so all the same."""
    if told.sealed != identity:
        return ""
    return f" Line {told.line} knows this one, but the ledger is broken there, and that line may be made up."


def _not_all_here(read: LedgerTold, met: set[str], look: Look) -> Iterator[Finding]:
    """Once per folder in which packages were met that now lie beside the ledger, when others of them do not,
    and are not in that folder any more either. One of many may have been taken along as a copy."""
    for folder, names, away in read.not_all_here():
        gone = [n for n in away if not look.lies(f"{read.folder}{os.sep}{n}", met)]
        gone = [n for n in gone if not look.lies(f"{folder}{os.sep}{n}", met)]
        here = sum(f"{read.folder}{os.sep}{name}" in met for name in names)
        if gone and (here > 1 or here >= len(gone)) and here:
            more = f" and {len(gone) - _NAMED} more" if len(gone) > _NAMED else ""
            are = "is" if here == 1 else "are"
            what = (
                f"The ledger saw {len(names)} packages in {folder}; {here} of them {are} here. "
                f"Neither here nor there: {', '.join(map(readable, gone[:_NAMED]))}{more}."
            )
            yield rules.LEDGER_NOT_ALL_HERE.found(what, read.folder, position=position(read.folder))
