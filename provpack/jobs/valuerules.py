"""Rules about values that no field takes, and about names of files that are none of a transfer's."""

from __future__ import annotations

from provpack.findings import Rule

TEXT_DIRECTION = Rule(
    id="row-text-direction",
    severity="error",
    title="a text holds a mark that turns the order in which letters are shown",
    todo="Type the text again, without what was copied along with it.",
    reference="Unicode Standard Annex 9",
)
DATE_TOO_EARLY = Rule(
    id="row-date-too-early",
    severity="error",
    title="a date lies before anything of its kind can have been",
    todo="Correct the year: most likely it was mistyped.",
)
OWN_PAPER = Rule(
    id="row-file-own-paper",
    severity="error",
    title="a paper of the job is named as its sound or as a photograph",
    todo="Name the file that was meant. The sheets and the bench log go into every package by themselves.",
)
PASS_TOO_EARLY = Rule(
    id="row-pass-too-early",
    severity="error",
    title="a pass lies before any sound was captured to a file",
    todo="Correct the date: most likely the year was mistyped.",
)
JOB_ID_UNFIT = Rule(
    id="job-id-unfit",
    severity="error",
    title="the job's identifier reads like a path, or leaves nothing to name a package after",
    todo="Give the job an identifier of letters and digits, such as GTR-2026-044.",
)

RULES: tuple[Rule, ...] = tuple(v for v in list(globals().values()) if isinstance(v, Rule))
