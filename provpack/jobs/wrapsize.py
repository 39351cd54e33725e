"""How many bytes of work the wrapping of a transfer will report, told before any audio is read."""

from __future__ import annotations

from pathlib import Path

from provpack.errors import ProvpackError
from provpack.jobs.clientprofiles import ClientProfiles
from provpack.jobs.deriveplan import Wanted
from provpack.jobs.draft import build_record_draft
from provpack.jobs.loaded import LoadedJob, LoadedTransfer
from provpack.jobs.passfiles import pass_names
from provpack.jobs.wrapdocs import documents_of
from provpack.jobs.wrapneeds import derivative_for


def bytes_to_wrap(
    job: LoadedJob, transfer: LoadedTransfer, clients: ClientProfiles, wanted: Wanted | None
) -> int:
    """Bytes that advance() will be told of: documents, the master, the copy made from it, passes compared
    and the proof of an assembly.

    An estimate for jobs/progress.expect: headers count as audio, and only the pairs of passes that are
    always compared are counted.
    """
    passes = [_size(f.path) for f in pass_names(transfer).values()]
    audio = _size(transfer.path) or max(passes, default=0)
    total = audio + sum(_size(named.path) for _, named, _ in documents_of(transfer))
    total += compared_bytes(transfer)
    if transfer.values.get("assembly"):
        total += 2 * audio
    return total + (audio if _derives(job, transfer, clients, wanted) else 0)


def compared_bytes(transfer: LoadedTransfer) -> int:
    """Bytes that comparing the passes of a transfer reads at least: each pair twice, all with the first."""
    passes = [_size(f.path) for f in pass_names(transfer).values()]
    return sum(2 * (passes[0] + other) for other in passes[1:])


def bytes_to_check(transfer: LoadedTransfer) -> int:
    """As bytes_to_wrap, for a check that measures the audio."""
    audio = _size(transfer.path)
    proof = 2 * audio if transfer.values.get("assembly") else 0
    return audio + proof + compared_bytes(transfer)


def _derives(
    job: LoadedJob, transfer: LoadedTransfer, clients: ClientProfiles, wanted: Wanted | None
) -> bool:
    try:
        draft = build_record_draft(job, transfer, record_id="")
        wanted = derivative_for(clients.of(draft), draft, wanted)
    except ProvpackError:
        return False  # told when the transfer's turn comes
    if wanted is None:
        return False
    emphasis = transfer.values.get("file_emphasis") in ("present", "mixed")
    return (emphasis and "deemphasis" in wanted.kinds) or wanted.late_channel is not None


def _size(path: Path | None) -> int:
    try:
        return path.stat().st_size if path is not None else 0
    except OSError:
        return 0
