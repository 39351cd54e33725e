"""A sheet that is not there: what lies there in its place, and what to do about it."""

from __future__ import annotations

import difflib
import os

from provpack.edge.jobfolder import BAG_MARK, Listing, printable

NEW_JOB = (
    "Name the folder that holds job.toml. For a new job, copy the one that `provpack demo FOLDER --only-job` "
    "makes and change it."
)
_SPREADSHEETS = (".xlsx", ".xlsm", ".xls", ".ods", ".numbers")


def instead_of(listing: Listing, wanted: str) -> str:
    """What to do, from names that lie in the folder in the place of `wanted`; empty when none does."""
    here = [name for name in listing.files if "/" not in name]
    stem = wanted.rsplit(".", 1)[0]
    for name in here:
        if name.lower() == wanted:
            return f"'{printable(name)}' is there: write its name in small letters, '{wanted}'."
    sheets = [name for name in here if name.lower().endswith(_SPREADSHEETS)]
    named = [name for name in sheets if name.lower().rsplit(".", 1)[0] == stem] or sheets[:1]
    if named and wanted.endswith(".csv"):
        return (
            f"'{printable(named[0])}' is a spreadsheet, which is not read: save it as 'CSV UTF-8' under the "
            f"name '{wanted}'."
        )
    near = difflib.get_close_matches(wanted, [name[:200] for name in here[:2000]], n=1, cutoff=0.75)
    return f"Is it '{printable(near[0])}'? Then name it '{wanted}'." if near else ""


def job_elsewhere(listing: Listing, wanted: str) -> str:
    """As instead_of, for the sheet that makes a folder a job folder: also a folder above or below, a package
    in its place, and a job that is not begun yet. Never empty."""
    mended = instead_of(listing, wanted)
    if mended:
        return mended
    below = sorted({name.rsplit("/", 1)[0] for name in listing.files if name.endswith(f"/{wanted}")})
    if below:
        more = f" or another of {len(below)}" if len(below) > 1 else ""
        return f"One lies in the folder '{printable(below[0])}'{more}: name that folder."
    if os.path.isfile(listing.root.parent / wanted):  # noqa: PTH113 - answers, where is_file may raise
        return f"One lies in the folder above: name {printable(str(listing.root.parent))}"
    if BAG_MARK in listing.files:
        return "This is a package. Name the folder of the job it was made from, or look at it with verify."
    return NEW_JOB
