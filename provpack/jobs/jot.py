"""What `provpack jot` does: the same acts as the page, typed; and what the bench log says, to be told."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, Literal

from provpack.errors import InputProblem, UsageProblem
from provpack.findings import Finding, worst
from provpack.jobs import benchcorrect
from provpack.jobs.benchact import instant, refused, stamp
from provpack.jobs.benchdesk import Acted, Desk
from provpack.jobs.benchundo import summary
from provpack.model.formats import read_date_time
from provpack.package.benchstate import BenchState, Pass

_CLOCK: Final = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])(?::([0-5][0-9]))?\Z")
_LAST: Final = 12
Outcome = Literal["good", "warnings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningPass:
    """A pass that runs. seconds: since its start, by the clock of this machine; at least 0."""

    one: Pass
    seconds: int

    def as_json(self) -> dict[str, Any]:
        last = self.one.events[-1] if self.one.events else None
        return {
            "transfer_id": self.one.transfer_id,
            "pass": self.one.number,
            "chain_id": self.one.chain_id,
            "started_at": self.one.started_at,
            "seconds": self.seconds,
            "events": len(self.one.events),
            "last_event": None if last is None else {"type": last.type, "at": last.at, "n": last.n},
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchView:
    """The log in short. waiting: stopped passes that may have a file and have none; unjudged: without a
    verdict; last: (number, time, words, whether it counts) of the last lines; not_taken_in: only in sheets.
    """

    lines: int
    running: tuple[RunningPass, ...]
    waiting: tuple[Pass, ...]
    unjudged: tuple[Pass, ...]
    taken_in: tuple[str, ...]
    not_taken_in: tuple[str, ...]
    last: tuple[tuple[int, str, str, bool], ...]

    def as_json(self) -> dict[str, Any]:
        return {
            "lines": self.lines,
            "running": [p.as_json() for p in self.running],
            "not_attached": [_named(p) for p in self.waiting],
            "not_judged": [_named(p) for p in self.unjudged],
            "taken_in": list(self.taken_in),
            "not_taken_in": list(self.not_taken_in),
            "last": [{"n": n, "at": at, "words": words, "counts": c} for n, at, words, c in self.last],
        }


def _named(one: Pass) -> dict[str, Any]:
    return {
        "transfer_id": one.transfer_id,
        "pass": one.number,
        "chain_id": one.chain_id,
        "stopped_at": one.stopped_at,
        "outcome": one.outcome,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class JotResult:
    """What came of it. action: the part of `jot`; acted: the line written, None when nothing was to be.

    settings: those of a chain, with the word that confirms them. view: the log in short.
    """

    job: str
    action: str
    acted: Acted | None = None
    chain_id: str | None = None
    settings: Mapping[str, Any] | None = None
    view: BenchView | None = None
    findings: tuple[Finding, ...] = ()
    warnings: tuple[str, ...] = field(default=())

    @property
    def outcome(self) -> Outcome:
        return "warnings" if self.exit_code else "good"

    @property
    def exit_code(self) -> int:
        return 1 if self.warnings or worst(self.findings) in ("error", "warning") else 0

    @property
    def word(self) -> str | None:
        """What `start --as-shown` wants to hear for these settings."""
        return None if self.settings is None else confirming(self.chain_id or "", self.settings)

    def as_json(self) -> dict[str, Any]:
        """The shape of schemas/result-jot.schema.json."""
        shown = None
        if self.settings is not None:
            shown = {"chain_id": self.chain_id, "values": dict(self.settings), "as_shown": self.word}
        return {
            "outcome": self.outcome,
            "job": self.job,
            "action": self.action,
            "line": dict(self.acted.entry) if self.acted else None,
            "words": self.acted.words if self.acted else None,
            "undo": self.acted.undo if self.acted else None,
            "settings": shown,
            "bench": self.view.as_json() if self.view else None,
            "warnings": list(self.warnings),
            "findings": [f.as_json() for f in self.findings],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """Who types, on what, and when. destination: where packages of the job go, None = beside it."""

    folder: Path
    now: Callable[[], datetime]
    tool_version: str
    by: str | None = None
    destination: Path | None = None

    def desk(self) -> Desk:
        return Desk(self.folder, now=self.now, tool_version=self.tool_version, destination=self.destination)


def write(hand: Hand, action: str, kind: str, members: Mapping[str, Any]) -> JotResult:
    """Write one line; members as Desk.act takes them. Raises ProvpackError when it is refused."""
    desk = hand.desk()
    acted = desk.act(kind, members, by=hand.by, through="command_line")
    return JotResult(
        job=str(desk.folder), action=action, acted=acted, warnings=acted.warnings, findings=desk.findings
    )


def start(hand: Hand, members: Mapping[str, Any], as_shown: str | None) -> JotResult:
    """Start a pass. as_shown: the word that `settings` printed; with it, what was shown is confirmed.

    The settings in members beat those shown. Raises InputProblem when they are others by now.
    """
    if as_shown is None:
        try:
            return write(hand, "start", "pass_started", members)
        except InputProblem as problem:
            if problem.code != "bench-settings-unconfirmed":
                raise
            shows = f"provpack jot settings JOB '{members.get('chain_id')}'"
            todo = f"{problem.todo} `{shows}` prints them, and a word for --as-shown that confirms them."
            raise InputProblem(problem.code, problem.what, where=problem.where, todo=todo) from None
    desk = hand.desk()
    chain = str(members.get("chain_id"))
    shown = desk.settings(chain)
    if chain in desk.chains() and as_shown.casefold() != confirming(chain, shown):
        raise refused(
            "changed-meanwhile",
            f"'{as_shown[:20]}' does not stand for the settings of chain {chain} as they are now.",
            todo=f"Look at them again (provpack jot settings JOB '{chain}') and start with its word.",
            where="--as-shown",
        )
    whole = {**members, "settings": {**shown, **members["settings"]}}
    return write(hand, "start", "pass_started", whole)


def undo(hand: Hand, line: int | None, reason: str | None) -> JotResult:
    """Take a line back: the one named, else the last that counts."""
    desk = hand.desk()
    if line is None:
        gone = desk.state.taken_back
        counting = [
            n for e in desk.state.entries
            if (n := e.get("n")) not in gone and e.get("kind") != "taken_back"
        ]  # fmt: skip
        if not counting:
            raise refused("line-unknown", "The log has no line that counts.", todo="Nothing is to be done.")
        line = counting[-1]
    return write(hand, "undo", "taken_back", {"entry": line, "reason": reason})


def correct(hand: Hand, transfer_id: str, new_id: str | None, because: str, again: bool) -> JotResult:
    """Take in a transfer that replaces a sealed one; see jobs/benchcorrect.py."""
    desk = hand.desk()
    acted = benchcorrect.correct(
        desk, transfer_id, reason=because, again=again, new_id=new_id, by=hand.by, through="command_line"
    )
    return JotResult(
        job=str(desk.folder), action="correct", acted=acted, warnings=acted.warnings, findings=desk.findings
    )


def settings(hand: Hand, chain_id: str) -> JotResult:
    """The settings of a chain in force, to be looked at before a pass, and the word that confirms them."""
    desk = hand.desk()
    if chain_id not in desk.chains():
        raise refused(
            "chain-unknown",
            f"There is no chain '{chain_id[:80]}' in this job.",
            todo=f"It has: {', '.join(desk.chains()) or 'none yet'}.",
            where="CHAIN",
        )
    return JotResult(
        job=str(desk.folder), action="settings", chain_id=chain_id, settings=desk.settings(chain_id),
        findings=desk.findings,
    )  # fmt: skip


def show(hand: Hand) -> JotResult:
    """What the bench log says, in short."""
    desk = hand.desk()
    state = desk.state
    view = BenchView(
        lines=state.n,
        running=tuple(RunningPass(one=p, seconds=_since(p, hand.now())) for p in state.running()),
        waiting=tuple(
            p for p in _stopped(state) if p.attached is None and p.outcome in ("complete", "partial")
        ),
        unjudged=tuple(p for p in _stopped(state) if p.verdict is None),
        taken_in=tuple(t.transfer_id for t in state.transfers.values() if t.n is not None),
        not_taken_in=tuple(
            t for t in desk.said().transfers if t not in state.transfers or state.transfers[t].n is None
        ),
        last=tuple(_last(state)),
    )
    return JotResult(job=str(desk.folder), action="show", view=view, findings=desk.findings)


def confirming(chain_id: str, values: Mapping[str, Any]) -> str:
    """Six signs that stand for these settings of this chain: whoever types them has had them in view."""
    text = json.dumps([chain_id, values], sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:6]


def moment(text: str | None, now: datetime, option: str = "--at") -> str | None:
    """A typed time as ISO 8601 with offset: "21:03" or "21:03:12" is the last time the clock here said so.

    Raises UsageProblem for anything else that is no date and time.
    """
    if text is None:
        return None
    found = _CLOCK.match(text.strip())
    if found:
        hour, minute, second = (int(part or 0) for part in found.groups())
        local = now.replace(hour=hour, minute=minute, second=second, microsecond=0, tzinfo=None)
        if local > now.replace(tzinfo=None) + timedelta(seconds=2):
            local -= timedelta(days=1)
        # the offset of that moment, not of now: the clocks may have been changed in the night
        return stamp(local.astimezone())
    typed = text.strip().replace(" ", "T", 1)
    if read_date_time(typed) is not None:
        return typed
    try:
        local = datetime.fromisoformat(typed)
    except ValueError:
        local = now
    if local.tzinfo is None and len(typed) > 10 and local.year >= 1900:
        return stamp(local.astimezone())
    raise UsageProblem(
        "no-such-value",
        f"'{text[:80]}' is no time.",
        where=option,
        todo="Write 21:03, 21:03:12, or a date and time such as 2031-05-04T21:03:12+02:00.",
    )


def json_value(text: str, option: str) -> Any:
    """A typed JSON value. Raises UsageProblem when it is none (RFC 8259: NaN and infinity are not)."""
    try:
        return json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError) as err:
        raise UsageProblem(
            "no-such-value",
            f"That is no JSON: {err}.",
            where=option,
            todo='Write texts in double quotes: "unknown", 14, ["good"], {"num": 44100, "den": 1}.',
        ) from None


def _no_number(word: str) -> None:
    raise ValueError(f"{word} is no number")


def _stopped(state: BenchState) -> Iterator[Pass]:
    yield from (p for t in state.transfers.values() for p in t.passes if not p.running)


def _since(one: Pass, now: datetime) -> int:
    started = instant(one.started_at)
    return max(0, int((now - started).total_seconds())) if started is not None else 0


def _last(state: BenchState) -> Iterator[tuple[int, str, str, bool]]:
    for entry in state.entries[-_LAST:]:
        number = entry.get("n")
        if isinstance(number, int):
            at = str(entry.get("happened_at") or entry.get("at"))
            yield number, at, summary(entry), number not in state.taken_back
