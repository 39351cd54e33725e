"""What goes wrong with storage elsewhere, in plain words. Drivers raise all kinds of errors, some nested."""

from __future__ import annotations

import errno
from collections.abc import Iterator

from provpack.edge.remoteaddress import without_secrets

_REFUSED = {"401", "403", "accessdenied", "invalidaccesskeyid", "signaturedoesnotmatch", "expiredtoken"}
_GONE = {"404", "410", "nosuchkey"}
_NO_BUCKET = {"nosuchbucket"}
_SLOW = ("timeout", "fstimeout")
_LOST = (
    "connection", "connector", "disconnected", "payloaderror", "incompleteread", "responsestreaming",
    "httpclienterror", "clientoserror",
)  # fmt: skip


class Broken(OSError):
    """Something elsewhere could not be read; its text is for people. gone: there is nothing of that name.
    closed: the server shows no list of this folder, which says nothing of what is in it."""

    def __init__(self, what: str, *, gone: bool = False, closed: bool = False) -> None:
        super().__init__(errno.EIO, what)
        self.gone = gone
        self.closed = closed or gone

    def __str__(self) -> str:
        return str(self.strerror)


class OtherHost(Exception):
    """A web server points to another host."""


def why(err: BaseException) -> Broken:
    """The plain reason of an error some driver raised, without any secrets."""
    chain = list(_chain(err))
    for one in chain:
        if isinstance(one, Broken):
            return one
        if isinstance(one, OtherHost):
            return Broken("the server points to another place, which is not followed")
    for one in chain:
        said = _by_code(_code(one))
        if said is not None:
            return said
    for one in reversed(chain):  # some drivers call every failure a file not found; the cause knows better
        said = _by_name(one)
        if said is not None:
            return said
    text = " ".join(without_secrets(str(chain[-1])).split()).rstrip(".")[:200]
    return Broken(f"{chain[-1].__class__.__name__}{': ' if text else ''}{text}")


def _chain(err: BaseException) -> Iterator[BaseException]:
    """The error and what caused it, outermost first, at most ten."""
    one: BaseException | None = err
    for _ in range(10):
        if one is None:
            return
        yield one
        one = one.__cause__ or (None if one.__suppress_context__ else one.__context__)


def _code(err: BaseException) -> str:
    """The HTTP status or the server's own code of the error, in lower case; "" when it has none."""
    response = getattr(err, "response", None)
    if isinstance(response, dict):
        code = response.get("Error", {}).get("Code")
        status = response.get("ResponseMetadata", {}).get("HTTPStatusCode")
        return str(code or status or "").lower()
    status = getattr(err, "status", None)
    return str(status) if isinstance(status, int) and not isinstance(status, bool) else ""


def _by_code(code: str) -> Broken | None:
    if code in _REFUSED:
        said = "access was refused; credentials come from the environment or the storage's own settings"
        return Broken(said, closed=code == "403")
    if code in _NO_BUCKET:
        return Broken("there is no such bucket")
    if code in _GONE:
        return Broken("there is nothing of that name", gone=True)
    if code.isdigit() and 500 <= int(code) <= 599:
        return Broken(f"the server has a fault of its own (HTTP status {code})")
    if code in ("internalerror", "serviceunavailable", "slowdown"):
        return Broken(f"the server has a fault of its own ({code})")
    if code.isdigit() and int(code) >= 300:
        return Broken(f"the server refuses the request (HTTP status {code})")
    return None


def _by_name(err: BaseException) -> Broken | None:
    name = err.__class__.__name__.lower()
    text = str(err).lower()
    if "credentials" in name:
        return Broken("no usable credentials were found in the environment or the storage's own settings")
    if isinstance(err, PermissionError):
        return _by_code("403")
    if isinstance(err, FileNotFoundError):
        bucket = "bucket does not exist" in text
        return Broken("there is no such bucket") if bucket else _by_code("404")
    if "invalidurl" in name:
        return Broken("it is misspelled: no server can have such an address")
    if isinstance(err, TimeoutError) or any(part in name for part in _SLOW):
        return Broken("the server did not answer in time")
    if "gaierror" in name or "dnserror" in name:
        return Broken("the host's name is not known")
    if "certificate" in name or "ssl" in name:
        return Broken("the connection is not safe: the server's certificate was not accepted")
    if isinstance(err, ConnectionError) or any(part in name for part in _LOST):
        return Broken("the connection was refused or lost")
    return None
