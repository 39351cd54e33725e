"""Rules about transfers that take over what another transfer of the job says."""

from __future__ import annotations

from provpack.findings import Rule

OF_NO_TRANSFER = Rule(
    id="row-corrects-unknown",
    severity="error",
    title="a transfer takes over from one that is not there, from itself, or from two",
    todo="Name one other transfer of this job, in corrects (the same recording) or in plays_again (played "
    "again).",
)
WITHOUT_PACKAGE = Rule(
    id="row-corrects-no-package",
    severity="error",
    title="a transfer corrects another one, and supersedes does not name that one's package",
    todo="State supersedes: the record_id and package_name of the sealed package, and the reason. The page "
    "Packages of the bench and `provpack jot correct` read them from the package.",
)
PLAYED_ITSELF = Rule(
    id="row-corrects-played",
    severity="error",
    title="a transfer corrects another one with its recording, and was played itself",
    todo="If it is the same recording, take its own pass back. If the carrier was played again, take "
    "corrects away and state plays_again.",
)

RULES: tuple[Rule, ...] = tuple(v for v in list(globals().values()) if isinstance(v, Rule))
