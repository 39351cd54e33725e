"""A package in a few sentences: what it is and its state, what to listen for, what to be careful with.

Pure and without judgement of its own: everything said stands in the record, or is a count of findings.
Used by the report, by a delivery's index and by `provpack report`.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Final

from provpack.package.figures import clock, count, found_words, listed
from provpack.package.listening import listening
from provpack.package.readfirst_words import (
    Json,
    emphasis_words,
    exact_rate,
    one_line,
    outcome_words,
    personal_data_words,
    rate_words,
    restriction_words,
    section,
)
from provpack.package.words import CARRIER_WORDS

# what the state of pre-emphasis in the file means, in as few words as a table has room for
EMPHASIS_SHORT: Final[Mapping[str, str]] = {
    "present": "too bright on purpose",
    "removed": "already de-emphasised",
    "absent": "plays as it is",
    "mixed": "parts too bright on purpose",
    "unknown": "unknown (nobody knows)",
}
_HARMFUL: Final = ("mould_active", "mould_suspected", "sticky", "odour_vinegar")


def summarise(record: Json, findings_counts: Mapping[str, int]) -> dict[str, list[str]]:
    """summary: what this is (first) and its state; listen: where to listen, and for what; cautions: those of
    this package alone (the general ones are in readfirst_words).

    record: a transfer record. findings_counts: how many findings by severity (error, warning, note).
    """
    return {
        "summary": [what_this_is(record), *filter(None, _state(record, findings_counts))],
        "listen": listening(record),
        "cautions": list(filter(None, _cautions(record))),
    }


def carrier_words(record: Json) -> str:
    """`a Betamax cassette (B-00412)`; in the words of the record where the kind is another."""
    carrier = section(record, "carrier")
    kind = str(carrier.get("carrier_type"))
    note = carrier.get("carrier_type_note")
    said = one_line(note, 80) if kind == "other" and note else CARRIER_WORDS.get(kind, "carrier")
    ident = carrier.get("carrier_id")
    article = "an" if said[:1].lower() in "aeiou" and not said.startswith("U-") else "a"
    return f"{article} {said}" + (f" ({one_line(ident, 80)})" if ident else "")


def what_this_is(record: Json) -> str:
    """One plain sentence."""
    people, measured = section(record, "people"), section(record, "measured")
    client = one_line(people.get("client") or "a client who is not named", 120)
    maker = one_line(people.get("transfer_organisation") or "a studio that is not named", 120)
    if not record.get("audio_sha256"):
        return (
            f"The record of an attempt to read {carrier_words(record)}, made by {maker} for {client}; there "
            "is no sound file."
        )
    rate, frames = exact_rate(record), measured.get("frames")
    length = f", {clock(round(Fraction(frames) / rate))} long" if rate and isinstance(frames, int) else ""
    return f"The sound of {carrier_words(record)}{length}, read by {maker} for {client}."


def held_back_words(record: Json) -> str:
    """That names are held back, and what stands in their place; empty when none are."""
    names = record.get("held_back") or ()
    if not names:
        return ""
    whose = "The name of 1 person is" if len(names) == 1 else f"The names of {len(names)} persons are"
    return (
        f"{whose} held back in this copy: a word for the role stands in its place, and the studio keeps the "
        "full record and can prove what was there."
    )


def history_words(record: Json) -> list[str]:
    """What this package has to do with earlier ones, and names it keeps back; empty for most."""
    supersedes = section(record, "supersedes")
    earlier = one_line(supersedes.get("package_name") or "(not named)", 120)
    reason = one_line(supersedes.get("reason") or "no reason is given.")
    said = [
        f"It corrects the earlier package {earlier}: {reason}" if supersedes else "",
        "The received file had been made from an earlier one by somebody else."
        if section(record, "derived_from")
        else "",
        held_back_words(record),
    ]
    return [sentence for sentence in said if sentence]


def _state(record: Json, counts: Mapping[str, int]) -> list[str]:
    signal, audio = section(record, "signal"), bool(record.get("audio_sha256"))
    emphasis = emphasis_words(record) if audio and signal.get("file_emphasis") != "absent" else ""
    rate, header = exact_rate(record), signal.get("header_sampling_frequency_hz")
    apart = rate is not None and isinstance(header, int) and abs(rate - header) > Fraction(1, 2)
    return [
        outcome_words(record),
        emphasis,
        rate_words(record) if audio and apart else "",
        damage_words(record),
        _findings(counts),
        *history_words(record),
    ]


def damage_counts(record: Json) -> dict[str, int] | None:
    """Events found in the sound, by kind; None when no program has looked."""
    measured = section(record, "measured")
    events = measured.get("events_detected")
    if events is None:
        return None
    if measured.get("event_counts"):
        return {str(kind): int(many) for kind, many in measured["event_counts"].items()}
    kinds = [str(event.get("type")) for event in events]
    return {kind: kinds.count(kind) for kind in set(kinds)}


def damage_words(record: Json) -> str:
    """Whether a program looked for damage, and what it found; empty without audio."""
    if not record.get("audio_sha256"):
        return ""
    counts = damage_counts(record)
    if counts is None:
        return "No program has looked for damage in the sound."
    found = found_words(counts)
    if found:
        return f"In the sound a program found {found}."
    events = section(record, "processing").get("transfer_events") or ()
    if any(e.get("origin") == "measured" for e in events):
        return "Looking at this sound alone a program found no damage; in other ways it did: see the events."
    return "A program looked for damage in the sound and found none of the kinds it looks for."


def _findings(counts: Mapping[str, int]) -> str:
    said = [
        count(counts[name], name, f"{name}s") for name in ("error", "warning") if counts.get(name)
    ]  # notes are no reason to look
    return f"Findings to look at: {listed(said)}." if said else ""


def _cautions(record: Json) -> list[str]:
    rights, condition = section(record, "rights"), section(record, "condition")
    interface, decoder = section(record, "interface"), section(record, "decoder")
    personal = rights.get("personal_data")
    flagged = interface.get("cs_copy") == "asserted" or decoder.get("copy_indicator") in ("on", "changed")
    terms = [*(condition.get("condition_terms") or ()), *(condition.get("condition_after") or ())]
    harm = list(dict.fromkeys(str(t).replace("_", " ") for t in terms if t in _HARMFUL))
    return [
        restriction_words(record),
        personal_data_words(record) if personal is True else "",
        "Personal data: nobody knows whether there is any; treat it as if there were."
        if personal == "unknown"
        else "",
        "The basis of rights is unknown: ask the client before anything goes to a third party."
        if rights.get("rights_basis") == "unknown"
        else "",
        "A copy flag was found and is recorded as found. What follows from it is for local law and qualified "
        "people to say."
        if flagged
        else "",
        f"The carrier: {listed(harm)}. Keep it apart from others, do not play it again, and ask a "
        "conservator; local rules come first."
        if harm
        else "",
    ]
