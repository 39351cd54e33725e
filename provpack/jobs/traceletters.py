"""Notices to clients about one piece of equipment: each says only what is that client's own.

The facts come from the packages themselves, where they can be read: a catalogue may be behind them. The words
of a fault notice are the studio's and may speak of anybody; they are left out of a notice when a word of them
resembles the name of anybody else, of their things, or of a person whom the client's own records do not name.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from provpack.edge.commit import Disk
from provpack.errors import PackageProblem, ProvpackError
from provpack.findings import Finding
from provpack.jobs import tracerules as rules
from provpack.jobs.newfile import NewFile
from provpack.jobs.traced import ClientPasses, Played, Traced, Written, best_first
from provpack.jobs.tracefaults import Notice
from provpack.jobs.traceresemble import Names, found_in, persons_in_words, rows_of
from provpack.package.bagpaths import position, readable
from provpack.package.figures import counted
from provpack.package.heldnames import Person, person_of
from provpack.package.names import distinct_file_names
from provpack.package.notice import Item, Letter, Playing, Said, build_notice
from provpack.package.noticewords import window_words

if TYPE_CHECKING:
    from provpack.catalogue.values import Listed, Touch
    from provpack.jobs.loaded import Equipment


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """What one package says of itself, as far as a notice needs it. held: it holds names back."""

    client: str | None
    organisation: str | None
    job_id: str | None
    transfer_id: str | None
    title: str | None
    client_item_id: str | None
    carrier_id: str | None
    identity: str | None
    listen: tuple[str, ...] = ()
    held: bool = False
    persons: tuple[Person, ...] = ()


Read = Callable[["Listed"], Paper]
"""Reads the record of a package that lies where the catalogue says. Raises ProvpackError."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """One notice: file name and text."""

    client: str
    name: str
    text: str


def letter_names(result: Traced) -> dict[str, str]:
    """Client -> name of the file, distinct also where case does not count."""
    clients = [group.client for group in result.clients if group.client is not None]
    wanted = [f"notice-{_part(result.equipment)}-{_part(client)}.txt" for client in clients]
    return dict(zip(clients, distinct_file_names(wanted), strict=True))


def _part(text: str) -> str:
    return re.sub(r"[/\\]", "_", text)


@dataclass(slots=True)
class _Gathered:
    """Everything read before the first notice is written. papers: by the catalogue's number of the package;
    left_out: packages whose word does not count."""

    names: Names
    papers: dict[int, Paper] = field(default_factory=dict)
    left_out: set[int] = field(default_factory=set)
    persons: dict[object, Person] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    def of(self, group: ClientPasses) -> list[Paper]:
        """What the packages of one client say, all copies."""
        ids = dict.fromkeys(p.id for one in group.everything for p in one.places)
        return [self.papers[n] for n in ids if n in self.papers and n not in self.left_out]

    def person(self, person: Person) -> None:
        known = self.persons.get(person.key)
        self.persons[person.key] = person if known is None else known.also(person)


def compose(
    result: Traced,
    everyone: Iterable[Touch],
    read: Read,
    day: str,
    register: Mapping[str, Equipment] | None = None,
    others: Iterable[Listed] = (),
    people: Iterable[str] = (),
) -> tuple[list[Draft], list[Finding]]:
    """One notice for each client, and what the studio must know before it sends them.

    everyone: all touches at any time (trace.everyone), for whose things must not be named; others: all other
    packages there are, whose clients and identifiers must not be named either; people: everybody whom the
    packages and ledgers name. day: YYYY-MM-DD.
    """
    known = _gather(result, everyone, read)
    if any(notice.words or notice.id for notice in result.notices):
        for package in others:
            known.names.client(package.client)
            known.names.identifiers(
                package.client, package.carrier_id, package.job_id, package.transfer_id, package.name,
                package.title,
            )  # fmt: skip
    for person in (*_register_people(register or {}), *filter(None, map(person_of, people))):
        known.person(person)
    houses = {p.organisation for p in known.papers.values() if p.organisation is not None}
    if len(houses) > 1:
        shown = ", ".join(readable(h) for h in sorted(houses))
        known.findings.append(
            rules.LETTER_HOUSES.found(
                f"The packages name several transfer organisations: {shown}.", readable(result.equipment)
            )
        )
    sender = next(iter(houses)) if len(houses) == 1 else None
    hits = [found_in(_wording(notice), known.names) for notice in result.notices]
    drafts = []
    window = window_words(result.window.since, result.window.until)
    beneath = ", ".join(map(readable, result.looked.roots))
    for part in filter(None, (window and f"was done {window}", beneath and f"lies beneath {beneath}")):
        rule = rules.LETTER_WINDOW if part.startswith("was done") else rules.LETTER_ROOTS
        known.findings.append(rule.found(f"The notices list only what {part}.", readable(result.equipment)))
    for client, name in letter_names(result).items():
        group = next(g for g in result.clients if g.client == client)
        items = tuple(_items(group, known))
        if result.person and any(paper.held for paper in known.of(group)):
            known.findings.append(
                rules.LETTER_PERSON.found(
                    f"No notice was written for {readable(client)}: names are held back in their packages.",
                    readable(result.equipment),
                )
            )
        elif items:
            letter = _letter(
                result, client, items, sender, day, _allowed(result, group, hits, known, register is not None)
            )
            drafts.append(Draft(client=client, name=name, text=build_notice(letter)))
    nobody = next((g for g in result.clients if g.client is None), None)
    if nobody is not None:
        named = ", ".join(sorted({readable(p.package.name) for p in nobody.everything})[:20])
        has = "has" if nobody.transfers == 1 else "have"
        what = f"{counted(nobody.transfers, 'transfer')} {has} no client: {named}."
        known.findings.append(rules.LETTER_NO_CLIENT.found(what, readable(result.equipment)))
    return drafts, known.findings


# --- what is known of whom ---


def _gather(result: Traced, everyone: Iterable[Touch], read: Read) -> _Gathered:
    known = _Gathered(names=Names(rows=rows_of(map(_wording, result.notices))))
    for touch in everyone:
        _own_listed(known, touch.package)
    for package in {p.id: p for one in result.everything for p in one.places}.values():
        _own_listed(known, package)
        shown = readable(package.place)
        spot = position(shown)
        try:
            paper = read(package)
        except PackageProblem as err:
            known.left_out.add(package.id)
            what = f"{readable(package.name)}: {err.what}"
            known.findings.append(rules.LETTER_NOT_SEALED.found(what, shown, position=spot))
            continue
        except ProvpackError as err:
            what = f"{readable(package.name)}: {err.what}"
            known.findings.append(rules.LETTER_UNREAD.found(what, shown, position=spot))
            continue
        if (paper.client, paper.job_id, paper.transfer_id) != (
            package.client, package.job_id, package.transfer_id,
        ):  # fmt: skip
            known.left_out.add(package.id)
            what = f"{readable(package.name)}: its record names another client, job or transfer."
            known.findings.append(rules.LETTER_OUTDATED.found(what, shown, position=spot))
        known.papers[package.id] = paper
        known.names.client(paper.client)
        known.names.title(paper.client, paper.title)
        known.names.identifiers(paper.client, paper.client_item_id, paper.carrier_id)
        for person in paper.persons:
            known.person(person)
    return known


def _own_listed(known: _Gathered, package: Listed) -> None:
    client = package.client
    known.names.client(client)
    known.names.title(client, package.title)
    known.names.identifiers(client, package.carrier_id, package.job_id, package.transfer_id, package.name)


def _register_people(register: Mapping[str, Equipment]) -> Iterator[Person]:
    for entry in register.values():
        for key in ("fault_notices", "service_log", "checks"):
            told = entry.raw.get(key)
            for one in told if isinstance(told, list) else ():
                by = one.get("by") if isinstance(one, Mapping) else None
                person = person_of(by) if isinstance(by, str) else None
                if person is not None:
                    yield person


def _allowed(
    result: Traced,
    group: ClientPasses,
    hits: Sequence[Mapping[str, set[str | None]]],
    known: _Gathered,
    registered: bool,
) -> list[bool]:
    """For each notice, whether its words may stand in this client's notice; what is left out is told.

    registered: a register was read. Without it nobody knows the studio's people where their names are held
    back, so that nothing found proves nothing.
    """
    mine = known.of(group)
    unread = any(p.id not in known.papers for one in group.everything for p in one.places)
    open_to_them = not unread and not any(paper.held for paper in mine)
    own = {person.key for paper in mine for person in paper.persons} if open_to_them else set()
    strangers = [person for key, person in known.persons.items() if key not in own]
    mine_too = [person for key, person in known.persons.items() if key in own]
    out = []
    for notice, named in zip(result.notices, hits, strict=True):
        text = _wording(notice)
        told = {word for word, owners in named.items() if group.client in owners}
        words = named.keys() - told
        words |= persons_in_words(text, strangers) - persons_in_words(text, mine_too) - told
        if words:
            known.findings.append(_left_out(notice.called, words, group.client or "", result.equipment))
        blind = not registered and bool(text.strip(" |")) and any(paper.held for paper in mine)
        if blind and not words:
            what = (
                f"What {readable(notice.called)} says was left out of the notice to "
                f"{readable(group.client or '')}: names are held back in their packages."
            )
            known.findings.append(rules.LETTER_WORDS_HELD.found(what, readable(result.equipment)))
        out.append(not words and not blind)
    return out


def _wording(notice: Notice) -> str:
    return " | ".join((notice.id or "", *notice.words))


def _left_out(notice: str, words: Collection[str], client: str, equipment: str) -> Finding:
    shown = ", ".join(f"'{readable(word)[:80]}'" for word in sorted(words)[:5])
    more = f" and {len(words) - 5} more" if len(words) > 5 else ""
    left = f"What {readable(notice)} says was left out of the notice to {readable(client)}"
    return rules.LETTER_WORDS.found(f"{left}: it holds {shown}{more}.", readable(equipment))


# --- one notice ---


def _letter(
    result: Traced, client: str, items: tuple[Item, ...], sender: str | None, day: str, allowed: list[bool]
) -> Letter:
    group = next(g for g in result.clients if g.client == client)
    roles = sorted({role for p in group.everything if p.through is None for role in p.roles})
    if not roles and result.entry is not None:
        roles = [result.entry.kind]
    return Letter(
        client=client,
        organisation=sender,
        day=day,
        equipment=result.equipment,
        roles=tuple(roles),
        notices=tuple(
            Said(
                name=notice.name if told else f"fault notice {notice.n}",
                words="; ".join(notice.words) if told else None,
                since=notice.since,
                last_good=notice.last_good,
                until=notice.until,
                noted_at=notice.noted_at,
                cleared_at=notice.cleared_at,
                contradicts=notice.stretch.impossible,
            )
            for notice, told in zip(result.notices, allowed, strict=True)
        ),
        items=items,
        person=result.person,
        since=result.window.since,
        until=result.window.until,
    )


def _items(group: ClientPasses, known: _Gathered) -> Iterator[Item]:
    """Each transfer once, whatever copies there are of it."""
    transfers: dict[object, list[Played]] = {}
    for one in group.everything:
        transfers.setdefault(one.transfer, []).append(one)
    for played in transfers.values():
        every = best_first(copy for one in played for copy in one.places)
        copies = [copy for copy in every if copy.id not in known.left_out]
        if not copies:
            continue
        papers = [known.papers[copy.id] for copy in copies if copy.id in known.papers]
        package, paper = copies[0], papers[0] if papers else None
        yield Item(
            package=package.name,
            title=paper.title if paper else package.title,
            client_item_id=paper.client_item_id if paper else None,
            carrier_id=paper.carrier_id if paper else package.carrier_id,
            identities=tuple(dict.fromkeys(p.identity for p in papers if p.identity is not None)),
            read=paper is not None,
            gone=all(copy.gone for copy in copies),
            listen=paper.listen if paper else (),
            last_outcome=package.last_outcome,
            last_checked_at=package.last_checked_at,
            passes=tuple(map(_playing, played)),
        )


def _playing(one: Played) -> Playing:
    return Playing(
        n=one.pass_n,
        started_at=one.started_at,
        stopped_at=one.stopped_at,
        through=one.through.what if one.through else None,
        sure=one.fitted != "perhaps",
        words=tuple((j.verdict, j.why) for j in one.judgements),
        roles=one.roles,
    )


# --- writing them ---


@dataclass(frozen=True, slots=True, kw_only=True)
class LetterFolder:
    """Where the notices will stand. Each is whole under its name or not there; nothing is written over."""

    folder: Path
    disk: Disk
    mark: str

    def refuse(self, names: Iterable[str]) -> None:
        """Raise DestinationProblem for a place that will not do, before any package is read."""
        if not self.disk.exists(self.folder):
            self._new(self.folder).refuse()
        for name in names if self.disk.exists(self.folder) else ():
            self._new(self.folder / name).refuse()

    def write(self, drafts: Sequence[Draft]) -> tuple[Written, ...]:
        """Write them; the folder is made when it is not there."""
        made = bool(drafts) and not self.disk.exists(self.folder)
        out: list[Written] = []
        try:
            if made:
                self.disk.make_folder(self.folder)
                self.disk.sync_folder(self.folder.parent)
            for draft in drafts:
                target = self.folder / draft.name
                self._new(target).write([draft.text])
                out.append(Written(path=str(target), client=draft.client))
        except BaseException:
            if made and not out:
                with contextlib.suppress(OSError):
                    self.folder.rmdir()  # never anything but an empty folder of our own
            raise
        return tuple(out)

    def _new(self, target: Path) -> NewFile:
        return NewFile(target=target, disk=self.disk, mark=f"notice-{self.mark}", option="--notices")
