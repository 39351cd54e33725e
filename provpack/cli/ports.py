"""Builds the real ports that the jobs are given."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from provpack.jobs.progress import Progress

if TYPE_CHECKING:
    from provpack.jobs.wrapped import Ports


@contextlib.contextmanager
def wrap_ports(destination: Path, progress: Progress) -> Iterator[Ports]:
    """Ports on the local disk, with the ledger of the destination."""
    from provpack.edge import clock, ledger, private
    from provpack.edge.bag import second_opinion
    from provpack.edge.commit import RealDisk, folder_names
    from provpack.edge.workers import crew
    from provpack.jobs.custody import enter_job
    from provpack.jobs.heldfiles import STUDIO_FOLDER
    from provpack.jobs.wrapped import Ports
    from provpack.report.html import render_package

    disk = RealDisk()
    with crew(2) as run_all:
        yield Ports(
            disk=disk,
            unsynced=lambda: disk.unsynced,
            now=clock.now,
            new_id=clock.new_id,
            run_all=run_all,
            progress=progress,
            list_names=folder_names,
            append_ledger=lambda entry: _append(destination / ledger.LEDGER_NAME, entry),
            enter_job=lambda job: enter_job(job, destination / ledger.LEDGER_NAME, clock.now()),
            second_opinion=second_opinion,
            render_report=render_package,
            new_salt=private.new_salt,
            keep_private=lambda name, data: private.write_private(destination / STUDIO_FOLDER, name, data),
        )


def _append(path: Path, entry: Mapping[str, Any]) -> None:
    from provpack.edge import ledger

    ledger.append(path, entry)


def schema_pairs() -> Callable[[str, object], list[tuple[str, str]]]:
    """The validator as plain (JSON pointer, message) pairs."""
    from provpack.edge.schemas import validate

    return lambda name, value: [(v.pointer, v.message) for v in validate(name, value)]
