"""What `catalogue` says of a harvest, of what was found, and of what it knows."""

from __future__ import annotations

import re
from typing import Any

import pytest

from provpack.catalogue.values import Listed
from provpack.findings import Finding
from provpack.jobs.harvest import HarvestResult
from provpack.jobs.harvestlook import Answered, Hit, Hits, Known
from provpack.report.text_catalogue import catalogue_lines


def told(**asked: Any) -> list[str]:
    return list(
        catalogue_lines(Answered(action="x", shown="/c.sqlite", engine="SQLite", version="7", **asked))
    )


def test_a_harvest_without_anything_odd_says_no_more_than_it_did() -> None:
    said = told(harvest=HarvestResult(roots=["/store"], packages=1, ledgers=2))
    assert said[:3] == [
        "Looked at /store",
        "Catalogue /c.sqlite: 1 package taken in",
        "  2 custody ledgers read",
    ]
    assert said[3] == "no findings." and len(said) == 6


def test_everything_odd_about_a_harvest_is_told() -> None:
    done = HarvestResult(
        roots=["/a"],
        away=["/b"],
        packages=9,
        unchanged=1,
        gone=2,
        incomplete=3,
        not_whole=4,
        ledgers=1,
        broken=1,
    )
    assert told(harvest=done)[:8] == [
        "Looked at /a",
        "NOT THERE: /b; what is known of it was kept",
        "Catalogue /c.sqlite: 9 packages taken in",
        "  1 package known and unchanged, not read again",
        "  2 packages not there any more",
        "  of 3 packages not everything could be read",
        "  of 4 packages PAYLOAD FILES are not there, or of another size",
        "  1 custody ledger read, 1 of them BROKEN",
    ]


def test_findings_of_a_harvest_come_first() -> None:
    found = Finding(
        rule="x", severity="warning", what="It is cut short.", where="/store/a", todo="Look at it."
    )
    said = told(harvest=HarvestResult(roots=["/store"], findings=[found]))
    assert said[0] == "WARNING /store/a" and said.index("") < said.index("Looked at /store")
    assert "1 warning." in said


def hit(file: str = "", **more: Any) -> Hit:
    made: dict[str, Any] = {
        "id": 1, "place": "/store/j_t1", "place_base64": None, "storage": "folder", "name": "j_t1",
        "client": None, "job_id": None, "transfer_id": None, "title": None, "carrier_id": None,
        "transferred_at": None, "payload_bytes": None, "last_checked_at": None, "last_outcome": None,
        "last_depth": None, "checks": 0, "once_bad": False, "gone": False,
    }  # fmt: skip
    return Hit(package=Listed(**{**made, **more}), file=file)


@pytest.mark.parametrize(
    ("more", "check"),
    [
        ({}, "never"),
        ({"once_bad": True}, "never (once bad)"),
        ({"last_checked_at": "2031-04-01T10:00:00Z", "last_outcome": "good"}, "2031-04-01 good"),
        ({"last_checked_at": "2031-04-01T10:00:00Z", "last_outcome": None}, "2031-04-01 ?"),
        (
            {"last_checked_at": "2031-04-01T10:00:00Z", "last_outcome": "good", "once_bad": True},
            "2031-04-01 good (once bad)",
        ),
        (
            {"last_checked_at": "2031-04-01T10:00:00Z", "last_outcome": "bad", "once_bad": True},
            "2031-04-01 bad",
        ),
    ],
)
def test_the_last_check_of_what_was_found(more: dict[str, Any], check: str) -> None:
    row = told(found=Hits(total=1, hits=(hit(**more),)))[1]
    assert re.split(" {2,}", row) == ["j_t1", "?", check, "/store/j_t1"]


def test_what_was_found_is_cut_to_its_column_and_counted() -> None:
    long = hit(
        "data/a.wav", title="An evening of songs and other pieces", client="Harbour\nMuseum", gone=True
    )
    head, row, file, gap, count = told(found=Hits(total=5, hits=(long,), more=True))
    assert head.split() == ["Title", "Client", "Last", "check", "Place"]
    assert row.startswith("An evening of songs and other p…  Harbour Museum ")
    assert row.endswith("/store/j_t1 (NOT THERE when last looked)")
    assert (file, gap) == ("    file data/a.wav", "")
    assert count == "At least 5 packages found, the first 1 are told (--limit 0: all)."
    assert told(found=Hits(total=1, hits=(hit(),)))[-1] == "1 package found."
    (nothing,) = told(found=Hits(total=0, hits=()))
    assert nothing.startswith("Nothing was found.")


@pytest.mark.parametrize(
    ("days", "ago"), [(None, ""), (0, " (today)"), (1, " (1 day ago)"), (9, " (9 days ago)")]
)
def test_what_the_catalogue_knows(days: int | None, ago: str) -> None:
    known = Known(size={"packages": 1204}, roots=(("/store", "2031-03-01T02:00:00Z", days), ("/b", "", None)))
    said = told(known=known)
    assert said[0] == "Catalogue /c.sqlite (SQLite, version 7)"
    assert said[1] == "  packages          1 204"
    assert f"  2031-03-01{ago}  /store" in said and "  never       /b" in said
    assert "No root was looked at yet." in told(known=Known(size={}, roots=()))
