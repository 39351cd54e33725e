"""The identifier proposed for a transfer that replaces a sealed one, and whether the client takes the name
that its package then has."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from provpack.jobs.benchact import known_ids
from provpack.jobs.benchdesk import Desk
from provpack.jobs.clientprofiles import ClientProfiles, load_profiles
from provpack.package.clientneeds import NameNeed
from provpack.package.names import package_name

_NUMBERED: Final = re.compile(r"(.+)-([2-9]|[1-9][0-9]{1,3})\Z", re.DOTALL)
_SHAPED: Final = re.compile(r"(.*?)([0-9]{1,18})([^0-9]*)\Z", re.DOTALL)
_TRIES: Final = 100
_SIGNS: Final = "In a pattern # is one digit, @ one letter, ? one character, * any number of them."


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """An identifier that is free. unfit: why the client does not take the name its package would have, in
    sentences, "" when nothing is against it. another: an identifier has to be given by hand."""

    new: str
    unfit: str = ""
    another: bool = False

    @property
    def words(self) -> str:
        """What happens when no identifier is given."""
        if self.another:
            return f"Give one: the next free one, {self.new}, will not do. {self.unfit}"
        return f"Left empty, the next free one is used: {self.new}" + (
            f". {self.unfit}" if self.unfit else ""
        )


class Naming:
    """What the names of the packages of a job must be, as its sheets and log stand now."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._job = desk.job()
        self._profiles = load_profiles(self._job) if self._job.client_profiles else ClientProfiles()
        self._known = dict.fromkeys(known_ids(desk.said(), desk.state))
        self._folded = {k.casefold() for k in self._known}
        self._job_id = str(desk.said().job.get("job_id", ""))
        self._names = {package_name(self._job_id, k) for k in self._known}

    def proposals(self, transfer_ids: Iterable[str]) -> dict[str, Proposal]:
        """Of each transfer what its replacement may be called."""
        clients = {t.transfer_id: t.values.get("client") for t in self._job.transfers}
        return {one: self._proposal(one, self._need(clients.get(one))) for one in transfer_ids}

    def unfit(self, old: str, new: str) -> str:
        """Why the client of one transfer does not take the name of the other's package; "" when it does."""
        client = next((t.values.get("client") for t in self._job.transfers if t.transfer_id == old), None)
        return self._unfit(self._need(client), new)

    def _need(self, client: object) -> NameNeed | None:
        profile = self._profiles.for_client(client)
        return profile.needs.package_name if profile is not None and profile.needs is not None else None

    def _unfit(self, need: NameNeed | None, transfer_id: str) -> str:
        name = package_name(self._job_id, transfer_id)
        why = need.fault(name) if need is not None else ""
        if need is None or not why:
            return ""
        meant = need.note or (_SIGNS if need.pattern is not None else "")
        return f"Its package would be called '{name}': {why}. {meant}".rstrip()

    def _proposal(self, old: str, need: NameNeed | None) -> Proposal:
        """T07-2, after it T07-3; where the client wants other names, the number after the highest of those
        identifiers that look like this one: T13."""
        found = _NUMBERED.fullmatch(old)
        stem, number = (found[1], int(found[2])) if found and found[1] in self._known else (old, 1)
        while not self._free(new := f"{stem}-{number + 1}"):
            number += 1
        unfit = self._unfit(need, new)
        other = self._of_the_same_shape(stem, need) if unfit else None
        if other is not None:
            return Proposal(new=other)
        # a name that is not as the client wants it was let pass before: so it may be again
        return Proposal(new=new, unfit=unfit, another=bool(unfit) and not self._unfit(need, old))

    def _of_the_same_shape(self, stem: str, need: NameNeed | None) -> str | None:
        shape = _SHAPED.fullmatch(stem)
        if shape is None:
            return None
        before, digits, after = shape.groups()
        alike = (_SHAPED.fullmatch(k) for k in self._known)
        taken = [int(one[2]) for one in alike if one and (one[1], one[3]) == (before, after)]
        highest = max([int(digits), *taken])
        for number in range(highest + 1, highest + 1 + _TRIES):
            new = f"{before}{number:0{len(digits)}}{after}"
            if self._free(new) and not self._unfit(need, new):
                return new
        return None

    def _free(self, new: str) -> bool:
        if new.casefold() in self._folded or package_name(self._job_id, new) in self._names:
            return False
        return not self._desk.sealed(new)
