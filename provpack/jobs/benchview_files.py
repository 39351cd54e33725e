"""Files that may be the file of a pass, as the page shows them: what agrees, what does not, and why."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final
from urllib.parse import quote

from provpack.jobs.benchact import clock_words
from provpack.jobs.benchdesk import Desk, DeskInfo
from provpack.package.benchline import Fits
from provpack.package.benchmatch import Agreement, FileSeen, match
from provpack.package.benchstate import Attached, Pass
from provpack.package.benchtime import RESTS_ON
from provpack.package.figures import clock, number, size_words

SHOWN: Final = 6
PARTS: Final[tuple[tuple[str, str], ...]] = (
    ("time", "Time"), ("length", "Length"), ("input", "Capture input")
)  # fmt: skip
FITS: Final[Mapping[Fits, tuple[str, str]]] = {
    "agrees": ("✓", "agrees"), "disagrees": ("✗", "does not agree"), "not_known": ("?", "not known")
}  # fmt: skip
"""Verdict -> its sign and words: never said by colour alone."""


def after_address(transfer_id: str, number_: int) -> str:
    """Address of the page after that pass."""
    return f"/after/{quote(transfer_id, safe='')}/{number_}"


def agreement_rows(found: Mapping[str, Fits]) -> list[dict[str, str]]:
    """Time, length and capture input: {label, sign, words, fits}."""
    rows = []
    for name, label in PARTS:
        fits = found.get(name, "not_known")
        sign, said = FITS.get(fits, FITS["not_known"])
        rows.append({"label": label, "sign": sign, "words": said, "fits": fits})
    return rows


def candidates(desk: Desk, info: DeskInfo, one: Pass) -> dict[str, Any]:
    """{shown, more}: every audio file of the job folder held against that pass, the likeliest first."""
    now = desk.now()
    patterns = {chain: values.get("capture_files") for chain, values in desk.chains().items()}
    others = [p for t in desk.state.transfers.values() for p in t.passes if p is not one]
    found = []
    for seen in info.files:
        agreed = match(
            seen, one, capture_files=patterns.get(one.chain_id), others=others, other_files=patterns
        )
        found.append((seen, agreed))
    found.sort(key=lambda pair: pair[0].modified_at, reverse=True)
    found.sort(key=lambda pair: _rank(*pair))
    drawn = [_candidate(n, seen, agreed, one, now) for n, (seen, agreed) in enumerate(found, 1)]
    return {"shown": drawn[:SHOWN], "more": drawn[SHOWN:]}


def _rank(seen: FileSeen, agreed: Agreement) -> tuple[bool, int, int, bool]:
    said = tuple(agreed.members().values())
    held = agreed.held_by is not None
    return (held, said.count("disagrees"), -said.count("agrees"), not seen.stable)


def _candidate(n: int, seen: FileSeen, agreed: Agreement, one: Pass, now: datetime) -> dict[str, Any]:
    members = {"transfer_id": one.transfer_id, "pass": one.number, "file": seen.name}
    plain = agreed.whole and seen.stable
    unready = list(seen.faults) or ([] if seen.stable else ["It may still be written to: it has not rested."])
    return {
        "n": n,
        "file": seen.name,
        "facts": _facts(seen, now),
        "rows": agreement_rows(agreed.members()),
        "why": list(agreed.why),
        "unready": unready,
        "plain": plain,
        "title": _title(agreed, seen, one),
        "held": None if agreed.held_by is None else _pass_words(agreed.held_by),
        "better": None if agreed.better is None else _pass_words(agreed.better),
        "members": members,
        "by_person": {**members, "attached_by": "person"},
    }


def _title(agreed: Agreement, seen: FileSeen, one: Pass) -> str:
    if agreed.held_by is not None:
        return f"It is the file of {agreed.held_by.transfer_id}, pass {agreed.held_by.number}"
    if agreed.whole:
        return "Time, length and capture input agree" if seen.stable else "It agrees, but is not finished"
    if "disagrees" in agreed.members().values():
        return f"It does not look like the file of {one.transfer_id}, pass {one.number}"
    return "It may be the file: not everything is known"


def _pass_words(one: Pass) -> dict[str, str]:
    return {
        "words": f"{one.transfer_id}, pass {one.number}, on chain {one.chain_id}",
        "address": after_address(one.transfer_id, one.number),
    }


def _facts(seen: FileSeen, now: datetime) -> list[dict[str, str]]:
    """What was measured of the file itself, and what follows from it: {label, value, how}."""
    facts = [
        {"label": "Last changed", "value": clock_words(seen.modified_at, now), "how": "measured"},
        {"label": "Size", "value": size_words(seen.bytes), "how": "measured"},
    ]
    if seen.frames is not None and seen.header_hz:
        length = clock(seen.frames / seen.header_hz)
        said = f"{length} ({number(seen.frames)} frames at the {number(seen.header_hz)} Hz of its header)"
        facts.append({"label": "Length", "value": said, "how": "derived"})
    if seen.origination is not None:
        said = clock_words(seen.origination, now).replace("T", " ")
        facts.append({"label": "Begun, as its bext says", "value": said, "how": "declared"})
    return facts


def attached_view(one: Attached, owner: Pass, now: datetime) -> dict[str, Any]:
    """The file of a pass as it was attached: {file, rows, by, facts, detach}."""
    rests = RESTS_ON.get(one.starts_from, "")
    facts = [
        {"label": "Last changed", "value": clock_words(one.modified_at, now), "how": "measured"},
        {"label": "Size", "value": size_words(one.bytes), "how": "measured"},
    ]
    if one.frames is not None:
        facts.append({"label": "Length", "value": f"{number(one.frames)} frames", "how": "measured"})
    if one.starts_at is not None:
        how = "declared" if one.starts_from == "stated" else "derived"
        said = f"{clock_words(one.starts_at, now)}{', ' + rests if rests else ''}"
        facts.append({"label": "First sample taken", "value": said, "how": how})
    else:
        facts.append({"label": "First sample taken", "value": "not known", "how": "derived"})
    by = "Time, length and capture input agreed."
    if one.attached_by == "person":
        by = f"Attached by decision: {one.reason}" if one.reason else "Attached by decision."
    return {
        "file": one.file,
        "rows": agreement_rows(one.agreement),
        "by": by,
        "facts": facts,
        "detach": {"transfer_id": owner.transfer_id, "pass": owner.number, "file": one.file},
    }
