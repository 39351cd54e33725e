"""What one piece of equipment took part in, as values: passes by client, notices, and the word on each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from provpack.findings import Finding
from provpack.jobs.tracefaults import Notice
from provpack.jobs.tracefitted import Fitting, Through
from provpack.jobs.tracetimes import Judgement, Stretch, Verdict, Window, stretch_of_pass
from provpack.package.bagpaths import readable
from provpack.package.noticewords import PEOPLE

if TYPE_CHECKING:
    from provpack.catalogue.values import Listed

VERDICTS: tuple[Verdict, ...] = ("covered", "cannot_be_told", "not_covered")
"""The gravest first."""


def transfer_of(package: Listed) -> tuple[str | None, ...]:
    """What all copies of one transfer share, and no other transfer: its record, else its job and its own
    number, else the package's identity; without any of these the place alone. Two clients never share one.
    """
    # getattr: an answer of a catalogue need not tell the record and the identity
    names = (package.job_id, package.transfer_id)
    for kind, found in (
        ("record", (getattr(package, "record_id", None),)),
        ("transfer", names),
        ("identity", (getattr(package, "identity", None),)),
    ):
        if all(found):
            return (package.client, kind, *found)
    return (package.client, "place", package.place)


def best_first(copies: Iterable[Listed]) -> tuple[Listed, ...]:
    """Copies of one transfer, each once: those that are there and were found good before the others."""
    known = {one.id: one for one in copies}
    return tuple(sorted(known.values(), key=_worth))


def _worth(one: Listed) -> tuple[bool, int, int]:
    return (one.gone, 1 if one.last_outcome is None else 0 if one.last_outcome == "good" else 2, one.id)


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """One pass of one transfer. package: the best copy of it; copies: the others. through: None when the
    record itself names the equipment; else how today's register ties it to what the record names, fitted
    saying how sure that is for this pass. judgements: one for each notice, in their order."""

    package: Listed
    copies: tuple[Listed, ...] = ()
    roles: tuple[str, ...]
    pass_n: int | None
    started_at: str | None
    stopped_at: str | None
    through: Through | None = None
    fitted: Literal["surely", "perhaps"] | None = None
    judgements: tuple[Judgement, ...] = ()

    @property
    def stretch(self) -> Stretch:
        return stretch_of_pass(self.started_at, self.stopped_at)

    @property
    def dated(self) -> bool:
        """Whether anybody noted when it was."""
        return self.started_at is not None or self.stopped_at is not None

    @property
    def transfer(self) -> tuple[str | None, ...]:
        return transfer_of(self.package)

    @property
    def places(self) -> tuple[Listed, ...]:
        """Every copy, the best first."""
        return (self.package, *self.copies)

    def also(self, other: Played) -> Played:
        """The same pass as another copy tells it."""
        best = best_first((*self.places, *other.places))
        roles = tuple(dict.fromkeys((*self.roles, *other.roles)))
        return replace(self, package=best[0], copies=best[1:], roles=roles)

    def as_json(self) -> dict[str, Any]:
        package = self.package
        return {
            **_lies(package),
            "copies": [_lies(one) for one in self.copies],
            "job_id": package.job_id,
            "transfer_id": package.transfer_id,
            "title": package.title,
            "carrier_id": package.carrier_id,
            "pass_n": self.pass_n,
            "started_at": self.started_at,
            "stopped_at": self.stopped_at,
            "roles": list(self.roles),
            "through": self.through
            and {
                "what": self.through.what,
                "kind": self.through.kind,
                "fitted": self.fitted,
                "steps": [step.as_json() for step in self.through.steps],
            },
            "judgements": [
                {"notice": n, "verdict": j.verdict, "why": j.why} for n, j in enumerate(self.judgements, 1)
            ],
        }


def _lies(package: Listed) -> dict[str, Any]:
    return {
        "package": readable(package.name),
        "place": readable(package.place),
        "place_base64": package.place_base64,
        "last_check": {"outcome": package.last_outcome, "at": package.last_checked_at},
        "gone": package.gone,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class ClientPasses:
    """Everything of one client, in order of time; undated: passes for which nobody noted a time.
    client None: nobody noted whose they are."""

    client: str | None
    passes: tuple[Played, ...]
    undated: tuple[Played, ...] = ()

    @property
    def everything(self) -> tuple[Played, ...]:
        return self.passes + self.undated

    @property
    def transfers(self) -> int:
        return len({p.transfer for p in self.everything})

    def as_json(self) -> dict[str, Any]:
        return {
            "client": self.client,
            "transfers": self.transfers,
            "passes": [p.as_json() for p in self.passes],
            "undated": [p.as_json() for p in self.undated],
        }


def verdicts(passes: Sequence[Played], n: int) -> dict[object, Verdict]:
    """Transfer -> the word on it, for notice n (from 1): the gravest of its passes."""
    out: dict[object, Verdict] = {}
    for one in passes:
        said = one.judgements[n - 1].verdict
        known = out.setdefault(one.transfer, said)
        if VERDICTS.index(said) < VERDICTS.index(known):
            out[one.transfer] = said
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """Where was looked: a catalogue (as people call it), or folders and addresses that were read anew; with
    both, the catalogue, for what lies beneath these. not_read: packages that could not be read wholly.
    seen: (root, when it was last looked at, or "")."""

    catalogue: str | None = None
    roots: tuple[str, ...] = ()
    packages: int = 0
    register: str | None = None
    not_read: int = 0
    seen: tuple[tuple[str, str], ...] = ()

    def as_json(self) -> dict[str, Any]:
        return {
            "catalogue": self.catalogue and readable(self.catalogue),
            "roots": [readable(root) for root in self.roots],
            "packages": self.packages,
            "not_read": self.not_read,
            "seen": [{"root": readable(root), "at": at or None} for root, at in self.seen],
            "register": self.register and readable(self.register),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What the register says of the equipment itself."""

    kind: str
    make_model: str
    serial: str
    fitted_to: tuple[Fitting, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A file that was written for a client, or None as client for the table."""

    path: str
    client: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Traced:
    """The whole answer. entry: None when no register lists it. fitted_here: what the register says is, or
    was, in it."""

    equipment: str
    window: Window
    looked: Looked
    roles: tuple[str, ...] = ()
    entry: Entry | None = None
    fitted_here: tuple[Fitting, ...] = ()
    notices: tuple[Notice, ...] = ()
    clients: tuple[ClientPasses, ...] = ()
    findings: tuple[Finding, ...] = ()
    letters: tuple[Written, ...] = ()
    table: str | None = None

    @property
    def everything(self) -> tuple[Played, ...]:
        return tuple(p for c in self.clients for p in c.everything)

    def counts(self, n: int) -> dict[Verdict, int]:
        """Transfers by the word on them, for notice n."""
        found = list(verdicts(self.everything, n).values())
        return {word: found.count(word) for word in VERDICTS}

    @property
    def person(self) -> bool:
        """Whether it is a person: in every record that names it, it is one."""
        return bool(self.roles) and PEOPLE.issuperset(self.roles)

    @property
    def doubtful(self) -> bool:
        """Whether a notice that is not cleared may concern a transfer."""
        return any(
            self.counts(notice.n)["covered"] or self.counts(notice.n)["cannot_be_told"]
            for notice in self.notices
            if not notice.cleared
        )

    @property
    def outcome(self) -> Literal["good", "doubtful"]:
        return "doubtful" if self.doubtful else "good"

    @property
    def exit_code(self) -> int:
        """1 when a transfer may be concerned, or anything else needs somebody's eye; else 0."""
        return int(self.doubtful or any(f.severity != "note" for f in self.findings))

    def as_json(self) -> dict[str, Any]:
        """The shape of schemas/result-trace.schema.json."""
        everything = self.everything
        return {
            "outcome": self.outcome,
            "equipment": self.equipment,
            "roles": list(self.roles),
            "since": self.window.since,
            "until": self.window.until,
            "looked": self.looked.as_json(),
            "register": self.entry
            and {
                "kind": self.entry.kind,
                "make_model": self.entry.make_model,
                "serial": self.entry.serial,
                "fitted_to": [f.as_json() for f in self.entry.fitted_to],
            },
            "fitted_here": [f.as_json() for f in self.fitted_here],
            "notices": [{**one.as_json(), "transfers": self.counts(one.n)} for one in self.notices],
            "clients": [one.as_json() for one in self.clients],
            "totals": {
                "clients": sum(c.client is not None for c in self.clients),
                "transfers": len({p.transfer for p in everything}),
                "passes": len(everything),
                "undated": sum(not p.dated for p in everything),
            },
            "letters": [{"client": w.client, "path": readable(w.path)} for w in self.letters],
            "table": self.table and readable(self.table),
            "findings": [f.as_json() for f in self.findings],
        }
