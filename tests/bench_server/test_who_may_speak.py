"""Hostile requests: from elsewhere, with the wrong name, without the secrets. Nothing of them is done."""

from __future__ import annotations

import json

import pytest
from bench_server.asking import HOST, ORIGIN, PORT, Place

NOTE = json.dumps({"kind": "noted", "members": {"note": "written by a stranger"}}).encode()

HOSTS = [
    "evil.example", f"evil.example:{PORT}", f"127.0.0.1.evil.example:{PORT}", "127.0.0.1", "localhost",
    f"127.0.0.1:{PORT + 1}", f"127.0.0.1:{PORT}0", f"[::1]:{PORT}", f"0.0.0.0:{PORT}", f"127.1:{PORT}",
    f"2130706433:{PORT}", f"LOCALHOST.:{PORT}", f"user@127.0.0.1:{PORT}", f"127.0.0.1:{PORT}@evil.example",
    f"127.0.0.1:{PORT}, evil.example", "", f"127.0.0.1:0{PORT}", f" 127.0.0.1:{PORT}x",
]  # fmt: skip
ORIGINS = [
    "http://evil.example", f"https://{HOST}", "null", "", f"http://evil.example:{PORT}",
    f"http://127.0.0.1:{PORT + 1}", f"{ORIGIN}.evil.example", f"{ORIGIN}/", f"http://localhost:{PORT}",
    f"http://[::1]:{PORT}", HOST, "file://", f"{ORIGIN} http://evil.example",
]  # fmt: skip


def test_its_own_page_may_write(place: Place) -> None:
    """The checks below can succeed."""
    said = place.ask("POST", "/act", place.writing(), NOTE)
    assert said.status == 200
    assert len(place.lines()) == 1


@pytest.mark.parametrize("host", HOSTS)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_a_foreign_name_for_this_address(place: Place, host: str, method: str) -> None:
    """DNS rebinding: a name of somebody else's that was pointed at 127.0.0.1."""
    headers = [(k, host if k == "host" else v) for k, v in place.writing()]
    said = place.ask(method, "/act" if method == "POST" else "/", headers, NOTE)
    assert said.status == 421
    assert place.lines() == []


def test_no_host_or_two(place: Place) -> None:
    rest = place.writing()[1:]
    for hosts in ([], [("host", HOST), ("host", "evil.example")], [("host", HOST), ("host", HOST)]):
        assert place.ask("POST", "/act", [*hosts, *rest], NOTE).status == 421
    assert place.lines() == []


@pytest.mark.parametrize("origin", ORIGINS)
def test_a_foreign_origin(place: Place, origin: str) -> None:
    headers = [(k, origin if k == "origin" else v) for k, v in place.writing()]
    said = place.ask("POST", "/act", headers, NOTE)
    assert (said.status, said.code) == (403, "bench-foreign")
    assert place.lines() == []


def test_no_origin_or_two(place: Place) -> None:
    rest = [pair for pair in place.writing() if pair[0] != "origin"]
    for more in ([], [("origin", ORIGIN), ("origin", ORIGIN)]):
        assert place.ask("POST", "/act", [*rest, *more], NOTE).code == "bench-foreign"
    assert place.lines() == []


@pytest.mark.parametrize("site", ["cross-site", "same-site", "", "SAME-ORIGIN"])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_a_browser_says_it_comes_from_elsewhere(place: Place, site: str, method: str) -> None:
    """Fetch metadata (W3C): another port of this machine is the same site, and gets our cookie sent along."""
    headers = [*place.writing(), ("sec-fetch-site", site)]
    said = place.ask(method, "/act" if method == "POST" else "/photo/x.jpg", headers, NOTE)
    assert said.status == 403
    assert place.lines() == []


def test_the_same_from_its_own_page_passes(place: Place) -> None:
    assert (
        place.ask("POST", "/act", [*place.writing(), ("sec-fetch-site", "same-origin")], NOTE).status == 200
    )


WRONG = ["", "x", "A" * 43, "\xe4" * 43, "A" * 4000]


@pytest.mark.parametrize("wrong", WRONG)
def test_wrong_page_secret(place: Place, wrong: str) -> None:
    headers = [(k, wrong if k == "x-bench" else v) for k, v in place.writing()]
    assert place.ask("POST", "/act", headers, NOTE).code == "bench-page-token"
    headers = [pair for pair in place.writing() if pair[0] != "x-bench"]
    assert place.ask("POST", "/act", headers, NOTE).code == "bench-page-token"
    cookie = ("x-bench", place.bench.secrets.cookie)
    assert place.ask("POST", "/act", [*headers, cookie], NOTE).code == "bench-page-token"
    assert place.lines() == []


ADDRESSES = [
    "/",
    "/chains",
    "/carrier/T01",
    "/packages",
    "/machines",
    "/machines/equipment/DECK-1",
    "/live",
    "/static/bench.js",
    "/photo/a.jpg",
    "/nowhere",
]


@pytest.mark.parametrize("wrong", WRONG)
def test_wrong_cookie(place: Place, wrong: str) -> None:
    name = place.bench.cookie_name
    for headers in ([("cookie", f"{name}={wrong}")], [], [("cookie", f"other={place.bench.secrets.cookie}")]):
        for address in ADDRESSES:
            said = place.ask("GET", address, [("host", HOST), *headers])
            assert said.status == 403, address
            assert b"Look at the console" in said.body
            assert b"still run" in said.body
        rest = [pair for pair in place.writing() if pair[0] != "cookie"]
        assert place.ask("POST", "/act", [*rest, *headers], NOTE).code == "bench-not-opened"
    assert place.lines() == []


def test_a_cookie_put_beside_ours_does_not_lock_us_out(place: Place) -> None:
    """Another program on another port of this machine may set a cookie of the same name."""
    name, good = place.bench.cookie_name, place.bench.secrets.cookie
    headers = [pair for pair in place.writing() if pair[0] != "cookie"]
    for cookies in ([f"{name}=bad; {name}={good}"], [f"{name}=bad", f"a=b; {name}={good}"]):
        assert place.ask("POST", "/act", [*headers, *(("cookie", c) for c in cookies)], NOTE).status == 200


def test_opening_gives_the_cookie_and_goes_on(place: Place) -> None:
    said = place.ask("GET", f"/open/{place.bench.secrets.opening}", [("host", HOST)])
    assert (said.status, said.header("location")) == (303, "/")
    cookie = said.header("set-cookie")
    assert cookie.startswith(f"{place.bench.cookie_name}={place.bench.secrets.cookie};")
    assert {part.strip().lower() for part in cookie.split(";")[1:]} == {
        "httponly",
        "samesite=strict",
        "path=/",
    }


def test_opening_from_a_link_on_another_site_goes_on_by_itself(place: Place) -> None:
    """RFC 6265bis section 5.6.3: a strict cookie does not travel with a redirect that another site began."""
    headers = [("host", HOST), ("sec-fetch-site", "cross-site")]
    said = place.ask("GET", f"/open/{place.bench.secrets.opening}", headers)
    assert said.status == 200
    assert b'content="0;url=/"' in said.body
    assert "set-cookie" in said.headers


def test_wrong_opening(place: Place) -> None:
    secrets = place.bench.secrets
    for wrong in ("x", secrets.cookie, secrets.page, secrets.opening[:-1], f"{secrets.opening}x", "%00"):
        said = place.ask("GET", f"/open/{wrong}", [("host", HOST)])
        assert said.status in (403, 404), wrong
        assert "set-cookie" not in said.headers
    for method in ("HEAD", "POST"):
        assert place.ask(method, f"/open/{secrets.opening}", [("host", HOST)]).status == 403
    for path in (f"/open%2F{secrets.opening}", f"//open/{secrets.opening}", f"/open/{secrets.opening}/"):
        assert "set-cookie" not in place.ask("GET", path, [("host", HOST)]).headers


def test_the_address_given_to_the_browser_opens_once(place: Place) -> None:
    """It stands in the list of processes, where other users of the machine may read it."""
    once = f"/open/{place.bench.secrets.once}"
    assert place.ask("GET", once, [("host", HOST)]).status == 303
    assert place.ask("GET", once, [("host", HOST)]).status == 403
    assert place.ask("GET", f"/open/{place.bench.secrets.opening}", [("host", HOST)]).status == 303


METHODS = ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "get", "PROPFIND", "X" * 50]


@pytest.mark.parametrize("method", METHODS)
def test_other_kinds_of_request(place: Place, method: str) -> None:
    for address in ("/", "/act", "/live", "/photo/T01/photos"):
        said = place.ask(method, address, place.writing(), NOTE)
        assert said.status == 405, address
        assert "access-control-allow-origin" not in said.headers
        assert said.header("allow")
    assert place.lines() == []


def test_a_kind_of_request_on_the_wrong_address(place: Place) -> None:
    for method, address in (
        ("GET", "/act"), ("HEAD", "/act"), ("POST", "/"), ("POST", "/chains"), ("HEAD", "/live"),
        ("POST", "/live"), ("GET", "/work/wrap"), ("POST", "/static/bench.js"), ("GET", "/phone/stop"),
    ):  # fmt: skip
        assert place.ask(method, address, place.writing(), NOTE).status == 405, (method, address)


def test_headers_that_say_another_method_are_not_heard(place: Place) -> None:
    more = [("x-http-method-override", "POST"), ("x-method-override", "POST"), ("x-original-url", "/act")]
    assert place.ask("GET", "/act?_method=POST", [*place.writing(), *more], NOTE).status == 405
    forwarded = [("x-forwarded-host", HOST), ("forwarded", f"host={HOST}")]
    headers = [("host", "evil.example"), *place.writing()[1:], *forwarded]
    assert place.ask("POST", "/act", headers, NOTE).status == 421
    assert place.lines() == []


EVERYWHERE = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' "
    "data: blob:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


def test_every_answer_has_the_headers(place: Place) -> None:
    answers = [
        place.get("/nowhere"),
        place.ask("GET", "/", [("host", "evil.example")]),
        place.ask("GET", "/", [("host", HOST)]),
        place.ask("POST", "/act", place.writing(), NOTE),
        place.ask("POST", "/act", place.writing(), b"{"),
        place.ask("OPTIONS", "/act", place.writing()),
        place.ask("GET", f"/open/{place.bench.secrets.opening}", [("host", HOST)]),
    ]
    for said in answers:
        for name, value in EVERYWHERE.items():
            assert said.header(name) == value
        assert "server" not in said.headers
        assert "access-control-allow-origin" not in said.headers


def test_no_answer_holds_a_secret_it_should_not(place: Place) -> None:
    for said in (place.get("/nowhere"), place.ask("GET", "/", [("host", HOST)])):
        for secret in (place.bench.secrets.cookie, place.bench.secrets.opening, place.bench.secrets.once):
            assert secret.encode() not in said.body
