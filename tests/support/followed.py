"""Follow READ-ME-FIRST.txt to the letter: a reader of its page, and a shell with stock tools only.

Nothing of the product is used. A command is a block of lines indented by four blanks, after an empty line;
blocks introduced as being for Windows are passed over by name, for no such machine is here.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

TOOLS = ("bash", "sha512sum", "sha256sum", "shasum", "perl", "wc", "find", "tail", "head", "ssh-keygen")
NAME = "READ-ME-FIRST.txt"


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Indented lines of the page, the heading they stand under, and the sentence before them."""

    heading: str
    before: str
    lines: tuple[str, ...]

    @property
    def windows(self) -> bool:
        return self.before.endswith("Windows, in PowerShell:")

    @property
    def is_answer(self) -> bool:
        """What the command before must print, and no command."""
        return re.search(r"must print:$|must be this one line.*:$", self.before) is not None


def blocks(text: str) -> list[Block]:
    """Every indented block of the page, in its order."""
    found: list[Block] = []
    heading, paragraph, lines = "", [""], list[str]()
    rows = [*text.splitlines(), ""]
    for above, row, after in zip(["", *rows], rows, [*rows[1:], ""], strict=False):
        if row.startswith("    ") and (lines or not above):
            lines.append(row[4:])
            continue
        if lines:
            found.append(Block(heading=heading, before=" ".join(paragraph), lines=tuple(lines)))
            lines, paragraph = [], []
        if after and set(after) == {"-"} and len(after) == len(row):
            heading, paragraph = row, []
        elif row and set(row) != {"-"}:
            paragraph.append(row)
    return found


class Shell:
    """A terminal in a folder, with the tools any computer has, and with nobody's settings."""

    def __init__(self, bin_folder: Path, tool: Callable[[str], str]) -> None:
        bin_folder.mkdir()
        for name in TOOLS:
            (bin_folder / name).symlink_to(tool(name))
        self._env = {"PATH": str(bin_folder), "HOME": str(bin_folder), "LC_ALL": "C"}
        self._bash = tool("bash")
        assert shutil.which("provpack", path=str(bin_folder)) is None

    def type(self, command: str, folder: Path) -> tuple[int, str]:
        done = subprocess.run(
            [self._bash, "--noprofile", "--norc", "-c", command], cwd=folder, env=self._env,
            capture_output=True, timeout=300, check=False, stdin=subprocess.DEVNULL,
        )  # fmt: skip
        return done.returncode, os.fsdecode(done.stdout)


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """What came of it: the commands that were typed, the blocks passed over, and what did not match."""

    typed: tuple[str, ...]
    passed_over: tuple[str, ...]
    complaints: tuple[str, ...]


def follow(package: Path, shell: Shell, *, signers: str = "", text: str | None = None) -> Followed:
    """Type every command of the page into the shell, in the package, and judge as the page says.

    signers: where the list of signers lies, seen from the package ("../allowed_signers"): the page tells to
    write that into the command when it lies elsewhere. text: the page, when not the one in the package.
    """
    page = blocks(text if text is not None else (package / NAME).read_text("utf-8"))
    typed: list[str] = []
    passed_over: list[str] = []
    wrong: list[str] = []
    said = ""
    for block in page:
        if block.windows:
            passed_over.append(block.before.rpartition(" Windows")[1].strip() or "Windows")
            continue
        if block.is_answer:
            (expected,) = block.lines
            if expected not in (said.strip(), said.partition(" ")[0]):
                wrong.append(f"{typed[-1]}: {said!r} is not {expected!r}")
            continue
        numbers: list[str] = []
        for line in block.lines:
            command = line
            if signers:
                command = command.replace(" -f allowed_signers ", f" -f {signers} ")
            code, said = shell.type(command, package)
            typed.append(command)
            numbers.append(said.strip())
            if code != 0:
                wrong.append(f"{command}: exit code {code}")
            if " -c " in command and command.startswith("sha"):
                answers = said.splitlines()
                wrong += [answer for answer in answers if not answer.endswith(": OK")]
                wrong += [] if answers else [f"{command}: says nothing"]
            elif command.startswith("ssh-keygen") and not said.startswith("Good "):
                wrong.append(f"{command}: {said!r}")
        if "must be equal" in block.before and len(set(numbers)) != 1:
            wrong.append(f"{block.lines}: {numbers}")
    return Followed(typed=tuple(typed), passed_over=tuple(passed_over), complaints=tuple(wrong))
