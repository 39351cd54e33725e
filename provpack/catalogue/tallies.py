"""What one package adds to the counts: pure functions of its row and of what its checks tell.

A package stands under a question by a key, so that "how many before a day" is a sum over few tallies and "the
first of them" a short walk along an index. All questions of the audit read `key < bound`:

gone, not_read, emphasis, not_good, once_bad   "" = it does
rights      "" = no basis is told; else the day on which its restriction ended or will end
chain       "" = no chain check is told; else 99999 less its age in days: the oldest come first
due         the declared day of the next check, until a check on that day or later
checked     "" = no check ever read its bytes; else the moment of the last that did
other       "" = its ledger says that another package was sealed under its name
claim       "" = it says that it supersedes one that is there, and that does not count

A package that is gone stands under `gone` alone: the others are questions about what is there. One that was
superseded by a package that is there stands under none that is about its record (emphasis, rights, chain, the
rules): the newer one answers them. A record that could not be read, or is not believed, answers none of them
either; and what is not what its ledger sealed took part in nothing. A transfer counts once in the trends,
however many copies of it there are. What is written is the difference between before and after, hence the
tallies always equal a full count.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from provpack.catalogue.tables import TOPICS

OLDEST = 99_999
"""Days; an age beyond is counted as this one."""
UNIT = "\x1f"
"""Between the parts of a tally's key."""
_READS_BYTES = frozenset({"bytes", "meaning", None})
_READ = frozenset({"good", "bad", "missing"})
BAD = ("bad", "missing")

Row = Mapping[str, Any]
Trends = Counter[tuple[str, str, str, str]]
"""(subject, name, month, column of the trend table) -> what to add."""


@dataclass(frozen=True, slots=True)
class Checked:
    """One fixity check as it is stored. identity_start: first 63 bits of what it found as identity."""

    line: int
    at: str
    outcome: str
    depth: str | None
    identity_start: int | None


def fold(
    checks: Iterable[Checked], identity_start: int | None, *, bad_elsewhere: bool = False
) -> dict[str, Any]:
    """What the checks of a package tell, as columns of `standing`.

    A check that found another thing good, by its identity, says nothing about this one: the package was
    exchanged since. One that found something bad counts all the same. could_not_check read nothing.
    bad_elsewhere: a check of another copy of it found that one bad.
    """
    same = {None, identity_start}
    said = sorted(
        (c for c in checks if c.outcome != "good" or identity_start is None or c.identity_start in same),
        key=lambda c: (c.at, c.line, c.outcome != "good", c.outcome),
    )
    read = [c for c in said if c.depth in _READS_BYTES and c.outcome in _READ]
    last, last_read = (said[-1] if said else None), (read[-1] if read else None)
    return {
        "checks": len(said),
        "was_bad": bad_elsewhere or any(c.outcome in BAD for c in said),
        "last_at": last.at if last else None,
        "last_outcome": last.outcome if last else None,
        "last_depth": last.depth if last else None,
        "read_at": last_read.at if last_read else None,
        "read_outcome": last_read.outcome if last_read else None,
    }


def chain_key(days: int) -> str:
    """The key of a chain check `days` old; those that are older have a smaller one."""
    return f"{OLDEST - min(max(days, 0), OLDEST):05d}"


def keys(package: Row, told: Row) -> dict[str, str | None]:
    """Under which questions a package stands: one key per topic. told: a row of `standing`."""
    none: dict[str, str | None] = dict.fromkeys(TOPICS)
    if told["is_gone"]:
        return none | {"gone": ""}
    ours, read_at, due = package["ours"], told["read_at"], package["next_check_due"]
    other = told["is_other"]
    answers = package["record_version"] is not None and not (told["is_superseded"] or other)
    unknown = has_sound(package) and {None, "unknown"} & {package["tape_emphasis"], package["file_emphasis"]}
    age = package["check_age_days"]
    good = told["last_outcome"] in ("good", None) and told["read_outcome"] in ("good", None)
    return none | {
        "not_read": "" if package["problem"] or other else None,
        "emphasis": "" if ours and answers and unknown else None,
        "rights": None
        if not answers
        else ""
        if ours and package["rights_basis"] in (None, "unknown")
        else package["access_restriction_until"],
        "chain": None if not (ours and answers) else "" if age is None else chain_key(age),
        "due": due if due and (read_at is None or read_at[:10] < due) else None,
        "checked": read_at or "",
        "not_good": None if good else "",
        "once_bad": "" if told["was_bad"] else None,
        "other": "" if other else None,
        "claim": "" if told["claim_fails"] and not other else None,
    }


def count_keys(held: Row) -> Counter[tuple[str, str]]:
    """The tallies of its keys. Moments are counted by their day."""
    return Counter((topic, held[topic][:10]) for topic in TOPICS if held[topic] is not None)


def count_record(
    package: Row, told: Row, raised: Iterable[tuple[str, str]], parts: Iterable[tuple[str, str]]
) -> Counter[tuple[str, str]]:
    """The tallies of its record. raised: (rule, severity); parts: (what, role), each once."""
    believed = () if told["is_other"] else parts
    counts = Counter({("part", f"{what}{UNIT}{role}"): 1 for what, role in believed})
    if told["is_gone"]:
        return counts
    if not told["is_superseded"]:
        counts.update({("rule", f"{rule}{UNIT}{severity}"): 1 for rule, severity in raised})
    counts["size", "packages"] += 1
    counts["size", "ours"] += bool(package["ours"])
    counts["size", "files"] += package["files"]
    return counts


def has_sound(package: Row) -> bool:
    """Whether sound came of the transfer. A record that tells its outcome and no digest of any sound says
    that none did: there was nothing to measure and nothing with an emphasis."""
    told = package["record_version"] is not None and package["outcome"] is not None
    return not told or package["audio_sha256"] is not None


def count_trends(package: Row, told: Row) -> Trends:
    """Its damage by month, per deck, decoder and stock that its record names."""
    counts: Trends = Counter()
    elsewhere = told["is_gone"] or told["is_superseded"] or told["is_copy"]
    if elsewhere or told["is_other"] or not has_sound(package):
        return counts
    month = (package["transferred_at"] or "")[:7]
    measured = None not in (package["damage_events"], package["damage_ms"], package["duration_ms"])
    for subject, column in (("deck", "deck_id"), ("decoder", "decoder_id"), ("stock", "carrier_stock")):
        name = package[column]
        if not name:
            continue
        counts[subject, name, month, "transfers"] += 1
        if measured:
            counts[subject, name, month, "audio_ms"] += package["duration_ms"]
            counts[subject, name, month, "damage_events"] += package["damage_events"]
            counts[subject, name, month, "damage_ms"] += package["damage_ms"]
        else:
            counts[subject, name, month, "unmeasured"] += 1
    return counts
