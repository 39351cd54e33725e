"""Bodies of requests: read with a limit that holds while they come in, and with an end to patience."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any, Final, NoReturn

from starlette.requests import Request
from starlette.types import Receive

from provpack.bench.replies import Refused

JSON_LIMIT: Final = 64 * 1024
JSON_DEPTH: Final = 12
STALLED: Final = 15.0
"""Seconds without a byte after which nothing more is expected."""
JSON_SECONDS: Final = 10.0
_DRAINED: Final = 32 * 1024 * 1024


def too_large(limit: int) -> Refused:
    shown = f"{limit // 1024 // 1024} MiB" if limit >= 1 << 20 else f"{limit // 1024} KiB"
    return Refused(
        413, "bench-too-large", f"This is more than {shown}, which is all that is taken at once.",
        "Nothing was kept. Send something smaller.", close=True,
    )  # fmt: skip


def _slow() -> Refused:
    return Refused(
        408, "bench-slow", "What was being sent did not arrive in time.",
        "Nothing was kept. Send it again.", close=True,
    )  # fmt: skip


def declared_length(request: Request) -> int | None:
    """Content-Length, None when it is not there or no number (the server has refused that already)."""
    text = request.headers.get("content-length", "")
    return int(text) if text.isdecimal() and len(text) < 20 else None


async def parts_of(
    receive: Receive, limit: int, *, stalled: float = STALLED, within: float | None = None
) -> AsyncIterator[bytes]:
    """The body in pieces, at most limit bytes. Raises Refused 413, 408; 400 when the sender went away."""
    total, loop = 0, asyncio.get_running_loop()
    end = loop.time() + within if within is not None else None
    while True:
        patience = stalled if end is None else min(stalled, end - loop.time())
        try:
            message = await asyncio.wait_for(receive(), max(patience, 0.001))
        except TimeoutError:
            raise _slow() from None
        if message["type"] == "http.disconnect":
            raise Refused(400, "bench-gone", "The sender went away.", "Nothing was kept.", close=True)
        part = message.get("body", b"")
        total += len(part)
        if total > limit:
            await _drain(receive, message.get("more_body", False))
            raise too_large(limit)
        if part:
            yield part
        if not message.get("more_body", False):
            return


async def _drain(receive: Receive, more: bool) -> None:
    """Read on for a while and throw it away: a sender that is still sending would not hear our answer."""
    left, loop = _DRAINED, asyncio.get_running_loop()
    end = loop.time() + 5.0
    while more and left > 0 and loop.time() < end:
        try:
            message = await asyncio.wait_for(receive(), 1.0)
        except TimeoutError:
            return
        if message["type"] == "http.disconnect":
            return
        left -= len(message.get("body", b""))
        more = message.get("more_body", False)


async def json_object(request: Request) -> dict[str, Any]:
    """The body as one JSON object (RFC 8259), strictly: no repeated name, no NaN, nothing nested deeply, no
    text that is no Unicode. Raises Refused."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise Refused(
            415, "bench-media-type", "This has to be JSON, and says it is something else.",
            "Load the page again.", close=True,
        )  # fmt: skip
    if (declared_length(request) or 0) > JSON_LIMIT:
        raise too_large(JSON_LIMIT)
    body = bytearray()
    async for part in parts_of(request.receive, JSON_LIMIT, within=JSON_SECONDS):
        body += part
    value = read_json(bytes(body))
    if not isinstance(value, dict):
        _no_json("it is no object")
    return value


def read_json(body: bytes) -> Any:
    """See json_object."""
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError:
        _no_json("it is not UTF-8")
    if _depth(text) > JSON_DEPTH:
        _no_json("it is nested too deeply")
    try:
        value = json.loads(
            text, object_pairs_hook=_no_repeats, parse_constant=_no_json, parse_float=_finite, parse_int=_int
        )
    except ValueError:
        _no_json("it cannot be read")
    try:
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError:
        _no_json("it holds text that is no Unicode")
    return value


def _no_json(why: str) -> NoReturn:
    raise Refused(
        400, "bench-json", f"What came is not the JSON that was expected: {why[:60]}.",
        "Nothing was logged. Load the page again.",
    )  # fmt: skip


def _depth(text: str) -> int:
    """How deep brackets outside strings nest, without reading the values."""
    deepest = here = 0
    inside = escaped = False
    for char in text:
        if inside:
            if escaped:
                escaped = False
            elif char == "\\":
                escaped = True
            elif char == '"':
                inside = False
        elif char == '"':
            inside = True
        elif char in "[{":
            here += 1
            deepest = max(deepest, here)
        elif char in "]}":
            here -= 1
    return deepest


def _no_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    out = dict(pairs)
    if len(out) != len(pairs):
        _no_json("a name stands in it twice")
    return out


def _finite(text: str) -> float:
    value = float(text)
    if value in (float("inf"), float("-inf")):
        _no_json("a number in it is too large")
    return value


def _int(text: str) -> int:
    if len(text) > 20:
        _no_json("a number in it is too long")
    return int(text)
