"""What changes is told to every window; one that does not read is dropped, and all streams come to an end."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any

import pytest
from bench_server.asking import HOST, Place
from starlette.types import Message

from provpack.bench import live
from provpack.bench.live import WAITING, Hub, Stream, watch
from provpack.edge.bench_rules import BENCH_LOG_REPLACED


class Window:
    """Takes what is sent, as long as it is not told to stop reading."""

    def __init__(self) -> None:
        self.got: list[Message] = []
        self.reads = asyncio.Event()
        self.reads.set()
        self.gone = asyncio.Event()

    async def send(self, message: Message) -> None:
        await self.reads.wait()
        self.got.append(message)

    async def receive(self) -> Message:
        await self.gone.wait()
        return {"type": "http.disconnect"}

    @property
    def text(self) -> str:
        return b"".join(m.get("body", b"") for m in self.got).decode()

    async def until(self, words: str) -> None:
        for _ in range(500):
            if words in self.text:
                return
            await asyncio.sleep(0.01)
        raise AssertionError(f"{words!r} not in {self.text!r}")


def run(work: Coroutine[Any, Any, None]) -> None:
    asyncio.run(asyncio.wait_for(work, 20))


async def ended(task: asyncio.Task[None]) -> None:
    await asyncio.wait_for(task, 5)


def begin(place: Place, window: Window) -> asyncio.Task[None]:
    return asyncio.create_task(Stream(place.bench)({"type": "http"}, window.receive, window.send))


def test_every_window_is_told_and_the_end_is_clean(place: Place) -> None:
    async def work() -> None:
        windows = [Window(), Window()]
        tasks = [begin(place, window) for window in windows]
        for window in windows:
            await window.until('event: state\ndata: {"n": 0, "troubles": 0}\n\n')
        place.bench.hub.state(3)
        place.bench.hub.state(3)
        place.bench.hub.close()
        for window, task in zip(windows, tasks, strict=True):
            await ended(task)
            assert window.got[-1] == {"type": "http.response.body", "body": b"", "more_body": False}
        late = Window()
        await ended(begin(place, late))
        assert len(place.bench.hub) == 0

    run(work())


def test_told_once(place: Place) -> None:
    async def work() -> None:
        window = Window()
        task = begin(place, window)
        await window.until("state")
        for n in (1, 1, 2):
            place.bench.hub.state(n)
        await window.until('{"n": 2, "troubles": 0}')
        assert window.text.count('{"n": 1, "troubles": 0}') == 1
        window.gone.set()
        await ended(task)
        assert len(place.bench.hub) == 0

    run(work())


def test_what_is_wrong_with_the_log_is_told_when_it_comes_and_when_it_goes(place: Place) -> None:
    async def work() -> None:
        window = Window()
        task = begin(place, window)
        await window.until("state")
        hub = place.bench.hub
        for said in ([], ["Line 3 was changed."], ["Line 3 was changed."], None, []):
            hub.state(1, said)
        await window.until('{"n": 1, "troubles": 2}')
        assert [window.text.count(f'"troubles": {n}') for n in (0, 1, 2)] == [2, 1, 1]  # one is the greeting
        window.gone.set()
        await ended(task)

    run(work())


def test_a_quiet_stream_says_that_it_is_there(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "_COMMENT", 0.05)

    async def work() -> None:
        window = Window()
        task = begin(place, window)
        await window.until(": still here\n\n: still here\n\n")
        window.gone.set()
        await ended(task)

    run(work())


def test_a_window_that_does_not_read_is_dropped(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "_PATIENCE", 0.2)

    async def work() -> None:
        deaf, good = Window(), Window()
        tasks = [begin(place, deaf), begin(place, good)]
        await deaf.until("state")
        await good.until("state")
        deaf.reads.clear()
        place.bench.hub.state(1)
        await ended(tasks[0])
        place.bench.hub.state(2)
        await good.until('{"n": 2, "troubles": 0}')
        good.gone.set()
        await ended(tasks[1])

    run(work())


def test_no_more_is_kept_for_a_window_than_agreed() -> None:
    async def work() -> None:
        hub = Hub()
        deaf, good = hub.join(), hub.join()
        for n in range(WAITING + 1):
            hub.publish("state", {"n": n})
            assert await good.get() is not None
        assert len(hub) == 1
        assert deaf.qsize() == 1
        assert deaf.get_nowait() is None

    run(work())


def test_lines_of_others_and_trouble_are_noticed(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "_POLL", 0.02)

    async def work() -> None:
        trouble: list[BaseException] = []
        window = Window()
        stream, watching = begin(place, window), asyncio.create_task(watch(place.bench, trouble.append))
        other = place.desk_again()
        other.act("noted", {"note": "from the command line"}, by=None, through="command_line")
        await window.until('{"n": 1, "troubles": 0}')
        real = place.bench.desk.refresh

        def broken() -> bool:
            raise OSError("the disk is gone")

        monkeypatch.setattr(place.bench.desk, "refresh", broken)
        while not trouble:
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.2)
        assert [str(err) for err in trouble] == ["the disk is gone"]  # told once
        monkeypatch.setattr(place.bench.desk, "refresh", real)
        other.act("noted", {"note": "it is back"}, by=None, through="command_line")
        await window.until('{"n": 2, "troubles": 0}')
        finding = BENCH_LOG_REPLACED.found("The log is another one.", "bench-log.jsonl")
        monkeypatch.setattr(place.bench.desk, "findings", (finding,))
        await window.until('{"n": 2, "troubles": 1}')
        watching.cancel()
        window.gone.set()
        await ended(stream)

    run(work())


def test_work_is_told_without_its_whole_result(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    work_now = {
        "work": "w1", "kind": "wrap", "label": "wrapping T01", "done": 5, "total": 9, "state": "running",
        "words": "wrapping T01", "result": {"units": ["much"]},
    }  # fmt: skip
    monkeypatch.setattr(place.works, "all", lambda: {"w1": work_now})

    async def work() -> None:
        window = Window()
        task = begin(place, window)
        await window.until("event: work")
        assert '"done": 5' in window.text
        assert "much" not in window.text
        window.gone.set()
        await ended(task)

    run(work())


def test_the_stream_needs_the_cookie(place: Place) -> None:
    assert place.ask("GET", "/live", [("host", HOST)]).status == 403
