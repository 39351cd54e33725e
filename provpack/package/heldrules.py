"""Rules on names that are held back from what is delivered."""

from __future__ import annotations

from provpack.findings import Rule

NAME_PART = Rule(
    id="held-name-part",
    severity="warning",
    title="A text may still hint at a person whose name is held back",
    todo="Read the text; reword it in the sheet, or leave it if the word is an ordinary one.",
)
NAME_IN_FILE = Rule(
    id="held-name-in-file",
    severity="error",
    title="A file goes into the package as it is and holds a name that is to be held back",
    todo="Leave the document out of the sheet or hand in a copy without names; if it must go as it is, "
    "say so with a waiver for this rule. Ask whoever advises you on personal data.",
)
NAME_IN_PATH = Rule(
    id="held-name-in-path",
    severity="error",
    title="A file name in the package would tell a name that is to be held back",
    todo="Rename the file in the job folder and in the sheet.",
)

UNSEARCHED = Rule(
    id="held-not-searched",
    severity="warning",
    title="A file goes into the package in which names cannot be looked for",
    todo="Open it and look yourself; leave it out of the sheet if it names somebody.",
)

RULES = (NAME_PART, NAME_IN_FILE, NAME_IN_PATH, UNSEARCHED)
