"""Photos from a phone: a second, tiny server at one address of this machine, for ten minutes, one carrier.

It is there only while somebody at the page has asked for it. It knows one address, which holds a short code,
and can do one thing: take photos. The bench itself is never served there. It is plain http: whoever is in
that network can see what is sent, the code too.
"""

from __future__ import annotations

import asyncio
import ipaddress
import secrets
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from html import escape
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import HTMLResponse
from starlette.types import Receive, Scope, Send

from provpack.bench.bodies import parts_of, too_large
from provpack.bench.guard import guarded, only
from provpack.bench.listening import Server, bound, make_server
from provpack.bench.paths import parts_of_path
from provpack.bench.phoneparts import each_file
from provpack.bench.replies import HEADERS, Refused, small_page
from provpack.bench.session import Bench, same
from provpack.bench.uploads import PHOTO_LIMIT, Upload
from provpack.errors import ProvpackError, UsageProblem

MINUTES: Final = 10
PHOTOS: Final = 40
_WRONG: Final = 30
"""Wrong codes after which nothing is taken any more."""
_LETTERS: Final = "abcdefghjkmnpqrstuvwxyz23456789"  # none that looks like another
_CODE_LENGTH: Final = 10
_BODY: Final = 10 * PHOTO_LIMIT
CAUTION: Final = (
    "The phone sends over plain http: everyone in that network could see the photos and the code. Use it in "
    "a network of your own, and for nothing that must stay private."
)
# Under "no-referrer" a browser sends the form of a page with "Origin: null" (Fetch standard, section 3.2.2).
_HEADERS: Final = {**HEADERS, "referrer-policy": "same-origin"}


def phone_address(text: str) -> str:
    """One address of this machine. Raises UsageProblem for names, all-addresses and public addresses."""
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        address = None
    if address is None or address.is_unspecified or address.is_multicast or "%" in text:
        raise UsageProblem(
            "bench-phone-address", "--phone needs one address of this machine, as numbers.", where=text,
            todo="Give the address this machine has in your own network, for example 192.168.0.20.",
        )  # fmt: skip
    if address.is_global:
        raise UsageProblem(
            "bench-phone-public", "This address can be reached from the whole internet; photos would travel "
            "unprotected.", where=text, todo="Give an address in a network of your own.",
        )  # fmt: skip
    return str(address)


@dataclass(slots=True, kw_only=True)
class _Session:
    transfer_id: str
    field: str
    code: str
    host: str
    ends_at: float
    left: int = PHOTOS
    wrong: int = 0


class Phone:
    """The second server. It listens between begin() and end(), ten minutes at most."""

    def __init__(self, address: str, bench: Bench) -> None:
        """Raises UsageProblem; EnvironmentProblem when the address is none of this machine's."""
        self.address = phone_address(address)
        self._bench = bench
        self._session: _Session | None = None
        self._server: Server | None = None
        self._task: asyncio.Task[None] | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._changing = asyncio.Lock()
        bound(self.address, 0).close()

    async def begin(self, transfer_id: str, field: str) -> Mapping[str, Any]:
        """Listen for photos of this carrier, and stop for any other. What the page shows."""
        async with self._changing:
            await self._end()
            listener = bound(self.address, 0)
            shown = f"[{self.address}]" if ":" in self.address else self.address
            host = f"{shown}:{listener.getsockname()[1]}"
            loop = asyncio.get_running_loop()
            code = "".join(secrets.choice(_LETTERS) for _ in range(_CODE_LENGTH))
            self._session = _Session(
                transfer_id=transfer_id, field=field, code=code, host=host, ends_at=loop.time() + MINUTES * 60
            )
            self._server = make_server(self, connections=16)
            self._task = loop.create_task(self._server.serve(sockets=[listener]))
            self._timer = loop.call_later(MINUTES * 60, lambda: asyncio.ensure_future(self.end()))
        return {
            "address": f"http://{host}/{code}", "minutes": MINUTES, "photos": PHOTOS,
            "transfer_id": transfer_id, "field": field, "words": CAUTION,
        }  # fmt: skip

    async def end(self) -> None:
        """Listen no more."""
        async with self._changing:
            await self._end()

    async def _end(self) -> None:
        self._session = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._server is not None and self._task is not None:
            self._server.should_exit = True
            await asyncio.wait((self._task,), timeout=5.0)
            self._server = self._task = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """The application."""
        if scope["type"] == "http":
            await guarded(self._answer, self._bench.mishap, _HEADERS, scope, receive, send)

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        session = self._looked_at(request)
        if request.method == "POST":
            html = await self._take(request, session)
        else:
            html = self._form(session)
        await HTMLResponse(html)(scope, receive, send)

    def _looked_at(self, request: Request) -> _Session:
        session = self._session
        if session is None or asyncio.get_running_loop().time() > session.ends_at or session.wrong >= _WRONG:
            raise Refused(
                410, "bench-phone-over", "The time for photos from a phone is over.",
                "Ask for it again at the bench.", close=True,
            )  # fmt: skip
        if only(request, "host") != session.host:
            raise Refused(
                421, "bench-host", "This is not the right address.", "Look at the bench.", close=True
            )
        if request.method not in ("GET", "POST"):
            raise Refused(
                405, "bench-method", "Only photos are taken here.", "", close=True, allow="GET, POST"
            )
        parts = parts_of_path(request.scope.get("raw_path") or b"") or ()
        if len(parts) != 1 or not same(parts[0], session.code):
            session.wrong += 1
            raise Refused(
                404, "bench-phone-code", "There is nothing at this address.",
                "Look at the address on the bench's page, and type it anew.", close=True,
            )  # fmt: skip
        origin = request.headers.getlist("origin")
        if request.method == "POST" and origin not in ([], [f"http://{session.host}"]):
            raise Refused(
                403, "bench-foreign", "This came from another page.", "Nothing was kept.", close=True
            )
        return session

    async def _take(self, request: Request, session: _Session) -> str:
        upload: Upload | None = None
        kept: list[str] = []

        async def start(name: str) -> None:
            nonlocal upload
            if session.left <= 0:
                raise Refused(
                    422, "bench-phone-enough", f"{PHOTOS} photos were taken, which is all at one time.",
                    "Ask for it again at the bench.", close=True,
                )  # fmt: skip
            session.left -= 1
            upload = Upload(self._bench, session.transfer_id, session.field, name)

        async def data(part: bytes) -> None:
            assert upload is not None
            await upload.feed(part)

        async def end() -> None:
            nonlocal upload
            assert upload is not None
            kept.append((await upload.finish()).words)
            upload = None

        body: AsyncIterator[bytes] = parts_of(request.receive, _BODY, within=MINUTES * 60)
        if int(request.headers.get("content-length") or 0) > _BODY:
            raise too_large(_BODY)
        try:
            await each_file(request.headers.get("content-type", ""), body, start, data, end)
        except (Refused, ProvpackError) as err:
            if not kept:
                raise
            return self._form(session, f"{len(kept)} photos are kept. Then: {err.what} {err.todo}")
        finally:
            if upload is not None:
                await upload.abandon()
        said = "No photo was chosen." if not kept else f"{len(kept)} photos are kept."
        return self._form(session, said)

    def _form(self, session: _Session, said: str = "") -> str:
        left = f"{session.left} more can be sent, until {MINUTES} minutes after it was asked for."
        body = (
            f'<form method="post" enctype="multipart/form-data" action="/{escape(session.code)}">'
            '<p><label for="photos">Photos</label><br>'
            '<input id="photos" name="photos" type="file" accept="image/*" multiple required></p>'
            '<p><button type="submit">Send</button></p></form>'
        )
        told = [f"Photos of {session.transfer_id}.", left, CAUTION]
        return small_page(said or "Send photos to the bench", told, body)
