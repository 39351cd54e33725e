"""Files out of a form's multipart body (RFC 7578) while it comes in; nothing is collected. The door to
python-multipart."""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any, Final

from provpack.bench.replies import Refused

_HEADERS_AT_MOST: Final = 8 * 1024

Start = Callable[[str], Awaitable[None]]
"""A file begins; given its name."""
Data = Callable[[bytes], Awaitable[None]]
End = Callable[[], Awaitable[None]]


def _unreadable() -> Refused:
    return Refused(
        400, "bench-phone-form", "What the phone sent cannot be read.", "Nothing of it was kept. Try again.",
        close=True,
    )  # fmt: skip


async def each_file(
    content_type: str, body: AsyncIterator[bytes], start: Start, data: Data, end: End
) -> None:
    """Call start, data.., end for each file of the form that was filled in. Raises Refused 400."""
    from python_multipart.exceptions import FormParserError
    from python_multipart.multipart import MultipartParser, parse_options_header

    kind, options = parse_options_header(content_type)
    boundary = options.get(b"boundary")
    if kind != b"multipart/form-data" or not boundary or len(boundary) > 200:
        raise _unreadable()
    events: list[tuple[str, bytes]] = []

    def took(name: str) -> Callable[[bytes, int, int], None]:
        return lambda chunk, begin, stop: events.append((name, chunk[begin:stop]))

    def happened(name: str) -> Callable[[], None]:
        return lambda: events.append((name, b""))

    callbacks: dict[str, Any] = {
        "on_part_begin": happened("part"),
        "on_part_data": took("data"),
        "on_part_end": happened("end"),
        "on_header_field": took("field"),
        "on_header_value": took("value"),
        "on_header_end": happened("header"),
        "on_headers_finished": happened("headers"),
    }
    reading = _Reading(start, data, end)
    try:
        parser = MultipartParser(boundary, callbacks)  # type: ignore[arg-type]
        async for part in body:
            parser.write(part)
            for name, value in events:
                await reading.take(name, value)
            events.clear()
        parser.finalize()
    except FormParserError:
        raise _unreadable() from None
    if reading.inside:
        raise _unreadable()


class _Reading:
    """Where in the form we are."""

    def __init__(self, start: Start, data: Data, end: End) -> None:
        self._start, self._data, self._end = start, data, end
        self._field, self._value, self._seen = b"", b"", 0
        self._disposition = b""
        self._file = False
        self.inside = False

    async def take(self, name: str, value: bytes) -> None:
        from python_multipart.multipart import parse_options_header

        if name in ("field", "value"):
            self._seen += len(value)
            if self._seen > _HEADERS_AT_MOST:
                raise _unreadable()
        if name == "part":
            self._field, self._value, self._seen, self._disposition = b"", b"", 0, b""
            self.inside = True
        elif name == "field":
            self._field += value
        elif name == "value":
            self._value += value
        elif name == "header":
            if self._field.lower() == b"content-disposition":
                self._disposition = self._value
            self._field = self._value = b""
        elif name == "headers":
            _, options = parse_options_header(self._disposition)
            file_name = options.get(b"filename", b"").decode("utf-8", "replace")
            self._file = bool(file_name)  # a form without a chosen file sends an empty name
            if self._file:
                await self._start(file_name)
        elif name == "data" and self._file:
            await self._data(value)
        elif name == "end":
            if self._file:
                await self._end()
            self._file = self.inside = False
