"""Pages: a view of the desk, made into HTML. Runs in threads; imports a view when it is first asked for."""

from __future__ import annotations

import importlib
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from provpack.bench.session import Bench
    from provpack.jobs.benchdesk import DeskInfo

VIEWS: Final[Mapping[str, tuple[str, str]]] = {
    "carriers": ("provpack.jobs.benchview_intake", "Carriers"),
    "carrier": ("provpack.jobs.benchview_intake", "Carrier"),
    "receipt": ("provpack.jobs.benchview_intake", "Receipt"),
    "chains": ("provpack.jobs.benchview_chains", "Chains"),
    "after": ("provpack.jobs.benchview_after", "After the pass"),
    "packages": ("provpack.jobs.benchview_after", "Packages"),
    "machines": ("provpack.jobs.benchview_machines", "Set-up"),
    "machine": ("provpack.jobs.benchview_machines", "Set-up"),
}
"""Page -> the module of its view function `<page>_view`, and its title where the view gives none."""


FRESH: Final = 1.0
"""Seconds for which a page that was made is given again while nothing that the windows are told of changed:
all windows fetch anew after every line."""
_MOST: Final = 16


class Shown:
    """Pages made a moment ago. Used by one thread at a time: the one that makes pages."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._made: dict[tuple[Any, ...], tuple[float, Any, str]] = {}

    def page(self, which: tuple[Any, ...], rests_on: Any, make: Callable[[], str]) -> str:
        """The page `which` as it was made of the same before, or made now."""
        now = self._clock()
        self._made = {k: v for k, v in self._made.items() if now - v[0] < FRESH}
        found = self._made.get(which)
        if found is not None and found[1] == rests_on:
            return found[2]
        html = make()
        if len(self._made) < _MOST:
            self._made[which] = now, rests_on, html
        return html


def page_html(bench: Bench, name: str, path: str, *args: Any) -> str:
    """The page as text; what it shows is at least as new as the line `n` it names. Between the parts of the
    work acts go first."""
    info = bench.info()
    n = bench.desk.state.n  # before the view: what is added meanwhile makes the page look again
    rests_on = (n, dict(info.works), info.files, bench.desk.troubles)
    return bench.shown.page((name, path, *args), rests_on, lambda: _made(bench, info, n, name, path, *args))


def _made(bench: Bench, info: DeskInfo, n: int, name: str, path: str, *args: Any) -> str:
    from provpack.report.bench_pages import Frame, page

    module, title = VIEWS[name]
    make: Callable[..., Mapping[str, Any]] = getattr(importlib.import_module(module), f"{name}_view")
    give_way = bench.first.way()
    give_way()
    job = bench.desk.job()
    give_way()
    view = make(bench.desk, info, *args)
    frame = Frame(
        token=bench.secrets.page,
        title=str(view.get("title") or title),
        path=path,
        by=bench.by,
        job=job.job_id or bench.desk.folder.name,
        n=n,
        now=bench.now().isoformat(),
        works=tuple(info.works.values()),
    )
    give_way()
    return page(name, view, frame=frame, between=give_way)


def known_transfer(bench: Bench, transfer_id: str) -> bool:
    """Whether the log or a sheet has this transfer."""
    if transfer_id in bench.desk.state.transfers:
        return True
    return any(t.transfer_id == transfer_id for t in bench.desk.job().transfers)


def known_place(bench: Bench, scope: str, name: str) -> bool:
    """Whether a sheet or the log has this chain or piece of equipment, or the log once had: a window that
    shows one which was taken back is told so by the page."""
    if name in bench.desk.said().ids(scope):
        return True
    return any(e.get("scope") == scope and e.get("id") == name for e in bench.desk.state.entries)
