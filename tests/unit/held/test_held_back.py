"""Names held back: nowhere in the package, roles kept, the record with names and its proof in the studio."""

from __future__ import annotations

import hashlib
import json
import re
import stat
import unicodedata
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from support.jobs import make_job, tree, wav, wrap

from provpack.edge import benchlog
from provpack.edge.schemas import validate
from provpack.jobs.heldfiles import STUDIO_FOLDER
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verify import verify_paths
from provpack.jobs.wrapped import Wishes
from provpack.package.benchline import LOG_NAME, bench_line
from provpack.package.heldback import Held, hold_back, persons_in
from provpack.package.heldnames import Searcher

MORE = """hold_back_names = true
"""
SHEET = """transfer_id,type,start,end,temperature_c,agent,consent_by,consent_at,note
T01,acclimatisation,2026-06-01T17:00:00+02:00,2026-06-02T08:00:00+02:00,20,Ilse Varrow,\
"Noemi Harsfell, Ambersund Chamber Archive",2026-06-01,"Asked ilse  varrow twice"
"""
NAMES = (b"Varrow", b"Harsfell", b"varrow")


def salt() -> bytes:
    return b"s" * 32


def held_job(folder: Path, *, audio: bytes | None = None, document: bytes | None = None) -> Path:
    job = make_job(folder, job=MORE, files={"T01.wav": audio} if audio else None)
    (job / "treatments.csv").write_text(SHEET)
    if document is not None:
        (job / "log.txt").write_bytes(document)
        text = (job / "job.toml").read_text()
        (job / "job.toml").write_text(text.replace('title = "', 'documents = ["log.txt"]\ntitle = "'))
    return job


def test_no_name_stands_anywhere_in_the_package_and_the_studio_keeps_the_proof(tmp_path: Path) -> None:
    out = tmp_path / "out"
    (unit,) = wrap(held_job(tmp_path / "job"), out).units
    assert unit.outcome == "wrapped", [f.what for f in unit.findings]
    package = out / unit.package_name
    for path, data in tree(package).items():
        assert not [name for name in NAMES if name in data], path
    record = json.loads((package / "data/metadata/record.json").read_bytes())
    assert not list(validate("transfer-record", record))
    operator = record["people"]["operator"]
    treatment = record["condition"]["treatments"][0]
    assert operator == treatment["agent"] == "person 1 (name held back)"  # the same person, the same label
    assert treatment["consent_by"] == "person 2 (name held back)"
    assert treatment["note"] == "Asked person 1 (name held back) twice"
    assert record["people"]["client"] == "Ambersund Chamber Archive"
    assert record["held_back"][0]["roles"] == ["/people/operator", "/condition/treatments/0/agent"]

    (kept,) = (out / STUDIO_FOLDER).iterdir()
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    studio = json.loads(kept.read_bytes())
    assert not list(validate("studio-record", studio))
    assert studio["record"]["people"]["operator"] == "Ilse Varrow"
    assert studio["record"]["condition"]["treatments"][0]["note"] == "Asked ilse  varrow twice"
    assert studio["record"]["files"] == record["files"] and studio["record"]["measured"] == record["measured"]
    assert studio["tagmanifest_sha512"] == unit.tagmanifest_sha512
    for told, proof in zip(record["held_back"], studio["held_back"], strict=True):
        digest = hashlib.sha256(bytes.fromhex(proof["salt_hex"]) + proof["spellings"][0].encode()).hexdigest()
        assert digest == told["commitment_sha256"] == proof["commitment_sha256"]

    def clock() -> datetime:
        return datetime(2026, 7, 1, tzinfo=UTC)

    checked = verify_paths(
        [package], "meaning", progress=Silent(), clock=clock,
        validate=lambda name, value: [(v.pointer, v.message) for v in validate(name, value)],
        recover=lambda source: record_of(source, ""),
    )  # fmt: skip
    assert checked.units[0].outcome == "good", checked.units[0].findings


def test_without_the_wish_names_stay(tmp_path: Path) -> None:
    job = make_job(tmp_path / "job")
    (unit,) = wrap(job, tmp_path / "out").units
    record = json.loads((tmp_path / "out" / unit.package_name / "data/metadata/record.json").read_bytes())
    assert record["people"]["operator"] == "Ilse Varrow" and "held_back" not in record
    assert not (tmp_path / "out" / STUDIO_FOLDER).exists()


@pytest.mark.parametrize(
    "document",
    [
        b"Played by Ilse Varrow.",
        "ILSE\tVARROW".encode("utf-16-le"),
        "naïve: ilse varrow, ok".encode("cp1252"),
        b"x" * 5_000_000 + b" Ilse Varrow " + b"y" * 100,
        b"x" * (4 * 1024 * 1024 - 5) + b" Ilse Varrow " + b"y" * 5_000_000,
    ],
    ids=["plain", "utf-16", "cp1252", "far in", "across a seam"],
)
@pytest.mark.parametrize("dry_run", [False, True])
def test_a_document_with_a_name_stops_the_transfer(tmp_path: Path, document: bytes, dry_run: bool) -> None:
    job = held_job(tmp_path / "job", document=document)
    (unit,) = wrap(job, tmp_path / "out", dry_run=dry_run).units
    assert unit.outcome == "refused"
    assert [f.severity for f in unit.findings if f.rule == "held-name-in-file" and "log.txt" in f.what] == [
        "error"
    ]
    assert not [p for p in (tmp_path / "out").glob("*") if p.name != STUDIO_FOLDER]


@pytest.mark.parametrize("dry_run", [False, True])
def test_asked_for_on_the_command_line_it_is_the_same(tmp_path: Path, dry_run: bool) -> None:
    job = held_job(tmp_path / "job", document=b"Played by Ilse Varrow.")
    (job / "job.toml").write_text((job / "job.toml").read_text().replace(MORE, ""))
    (unit,) = wrap(job, tmp_path / "plain", dry_run=dry_run).units
    assert unit.outcome == ("planned" if dry_run else "wrapped")
    (unit,) = wrap(job, tmp_path / "out", dry_run=dry_run, wishes=Wishes(hold_back_names=True)).units
    assert unit.outcome == "refused" and unit.problem is not None
    assert unit.problem.code == "held-name-in-file" and "log.txt" in unit.problem.what


def test_a_waiver_lets_it_pass_as_a_warning(tmp_path: Path) -> None:
    job = held_job(tmp_path / "job", document=b"Played by Ilse Varrow.")
    (job / "waivers.csv").write_text(
        "transfer_id,rule,reason,by,at\nT01,held-name-in-file,She agreed,Tomas Brandwyk,2026-06-02\n"
    )
    (unit,) = wrap(job, tmp_path / "out").units
    assert unit.outcome == "wrapped"
    assert [f.severity for f in unit.findings if f.rule == "held-name-in-file"] == ["warning"]
    page = (tmp_path / "out" / unit.package_name / "data/report/index.html").read_text(encoding="utf-8")
    assert "Brandwyk" not in page and "person 3 (name held back)" in page


def test_a_name_in_a_chunk_around_the_audio_stops_the_transfer(tmp_path: Path) -> None:
    chunk = b"LIST" + (24).to_bytes(4, "little") + b"INFOIENG" + (12).to_bytes(4, "little") + b"Ilse Varrow\0"
    audio = wav(bytes(4 * 30000), before=chunk)
    (unit,) = wrap(held_job(tmp_path / "job", audio=audio), tmp_path / "out").units
    assert unit.outcome == "refused" and "held-name-in-file" in [f.rule for f in unit.findings]


def test_a_file_name_with_a_name_stops_the_transfer(tmp_path: Path) -> None:
    job = held_job(tmp_path / "job", document=b"nothing")
    (job / "log.txt").rename(job / "Ilse-Varrow_log.txt")
    text = (job / "job.toml").read_text().replace("log.txt", "Ilse-Varrow_log.txt")
    (job / "job.toml").write_text(text)
    (unit,) = wrap(job, tmp_path / "out").units
    assert unit.outcome == "refused" and "held-name-in-path" in [f.rule for f in unit.findings]


def apart(text: str) -> str:
    """As some systems write it: letters and accents one after the other."""
    return unicodedata.normalize("NFD", text)


UNUSUAL = {
    "NFD": apart("Jörg Åse-Mørk").encode(),
    "UTF-16 LE, odd": b"x" + "Jörg Åse-Mørk".encode("utf-16-le"),
    "UTF-16 BE": "Jörg Åse-Mørk".encode("utf-16-be"),
    "underscore": "Jörg_Åse-Mørk".encode(),
    "NUL": "Jörg\0Åse-Mørk".encode(),
    "line end": "Jörg\r\nÅse-Mørk".encode(),
    "surname first": "Åse-Mørk, Jörg".encode(),
    "capitals": "JÖRG ÅSE-MØRK".encode("cp1252"),
    "Mac": "Jörg Åse-Mørk".encode("mac_roman"),
    "HTML": b"J&ouml;rg &Aring;se-M&oslash;rk",
    "run together": "JörgÅseMørk".encode(),
    "no accents": b"Jorg Ase-Mork",
    "letters for accents": b"Joerg Aase-Moerk",
    "JSON": b"J\\u00f6rg \\u00c5se-M\\u00F8rk",
    "quoted-printable": b"J=C3=B6rg =C3=85se-M=C3=B8rk",
    "RTF": b"J\\'f6rg \\'c5se-M\\'f8rk",
    "marked up": "<b>Jörg</b>\n      <i class='x'>Åse-Mørk</i>".encode(),
    "an initial": "Jörg K. Åse-Mørk".encode(),
}


@pytest.mark.parametrize("written", UNUSUAL)
def test_a_name_in_bytes_is_found_however_it_is_written(written: str) -> None:
    searcher = Searcher(persons_in([{"people": {"operator": "Jörg Åse-Mørk"}}]))
    assert searcher.in_bytes(b"before " + UNUSUAL[written] + b" after")
    assert not searcher.in_bytes(b"before Jorg and after Mork")
    assert not searcher.in_bytes(b"Jorgen Ase-Mork.") and not searcher.in_bytes(b"Jorg Aselund-Mork.")


def held_in(record: dict[str, Any], *others: str) -> Held:
    return hold_back(record, salt, persons_in([record], others))


@pytest.mark.parametrize(
    ("field", "note", "told"),
    [
        (
            "Zoë Müller",
            unicodedata.normalize("NFD", "Seen by Zoë Müller"),
            "Seen by person 1 (name held back)",
        ),
        (
            unicodedata.normalize("NFD", "Zoë Müller"),
            "Seen by Zoë Müller",
            "Seen by person 1 (name held back)",
        ),
        ("Varrow, Ilse", "Ilse Varrow looked", "person 1 (name held back) looked"),
        ("Ilse Varrow", "Varrow, Ilse; twice", "person 1 (name held back); twice"),
        ("Ilse Varrow, workshop", "ILSE  VARROW", "person 1 (name held back)"),
        ("Ilse Varrow", "log of IlseVarrow.", "log of person 1 (name held back)."),
        ("Ilse Varrow", "see ilse_varrow.txt", "see person 1 (name held back).txt"),
        ("Renée Müller-Šimek", "Renee Muller-Simek (typed)", "person 1 (name held back) (typed)"),
        ("Renée Müller-Šimek", "ää Renee Mueller-Simek öö", "ää person 1 (name held back) öö"),
        ("STRAUSS, Anna", "Anna Strauß", "person 1 (name held back)"),
    ],
)
def test_a_name_in_a_note_is_replaced_however_it_is_written(field: str, note: str, told: str) -> None:
    record = {"people": {"operator": field}, "note": note}
    assert held_in(record).without(record)["note"] == told


@pytest.mark.parametrize(
    ("field", "note", "hints"),
    [
        ("May Stone", "a stone wall; Mrs May came", ["stone", "May"]),
        ("Li", "Li saw it; li is a mile", ["Li"]),
        ("Mr. Ib", "Ib drove", ["Ib"]),
        ("Ilse Varrow", "mail to ivarrow@grauwell.example", ["ivarrow"]),
        ("Ada van der Berg", "der Weg van hier", []),
    ],
)
def test_what_may_hint_at_a_person_is_told_and_not_replaced(field: str, note: str, hints: list[str]) -> None:
    record = {"people": {"operator": field}, "note": note}
    held = held_in(record)
    told = held.without(record)
    assert told["note"] == note
    found = held.hints(told, "here")
    assert [f.position["path"] for f in found] == ["/note"] * len(hints)
    assert all(repr(hint) in f.what for hint, f in zip(hints, found, strict=True))


def test_people_named_elsewhere_in_the_job_are_held_back_too(tmp_path: Path) -> None:
    job = held_job(tmp_path / "job")
    text = (job / "job.toml").read_text()
    text = text.replace(MORE, MORE + 'hold_back_also = ["Ada Quell"]\n')
    note = "Ewan Tressel set the guide; Ada Quell listened; Noemi Harsfell agreed"
    (job / "job.toml").write_text(
        text.replace('title = "Evening', f'condition_note = "{note}"\ntitle = "Evening')
    )
    with (job / "equipment.toml").open("a") as register:
        register.write(
            '[[equipment.service_log]]\nat = "2026-05-01"\nwhat = "Belts."\nby = "Ewan Tressel, workshop"\n'
        )
    (unit,) = wrap(job, tmp_path / "out").units
    assert unit.outcome == "wrapped", [f.what for f in unit.findings if f.severity == "error"]
    package = tmp_path / "out" / unit.package_name
    for path, data in tree(package).items():
        assert not [n for n in (b"Tressel", b"Quell", b"Harsfell", b"Varrow") if n in data], path
    record = json.loads((package / "data/metadata/record.json").read_bytes())
    assert len(record["held_back"]) == 4
    assert ["/condition/condition_note"] in [entry["roles"] for entry in record["held_back"]]


def test_an_identifier_that_tells_a_name_stops_the_transfer(tmp_path: Path) -> None:
    job = held_job(tmp_path / "job")
    for name in ("job.toml", "treatments.csv"):
        (job / name).write_text((job / name).read_text().replace("T01", "ilse-varrow-1"))
    (job / "T01.wav").rename(job / "ilse-varrow-1.wav")
    (unit,) = wrap(job, tmp_path / "out").units
    told = [f.what for f in unit.findings if f.rule == "held-name-in-path" and f.severity == "error"]
    assert unit.outcome == "refused" and len(told) == 2  # the file and the transfer_id, both in one run


@pytest.mark.parametrize(
    ("data", "severity"),
    [(b"PK\x03\x04 a container", "warning"), (b"%PDF-1.7 x", "warning"), (b"\x89PNG x", "note")],
)
def test_what_cannot_be_searched_is_said(tmp_path: Path, data: bytes, severity: str) -> None:
    (unit,) = wrap(held_job(tmp_path / "job", document=data), tmp_path / "out").units
    assert unit.outcome == "wrapped"
    assert [f.severity for f in unit.findings if f.rule == "held-not-searched"] == [severity]


@pytest.mark.parametrize("name", ["(", "a+b*", "\\", "I.V", "张伟", "Ægir Ðormr", "x" * 20000, "A"])
def test_odd_names_are_texts_and_not_patterns(name: str) -> None:
    record = {
        "people": {"operator": name, "client": "C", "transfer_organisation": "T"},
        "note": f"by {name}, ok",
    }
    held = held_in(record)
    told = held.without(record)
    if name in ("(", "\\"):  # no letter, so no name
        assert told == record and held.names == ()
        return
    assert told["people"]["operator"] == held.names[0].label
    whole = len("".join(c for c in name if c.isalnum())) >= 3 or not name.isalnum()
    assert (name in told["note"]) != whole
    assert Searcher(held.watched).in_bytes(f"by {name}, ok".encode()) == whole


def test_client_and_studio_are_named_by_their_own_fields_and_stay() -> None:
    record = {
        "people": {"client": "Mrs Ada Quell", "transfer_organisation": "Grauwell, Marrowick"},
        "custody": {
            "custody_events": [
                {"from": "Ada Quell", "to": "grauwell"},
                {"from": "Mrs  Ada Quell", "to": "X Y"},
                {"from": "Tarnwick Harbour Museum", "to": "x y"},
            ]
        },
    }
    other = {"people": {"client": "Tarnwick Harbour Museum"}}
    held = hold_back(record, salt, persons_in([record, other]))
    assert [name.person.spellings for name in held.names] == [("Ada Quell",), ("X Y", "x y")]
    assert [name.label for name in held.names] == [
        "person or organisation 1 (name held back)",
        "person or organisation 2 (name held back)",
    ]


def test_who_was_at_the_bench_is_known_by_the_lines_of_the_log(tmp_path: Path) -> None:
    """Their names may stand in no field; one word alone may be a role, as in "The desk is by the window"."""
    job = held_job(tmp_path / "job")
    for by in ("Bo Tarn", "desk"):
        line = bench_line(
            "noted", at="2026-06-02T21:00:00+02:00", by=by, through="page", tool_version="1.0.0",
            transfer_id="T01", note="TARN, Bo moved the desk.",
        )  # fmt: skip
        benchlog.append(job / LOG_NAME, line)
    (unit,) = wrap(job, tmp_path / "out").units
    assert unit.outcome == "wrapped", [f.what for f in unit.findings]
    package = tmp_path / "out" / unit.package_name
    assert not [path for path, data in tree(package).items() if b"tarn" in data.lower()]
    record = json.loads((package / "data/metadata/record.json").read_bytes())
    notes = {e["note"] for e in record["processing"]["transfer_events"] if e["type"] == "operator_note"}
    (note,) = notes
    assert re.fullmatch(r"person \d \(name held back\) moved the desk\.", note)
