"""Names inside packages: lower-case letters, digits, `_`, `-`, `.`, so that every tool takes them.

Such names survive every file system, and they need no escaping in a manifest: BagIt readers disagree
about `%` (RFC 8493 section 2.1.3), and sha512sum escapes backslashes and line breaks in its own way.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable

MAX_NAME_BYTES = 100
MAX_EXTENSION = 12

_UNSAFE = re.compile(r"[^a-z0-9_.\-]+")
_MARK_LENGTH = 8
# Device names of one widespread operating system, refused there with any extension; from memory.
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)")


def package_name(job_id: str, transfer_id: str) -> str:
    """`<job>_<transfer>` in safe letters, at most 100 bytes, the same for the same ids for ever.

    Accents are dropped, everything else outside the alphabet becomes `_`. Different ids may come out
    alike; a job with such a pair is refused by `check`, it is never renumbered.
    """
    return _bounded(
        f"{_safe(job_id) or 'job'}_{_safe(transfer_id) or 'transfer'}", f"{job_id}\0{transfer_id}"
    )


def unfit_job_id(job_id: str) -> str:
    """Why an identifier cannot name the packages of a job, in words; "" when it can."""
    if not _safe(job_id):
        return "nothing of it can stand in the name of a package"
    if any(part.strip() in ("", ".", "..") for part in re.split(r"[/\\]", job_id)):
        return "it reads like a path"
    return ""


def safe_file_name(original: str) -> str:
    """The last part of a path in safe letters with its extension kept, at most 100 bytes, never empty."""
    # Decomposed first: some characters become a dot, and a dot decides what the extension is.
    last = re.split(r"[/\\]", original.rstrip("/\\"))[-1]
    base = unicodedata.normalize("NFKD", last)
    stem, dot, extension = base.rpartition(".")
    tail = _safe(extension)[:MAX_EXTENSION].rstrip("._-") if dot and stem.strip(".") else ""
    name = _safe(stem if tail else base) or "unnamed"
    if _RESERVED.match(name):
        name = f"x_{name}"
    return _bounded(name, original, f".{tail}" if tail else "")


def distinct_file_names(originals: Iterable[str]) -> tuple[str, ...]:
    """Safe names in the order of the originals; one that is taken gets `-2`, `-3` .. before its extension."""
    taken: set[str] = set()
    next_free: dict[str, int] = {}
    out: list[str] = []
    for original in originals:
        wanted = name = safe_file_name(original)
        while name in taken:
            next_free[wanted] = count = next_free.get(wanted, 1) + 1
            name = _with_suffix(wanted, f"-{count}")
        taken.add(name)
        out.append(name)
    return tuple(out)


def _safe(text: str) -> str:
    decomposed = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(c for c in decomposed if not unicodedata.combining(c))
    name = re.sub(r"_{2,}", "_", _UNSAFE.sub("_", plain.lower()))
    return re.sub(r"\.{2,}", ".", name).strip("._-")


def _bounded(stem: str, original: str, tail: str = "") -> str:
    """stem + tail in at most 100 bytes; a stem that is cut carries a mark made from the whole original."""
    if len(stem) + len(tail) <= MAX_NAME_BYTES:
        return stem + tail
    mark = hashlib.sha256(original.encode("utf-8", "surrogatepass")).hexdigest()[:_MARK_LENGTH]
    room = MAX_NAME_BYTES - len(tail) - len(mark) - 1
    return f"{stem[:room].rstrip('._-')}-{mark}{tail}"


def _with_suffix(name: str, suffix: str) -> str:
    stem, dot, tail = name.rpartition(".")
    if not dot:
        stem, tail = name, ""
    room = MAX_NAME_BYTES - len(suffix) - len(dot + tail)
    return f"{stem[:room]}{suffix}{dot}{tail}"
