"""The chains page in a browser: what it shows, what a key does, what it says when nothing was written down.

The pages come from a desk over a small job through a tiny server; the program's own server has its own tests.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect
from support.benchbrowser import accessibility, browsing, in_step, sticks_out, too_small
from support.benchjob import JOB, World, evening, world
from support.benchstill import Still, served

from provpack.errors import ProvpackError
from provpack.jobs.benchview_chains import chains_view
from provpack.report.bench_pages import Frame, page

WINDOWS = {
    "desk": {"viewport": {"width": 1280, "height": 800}},
    "desk in the dark": {"viewport": {"width": 1280, "height": 800}, "color_scheme": "dark"},
    "tablet": {"viewport": {"width": 1024, "height": 768}},
    "tablet upright": {"viewport": {"width": 768, "height": 1024}},
    # WCAG 2.2, 1.4.4 and 1.4.10: 200 % zoom of a 1280 x 800 window is a window of half the CSS pixels
    "desk at 200 %": {"viewport": {"width": 640, "height": 400}},
}
Open = Callable[..., Any]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browsing() as one:
        yield one


def still_of(made: World) -> Still:
    """A server whose acts go to the desk."""
    lock = threading.Lock()

    def html() -> str:
        with lock:
            view = chains_view(made.desk, made.info)
            frame = Frame(
                token="page-token", title="Chains", path="/chains", by=made.info.by, job="GTR-2026-044",
                n=made.desk.state.n, now=made.now[0].isoformat(),
            )  # fmt: skip
            return page("chains", view, frame=frame)

    def answer(body: dict[str, Any]) -> tuple[int, dict[str, Any]]:
        try:
            with lock:
                acted = made.act(body["kind"], **body["members"])
        except ProvpackError as problem:
            return 422, {"code": problem.code, "what": problem.what, "todo": problem.todo}
        still.tell(acted.entry["n"])
        return 200, {
            "n": acted.entry["n"], "at": acted.entry["at"], "words": acted.words, "undo": acted.undo,
        }  # fmt: skip

    still = Still(pages={"/chains": html}, answer=answer, n=made.desk.state.n)
    return still


@pytest.fixture
def opened(browser: Any) -> Iterator[Open]:
    """opened(world, **window) -> a page in a new window; several windows of one world share its server."""
    with ExitStack() as stack:
        stills: dict[int, Still] = {}
        troubles: list[str] = []

        def open_one(made: World, **window: Any) -> Any:
            if id(made) not in stills:
                stills[id(made)] = stack.enter_context(served(still_of(made)))
            context = browser.new_context(**(window or WINDOWS["desk"]))
            stack.callback(context.close)
            context.set_default_timeout(8000)
            one = context.new_page()
            one.on("pageerror", lambda error: troubles.append(str(error)))
            one.on("console", lambda said: troubles.append(said.text) if "Security" in said.text else None)
            one.goto(stills[id(made)].address + "/chains")
            in_step(one)
            one.still = stills[id(made)]
            return one

        yield open_one
        assert troubles == []


def no_chain(folder: Path) -> World:
    return world(folder, job=JOB.partition("[[chain]]")[0], carriers=False)


@pytest.mark.parametrize("window", WINDOWS)
@pytest.mark.parametrize("made", [lambda f: evening(world(f)), no_chain], ids=["evening", "nothing yet"])
def test_every_window_can_be_used(
    window: str, made: Callable[[Path], World], opened: Open, tmp_path: Path
) -> None:
    one = opened(made(tmp_path), **WINDOWS[window])
    assert accessibility(one) == []  # axe-core, all its rules
    assert too_small(one) == []
    assert sticks_out(one) == 0


def test_darker_is_dark_at_once_and_is_remembered(opened: Open, tmp_path: Path) -> None:
    one = opened(evening(world(tmp_path)))
    one.get_by_role("switch", name="Darker").click()
    assert accessibility(one) == []
    one.reload()
    shade = "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)"
    assert max(one.evaluate(shade)) < 40
    assert one.get_by_role("switch", name="Darker").get_attribute("aria-checked") == "true"


def test_a_key_logs_on_the_chain_that_has_the_keys_and_says_so(opened: Open, tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    made.start("T03", "B")
    one = opened(made)
    before = made.desk.state.n
    one.keyboard.press("2")
    assert one.locator("[data-lane-which]").inner_text() == "chain B"
    one.keyboard.press("m")
    one.locator("#lane-2 .tick").wait_for()
    assert made.desk.state.n == before + 1
    last = made.desk.state.entries[-1]
    assert (last["kind"], last["transfer_id"], last["type"]) == ("event", "T03", "mute")
    assert "21:28:55" in one.locator("#lane-2 [data-acts]").inner_text()
    one.locator("#lane-2 .log li", has_text="Sound muted").wait_for()
    assert one.locator("#lane-1 .tick").count() == 0
    expect(one.locator("[data-say]")).to_contain_text("mute")


def test_take_it_back_in_the_lane(opened: Open, tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    one = opened(made)
    one.keyboard.press("m")
    expect(one.locator("#lane-1 .log h3")).to_have_text("Written down in this pass: 11")
    one.locator("#lane-1 [data-acts]").get_by_role("button", name="Take it back").click()
    expect(one.locator("#lane-1 .log h3")).to_have_text("Written down in this pass: 10")
    assert made.desk.state.entries[-1]["kind"] == "taken_back"


def test_it_happened_earlier(opened: Open, tmp_path: Path) -> None:
    made, began = evening(world(tmp_path)), time.monotonic()
    one = opened(made)
    one.keyboard.press("-")
    one.keyboard.press("-")
    assert one.locator("#ago-1").input_value() == "10"
    one.keyboard.press("h")
    one.locator("#lane-1 .tick").wait_for()
    event = made.desk.state.entries[-1]
    assert event["type"] == "hold"
    # 21:28:55 by the desk's clock, less ten, and for as long as the window's own went on from there
    late = datetime.fromisoformat(event["happened_at"]) - datetime.fromisoformat("2026-06-12T21:28:45+02:00")
    assert 0 <= late.total_seconds() < time.monotonic() - began + 1
    expect(one.locator("#ago-1")).to_have_value("0")


def test_keys_are_letters_while_a_text_is_typed_and_none_when_off(opened: Open, tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    one = opened(made)
    before = made.desk.state.n
    one.keyboard.press("n")
    one.keyboard.type("hum 12 m")
    assert one.locator("#note-1").input_value() == "hum 12 m"
    one.keyboard.press("Enter")
    one.locator("#lane-1 .log li", has_text="hum 12 m").wait_for()
    one.get_by_role("switch", name="Keys").click()
    one.keyboard.press("m")
    one.keyboard.press("2")
    assert one.locator("[data-lane-which]").inner_text() == "chain A"
    assert made.desk.state.n == before + 1


def test_a_refusal_stands_beside_its_button(opened: Open, tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    one = opened(made)
    one.locator("#set-2-deck summary").click()
    one.locator("#set-2-deck-deck_id").select_option("DECK-1")
    stands = one.locator("#lane-2 [data-setting=deck_id]")
    assert "changed here; it was: DECK-2" in stands.inner_text()
    one.locator("#carrier-2").select_option("T03")
    for box in one.locator("#lane-2 [data-looked]").all():
        box.check()
    one.locator("#lane-2").get_by_role("button", name="Start chain B").click()
    alert = one.locator("#lane-2 .start-what + .refused, #lane-2 .start .refused").first
    alert.wait_for()
    assert "DECK-1" in alert.inner_text() and alert.get_attribute("role") == "alert"
    assert one.locator("#carrier-2").input_value() == "T03"
    assert accessibility(one) == []


def test_nothing_is_ticked_before_and_a_start_needs_every_group_looked_at(
    opened: Open, tmp_path: Path
) -> None:
    made = evening(world(tmp_path))
    one = opened(made)
    boxes = one.locator("#lane-2 [data-looked]")
    assert boxes.count() == 4 and not any(box.is_checked() for box in boxes.all())
    before = made.desk.state.n
    one.locator("#carrier-2").select_option("T03")
    start = one.locator("#lane-2").get_by_role("button", name="Start chain B")
    start.click()
    assert made.desk.state.n == before
    for box in boxes.all():
        box.check()
    start.click()
    one.locator("#lane-2 .clock").wait_for()
    entry = made.desk.state.entries[-1]
    assert entry["kind"] == "pass_started" and entry["changed"] == []
    assert entry["settings"]["picture_processing"] == ["tbc"]
    assert entry["settings"]["capture_word_length"] == 16
    assert accessibility(one) == []


def test_a_value_changed_after_looking_has_to_be_looked_at_again(opened: Open, tmp_path: Path) -> None:
    one = opened(evening(world(tmp_path)))
    looked = one.locator("#lane-2 [data-looked]").nth(1)
    looked.check()
    one.locator("#set-2-decoder summary").click()
    one.locator("#set-2-decoder-decoder_mode").select_option('"16"')
    assert not looked.is_checked()


def test_a_pass_is_stopped_with_an_outcome(opened: Open, tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    one = opened(made)
    one.keyboard.press("z")
    one.locator("#outcome-1").select_option("partial")
    one.get_by_label("Note", exact=True).fill("Tape ends in a crease.")
    one.get_by_role("button", name="Stop chain A").click()
    one.locator("#lane-1 .start").wait_for()
    entry = made.desk.state.entries[-1]
    assert (entry["outcome"], entry["note"]) == ("partial", "Tape ends in a crease.")
    assert "Part of it" in one.locator("#lane-1 .last-pass").inner_text()


def test_two_windows_stay_in_step_and_no_typing_is_lost(opened: Open, tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    one, other = opened(made), opened(made)
    other.locator("#note-1").fill("half a sent")
    one.keyboard.press("u")
    other.locator("#lane-1 .log li").first.get_by_text("Signal lost").wait_for()
    assert other.locator("#note-1").input_value() == "half a sent"
    one.keyboard.press("z")
    one.locator("#outcome-1").select_option("complete")
    one.get_by_role("button", name="Stop chain A").click()
    other.locator("#lane-1 .elsewhere").wait_for()
    assert other.locator("#note-1").input_value() == "half a sent"
    other.get_by_role("button", name="Show it").click()
    other.locator("#lane-1 .start").wait_for()


def test_a_look_that_brings_nothing_new_replaces_nothing(opened: Open, tmp_path: Path) -> None:
    one = opened(evening(world(tmp_path)))
    one.evaluate("document.querySelectorAll('[data-live]').forEach((e) => { e.seenBefore = true; })")
    one.evaluate("bench.refresh()")
    assert one.evaluate("[...document.querySelectorAll('[data-live]')].every((e) => e.seenBefore)")


def test_no_answer_is_said_loudly_and_nothing_looks_written(opened: Open, tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    one = opened(made)
    one.context.set_offline(True)
    one.keyboard.press("m")
    one.locator("[data-lost]").wait_for()
    assert "nothing is being logged" in one.locator("[data-lost]").inner_text()
    assert "not known whether this was logged" in one.locator("#lane-1 .refused").inner_text()
    not_known = one.locator("[data-not-known]")
    # the desk's clock stands still at 21:28:55, the window's own goes on from there
    pressed = re.compile(r"Sound muted, chain A, pressed at 21:(28:5[5-9]|29:\d\d): it is not known")
    expect(not_known).to_contain_text(pressed)
    assert one.locator(".tick").count() == 0
    one.keyboard.press("h")  # now it is known beforehand, and nothing is sent
    expect(one.locator("#lane-1 .refused")).to_contain_text(
        "was not sent, and is not logged. It was pressed at"
    )
    assert accessibility(one) == []
    one.context.set_offline(False)
    one.wait_for_selector("[data-link=step]")
    assert one.locator("[data-lost]").is_hidden()
    expect(not_known).to_contain_text("It was not logged. Write it down again")
    assert made.desk.state.entries[-1]["type"] == "silence"
    not_known.get_by_role("button", name="I have seen it").click()
    expect(not_known).to_be_hidden()


def test_further_chains_are_shown_by_choice_and_that_is_remembered(opened: Open, tmp_path: Path) -> None:
    one = opened(evening(world(tmp_path)))
    assert one.locator(".lane:visible").count() == 2
    one.get_by_role("button", name="chain C").click()
    assert one.locator(".lane:visible").count() == 3
    one.get_by_role("button", name="Show chain B").click()
    one.reload()
    assert one.locator(".lane:visible h2").all_inner_texts() == ["Chain A runs", "Chain C at rest"]
    assert one.get_by_role("button", name="Show chain A").is_disabled()  # what runs stays in sight


def test_a_chain_can_be_added_and_a_test_of_it_written_down(opened: Open, tmp_path: Path) -> None:
    made = no_chain(tmp_path)
    one = opened(made)
    one.get_by_label("What the chain is called").fill("D")
    one.get_by_label("Its playback machine").select_option("DECK-1")
    one.get_by_role("button", name="Add the chain").click()
    one.locator("#lane-1 h2", has_text="Chain D").wait_for()
    one.locator("#test-1 summary").click()
    one.get_by_label("Number of the test").fill("CHK-2026-040")
    one.get_by_label("Result").select_option("passed")
    one.get_by_label("What was played and seen").fill("Tone, then flags; no corrections.")
    made.after(60)  # the desk's clock stands still otherwise, the browser's does not
    one.get_by_role("button", name="Write the test down").click()
    one.locator("#lane-1 .test time").wait_for()
    checks = made.desk.in_force("equipment", "DECK-1", "checks")
    assert [c["id"] for c in checks] == ["CHK-2026-031", "CHK-2026-040"]
    assert checks[1]["chain_id"] == "D" and checks[1]["at"].startswith("2026-06-12T20:30")


def test_the_page_token_goes_with_every_act(opened: Open, tmp_path: Path) -> None:
    one = opened(evening(world(tmp_path)))
    one.keyboard.press("e")
    one.locator("#lane-1 .tick").wait_for()
    assert [act["token"] for act in one.still.acts] == ["page-token"]


def test_the_keyboard_alone_reaches_what_can_be_pressed(opened: Open, tmp_path: Path) -> None:
    one = opened(evening(world(tmp_path)))
    one.keyboard.press("Tab")
    assert one.evaluate("document.activeElement.className") == "skip"
    seen = []
    for _ in range(200):
        one.keyboard.press("Tab")
        seen.append(
            one.evaluate(
                "(() => { const e = document.activeElement; const s = getComputedStyle(e);"
                " return [e.textContent.trim().slice(0, 40), s.outlineStyle, parseFloat(s.outlineWidth)];"
                "})()"
            )
        )
        if one.evaluate("document.activeElement === document.body"):
            seen.pop()  # past the last one the browser itself has the focus
            break
    said = [one_seen[0] for one_seen in seen]
    assert any(text.endswith("Sound muted") for text in said)
    assert any("Start chain B" in text for text in said)
    assert all(style != "none" and wide >= 2 for text, style, wide in seen)
