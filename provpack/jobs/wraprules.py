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
BEXT_REPLACED = Rule(
    id="wrap-bext-replaced",
    severity="note",
    title="The bext chunk of the received file says something else than the record",
    todo="Nothing to do: the received chunk is kept in received-head.bin or received-tail.bin, and the rows "
    "of its coding history in the master.",
    reference="EBU Tech 3285 v2 section 2.3",
)
HISTORY_ASIDE = Rule(
    id="wrap-history-left-out",
    severity="warning",
    title="The coding history of the received file is too long to be carried on whole",
    todo="Nothing is lost: the received bext chunk is kept in received-head.bin or received-tail.bin. Look "
    "at it there; no real history is so long.",
    reference="EBU R 98",
)
MARKER_ASIDE = Rule(
    id="wrap-marker-left-out",
    severity="note",
    title="A logged position cannot be a cue point",
    todo="Look at the positions: a cue point must lie inside the file, below 2**32 frames, with an id of its "
    "own. The record, or received-head.bin and received-tail.bin, keep what was left out.",
    reference="RIFF/WAVE 1991, cue chunk",
)
LEDGER_FAILED = Rule(
    id="wrap-ledger-failed",
    severity="warning",
    title="The package is complete, but the custody ledger could not be written",
    todo="Mend the cause, then verify the package: the verification is written to the ledger.",
)
SHEETS_NOT_ENTERED = Rule(
    id="wrap-sheets-not-entered",
    severity="warning",
    title="Custody events, passes and faults of the sheets did not get into the custody ledger",
    todo="Mend the cause, then run provpack enter DIR --from-job JOB.",
)
SECOND_OPINION = Rule(
    id="wrap-second-opinion",
    severity="warning",
    title="An independent BagIt reader objects to the finished package",
    todo="Verify the package with `verify --depth meaning` and report what both say.",
    reference="RFC 8493",
)
FOLDER_NOT_SYNCED = Rule(
    id="wrap-folder-not-synced",
    severity="warning",
    title="The destination's file system cannot make the names in a folder safe against a power cut",
    todo="The packages are complete. After a power cut soon after, look whether they are still there; or "
    "wrap to a disk of this machine, and copy from there.",
    reference="POSIX fsync",
)

RULES: tuple[Rule, ...] = (
    LEFTOVER, NOT_PCM, AXML_ASIDE, INFO_REPLACED, BEXT_REPLACED, HISTORY_ASIDE, MARKER_ASIDE,
    LEDGER_FAILED, SHEETS_NOT_ENTERED, SECOND_OPINION, FOLDER_NOT_SYNCED,
)  # fmt: skip
