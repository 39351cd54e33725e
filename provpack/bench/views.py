"""Pages: a view of the desk, made into HTML. Runs in threads; imports a view when it is first asked for."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import Any, Final

from provpack.bench.replies import Refused
from provpack.bench.session import Bench

VIEWS: Final[Mapping[str, tuple[str, str]]] = {
    "carriers": ("provpack.jobs.benchview_intake", "Carriers"),
    "carrier": ("provpack.jobs.benchview_intake", "Carrier"),
    "receipt": ("provpack.jobs.benchview_intake", "Receipt"),
    "chains": ("provpack.jobs.benchview_chains", "Chains"),
    "after": ("provpack.jobs.benchview_after", "After the pass"),
    "packages": ("provpack.jobs.benchview_after", "Packages"),
}
"""Page -> the module of its view function `<page>_view`, and its title where the view gives none."""


def page_html(bench: Bench, name: str, path: str, *args: Any) -> str:
    """The page as text. Raises Refused 503 when a part of it is not there."""
    from provpack.report.bench_pages import Frame, page

    module, title = VIEWS[name]
    make = _late(module, f"{name}_view")
    n = bench.desk.state.n  # before the view: what is added meanwhile makes the page look again
    info = bench.info()
    view = make(bench.desk, info, *args)
    frame = Frame(
        token=bench.secrets.page,
        title=str(view.get("title") or title),
        path=path,
        by=bench.by,
        job=bench.desk.job().job_id or bench.desk.folder.name,
        n=n,
        now=bench.now().isoformat(),
        works=tuple(info.works.values()),
    )
    return page(name, view, frame=frame)


def _late(module: str, name: str) -> Callable[..., Mapping[str, Any]]:
    try:
        found: Callable[..., Mapping[str, Any]] = getattr(importlib.import_module(module), name)
    except (ModuleNotFoundError, AttributeError):
        raise Refused(
            503, "part-missing", f"This page is not part of this installation: {module} has no {name}.",
            "Install provpack anew. The other pages, and `provpack jot`, write the same log.",
        ) from None  # fmt: skip
    return found


def known_transfer(bench: Bench, transfer_id: str) -> bool:
    """Whether the log or a sheet has this transfer."""
    if transfer_id in bench.desk.state.transfers:
        return True
    return any(t.transfer_id == transfer_id for t in bench.desk.job().transfers)
