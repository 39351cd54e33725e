"""The list of trusted signers, in the format of ssh-keygen(1), ALLOWED SIGNERS.

Each line: principals, options (if any), key type, key, comment. What cannot be followed to the letter is
passed over with a finding: a line too few leaves a signature unvouched, one too many would vouch for it.

Times without Z are taken as ssh-keygen takes them: in the time zone of the computer that checks, and in
its standard time also in summer (OpenSSH 9.2 never sets tm_isdst; seen with TZ=Europe). Lines that we write
have times with Z, which OpenSSH knows since 9.1.
"""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Literal

from provpack.errors import InputProblem, UsageProblem
from provpack.findings import Finding, Rule
from provpack.package import signrules
from provpack.package.bagpaths import Findings, readable
from provpack.package.sshwire import KEY_TYPE, NotWire, blob_of_line, line_of_blob

MAX_SIGNERS = 1024 * 1024
"""Bytes of a list that are read."""
_MAX_LINE = 32 * 1024
_MAX_PATTERN = 1023  # characters; OpenSSH's match_pattern_list matches nothing with a longer one
_NAME = re.compile(r"[A-Za-z0-9._%+@:=/~-]{1,200}")
_TIME = re.compile(r"([0-9]{4})([0-9]{2})([0-9]{2})(?:([0-9]{2})([0-9]{2})([0-9]{2})?)?(Z|UTC)?", re.I)
_OPTION = re.compile(r'(namespaces|valid-after|valid-before)="((?:\\"|[^"])*+)"', re.I)
_AUTHORITY = "cert-authority"

Standing = Literal["inside", "early", "late", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignerLine:
    """One line. principals and namespaces: pattern lists as written (namespaces None: for all); public_key:
    binary, with its type. The key is trusted from valid_after to valid_before, both included."""

    line: int
    principals: str
    public_key: bytes
    namespaces: str | None = None
    valid_after: datetime | None = None
    valid_before: datetime | None = None

    def allows(self, namespace: str) -> bool:
        """Whether the key may sign for this namespace."""
        return self.namespaces is None or matches(namespace, self.namespaces)

    def named(self, principal: str) -> bool:
        """Whether the line is about this signer."""
        return matches(principal, self.principals)

    def standing(self, at: datetime | None) -> Standing:
        """Where an aware moment lies to the time in which the key is trusted. None: it is not known."""
        if self.valid_after is None and self.valid_before is None:
            return "inside"
        if at is None:
            return "unknown"
        if self.valid_after is not None and at < self.valid_after:
            return "early"
        return "late" if self.valid_before is not None and at > self.valid_before else "inside"

    def when(self) -> str:
        """The time in which the key is trusted, in words."""
        since = f"from {self.valid_after.isoformat()}" if self.valid_after else ""
        until = f"until {self.valid_before.isoformat()}" if self.valid_before else ""
        return " ".join(part for part in (since, until) if part) or "at any time"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signers:
    """A list as read. findings: lines that were passed over, to be told once with the list."""

    where: str
    lines: tuple[SignerLine, ...] = ()
    findings: tuple[Finding, ...] = field(default=())


def matches(text: str, patterns: str) -> bool:
    """Whether a pattern list (ssh_config(5), PATTERNS) takes text in: commas, * and ?, ! to shut out."""
    taken = False
    for part in patterns.split(","):
        pattern = part.removeprefix("!")
        if len(pattern) >= _MAX_PATTERN:
            return False
        if _matches(text, pattern):
            if pattern != part:
                return False
            taken = True
    return taken


def _matches(text: str, pattern: str) -> bool:
    """One pattern, in steps of at most len(text) * len(pattern), whatever stars it has."""
    at = i = 0
    star, resume = -1, 0
    while at < len(text):
        if i < len(pattern) and pattern[i] == "*":
            star, resume, i = i, at, i + 1
        elif i < len(pattern) and pattern[i] in ("?", text[at]):
            at, i = at + 1, i + 1
        elif star >= 0:
            resume += 1
            at, i = resume, star + 1
        else:
            return False
    return not pattern[i:].strip("*")


def parse_signers(data: bytes, where: str) -> Signers:
    """Read a list. Lines that cannot be used are findings; raises InputProblem when it is too large.

    where: the file, for people; findings name the line.
    """
    if len(data) > MAX_SIGNERS:
        raise InputProblem(
            "signers-too-large",
            f"The list of signers is larger than {MAX_SIGNERS} bytes.",
            where=where,
            todo="Look whether it is the right file: each line holds a name, a key type and a key.",
        )
    found, lines = Findings(where), []
    for number, raw in enumerate(data.split(b"\n"), 1):
        try:
            line = _parse_line(raw, number)
        except _Passed as why:
            found.add(why.rule, why.what, line=number)
        else:
            lines += [line] if line is not None else []
    if not lines:
        found.add(signrules.LIST_EMPTY, "No line of the list can be used.", where)
    return Signers(where=where, lines=tuple(lines), findings=found.done())


class _Passed(Exception):
    """Why a line is passed over."""

    def __init__(self, what: str, rule: Rule = signrules.LIST_LINE) -> None:
        super().__init__(what)
        self.what = what
        self.rule = rule


def _parse_line(raw: bytes, number: int) -> SignerLine | None:
    if len(raw) > _MAX_LINE:
        raise _Passed(f"The line is longer than {_MAX_LINE} bytes.")
    try:
        text = raw.decode("utf-8").removesuffix("\r").lstrip(" \t")
    except UnicodeDecodeError:
        raise _Passed("The line is not text in UTF-8.") from None
    if not text or text.startswith("#"):
        return None
    if not text.replace("\t", " ").isprintable():
        raise _Passed("The line holds characters that cannot be seen, such as a byte order mark.")
    principals, _, rest = text.replace("\t", " ").partition(" ")
    if '"' in principals:
        raise _Passed("The name is in quotes.")
    if all(not part or part.startswith("!") for part in principals.split(",")):
        raise _Passed(f"{readable(principals[:100])!r} shuts signers out, but names none.")
    options, rest = _split_options(rest.strip(" "))
    try:
        blob = blob_of_line(rest)
    except NotWire as err:
        raise _Passed(f"There is no usable key for {readable(principals[:100])}: {err}.") from None
    namespaces, after, before = _parse_options(options)
    return SignerLine(
        line=number,
        principals=principals,
        public_key=blob,
        namespaces=namespaces,
        valid_after=after,
        valid_before=before,
    )


def _split_options(text: str) -> tuple[str, str]:
    """(options, key type and key and comment); options end at the first blank outside quotes."""
    if KEY_TYPE.fullmatch(text.partition(" ")[0]):
        return "", text
    quoted, at = False, 0
    while at < len(text) and (quoted or text[at] != " "):
        if text.startswith('\\"', at):
            at += 1
        elif text[at] == '"':
            quoted = not quoted
        at += 1
    if quoted:
        raise _Passed("A double quote is not closed.")
    return text[:at], text[at:].lstrip(" ")


def _parse_options(text: str) -> tuple[str | None, datetime | None, datetime | None]:
    """(namespaces, valid-after, valid-before); option names do not count case."""
    values: dict[str, str] = {}
    at = 0
    while at < len(text):
        match = _OPTION.match(text, at)
        if match is None:
            name = re.split('[,="]', text[at:], maxsplit=1)[0]
            if name.lower() == _AUTHORITY:
                raise _Passed("The line is for a certificate authority.", signrules.LIST_AUTHORITY)
            if name.lower() in ("namespaces", "valid-after", "valid-before"):
                raise _Passed(f"The value of {name} must stand in double quotes.", signrules.LIST_OPTION)
            raise _Passed(f"The option {readable(name[:60])!r} is not known.", signrules.LIST_OPTION)
        name = match[1].lower()
        if name in values:
            raise _Passed(f"The option {name} stands twice.", signrules.LIST_OPTION)
        values[name] = match[2].replace('\\"', '"')
        at = match.end()
        if at < len(text):
            if text[at] != "," or at + 1 == len(text):
                raise _Passed("Options are parted by single commas.", signrules.LIST_OPTION)
            at += 1
    after, before = (_moment(name, values.get(name)) for name in ("valid-after", "valid-before"))
    if after is not None and before is not None and before <= after:
        raise _Passed("The time of valid-before is not after that of valid-after.", signrules.LIST_OPTION)
    return values.get("namespaces"), after, before


def _moment(name: str, text: str | None) -> datetime | None:
    if text is None:
        return None
    match = _TIME.fullmatch(text)
    try:
        if match is None:
            raise ValueError
        year, month, day, hour, minute, second = (int(part or 0) for part in match.groups()[:6])
        moment = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
        if not match[7]:
            seconds = time.mktime((year, month, day, hour, minute, second, 0, 0, 0))
            moment = datetime.fromtimestamp(seconds, UTC)
        if moment.timestamp() <= 0:
            raise ValueError
    except (ValueError, OverflowError, OSError):
        raise _Passed(
            f"{name} is {readable(text[:40])!r}, not a time as YYYYMMDD, YYYYMMDDHHMM or YYYYMMDDHHMMSS, "
            "with Z for UTC.",
            signrules.LIST_OPTION,
        ) from None
    return moment


def check_principal(name: str, where: str) -> str:
    """The name by which a signer is looked up in the list, as it is. Raises UsageProblem when it cannot be.

    Letters, digits and . _ % + @ : = / ~ - only: a list takes blanks and commas as ends of a name, and *, ?
    and ! as patterns.
    """
    if _NAME.fullmatch(name) and not name.startswith("-"):
        return name
    what = f"{readable(name[:100])!r} cannot name a signer" if name else "It is not said who signs"
    raise UsageProblem(
        "signer-name",
        f"{what}: the name must have no blanks, commas, wildcards or letters beyond ASCII.",
        where=where,
        todo="Name the signer with --signer, such as --signer transfer-room@grauwell.example.",
    )


def signer_line(
    principal: str,
    public_line: str,
    namespaces: Sequence[str],
    valid_after: date | None = None,
    valid_before: date | None = None,
) -> str:
    """One line of a list of signers, without its end, from a line of a .pub file.

    namespaces: what the key may sign; () for all. Times are written in UTC; a date is its first moment, and
    an aware datetime is taken to the second. Raises UsageProblem for a name that cannot stand in a list,
    InputProblem for a line that holds no key.
    """
    check_principal(principal, "the list of signers")
    options = []
    if namespaces:
        options.append(
            'namespaces="{}"'.format(",".join(check_principal(n, "a namespace") for n in namespaces))
        )
    for name, moment in (("valid-after", valid_after), ("valid-before", valid_before)):
        if isinstance(moment, datetime):
            options.append(f'{name}="{moment.astimezone(UTC):%Y%m%d%H%M%SZ}"')
        elif moment is not None:
            options.append(f'{name}="{moment:%Y%m%d}Z"')
    try:
        key = line_of_blob(blob_of_line(public_line))
    except NotWire as err:
        raise InputProblem(
            "not-a-public-key",
            f"This is no line of a public key: {err}.",
            where=readable(public_line[:60]),
            todo="Take the line from the .pub file beside the private key.",
        ) from None
    return " ".join(filter(None, (principal, ",".join(options), key)))
