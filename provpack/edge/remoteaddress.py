"""Addresses of packages that lie elsewhere: what is one, and how it is shown without its secrets."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import quote, unquote_to_bytes

_ADDRESS = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*)://(.*)\Z", re.DOTALL)
# Begins only where such a word begins, and takes it possessively: else a long word that is no address is
# tried from each of its letters to its end.
_ANYWHERE = re.compile(r"(?<![A-Za-z0-9+.-])([0-9+.-]*+)([A-Za-z][A-Za-z0-9+.-]*+://\S*)")
_LOCAL = ("file", "local")
WEB = ("http", "https")
"""Protocols whose names are percent-encoded (RFC 3986 section 2.1), and whose address may hold a query."""


def is_address(text: str) -> bool:
    """Whether the text is an address (`protocol://...`) and no path of this machine."""
    return _ADDRESS.match(text) is not None


def protocol_of(address: str) -> str:
    """The protocol of an address, in lower case; "" for what is none."""
    found = _ADDRESS.match(address)
    return found.group(1).lower() if found else ""


def local_path(address: str) -> Path | None:
    """The path a file:// address names (RFC 8089 section 2), None for another protocol.

    Raises ValueError when the address names another machine.
    """
    found = _ADDRESS.match(address)
    if found is None or found.group(1).lower() not in _LOCAL:
        return None
    host, slash, rest = found.group(2).partition("/")
    if host not in ("", "localhost") or not slash:
        raise ValueError("a file:// address has three slashes and a path of this machine after them")
    path = decoded(slash + rest)
    if re.match(r"/[A-Za-z]:/", path):  # file:///C:/folder (RFC 8089 appendix E.2)
        path = path[1:]
    return Path(path)


def decoded(text: str) -> str:
    """Percent-encoded text as the name it stands for; bytes that are no UTF-8 as surrogate escapes."""
    return unquote_to_bytes(text.encode("utf-8", "surrogateescape")).decode("utf-8", "surrogateescape")


def encoded(path: str) -> str:
    """The path as an address of the web spells it; the opposite of decoded()."""
    return quote(path.encode("utf-8", "surrogateescape"), safe="/")


def shown_address(address: str) -> str:
    """The address without user, password and query, for results and messages."""
    found = _ADDRESS.match(address)
    if found is None:
        return address
    protocol, rest = found.groups()
    authority, slash, path = rest.partition("/")
    if protocol.lower() in WEB:
        authority, path = (re.split(r"[?#]", part, maxsplit=1)[0] for part in (authority, path))
    return f"{protocol}://{authority.rpartition('@')[2]}{slash}{path}"


def without_secrets(text: str) -> str:
    """A sentence of another program, every address in it without its secrets."""

    def clean(found: re.Match[str]) -> str:
        return found[1] + re.split(r"[?#]", shown_address(found[2]), maxsplit=1)[0]

    return _ANYWHERE.sub(clean, text)


def as_folder(address: str) -> str:
    """The address without a slash at its end; one of the web percent-encoded where it is not yet."""
    plain = address.rstrip("/")
    return quote(plain, safe="/%:@!$&'()*+,;=~?#[]") if protocol_of(address) in WEB else plain


def last_name(address: str) -> str:
    """The last component of an address: the folder's or object's own name."""
    plain = shown_address(address).rstrip("/")
    name = plain.partition("://")[2].rpartition("/")[2]
    return decoded(name) if protocol_of(address) in WEB else name


def below(address: str, component: str) -> str:
    """The address of something directly beneath a folder; component as the protocol spells it."""
    above = address if address.endswith("://") else f"{address.rstrip('/')}/"
    return f"{above}{component}"
