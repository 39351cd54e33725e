"""The web as storage: how to ask a server, and the pages on which it lists a folder. The door to aiohttp."""

from __future__ import annotations

import time
from html.parser import HTMLParser
from typing import Any
from urllib.parse import urldefrag, urljoin, urlsplit

from provpack.edge.remotefault import Broken, OtherHost
from provpack.edge.remotenames import Thing

_LARGEST_PAGE = 64 * 1024 * 1024
_LONGEST_TAG = 1 << 20
"""Characters of an unfinished tag, comment or text kept until more of the page is there. All of it is
read anew each time, which for a tag as long as the page takes a quarter of an hour."""
_CONNECT, _SILENCE = 30.0, 60.0
"""Seconds to wait for a connection, and for the next bytes. There is no limit for a whole file."""

_AGAIN = 60.0
"""Seconds after which a server that never said a word is asked again. Each question would else wait anew."""


class _Hosts:
    """Servers that answered something, and those that only kept us waiting, with the time they last did."""

    def __init__(self) -> None:
        self.answered: set[str] = set()
        self.mute: dict[str, float] = {}

    async def begun(self, _session: Any, _context: Any, step: Any) -> None:
        if time.monotonic() - self.mute.get(_server(step), -_AGAIN) < _AGAIN:
            raise Broken("the server did not answer in time")

    async def ended(self, _session: Any, _context: Any, step: Any) -> None:
        self.answered.add(_server(step))
        self.mute.pop(_server(step), None)

    async def failed(self, _session: Any, _context: Any, step: Any) -> None:
        if isinstance(step.exception, TimeoutError) and _server(step) not in self.answered:
            self.mute[_server(step)] = time.monotonic()


_HOSTS = _Hosts()


def _server(step: Any) -> str:
    return urlsplit(str(step.url)).netloc.rpartition("@")[2]


def options() -> dict[str, Any]:
    """How fsspec opens its web file system for us. Raises ImportError when a part is missing."""
    import aiohttp  # noqa: F401 - told here that it is missing, not in the middle of a run

    return {"get_client": _client, "encoded": True, "simple_links": False}


async def _client(**settings: Any) -> Any:
    """A session that waits neither for ever nor only five minutes, wants the bytes as they are, and stays
    with the host it was sent to."""
    import aiohttp

    async def redirected(_session: Any, _context: Any, step: Any) -> None:
        here = urlsplit(str(step.url))
        there = urlsplit(urljoin(str(step.url), step.response.headers.get("Location", "")))
        if (there.scheme, there.netloc.rpartition("@")[2]) != (here.scheme, here.netloc.rpartition("@")[2]):
            step.response.close()
            raise OtherHost

    trace = aiohttp.TraceConfig()
    trace.on_request_redirect.append(redirected)
    trace.on_request_start.append(_HOSTS.begun)
    trace.on_request_end.append(_HOSTS.ended)
    trace.on_request_exception.append(_HOSTS.failed)
    settings.setdefault("timeout", aiohttp.ClientTimeout(total=None, connect=_CONNECT, sock_read=_SILENCE))
    settings["headers"] = {**(settings.get("headers") or {}), "Accept-Encoding": "identity"}
    settings["trace_configs"] = [*(settings.get("trace_configs") or ()), trace]
    return aiohttp.ClientSession(**settings)


def links(system: Any, folder: str) -> list[Thing]:
    """What a server's page about a folder links to directly beneath it; path: one component as in the link.

    system: fsspec's web file system. Raises Broken when there is no such page, and what the driver raises.
    """
    if urlsplit(folder).query:
        raise Broken("an address with a question mark names one object, and no folder")
    base = f"{folder}/"
    with system.open(base, "rb", block_size=0) as page:
        if "html" not in page.r.headers.get("Content-Type", ""):
            raise Broken("the server has no page that lists this folder", closed=True)
        parser = _Links()
        left = _LARGEST_PAGE
        while data := page.read(min(left, 1 << 20)):
            left -= len(data)
            if left <= 0:
                raise Broken("the server's page about this folder is too large to be read")
            parser.take(data.decode("utf-8", "replace"))
    found: dict[str, Thing] = {}
    for link in parser.targets:
        try:
            target = urldefrag(urljoin(base, link)).url
        except ValueError:  # no address at all, so none beneath this folder
            continue
        rest = target[len(base) :] if target.startswith(base) else ""
        component = rest.rstrip("/")
        if not component or "/" in component or "?" in component or component in (".", ".."):
            continue
        kind = "directory" if rest.endswith("/") else "file"
        found.setdefault(rest, Thing(path=component, name=target, kind=kind))  # type: ignore[arg-type]
    return list(found.values())


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.targets: list[str] = []

    def take(self, text: str) -> None:
        """The next part of the page. Raises Broken when it is no HTML."""
        no_html = Broken("the server's page about this folder is no HTML", closed=True)
        try:
            self.feed(text)
        except AssertionError:  # how Python's reader says that a markup declaration is none
            raise no_html from None
        if len(self.rawdata) > _LONGEST_TAG:
            raise no_html

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "a":
            self.targets += [value for name, value in attrs if name == "href" and value]
