"""What can be worth saying while the catalogue is filled."""

from __future__ import annotations

from provpack.findings import Rule

INCOMPLETE = Rule(
    id="harvest-incomplete",
    severity="warning",
    title="Not everything could be read of a package; it is listed with what is known",
    todo="Check it: provpack verify PACKAGE. Then run `provpack catalogue add` again.",
)
ROOT_AWAY = Rule(
    id="harvest-root-away",
    severity="warning",
    title="There is nothing at this root; what is known of it was kept as it is",
    todo="Look whether the disk or share is connected. If it is gone for good, rebuild the catalogue without "
    "it: provpack catalogue rebuild ROOT...",
)
NOT_ALL_SEEN = Rule(
    id="harvest-not-all-seen",
    severity="warning",
    title="A part of a root could not be searched; what is known of it was kept as it is",
    todo="Look at permissions and connections, then run `provpack catalogue add` again.",
)
LEDGER_BROKEN = Rule(
    id="harvest-ledger-broken",
    severity="warning",
    title="A custody ledger was changed; what it says well of a package before that place does not count",
    todo="Look at it with `provpack custody`, and compare it with a copy kept elsewhere.",
    reference="schemas/ledger-entry, previous",
)
LEDGER_REWRITTEN = Rule(
    id="harvest-ledger-rewritten",
    severity="warning",
    title="A custody ledger is not the one that the catalogue knew: its last line of then is gone",
    todo="Find out whether an older copy was put in its place, or lines were taken away: compare it with a "
    "copy kept elsewhere, and with `provpack custody --against` a paper.",
    reference="schemas/ledger-entry, previous",
)
LEDGER_UNREAD = Rule(
    id="harvest-ledger-unread",
    severity="warning",
    title="A custody ledger could not be read; what was known of it was kept",
    todo="Look at permissions and the disk, then run `provpack catalogue add` again.",
)
LEDGER_GONE = Rule(
    id="harvest-ledger-gone",
    severity="warning",
    title="A custody ledger that the catalogue knew is gone; what it told was kept",
    todo="Put it back from a copy, under its own name. Without it nobody can tell any more what was checked, "
    "and what happened to whom.",
)
NOT_WHAT_WAS_SEALED = Rule(
    id="harvest-not-what-was-sealed",
    severity="warning",
    title="What lies here is not what the custody ledger sealed; nothing that it tells counts",
    todo="Look what it is: provpack verify PACKAGE. Look for the one that was sealed among the other copies.",
)
PACKAGES_GONE = Rule(
    id="harvest-packages-gone",
    severity="warning",
    title="Packages that the catalogue knew are not there any more",
    todo="If they were moved, take in their new place: provpack catalogue add FOLDER. If not, look for them "
    "among other copies before anything else is written to that disk.",
)
PAYLOAD_MISSING = Rule(
    id="harvest-payload-missing",
    severity="error",
    title="A payload file that the manifest lists is not there; of the others only verify tells more",
    todo="Check it: provpack verify PACKAGE. If there is another copy: provpack heal.",
    reference="RFC 8493 section 3",
)
PAYLOAD_DIFFERS = Rule(
    id="harvest-payload-differs",
    severity="error",
    title="The payload has another size than it was sealed with",
    todo="Check it: provpack verify PACKAGE. If there is another copy: provpack heal.",
    reference="RFC 8493 section 2.2.2 (Payload-Oxum); schemas/transfer-record, files",
)
LEFT_OVER = Rule(
    id="harvest-left-over",
    severity="note",
    title="A catalogue that was being built was left over, damaged, and was taken away",
    todo="Nothing: all that it held is read from the packages again. If the machine lost its power, look at "
    "the disk.",
)
NOTHING_HERE = Rule(
    id="harvest-nothing-here",
    severity="warning",
    title="There is no package at or beneath this root",
    todo="Look whether it is the folder that was meant.",
)
RULES = (
    INCOMPLETE, ROOT_AWAY, NOT_ALL_SEEN, LEDGER_BROKEN, LEDGER_REWRITTEN, LEDGER_UNREAD, PAYLOAD_MISSING,
    PAYLOAD_DIFFERS, LEFT_OVER, NOTHING_HERE, LEDGER_GONE, NOT_WHAT_WAS_SEALED, PACKAGES_GONE,
)  # fmt: skip
