"""Who may speak to the bench: looked at before anything else, for every request.

Other programs and web pages on this machine can reach a loopback port too. So the Host must be ours (a
foreign name that was pointed at 127.0.0.1 has its own), a request that writes must come from our own page
(Origin, and a secret only that page knows), and all but the opening address need this start's cookie.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from provpack.bench.paths import parts_of_path
from provpack.bench.replies import HEADERS, Refused, answer, refused_by
from provpack.bench.session import Bench, same
from provpack.errors import ProvpackError

PAGE_HEADER: Final = "x-bench"
OPENING: Final = "open"
_OWN_SITE: Final = ("same-origin", "none")
_MAX_TARGET = 4096


def only(request: Request, name: str) -> str | None:
    """The value of a header that is there exactly once; None when it is missing or repeated."""
    values = request.headers.getlist(name)
    return values[0] if len(values) == 1 else None


def cookies_named(request: Request, name: str) -> list[str]:
    """Values of all cookies of that name: another program may have put one of its own beside ours."""
    found = []
    for part in ";".join(request.headers.getlist("cookie")).split(";"):
        key, _, value = part.strip().partition("=")
        if key == name:
            found.append(value)
    return found


class Guard:
    """Around the application: refuses what is not ours, adds the headers, lets no traceback out."""

    def __init__(self, app: ASGIApp, bench: Bench) -> None:
        self._app = app
        self._bench = bench

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        await guarded(self._checked, self._bench.mishap, HEADERS, scope, receive, send)

    async def _checked(self, scope: Scope, receive: Receive, send: Send) -> None:
        self._look(Request(scope))
        await self._app(scope, receive, send)

    def _look(self, request: Request) -> None:
        """Raises Refused."""
        bench = self._bench
        if only(request, "host") not in bench.hosts:
            raise Refused(
                421, "bench-host", "This is not the address of the bench.",
                "Open the address that the console printed.", close=True,
            )  # fmt: skip
        raw = request.scope.get("raw_path") or b""
        if len(raw) + len(request.scope.get("query_string", b"")) > _MAX_TARGET:
            raise Refused(414, "bench-address-long", "The address is too long.", "Go back.", close=True)
        if request.method not in ("GET", "HEAD", "POST"):
            raise Refused(
                405, "bench-method", "The bench does not know this kind of request.", "Go back.",
                close=True, allow="GET, HEAD, POST",
            )  # fmt: skip
        parts = parts_of_path(raw) or ()
        opening = request.method == "GET" and len(parts) == 2 and parts[0] == OPENING
        site = request.headers.get("sec-fetch-site")
        if site is not None and site not in _OWN_SITE and not opening:
            raise _foreign()
        if request.method == "POST":
            self._look_at_writing(request)
        if not opening and not any(
            same(value, bench.secrets.cookie) for value in cookies_named(request, bench.cookie_name)
        ):
            raise Refused(
                403, "bench-not-opened", "This window does not belong to this start of the bench.",
                "The bench was started anew, or this window was never opened from it. Look at the console "
                "where `provpack bench` runs (start it again if it does not run) and open the address it "
                "printed. Everything that was logged is on disk; passes that were running still run.",
                close=True,
            )  # fmt: skip

    def _look_at_writing(self, request: Request) -> None:
        host = only(request, "host")
        if only(request, "origin") != f"http://{host}":
            raise _foreign()
        if not same(only(request, PAGE_HEADER) or "", self._bench.secrets.page):
            raise Refused(
                403, "bench-page-token", "This page was made by an earlier start of the bench.",
                "Nothing was logged. Open the address that the console printed, then do it again.",
                close=True,
            )  # fmt: skip


def _foreign() -> Refused:
    return Refused(
        403, "bench-foreign", "This request came from somewhere else than the bench's own page.",
        "Nothing was done. Open the address that the console printed, and work there.", close=True,
    )  # fmt: skip


async def guarded(
    app: ASGIApp,
    mishap: Callable[[str, BaseException], None],
    headers: Mapping[str, str],
    scope: Scope,
    receive: Receive,
    send: Send,
) -> None:
    """Run app with these headers on its answer; what it raises becomes an answer in plain words."""
    begun = False
    fixed = [(name.encode(), value.encode()) for name, value in headers.items()]
    names = {name for name, _ in fixed}

    async def with_headers(message: Message) -> None:
        nonlocal begun
        if message["type"] == "http.response.start":
            begun = True
            kept = [pair for pair in message.get("headers", ()) if pair[0].lower() not in names]
            message = {**message, "headers": [*kept, *fixed]}
        await send(message)

    try:
        await app(scope, receive, with_headers)
        return
    except Refused as err:
        refused = err
    except ProvpackError as err:
        refused = refused_by(err)
    except Exception as err:
        number = secrets.token_hex(4)
        mishap(number, err)
        refused = Refused(
            500, "bug", f"A mistake of ours, not of yours (number {number}).",
            "What was acknowledged before is on disk. Load the page again; the console shows the number.",
            close=True,
        )  # fmt: skip
    if not begun:
        response: Response = answer(refused, for_people=scope["method"] in ("GET", "HEAD"))
        await response(scope, receive, with_headers)
