"""Rules about the bench log as one of a job's sheets: where it and another sheet do not go together."""

from __future__ import annotations

from provpack.findings import Rule

TWO_VALUES = Rule(
    id="row-two-values",
    severity="error",
    title="a sheet and the bench log say different things about one field",
    todo="Find out which is right. Write that into the sheet; or take the lines of the bench log about it "
    "back, and state it again.",
)
PASS_TWICE = Rule(
    id="row-pass-twice",
    severity="error",
    title="a sheet and the bench log each have a pass of the same number, and they differ",
    todo="Remove the pass from the sheet, or give it the number it really had.",
    reference="domain note, section 5 step 10",
)
PASS_RUNNING = Rule(
    id="row-pass-running",
    severity="error",
    title="a pass still runs",
    todo="Stop it at the bench first, and say how it ended.",
)
ID_CHANGED = Rule(
    id="row-id-changed",
    severity="error",
    title="the bench log states another identifier for something that has one",
    todo="Take the line back, and take the thing in again under its right identifier.",
)
EVENTS_UNPLACED = Rule(
    id="row-events-unplaced",
    severity="warning",
    title="logged events cannot be placed in the file",
    todo="Attach the file again and state when its first sample was taken, and declare the sampling "
    "frequency or what implies it.",
    reference="domain note, section 5 step 9",
)
EMPHASIS_CHANGES = Rule(
    id="row-emphasis-changes",
    severity="error",
    title="emphasis was logged as on and as off during one pass, and tape_emphasis does not say mixed",
    todo="Write mixed as tape_emphasis (and changed as emphasis_indicator), or take back the event that was "
    "logged by mistake.",
    reference="domain note, section 5, awkward case 4",
)

FILE_EXCHANGED = Rule(
    id="row-file-exchanged",
    severity="error",
    title="a file is not the one that was attached to the pass",
    todo="Find out what wrote it. Put the attached file back; or detach it, look and listen, and attach "
    "what lies there now.",
)
SETTING_LATER = Rule(
    id="row-setting-later",
    severity="warning",
    title="a setting of the chain was stated after the pass had begun",
    todo="Where it held during the pass, state it for this transfer; where it did not, state what did.",
)

BENCH_RULES: tuple[Rule, ...] = tuple(v for v in list(globals().values()) if isinstance(v, Rule))
