"""Requests to the bench's application as raw as a socket would bring them, without a network."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from starlette.types import ASGIApp, Message
from support.jobs import make_job

from provpack.bench.app import make_app
from provpack.bench.session import Bench
from provpack.jobs.benchdesk import Desk

PORT = 23456
HOST = f"127.0.0.1:{PORT}"
ORIGIN = f"http://{HOST}"
JPEG = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8

Headers = Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One answer."""

    status: int
    headers: dict[str, list[str]]
    body: bytes

    def json(self) -> dict[str, Any]:
        value = json.loads(self.body)
        assert isinstance(value, dict)
        return value

    @property
    def code(self) -> str:
        return str(self.json()["code"])

    def header(self, name: str) -> str:
        values = self.headers[name]
        assert len(values) == 1, (name, values)
        return values[0]


async def asked(
    app: ASGIApp,
    method: str,
    target: str | bytes,
    headers: Headers = (),
    body: bytes | Sequence[bytes | float] = b"",
    *,
    then: str = "wait",
) -> Said:
    """body: in pieces as they arrive; a number is a wait in seconds. then: what follows the last piece:
    "wait" for nothing, or "gone": the sender went away in the middle."""
    raw = target if isinstance(target, bytes) else target.encode("latin-1")
    path, _, query = raw.partition(b"?")
    scope = {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": path.decode("latin-1"),
        "raw_path": path,
        "query_string": query,
        "root_path": "",
        "headers": [(k.lower().encode("latin-1"), v.encode("latin-1")) for k, v in headers],
        "server": ("127.0.0.1", PORT),
        "client": ("127.0.0.1", 50000),
        "state": {},
    }
    pieces = [body] if isinstance(body, bytes) else list(body)
    out: list[Message] = []

    async def receive() -> Message:
        while pieces:
            piece = pieces.pop(0)
            if isinstance(piece, float):
                await asyncio.sleep(piece)
                continue
            return {"type": "http.request", "body": piece, "more_body": bool(pieces) or then == "gone"}
        if then == "gone":
            return {"type": "http.disconnect"}
        await asyncio.sleep(3600)
        raise AssertionError

    async def send(message: Message) -> None:
        out.append(message)

    await app(scope, receive, send)
    assert out, "no answer"
    assert out[0]["type"] == "http.response.start"
    assert not out[-1].get("more_body", False)
    found: dict[str, list[str]] = {}
    for key, value in out[0]["headers"]:
        assert b"\n" not in key + value
        assert b"\r" not in key + value
        found.setdefault(key.decode("latin-1").lower(), []).append(value.decode("latin-1"))
    return Said(status=out[0]["status"], headers=found, body=b"".join(m.get("body", b"") for m in out[1:]))


@dataclass(slots=True)
class Noted:
    """What the application told the console."""

    errors: list[BaseException] = field(default_factory=list)

    def __call__(self, number: str, err: BaseException) -> None:
        self.errors.append(err)


class Idle:
    """Background work that does nothing."""

    def __init__(self) -> None:
        self.begun: list[tuple[str, Any]] = []

    def all(self) -> dict[str, dict[str, Any]]:
        return {}

    def measure(self, transfer_id: str, number: int) -> str:
        self.begun.append(("measure", (transfer_id, number)))
        return "w1"

    def wrap(self, ids: tuple[str, ...]) -> str:
        self.begun.append(("wrap", ids))
        return "w2"

    def verify(self, names: tuple[str, ...]) -> str:
        self.begun.append(("verify", names))
        return "w3"

    def stop(self, work: str) -> bool:
        return work == "w1"

    def files(self) -> tuple[Any, ...]:
        return ()

    def look(self) -> bool:
        return False

    def measured(self, name: str) -> None:
        return None

    def close(self) -> None:
        pass


class Place:
    """A job with two transfers, its bench, and its application; nothing listens."""

    def __init__(self, folder: Path) -> None:
        self.folder = make_job(folder / "job", ids=("T01", "T02"), frames=3000)
        self.clock = datetime(2026, 11, 20, 21, 0, 0, tzinfo=UTC)
        self.noted = Noted()
        self.works = Idle()
        desk = Desk(self.folder, now=self.now, tool_version="0.1.0")
        self.bench = Bench(
            desk=desk, destination=self.folder / "packages", port=PORT, now=self.now, mishap=self.noted,
            works=self.works, by="Ilse Varrow",
        )  # fmt: skip
        self.app = make_app(self.bench)

    def desk_again(self) -> Desk:
        """Another program on the same job."""
        return Desk(self.folder, now=self.now, tool_version="0.1.0")

    def now(self) -> datetime:
        self.clock += timedelta(seconds=1)
        return self.clock

    def cookie(self) -> tuple[str, str]:
        return ("cookie", f"{self.bench.cookie_name}={self.bench.secrets.cookie}")

    def own(self) -> list[tuple[str, str]]:
        """Headers of a request that reads."""
        return [("host", HOST), self.cookie()]

    def writing(self, kind: str = "application/json") -> list[tuple[str, str]]:
        """Headers of a request that writes."""
        return [
            *self.own(), ("origin", ORIGIN), ("x-bench", self.bench.secrets.page), ("content-type", kind)
        ]  # fmt: skip

    def ask(
        self, method: str, target: str | bytes, headers: Headers = (),
        body: bytes | Sequence[bytes | float] = b"", *, then: str = "wait",
    ) -> Said:  # fmt: skip
        return asyncio.run(asked(self.app, method, target, headers, body, then=then))

    def get(self, target: str | bytes) -> Said:
        return self.ask("GET", target, self.own())

    def post(self, target: str, value: object = None, **more: Any) -> Said:
        return self.ask("POST", target, self.writing(), json.dumps(value).encode(), **more)

    def act(self, kind: str, **members: Any) -> Said:
        return self.post("/act", {"kind": kind, "members": members})

    def close(self) -> None:
        self.bench.close()

    def lines(self) -> list[dict[str, Any]]:
        log = self.folder / "bench-log.jsonl"
        return [json.loads(line) for line in log.read_bytes().splitlines()] if log.exists() else []

    def tree(self) -> dict[str, bytes]:
        """Every file of the job folder, hidden ones too."""
        return {
            str(p.relative_to(self.folder)): p.read_bytes()
            for p in sorted(self.folder.rglob("*"))
            if p.is_file()
        }
