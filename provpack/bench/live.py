"""What changes, told to every open window as server-sent events (HTML standard, section 9.2)."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Awaitable, Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from starlette.types import Message, Receive, Scope, Send

if TYPE_CHECKING:
    from provpack.bench.session import Bench

WAITING: Final = 64
"""Events kept for a window that does not read; with more it is dropped, comes again, and sees all anew."""
STREAMS: Final = 4
"""Windows that are told at once. A browser opens six connections to one host (common practice, no source):
streams held open by more windows would leave none for logging. Any further window asks `GET /state` every
two seconds instead; it shows and logs all the same."""
_COMMENT: Final = 15.0
_PATIENCE: Final = 10.0
_AGAIN_MS: Final = 2000
_POLL: Final = 0.5
_TOLD: Final = ("work", "kind", "label", "done", "total", "state", "words")
_LOOK_EVERY: Final = 4
"""Polls between two looks at the job folder."""


class Hub:
    """The open windows. Everything here runs on the event loop's thread."""

    def __init__(self) -> None:
        self._windows: set[asyncio.Queue[bytes | None]] = set()
        self._told = 0
        self._troubles: list[str] = []
        self.troubles = 0
        """Goes up when what is wrong with the log comes or goes."""
        self.files = 0
        """Goes up when the finished files in the job folder change."""
        self.closed = False

    def __len__(self) -> int:
        return len(self._windows)

    def join(self) -> asyncio.Queue[bytes | None]:
        """A queue of events; None in it means the end."""
        queue: asyncio.Queue[bytes | None] = asyncio.Queue(WAITING + 1)
        self._windows.add(queue)
        if self.closed:
            queue.put_nowait(None)
        return queue

    def leave(self, queue: asyncio.Queue[bytes | None]) -> None:
        self._windows.discard(queue)

    def publish(self, event: str, data: Mapping[str, Any]) -> None:
        """To every window; one that has too much waiting is dropped."""
        for queue in list(self._windows):
            if queue.qsize() >= WAITING:
                self._end(queue)
            else:
                queue.put_nowait(as_event(event, data))

    def state(self, n: int, troubles: list[str] | None = None) -> None:
        """Line n is the last of the bench log, and this is wrong with it (None: as before); told once."""
        other = troubles is not None and troubles != self._troubles
        if n == self._told and not other:
            return
        if troubles is not None and other:
            self._troubles = troubles
            self.troubles += 1
        self._told = n
        self.publish("state", {"n": n, "troubles": self.troubles})

    def close(self) -> None:
        """End every stream."""
        self.closed = True
        for queue in list(self._windows):
            self._end(queue)

    def _end(self, queue: asyncio.Queue[bytes | None]) -> None:
        self._windows.discard(queue)
        while not queue.empty():
            queue.get_nowait()
        queue.put_nowait(None)


def told_of(work: Mapping[str, Any]) -> dict[str, Any]:
    """What windows are told of a work; what came of it in full stands on the page."""
    return {name: work.get(name) for name in _TOLD}


def as_event(event: str, data: Mapping[str, Any]) -> bytes:
    return f"event: {event}\ndata: {json.dumps(data)}\n\n".encode()


def state_of(bench: Bench) -> dict[str, Any]:
    """What a window without a stream asks for every few seconds, and one with a stream when it hears nothing:
    n of the last line, numbers that change when what is wrong with the log or the finished files do, the
    program's clock, the works. Reads no disk."""
    return {
        "n": bench.desk.state.n,
        "troubles": bench.hub.troubles,
        "now": bench.now().isoformat(),
        "files": bench.hub.files,
        "works": [told_of(work) for work in bench.works.all().values()],
    }


class Stream:
    """One window's stream, as a response. Answered 204 when there are enough: a browser then stops asking for
    a stream (HTML standard, section 9.2.3), and the page asks for the state instead."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        hub = self._bench.hub
        if len(hub) >= STREAMS:
            await send({"type": "http.response.start", "status": 204, "headers": []})
            await send({"type": "http.response.body", "body": b"", "more_body": False})
            return
        queue = hub.join()
        gone = asyncio.ensure_future(_until_gone(receive))
        try:
            headers = [(b"content-type", b"text/event-stream; charset=utf-8")]
            await send({"type": "http.response.start", "status": 200, "headers": headers})
            first = f"retry: {_AGAIN_MS}\n\n".encode() + as_event(
                "state", {"n": self._bench.desk.state.n, "troubles": hub.troubles}
            )
            first += b"".join(as_event("work", told_of(w)) for w in self._bench.works.all().values())
            if await _sent(send, first, gone):
                await self._go_on(queue, send, gone)
        finally:
            hub.leave(queue)
            gone.cancel()

    async def _go_on(
        self, queue: asyncio.Queue[bytes | None], send: Send, gone: asyncio.Future[None]
    ) -> None:
        while True:
            waiting = asyncio.ensure_future(queue.get())
            await asyncio.wait((waiting, gone), timeout=_COMMENT, return_when=asyncio.FIRST_COMPLETED)
            if gone.done():
                waiting.cancel()
                return
            if waiting.done():
                part = waiting.result()
            else:
                waiting.cancel()
                part = b": still here\n\n"
            if part is None:
                with contextlib.suppress(TimeoutError):
                    last: Message = {"type": "http.response.body", "body": b"", "more_body": False}
                    await asyncio.wait_for(send(last), _PATIENCE)
                return
            if not await _sent(send, part, gone):
                return


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


async def _sent(send: Send, part: bytes, gone: asyncio.Future[None]) -> bool:
    """False when the window does not read any more; its stream then ends."""
    message: Message = {"type": "http.response.body", "body": part, "more_body": True}
    try:
        await asyncio.wait_for(send(message), _PATIENCE)
    except TimeoutError:
        return False
    return not gone.done()


async def watch(bench: Bench, trouble: Callable[[BaseException], None]) -> None:
    """Tell the windows what others did: lines in the log, background work, files in the job folder.

    Runs until it is cancelled. trouble: told of an error, once for as long as it lasts.
    """
    works: dict[str, dict[str, Any]] = {}
    last = ""
    turn = 0
    while True:
        await asyncio.sleep(_POLL)
        turn += 1
        try:
            await in_thread(bench.threads.watch, bench.desk.refresh)
            bench.hub.state(bench.desk.state.n, bench.desk.troubles)
            now = {name: told_of(work) for name, work in bench.works.all().items()}
            for name, work in now.items():
                if works.get(name) != work:
                    bench.hub.publish("work", work)
            works = now
            if turn % _LOOK_EVERY == 0 and await in_thread(bench.threads.watch, bench.works.look):
                bench.hub.files += 1
                bench.hub.publish("files", {"n": len(bench.works.files())})
            last = ""
        except Exception as err:  # the next look may succeed: a disk that comes back
            if str(err) != last:
                last = str(err)
                trouble(err)


def in_thread(pool: Any, function: Callable[..., Any], *args: Any) -> Awaitable[Any]:
    """Run blocking work without holding up the event loop."""
    return asyncio.get_running_loop().run_in_executor(pool, function, *args)
