"""From a job folder to a running bench, and its end: by a signal, with everything logged on disk."""

from __future__ import annotations

import asyncio
import hashlib
import signal
import socket
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Final

from provpack.bench.app import make_app
from provpack.bench.listening import bound, make_server
from provpack.bench.live import watch
from provpack.bench.session import LOOPBACK, Bench
from provpack.edge.benchphoto import sweep
from provpack.errors import EnvironmentProblem
from provpack.jobs.benchdesk import Desk
from provpack.jobs.benchtasks import MakePorts, Now
from provpack.jobs.benchwork import Works

_CONNECTIONS: Final = 200
_PORTS: Final = range(20_000, 30_000)
_SWITCH: Final = 0.0005
"""Seconds a busy thread (a page being made) may keep the interpreter from one that logs; usual is ten times
as long, and a line on disk needs it several times."""
_SIGNALS: Final = tuple(getattr(signal, n) for n in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, n))


def own_socket(folder: Path, port: int | None) -> socket.socket:
    """The loopback socket. Without a port: the one this folder always gets if it is free, so that a window
    left open finds its way back, else any. Raises EnvironmentProblem."""
    if port is not None:
        return bound(LOOPBACK, port)
    digest = hashlib.sha256(str(folder).encode("utf-8", "surrogateescape")).digest()
    try:
        return bound(LOOPBACK, _PORTS[int.from_bytes(digest[:4]) % len(_PORTS)])
    except EnvironmentProblem:
        return bound(LOOPBACK, 0)


def serve(
    bench: Bench,
    listener: socket.socket,
    *,
    opened: Callable[[], None],
    trouble: Callable[[BaseException], None],
    phone: str | None = None,
) -> int | None:
    """Serve until a signal comes; its number, None when the server ended by itself.

    opened: called when it answers. trouble: told what goes wrong while looking at the folder. phone: the
    address photos may come in at. Raises UsageProblem, EnvironmentProblem for that address.
    """
    before = sys.getswitchinterval()
    sys.setswitchinterval(min(before, _SWITCH))
    try:
        sweep(bench.desk.folder)
        return asyncio.run(_serve(bench, listener, opened, trouble, phone))
    finally:
        sys.setswitchinterval(before)
        listener.close()
        bench.close()


async def _serve(
    bench: Bench,
    listener: socket.socket,
    opened: Callable[[], None],
    trouble: Callable[[BaseException], None],
    phone: str | None,
) -> int | None:
    if phone is not None:
        from provpack.bench.phone import Phone

        bench.phone = Phone(phone, bench)
    loop = asyncio.get_running_loop()
    asked: list[int] = []
    stop = asyncio.Event()

    def on_signal(number: int, _frame: FrameType | None) -> None:
        asked.append(number)
        loop.call_soon_threadsafe(stop.set)

    handlers = {n: signal.getsignal(n) for n in _SIGNALS}
    caught = {n: h for n, h in handlers.items() if h is not signal.SIG_IGN}
    server = make_server(make_app(bench), connections=_CONNECTIONS)
    serving = loop.create_task(server.serve(sockets=[listener]))
    watching = loop.create_task(watch(bench, trouble))
    stopping = loop.create_task(stop.wait())
    try:
        for number in caught:
            signal.signal(number, on_signal)
        while not server.started and not serving.done():
            await asyncio.sleep(0.01)
        if server.started:
            opened()
        await asyncio.wait((serving, stopping), return_when=asyncio.FIRST_COMPLETED)
    finally:
        watching.cancel()
        stopping.cancel()
        bench.hub.close()
        if bench.phone is not None:
            await bench.phone.end()
        server.should_exit = True
        await asyncio.wait((serving, watching))
        for number, handler in caught.items():
            signal.signal(number, handler)
    if not asked:
        serving.result()  # what ended it, if it was an error
    return asked[0] if asked else None


def make_bench(
    folder: Path,
    *,
    destination: Path,
    port: int,
    by: str,
    now: Now,
    tool_version: str,
    make_ports: MakePorts,
    mishap: Callable[[str, BaseException], None],
) -> Bench:
    """The desk of a job folder, its background work, and new secrets. Raises what Desk raises.

    now, make_ports: top-level functions, for they are sent to the processes that work in the background.
    """
    desk = Desk(folder, now=now, tool_version=tool_version, destination=destination)
    works = Works(desk.folder, destination, now=now, make_ports=make_ports)
    return Bench(desk=desk, destination=destination, port=port, by=by, now=now, mishap=mishap, works=works)
