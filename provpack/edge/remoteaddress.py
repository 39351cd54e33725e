"""Addresses of packages that lie elsewhere: what is one, and how it is shown without its secrets."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import quote, unquote_to_bytes, urlsplit

_ADDRESS = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*)://(.*)\Z", re.DOTALL)
# Begins only where such a word begins, and takes it possessively: else a long word that is no address is
# tried from each of its letters to its end.
_ANYWHERE = re.compile(r"(?<![A-Za-z0-9+.-])([0-9+.-]*+)([A-Za-z][A-Za-z0-9+.-]*+://\S*)")
_LOCAL = ("file", "local")
WEB = ("http", "https")
"""Protocols whose names are percent-encoded (RFC 3986 section 2.1), and whose address may hold a query."""

_WITH_HOST = ("ftp", "sftp", "ssh", "smb", "webdav")
_WITH_BUCKET = ("s3", "s3a", "gs", "gcs", "az", "abfs", "oss", "oci", "tos")
_PORTS = range(1, 65536)
_BRACKETS = "The brackets around its host are not those of an IPv6 address."
_NO_HOST_NAME = "Its host holds a blank or another character that no name of a host has."


def is_address(text: str) -> bool:
    """Whether the text is an address (`protocol://...`) and no path of this machine."""
    return _ADDRESS.match(text) is not None


def protocol_of(address: str) -> str:
    """The protocol of an address, in lower case; "" for what is none."""
    found = _ADDRESS.match(address)
    return found.group(1).lower() if found else ""


def with_plain_protocol(address: str) -> str:
    """The address with its protocol in lower case (RFC 3986 section 3.1: case does not matter)."""
    protocol, sign, rest = address.partition("://")
    return f"{protocol.lower()}{sign}{rest}"


def misspelled(address: str) -> str | None:
    """Why no storage can have this address, as a sentence; None when one may. Nobody is asked."""
    protocol = protocol_of(address)
    rest = address.partition("://")[2]
    if protocol in _LOCAL:
        try:
            if "\0" in str(local_path(address)):
                return "It holds a NUL character, which no path has."
        except ValueError as err:
            return f"{str(err)[:1].upper()}{str(err)[1:]}."
    elif protocol in WEB:
        return _web_misspelled(address)
    elif protocol in _WITH_HOST and not rest.partition("/")[0].rpartition("@")[2]:
        return f"It names no host: {protocol}:// is followed by one."
    elif protocol in _WITH_BUCKET and not rest.partition("/")[0].rpartition("@")[2]:
        return f"It names no bucket: {protocol}:// is followed by one."
    elif protocol in (*_WITH_HOST, *_WITH_BUCKET) and not _brackets_fit(address):
        return _BRACKETS
    elif not rest and protocol != "memory":
        return f"Nothing stands after {protocol}://."
    return None


def _brackets_fit(address: str) -> bool:
    """RFC 3986 section 3.2.2: brackets stand around an IP literal, and nowhere else in a host."""
    host = address.partition("://")[2].partition("/")[0]
    try:
        urlsplit(f"//{host}")
    except ValueError:
        return not set(host) & set("[]")
    return True


def _web_misspelled(address: str) -> str | None:
    """RFC 3986 sections 3.2.2 and 3.2.3, RFC 1123 section 2.1."""
    if any(ord(char) < 0x20 or ord(char) == 0x7F for char in address):
        return "It holds a control character or a line break."
    try:
        parts = urlsplit(address)
        host = parts.hostname or ""
    except ValueError:
        if set(address) & set("[]"):
            return _BRACKETS
        return _NO_HOST_NAME
    try:
        port = parts.port
    except ValueError:
        port = 0
    if port is not None and port not in _PORTS:
        return "Its port is no whole number from 1 to 65535."
    if not host:
        return "It names no host."
    if not host.isprintable() or set(host) & set(' "<>\\^`{|}'):
        return _NO_HOST_NAME
    if ":" not in host and not all(host.removesuffix(".").split(".")):
        return "A part of its host's name is empty."
    return None


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
