"""What can be worth saying when a package is built anew from copies, or compared with a second copy."""

from __future__ import annotations

from provpack.findings import Rule

LEFTOVER = Rule(
    id="heal-leftover",
    severity="warning",
    title="The destination holds what an interrupted healing left",
    todo="If no other healing is at work there, delete the folder; nothing of it is needed.",
)
COMPLETED = Rule(
    id="heal-completed",
    severity="warning",
    title="A package healed before was complete, but its record or its ledger line was not there",
    todo="Nothing: both are there now. Look why the first run ended early (power, disk).",
)
NOT_CARRIED = Rule(
    id="heal-not-carried",
    severity="warning",
    title="A file of a copy that no manifest lists was not carried over",
    todo="If it is worth keeping, keep it elsewhere: it was no part of the package that was sealed.",
)
UNPROVEN = Rule(
    id="heal-unproven",
    severity="warning",
    title="A file was carried over that no manifest lists, since the copies agree",
    todo="Compare it with what the sender of the bag has.",
    reference="RFC 8493 section 2.2.1",
)
SIGNATURE_LEFT_OUT = Rule(
    id="heal-signature-left-out",
    severity="warning",
    title="The signature was left out: the copies hold different ones, and none fits",
    todo="Ask the signer for the signature file of this package; the package itself is as it was sealed.",
)
SIGNATURE_WRONG = Rule(
    id="heal-signature-wrong",
    severity="warning",
    title="All copies hold the same signature, and it does not fit",
    todo="It was carried over as it is. Ask the signer for the signature file of this package.",
)
LEDGER_BROKEN = Rule(
    id="heal-ledger-broken",
    severity="warning",
    title="A ledger could not be used as a witness",
    todo="Compare it with a copy kept elsewhere; name a whole one with --ledger FILE.",
)
LEDGER_OTHER = Rule(
    id="heal-ledger-knows-another",
    severity="warning",
    title="A broken ledger knows another package by this name",
    todo="Compare the ledger with a copy kept elsewhere (delivery notes and receipts hold its last line), "
    "and name a whole one with --ledger FILE. Believe the copies only when something else vouches for them.",
)
LEDGER_FAILED = Rule(
    id="heal-ledger-failed",
    severity="warning",
    title="The package is healed and complete, but the ledger line could not be written",
    todo="Mend what is said about the ledger, then run the same command again: it writes the line.",
)
NAME_DIFFERS = Rule(
    id="heal-name-differs",
    severity="warning",
    title="The copies bear different names",
    todo="Look whether the healed package has the name you expect; a bag's name is in no manifest.",
)
COPY_UNREADABLE = Rule(
    id="heal-copy-unreadable",
    severity="warning",
    title="A copy cannot be read",
    todo="Look at cables, permissions and the disk's own error log; then run the same command again.",
)
OTHER_PACKAGE = Rule(
    id="heal-other-package",
    severity="warning",
    title="A copy is not of the package that was sealed",
    todo="Nothing of it was believed that the sealed manifests do not prove. Ask where it comes from.",
)

SECOND_MISSING = Rule(
    id="second-copy-missing",
    severity="warning",
    title="The package is not among the second copies",
    todo="Make a second copy of it, in another place, while this one is good.",
)
SECOND_NONE_THERE = Rule(
    id="second-copy-none-there",
    severity="warning",
    title="No package was found where the second copies were to be looked for",
    todo="Mend the path after --second-copy, or look whether the disk is mounted; then check again.",
)
SECOND_OTHER = Rule(
    id="second-copy-differs",
    severity="warning",
    title="The second copy has another tag manifest: it is damaged, or another package",
    todo="Check it with `provpack verify`, and replace it by a checked copy if it is damaged.",
)
SECOND_UNREADABLE = Rule(
    id="second-copy-unreadable",
    severity="warning",
    title="The second copy cannot be read",
    todo="Look whether the disk is mounted, at cables and permissions; then check again.",
)

SECOND_GONE_WHOLE = Rule(
    id="second-copy-of-gone-whole",
    severity="warning",
    title="A package is gone, and a second copy of it is whole",
    todo="Find out why it is gone, and copy it back.",
)
SECOND_GONE_DAMAGED = Rule(
    id="second-copy-of-gone-damaged",
    severity="warning",
    title="A package is gone, and its second copy is damaged",
    todo="Look for further copies, and heal it from all of them with `provpack heal`.",
)
SECOND_GONE_OTHER = Rule(
    id="second-copy-of-gone-differs",
    severity="warning",
    title="A package is gone, and what has its name among the second copies is not as it was sealed",
    todo="Check what lies there with `provpack verify`; look for further copies.",
)
SECOND_GONE_NOWHERE = Rule(
    id="second-copy-of-gone-missing",
    severity="warning",
    title="A package is gone, and is not among the second copies",
    todo="Look for it on other disks; whoever it was delivered to may have it.",
)

RULES = (
    LEFTOVER, COMPLETED, NOT_CARRIED, UNPROVEN, SIGNATURE_LEFT_OUT, SIGNATURE_WRONG, LEDGER_BROKEN,
    LEDGER_OTHER, LEDGER_FAILED, NAME_DIFFERS, COPY_UNREADABLE, OTHER_PACKAGE, SECOND_MISSING, SECOND_OTHER,
    SECOND_NONE_THERE, SECOND_UNREADABLE, SECOND_GONE_WHOLE, SECOND_GONE_DAMAGED, SECOND_GONE_OTHER,
    SECOND_GONE_NOWHERE,
)  # fmt: skip
