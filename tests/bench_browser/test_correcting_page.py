"""An error is found in a sealed package: the transfer that replaces it is made on the page, and wrapped."""

from __future__ import annotations

import json
from pathlib import Path

from bench_server.running import running
from playwright.sync_api import expect
from support.benchbrowser import accessibility, browsing, show, sticks_out, too_small, window
from support.benchfull import full, packed

PATIENCE = 120_000


def test_a_sealed_package_is_replaced_from_the_page(tmp_path: Path) -> None:
    made = full(tmp_path)
    with (
        running(made.folder, "--to", str(made.destination), "--by", "Ilse Varrow") as bench,
        browsing() as browser,
        window(browser, bench.opening) as page,
    ):
        packed(bench)
        show(page, "/packages")
        form = page.locator("form[data-correct]")
        expect(form.locator("[data-correct-next]")).to_have_text(
            "Left empty, the next free one is used: T01-2"
        )
        assert accessibility(page) == []
        assert sticks_out(page) <= 0
        assert too_small(page) == []
        form.get_by_label("What is wrong with it").fill("The composer was left out.")
        form.get_by_role("button", name="Make the new transfer").press("Enter")
        page.wait_for_url("**/carrier/T01-2")
        title = page.locator("#f-title")
        expect(title).to_have_value("Wind quintet, side recording")
        title.fill("Wind quintet in D, side recording")
        title.press("Tab")
        expect(page.locator("form[data-field]", has=title).locator("[data-saved]")).to_contain_text("Title")
        show(page, "/packages")
        expect(page.locator("[data-live=replacing]")).to_contain_text("T01-2 will replace T01")
        assert accessibility(page) == []
        ready = page.locator("[data-live=ready]")
        ready.get_by_label("T01-2").check()
        ready.get_by_role("button", name="Wrap those chosen").click()
        expect(page.locator("[data-live=works]")).to_contain_text("1 of 1 wrapped.", timeout=PATIENCE)
        replaced = page.locator("[data-live=sealed]")
        expect(replaced).to_contain_text("T01-2 replaces it, sealed as", timeout=PATIENCE)
        expect(replaced.locator("code")).to_contain_text("superseded --package job-1_t01")
        page.set_viewport_size({"width": 640, "height": 800})
        assert sticks_out(page) == 0
        assert accessibility(page) == []
        # the new one is wrong too: now it is that one which can be replaced
        expect(form.locator("[data-correct-next]")).to_have_text(
            "Left empty, the next free one is used: T01-3"
        )
    records = {
        p.parts[-4]: json.loads(p.read_text()) for p in made.destination.glob("*/data/metadata/record.json")
    }
    old, new = (next(r for r in records.values() if r["transfer_id"] == one) for one in ("T01", "T01-2"))
    assert new["supersedes"]["record_id"] == old["record_id"]
    assert new["supersedes"]["reason"] == "The composer was left out."
    assert new["item"]["title"] == "Wind quintet in D, side recording"
    assert new["audio_sha256"] == old["audio_sha256"]
