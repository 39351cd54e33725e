"""What can be wrong with the bench log of a job as a file. jobs/allrules.py lists these too."""

from __future__ import annotations

from provpack.findings import Rule

_KEEP = (
    "Do not mend it by hand. Put a whole copy (backup) in its place. If there is none, keep this file under "
    "another name outside the job folder and state again what the lines that no longer count say: the next "
    "entry starts a new log."
)

BENCH_LOG_BROKEN = Rule(
    id="bench-log-broken",
    severity="error",
    title="the bench log was changed after it was written",
    todo=_KEEP,
    reference="schemas/bench-entry, previous",
)
BENCH_LOG_UNREADABLE = Rule(
    id="bench-log-unreadable",
    severity="error",
    title="the bench log cannot be read",
    todo="Check permissions and the disk. Until it can be read, nothing that was logged counts.",
)
BENCH_LOG_NOT_A_FILE = Rule(
    id="bench-log-not-a-file",
    severity="error",
    title="something else lies in the place of the bench log",
    todo="Move it away, and put the log itself in its place: links are never followed.",
)
BENCH_LOG_TOO_LARGE = Rule(
    id="bench-log-too-large",
    severity="error",
    title="the bench log is larger than any evening makes it",
    todo="Look at what stands in it. " + _KEEP,
)
BENCH_LOG_LINE = Rule(
    id="bench-log-line-not-understood",
    severity="error",
    title="a line of the bench log is whole, but is not one that this version knows",
    todo="If a newer version wrote it, use that version. Else find out which program did, and state again "
    "what the line says.",
    reference="schemas/bench-entry",
)
BENCH_LOG_REPLACED = Rule(
    id="bench-log-replaced",
    severity="error",
    title="the bench log was replaced, cut or taken away while it was in use",
    todo="Find out what did it. Look whether the last things you did are still there; state again what is "
    "not.",
)
BENCH_LOG_TORN = Rule(
    id="bench-log-torn",
    severity="warning",
    title="the last line of the bench log was cut short while it was written",
    todo="Look at the last thing you did before the power or the program went: it was never confirmed to "
    "you. Do it again if it is missing.",
)
BENCH_LOG_ASIDE = Rule(
    id="bench-log-set-aside",
    severity="note",
    title="the beginning of a line that was never confirmed was set aside",
    todo="Look into it if something you did just before is missing; then it may be moved away.",
)

RULES: tuple[Rule, ...] = tuple(v for v in list(globals().values()) if isinstance(v, Rule))
