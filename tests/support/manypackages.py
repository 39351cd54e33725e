"""Very many packages and ledgers as the catalogue's values, the same for the same seed. All invented."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from provpack.catalogue.values import Carrier, Check, Fault, File, Ledger, Package, Part, Raised, Sealed

PER_LEDGER = 20
DECKS = [f"deck-{n:02d}" for n in range(1, 61)]
DECODERS = [f"decoder-{n:02d}" for n in range(1, 26)]
OPERATORS = [
    f"{first} {last}" for first in ("Anneth", "Ívar", "Rósa", "Tove") for last in ("Quill", "Hæsten")
]
STOCKS = [f"stock {letter}{n}" for letter in "ABCD" for n in range(1, 6)]
CLIENTS = [
    f"Archive of {place}" for place in ("Tarnwick", "Ødegård", "Sankt Brôn", "Velmoor", "Késtrel Bay")
] + [f"Studio {n:03d}" for n in range(120)]
RULES = [(f"rec-made-up-{n:02d}", ("warning", "note", "error")[n % 3]) for n in range(30)]
BEGIN = datetime(2019, 1, 1, tzinfo=UTC)
DAYS = 2900


def _vocabulary() -> list[str]:
    dice = random.Random(7)
    syllables = [c + v + e for c in "bdfgklmnprstv" for v in "aeiouéöø" for e in ("", "n", "r", "s", "l")]
    return ["".join(dice.choices(syllables, k=dice.randint(1, 4))) for _ in range(20_000)]


VOCABULARY = _vocabulary()
_WEIGHTS = [1 / (n + 1) for n in range(len(VOCABULARY))]
_SUMS: list[float] = []
for _w in _WEIGHTS:
    _SUMS.append(_w + (_SUMS[-1] if _SUMS else 0.0))


def moment(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def _hex(text: str, length: int) -> str:
    return hashlib.shake_256(text.encode()).hexdigest(length)


def some_words(dice: random.Random, count: int) -> str:
    return " ".join(dice.choices(VOCABULARY, cum_weights=_SUMS, k=count))


def name_of(n: int) -> str:
    return f"job-{n // PER_LEDGER:06d}-tape-{n % PER_LEDGER:02d}"


def folder_of(n: int) -> str:
    return f"/store/{n // 50_000:03d}/job-{n // PER_LEDGER:06d}"


def package(n: int, seed: int = 1, files: int = 5) -> Package:
    """Package number n: ours but for one in twenty; a few have gaps of every kind."""
    dice = random.Random(f"{seed} {n}")
    name, folder = name_of(n), folder_of(n)
    made = BEGIN + timedelta(days=dice.randrange(DAYS), seconds=dice.randrange(86_400))
    deck, decoder, person = dice.choice(DECKS), dice.choice(DECODERS), dice.choice(OPERATORS)
    start, stop = moment(made), moment(made + timedelta(minutes=dice.randint(20, 90)))
    ours = dice.random() < 0.95
    measured = ours and dice.random() < 0.9
    took_part = [
        (deck, "deck"), (decoder, "decoder"), (f"capture-{dice.randrange(9)}", "capture_device"),
        (f"board-{dice.randrange(40)}", "digital_output_board"), (person, "operator"),
    ]  # fmt: skip
    return Package(
        place=f"{folder}/{name}",
        storage=dice.choice(("folder", "tar")),
        name=name,
        stamp=_hex(f"stamp {seed} {n}", 8),
        ledger=f"{folder}/custody-ledger.jsonl",
        ours=ours,
        version="1.0.0" if ours else None,
        identity=_hex(f"identity {seed} {n}", 64),
        payload_files=files,
        payload_bytes=dice.randrange(10**8, 10**9),
        record_id=f"{_hex(name, 4)}-{_hex(name, 2)}-4000-8000-{_hex(name, 6)}" if ours else None,
        record_version="1.2.0" if ours else None,
        tool_version="0.1.0" if ours else None,
        made_at=start,
        job_id=name[:10],
        transfer_id=name[11:],
        client=CLIENTS[(n // 200) % len(CLIENTS)],
        client_item_id=f"item {n}",
        title=some_words(dice, 6),
        label=some_words(dice, 8),
        notes=some_words(dice, 25),
        carrier_id=f"tape-{n:07d}",
        carrier_type="u_matic" if ours else None,
        carrier_stock=dice.choice(STOCKS),
        recording_format="pcm_adaptor_16" if ours else None,
        source_domain="digital" if ours else None,
        outcome="complete" if ours else None,
        tape_emphasis="unknown" if dice.random() < 0.02 else "off",
        file_emphasis="absent",
        operator=person,
        deck_id=deck if ours else None,
        decoder_id=decoder if ours else None,
        transferred_at=start,
        chain_check_at=start,
        check_age_days=None if dice.random() < 0.01 else int(dice.expovariate(1 / 12)),
        rights_basis="unknown" if dice.random() < 0.01 else "owner",
        access_restriction="not before" if dice.random() < 0.1 else None,
        access_restriction_until=f"{dice.randint(2020, 2050)}-01-01" if dice.random() < 0.1 else None,
        next_check_due=(made + timedelta(days=1825)).strftime("%Y-%m-%d") if ours else None,
        retention_until=None,
        audio_sha256=_hex(f"audio {seed} {n}", 32) if ours else None,
        duration_s=dice.uniform(600, 5400) if ours else None,
        damage_events=dice.randrange(40) if measured else None,
        damage_seconds=dice.random() * 3 if measured else None,
        files=tuple(
            File(
                path=f"data/master/{name}-{i}.wav" if i == 0 else f"data/documents/sheet-{i}.pdf",
                role="master" if i == 0 else "document",
                bytes=dice.randrange(10**8),
                sha256=_hex(f"256 {seed} {n} {i}", 32),
                sha512=_hex(f"512 {seed} {n} {i}", 64),
            )
            for i in range(files)
        ),
        parts=tuple(
            Part(what=what, role=role, pass_n=1, started_at=start, stopped_at=stop)
            for what, role in took_part
        )
        if ours
        else (),
        raised=tuple(
            Raised(rule=rule, severity=severity, what=f"made-up sentence about {rule}", where="/carrier")
            for rule, severity in dice.sample(RULES, dice.choice((0, 0, 0, 1, 3)))
        ),
    )


def ledger(number: int, packages: int, seed: int = 1, checks: int = 3, lines: int | None = None) -> Ledger:
    """The ledger of one job: each package sealed and checked some times; one in a thousand once bad."""
    dice = random.Random(f"{seed} ledger {number}")
    own = [n for n in range(number * PER_LEDGER, (number + 1) * PER_LEDGER) if n < packages]
    told, line = [], len(own)
    for when in range(checks):
        for n in own:
            line += 1
            if dice.random() < 0.02:
                continue
            at = BEGIN + timedelta(
                days=DAYS + when * 400 + dice.randrange(390), seconds=dice.randrange(86_400)
            )
            told.append(
                Check(
                    line=line,
                    at=moment(at),
                    package=name_of(n),
                    outcome="bad" if dice.random() < 0.0005 else "good",
                    depth=dice.choice(("bytes", "bytes", "bytes", "listed", "meaning")),
                    tool_version="0.1.0",
                    identity=_hex(f"identity {seed} {n}", 64),
                )
            )
    return Ledger(
        path=f"{folder_of(own[0])}/custody-ledger.jsonl",
        lines=lines or line,
        head=_hex(f"head {seed} {number} {line}", 64),
        size=line * 400,
        broken="Line 7 was changed." if number % 5000 == 4999 else "",
        checks=tuple(told),
        sealed=tuple(
            Sealed(package=name_of(n), line=at + 1, at="2024-01-01T00:00:00Z", stays=True)
            for at, n in enumerate(own)
        )
        + ((Sealed(package="lost-one", line=2, at="2024-01-01T00:00:00Z"),) if number % 997 == 5 else ()),
        carriers=tuple(
            Carrier(
                carrier=f"tape-{n:07d}",
                client=CLIENTS[(n // 200) % len(CLIENTS)],
                received_at=moment(BEGIN + timedelta(days=dice.randrange(DAYS))),
                ended=None if dice.random() < 0.01 else "returned",
            )
            for n in own
        ),
        faults=(Fault(equipment=dice.choice(DECKS), notice_id=f"notice-{number}", since="2024-02-01"),)
        if number % 500 == 0
        else (),
    )


def everything(packages: int, seed: int = 1) -> Iterator[Package | Ledger]:
    """Packages, and after those of a job its ledger."""
    for n in range(packages):
        yield package(n, seed)
        if n % PER_LEDGER == PER_LEDGER - 1 or n == packages - 1:
            yield ledger(n // PER_LEDGER, packages, seed)
