"""A real `provpack bench` in a process of its own, and a browser's requests to it, made by hand."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PATIENCE = 30.0


@dataclass(slots=True)
class Running:
    """The process, and what a browser would keep. cookie, page: as the opening gave them."""

    process: subprocess.Popen[bytes]
    opening: str
    said: list[str] = field(default_factory=list)
    cookie: str = ""
    page: str = ""
    windows: list[Live] = field(default_factory=list)

    @property
    def port(self) -> int:
        found = re.search(r":(\d+)/", self.opening)
        assert found
        return int(found[1])

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"

    def connect(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE)

    def open(self) -> None:
        """What the browser does with the address that was printed."""
        line = self.connect()
        line.request("GET", self.opening.partition(self.host)[2])
        answer = line.getresponse()
        assert answer.status == 303, answer.read()
        self.cookie = str(answer.getheader("set-cookie")).partition(";")[0]
        line.close()
        html = self.get("/chains").decode()
        found = re.search(r'<meta name="bench" content="([^"]+)"', html)
        assert found, html[:500]
        self.page = found[1]

    def get(self, path: str, status: int = 200) -> bytes:
        line = self.connect()
        line.request("GET", path, headers={"Cookie": self.cookie})
        answer = line.getresponse()
        body = answer.read()
        line.close()
        assert answer.status == status, (answer.status, body[:500])
        return body

    def headers(self) -> dict[str, str]:
        return {
            "Cookie": self.cookie, "Origin": f"http://{self.host}", "X-Bench": self.page,
            "Content-Type": "application/json",
        }  # fmt: skip

    def post(
        self, path: str, value: object, line: http.client.HTTPConnection | None = None
    ) -> tuple[int, dict[str, Any]]:
        own = line or self.connect()
        own.request("POST", path, body=json.dumps(value).encode(), headers=self.headers())
        answer = own.getresponse()
        body = json.loads(answer.read())
        if line is None:
            own.close()
        return answer.status, body

    def act(self, kind: str, **members: Any) -> tuple[int, dict[str, Any]]:
        return self.post("/act", {"kind": kind, "members": members})

    def live(self) -> Live:
        self.windows.append(Live(self))
        return self.windows[-1]

    def stop(self, number: int = signal.SIGTERM) -> int:
        """Exit code."""
        if self.process.poll() is None:
            self.process.send_signal(number)
        return self.process.wait(PATIENCE)

    def until_said(self, words: str) -> None:
        until = time.monotonic() + PATIENCE
        while not any(words in line for line in self.said):
            assert time.monotonic() < until, self.said
            time.sleep(0.01)


class Live:
    """One window's stream of events."""

    def __init__(self, bench: Running) -> None:
        self.socket = socket.create_connection(("127.0.0.1", bench.port), timeout=PATIENCE)
        request = f"GET /live HTTP/1.1\r\nHost: {bench.host}\r\nCookie: {bench.cookie}\r\n\r\n"
        self.socket.sendall(request.encode())
        self._file = self.socket.makefile("rb")
        self.status = int(self._file.readline().split()[1])
        while self._file.readline().strip():
            pass
        self.ended = False

    def events(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """Events as they come; ends when the server ends the stream."""
        name = ""
        for text in self._lines():
            if text.startswith("event: "):
                name = text[7:]
            elif text.startswith("data: "):
                yield name, json.loads(text[6:])

    def _lines(self) -> Iterator[str]:
        """Lines out of a chunked body (RFC 9112 section 7.1)."""
        rest = ""
        while True:
            size = int(self._file.readline().strip() or b"0", 16)
            if size == 0:
                self.ended = True
                return
            rest += self._file.read(size).decode()
            self._file.readline()
            *lines, rest = rest.split("\n")
            yield from lines

    def until(self, name: str, **members: Any) -> dict[str, Any]:
        for event, data in self.events():
            if event == name and all(data.get(k) == v for k, v in members.items()):
                return data
        raise AssertionError(f"the stream ended before {name} {members}")

    def close(self) -> None:
        self._file.close()
        self.socket.close()


@contextmanager
def running(job: Path, *words: str, opened: bool = True) -> Iterator[Running]:
    """The program on a job folder, without a browser; killed at the end if it still runs."""
    process = subprocess.Popen(
        [sys.executable, "-m", "provpack", "bench", str(job), "--no-browser", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
    )
    bench = Running(process=process, opening="")
    assert process.stdout is not None

    def listen() -> None:
        assert process.stdout is not None
        for line in process.stdout:
            bench.said.append(line.decode().rstrip())

    listener = threading.Thread(target=listen, daemon=True)
    listener.start()
    try:
        bench.until_said("/open/")
        bench.opening = next(line.strip() for line in bench.said if "/open/" in line)
        if opened:
            bench.open()
        yield bench
    finally:
        for window in bench.windows:
            window.close()
        if process.poll() is None:
            process.kill()
        process.wait()
        listener.join(5)
        process.stdout.close()
