"""The job folder: what is in it, and which of its files a name means.

No link is followed below the job folder, nothing that is not a plain file is ever opened, and no name
leads out of the folder. The path of the equipment register alone may leave it. Sheets are read here; audio
is opened by edge/received.py.
"""

from __future__ import annotations

import difflib
import os
import re
import stat
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from provpack.edge import input_rules as rules
from provpack.errors import InputProblem
from provpack.findings import Finding, Rule

MAX_ENTRIES = 200_000
MAX_DEPTH = 32
MAX_NAME = 4096
HIDDEN = "."
BAG_MARK = "bagit.txt"

_READ_ONLY = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
_FILE_FLAGS = _READ_ONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
_DRIVE = re.compile(r"^[A-Za-z]:")


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """Plain files of a folder: relative `/`-separated names -> (device, inode, size), sorted by name.

    Left out: links, devices, pipes (reported), hidden names, and folders that are packages themselves.
    """

    root: Path
    files: Mapping[str, tuple[int, int, int]]
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Resolved:
    """A name from a sheet: its path, or None and the findings that say why."""

    path: Path | None
    relative: str = ""
    findings: tuple[Finding, ...] = ()


def printable(name: str) -> str:
    """A file name for messages: bytes that are no Unicode as \\xNN, controls as escapes."""
    shown = os.fsencode(name).decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in shown)


def no_job_folder(given: Path, todo: str) -> InputProblem:
    """The refusal of a path that is no folder. todo: unless it is a sheet in its folder."""
    shown = printable(str(given))
    if os.path.isfile(given):  # noqa: PTH113 - answers, where Path.is_file raises for a path too long
        if given.name == "job.toml":
            todo = f"Name the folder it lies in: {printable(str(given.parent))}"
        return InputProblem(
            "job-folder-missing", f"{shown} is a file; a job is a folder.", where=str(given), todo=todo
        )
    return InputProblem(
        "job-folder-missing", f"There is no job folder at {shown}.", where=str(given), todo=todo
    )


def list_folder(folder: Path) -> Listing:
    """List a job folder to the bottom. InputProblem when the folder itself cannot be listed."""
    root = Path(os.path.realpath(folder))
    if not os.path.isdir(root):  # noqa: PTH112 - answers, where Path.is_dir raises for a path too long
        raise no_job_folder(folder, "Name the folder that holds job.toml.")
    files: dict[str, tuple[int, int, int]] = {}
    found: list[Finding] = []
    pending: list[tuple[str, int]] = [("", 0)]
    seen = 0
    while pending:
        relative, depth = pending.pop()
        try:
            with os.scandir(root / relative) as entries:
                batch = []
                for entry in entries:
                    seen += 1
                    if seen > MAX_ENTRIES:
                        break
                    batch.append(entry)
        except OSError as error:
            if not relative:
                raise InputProblem(
                    "job-folder-unreadable",
                    f"The job folder cannot be listed: {error.strerror}.",
                    where=str(folder),
                    todo=rules.FOLDER_UNREADABLE.todo,
                ) from error
            found.append(_at(rules.FOLDER_UNREADABLE, f"It cannot be listed: {error.strerror}.", relative))
            continue
        if seen > MAX_ENTRIES:
            found.append(_at(rules.FOLDER_TOO_LARGE, f"More than {MAX_ENTRIES} entries.", relative or "."))
            break
        if relative and any(entry.name == BAG_MARK for entry in batch):
            continue
        for entry in batch:
            name = f"{relative}/{entry.name}" if relative else entry.name
            if entry.name.startswith(HIDDEN):
                continue
            _take(entry, name, depth, files, pending, found)
    found.sort(key=lambda f: f.where)
    return Listing(root=root, files=dict(sorted(files.items())), findings=tuple(found))


def _take(
    entry: os.DirEntry[str],
    name: str,
    depth: int,
    files: dict[str, tuple[int, int, int]],
    pending: list[tuple[str, int]],
    found: list[Finding],
) -> None:
    try:
        info = entry.stat(follow_symlinks=False)
    except OSError as error:
        found.append(_at(rules.FOLDER_UNREADABLE, f"It cannot be looked at: {error.strerror}.", name))
        return
    if not _is_unicode(name):
        found.append(_at(rules.FOLDER_NAME_BYTES, "The name is not valid Unicode.", name))
    if stat.S_ISLNK(info.st_mode):
        found.append(_at(rules.FOLDER_LINK, "A link; it was not followed.", name))
    elif stat.S_ISDIR(info.st_mode):
        if depth + 1 > MAX_DEPTH:
            found.append(_at(rules.FOLDER_TOO_LARGE, f"Folders nested deeper than {MAX_DEPTH}.", name))
        else:
            pending.append((name, depth + 1))
    elif stat.S_ISREG(info.st_mode):
        files[name] = (info.st_dev, info.st_ino, info.st_size)
    else:
        found.append(_at(rules.FOLDER_SPECIAL, f"It is {_kind(info.st_mode)}; it was not opened.", name))


def _kind(mode: int) -> str:
    names = {
        stat.S_IFIFO: "a pipe",
        stat.S_IFSOCK: "a socket",
        stat.S_IFCHR: "a device",
        stat.S_IFBLK: "a device",
        stat.S_IFDIR: "a folder",
        stat.S_IFLNK: "a link",
    }
    return names.get(stat.S_IFMT(mode), "not a plain file")


def _is_unicode(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _at(rule: Rule, what: str, name: str) -> Finding:
    return rule.found(what, printable(name), position={"file": printable(name)})


def resolve(
    listing: Listing, written: str, *, where: str, position: Mapping[str, str | int] | None = None
) -> Resolved:
    """The plain file below the job folder that `written` means.

    where, position: the cell the name stands in. A name that differs from a file only in how accents are
    composed is accepted, because nobody can see that; a name in other upper or lower case is not.
    """

    def refuse(rule: Rule, what: str, todo: str = "") -> Resolved:
        finding = rule.found(what, where, todo=todo, position=dict(position or {}))
        return Resolved(path=None, findings=(finding,))

    shown = f"'{printable(written)[:80]}'"
    fault = _form_fault(written)
    if fault:
        return refuse(rules.PATH_FORM, f"The name {shown} {fault}.")
    if written.startswith("/") or _DRIVE.match(written) or ".." in written.split("/"):
        return refuse(rules.PATH_OUTSIDE, f"The name {shown} leads out of the job folder.")
    relative = "/".join(part for part in written.split("/") if part not in ("", "."))
    if relative in listing.files:
        return Resolved(path=listing.root / relative, relative=relative)
    rule, what = _what_is_there(listing.root, relative)
    if rule is not None:
        return refuse(rule, f"{shown}: {what}.")
    composed = unicodedata.normalize("NFC", relative)
    if composed != relative or not relative.isascii():
        twins = [f for f in listing.files if unicodedata.normalize("NFC", f) == composed]
        if len(twins) == 1:
            return Resolved(path=listing.root / twins[0], relative=twins[0])
    return refuse(
        rules.PATH_MISSING, f"There is no file {shown} in the job folder.", _suggest(listing, relative)
    )


def _form_fault(written: str) -> str:
    if not written or len(written) > MAX_NAME:
        return "is empty or far too long"
    if any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") for c in written):
        return "holds a control character or a line break"
    if "\\" in written:
        return "uses a backslash; write / between folders"
    if written.startswith("~"):
        return "starts with ~, which is not expanded"
    if re.match(r"^[A-Za-z][A-Za-z0-9+.-]+://", written):
        return "is a web address, not a file"
    return ""


def _what_is_there(root: Path, relative: str) -> tuple[Rule | None, str]:
    """Why a name that is not in the listing cannot be used; no rule when simply nothing is there."""
    path = root
    parts = relative.split("/")
    for n, part in enumerate(parts):
        path = path / part
        try:
            mode = path.lstat().st_mode
        except (OSError, ValueError):
            return None, ""
        last = n == len(parts) - 1
        if stat.S_ISLNK(mode):
            return rules.PATH_LINK, f"{'it' if last else repr(part)} is a link"
        if last and not stat.S_ISREG(mode):
            return rules.PATH_SPECIAL, f"it is {_kind(mode)}"
        if not last and not stat.S_ISDIR(mode):
            return None, ""
    if relative:
        return rules.PATH_FORM, "the file is hidden, or inside a package; copy it to the job folder"
    return rules.PATH_SPECIAL, "it is the job folder itself"


def _suggest(listing: Listing, relative: str) -> str:
    folded = relative.casefold()
    same = next((f for f in listing.files if f.casefold() == folded), None)
    if same is None and len(listing.files) <= 2000:
        same = next(iter(difflib.get_close_matches(relative[:200], listing.files, n=1, cutoff=0.75)), None)
    if same is None:
        base = folded.rsplit("/", 1)[-1]
        same = next((f for f in listing.files if f.casefold().rsplit("/", 1)[-1] == base), None)
    if same is None:
        return ""
    return f"Did you mean '{printable(same)}'? Correct the name, or put the file into the job folder."


def resolve_equipment(root: Path, written: str, *, where: str) -> Resolved:
    """The equipment register, which may be shared between jobs and so may stand outside the job folder."""
    position = {"file": where}
    fault = _form_fault(written)
    if fault:
        return Resolved(
            path=None, findings=(rules.PATH_FORM.found(f"The name {fault}.", where, position=position),)
        )
    path = Path(os.path.normpath(root / written))
    try:
        mode = path.lstat().st_mode
    except (OSError, ValueError):
        what = f"There is no equipment register at '{printable(written)}'."
        return Resolved(path=None, findings=(rules.SHEET_MISSING.found(what, where, position=position),))
    if stat.S_ISREG(mode):
        return Resolved(path=path, relative=written)
    rule = rules.PATH_LINK if stat.S_ISLNK(mode) else rules.PATH_SPECIAL
    what = f"'{printable(written)}' is {_kind(mode)}, not a plain file."
    return Resolved(path=None, findings=(rule.found(what, where, position=position),))


def open_plain(path: Path) -> BinaryIO:
    """Open a plain file read-only, unbuffered; OSError when its last part is a link or no plain file."""
    return _plain_only(os.open(path, _FILE_FLAGS), str(path))


def _plain_only(handle: int, name: str) -> BinaryIO:
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(f"not a plain file: {name}")
    return os.fdopen(handle, "rb", buffering=0)


def read_all(path: Path, limit: int) -> bytes:
    """At most limit + 1 bytes of a plain file, so that a caller sees one too many. OSError if unreadable."""
    with open_plain(path) as stream:
        parts: list[bytes] = []
        left = limit + 1
        while left > 0:
            block = stream.read(min(left, 1 << 20))
            if not block:
                break
            parts.append(block)
            left -= len(block)
    return b"".join(parts)
