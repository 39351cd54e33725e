"""Which address goes to which handler. The guard stands around all of it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Final

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from provpack.bench import handlers as h
from provpack.bench.guard import Guard
from provpack.bench.paths import matched, parts_of_path
from provpack.bench.replies import Refused
from provpack.bench.session import Bench

Handler = Callable[..., Awaitable[ASGIApp]]

ROUTES: Final[tuple[tuple[str, tuple[str, ...], Handler], ...]] = (
    ("GET", ("open", "{}"), h.open_bench),
    ("GET", (), h.carriers),
    ("GET", ("carrier", "{}"), h.carrier),
    ("GET", ("receipt",), h.receipt),
    ("GET", ("chains",), h.chains),
    ("GET", ("after", "{}", "{}"), h.after),
    ("GET", ("packages",), h.packages),
    ("GET", ("machines",), h.machines),
    ("GET", ("machines", "defaults"), h.defaults),
    ("GET", ("machines", "{}", "{}"), h.machine),
    ("GET", ("static", "{}"), h.static),
    ("LIVE", ("live",), h.live),
    ("GET", ("state",), h.state),
    ("POST", ("act",), h.act),
    ("POST", ("sought",), h.seek),
    ("POST", ("correct",), h.correct),
    ("POST", ("correct", "{}", "back"), h.correct_back),
    ("POST", ("photo", "{}", "{}"), h.take_photo),
    ("GET", ("photo", "{*}"), h.photo),
    ("POST", ("work", "measure", "{}", "{}"), h.measure),
    ("POST", ("work", "wrap"), h.wrap),
    ("POST", ("work", "verify"), h.verify),
    ("POST", ("work", "stop", "{}"), h.stop_work),
    ("POST", ("phone", "stop"), h.phone_stop),
    ("POST", ("phone", "{}", "{}"), h.phone_begin),
)
METHODS: Final = {"GET": ("GET", "HEAD"), "LIVE": ("GET",), "POST": ("POST",)}


def make_app(bench: Bench) -> ASGIApp:
    """The application, guarded."""

    async def routed(scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        parts = parts_of_path(scope.get("raw_path") or b"")
        if parts is None:
            raise h.not_found()
        allowed: list[str] = []
        for kind, pattern, handler in ROUTES:
            args = matched(pattern, parts)
            if args is None:
                continue
            if request.method in METHODS[kind]:
                response = await handler(bench, request, *args)
                await response(scope, receive, send)
                return
            allowed += METHODS[kind]
        if allowed:
            raise Refused(
                405, "bench-method", "This address does not take this kind of request.", "Go back.",
                close=True, allow=", ".join(allowed),
            )  # fmt: skip
        raise h.not_found()

    return Guard(routed, bench)
