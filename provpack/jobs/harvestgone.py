"""What a catalogue knew and what is not there any more: packages, and custody ledgers. Nothing of it may go
without a word: neither when it is marked, nor when a rebuild would forget it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from provpack.edge.harvested import nothing_at
from provpack.edge.ledger import LEDGER_NAME, read_ledger
from provpack.errors import EnvironmentProblem, InputProblem, ProvpackError
from provpack.findings import Finding
from provpack.jobs import harvestrules as rules
from provpack.jobs.harvestfind import Seen, at_or_beneath
from provpack.package.bagpaths import position, readable
from provpack.package.ledgerchain import Witness

if TYPE_CHECKING:
    from provpack.catalogue.asking import Asking

Ledgers = Mapping[str, tuple[int, str]]
"""Path of a ledger -> its lines, and the SHA-512 of the last, when it was read."""
Went = tuple[str, str, str | None]
"""Place, name and identity of a package."""
_NAMED = 5
_MOST_OTHERS = 200


def known_ledgers(ask: Asking) -> Ledgers:
    """All that were ever read; nothing when the catalogue is too damaged to tell."""
    try:
        return {path: (lines, head) for path, lines, head in ask.ledgers_known()}
    except EnvironmentProblem:
        return {}


def missing_ledgers(seen: Seen, known: Ledgers) -> list[str]:
    """The ledgers known at, beneath or directly above a root that are not there, and that did not go
    elsewhere with what they tell."""
    there = {readable(str(path)) for path in seen.ledgers}
    above = f"{seen.root.rpartition('/')[0]}/{LEDGER_NAME}"
    missing = []
    for path, (lines, head) in known.items():
        near = path == above or at_or_beneath(path, (seen.root,))
        if not near or path in there or at_or_beneath(path, seen.blind) or _is_there(path):
            continue
        twin = any(
            other != path and told == (lines, head) and _is_there(other) for other, told in known.items()
        )
        if not twin and not any(_goes_on(ledger, lines, head) for ledger in seen.ledgers):
            missing.append(path)
    return missing


def _is_there(path: str) -> bool:
    """Whether a file is there, under a name that reads to people as it is."""
    return not nothing_at(Path(path)) and Path(path).is_file() and not Path(path).is_symlink()


def _goes_on(ledger: Path, lines: int, head: str) -> bool:
    """Whether a ledger holds the last line of another in its place."""
    try:
        return read_ledger(ledger, witnesses=(Witness(entries=lines, sha512=head),)).met[0]
    except (ProvpackError, OSError):
        return False


def refuse_without_ledgers(seen: Iterable[Seen], known: Ledgers) -> None:
    """Raises InputProblem when a rebuild would forget what a ledger told that is not there now."""
    missing = [path for one in seen for path in missing_ledgers(one, known)]
    if missing:
        count = "A custody ledger" if len(missing) == 1 else f"{len(missing)} custody ledgers"
        raise InputProblem(
            "ledger-away",
            f"{count} that the catalogue knows cannot be read any more: its checks and fault notices would "
            "be lost.",
            where=", ".join(missing[:_NAMED]),
            todo="Put it back from a copy. If it is gone for good, keep this catalogue, which still knows "
            "what it told, and make a new one elsewhere with --catalogue. Nothing was changed.",
        )


def no_longer(seen: Iterable[Seen], ask: Asking) -> list[Went]:
    """The packages known beneath some roots that a rebuild from what is there would forget."""
    went = []
    for one in seen:
        there = {task.place for task in one.tasks}
        try:
            went += [known for known in ask.known_beneath(one.root) if known[0] not in there]
        except EnvironmentProblem:
            return []
    return went


def tell_gone(went: Sequence[Went], ask: Asking) -> Iterator[Finding]:
    """Packages that went and lie nowhere else that is known."""
    elsewhere = ask.still_there({identity for _, _, identity in went if identity is not None})
    lost = sorted((place, name) for place, name, identity in went if identity not in elsewhere)
    if not lost:
        return
    many = f"{len(lost)} packages" if len(lost) != 1 else "1 package"
    more = f" and {len(lost) - _NAMED} more" if len(lost) > _NAMED else ""
    named = ", ".join(name for _, name in lost[:_NAMED])
    verb = "are" if len(lost) != 1 else "is"
    yield rules.PACKAGES_GONE.found(
        f"{many} that the catalogue knew {verb} not there any more: {named}{more}.",
        lost[0][0], position=position(lost[0][0]),
    )  # fmt: skip


def went_now(places: Collection[str], ask: Asking) -> list[Went]:
    """Those places as packages that are gone."""
    if not places:
        return []
    return [(one.place, one.name, one.identity) for one in ask.gone(0).first if one.place in places]


def tell_others(roots: Sequence[str], ask: Asking) -> Iterator[Finding]:
    """Packages beneath the roots that are not what their ledger sealed."""
    found = [one for one in ask.other_than_sealed(0).first if at_or_beneath(one.place, roots)]
    for one in found[:_MOST_OTHERS]:
        what = f"{one.name}: the custody ledger beside it sealed another package under this name."
        yield rules.NOT_WHAT_WAS_SEALED.found(what, one.place, position=position(one.place))
