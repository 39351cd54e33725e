"""What can be worth saying about the traces of one piece of equipment, and about the notices that follow."""

from __future__ import annotations

from provpack.findings import Rule

COVERED = Rule(
    id="trace-covered",
    severity="warning",
    title="Transfers fall into the time of a fault notice",
    todo="Tell the clients (--notices DIR), have the transfers examined, and enter fault_cleared when they "
    "are found good. Never edit a sealed record.",
    reference="Domain rule 29, awkward case 7",
)
CANNOT_BE_TOLD = Rule(
    id="trace-cannot-be-told",
    severity="warning",
    title="Whether transfers fall into the time of a fault notice cannot be told",
    todo="Look into logs and diaries for the missing times. Until then treat them as if they were concerned.",
    reference="Domain rule 29, awkward case 7",
)
UNDATED = Rule(
    id="trace-undated",
    severity="note",
    title="Nobody noted when some passes were made",
    todo="Read those lines: --since and --until leave no pass without a time out.",
)
DERIVED = Rule(
    id="trace-derived",
    severity="note",
    title="Passes are listed by way of today's register, not of their records",
    todo="Make sure that `fitted` in the register is right for that time before anybody relies on it.",
)
NOT_IN_REGISTER = Rule(
    id="trace-not-in-register",
    severity="note",
    title="The equipment register does not list it",
    todo="Look whether this is the right register: its fault notices and what is fitted to what are missing.",
)
LEDGER_BROKEN = Rule(
    id="trace-ledger-broken",
    severity="warning",
    title="A custody ledger is broken: fault notices may be missing",
    todo="`provpack custody` tells where; compare it with a copy. What it says of faults may be incomplete.",
)
NOTICES_DIFFER = Rule(
    id="trace-notices-differ",
    severity="warning",
    title="One fault notice is told with different times",
    todo="Find out which is right; until then each transfer is judged by both. One that is "
    "wrong: enter fault_cleared for it, and note the right one anew.",
)
NOTICE_TIMES = Rule(
    id="trace-notice-times",
    severity="warning",
    title="A fault notice ends before it begins, or names no moment",
    todo="Until it is put right nobody can say whom it concerns, and every transfer stands as 'cannot be "
    "told'. Mend it in the register, or enter a new fault_noted line with the right times in the ledger.",
)
CHECK_NOT_GOOD = Rule(
    id="trace-last-check-not-good",
    severity="warning",
    title="The last check of a package did not find it good",
    todo="`provpack verify` tells what is damaged; a second copy may have it whole.",
)
GONE = Rule(
    id="trace-package-gone",
    severity="note",
    title="A package was no longer at its place when that was last looked at",
    todo="Look where it went; the catalogue still knows who made it with what.",
)
SUPERSEDED = Rule(
    id="trace-package-superseded",
    severity="note",
    title="A newer package took the place of one that is listed",
    todo="Both are listed: what is said of the passes holds for the sound in both. Tell the client of the "
    "newer one.",
)
NOT_READ = Rule(
    id="trace-package-not-read",
    severity="warning",
    title="A package could not be read wholly: what took part in it may be missing from this answer",
    todo="Look at it by hand: until it can be read, this list is not known to be complete. `provpack verify "
    "PACKAGE` tells what is wrong with it; then run `provpack catalogue add` on the place where it lies.",
)
NAMES_HELD = Rule(
    id="trace-names-held-back",
    severity="note",
    title="Where names are held back, nobody can be found by name",
    todo="The studio's own records, which were kept when the names were left out, tell who it was.",
)
ROOT_UNKNOWN = Rule(
    id="trace-root-not-in-catalogue",
    severity="warning",
    title="The catalogue has never looked at a folder that was named",
    todo="Take it in: provpack catalogue add ROOT. Or leave --catalogue out: then ROOT is read anew.",
)
LETTER_WINDOW = Rule(
    id="trace-notice-part-only",
    severity="warning",
    title="The notices to clients do not list everything that may be concerned",
    todo="Each notice says so. Before you send them, trace without --since and --until.",
)
LETTER_ROOTS = Rule(
    id="trace-notice-beneath-root-only",
    severity="note",
    title="The notices to clients list only what lies beneath the folders named",
    todo="Where packages of these clients lie elsewhere too, trace without ROOT before you send them. Names "
    "of others were looked for only among what was looked at.",
)
LETTER_NOT_SEALED = Rule(
    id="trace-notice-not-sealed",
    severity="warning",
    title="A package is not what was sealed; it was left out of the notice",
    todo="What its record says is no evidence. Look for a copy that is whole; until then tell the client by "
    "hand.",
)
LETTER_PERSON = Rule(
    id="trace-notice-person-held-back",
    severity="warning",
    title="No notice was written: names of persons are held back from this client",
    todo="A notice about a person names that person. Decide by hand what this client may be told.",
)
HELD_LABEL = Rule(
    id="trace-held-label",
    severity="warning",
    title="A word that stands for a name held back is no name",
    todo="The same word stands for different persons in different packages: the list below mixes them. "
    "The studio's own records tell who they are.",
)
LETTER_NO_CLIENT = Rule(
    id="trace-notice-no-client",
    severity="warning",
    title="Transfers without a client: nobody to write to",
    todo="Find out whose they are, and tell them.",
)
LETTER_WORDS = Rule(
    id="trace-notice-words-left-out",
    severity="warning",
    title="The wording of a fault notice was left out of a client's notice",
    todo="A word of it is like the name of somebody else, of their things, or of a person. Write the "
    "sentence into the notice by hand, without anything of theirs.",
)
LETTER_WORDS_HELD = Rule(
    id="trace-notice-words-held-back",
    severity="warning",
    title="The wording of a fault notice was left out where names are held back",
    todo="Nobody can tell from packages that hold names back whether it names a person. Name the equipment "
    "register with --register, whose people are looked for; or write the sentence by hand, without names.",
)
LETTER_UNREAD = Rule(
    id="trace-notice-package-unread",
    severity="warning",
    title="A notice is written without having read the package",
    todo="The catalogue's word stands there instead, and the digest is missing: make the package readable, "
    "or fill it in by hand.",
)
LETTER_OUTDATED = Rule(
    id="trace-notice-package-differs",
    severity="warning",
    title="A package says other than the catalogue; it was left out of the notice",
    todo="Run `provpack catalogue add` on the place where it lies, then trace again.",
)
LETTER_HOUSES = Rule(
    id="trace-notice-organisations",
    severity="warning",
    title="The packages name different transfer organisations",
    todo="The same identifier may mean different machines in different houses. Sort them out, and fill in "
    "the sender by hand.",
)

RULES = (
    COVERED, CANNOT_BE_TOLD, UNDATED, DERIVED, NOT_IN_REGISTER, LEDGER_BROKEN, NOTICES_DIFFER, NOTICE_TIMES,
    CHECK_NOT_GOOD, GONE, SUPERSEDED, NOT_READ, NAMES_HELD, ROOT_UNKNOWN, HELD_LABEL, LETTER_NO_CLIENT,
    LETTER_WORDS, LETTER_WORDS_HELD, LETTER_UNREAD, LETTER_OUTDATED, LETTER_NOT_SEALED, LETTER_PERSON,
    LETTER_WINDOW, LETTER_ROOTS, LETTER_HOUSES,
)  # fmt: skip
