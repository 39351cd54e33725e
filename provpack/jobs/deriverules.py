"""What can be worth saying, or speak against it, when a derivative is to be made."""

from __future__ import annotations

from provpack.findings import Rule

UNKNOWN = Rule(
    id="derive-emphasis-unknown",
    severity="error",
    title="A de-emphasised copy was asked for, but nobody knows whether the file carries emphasis",
    todo="Find out (control bit, lamp, channel status, log) and fill in tape_emphasis, its evidence and "
    "file_emphasis; or wrap this transfer without --derive deemphasis.",
    reference="domain note 3, rules 13 and 15",
)
REMOVED = Rule(
    id="derive-emphasis-removed",
    severity="error",
    title="A de-emphasised copy was asked for, but the emphasis of the file is removed already",
    todo="Wrap this transfer without --derive deemphasis: twice is 9.5 dB too dull at 20 kHz. If the entry "
    "is wrong, correct file_emphasis or the step.",
    reference="domain rule 15",
)
CONTRADICTION = Rule(
    id="derive-emphasis-contradiction",
    severity="error",
    title="A de-emphasised copy was asked for, but the entries on emphasis contradict each other",
    todo="Bring tape_emphasis, file_emphasis and signal_state_ranges into agreement, or wrap this transfer "
    "without --derive deemphasis.",
    reference="domain rules 12 to 15",
)
RANGES = Rule(
    id="derive-emphasis-ranges",
    severity="error",
    title="A de-emphasised copy was asked for, but the emphasis of some stretch is not stated",
    todo="List in signal_state_ranges every stretch from frame 0 to the last one, without gap or overlap, "
    "each on or off; or wrap this transfer without --derive deemphasis.",
    reference="domain rules 12 and 15",
)
SKEW_UNKNOWN = Rule(
    id="derive-skew-unknown",
    severity="error",
    title="A copy without the half-sample skew was asked for, but nobody knows whether there is one",
    todo="Fill in shared_converter (yes or no), or wrap this transfer without --derive deskew.",
    reference="domain note 2.2, rule 19",
)
NOT_POSSIBLE = Rule(
    id="derive-not-possible",
    severity="error",
    title="No derivative can be made from audio of this kind",
    todo="Wrap this transfer without --derive; the master keeps the audio as it is.",
)
AGAINST_RULES = Rule(
    id="derive-against-rules",
    severity="error",
    title="The derivative asked for would break a rule on descent",
    todo="Correct the entries named, or wrap this transfer without --derive.",
    reference="domain rules 13, 15, 19, 25",
)
NOTHING_TO_DO = Rule(
    id="derive-nothing-to-do",
    severity="note",
    title="A derivative was asked for, but there is nothing to do",
    todo="Nothing: the transfer is wrapped without it.",
)
CLIPPED = Rule(
    id="derive-clipped",
    severity="warning",
    title="The filter of the derivative raised samples above full scale",
    todo="Look for clipping on the tape: between its samples such sound goes beyond full scale. After a "
    "de-emphasis, check too whether the file really carries emphasis there. The master is not touched.",
    reference="domain note 2.4, 3.1",
)

RULES: tuple[Rule, ...] = (
    UNKNOWN, REMOVED, CONTRADICTION, RANGES, SKEW_UNKNOWN, NOT_POSSIBLE, AGAINST_RULES, NOTHING_TO_DO,
    CLIPPED,
)  # fmt: skip
