"""Two ways of a transfer that are seldom gone, from the page to the sealed package: a master put together by
hand from two passes, and a package in which the names of persons are held back."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

from bench_server.running import running
from playwright.sync_api import expect
from support.benchafter import RATE, SECONDS, A, Finished
from support.benchbrowser import browsing, show, window
from support.jobs import samples, wav

PATIENCE = 120_000
FRAME = 4  # 16 bits, two channels
SECOND = "captures/one/a-again.wav"


@contextmanager
def opened(made: Finished, *, by: str = "Ilse Varrow") -> Iterator[Any]:
    with (
        running(made.folder, "--to", str(made.destination), "--by", by) as bench,
        browsing() as browser,
        window(browser, bench.opening) as page,
    ):
        yield page


def played_twice(folder: Path) -> tuple[Finished, bytes]:
    """T01 was played twice on chain A, each pass with its file: the first lost half a second, the second ends
    early. Gives the sound of the tape too."""
    made, tape = Finished(folder), samples(SECONDS * RATE, 1)
    keep(made, A, lost(tape, 6 * RATE, RATE // 2), (made.folder / A).stat().st_mtime)
    made.attach("T01", A)
    made.act("judged", transfer_id="T01", **{"pass": 1}, verdict="accepted", note="but for one loss")
    settings = made.desk.settings("A")
    made.act("pass_started", transfer_id="T01", chain_id="A", settings=settings, reason="the loss at 6 s")
    made.act("event", after=6, transfer_id="T01", type="tracking_adjust")
    made.at += timedelta(seconds=3)
    keep(made, SECOND, tape[: FRAME * 9 * RATE], made.at.timestamp())
    made.act("pass_stopped", transfer_id="T01", outcome="partial")
    made.at += timedelta(minutes=5)
    made.act(
        "file_attached", transfer_id="T01", file=SECOND, **{"pass": 2}, attached_by="person", reason="heard"
    )
    return made, tape


def keep(made: Finished, name: str, sound: bytes, closed: float) -> None:
    path = made.folder / name
    path.write_bytes(wav(sound))
    os.utime(path, (closed, closed))


def lost(sound: bytes, start: int, length: int) -> bytes:
    return sound[: FRAME * start] + bytes(FRAME * length) + sound[FRAME * (start + length) :]


def row(page: Any, field: str, **cells: str) -> None:
    """Write one row of a list down, and wait until the page shows it."""
    rows = page.locator(f"[data-live=f-{field}] form.row")
    before = rows.count()
    page.locator(f"#f-{field}-add").evaluate("one => { one.open = true; }")
    add = page.locator(f"#f-{field}-add form")
    for name, text in cells.items():
        add.locator(f"[name={name}]").fill(text)
    add.locator("[type=submit]").click()
    expect(rows).to_have_count(before + 1)


def wrapped(page: Any, transfer_id: str) -> None:
    """Wrap and verify from the page."""
    show(page, "/packages")
    ready = page.locator("[data-live=ready]")
    ready.get_by_label(transfer_id).check()
    ready.get_by_role("button", name="Wrap those chosen").click()
    works = page.locator("[data-live=works]")
    expect(works).to_contain_text("1 of 1 wrapped.", timeout=PATIENCE)
    sealed = page.locator("[data-live=sealed]")
    sealed.get_by_label(transfer_id).check()
    sealed.get_by_role("button", name="Verify those chosen").click()
    expect(sealed).to_contain_text("good (every byte)", timeout=PATIENCE)


def test_an_assembly_by_hand(tmp_path: Path) -> None:
    made, tape = played_twice(tmp_path)
    join, back, end = 5 * RATE, 7 * RATE, SECONDS * RATE
    with opened(made) as page:
        show(page, "/carrier/T01")
        page.locator("#section-processing").evaluate("one => { one.open = true; }")
        for n, start, stop in ((1, "0", "0:00:05"), (2, str(join), "0:00:07"), (1, str(back), str(end))):
            row(page, "assembly", pass_n=str(n), source_start=start, source_end=stop, target_start=start,
                target_end=stop)  # fmt: skip
        wrapped(page, "T01")
    (path,) = made.destination.glob("*/data/metadata/record.json")
    record: dict[str, Any] = json.loads(path.read_bytes())
    processing = record["processing"]
    parts = [
        (p["pass_n"], p["source_start"], p["source_end"], p["target_start"]) for p in processing["assembly"]
    ]
    assert parts == [(1, 0, join, 0), (2, join, back, join), (1, back, end, back)]
    assert [(p["file"], p["outcome"]) for p in processing["passes"]] == [(A, "complete"), (SECOND, "partial")]
    assert processing["passes"][1]["reason"] == "the loss at 6 s"
    placed = {e["type"]: (e["frame"], e["note"]) for e in processing["transfer_events"]}
    assert placed == {
        "mute": (2 * RATE, "both sides; pass 1"), "error_lamp": (4 * RATE, "pass 1"),
        "hold": (None, "pass 1, not in the assembled file"), "tracking_adjust": (6 * RATE, "pass 2"),
    }  # fmt: skip
    # nothing of the tape is missing: the sound is that of an undisturbed playing, bit for bit
    assert record["audio_sha256"] == hashlib.sha256(tape).hexdigest()
    kept = sorted(f["original_name"] for f in record["files"] if f["role"] == "pass")
    assert kept == [SECOND, A]


def test_names_held_back(tmp_path: Path) -> None:
    """Of somebody in a field, in a row of a list, named by hand, in a note; and of who sat at the page."""
    made = Finished(tmp_path)
    made.attach("T01", A)
    with opened(made, by="Bo Tarn") as page:
        show(page, "/machines")
        page.locator("main details").evaluate_all("all => all.forEach((one) => { one.open = true; })")
        page.locator("#f-hold_back_names").select_option("true")
        page.locator("#f-hold_back_also").fill("Ewan Tressel")
        page.keyboard.press("Tab")
        for field in ("hold_back_names", "hold_back_also"):
            expect(page.locator(f"[data-live=f-{field}] .origin")).to_contain_text("said here")
        show(page, "/after/T01/1")
        page.locator("#verdict-note").fill("Ewan Tressel heard it, and Bo Tarn too.")
        page.get_by_role("button", name="Accept the pass").click()
        expect(page.locator(".decided")).to_contain_text("Bo Tarn")
        show(page, "/carrier/T01")
        row(
            page,
            "custody_events",
            **{"from": "Odo Fenwright", "to": "Grauwell Transfer Room", "at": "2026-05-30"},
        )
        wrapped(page, "T01")
    (package,) = (path.parent for path in made.destination.glob("*/bagit.txt"))
    names = re.compile(rb"varrow|tarn|tressel|fenwright", re.IGNORECASE)
    found = {p.name: names.findall(p.read_bytes()) for p in package.rglob("*") if p.is_file()}
    assert len(found) > 10 and not any(found.values()), found
    record = json.loads((package / "data/metadata/record.json").read_bytes())
    held = {tuple(one["roles"]): one["label"] for one in record["held_back"]}
    note = ("/processing/passes/0/note",)
    assert set(held) == {("/people/operator",), ("/custody/custody_events/0/from",), note}
    (one,) = record["processing"]["passes"]
    assert re.fullmatch(
        r"Accepted: person (\d) \(name held back\) heard it, and person (?!\1)\d \(.*\) too\.", one["note"]
    )
    (kept,) = (made.destination / "studio-only").rglob("*.json")
    whole = json.loads(kept.read_bytes())
    assert "Bo Tarn" in json.dumps(whole) and "Ewan Tressel" in json.dumps(whole)
