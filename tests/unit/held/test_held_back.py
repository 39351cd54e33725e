"""Names held back: nowhere in the package, roles kept, the record with names and its proof in the studio."""

from __future__ import annotations

import hashlib
import json
import stat
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from support.jobs import make_job, tree, wav, wrap

from provpack.edge.schemas import validate
from provpack.jobs.heldfiles import STUDIO_FOLDER
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verify import verify_paths
from provpack.jobs.wrapped import Wishes
from provpack.package.heldback import findings_in_bytes, left_over, names_in, without

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
    page = (tmp_path / "out" / unit.package_name / "data/report/index.html").read_text()
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


def test_part_of_a_name_is_told_and_not_replaced() -> None:
    record: dict[str, Any] = {"people": {"operator": "May Stone"}, "note": "a stone wall; Mrs May came"}
    names = names_in(record, salt)
    told = without(names, record)
    assert told["note"] == record["note"]
    assert list(left_over(names, told)) == [("/note", "stone")]  # three letters are too common to be told


@pytest.mark.parametrize("name", ["(", "a+b*", "\\", "I.V", "张伟", "Ægir Ðormr", "x" * 20000, "A"])
def test_odd_names_are_texts_and_not_patterns(name: str) -> None:
    record = {
        "people": {"operator": name, "client": "C", "transfer_organisation": "T"},
        "note": f"by {name}, ok",
    }
    names = names_in(record, salt)
    told = without(names, record)
    assert told["people"]["operator"] == names[0].label
    assert (name in told["note"]) == (len(name) < 3)  # too short to be looked for inside other texts
    assert findings_in_bytes(names, f"by {name}, ok".encode(), "x", "y") or len(name) < 3


def test_client_and_studio_are_named_by_their_own_fields_and_stay() -> None:
    record = {
        "people": {"client": "Mrs Ada Quell", "transfer_organisation": "Grauwell"},
        "custody": {
            "custody_events": [
                {"from": "Ada Quell", "to": "grauwell"},
                {"from": "Mrs  Ada Quell", "to": "X Y"},
            ]
        },
    }
    assert [held.spellings for held in names_in(record, salt)] == [("Ada Quell",), ("X Y",)]
