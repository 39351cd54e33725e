"""What a verification found damaged, as a page: a picture of each master over time, and lists.

Self-contained, no script; what comes from others is escaped by the template engine, the pictures for
themselves. Good packages are counted in one line.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, Final

from provpack.findings import Finding
from provpack.jobs.secondcopy import SecondCopy
from provpack.jobs.verified import UnitResult, VerifyResult
from provpack.package import rules
from provpack.package.bagblocks import BlockRange, Damage
from provpack.package.bagpaths import readable
from provpack.package.figures import count, moment_words
from provpack.package.readfirst_words import one_line
from provpack.report.damage_picture import Stretch, damage_picture, picture_words
from provpack.report.html import page_of

UNITS_MAX: Final = 200
RANGES_MAX: Final = 300
FINDINGS_MAX: Final = 100

_OUTCOMES: Final = {
    "bad": ("■", "bad: something is not what was packaged"),
    "missing": ("■", "missing: something that was packaged is not there"),
    "could_not_check": ("?", "could not be checked: neither good nor bad can be said"),
    "good": ("○", "good, with something to look at"),
}
_LOCATED: Final = frozenset({"bag-audio-damaged", "bag-audio-intact", "bag-audio-not-located"})


def damage_page(result: VerifyResult, second: Mapping[str, SecondCopy] | None = None, unread: int = 0) -> str:
    """The page as text, to be written as UTF-8. second: unit path -> what the second copy has, None when no
    second copy was looked at. unread: packages known that were not looked at in this run: not due, not drawn,
    or left for the next one."""
    told = second or {}
    shown = [u for u in result.units if u.outcome != "good" or _worth(told.get(u.path))]
    shown.sort(key=lambda u: list(_OUTCOMES).index(u.outcome))  # what is damaged first
    units = [_unit(u, told.get(u.path), number) for number, u in enumerate(shown[:UNITS_MAX], 1)]
    counts = result.counts()
    return page_of(
        "damage.html.j2",
        checked=moment_words(result.finished_at),
        depth=result.depth,
        heading=_heading(result, unread),
        unread=_unread_words(unread) if unread else None,
        good=count(counts["good"], "package is", "packages are") if counts["good"] else None,
        good_words=_good_words(result, told, second is not None),
        units=units,
        more=max(len(shown) - UNITS_MAX, 0),
        remarks=[one_line(f.what, 600) for f in result.findings if f.severity != "note"][:FINDINGS_MAX],
    )


def _worth(one: SecondCopy | None) -> bool:
    return one is not None and bool(one.findings)


def _heading(result: VerifyResult, unread: int = 0) -> str:
    """What is wrong, the gravest first. That no damage was found is said only of what was looked at; what was
    not is told with it."""
    counts, many = result.counts(), Counter(finding.rule for finding in result.findings)
    gone = counts["missing"] + many[rules.LEDGER_MISSING.id]
    untold = counts["could_not_check"] + many[rules.LEDGER_UNTOLD.id]
    said = [
        words
        for number, words in (
            (counts["bad"], f"{count(counts['bad'], 'package is', 'packages are')} damaged"),
            (gone, f"{count(gone, 'package is', 'packages are')} not there"),
            (untold, f"{count(untold, 'could', 'could')} not be checked"),
        )
        if number
    ]
    others = f"; {count(unread, 'other was', 'others were')} not looked at" if unread else ""
    if said:
        return f"{', '.join(said)}{others}"
    if not result.units:
        packages = count(unread, "package was", "packages were")
        return f"Nothing was checked; {packages} not looked at" if unread else "Nothing was checked"
    if unread:
        return f"No damage was found in {count(len(result.units), 'package', 'packages')}{others}"
    return "No damage was found"


def _unread_words(unread: int) -> str:
    packages = count(unread, "known package was", "known packages were")
    return f"{packages} not looked at in this run, so this page says nothing of how they are."


def _good_words(result: VerifyResult, told: Mapping[str, SecondCopy], looked: bool) -> str:
    read = (
        "names, sizes and tag files were compared" if result.depth == "listed" else "every byte was compared"
    )
    said = f"{read} with the manifests."
    if looked:
        same = sum(told[u.path].state == "same" for u in result.units if u.path in told)
        said += f" {count(same, 'second copy has', 'second copies have')} the same tag manifest (not read)."
    return said


def _unit(unit: UnitResult, second: SecondCopy | None, number: int) -> dict[str, Any]:
    sign, meaning = _OUTCOMES[unit.outcome]
    masters = [_master(d, second, f"m{number}-{n}") for n, d in enumerate(unit.damage, 1)]
    others = [f for f in unit.findings if f.severity == "error" and f.rule not in _LOCATED]
    return {
        "id": f"u-{number}",
        "name": one_line(readable(unit.name or unit.path), 200),
        "where": readable(unit.path),
        "sign": sign,
        "meaning": meaning,
        "identity": unit.identity,
        "masters": masters,
        "files": _rows(others[:FINDINGS_MAX], second),
        "more_files": max(len(others) - FINDINGS_MAX, 0),
        "second": None if second is None else one_line(second.sentence(), 2000),
        "command": second.command if second is not None else None,
        "healable": second is not None and second.healable == "yes" and second.command is not None,
        "lost": [one_line(str(one["path"]), 300) for one in second.lost][:FINDINGS_MAX] if second else [],
    }


def _rows(findings: Sequence[Finding], second: SecondCopy | None) -> list[dict[str, str]]:
    """One row per finding: the file, what is wrong, and whether the second copy has it right."""
    out = []
    for finding in findings:
        path = readable(str(finding.position.get("path") or finding.where))
        out.append({"path": path, "what": one_line(finding.what, 600), "second": _there(path, second)})
    return out


def _there(path: str, second: SecondCopy | None) -> str:
    if second is None:
        return "not looked at"
    if path in second.good_there:
        return "good there"
    if any(one["path"] == path for one in second.lost):
        return "damaged there, too"
    return "see above" if second.healable == "yes" else "not known"


def _master(damage: Damage, second: SecondCopy | None, prefix: str) -> dict[str, Any]:
    stretches = [
        Stretch(first=r.first_frame, last=r.last_frame, look="damaged", number=n)
        for n, r in enumerate(damage.ranges, 1)
    ]
    if damage.lost_frames and damage.frames:
        begin = max(damage.frames - damage.lost_frames, 0)
        stretches = [_gone(s, begin) for s in stretches]
    picture = None
    if stretches and damage.rate is not None:
        picture = damage_picture(
            damage.frames, damage.rate, stretches, second=_second_lane(damage, second),
            title=f"Damage in {readable(damage.path)}", prefix=prefix,
            words=picture_words(damage.frames, damage.rate, stretches),
        )  # fmt: skip
    return {
        "path": readable(damage.path),
        "said": _said(damage),
        "picture": picture,
        "ranges": [
            {
                "number": n,
                "start": r.start,
                "end": r.end,
                "frames": f"{r.first_frame} to {r.last_frame}",
                "blocks": str(r.first_block) if r.first_block == r.last_block
                else f"{r.first_block} to {r.last_block}",
                "second": _range_words(r, damage, second),
            }
            for n, r in enumerate(damage.ranges[:RANGES_MAX], 1)
        ],
        "more": max(len(damage.ranges) - RANGES_MAX, 0),
    }  # fmt: skip


def _gone(one: Stretch, begin: int) -> Stretch:
    return (
        one if one.last < begin else Stretch(first=one.first, last=one.last, look="gone", number=one.number)
    )


def _said(damage: Damage) -> list[str]:
    """What is to be said of the file besides its ranges."""
    out = []
    if damage.extent == "unknown":
        out.append("No block of the audio was found again; where it is damaged cannot be told.")
    elif damage.audio_intact:
        out.append(f"The audio is intact: all {damage.blocks} blocks are as they were packaged.")
    else:
        out.append(f"{damage.blocks - damage.bad_blocks} of {damage.blocks} blocks of the audio are good.")
    if damage.head_changed:
        out.append("Bytes before the audio changed.")
    if damage.tail_changed:
        out.append("Bytes after the audio changed.")
    if damage.size_change:
        word = "longer" if damage.size_change > 0 else "shorter"
        out.append(f"The file is {abs(damage.size_change)} bytes {word} than it was.")
    if damage.lost_frames:
        out.append(f"The last {damage.lost_frames} frames are gone.")
    if damage.shifted_bytes:
        word = "inserted" if damage.shifted_bytes > 0 else "removed"
        out.append(f"{abs(damage.shifted_bytes)} bytes were {word} within the audio.")
    return out


def _good_blocks(damage: Damage, second: SecondCopy, span: BlockRange) -> tuple[int, int] | None:
    """(blocks of the range that are good in the second copy, blocks); None when that is not known."""
    blocks = span.last_block - span.first_block + 1
    if damage.path in second.good_there:
        return blocks, blocks
    if second.state not in ("whole", "damaged"):
        return None
    good = sum(
        max(0, min(span.last_block, t.last_block) - max(span.first_block, t.first_block) + 1)
        for t in second.blocks_there
    )
    return None if good < blocks and damage.path in second.unread else (good, blocks)


def _range_words(span: BlockRange, damage: Damage, second: SecondCopy | None) -> str:
    if second is None:
        return "not looked at"
    known = _good_blocks(damage, second, span)
    if known is None:
        return "not known"
    good, blocks = known
    return "good there" if good == blocks else "damaged there, too" if not good else (
        f"{good} of {blocks} blocks good there"
    )  # fmt: skip


def _second_lane(damage: Damage, second: SecondCopy | None) -> list[Stretch] | None:
    """The damaged stretches as the second copy has them; None when that was not all read."""
    if second is None or second.state not in ("whole", "damaged") or damage.path in second.unread:
        return None
    out = []
    for span in damage.ranges:
        if damage.path in second.good_there:
            out.append(Stretch(first=span.first_frame, last=span.last_frame, look="there"))
            continue
        at = span.first_frame
        for there in second.blocks_there:
            first = max(at, there.first_frame)
            last = min(span.last_frame, there.last_frame)
            if first > last:
                continue
            if first > at:
                out.append(Stretch(first=at, last=first - 1, look="lost"))
            out.append(Stretch(first=first, last=last, look="there"))
            at = last + 1
        if at <= span.last_frame:
            out.append(Stretch(first=at, last=span.last_frame, look="lost"))
    return out
