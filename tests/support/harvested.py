"""Everything a catalogue answers, as plain values that two catalogues can be compared by."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from provpack.catalogue.opening import Catalogue, open_catalogue
from provpack.catalogue.values import Answer
from provpack.jobs.harvest import HarvestResult, harvest
from provpack.jobs.progress import Silent

NOW = datetime(2031, 5, 4, 12, tzinfo=UTC)
LATER = "2031-01-01T00:00:00Z"


def empty() -> Catalogue:
    return open_catalogue(":memory:", create=True)


def fill(catalogue: Catalogue, *roots: Path | str, rebuild: bool = False, **more: Any) -> HarvestResult:
    return harvest(roots, catalogue, clock=lambda: NOW, progress=Silent(), rebuild=rebuild, **more)


def answers(catalogue: Catalogue) -> dict[str, Any]:
    """All answers, without the numbers that only say in which order things came in."""
    ask = catalogue.ask
    lists = {
        "emphasis": ask.emphasis_unknown(0),
        "rights": ask.rights_gaps("2031-05-04", 0),
        "chain": ask.chain_check_old(0, 0),
        "due": ask.due("2031-05-04", 0),
        "checked": ask.not_checked_since(LATER, 0),
        "not_good": ask.last_not_good(0),
        "once_bad": ask.once_bad(0),
        "gone": ask.gone(0),
        **{f"rule {rule}": ask.raising(rule, 0) for rule, _, _ in ask.rules_raised()},
        "found": ask.find("evening", 0),
    }
    told: dict[str, Any] = {name: _plain(answer) for name, answer in lists.items()}
    told["rules"] = sorted(ask.rules_raised())
    told["size"] = ask.size()
    told["roots"] = ask.roots()
    told["trends"] = [ask.trends("deck"), ask.trends("decoder"), ask.trends("stock")]
    told["sealed"] = sorted(map(repr, ask.sealed_but_unknown(0)))
    told["carriers"] = repr(ask.carriers_without_outcome(0))
    told["broken"] = ask.broken_ledgers()
    told["faults"] = ask.faults("DECK-1")
    told["touched"] = sorted(
        repr(replace(t, package=replace(t.package, id=0))) for t in ask.touched("DECK-1", None, None)
    )
    told["parts"] = sorted(ask.parts_like("deck", 0))
    told["verify"] = sorted(repr(replace(one, id=0)) for one in ask.to_verify(None, LATER))
    told["beneath"] = sorted(ask.known_beneath("/"))
    return told


def _plain(answer: Answer) -> tuple[int, list[str]]:
    return answer.total, sorted(repr(replace(one, id=0)) for one in answer.first)
