"""What can be worth saying about a custody ledger, and about what is entered in it by hand."""

from __future__ import annotations

from provpack.findings import Rule

CHAIN_BROKEN = Rule(
    id="custody-chain-broken",
    severity="error",
    title="The custody ledger was changed",
    todo="Keep the file as it is. Compare the lines named with a copy kept elsewhere (second copy, backup); "
    "what they said cannot be told from this file.",
    reference="schemas/ledger-entry, previous",
)
CONTRADICTED = Rule(
    id="custody-witness-contradicted",
    severity="error",
    title="A delivery note or receipt attests another ledger than this",
    todo="Make sure that the paper belongs to this ledger. If it does, the ledger was rewritten: compare it "
    "with a copy kept elsewhere.",
    reference="schemas/ledger-entry, previous",
)
TORN = Rule(
    id="custody-torn",
    severity="warning",
    title="The last line of the ledger was not written to its end",
    todo="Nothing to do by hand: the next entry completes the line, or sets it aside in a file beside it.",
)
HISTORY_GONE = Rule(
    id="custody-history-gone",
    severity="error",
    title="The ledger is empty, but there are packages beside it",
    todo="Enter nothing. Put a copy kept elsewhere (second copy, backup) in its place. If there is none, "
    "keep the empty file under another name; the next entry starts a new ledger, without what was before.",
    reference="schemas/ledger-entry, previous",
)
SET_ASIDE = Rule(
    id="custody-set-aside",
    severity="note",
    title="Ends of lines that were cut short lie beside the ledger",
    todo="Keep the file with the ledger. It holds the beginning of an entry that was never acknowledged; "
    "what it was about can be entered anew.",
)
NO_WITNESS = Rule(
    id="custody-no-witness",
    severity="error",
    title="A paper given to compare the ledger with tells nothing about it",
    todo="Name the delivery-note.json of a delivery from this ledger, or the receipt-....json for it: "
    "they hold how many entries it had, and the SHA-512 of the last.",
)
CHECK_FAILED = Rule(
    id="custody-check-failed",
    severity="warning",
    title="The last check of a package did not end well",
    todo="Verify it again, and take the second copy: provpack verify PACKAGE.",
)
WAS_REFUSED = Rule(
    id="custody-refused",
    severity="warning",
    title="A hand-over was refused",
    todo="Read the receipt for the reason; mend it, and deliver again or enter what was agreed.",
)
NO_RECEIPT = Rule(
    id="custody-no-receipt",
    severity="warning",
    title="A delivery has no receipt",
    todo="Ask the client to run `provpack receive` and to send the receipt; take it in with `provpack "
    "close`. Until then neither return the carriers nor delete the working copies.",
    reference="common practice, no source",
)
NO_OUTCOME = Rule(
    id="custody-no-outcome",
    severity="warning",
    title="A carrier came in and nothing has come of it",
    todo="Transfer and wrap it; or return it and enter that: provpack enter DIR carrier_returned "
    "--carrier ID --organisation WHOM.",
    reference="domain rule 22",
)
IN_HOUSE = Rule(
    id="custody-in-house",
    severity="warning",
    title="A carrier is still in the house",
    todo="Return it, or enter what became of it: provpack enter DIR carrier_returned --carrier ID "
    "--organisation WHOM (or retained, or destroyed).",
    reference="domain rule 22",
)
FAULT_OPEN = Rule(
    id="custody-fault-open",
    severity="warning",
    title="Equipment has a fault notice that nobody has cleared",
    todo="Look at the transfers named. When it is known that no harm was done: provpack enter DIR "
    "fault_cleared --equipment ID --note WHY.",
    reference="domain rule 29",
)
RETENTION_ENDED = Rule(
    id="custody-retention-ended",
    severity="warning",
    title="Something was to be kept until a day that is past",
    todo="Ask the client what to do with it; then enter it as destroyed, moved, or retained for longer.",
)
NEVER_CHECKED = Rule(
    id="custody-never-checked",
    severity="warning",
    title="A package was never checked since it was sealed",
    todo="Check it: provpack verify DIR.",
    reference="IASA-TC 03, 12: data are checked after copying and at regular intervals",
)
UNKNOWN_NAME = Rule(
    id="custody-unknown-name",
    severity="warning",
    title="The ledger does not know this name",
    todo="Look at the spelling. If it is right, whatever came before it was never entered.",
)

NOT_IN_HOUSE = Rule(
    id="custody-not-in-house",
    severity="warning",
    title="A carrier was returned that had left before",
    todo="Look at the spelling. If it is right, it came in again and that was never entered.",
)
UNTIL_PAST = Rule(
    id="custody-until-past",
    severity="warning",
    title="Something is kept until a day that is past",
    todo="Look at the year. If it is wrong, enter another line with the right day: the last one counts.",
)
SHEETS_HAVE_ERRORS = Rule(
    id="custody-sheets-have-errors",
    severity="warning",
    title="Not everything in the sheets could be entered into the ledger",
    todo="Mend what `provpack check JOB` lists, and enter the job again: only what is new is appended.",
)

OPEN: tuple[Rule, ...] = (
    CHECK_FAILED, WAS_REFUSED, NO_RECEIPT, NO_OUTCOME, IN_HOUSE, FAULT_OPEN, RETENTION_ENDED, NEVER_CHECKED,
)  # fmt: skip
"""Rules about what is open, the most pressing first."""

RULES: tuple[Rule, ...] = (
    CHAIN_BROKEN,
    CONTRADICTED,
    HISTORY_GONE,
    TORN,
    SET_ASIDE,
    NO_WITNESS,
    UNKNOWN_NAME,
    NOT_IN_HOUSE,
    UNTIL_PAST,
    SHEETS_HAVE_ERRORS,
    *OPEN,
)
