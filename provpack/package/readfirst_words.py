"""Sentences in plain language about a transfer, for people without technical training.

Used by READ-ME-FIRST.txt and by the report. Nothing is said that the record does not say; unknown, not
observed and not fitted each keep their own sentence.
"""

from __future__ import annotations

import shlex
import unicodedata
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from provpack.package.figures import numbered

Json = Mapping[str, Any]

OUTCOME = {
    "complete": "The whole carrier was transferred.",
    "clean": "The whole carrier was transferred, and no fault is known.",
    "partial": "Only a part of the carrier was transferred.",
    "stopped_for_safety": "The transfer was stopped to protect the carrier or the machine.",
    "no_pcm_found": "No digital audio was found on the carrier.",
    "failed": "The transfer failed.",
}

FILE_EMPHASIS = {
    "present": (
        "This file sounds too bright until it is de-emphasised; that is intended. The recording was made "
        "with "
        "pre-emphasis (50/15 microseconds), and the master keeps the samples exactly as they were received. "
        "Listen to a de-emphasised copy. Never de-emphasise a copy that has been de-emphasised already."
    ),
    "removed": (
        "The pre-emphasis of the recording was already undone on the way into this file. Do not "
        "de-emphasise it again."
    ),
    "absent": "The recording has no pre-emphasis. The file plays as it is; do not de-emphasise it.",
    "mixed": (
        "Pre-emphasis changes within this file: some stretches sound too bright until they are "
        "de-emphasised, "
        "others do not. The record lists the stretches. Do not de-emphasise the file as a whole."
    ),
    "unknown": (
        "Nobody knows whether this file carries pre-emphasis. If it sounds too bright, that may be the "
        "reason. "
        "Do not de-emphasise it before somebody qualified has found out."
    ),
}


COPYRIGHT = (
    "Copyright: having this copy gives no right to copy, publish or perform it. Ask whoever is responsible "
    "for rights in your house; the law differs from country to country."
)
PERSONAL_DATA = (
    "Personal data: voices, labels and papers can hold data about persons, also where nobody has noted it. "
    "Follow the data protection rules of your house."
)
ORIGINAL_CARRIER = (
    "The original carrier: keep it; this copy does not replace it. With mould, do not wipe and do not play: "
    "isolate it and call a conservator. Do not bake tapes on your own account: it is right for few faults "
    "and harms other tapes. Leave mains-powered machines to qualified staff. Local rules come first."
)
NOT_MATCHING = (
    "Do not repair anything and do not delete anything. Note which file and what the computer said, look "
    "whether another copy is intact, and ask."
)


def one_line(value: object, limit: int = 400) -> str:
    """Text of unknown origin on one line: control and direction characters become spaces, length is cut."""
    raw = str(value)[: limit * 4]
    calm = "".join(" " if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp") else c for c in raw)
    line = " ".join(calm.split())
    return line if len(line) <= limit else line[: limit - 1].rstrip() + "…"


def section(record: Json, name: str) -> Json:
    """A section of the record; empty when it is missing or null."""
    found = record.get(name)
    return found if isinstance(found, Mapping) else {}


def exact_rate(record: Json) -> Fraction | None:
    """The true sampling frequency in hertz; None when the record has none."""
    rate = section(record, "signal").get("sampling_frequency")
    if not isinstance(rate, Mapping) or not rate.get("num") or not rate.get("den"):
        return None
    return Fraction(int(rate["num"]), int(rate["den"]))


def hertz(rate: Fraction) -> str:
    """44100 -> `44 100 Hz`; 44100000/1001 -> `44100/1.001 Hz (44 055.944 Hz)`."""
    grouped = f"{float(rate):,.3f}".replace(",", " ")
    if rate.denominator == 1:
        return f"{grouped.removesuffix('.000')} Hz"
    nominal = rate * 1001 / 1000  # Fraction reduces 44100000/1001 to 6300000/143; say it as the trade does
    if nominal.denominator == 1:
        return f"{nominal}/1.001 Hz ({grouped} Hz)"
    return f"{rate.numerator}/{rate.denominator} Hz ({grouped} Hz)"


def _span(seconds: float) -> str:
    return f"{seconds * 1000:.1f} ms" if seconds < 1 else f"{seconds:.1f} seconds"


def emphasis_words(record: Json) -> str:
    """What the pre-emphasis of the file means to a listener; empty when the record says nothing."""
    signal = section(record, "signal")
    tape, file = signal.get("tape_emphasis"), signal.get("file_emphasis")
    if tape == "not_applicable" and file == "absent":
        return "Pre-emphasis does not apply to this kind of recording. The file plays as it is."
    return FILE_EMPHASIS.get(str(file), "")


def rate_words(record: Json) -> str:
    """What the sampling frequency in the header means for playing time; empty without a rate."""
    rate = exact_rate(record)
    header = section(record, "signal").get("header_sampling_frequency_hz")
    if rate is None:
        return ""
    if not isinstance(header, int) or header <= 0:
        return f"The exact sampling frequency is {hertz(rate)}."
    if rate == header:
        return f"The exact sampling frequency is {hertz(rate)}, and the file header says the same."
    drift = _span(float(abs(3600 - 3600 * rate / header)))
    side = "shorter" if header > rate else "longer"
    whole = numbered(header)
    if abs(header - rate) <= Fraction(1, 2):
        return (
            f"The exact sampling frequency is {hertz(rate)}. A file header can hold whole numbers only, so "
            "it says "
            f"{whole} Hz. That is correct. A program that reads {whole} Hz plays one hour {drift} {side} "
            "than it was. "
            "Do not change the figure in the header, and do not let a program convert the master."
        )
    return (
        f"The exact sampling frequency is {hertz(rate)}, but the file header says {whole} Hz. A program "
        "that believes "
        f"the header plays one hour {drift} {side} than it was, and slightly off pitch. The record says why."
    )


def outcome_words(record: Json) -> str:
    """How the transfer ended, in a sentence, with the note of the people responsible."""
    said = OUTCOME.get(str(record.get("outcome")), "")
    note = record.get("outcome_note")
    return f"{said} {one_line(note)}".strip() if note else said


def restriction_words(record: Json) -> str:
    """The restriction of access, and until when; empty when there is none."""
    rights = section(record, "rights")
    if not rights.get("access_restriction"):
        return ""
    until = rights.get("access_restriction_until")
    said = f"Access is restricted: {one_line(rights['access_restriction'])}"
    return said + (f" (until {one_line(until)})" if until else "")


def personal_data_words(record: Json) -> str:
    """What is known of personal data in this package; the general caution when nobody noted any."""
    rights = section(record, "rights")
    if rights.get("personal_data") is not True:
        return PERSONAL_DATA
    said = "Personal data: label, sound or papers hold data about persons."
    return f"{said} {one_line(rights.get('personal_data_note') or '')}".strip()


def signature_command(identity: str, namespace: str, *, signed: str, signers: str) -> str:
    """The command by which stock OpenSSH checks a signature (ssh-keygen(1), -Y verify): one line for a shell.

    signed: the file signed, its signature beside it as `<signed>.sig`; signers: the list of signers.
    """
    who, space = (shlex.quote(one_line(word, 200)) for word in (identity, namespace))
    return f"ssh-keygen -Y verify -f {signers} -I {who} -n {space} -s {signed}.sig < {signed}"
