"""A file is attached to the pass it came from, or taken off it again.

Nobody need be asked where time, length and capture input all agree. Where one does not, a person decides,
and says why; what was found stands in the line beside that.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from provpack.edge.jobfolder import list_folder, resolve
from provpack.jobs.benchact import (
    LONG_AGO,
    Bench,
    Line,
    clock_words,
    instant,
    maybe,
    of_pass,
    one_of,
    only,
    refused,
    stopped_pass,
    text,
    this_pass,
)
from provpack.model.vocab import FILE_ATTACHED_BY
from provpack.package.benchstate import Pass

if TYPE_CHECKING:
    from provpack.package.benchmatch import Agreement


def file_attached(members: Mapping[str, Any], bench: Bench) -> Line:
    """Attach a file of the job folder to a stopped pass. What is seen of the file is looked up here.

    Members: transfer_id, pass, file; attached_by "person" with a reason where a person decided; starts_at
    where a person knows when its first sample was taken.
    """
    only(members, "transfer_id", "pass", "file", "attached_by", "reason", "starts_at")
    one = stopped_pass(members, bench, lambda p: p.attached is None, "without a file")
    if one.attached is not None:
        raise refused(
            "has-a-file",
            f"{this_pass(one)} has the file '{one.attached.file}' already (line {one.attached.n}).",
            todo="Detach that one first, if this is the right one.",
            where=one.transfer_id,
        )
    file = _in_the_folder(bench, text(members, "file"))
    _free(bench, file, one)
    by = "agreement"
    if members.get("attached_by") is not None:
        by = one_of(members, "attached_by", FILE_ATTACHED_BY)
    reason, starts = maybe(members, "reason"), _stated_start(members, bench)
    if by == "person" and reason is None:
        raise refused(
            "reason-missing",
            "A file that a person attaches needs a reason.",
            todo="Say why it belongs to this pass: what you saw or heard.",
            where="reason",
        )
    seen = bench.see(file)
    found = _held_against(bench, one, seen)
    if not seen.stable and by == "agreement" and found.input != "disagrees":
        raise refused(
            "file-not-finished",
            f"'{file}' does not look finished: {' '.join(seen.faults) or 'it is still changing.'}",
            todo="Wait until the capture program has closed it, then again; or decide yourself and say why.",
            where=file,
        )
    if by == "agreement" and not found.whole:
        why = [said for said in found.why if not said.startswith("It would fit ")]  # told in what to do
        raise refused(
            "file-does-not-fit",
            f"'{file}' is not attached to {of_pass(one)}: {' '.join(why)}",
            todo=_instead(found, one),
            where=file,
        )
    line = {
        "transfer_id": one.transfer_id, "pass": one.number, "file": file, "bytes": seen.bytes,
        "modified_at": seen.modified_at, "frames": seen.frames,
        "header_sampling_frequency_hz": seen.header_hz,
        "starts_at": starts or found.starts_at, "starts_from": "stated" if starts else found.starts_from,
        "agreement": found.members(), "attached_by": by, "reason": reason,
    }  # fmt: skip
    warnings = [] if found.whole else list(found.why)
    if not seen.stable:
        warnings += seen.faults or ("The file is still changing.",)
    return Line(members=line, about=f"{file} attached to {of_pass(one)}", warnings=tuple(warnings))


def file_detached(members: Mapping[str, Any], bench: Bench) -> Line:
    """Take the file off a pass again. The file itself is left where it is."""
    only(members, "transfer_id", "pass", "file", "reason")
    one = stopped_pass(members, bench, lambda p: p.attached is not None, "with a file")
    if one.attached is None:
        raise refused(
            "has-no-file",
            f"{this_pass(one)} has no file attached.",
            todo="Look at the passes: another may have it.",
            where=one.transfer_id,
        )
    file = maybe(members, "file") or one.attached.file
    if file != one.attached.file:
        raise refused(
            "changed-meanwhile",
            f"{this_pass(one)} has the file '{one.attached.file}' now, not '{file}'.",
            todo="Look at it again, then detach the one that is there if it is wrong.",
            where="file",
        )
    line_at = next((str(e.get("at")) for e in bench.state.entries if e.get("n") == one.attached.n), "")
    refuse_sealed(bench, one.transfer_id, line_at, "The file it was made from stays attached")
    line = {
        "transfer_id": one.transfer_id, "pass": one.number, "file": file, "reason": maybe(members, "reason")
    }  # fmt: skip
    return Line(members=line, about=f"{file} taken off {of_pass(one)}")


def refuse_sealed(bench: Bench, transfer_id: str, at: str, what: str) -> None:
    """A sealed package is never patched: what it rests on, a line written at that time, is not taken back."""
    package = bench.sealed(transfer_id, at)
    if package is not None:
        raise refused(
            "sealed",
            f"{transfer_id} is sealed in package {package}, and a sealed package is never patched. {what}.",
            todo="Write a note that says what is wrong. A new package that replaces this one may be made; "
            "the old one stays.",
            where=transfer_id,
        )


def _in_the_folder(bench: Bench, written: str) -> str:
    found = resolve(list_folder(bench.folder), written, where="file")
    if found.path is None:
        first = found.findings[0]
        raise refused("no-such-file", first.what, todo=first.todo, where="file")
    return found.relative


def _free(bench: Bench, file: str, one: Pass) -> None:
    """Refuse a file that another pass has, by the log or by a sheet."""
    for taken in bench.state.transfers.values():
        for other in taken.passes:
            if other.attached is not None and other.attached.file == file:
                raise refused(
                    "file-taken",
                    f"'{file}' is the file of {of_pass(other)} already (line {other.attached.n}).",
                    todo="One file is of one pass. Detach it there first, if it belongs here.",
                    where=file,
                )
    for transfer_id, values in bench.said().transfers.items():
        passes = values.get("passes")
        listed = [e.get("file") for e in passes or () if isinstance(e, Mapping)] if passes else []
        if transfer_id != one.transfer_id and file in (values.get("file"), *listed):
            raise refused(
                "file-taken",
                f"'{file}' is named for {transfer_id} in a sheet.",
                todo="Correct the sheet if it belongs here: one file is of one pass.",
                where=file,
            )


def _stated_start(members: Mapping[str, Any], bench: Bench) -> str | None:
    said = maybe(members, "starts_at")
    if said is None:
        return None
    moment = instant(said)
    if moment is None or moment > bench.at:
        raise refused(
            "not-a-time",
            f"'{said[:80]}' is no time before now, with its offset from UTC.",
            todo="Say the day, the hour, minute and second, and the offset from UTC; or leave it out.",
            where="starts_at",
        )
    if moment < bench.at - LONG_AGO:
        raise refused(
            "long-ago",
            f"{clock_words(said, bench.at)} is more than a year ago.",
            todo="Correct the day, or leave it out: then it follows from the file or from the pass.",
            where="starts_at",
        )
    return said


def _held_against(bench: Bench, one: Pass, seen: Any) -> Agreement:
    from provpack.package.benchmatch import match

    files = {chain: values.get("capture_files") for chain, values in bench.said().chains.items()}
    others = [p for t in bench.state.transfers.values() for p in t.passes]
    return match(
        seen,
        one,
        capture_files=files.get(one.chain_id),
        others=[p for p in others if p is not one],
        other_files=files,
    )


def _instead(found: Agreement, one: Pass) -> str:
    if found.better is not None:
        other = found.better
        return (
            f"It would fit {of_pass(other)}: attach it there. If it does belong to {of_pass(one)}, attach it "
            "as a person, with the reason."
        )
    return "Look whether it is the right file and pass. If it is, attach it as a person, with the reason."
