"""The whole evening: one job folder, the program in a process of its own, a browser, and what stands on disk
afterwards. Two tapes run side by side; the program is killed in the middle of both."""

from __future__ import annotations

import json
import os
import re
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect
from support.benchafter import CHAINS, MACHINES
from support.benchbrowser import browsing, fill_treatment, show, window
from support.benchevening import FILES, Evening, capture, judge_from_outside
from support.jobs import EQUIPMENT, JOB

from provpack.synth.photo import Picture, draw

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and ports as POSIX has them")

PATIENCE = 60_000


@pytest.fixture
def evening(tmp_path: Path) -> Iterator[Evening]:
    job = tmp_path / "job"
    for name in ("captures/one", "captures/two"):
        (job / name).mkdir(parents=True)
    (job / "job.toml").write_text(JOB.format(minutes=60) + CHAINS, encoding="utf-8")
    (job / "equipment.toml").write_text(EQUIPMENT + MACHINES, encoding="utf-8")
    one = Evening(job, tmp_path / "packages")
    with one.stack:
        browser = one.stack.enter_context(browsing())
        one.begin()
        assert one.bench is not None
        one.page = one.stack.enter_context(window(browser, one.bench.opening))
        yield one


def test_the_whole_evening(evening: Evening) -> None:
    take_in(evening)
    describe(evening)
    start(evening, "K-0411", 1)
    start(evening, "K-0412", 2)
    assert lane(evening, 1).locator(".clock").count() == lane(evening, 2).locator(".clock").count() == 1
    log_the_first_half(evening)
    kill_and_open_again(evening)
    log_the_second_half(evening)
    stop(evening, "K-0411", 1)
    stop(evening, "K-0412", 2)
    for transfer_id in FILES:
        capture(evening, transfer_id)
    offer_the_crossed_file(evening)
    attach_measure_and_accept(evening, "K-0411")
    attach_measure_and_accept(evening, "K-0412")
    seal_and_verify(evening)
    judge_from_outside(evening)


# -- carriers ------------------------------------------------------------------------------------------------
def take_in(evening: Evening) -> None:
    """A scanner types each code at once and presses Enter, and waits for nothing."""
    page = evening.page
    expect(page.locator("#take-in")).to_be_focused()
    for code in ("K-0411", "K-0412", "K-0413", "K-0414"):
        page.keyboard.type(code)
        page.keyboard.press("Enter")
    expect(page.locator(".carrier-row")).to_have_count(4)
    taken = [entry["transfer_id"] for entry in evening.log if entry["kind"] == "taken_in"]
    assert taken == ["K-0411", "K-0412", "K-0413", "K-0414"]


def describe(evening: Evening) -> None:
    page = evening.page
    for number, title in ((1, "Wind quintet"), (2, "Nocturne"), (3, "Harbour songs"), (4, "String trio")):
        transfer_id = f"K-041{number}"
        show(page, f"/carrier/{transfer_id}")
        fill(page, "title", title)
        fill(page, "client_item_id", f"ACA-{number}")
        fill(page, "label_transcription", f"{title}  side {number}\n[pencil:] copy")
        page.locator("#f-condition_terms-dust").check()
        expect(page.locator("[data-live=f-condition_terms] .origin")).to_contain_text("by Ilse Varrow")
    show(page, "/carrier/K-0413")
    page.locator("#f-condition_terms-mould_suspected").check()
    expect(page.locator("[data-live=mould]")).to_contain_text("specialists")
    show(page, "/carrier/K-0411")
    picture = draw(Picture(view="cassette", card="K-0411", lines=("WIND QUINTET",)))
    photo = {"name": "front.png", "mimeType": "image/png", "buffer": picture}
    page.locator("#photo-condition_photos").set_input_files(photo)
    expect(page.locator("[data-live=photos-condition_photos] img")).to_have_count(1)
    add = page.locator("#f-treatments-add")
    add.locator("summary").click()
    fill_treatment(add)
    expect(page.locator("[data-live=f-treatments] form[data-row='0']")).to_have_count(1)
    choose(page, "tape_emphasis", "mixed")
    choose(page, "outcome", "complete")
    show(page, "/carrier/K-0412")
    choose(page, "line_standard", "525_5994")
    choose(page, "outcome", "complete")
    show(page, "/receipt")
    receipt = page.locator("main").text_content()
    for said in ("K-0411", "K-0412", "K-0413", "K-0414", "Wind quintet  side 1", "4 carriers"):
        assert said in receipt


def fill(page: Any, name: str, text: str) -> None:
    """Type and go on, and wait for nothing: what was typed is written down in its turn."""
    page.locator(f"#f-{name}").fill(text)
    page.keyboard.press("Tab")


def choose(page: Any, name: str, word: str) -> None:
    """In one of the parts that are folded away."""
    field = page.locator(f"#f-{name}")
    if not field.is_visible():
        page.locator("details", has=field).last.locator("summary").first.click()
    field.select_option(json.dumps(word))
    expect(page.locator(f"[data-live=f-{name}] .origin")).to_contain_text("by Ilse Varrow")


# -- two chains ----------------------------------------------------------------------------------------------
def lane(evening: Evening, number: int) -> Any:
    return evening.page.locator(f"#lane-{number}")


def start(evening: Evening, transfer_id: str, number: int) -> None:
    if not evening.page.url.endswith("/chains"):
        show(evening.page, "/chains")
    here = lane(evening, number)
    here.locator("[data-carrier]").select_option(transfer_id)
    for box in here.locator("[data-looked]").all():
        box.check()
    before = time.time()
    here.get_by_role("button", name="Start chain").click()
    here.locator(".clock").wait_for()
    evening.ran[transfer_id] = [(before, time.time())]
    assert evening.log[-1]["kind"] == "pass_started"
    assert evening.log[-1]["transfer_id"] == transfer_id


def key(evening: Evening, number: int, letter: str, kind: str) -> None:
    """One key, after the digit of its chain."""
    evening.page.keyboard.press(str(number))
    happens(evening, number, kind, lambda: evening.page.keyboard.press(letter))


def click(evening: Evening, number: int, words: str, kind: str) -> None:
    button = lane(evening, number).get_by_role("button", name=words)
    happens(evening, number, kind, button.click)


def note(evening: Evening, number: int, text: str) -> None:
    evening.page.keyboard.press(str(number))
    evening.page.keyboard.press("n")
    evening.page.keyboard.type(text)
    happens(evening, number, "operator_note", lambda: evening.page.keyboard.press("Enter"), text)
    evening.page.locator("h1").click()  # keys are keys again only outside the text field


def happens(evening: Evening, number: int, kind: str, press: Any, text: str = "") -> None:
    """Press; wait until the page says it stands there; then it must stand on the disk."""
    here, began = lane(evening, number), time.time()
    said = here.locator(".log h3")
    before = int(said.inner_text().rpartition(":")[2])
    press()
    expect(said).to_have_text(f"Written down in this pass: {before + 1}")
    evening.pressed.append((f"K-041{number}", kind, text, (began, time.time())))
    last = evening.log[-1]
    assert (last["kind"], last["transfer_id"], last["type"]) == ("event", f"K-041{number}", kind)


def log_the_first_half(evening: Evening) -> None:
    key(evening, 1, "b", "programme_start")
    key(evening, 2, "f", "mode_14")
    click(evening, 1, "Emphasis on", "emphasis_on")
    click(evening, 2, "Signal lost", "unlock")
    key(evening, 2, "r", "relock")
    key(evening, 1, "e", "error_lamp")
    note(evening, 1, "Crackle left, m 2 n")
    click(evening, 2, "Programme begins", "programme_start")
    key(evening, 1, "h", "hold")
    lane(evening, 1).locator("[data-acts]").get_by_role("button", name="Take it back").click()
    expect(lane(evening, 1).locator(".log h3")).to_have_text("Written down in this pass: 4")
    assert evening.log[-1]["kind"] == "taken_back"
    key(evening, 2, "i", "interpolation_seen")
    key(evening, 1, "m", "mute")


def log_the_second_half(evening: Evening) -> None:
    key(evening, 1, "o", "emphasis_off")
    click(evening, 2, "Silence", "silence")
    key(evening, 2, "t", "tracking_adjust")
    click(evening, 1, "Spoken slate", "speech_slate")
    note(evening, 2, "Hum, 50 Hz")
    key(evening, 2, "j", "join")
    click(evening, 1, "Join", "join")
    key(evening, 1, "d", "programme_end")
    key(evening, 2, "d", "programme_end")
    assert len(evening.pressed) == 20


def kill_and_open_again(evening: Evening) -> None:
    page, bench = evening.page, evening.bench
    assert bench is not None
    before = evening.log
    bench.process.send_signal(signal.SIGKILL)
    bench.process.wait(10)
    page.locator("[data-lost]").wait_for()
    page.keyboard.press("1")
    page.keyboard.press("u")  # nobody is there to write it down, and the page says so
    expect(lane(evening, 1).locator(".refused")).to_contain_text(re.compile("not (written down|logged)"))
    evening.begin()
    assert evening.bench is not None
    evening.bench.until_said("Pass 1 of K-0411 runs on chain A")
    evening.bench.until_said("Pass 1 of K-0412 runs on chain B")
    assert evening.log == before
    page.goto(evening.bench.opening)
    show(page, "/chains")
    for number, count in ((1, 5), (2, 5)):
        expect(lane(evening, number).locator(".log h3")).to_have_text(f"Written down in this pass: {count}")
        expect(lane(evening, number).locator(".clock")).to_be_visible()


def stop(evening: Evening, transfer_id: str, number: int) -> None:
    page = evening.page
    page.keyboard.press(str(number))
    page.keyboard.press("z")
    page.locator(f"#outcome-{number}").select_option("complete")
    before = time.time()
    lane(evening, number).get_by_role("button", name="Stop chain").click()
    lane(evening, number).locator(".start").wait_for()
    evening.ran[transfer_id].append((before, time.time()))
    assert evening.log[-1]["kind"] == "pass_stopped"


# -- files ---------------------------------------------------------------------------------------------------
def offer_the_crossed_file(evening: Evening) -> None:
    """The file of chain A, offered to the pass on chain B: the page shows why not, and asks for a reason."""
    page, wrong = evening.page, FILES["K-0411"]
    show(page, "/after/K-0412/1")
    other = page.locator("article", has=page.get_by_role("heading", name=wrong))
    mine = page.locator("article", has=page.get_by_role("heading", name=FILES["K-0412"]))
    mine.get_by_role("button", name="Attach", exact=True).wait_for()  # both have settled
    expect(other).to_contain_text("Capture input: does not agree")
    expect(other.get_by_role("link", name="K-0411, pass 1, on chain A")).to_be_visible()
    assert other.get_by_role("button", name="Attach", exact=True).count() == 0
    before = len(evening.log)
    other.locator("summary", has_text="Attach all the same").click()
    other.get_by_role("button", name="Attach all the same").click()
    assert page.evaluate("document.activeElement.matches('textarea:invalid')")  # a reason has to be given
    ask = (
        "file => bench.act('file_attached', {transfer_id: 'K-0412', pass: 1, file}).then(() => 'written',"
        " problem => problem.what)"
    )
    refusal = page.evaluate(ask, wrong)
    until = time.monotonic() + 20
    while "chain A" not in refusal and time.monotonic() < until:  # it was looked at only once so far
        page.wait_for_timeout(500)
        refusal = page.evaluate(ask, wrong)
    assert "is not attached to pass 1 of K-0412" in refusal and "chain A" in refusal
    assert len(evening.log) == before


def attach_measure_and_accept(evening: Evening, transfer_id: str) -> None:
    page, name = evening.page, FILES[transfer_id]
    show(page, f"/after/{transfer_id}/1")
    mine = page.locator("article", has=page.get_by_role("heading", name=name))
    mine.get_by_role("button", name="Attach", exact=True).click()
    expect(page.get_by_role("heading", name=f"{name} is attached")).to_be_visible()
    page.locator("figure > svg").wait_for(timeout=PATIENCE)  # measured in the background, by itself
    table = page.get_by_role("table", name="Declared beside measured")
    expect(table).to_be_visible()
    expect(table.locator("tr", has_text="Bits per sample")).to_contain_text("agree")
    page.locator("#events summary").click()
    logged = [kind for owner, kind, _, _ in evening.pressed if owner == transfer_id and kind != "hold"]
    expect(page.locator("#events tbody tr")).to_have_count(len(logged))
    short = page.locator(".finding", has=page.locator("code", has_text="rec-too-short"))
    short.locator("summary").click()
    short.get_by_label("Why it may stay as it is").fill("The rest of the tape is blank.")
    short.get_by_role("button", name="Put the explanation into the record").click()
    expect(short).to_contain_text("The rest of the tape is blank.")
    page.get_by_label("Your note on it").fill("heard through")
    page.get_by_role("button", name="Accept the pass").click()
    expect(page.locator(".decided")).to_contain_text("accepted")


# -- packages ------------------------------------------------------------------------------------------------
def seal_and_verify(evening: Evening) -> None:
    page = evening.page
    show(page, "/packages")
    ready = page.locator("[data-live=ready]")
    expect(ready.get_by_role("checkbox")).to_have_count(2)
    ready.get_by_role("button", name="Choose all").click()
    ready.get_by_role("button", name="Wrap those chosen").click()
    expect(page.locator("[data-live=works]")).to_contain_text("2 of 2 wrapped.", timeout=PATIENCE)
    sealed = page.locator("[data-live=sealed]")
    expect(sealed.get_by_role("checkbox")).to_have_count(2)
    sealed.get_by_role("button", name="Choose all").click()
    sealed.get_by_role("button", name="Verify those chosen").click()
    expect(page.locator("[data-live=works]")).to_contain_text("Verified: 2 ", timeout=PATIENCE)
