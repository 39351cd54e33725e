"""What can be worth saying while a package is made."""

from __future__ import annotations

from provpack.findings import Rule

LEFTOVER = Rule(
    id="wrap-leftover",
    severity="warning",
    title="A staging folder of an interrupted wrap lies in the destination",
    todo="If no other wrap is running, delete it: it was never a package and holds nothing that is not in "
    "the job folder.",
)
NOT_PCM = Rule(
    id="wrap-not-integer-pcm",
    severity="error",
    title="The file does not hold linear PCM in whole numbers of 8 to 32 bits",
    todo="Hand in the file the capture program wrote; a digital tape's samples are whole numbers. Convert "
    "nothing for this: a converted file would be a derivative.",
    reference="RIFF/WAVE 1991, fmt chunk",
)
AXML_ASIDE = Rule(
    id="wrap-axml-kept-aside",
    severity="warning",
    title="The received file holds an axml document that cannot be merged",
    todo="It is kept byte for byte in received-head.bin or received-tail.bin; look at it there.",
    reference="EBU Tech 3285 supplement 5: one axml chunk, one XML document",
)
INFO_REPLACED = Rule(
    id="wrap-info-replaced",
    severity="note",
    title="An INFO entry of the received file says something else than the record",
    todo="Nothing to do: the received entry is kept in received-head.bin or received-tail.bin.",
)
MARKER_ASIDE = Rule(
    id="wrap-marker-left-out",
    severity="note",
    title="A logged position cannot be a cue point",
    todo="Look at the positions in the record: a cue point must lie inside the file and below 2**32 frames.",
    reference="RIFF/WAVE 1991, cue chunk",
)
LEDGER_FAILED = Rule(
    id="wrap-ledger-failed",
    severity="warning",
    title="The package is complete, but the custody ledger could not be written",
    todo="Mend the cause, then verify the package: the verification is written to the ledger.",
)
SECOND_OPINION = Rule(
    id="wrap-second-opinion",
    severity="warning",
    title="An independent BagIt reader objects to the finished package",
    todo="Verify the package with `verify --depth meaning` and report what both say.",
    reference="RFC 8493",
)

RULES: tuple[Rule, ...] = (
    LEFTOVER, NOT_PCM, AXML_ASIDE, INFO_REPLACED, MARKER_ASIDE, LEDGER_FAILED, SECOND_OPINION,
)  # fmt: skip
