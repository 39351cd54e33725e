"""Answers that say no, in plain words: as a small page for people, as JSON for the page's script."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from html import escape
from typing import Any, Final

from starlette.responses import HTMLResponse, Response

from provpack.errors import EnvironmentProblem, ProvpackError

CHANGED_MEANWHILE: Final = "bench-changed-meanwhile"

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS: Final[Mapping[str, str]] = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
"""On every answer, whatever it is."""


class Refused(Exception):
    """A request that is answered with no. close: the connection ends with it (its body was not read)."""

    def __init__(self, status: int, code: str, what: str, todo: str, *, where: str = "",
                 close: bool = False, allow: str = "") -> None:  # fmt: skip
        super().__init__(what)
        self.status, self.code, self.what, self.todo, self.where = status, code, what, todo, where
        self.close, self.allow = close, allow


def refused_by(err: ProvpackError) -> Refused:
    """The program said no: 409 when somebody was faster, 503 when the machine cannot, else 422. In words of
    the page: fields are called what stands beside them there."""
    status = 422
    if err.code == CHANGED_MEANWHILE:
        status = 409
    elif isinstance(err, EnvironmentProblem):
        status = 503
    from provpack.report.bench_words import plainly

    return Refused(status, err.code, plainly(err.what), plainly(err.todo), where=err.where)


def in_json(status: int, value: Mapping[str, Any]) -> Response:
    body = json.dumps(value, ensure_ascii=True, allow_nan=False).encode()
    return Response(body, status_code=status, media_type="application/json")


def answer(refused: Refused, *, for_people: bool) -> Response:
    """The refusal as a page or as JSON {"code", "what", "todo", "where"}."""
    if for_people:
        paragraphs = [p for p in (refused.what, refused.todo) if p]
        response: Response = HTMLResponse(small_page(refused.what, paragraphs[1:]), refused.status)
    else:
        value = {"code": refused.code, "what": refused.what, "todo": refused.todo, "where": refused.where}
        response = in_json(refused.status, value)
    if refused.close:
        response.headers["connection"] = "close"
    if refused.allow:
        response.headers["allow"] = refused.allow
    return response


def small_page(heading: str, paragraphs: Iterable[str], body: str = "", head: str = "") -> str:
    """A page with nothing but words. body, head: HTML of our own, put in as it is."""
    told = "".join(f"<p>{escape(text)}</p>" for text in paragraphs)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta name="color-scheme" content="dark light"><title>Bench: {escape(heading)}</title>{head}</head>'
        f"<body><main><h1>{escape(heading)}</h1>{told}{body}</main></body></html>"
    )
