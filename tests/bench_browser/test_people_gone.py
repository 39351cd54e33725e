"""What a window says while the program is gone, slow or new, and when there are more windows than streams.
The program is a real one: it is killed, frozen and started again."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from bench_server.running import running
from playwright.sync_api import expect
from support.benchbrowser import accessibility, browsing, in_step
from support.benchjob import evening, world

from provpack.bench.live import STREAMS

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
AT_ONCE = 4_500
"""Milliseconds within which a window says that the program has ended. After five seconds of silence it would
ask by itself (SILENT_MS in step.js): before that only the line that broke can have told it."""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return evening(world(tmp_path)).desk.folder


@pytest.fixture
def context() -> Iterator[Any]:
    with browsing() as browser:
        one = browser.new_context(viewport={"width": 1280, "height": 800})
        one.set_default_timeout(15_000)
        yield one
        one.close()


def lines(job: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (job / "bench-log.jsonl").read_bytes().splitlines()]


def opened(context: Any, bench: Any, path: str = "/chains") -> Any:
    one = context.new_page()
    one.goto(bench.opening)
    one.goto(f"http://{bench.host}{path}")
    in_step(one)
    return one


def test_killed_and_started_again(job: Path, context: Any) -> None:
    with ExitStack() as stack:
        bench = stack.enter_context(running(job, opened=False))
        one = opened(context, bench)
        bench.stop(signal.SIGKILL)
        expect(one.locator("[data-lost]")).to_contain_text("nothing is being logged", timeout=AT_ONCE)
        expect(one.locator("[data-link-words]")).to_have_text("No answer")
        before = lines(job)
        one.keyboard.press("m")
        refused = one.locator("#lane-1 .refused")
        expect(refused).to_contain_text("was not sent, and is not logged. It was pressed at")
        expect(refused).to_contain_text("Note it on paper.")
        assert one.locator(".tick").count() == 0
        assert accessibility(one) == []
        again = stack.enter_context(running(job, opened=False))
        assert again.port == bench.port  # a job folder has a port of its own
        expect(one.locator("[data-lost]")).to_contain_text("Open the address that the console printed")
        expect(one.locator("[data-link-words]")).to_have_text("Not this start")
        other = opened(context, again)
        expect(one.locator("[data-link-words]")).to_contain_text("In step")
        expect(one.locator("[data-lost]")).to_be_hidden()
        assert lines(job) == before  # nothing of what was pressed meanwhile
        one.keyboard.press("m")
        one.locator("#lane-1 .tick").wait_for()
        assert lines(job)[-1]["type"] == "mute"
        expect(other.locator("#lane-1 .log li").first).to_contain_text("Sound muted")


def test_frozen_and_awake_again(job: Path, context: Any) -> None:
    with running(job, opened=False) as bench:
        one = opened(context, bench)
        bench.process.send_signal(signal.SIGSTOP)
        try:  # nothing is closed: only silence tells
            expect(one.locator("[data-lost]")).to_contain_text("nothing is being logged", timeout=15_000)
        finally:
            bench.process.send_signal(signal.SIGCONT)
        expect(one.locator("[data-link-words]")).to_contain_text("In step")
        expect(one.locator("[data-lost]")).to_be_hidden()


def test_pressed_while_the_program_slept_keeps_the_time_of_the_press(job: Path, context: Any) -> None:
    """The second key after the sleep: answers that came late must not have set the window's clock back."""
    with running(job, opened=False) as bench:
        one = opened(context, bench)
        count = len(lines(job))
        bench.process.send_signal(signal.SIGSTOP)
        try:
            before = datetime.now().astimezone()
            one.keyboard.press("m")
            after = datetime.now().astimezone()  # the window has taken the key by now, however slow it is
            time.sleep(2.5)
        finally:
            bench.process.send_signal(signal.SIGCONT)
        warned = one.locator("#lane-1 [data-acts] .warned").first
        expect(warned).to_contain_text("the time of the press is what counts")
        entry = lines(job)[count]
        happened, at = (datetime.fromisoformat(entry[name]) for name in ("happened_at", "at"))
        slack = timedelta(seconds=0.5)
        assert before - slack < happened < after + slack
        assert (at - happened).total_seconds() > 2
        expect(one.locator("[data-link-words]")).to_contain_text("In step")
        one.keyboard.press("m")
        expect(warned).to_be_hidden()
        assert "happened_at" not in lines(job)[count + 1]


def test_pressed_with_the_secret_of_an_earlier_start_is_sent_again_with_the_new_one(
    job: Path, context: Any
) -> None:
    """The window is in step again a moment before it has the new secret: a key pressed then is not lost."""
    with running(job, opened=False) as bench:
        one = opened(context, bench)
        count = len(lines(job))
        one.evaluate("document.querySelector('meta[name=bench]').content = 'of an earlier start'")
        one.keyboard.press("m")
        one.locator("#lane-1 .tick").wait_for()
        assert [line["type"] for line in lines(job)[count:]] == ["mute"]


@pytest.mark.parametrize("logged", [True, False])
def test_an_act_without_answer_is_not_known_until_it_is_found(job: Path, context: Any, logged: bool) -> None:
    def cut(route: Any) -> None:
        if logged:
            route.fetch()  # it arrives, and only its answer is lost
        route.abort()

    # before the page is loaded: the browser may let a request pass that comes just after
    context.route("**/act", cut)
    context.route("**/sought", lambda route: time.sleep(0.5) or route.continue_())
    with running(job, opened=False) as bench:
        one = opened(context, bench)
        count = len(lines(job))
        one.keyboard.press("m")
        expect(one.locator("#lane-1 .refused")).to_contain_text("It is not known whether this was logged")
        line = one.locator("[data-not-known] p")
        expect(line).to_contain_text("Sound muted, chain A, pressed at")
        said = "It was logged, at " if logged else "It was not logged. Write it down again"
        expect(line).to_contain_text(said)
        assert len(lines(job)) == count + logged
        one.reload()  # it stays until somebody has seen it
        expect(line).to_contain_text(said)
        assert accessibility(one) == []
        one.get_by_role("button", name="I have seen it").click()
        expect(line).to_have_count(0)
        one.reload()
        one.wait_for_selector("[data-link=step]")
        expect(line).to_have_count(0)


def test_two_of_the_same_are_not_taken_for_one(job: Path, context: Any) -> None:
    first = [True]

    def cut(route: Any) -> None:
        if first.pop() if first else False:
            route.fetch()
        route.abort()

    context.route("**/act", cut)  # before the page is loaded, as above
    with running(job, opened=False) as bench:
        one = opened(context, bench)
        one.route("**/state", lambda route: route.abort())  # out of step until both were pressed
        one.evaluate(
            "() => { const b = document.querySelector('#lane-1 [data-key=m]'); b.click(); b.click(); }"
        )
        expect(one.locator("[data-not-known] p")).to_have_count(2)
        one.unroute("**/state")
        told = one.locator("[data-not-known] p")
        expect(told.nth(0)).to_contain_text("It was logged, at")
        expect(told.nth(1)).to_contain_text("It was not logged.")


def test_more_windows_than_streams(job: Path, context: Any) -> None:
    with running(job, opened=False) as bench:
        windows = [opened(context, bench) for _ in range(STREAMS + 2)]
        for one in windows[:STREAMS]:
            expect(one.locator("[data-link-words]")).to_have_text("In step")
        for one in windows[STREAMS:]:
            expect(one.locator("[data-link-words]")).to_have_text("In step, asks every 2 s")
            expect(one.locator("[data-lost]")).to_be_hidden()
        last = windows[-1]
        last.keyboard.press("h")
        last.locator("#lane-1 .tick").wait_for()
        assert lines(job)[-1]["type"] == "hold"
        windows[0].keyboard.press("u")
        for one in windows:
            expect(one.locator("#lane-1 .log li").first).to_contain_text("Signal lost")
