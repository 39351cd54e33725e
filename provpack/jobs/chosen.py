"""Some of a job's transfers, chosen by their ids."""

from __future__ import annotations

import difflib

from provpack.edge.jobfolder import printable
from provpack.errors import InputProblem
from provpack.jobs.loaded import LoadedJob, LoadedTransfer

_NEAR_AMONG = 5000
"""So many ids are compared at most when one is looked for that is spelt like another."""


def chosen(job: LoadedJob, only: frozenset[str] | None) -> tuple[LoadedTransfer, ...]:
    """The transfers of these ids in the order of the sheet, all of an id that stands twice; None = all.

    Raises InputProblem for an id that no transfer has, naming those that are spelt alike.
    """
    if only is None:
        return job.transfers
    known = dict.fromkeys(t.transfer_id for t in job.transfers)
    unknown = sorted(only - known.keys())
    if unknown:
        ids = list(known)[:_NEAR_AMONG]
        near = list(dict.fromkeys(n for u in unknown for n in difflib.get_close_matches(u[:100], ids, n=2)))
        names = ", ".join(f"'{printable(u)[:80]}'" for u in unknown[:10])
        alike = " or ".join(f"'{printable(n)[:80]}'" for n in near[:4])
        raise InputProblem(
            "no-such-transfer",
            f"The job has no transfer {names}, so nothing was wrapped.",
            where=str(job.folder),
            todo=f"Did you mean {alike}?" if alike else "`provpack check` lists the transfers of the job.",
        )
    return tuple(t for t in job.transfers if t.transfer_id in only)
