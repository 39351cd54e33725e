"""Pages of the bench without its program: a tiny server that gives fixed pages and writes acts into a list.

It answers /act as the program does, so that what a page does after an answer can be seen; what the program
itself refuses or writes is tested with the program.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

STATIC = Path(__file__).resolve().parents[2] / "provpack" / "bench" / "static"
CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
TYPES = {".css": "text/css", ".js": "text/javascript"}


@dataclass
class Still:
    """What the server gives. pages: path -> its HTML, made anew at each request. answer: to an act.
    seek: what is found of an act that got no answer."""

    pages: dict[str, Callable[[], str]]
    answer: Callable[[dict[str, Any]], tuple[int, dict[str, Any]]]
    seek: Callable[[dict[str, Any]], dict[str, Any] | None] = lambda _asked: None
    acts: list[dict[str, Any]] = field(default_factory=list)
    address: str = ""
    n: int = 0
    told: threading.Condition = field(default_factory=threading.Condition)
    stopped: bool = False

    def tell(self, n: int) -> None:
        """Say to every open window that line n is the last."""
        with self.told:
            self.n = n
            self.told.notify_all()


@contextmanager
def served(still: Still) -> Iterator[Still]:
    """The server, on a free port of this machine; its address is still.address."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_message(self, format: str, *args: Any) -> None: ...

        def _give(self, status: int, kind: str, body: bytes) -> None:
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Security-Policy", CSP)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def do_GET(self) -> None:
            path = self.path.partition("?")[0]
            if path in still.pages:
                self._give(200, "text/html; charset=utf-8", still.pages[path]().encode())
            elif path.startswith("/static/"):
                file = STATIC / Path(path).name
                kind = TYPES.get(file.suffix)
                if kind is None or not file.is_file():
                    self._give(404, "text/plain", b"")
                else:
                    self._give(200, kind, file.read_bytes())
            elif path == "/state":
                told = {"n": still.n, "files": 0, "works": []}
                self._give(200, "application/json", json.dumps(told).encode())
            elif path == "/live":
                self._live()
            else:
                self._give(404, "text/plain", b"")

        def _live(self) -> None:
            self.close_connection = True
            self.send_response(200)
            self.send_header("Content-Type", "text/event-stream")
            self.send_header("Connection", "close")
            self.end_headers()
            last = None
            while not still.stopped:
                with still.told:
                    if still.n == last:
                        still.told.wait(0.2)
                    if still.n == last:
                        continue
                    last = still.n
                try:
                    self.wfile.write(f"event: state\ndata: {json.dumps({'n': last})}\n\n".encode())
                    self.wfile.flush()
                except OSError:
                    return

        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            if self.path == "/sought":
                self._give(200, "application/json", json.dumps({"found": still.seek(body)}).encode())
                return
            body["token"] = self.headers.get("X-Bench")
            still.acts.append(body)
            status, answer = still.answer(body)
            self._give(status, "application/json", json.dumps(answer).encode())

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    still.address = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield still
    finally:
        still.stopped = True
        server.shutdown()
        thread.join()
        server.server_close()
