"""What goes into the catalogue and what comes out of it, as plain values.

Moments are UTC, "YYYY-MM-DDTHH:MM:SSZ", so that they sort as text; days are "YYYY-MM-DD". Where a fact has no
moment but a day, the moment is the first second of that day. None is "nobody told", everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Storage = Literal["folder", "tar", "zip", "remote"]


@dataclass(frozen=True, slots=True, kw_only=True)
class File:
    """One payload file as its manifest names it. sha256, sha512: lower-case hex."""

    path: str
    role: str | None = None
    bytes: int | None = None
    sha256: str | None = None
    sha512: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One thing or person that took part in one pass of a transfer.

    what: an identifier of the equipment register, a name of software, a person. role: deck, decoder,
    capture_device, capture_input, digital_output_board, firmware, cable, ... (equipment_kind), software,
    operator, qc_by, chain. started_at, stopped_at: of the pass, None when nobody noted it.
    """

    what: str
    role: str
    pass_n: int | None = None
    started_at: str | None = None
    stopped_at: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """What today's rules say of yesterday's record. where: JSON pointer, or a path in the package."""

    rule: str
    severity: str
    what: str
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """One package or foreign bag, where it lies. Everything beneath `version` is told by its record.

    place: absolute path or address, readable; place_base64: its bytes where the two differ. stamp: changes
    when the package was replaced (size and time of its tag files), so that an unchanged one is not read
    again. ledger: path of the custody ledger beside it. label: transcription of the label. notes: every free
    text of the record, for searching. damage_events, damage_seconds: holds, mutes, interpolations and clicks
    that were measured, and the time they cover. check_age_days: of the chain check when the first pass on
    that chain began, whole days, a begun day counted as one (31 = more than 30 days). supersedes: tag
    manifest digest (SHA-512) of the package that this one replaces, or its record_id where the record tells
    no digest. names_held_back: names were left out of the record before it was given out, so who took part
    cannot be told from it wholly. known: JSON members that could be told; problem: why no more could, ""
    when nothing stood in the way. A record that is not what was sealed tells nothing.
    """

    place: str
    place_base64: str | None = None
    storage: Storage = "folder"
    name: str
    stamp: str
    ledger: str | None = None
    ours: bool = False
    version: str | None = None
    identity: str | None = None
    payload_files: int | None = None
    payload_bytes: int | None = None
    record_id: str | None = None
    record_version: str | None = None
    tool_version: str | None = None
    made_at: str | None = None
    job_id: str | None = None
    transfer_id: str | None = None
    client: str | None = None
    client_item_id: str | None = None
    title: str | None = None
    label: str | None = None
    notes: str | None = None
    carrier_id: str | None = None
    carrier_type: str | None = None
    carrier_stock: str | None = None
    recording_format: str | None = None
    source_domain: str | None = None
    outcome: str | None = None
    tape_emphasis: str | None = None
    file_emphasis: str | None = None
    operator: str | None = None
    deck_id: str | None = None
    decoder_id: str | None = None
    transferred_at: str | None = None
    chain_check_at: str | None = None
    check_age_days: int | None = None
    rights_basis: str | None = None
    access_restriction: str | None = None
    access_restriction_until: str | None = None
    next_check_due: str | None = None
    retention_until: str | None = None
    audio_sha256: str | None = None
    duration_s: float | None = None
    damage_events: int | None = None
    damage_seconds: float | None = None
    supersedes: str | None = None
    names_held_back: bool = False
    problem: str = ""
    files: tuple[File, ...] = ()
    parts: tuple[Part, ...] = ()
    raised: tuple[Raised, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One fixity check as a ledger tells it. package: the name in the line; place: only where the line has
    one (the package does not lie beside that ledger)."""

    line: int
    at: str
    package: str
    outcome: str
    depth: str | None = None
    tool_version: str | None = None
    identity: str | None = None
    place: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealed:
    """A package that a ledger says was sealed, or healed, beside it. stays: nothing says that it left.
    superseded: entered since as replaced by another. A broken ledger may tell of one name more than once,
    with several identities: then none of them can be believed. record_id: of its record, where told."""

    package: str
    line: int
    at: str
    identity: str | None = None
    stays: bool = True
    superseded: bool = False
    record_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrier:
    """A physical carrier as the ledger tells it. ended: returned, retained, destroyed, or wrapped (something
    came of it, and it is still in the house); None = no outcome."""

    carrier: str
    client: str | None = None
    received_at: str | None = None
    ended: str | None = None
    ended_at: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault notice. since None: from the last time it was known good; until None: still.

    Every moment as the ledger declares it: a day stays a day, for a time of day that was made up would say
    of a pass on that day that no fault concerned it.
    """

    equipment: str
    notice_id: str | None = None
    since: str | None = None
    until: str | None = None
    noted_at: str | None = None
    cleared_at: str | None = None
    what: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """One custody ledger after line `lines` (SHA-512 `head`). broken: what is wrong with its chain, "" when
    it is whole. sealed, carriers and faults are its state as a whole; checks only those after the line it
    was known to before."""

    path: str
    lines: int
    head: str
    size: int
    broken: str = ""
    checks: tuple[Check, ...] = ()
    sealed: tuple[Sealed, ...] = ()
    carriers: tuple[Carrier, ...] = ()
    faults: tuple[Fault, ...] = ()


# --- answers ---


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """A package in an answer. last_*: of the last check in any ledger; checks: how many; once_bad: whether
    any of them found it bad or missing. gone: not there when its root was last harvested. detail: what the
    question is about (a rule's sentence, days, a date), "" where the columns say all. identity: as it
    was when harvested. superseded: by a newer package that is there."""

    id: int
    place: str
    place_base64: str | None
    storage: Storage
    name: str
    client: str | None
    job_id: str | None
    transfer_id: str | None
    title: str | None
    carrier_id: str | None
    transferred_at: str | None
    payload_bytes: int | None
    last_checked_at: str | None
    last_outcome: str | None
    last_depth: str | None
    checks: int
    once_bad: bool
    gone: bool
    detail: str = ""
    identity: str | None = None
    superseded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One question answered: how many there are, and the first of them. more: there are more than total,
    nobody counted on (words that stand nearly everywhere)."""

    total: int
    more: bool = False
    first: tuple[Listed, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Touch:
    """One pass of one transfer in which the equipment took part."""

    package: Listed
    what: str
    role: str
    pass_n: int | None
    started_at: str | None
    stopped_at: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """One month of one deck, decoder or tape stock. month: "YYYY-MM", "" when nobody knows. hours of audio
    whose damage was measured; unmeasured: transfers without."""

    subject: str
    month: str
    transfers: int
    unmeasured: int
    hours: float
    damage_events: int
    damage_seconds: float
