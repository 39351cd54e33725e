"""What looking back over past jobs can bring up; each is a section of what `audit` tells.

MEANINGS says of each why it matters.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from provpack.findings import Rule

LAST_NOT_GOOD = Rule(
    id="audit-last-check-not-good",
    severity="error",
    title="The last check of a package was not good",
    todo="Verify it again, and its second copy: provpack verify PACKAGE --second-copy COPY. What two damaged "
    "copies have between them can be put together: provpack heal COPY COPY --to DIR.",
)
LEDGER_BROKEN = Rule(
    id="audit-ledger-broken",
    severity="error",
    title="A custody ledger was changed, is gone, or cannot be read",
    todo="Enter nothing in it. See what was done: provpack custody DIR; then compare it with a copy kept "
    "elsewhere.",
    reference="schemas/ledger-entry, previous",
)
SEALED_UNKNOWN = Rule(
    id="audit-sealed-but-unknown",
    severity="error",
    title="A ledger says that a package was sealed, and the package is nowhere",
    todo="Look for it: in the folder of the ledger, among other copies, in deliveries. If it was moved, "
    "take its "
    "new place into the catalogue: provpack catalogue add FOLDER. If it was destroyed or moved on purpose, "
    "enter that: provpack enter DIR destroyed --package NAME (or moved).",
)
GONE = Rule(
    id="audit-package-gone",
    severity="error",
    title="The catalogue knows a package that is no longer where it was",
    todo="Look whether the disk is mounted. If it was moved, take in its new place: provpack catalogue add "
    "FOLDER. If neither, look for it among other copies before anything else is written to that disk.",
)
OTHER = Rule(
    id="audit-not-what-was-sealed",
    severity="error",
    title="What lies here is not what the custody ledger says was sealed under this name",
    todo="Look what it is: provpack verify PACKAGE. Look for the one that was sealed among the other copies, "
    "and put it back.",
)
ROOT_AWAY = Rule(
    id="audit-root-away",
    severity="error",
    title="A folder that the catalogue knows is not there, or nothing is in it",
    todo="Look whether the disk or share is connected, then: provpack catalogue add FOLDER. Until then what "
    "is told of its packages is how they were.",
)
NOTHING_HERE = Rule(
    id="audit-no-package-here",
    severity="warning",
    title="There is no package at or beneath a folder that was named",
    todo="Look whether it is the folder that was meant, and whether its disk is connected.",
)
CLAIM = Rule(
    id="audit-supersedes-in-vain",
    severity="warning",
    title="A package says that it supersedes another, and that does not count",
    todo="Look at both records. Both stand in every answer until one of the same client and of the same job "
    "or carrier, whose record is in order, supersedes the other.",
)
NOT_KNOWN = Rule(
    id="audit-package-not-known",
    severity="warning",
    title="A package lies on the disk and the catalogue does not know it",
    todo="Take it in: provpack catalogue add FOLDER. Until then no question about the collection counts it.",
)
NOT_LOOKED_AT = Rule(
    id="audit-not-looked-at",
    severity="warning",
    title="Something on the disk could not be looked at",
    todo="Look at permissions, cables and the disk's own error log; then run the same command again. "
    "Nothing is "
    "said of what lies there.",
)
NOT_READ = Rule(
    id="audit-record-not-read",
    severity="warning",
    title="The record of a package could not be read, or not wholly",
    todo="See why: provpack verify PACKAGE --depth meaning. Nothing else here speaks for this package.",
)
DUE = Rule(
    id="audit-check-due",
    severity="warning",
    title="The day on which a package was to be checked again is past",
    todo="Check the packages that are due, the oldest check first: provpack verify --from-catalogue "
    "--older-than AGE.",
)
NOT_CHECKED = Rule(
    id="audit-check-old",
    severity="warning",
    title="A package was not checked for a long time, or never",
    todo="Check them, the oldest check first: provpack verify --from-catalogue --older-than AGE.",
    reference="IASA-TC 03, 12: data are checked after copying and at regular intervals",
)
RULES_TODAY = Rule(
    id="audit-rules-of-today",
    severity="warning",
    title="Today's rules find something in a record of the past",
    todo="List the packages of one rule: the same command with --rule ID. A sealed package is never mended "
    "in "
    "place: "
    "correct the sheet and wrap it anew as a package that supersedes the old one, or leave it and know it.",
)
EMPHASIS_UNKNOWN = Rule(
    id="audit-emphasis-unknown",
    severity="warning",
    title="Nobody knows whether the sound carries pre-emphasis",
    todo="Look for evidence: the lamp or bit when the tape is played again, logs, the client's papers. "
    "Until then "
    "make no de-emphasised copy.",
    reference="domain note 3",
)
CHAIN_CHECK = Rule(
    id="audit-chain-check-old",
    severity="warning",
    title="The chain was not tested before the transfer, or too long before it",
    todo="Look at the checks before and after the transfer: if both were passed, note that. If the later "
    "one was "
    "not, see what else that equipment touched: provpack trace --equipment ID.",
    reference="domain rule 30",
)
RIGHTS_GAP = Rule(
    id="audit-rights-gap",
    severity="warning",
    title="The basis of rights is unknown, or the day a restriction ended is past",
    todo="Ask the client. Whether something may be copied, shown or opened is for local law and qualified "
    "people "
    "to say.",
    reference="domain rule 27",
)
NO_OUTCOME = Rule(
    id="audit-carrier-without-outcome",
    severity="warning",
    title="A carrier came in and nothing has come of it",
    todo="Transfer and wrap it; or enter what became of it: provpack enter DIR carrier_returned --carrier ID "
    "--organisation WHOM (or retained, or destroyed).",
    reference="domain rule 22",
)
LEFTOVER = Rule(
    id="audit-leftover",
    severity="warning",
    title="An interrupted run left something behind",
    todo="See that no run is at work there; then delete it. A package under its final name is not touched "
    "by this: "
    "what was in the making is made again by the same command.",
)
LEDGER_TORN = Rule(
    id="audit-ledger-end-torn",
    severity="warning",
    title="The last line of a ledger was not written to its end",
    todo="Nothing to do by hand: the next entry completes the line, or sets it aside in a file beside the "
    "ledger. See what it is: provpack custody DIR.",
)
SET_ASIDE = Rule(
    id="audit-ledger-end-set-aside",
    severity="note",
    title="The end of a ledger that was cut short lies beside it",
    todo="Keep the file with the ledger. It holds the beginning of an entry that was never acknowledged; "
    "what it "
    "was about can be entered anew.",
)
ONCE_BAD = Rule(
    id="audit-once-bad",
    severity="note",
    title="A package was found bad before, whatever its last check says",
    todo="Find out what was wrong with the medium, and keep a second copy on another. It is checked in "
    "every run "
    "of verify, whatever its age.",
)

RULES: Final[tuple[Rule, ...]] = (
    LAST_NOT_GOOD,
    GONE,
    SEALED_UNKNOWN,
    OTHER,
    LEDGER_BROKEN,
    ROOT_AWAY,
    NOTHING_HERE,
    NOT_KNOWN,
    NOT_LOOKED_AT,
    NOT_READ,
    CLAIM,
    DUE,
    NOT_CHECKED,
    NO_OUTCOME,
    RULES_TODAY,
    EMPHASIS_UNKNOWN,
    CHAIN_CHECK,
    RIGHTS_GAP,
    LEFTOVER,
    LEDGER_TORN,
    SET_ASIDE,
    ONCE_BAD,
)
"""In the order in which they are told: first what may be lost, last what is only to be kept in mind."""

ON_DISK: Final = frozenset(
    {NOTHING_HERE.id, NOT_KNOWN.id, NOT_LOOKED_AT.id, LEFTOVER.id, LEDGER_TORN.id, SET_ASIDE.id}
)
"""Those that only a look at the disk can tell; without ROOT they are not looked at."""

MEANINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        LAST_NOT_GOOD.id: "Bad, missing, or it could not be read: until a later check is good, count on "
        "nothing.",
        GONE.id: "It was there when its folder was last looked through, and is not there now.",
        SEALED_UNKNOWN.id: "It was finished, nothing says that it left, and it lies in no folder that was "
        "read.",
        LEDGER_BROKEN.id: "What a broken ledger says of checks, carriers and faults cannot be relied on.",
        OTHER.id: "Somebody put another package in its place, or sealed it anew and did not enter that. It "
        "counts in no answer about equipment, people or damage.",
        ROOT_AWAY.id: "Its packages are still counted as they were: nothing may be called gone because a "
        "disk is away.",
        NOTHING_HERE.id: "Nothing was looked at there: that nothing is told of it means nothing.",
        CLAIM.id: "A record counts as replaced only by one of its own kin that is believed, so that no "
        "record can be silenced by a word in another.",
        NOT_KNOWN.id: "It is in none of the answers above and below.",
        NOT_LOOKED_AT.id: "A folder or file refused to be read, so nothing is known of what is in it.",
        NOT_READ.id: "What it says of emphasis, rights, equipment and damage is missing from these answers.",
        DUE.id: "The record itself declares that day (next_check_due).",
        NOT_CHECKED.id: "Only a check that read every byte counts, as the custody ledger tells it.",
        NO_OUTCOME.id: "It was received; no package, no return, no other end was entered.",
        RULES_TODAY.id: "They may be younger than the package. The package is what it was; its record says "
        "less, or "
        "something else, than would be accepted now.",
        EMPHASIS_UNKNOWN.id: "If there is pre-emphasis, it sounds too bright until it is taken away; if "
        "there is "
        "none, taking it away makes it dull.",
        CHAIN_CHECK.id: "A fault of the chain in that time would have gone unnoticed. That says nothing "
        "against the "
        "transfer itself.",
        RIGHTS_GAP.id: "It may be fit to be handed on, or to be opened, or not: the record does not say.",
        LEFTOVER.id: "A run was stopped, or the power failed. It is no package, and nothing refers to it.",
        LEDGER_TORN.id: "Writing an entry was cut short, or goes on at this moment. No entry before it is "
        "touched.",
        SET_ASIDE.id: "Writing an entry was cut short once; the ledger itself was mended.",
        ONCE_BAD.id: "Some check in its history was bad or missing. How it is now, its last check tells.",
    }
)
"""What each section means, in a sentence."""
