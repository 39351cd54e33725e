"""What each address does. Everything that touches a disk runs in a thread."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from importlib import resources
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp

from provpack.bench.bodies import declared_length, json_object, parts_of, too_large
from provpack.bench.live import Stream, in_thread, state_of
from provpack.bench.paths import decoded
from provpack.bench.photos import photo_bytes
from provpack.bench.replies import Refused, in_json, small_page
from provpack.bench.session import Bench, same
from provpack.bench.sought import sought
from provpack.bench.uploads import PHOTO_FIELDS, PHOTO_LIMIT, upload
from provpack.bench.views import known_place, known_transfer, page_html
from provpack.jobs import benchcorrect
from provpack.jobs.benchdesk import Acted
from provpack.model.formats import read_date_time
from provpack.package.benchline import KINDS

NAME_HEADER: Final = "x-name"
NOW_HEADER: Final = "x-bench-now"
"""The program's clock when the page is sent: later than the one in the page, by what making it took."""
STATIC: Final[Mapping[str, str]] = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
_PHOTO_SECONDS: Final = 600.0
_MAX_IDS: Final = 1000
_STATIC_NAME: Final = re.compile(r"[a-z][a-z0-9_-]*\.[a-z]+")
_PACKAGE: Final = re.compile(r"[a-z0-9][a-z0-9_.-]{0,119}")


def not_found() -> Refused:
    return Refused(404, "bench-no-such-page", "There is nothing at this address.", "Go back to the carriers.")


async def open_bench(bench: Bench, request: Request, secret: str) -> Response:
    """Give the browser its cookie and send it to the first page."""
    once = same(secret, bench.secrets.once) and not bench.opened_once
    if not (same(secret, bench.secrets.opening) or once):
        raise Refused(
            403, "bench-wrong-opening", "This address opens nothing: it is of an earlier start, or was used.",
            "Look at the console where `provpack bench` runs and open the address it printed.", close=True,
        )  # fmt: skip
    bench.opened_once = bench.opened_once or once
    if request.headers.get("sec-fetch-site", "none") in ("none", "same-origin"):
        response: Response = RedirectResponse("/", 303)
    else:
        # Followed from another site's page, a strict cookie would not go along with a redirect.
        head = '<meta http-equiv="refresh" content="0;url=/">'
        response = HTMLResponse(small_page("The bench is open", (), '<p><a href="/">Go on</a></p>', head))
    response.set_cookie(bench.cookie_name, bench.secrets.cookie, path="/", httponly=True, samesite="strict")
    return response


async def _page(bench: Bench, request: Request, name: str, *args: Any) -> Response:
    html = await in_thread(bench.threads.pages, page_html, bench, name, request.url.path, *args)
    return HTMLResponse(html, headers={NOW_HEADER: bench.now().isoformat()})


async def _known(bench: Bench, transfer_id: str) -> None:
    if not await in_thread(bench.threads.pages, known_transfer, bench, transfer_id):
        raise Refused(
            404, "bench-no-such-transfer", f"This job has no transfer '{transfer_id}'.",
            "Look at the list of carriers.",
        )  # fmt: skip


async def carriers(bench: Bench, request: Request) -> Response:
    return await _page(bench, request, "carriers")


async def carrier(bench: Bench, request: Request, transfer_id: str) -> Response:
    if request.query_params.get("new") != "1":
        await _known(bench, transfer_id)
    return await _page(bench, request, "carrier", transfer_id)


async def receipt(bench: Bench, request: Request) -> Response:
    ids = _ids_of(request.scope.get("query_string", b""))
    if ids is None or len(ids) > _MAX_IDS:
        raise not_found()
    for transfer_id in ids:
        await _known(bench, transfer_id)
    return await _page(bench, request, "receipt", ids)


def _ids_of(query: bytes) -> tuple[str, ...] | None:
    """`ids=A,B%2C1` -> ("A", "B,1"): taken apart before it is decoded, for an id may hold a comma."""
    given = [piece[4:] for piece in query.split(b"&") if piece.startswith(b"ids=")]
    ids = [decoded(piece) for value in given for piece in value.split(b",") if piece]
    return None if None in ids else tuple(i for i in ids if i)


async def chains(bench: Bench, request: Request) -> Response:
    return await _page(bench, request, "chains")


async def after(bench: Bench, request: Request, transfer_id: str, number: str) -> Response:
    await _known(bench, transfer_id)
    return await _page(bench, request, "after", transfer_id, _number(number))


async def packages(bench: Bench, request: Request) -> Response:
    return await _page(bench, request, "packages")


async def machines(bench: Bench, request: Request) -> Response:
    return await _page(bench, request, "machines")


async def defaults(bench: Bench, request: Request) -> Response:
    return await _page(bench, request, "machine", "defaults", None)


async def machine(bench: Bench, request: Request, scope: str, name: str) -> Response:
    if scope not in ("chain", "equipment"):
        raise not_found()
    if not await in_thread(bench.threads.pages, known_place, bench, scope, name):
        raise Refused(
            404,
            "bench-no-such-place",
            f"This job has no {scope} '{name}'.",
            "Look at the list on the page Set-up.",
        )
    return await _page(bench, request, "machine", scope, name)


async def live(bench: Bench, request: Request) -> ASGIApp:
    return Stream(bench)


async def state(bench: Bench, request: Request) -> Response:
    return in_json(200, state_of(bench))


async def static(bench: Bench, request: Request, name: str) -> Response:
    """A file of our own; the names are those in the folder of this package."""
    media_type = STATIC.get("." + name.rpartition(".")[2])
    if not _STATIC_NAME.fullmatch(name) or media_type is None:
        raise not_found()
    data = await in_thread(bench.threads.files, _own_file, name)
    if data is None:
        raise not_found()
    return Response(data, media_type=media_type)


def _own_file(name: str) -> bytes | None:
    file = resources.files("provpack.bench").joinpath("static", name)
    return file.read_bytes() if file.is_file() else None


def _number(text: str) -> int:
    if not re.fullmatch(r"[1-9][0-9]{0,3}", text):
        raise not_found()
    return int(text)


# --- writing ---


def acted_json(acted: Acted, **more: str) -> Response:
    entry = acted.entry
    return in_json(
        200,
        {
            "n": entry["n"], "at": entry["at"], "words": acted.words, "undo": acted.undo,
            "warnings": list(acted.warnings), **more,
        },
    )  # fmt: skip


async def act(bench: Bench, request: Request) -> Response:
    """One line of the bench log. The answer is sent when it is on the disk.

    `pressed`, where the window knows it: when the key or button was pressed.
    """
    body = await json_object(request)
    pressed = body.pop("pressed", None)
    kind, members = _said(body, "kind", "members")
    when = read_date_time(pressed) if isinstance(pressed, str) else None
    with bench.first.acting():
        acted: Acted = await in_thread(bench.threads.acts, _act, bench, kind, members, when)
    bench.hub.state(acted.state.n)
    return acted_json(acted)


def _said(body: Mapping[str, Any], *names: str) -> tuple[str, Mapping[str, Any]]:
    """Kind and members of an act."""
    kind, members = body.get("kind"), body.get("members")
    if set(body) == set(names) and isinstance(kind, str) and kind in KINDS and isinstance(members, dict):
        return kind, members
    raise Refused(
        422, "bench-act", "What came is no act that can be logged.",
        "Nothing was logged. Load the page again.",
    )  # fmt: skip


async def seek(bench: Bench, request: Request) -> Response:
    """Whether an act that got no answer was logged: {"found": null | {"n", "at", "undo"}}.

    Asked in the thread of the acts, so that one which still waits there has been written or refused before.
    """
    body = await json_object(request)
    kind, members = _said(body, "kind", "members", "after")
    after = body["after"]
    if type(after) is not int or after < 0:
        raise Refused(422, "bench-act", "It is not said after which line to look.", "Load the page again.")
    found = await in_thread(bench.threads.acts, sought, bench.desk, kind, members, after)
    return in_json(200, {"found": found})


def _act(bench: Bench, kind: str, members: Mapping[str, Any], pressed: datetime | None) -> Acted:
    return bench.desk.act(kind, members, by=bench.by or None, through="page", pressed=pressed)


async def correct(bench: Bench, request: Request) -> Response:
    """A new transfer that replaces a sealed one, in one go; answered as an act is, with its transfer_id."""
    body = await json_object(request)
    shape = {"transfer_id": str, "reason": str, "again": bool, "new_id": str}
    if set(body) != set(shape) or not all(type(body[name]) is kind for name, kind in shape.items()):
        raise Refused(
            422, "bench-act", "What came is no correction that can be logged.",
            "Nothing was logged. Load the page again.",
        )  # fmt: skip
    with bench.first.acting():
        acted: Acted = await in_thread(
            bench.threads.acts, lambda: benchcorrect.correct(
                bench.desk, body["transfer_id"], reason=body["reason"], again=body["again"],
                new_id=body["new_id"], by=bench.by or None, through="page",
            ),
        )  # fmt: skip
    bench.hub.state(acted.state.n)
    return acted_json(acted, transfer_id=str(acted.entry["id"]))


async def correct_back(bench: Bench, request: Request, transfer_id: str) -> Response:
    """A correction on which nothing rests yet is taken back."""
    await json_or_nothing(request)
    with bench.first.acting():
        acted: Acted = await in_thread(
            bench.threads.acts,
            lambda: benchcorrect.withdraw(bench.desk, transfer_id, by=bench.by or None, through="page"),
        )
    bench.hub.state(acted.state.n)
    return acted_json(acted)


async def take_photo(bench: Bench, request: Request, transfer_id: str, field: str) -> Response:
    """A photo as the whole body."""
    _photo_field(field)
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if not (kind.startswith("image/") or kind == "application/octet-stream"):
        raise Refused(
            415, "bench-media-type", "Only photos are taken here.", "Nothing was kept. Send an image file.",
            close=True,
        )  # fmt: skip
    name = decoded(request.headers.get(NAME_HEADER, "photo").encode("latin-1"))
    if not name:
        raise Refused(
            400, "bench-photo-name", "The name of the photo cannot be read.",
            "Nothing was kept. Give the file a plain name, then send it again.", close=True,
        )  # fmt: skip
    await _known(bench, transfer_id)
    if (declared_length(request) or 0) > 2 * PHOTO_LIMIT:
        raise too_large(PHOTO_LIMIT)
    parts = parts_of(request.receive, PHOTO_LIMIT, within=_PHOTO_SECONDS)
    return acted_json(await upload(bench, transfer_id, field, name, parts))


def _photo_field(field: str) -> None:
    if field not in PHOTO_FIELDS:
        raise Refused(
            404, "bench-no-photo-field", "Photos cannot be kept under this name.", "Load the page again.",
            close=True,
        )  # fmt: skip


async def photo(bench: Bench, request: Request, name: str) -> Response:
    data, media_type = await in_thread(bench.threads.files, photo_bytes, bench, name)
    return Response(data, media_type=media_type)


# --- background work ---


async def measure(bench: Bench, request: Request, transfer_id: str, number: str) -> Response:
    n = _number(number)
    await json_or_nothing(request)
    await _known(bench, transfer_id)
    return await _begun(bench, bench.works.measure, transfer_id, n)


async def wrap(bench: Bench, request: Request) -> Response:
    ids = _names(await json_object(request), "ids")
    for transfer_id in ids:
        await _known(bench, transfer_id)
    return await _begun(bench, bench.works.wrap, ids)


async def verify(bench: Bench, request: Request) -> Response:
    names = _names(await json_object(request), "names", least=0)
    if not all(_PACKAGE.fullmatch(name) for name in names):
        raise Refused(
            422, "bench-package-name", "There is no package of such a name.", "Load the page again."
        )
    return await _begun(bench, bench.works.verify, names)


async def stop_work(bench: Bench, request: Request, work: str) -> Response:
    await json_or_nothing(request)
    if not await in_thread(bench.threads.files, bench.works.stop, work):
        raise Refused(404, "bench-no-such-work", "No such work is running.", "Load the page again.")
    return in_json(200, {"work": work})


async def _begun(bench: Bench, function: Any, *args: Any) -> Response:
    work = await in_thread(bench.threads.files, function, *args)
    return in_json(202, {"work": work})


async def json_or_nothing(request: Request) -> dict[str, Any]:
    """A body that may be left out."""
    headers = request.headers
    if not declared_length(request) and "content-type" not in headers and "transfer-encoding" not in headers:
        return {}
    return await json_object(request)


def _names(body: Mapping[str, Any], member: str, least: int = 1) -> tuple[str, ...]:
    given = body.get(member)
    listed = given if isinstance(given, list) and all(isinstance(value, str) for value in given) else None
    if set(body) != {member} or listed is None or not least <= len(listed) <= _MAX_IDS:
        raise Refused(422, "bench-names", "Nothing was chosen that can be worked on.", "Choose at least one.")
    return tuple(dict.fromkeys(listed))


# --- a phone ---


async def phone_begin(bench: Bench, request: Request, transfer_id: str, field: str) -> Response:
    """Let a phone send photos of one carrier for a while."""
    _photo_field(field)
    await json_or_nothing(request)
    await _known(bench, transfer_id)
    if bench.phone is None:
        raise Refused(
            422, "bench-phone-off", "Photos from a phone were not asked for when the bench was started.",
            "Start it with --phone ADDRESS (this machine's address in your own network), or drop the photos "
            "onto the page.",
        )  # fmt: skip
    return in_json(200, await bench.phone.begin(transfer_id, field))


async def phone_stop(bench: Bench, request: Request) -> Response:
    await json_or_nothing(request)
    if bench.phone is not None:
        await bench.phone.end()
    return in_json(200, {"words": "No phone can send photos now."})
