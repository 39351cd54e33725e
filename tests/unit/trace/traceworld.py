"""Records of three clients over two decks, boards and chains, as a catalogue holds them. All invented.

Each pass has its expected word on notice F-1 (DECK-1, 2031-05-04 12:00 +02:00 to 2031-05-06 12:00 +02:00,
that is 10:00 UTC to 10:00 UTC) written beside it, computed by hand.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from provpack.catalogue.opening import Catalogue, open_catalogue
from provpack.catalogue.values import Check, Fault, Ledger, Package, Part
from provpack.jobs.loaded import Equipment
from provpack.jobs.register import read_register

ARCHIVE = "Ambersund Chamber Archive"
MUSEUM = "Kellmar Folk Museum, Kellmar"
CLUB = "Tarnvik Radio Club"
LEDGER = "/store/custody-ledger.jsonl"

Pass = tuple[int | None, str | None, str | None, dict[str, str]]


def package(
    name: str, client: str | None, passes: Sequence[Pass], *, title: str | None = None, operator: str = ""
) -> Package:
    """One package with its passes: number, start and stop in UTC, role -> what."""
    job, _, transfer = name.partition("_")
    parts = [
        Part(what=what, role=role, pass_n=n, started_at=start, stopped_at=stop)
        for n, start, stop, used in passes
        for role, what in {**used, **({"operator": operator} if operator else {})}.items()
    ]
    return Package(
        place=f"/store/{name}", name=name, stamp=name, ours=True, job_id=job, transfer_id=transfer,
        client=client, title=title or f"Evening of {name}", carrier_id=f"B-{transfer}", ledger=LEDGER,
        parts=tuple(parts),
    )  # fmt: skip


D1, D2 = {"deck": "DECK-1"}, {"deck": "DECK-2"}

PACKAGES = (
    # covered: on the 5th
    package("J1_T1", ARCHIVE, [(1, "2031-05-05T08:00:00Z", "2031-05-05T09:00:00Z", D1)]),
    # not covered: stopped at 11:59:59 +02:00 on the 4th, a second before
    package("J1_T2", ARCHIVE, [(1, "2031-05-04T09:00:00Z", "2031-05-04T09:59:59Z", D1)]),
    # two passes on different decks: the first was DECK-1 (not covered), the second DECK-2
    package(
        "J1_T3",
        ARCHIVE,
        [
            (1, "2031-05-06T10:00:01Z", "2031-05-06T11:00:00Z", {**D1, "decoder": "DEC-2"}),
            (2, "2031-05-06T12:00:00Z", "2031-05-06T13:00:00Z", {**D2, "decoder": "DEC-2"}),
        ],
    ),
    # cannot be told: nobody noted when
    package("J2_T1", MUSEUM, [(1, None, None, {**D1, "decoder": "DEC-2"})], title="Reels of Kellmar"),
    # begun over midnight of Kellmar (+02:00), 22:30 UTC on the 5th: covered
    package(
        "J2_T2",
        MUSEUM,
        [(1, "2031-05-05T21:30:00Z", "2031-05-05T22:30:00Z", {**D1, "decoder": "DEC-2", "chain": "A"})],
        title="Spinning songs",
        operator="Ilse Varrow",
    ),
    # the second of two passes is covered, the first is not: the transfer counts as covered
    package(
        "J2_T3",
        MUSEUM,
        [
            (1, "2031-05-01T08:00:00Z", "2031-05-01T09:00:00Z", D1),
            (2, "2031-05-06T09:59:59Z", "2031-05-06T10:30:00Z", D1),
        ],
    ),
    # never on DECK-1
    package("J3_T1", CLUB, [(1, "2031-05-05T08:00:00Z", "2031-05-05T09:00:00Z", {**D2, "decoder": "DEC-2"})],
            title="Signal from the north"),
    # nobody noted whose it is; only the end was noted, before the fault
    package("J4_T1", None, [(1, None, "2031-05-01T08:00:00Z", D1)]),
)  # fmt: skip

WORDS = {
    ("J1_T1", 1): "covered",
    ("J1_T2", 1): "not_covered",
    ("J1_T3", 1): "not_covered",
    ("J2_T1", 1): "cannot_be_told",
    ("J2_T2", 1): "covered",
    ("J2_T3", 1): "not_covered",
    ("J2_T3", 2): "covered",
    ("J4_T1", 1): "not_covered",
}

F1 = Fault(
    equipment="DECK-1", notice_id="F-1", since="2031-05-04T12:00:00+02:00", until="2031-05-06T12:00:00+02:00",
    noted_at="2031-05-07T08:00:00Z", what="Head drum slipped now and then.",
)  # fmt: skip

REGISTER = """
[[equipment]]
id = "DECK-1"
kind = "deck"
make_model = "Velkora B-70"
serial = "0001"
[[equipment]]
id = "DEC-2"
kind = "decoder"
make_model = "Pellard DA-16"
serial = "0002"
[[equipment]]
id = "BOARD-7"
kind = "digital_output_board"
make_model = "Tonewell S2"
serial = "none visible"
last_known_good = { at = 2031-05-01 }
[[equipment.fitted]]
equipment_id = "DEC-2"
since = 2031-05-03
until = 2031-05-06T12:30:00Z
[[equipment.fault_notices]]
id = "F-9"
found_at = 2031-05-20
what = "Sends now and then a wrong word."
by = "Ilse Varrow"
[[equipment]]
id = "FW-3"
kind = "firmware"
make_model = "Tonewell S2 image"
serial = "3.1"
[[equipment.fitted]]
equipment_id = "BOARD-7"
since = 2031-05-05T22:00:00Z
[[equipment]]
id = "CABLE-4"
kind = "cable"
make_model = "two cores"
serial = "batch 12"
[[equipment.fitted]]
chain_id = "A"
"""


def register(text: str = REGISTER) -> dict[str, Equipment]:
    """The entries of a register, which must be as it should be."""
    import tomllib

    from provpack.edge.tomlfile import read_toml

    assert tomllib.loads(text)
    document, trouble = read_toml(text.encode(), "equipment.toml")
    assert document is not None and not trouble
    entries, findings = read_register(document, "equipment.toml")
    assert not findings, findings
    return entries


def ledger(*faults: Fault, checks: Iterable[Check] = (), broken: str = "") -> Ledger:
    """The ledger of the store."""
    return Ledger(
        path=LEDGER, lines=9, head="0" * 128, size=900, broken=broken, faults=faults, checks=tuple(checks)
    )


def catalogue(packages: Iterable[Package] = PACKAGES, *ledgers: Ledger, where: str = ":memory:") -> Catalogue:
    """A catalogue that holds these."""
    known = open_catalogue(where, create=True)
    with known.writing() as writer:
        for one in packages:
            writer.package(one)
        for told in ledgers:
            writer.ledger(told)
    return known
