"""Sockets and the server on them: the door to uvicorn."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import os
import socket
from collections.abc import Generator
from typing import Any, Final

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from provpack.errors import EnvironmentProblem

HEAD_LIMIT: Final = 16 * 1024
_FIRST_WORDS: Final = 10.0
_IDLE: Final = 600
"""Seconds a quiet connection is kept: one closed just as somebody logs would cost a second try."""
_ENDING: Final = 3


def bound(address: str, port: int) -> socket.socket:
    """A socket at one address, not yet listening; port 0 = any that is free. Raises EnvironmentProblem."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    # Named in full: asyncio sends small answers at once (TCP_NODELAY) only on sockets that say they are TCP;
    # without it every acknowledgement waits some 40 ms for the other side's delayed one.
    sock = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if os.name == "posix":  # a port that a killed bench has left is free at once
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((address, port))
        if port:
            sock.listen()  # two sockets may share a port until one listens
    except OSError as err:
        sock.close()
        raise _not_bound(err, address, port) from None
    sock.set_inheritable(False)
    return sock


def _not_bound(err: OSError, address: str, port: int) -> EnvironmentProblem:
    where = f"{address}:{port}" if port else address
    if err.errno == errno.EADDRINUSE:
        return EnvironmentProblem(
            "bench-port-in-use", "Another program, perhaps another bench, already uses this port.",
            where=where, todo="End it, or choose another port; without --port a free one is taken.",
        )  # fmt: skip
    if err.errno == errno.EADDRNOTAVAIL:
        return EnvironmentProblem(
            "bench-no-such-address", "This machine does not have that address.", where=where,
            todo="Give the address this machine has in your own network.",
        )  # fmt: skip
    return EnvironmentProblem(
        "bench-cannot-listen", f"This address cannot be listened at: {err.strerror or err}.", where=where,
        todo="Choose another port with --port, above 1023.",
    )  # fmt: skip


class _Protocol(H11Protocol):
    """Closes a connection that says nothing: each costs a file handle."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.loop.call_later(_FIRST_WORDS, self._close_if_mute)

    def _close_if_mute(self) -> None:
        if self.scope is None and not self.transport.is_closing():
            self.transport.close()


class Server(uvicorn.Server):
    """Leaves signals to whoever runs it."""

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        yield


def make_server(app: ASGIApp, *, connections: int) -> Server:
    """A server that logs nothing (addresses hold secrets) and ends within a few seconds."""
    quiet = logging.getLogger("uvicorn")
    quiet.propagate = False
    if not quiet.handlers:
        quiet.addHandler(logging.NullHandler())
    config: Any = uvicorn.Config(
        app,
        http=_Protocol,
        ws="none",
        loop="asyncio",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=_IDLE,
        timeout_graceful_shutdown=_ENDING,
        h11_max_incomplete_event_size=HEAD_LIMIT,
        limit_concurrency=connections,
    )
    return Server(config)
