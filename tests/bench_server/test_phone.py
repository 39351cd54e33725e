"""The second server, for a phone: one address, one code, one carrier, ten minutes, forty photos."""

from __future__ import annotations

import asyncio
import http.client
import socket
from collections.abc import Awaitable, Callable, Sequence
from typing import Any
from urllib.parse import urlsplit

import pytest
from bench_server.asking import JPEG, PNG, Headers, Place, Said, asked

from provpack.bench import phone as module
from provpack.bench.phone import PHOTOS, Phone

BOUNDARY = "xX-boundary-Xx"
FORM = f"multipart/form-data; boundary={BOUNDARY}"


def form(*files: tuple[str, bytes], end: bool = True) -> bytes:
    """RFC 7578, as browsers write it."""
    out = b""
    for name, data in files:
        out += (
            (
                f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="photos"; filename="{name}"\r\n'
                "Content-Type: image/jpeg\r\n\r\n"
            ).encode()
            + data
            + b"\r\n"
        )
    return out + (f"--{BOUNDARY}--\r\n".encode() if end else b"")


class Session:
    """A phone that was let in, and its requests to the small application."""

    def __init__(self, place: Place, phone: Phone, shown: Any) -> None:
        self.place, self.phone, self.shown = place, phone, shown
        self.host = urlsplit(shown["address"]).netloc
        self.path = urlsplit(shown["address"]).path

    async def ask(
        self, method: str, path: str | None = None, body: bytes | Sequence[bytes | float] = b"",
        headers: Headers = (), host: str | None = None, kind: str = FORM,
    ) -> Said:  # fmt: skip
        own = [("host", host if host is not None else self.host), ("content-type", kind), *headers]
        return await asked(self.phone, method, path if path is not None else self.path, own, body)


def with_phone(place: Place, work: Callable[[Session], Awaitable[None]]) -> None:
    async def whole() -> None:
        place.bench.phone = Phone("127.0.0.1", place.bench)
        shown = await place.bench.phone.begin("T01", "condition_photos")
        try:
            await work(Session(place, place.bench.phone, shown))
        finally:
            await place.bench.phone.end()

    asyncio.run(asyncio.wait_for(whole(), 30))


def photos(place: Place) -> list[str]:
    return [n for n in place.tree() if n.startswith("photos/")]


def test_photos_are_kept_and_declared(place: Place) -> None:
    async def work(s: Session) -> None:
        page = await s.ask("GET")
        assert page.status == 200
        assert b'type="file"' in page.body
        assert b"Photos of T01" in page.body
        assert b"everyone in that network could see" in page.body
        assert b"<script" not in page.body
        whole = form(("IMG 1.JPG", JPEG), ("../../b.png", PNG))
        said = await s.ask("POST", body=[whole[:7], whole[7:900], whole[900:]])
        assert said.status == 200
        assert b"2 photos are kept." in said.body
        assert b"38 more" in said.body

    with_phone(place, work)
    assert photos(place) == ["photos/t01-1-img_1.jpg", "photos/t01-2-b.png"]
    assert place.lines()[-1]["value"] == photos(place)


def test_nothing_listens_unless_asked(place: Place) -> None:
    assert place.post("/phone/T01/photos", {}).code == "bench-phone-off"
    assert place.post("/phone/stop", {}).status == 200

    async def work(s: Session) -> None:
        port = int(s.host.rpartition(":")[2])

        def look() -> tuple[int, bytes]:
            line = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
            line.request("GET", s.path)
            answer = line.getresponse()
            body = answer.read()
            line.close()
            return answer.status, body

        for _ in range(100):
            try:
                status, body = await asyncio.to_thread(look)
                break
            except ConnectionError:
                await asyncio.sleep(0.02)
        assert status == 200
        assert b"Photos of T01" in body
        await s.phone.end()
        with pytest.raises(ConnectionError):
            await asyncio.to_thread(look)
        assert (await s.ask("GET")).status == 410

    with_phone(place, work)


def test_the_bench_itself_is_not_there(place: Place) -> None:
    async def work(s: Session) -> None:
        cookie = [place.cookie(), ("x-bench", place.bench.secrets.page)]
        for path in (
            "/",
            "/chains",
            "/act",
            "/live",
            f"/open/{place.bench.secrets.opening}",
            "/static/bench.js",
        ):
            for method in ("GET", "POST"):
                said = await s.ask(method, path, headers=cookie)
                assert said.status == 404, path
                assert "set-cookie" not in said.headers

    with_phone(place, work)
    assert place.lines() == []


def test_the_code_of_the_phone_opens_nothing_on_the_bench(place: Place) -> None:
    async def work(s: Session) -> None:
        said = await asked(place.app, "POST", s.path, place.writing(FORM), form(("a.jpg", JPEG)))
        assert said.status == 404
        said = await asked(place.app, "GET", f"/open{s.path}", [place.own()[0]])
        assert said.status == 403

    with_phone(place, work)


def test_wrong_codes_end_it(place: Place) -> None:
    async def work(s: Session) -> None:
        assert (await s.ask("GET")).status == 200
        for n in range(30):
            said = await s.ask("POST", f"/wrong{n}", form(("a.jpg", JPEG)))
            assert said.status == 404
        assert (await s.ask("GET")).status == 410

    with_phone(place, work)
    assert photos(place) == []


def test_hostile_requests(place: Place) -> None:
    async def work(s: Session) -> None:
        body = form(("a.jpg", JPEG))
        for host in ("evil.example", "127.0.0.1", s.host + "0", "", f"localhost:{s.host.rpartition(':')[2]}"):
            assert (await s.ask("POST", body=body, host=host)).status == 421
        for origin in ("http://evil.example", "null", "", f"https://{s.host}"):
            assert (await s.ask("POST", body=body, headers=[("origin", origin)])).status == 403
        for method in ("PUT", "DELETE", "OPTIONS", "HEAD", "TRACE"):
            assert (await s.ask(method)).status == 405
        for path in (s.path + "/", "/" + s.path, s.path + "/..", s.path + "%00", s.path.upper(), "/%2e%2e"):
            assert (await s.ask("POST", path, body)).status == 404

    with_phone(place, work)
    assert photos(place) == []
    assert place.lines() == []


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        (FORM, b""),
        (FORM, b"rubbish"),
        (FORM, form(("a.jpg", JPEG), end=False)),
        ("text/plain", b"x"),
        ("", b""),
        ("multipart/form-data", form(("a.jpg", JPEG))),
        (FORM + "x" * 300, b""),
        ("multipart/form-data; boundary=", b""),
        (FORM, b"--" + BOUNDARY.encode() + b"\r\n" + b"A: " + b"b" * 20_000 + b"\r\n\r\n"),
        (FORM, b"--" + BOUNDARY.encode() + b"\r\nContent-Disposition: \xff\xfe\r\n\r\nx\r\n"),
    ],
)
def test_forms_that_are_none(place: Place, kind: str, body: bytes) -> None:
    async def work(s: Session) -> None:
        said = await s.ask("POST", body=body, kind=kind)
        assert said.status in (200, 400), said.body
        if said.status == 200:
            assert b"No photo was chosen" in said.body or b"1 photos are kept" in said.body

    with_phone(place, work)
    assert not any(n.startswith("photos/.") for n in photos(place))


def test_what_is_no_photo_ends_the_sending_and_keeps_those_before(place: Place) -> None:
    async def work(s: Session) -> None:
        said = await s.ask(
            "POST", body=form(("a.jpg", JPEG), ("b.jpg", b"<html>" + bytes(100)), ("c.jpg", JPEG))
        )
        assert said.status == 200
        assert b"1 photos are kept. Then: This is no photo" in said.body
        assert (await s.ask("POST", body=form(("b.jpg", b"<html>" + bytes(100))))).status == 415

    with_phone(place, work)
    assert photos(place) == ["photos/t01-1-a.jpg"]


def test_forty_and_no_more(place: Place) -> None:
    async def work(s: Session) -> None:
        said = await s.ask("POST", body=form(*((f"{n}.jpg", JPEG) for n in range(PHOTOS + 2))))
        assert b"40 photos are kept. Then: 40 photos were taken" in said.body
        assert (await s.ask("POST", body=form(("x.jpg", JPEG)))).status == 422

    with_phone(place, work)
    assert len(photos(place)) == PHOTOS


def test_the_time_is_over(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MINUTES", 0.2 / 60)

    async def work(s: Session) -> None:
        await asyncio.sleep(0.3)
        assert (await s.ask("GET")).status == 410
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", int(s.host.rpartition(":")[2]))):
                    return
            await asyncio.sleep(0.05)
        raise AssertionError("it still listens")

    with_phone(place, work)


def test_asking_for_another_carrier_ends_the_first(place: Place) -> None:
    async def work(s: Session) -> None:
        other = await s.phone.begin("T02", "photos")
        assert other["address"] != s.shown["address"]
        assert (await s.ask("GET")).status == 421
        new = Session(place, s.phone, other)
        assert (await new.ask("POST", s.path, form(("a.jpg", JPEG)))).status == 404
        assert (await new.ask("POST", body=form(("a.jpg", JPEG)))).status == 200

    with_phone(place, work)
    assert photos(place) == ["photos/t02-1-a.jpg"]
