"""After a pass, as the page shows it: its file, what was measured in it, what was found, what was decided.

All decisions are taken here or in the pure rooms; the template only draws. Desk -> plain values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any, Final

from provpack.findings import Finding
from provpack.jobs.benchact import clock_words
from provpack.jobs.benchdesk import Desk, DeskInfo
from provpack.jobs.benchmeasure import file_of_pass
from provpack.jobs.benchview_chains import EVENT_WORDS, OUTCOMES
from provpack.jobs.benchview_checked import (
    can_be_explained,
    checked,
    found_of,
    measured_of,
    transfer_of,
    waivers_of,
)
from provpack.jobs.benchview_files import after_address, attached_view, candidates
from provpack.jobs.benchview_packages import packages_view
from provpack.jobs.check_records import NO_ID
from provpack.jobs.load import build_record_draft
from provpack.jobs.loaded import LoadedTransfer, NamedFile
from provpack.model.rates import rate_from_json
from provpack.package.benchstate import Pass
from provpack.package.benchtime import place_events
from provpack.package.figures import channel_names, clock, listed, number

__all__ = ["after_view", "packages_view"]

VERDICTS: Final[Mapping[str, str]] = {"accepted": "accepted", "redo": "to be made again"}
Fact = dict[str, str]


def after_view(desk: Desk, info: DeskInfo, transfer_id: str, number_: int) -> dict[str, Any]:
    """The page after one pass. A pass the log does not have is shown as far as the sheets have it."""
    job, now = desk.job(), desk.now()
    transfer = transfer_of(job, transfer_id)
    one = desk.state.pass_of(transfer_id, number_)
    named = file_of_pass(transfer, number_) if transfer is not None else None
    kept = measured_of(info, named)
    result = checked(desk, info, transfer_id, number_)
    sealed = desk.sealed(transfer_id)
    taken = desk.state.transfers.get(transfer_id)
    numbers = {p.number for p in taken.passes} if taken else set()
    return {
        "troubles": desk.troubles,
        "title": f"{transfer_id}, pass {number_}",
        "transfer_id": transfer_id,
        "number": number_,
        "carrier": _carrier(transfer, transfer_id),
        "in_log": one is not None,
        "known": one is not None or named is not None,
        "running": one is not None and one.running,
        "facts": [] if one is None else _pass_facts(desk, one),
        "others": [
            {"words": f"Pass {n}", "address": after_address(transfer_id, n)}
            for n in sorted(numbers - {number_})
        ],
        "sealed": sealed or "",
        "attached": attached_view(one.attached, one, now) if one is not None and one.attached else None,
        "in_sheet": named.written if named is not None and (one is None or one.attached is None) else "",
        "files": (
            candidates(desk, info, one)
            if one is not None and not one.running and one.attached is None
            else {"shown": [], "more": []}
        ),
        "measure": _measure(info, transfer_id, number_, named, kept),
        "figures": _figures(kept),
        "findings": _findings(found_of(result, transfer_id), transfer, info.by),
        "picture": _picture(desk, transfer, one, named, kept),
        "judged": None if one is None else _judged(desk, one, sealed),
        "by": info.by,
    }


def _carrier(transfer: LoadedTransfer | None, transfer_id: str) -> str:
    values = transfer.values if transfer is not None else {}
    said = [str(values[n]) for n in ("carrier_id", "title") if values.get(n) and values[n] != transfer_id]
    return ", ".join(said)


def _pass_facts(desk: Desk, one: Pass) -> list[Fact]:
    """What is declared of the pass: chain, times, how it ended."""
    now = desk.now()
    ended = "It still runs." if one.running else clock_words(one.stopped_at or "", now)
    facts = [
        {"label": "Chain", "value": one.chain_id, "how": "declared"},
        {"label": "Started", "value": clock_words(one.started_at, now), "how": "declared"},
        {"label": "Stopped", "value": ended, "how": "declared"},
    ]
    if not one.running:
        outcome = OUTCOMES.get(one.outcome or "", one.outcome or "not said")
        facts.append({"label": "How it ended", "value": outcome, "how": "declared"})
    if one.by:
        facts.append({"label": "At the bench", "value": one.by, "how": "declared"})
    logged = f"{number(len(one.events))} events, {number(len(one.notes))} notes"
    facts.append({"label": "Logged on the way", "value": logged, "how": "declared"})
    for label, said in (
        ("Why this pass", one.reason),
        ("Note", one.note),
        ("Note at the stop", one.stop_note),
    ):
        if said:
            facts.append({"label": label, "value": said, "how": "declared"})
    return facts


# -- measuring -----------------------------------------------------------------------------------------------
def _measure(
    info: DeskInfo, transfer_id: str, number_: int, named: NamedFile | None, kept: Mapping[str, Any] | None
) -> dict[str, Any]:
    """{state, words, address, work, done, total, again, begin}: what can be measured, is, or was.

    begin: nobody has asked for it yet, so the page asks by itself.
    """
    known = [
        w
        for w in info.works.values()
        if (w.get("kind"), w.get("transfer_id"), w.get("pass")) == ("measure", transfer_id, number_)
    ]
    running = next((w for w in known if w.get("state") == "running"), None)
    last = known[-1] if known else None
    address = f"/work/measure{after_address(transfer_id, number_).removeprefix('/after')}"
    base = {"address": address, "work": "", "done": 0, "total": 1, "begin": False}
    if running is not None:
        return {
            **base, "state": "running", "words": str(running.get("words", "")), "work": running["work"],
            "done": running.get("done") or 0, "total": running.get("total") or 1,
        }  # fmt: skip
    if named is None or named.path is None:
        return {**base, "state": "no_file", "words": "There is nothing to measure yet: no file is attached."}
    if kept is not None:
        return {**base, "state": "done", "words": f"{kept['file']} was measured."}
    if last is not None and last.get("state") == "failed":
        return {**base, "state": "failed", "words": str(last.get("words", ""))}
    waits = "The file was not measured yet, or was changed since."
    return {**base, "state": "waits", "words": waits, "begin": last is None}


def _figures(kept: Mapping[str, Any] | None) -> list[Fact]:
    """What was measured, in a few lines; what follows from the rate is derived."""
    if kept is None:
        return []
    said = kept["measured"]
    rate = rate_from_json(kept["measurements"]["sampling_frequency"])
    named = channel_names(int(said["channels"]))
    peaks = [f"{name} {_level(v)}" for name, v in zip(named, said.get("peak_dbfs") or (), strict=False)]
    bits = [str(b) for b in said.get("effective_bits") or () if b is not None]
    basis = "the exact rate as declared" if kept.get("rate_from") == "declared" else "the rate in its header"
    silence = len(said.get("digital_silence") or ())
    return [
        {"label": "Frames", "value": number(said["frames"]), "how": "measured"},
        {
            "label": "Length", "how": "derived",
            "value": f"{clock(Fraction(said['frames']) / rate)}, by {basis}",
        },
        {"label": "Channels", "value": str(said["channels"]), "how": "measured"},
        {"label": "Highest level", "value": listed(peaks) or "not known", "how": "measured"},
        {"label": "Bits in use", "value": listed(bits) or "cannot be told", "how": "measured"},
        {"label": "Stretches of digital silence", "value": number(silence), "how": "measured"},
    ]  # fmt: skip


def _level(peak: float | None) -> str:
    return "digital silence" if peak is None else f"{number(peak)} dBFS"


# -- findings ------------------------------------------------------------------------------------------------
def _findings(found: tuple[Finding, ...], transfer: LoadedTransfer | None, by: str) -> list[dict[str, Any]]:
    """Findings in words; the first of each rule can be explained, where a waiver reaches it."""
    there = waivers_of(transfer)
    explained = {w.get("rule") for w in there if isinstance(w, Mapping)}
    out: list[dict[str, Any]] = []
    offered: set[str] = set()
    for n, one in enumerate(found, 1):
        explain = None
        if can_be_explained(one, transfer) and one.rule not in offered | explained:
            assert transfer is not None
            offered.add(one.rule)
            explain = {
                "members": {
                    "scope": "transfer", "id": transfer.transfer_id, "field": "waivers",
                    "value": there, "was": there or None,
                },
                "place": len(there),
                "others": sum(f.rule == one.rule for f in found) - 1,
                "by": by,
            }  # fmt: skip
        fixed = one.severity != "note" and not can_be_explained(one, transfer)
        out.append({**one.as_json(), "n": n, "explain": explain, "fixed": fixed})
    return out


# -- the picture ---------------------------------------------------------------------------------------------
def _picture(
    desk: Desk, transfer: LoadedTransfer | None, one: Pass | None, named: NamedFile | None,
    kept: Mapping[str, Any] | None,
) -> dict[str, Any] | None:  # fmt: skip
    """{record, measurements, other_file}: what report/bench_after.py draws; None when nothing was measured.

    Events of a pass whose file is not the transfer's are placed in its own file; what the sheets say of the
    transfer's file is left out then.
    """
    if transfer is None or named is None or kept is None:
        return None
    draft = build_record_draft(desk.job(), replace(transfer, file=named), record_id=NO_ID)
    record = {**draft, "measured": kept["measured"], "audio_sha256": None}
    other = transfer.file is None or transfer.file.relative != named.relative
    if other:
        rate = rate_from_json(kept["measurements"]["sampling_frequency"])
        placed = place_events(one.events, one.attached, rate) if one is not None and one.attached else ()
        events = [
            {"frame": p.frame, "at": p.event.at, "type": p.event.type, "origin": "seen",
             "note": "; ".join(part for part in (p.event.note, p.why) if part)}
            for p in placed
        ]  # fmt: skip
        record["processing"] = {**(draft.get("processing") or {}), "transfer_events": events}
        record["signal"] = {**(draft.get("signal") or {}), "signal_state_ranges": []}
    return {
        "record": record,
        "measurements": kept["measurements"],
        "other_file": other,
        "words": dict(EVENT_WORDS),
    }


# -- what was decided ----------------------------------------------------------------------------------------
def _judged(desk: Desk, one: Pass, sealed: str | None) -> dict[str, Any]:
    """{can, why, verdict, words, note, n, members, warn}."""
    why = ""
    if one.running:
        why = "The pass still runs: stop it first."
    warn = ""
    if one.attached is None and one.outcome in ("complete", "partial"):
        warn = "No file is attached yet: an accepted pass without a file gives no audio."
    return {
        "can": not one.running,
        "why": why,
        "verdict": one.verdict or "",
        "words": VERDICTS.get(one.verdict or "", ""),
        "note": one.verdict_note,
        "n": one.verdict_n,
        "members": {"transfer_id": one.transfer_id, "pass": one.number},
        "warn": warn,
        "sealed": sealed or "",
    }
