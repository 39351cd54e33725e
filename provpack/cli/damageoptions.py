"""The options of `verify` about damage: what a second copy has, and a page with pictures."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from provpack.cli import progress
from provpack.cli.verifyoptions import Named, Place

if TYPE_CHECKING:
    from provpack.jobs.newfile import NewFile
    from provpack.jobs.secondcopy import SecondCopy
    from provpack.jobs.secondcopygone import Gone
    from provpack.jobs.verified import UnitResult, VerifyResult
    from provpack.package.signers import Signers

F = Callable[..., Any]


def damage_options(function: F) -> F:
    """Arguments second_copy, page."""
    for option in (
        click.option(
            "--page", type=Named(path_type=Path), metavar="FILE.html",
            help="Write a page with a picture of the damage in each master. The file must not exist.",
        ),
        click.option(
            "--second-copy", type=Place(), metavar="PATH",
            help="Look for a second copy of each package at or beneath PATH: is it there, and can it heal "
            "what is damaged here? Nothing is written.",
        ),
    ):  # fmt: skip
        function = option(function)
    return function


@dataclass(slots=True)
class Damage:
    """What was asked for beyond the check itself. The page is refused before anything is read."""

    second_copy: Path | str | None
    page: Path | None
    ledger: Path | None
    signers: Signers | None
    copies: dict[str, SecondCopy] | None = None
    gone: Sequence[Gone] = ()
    _file: NewFile | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        if self.page is not None:
            from provpack.edge import clock
            from provpack.edge.commit import RealDisk
            from provpack.errors import UsageProblem
            from provpack.jobs.newfile import NewFile

            if self.ledger is not None and os.path.realpath(self.page) == os.path.realpath(self.ledger):
                raise UsageProblem(
                    "page-is-ledger",
                    "The page and the ledger would be one file.",
                    where=f"--page and --ledger {self.ledger}",
                    todo="Name two files.",
                )
            mark = f"verify-{clock.new_id().replace('-', '')[:8]}"
            self._file = NewFile(target=self.page, disk=RealDisk(), mark=mark, option="--page")
            self._file.refuse()

    def look(self, result: VerifyResult, quiet: bool, unread: int = 0) -> VerifyResult:
        """The result with what the second copies add to it; the page is written, or it is told why not.
        unread: packages known that were not looked at in this run."""
        if self.second_copy is not None:
            from provpack.jobs.secondcopy import Shelf, compare, findings_of
            from provpack.jobs.secondcopygone import gone_copies

            ledger = self.ledger if self.ledger is not None and self.ledger.is_file() else None
            with progress.shown(quiet) as bar:
                shelf = Shelf(self.second_copy)
                self.copies = compare(result, shelf, progress=bar, ledger=ledger, signers=self.signers)
                self.gone = gone_copies(result, shelf, progress=bar, ledger=ledger, signers=self.signers)
            more = (*findings_of(self.copies), *(one.finding for one in self.gone))
            result = replace(result, findings=(*result.findings, *more))
        if self._file is not None:
            from provpack.errors import ProvpackError
            from provpack.jobs.verified import page_not_written
            from provpack.report.damage_page import damage_page

            try:
                self._file.write((damage_page(result, self.copies, unread),))
            except ProvpackError as err:  # what was found must be told all the same
                self.page = None
                result = page_not_written(result, err)
        return result

    def unit_json(self, unit: UnitResult) -> dict[str, Any]:
        """The JSON of a unit, with its `second_copy` when one was asked for."""
        told: dict[str, Any] = unit.as_json()
        if self.copies is not None:
            one = self.copies.get(unit.path)
            told["second_copy"] = one.as_json() if one is not None else None
        return told

    def into(self, report: dict[str, Any]) -> dict[str, Any]:
        """The JSON report with `gone` and `page`."""
        if self.copies is not None:
            report["gone"] = [one.as_json() for one in self.gone]
        if self.page is not None:
            report["page"] = str(self.page)
        return report

    def lines(self, result: VerifyResult) -> list[str]:
        """For people."""
        out = []
        if self.copies is not None:
            from provpack.jobs.secondcopy import lines_of

            out += lines_of(self.copies, result.units)
        for one in self.gone:
            out += one.lines()
        return [*out, *([f"Page: {self.page}"] if self.page is not None else [])]
