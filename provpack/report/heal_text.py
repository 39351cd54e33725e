"""What came of healing a package, as lines for people."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from provpack.jobs.healed import HealResult, copies_json, counts, losses
from provpack.package.bagpaths import readable
from provpack.package.figures import counted, numbered
from provpack.package.healstock import Joined, Made
from provpack.report.text import finding_lines

_STATE = {
    "whole": "whole",
    "damaged": "damaged",
    "other_package": "NOT this package",
    "unreadable": "could not be read",
}
_EVIDENCE = {
    "ledger": "the custody ledger knows it by this digest",
    "signature": "a trusted signer signed it",
    "self_consistency": "nothing outside is known; it agrees with every file it lists",
}


def heal_lines(result: HealResult) -> Iterator[str]:
    """The whole result."""
    if result.assessment is not None:
        yield from _copies(result)
    yield from _done(result)
    yield from finding_lines(result.findings)


def _copies(result: HealResult) -> Iterator[str]:
    seen = result.assessment
    assert seen is not None
    for copy in copies_json(seen):
        good = copy["good_files"]
        yield (
            f"Copy {copy['number']}: {_STATE[copy['state']]}, {numbered(good)} of "
            f"{numbered(good + copy['other_files'])} files as they were sealed: {copy['place']}"
        )
    if result.identity is not None:
        why = _EVIDENCE.get(seen.plan.evidence or "", "")
        yield f"The package {readable(result.name)}: {result.identity}" + (f" ({why})." if why else ".")


def _done(result: HealResult) -> Iterator[str]:
    seen = result.assessment
    if result.outcome == "nothing_to_heal" and seen is not None and seen.whole is not None:
        place = readable(seen.copies[seen.whole.number - 1].shown)
        yield f"Nothing needs healing and nothing was written: copy {seen.whole.number} is whole ({place})."
        yield "Copy it to where the damaged one was, and check the new copy with `provpack verify`."
    elif result.outcome in ("healed", "completed"):
        yield f"Built: {readable(result.package or '')}"
        yield f"Which copy gave what: {readable(result.record or '')}"
        if seen is not None:
            yield from _how(result)
        yield "No copy was changed. Check the new package with `provpack verify`, then make a second copy."
    elif seen is not None:
        yield from _lost(result)


def _how(result: HealResult) -> Iterator[str]:
    seen = result.assessment
    assert seen is not None
    told = counts(seen)
    yield f"{numbered(told['whole'])} of {numbered(told['all'])} files were taken whole from a copy."
    for planned in seen.plan.files:
        source = planned.source
        if isinstance(source, Joined):
            yield f"{readable(planned.path)} was joined from blocks:"
            for piece in source.pieces:
                what = piece.part
                if piece.part == "blocks":
                    what = f"blocks {piece.first}-{piece.last}"
                yield f"  {what} from copy {piece.copy} ({counted(piece.length, 'byte')})"
        elif isinstance(source, Made):
            yield f"{readable(planned.path)} was whole in no copy: written anew, and proven."


def _lost(result: HealResult) -> Iterator[str]:
    seen = result.assessment
    assert seen is not None
    lost = losses(seen)
    word = "could not be found in what could be read" if result.outcome == "could_not_check" else "are lost"
    of_all = f"{numbered(len(lost))} of {numbered(len(seen.plan.paths))}"
    yield f"Nothing was built: {of_all} files {word}."
    for path, one in zip(seen.plan.lost, lost, strict=True):
        unread = any(view.may_hold(path) for view in seen.views)
        needed = one["bytes_needed"]
        more = f" ({numbered(needed)} bytes are needed from elsewhere)" if needed is not None else ""
        yield f"  {one['path']}{more}"
        if one["master"] is not None:
            yield from _master(
                one["master"], "were not found in what could be read" if unread else "are in no copy"
            )
        else:
            yield from (f"    copy {c['copy']}: {c['what']}" for c in one["copies"])
    yield "Another copy that has these, in whatever state, can be added to the command."


def _master(master: Mapping[str, Any], where: str) -> Iterator[str]:
    if master["head_lost"]:
        yield f"    the {numbered(master['head_bytes'])} bytes before the audio {where}"
    if master["tail_lost"]:
        yield f"    the {numbered(master['tail_bytes'])} bytes after the audio {where}"
    lost = f"{numbered(master['lost_blocks'])} of {numbered(master['blocks'])}"
    yield f"    {lost} blocks of the audio {where}"
    for span in master["ranges"]:
        yield (
            f"    blocks {span['first_block']}-{span['last_block']}, frames {span['first_frame']}-"
            f"{span['last_frame']}, {span['start']} to {span['end']}"
        )
        yield from (f"      copy {c['copy']}: {c['what']}" for c in span["copies"])
