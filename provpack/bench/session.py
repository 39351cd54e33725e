"""One start of the bench: its secrets, its desk, and who may speak to it."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

from provpack.bench.first import First
from provpack.bench.live import Hub
from provpack.bench.views import Shown
from provpack.jobs.benchdesk import Desk, DeskInfo

if TYPE_CHECKING:
    from provpack.package.benchmatch import FileSeen

LOOPBACK: Final = "127.0.0.1"
_SECRET_BYTES = 32


class Works(Protocol):
    """What runs in the background, and what is seen in the job folder. Methods are called in threads."""

    def all(self) -> Mapping[str, Mapping[str, Any]]:
        """Works by id: members work, label, done, total, state (running, done, failed), words."""

    def measure(self, transfer_id: str, number: int) -> str:
        """Measure the file of a pass; the id of the work. Refusals are ProvpackError."""

    def wrap(self, ids: tuple[str, ...]) -> str: ...
    def verify(self, names: tuple[str, ...]) -> str: ...
    def stop(self, work: str) -> bool:
        """False when there is no such work."""

    def files(self) -> tuple[FileSeen, ...]:
        """Finished audio files in the job folder, as of the last look()."""

    def look(self) -> bool:
        """Look at the job folder anew; True when something changed."""

    def measured(self, name: str) -> Mapping[str, Any] | None: ...
    def close(self) -> None:
        """Stop everything that runs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Secrets:
    """Made anew at each start, so that nothing from an earlier one is of use.

    opening: in the address that is printed. once: in the address handed to the browser, which other users
    of this machine may see in the list of processes; good for one opening. cookie: what the browser keeps.
    page: what a page sends back with everything it writes.
    """

    opening: str = field(default_factory=lambda: secrets.token_urlsafe(_SECRET_BYTES))
    once: str = field(default_factory=lambda: secrets.token_urlsafe(_SECRET_BYTES))
    cookie: str = field(default_factory=lambda: secrets.token_urlsafe(_SECRET_BYTES))
    page: str = field(default_factory=lambda: secrets.token_urlsafe(_SECRET_BYTES))


def same(given: str, expected: str) -> bool:
    """Compare secrets in a time that does not depend on where they differ."""
    return hmac.compare_digest(given.encode("utf-8", "surrogateescape"), expected.encode())


class Threads:
    """Where blocking work goes, so that the event loop never waits; acts wait for acts alone."""

    def __init__(self) -> None:
        self.acts = ThreadPoolExecutor(1, "bench-acts")
        self.pages = ThreadPoolExecutor(1, "bench-pages")  # two would take turns, and finish both later
        self.files = ThreadPoolExecutor(2, "bench-files")
        self.watch = ThreadPoolExecutor(1, "bench-watch")

    def close(self) -> None:
        for pool in (self.acts, self.pages, self.files, self.watch):
            pool.shutdown(wait=True, cancel_futures=True)


@dataclass(slots=True, kw_only=True)
class Bench:
    """Everything a request needs. by: who is at the bench, "" when nobody said.

    mishap: told of a mistake of ours: the number the page shows, and the error.
    """

    desk: Desk
    destination: Path
    port: int
    now: Callable[[], datetime]
    mishap: Callable[[str, BaseException], None]
    works: Works
    by: str = ""
    secrets: Secrets = field(default_factory=Secrets)
    hub: Hub = field(default_factory=Hub)
    threads: Threads = field(default_factory=Threads)
    first: First = field(default_factory=First)
    shown: Shown = field(default_factory=Shown)
    phone: Any = None
    """bench.phone.Phone when --phone was given."""
    opened_once: bool = False

    @property
    def cookie_name(self) -> str:
        """Browsers give a cookie to every port of a host: without the port two benches would take each
        other's away."""
        return f"bench_{self.port}"

    @property
    def hosts(self) -> tuple[str, ...]:
        """What the Host header may be."""
        names = (LOOPBACK, "localhost")
        bare = names if self.port == 80 else ()  # browsers leave the usual port out
        return (*(f"{name}:{self.port}" for name in names), *bare)

    def address(self, secret: str) -> str:
        return f"http://{LOOPBACK}:{self.port}/open/{secret}"

    def info(self) -> DeskInfo:
        """What the views are told besides the desk."""
        return DeskInfo(
            destination=self.destination,
            by=self.by,
            works=self.works.all(),
            files=self.works.files(),
            measured=self.works.measured,
        )

    def close(self) -> None:
        self.works.close()
        self.threads.close()
