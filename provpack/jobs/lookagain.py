"""A look at the place of a package that nobody met: is it gone, or can that not be told?"""

from __future__ import annotations

import os
from pathlib import Path

from provpack.edge.pace import within
from provpack.edge.presence import absence
from provpack.edge.remoteaddress import is_address
from provpack.findings import Rule
from provpack.package import rules

_ANSWER = 10.0
"""Seconds within which a place must answer."""


class Look:
    """No folder that is silent holds up the run. searched: everything was looked through, and what was found
    was met; unsearched: but not beneath these paths and addresses."""

    def __init__(self, searched: bool, unsearched: set[str]) -> None:
        self._searched = searched
        self._unsearched = unsearched
        self._silent: set[str] = set()

    def at(self, place: str) -> tuple[Rule | None, str]:
        """(rule, what is to be said after "it was here"); (None, "") when it is there, or not looked for."""
        if is_address(place):
            return self._at_address(place)
        folder = str(Path(place).parent)
        silent = "; whether it still is cannot be told. Its folder does not answer."
        if folder in self._silent:
            return rules.LEDGER_UNTOLD, silent
        if os.sep == "/" and "\\" in place and not self._searched:
            return None, ""  # of a name that is no text only those who searched know
        told = within(_ANSWER, lambda: (absence(Path(place)),))
        if told is None:
            self._silent.add(folder)
            return rules.LEDGER_UNTOLD, silent
        gone = told[0]
        if gone is None or gone[0] == "impossible" or (gone[0] == "file" and not self._searched):
            return None, ""  # a file may be an archive, where nobody looked whether it is one
        if gone[0] == "unreadable":
            return rules.LEDGER_UNTOLD, f"; whether it still is cannot be told. {gone[1]}"
        return rules.LEDGER_MISSING, f"; it is gone. {gone[1]}"

    def lies(self, place: str, met: set[str]) -> bool:
        """Whether a package was met at this path, or is seen there."""
        if place in met:
            return True
        told = within(_ANSWER, lambda: (absence(Path(place)),))
        return told is not None and told[0] is None

    def _at_address(self, place: str) -> tuple[Rule | None, str]:
        if not self._searched:
            return None, ""
        above = place
        while "://" in (above := above.rpartition("/")[0]):
            if above in self._unsearched:
                why = f"{above} could not be searched."
                return rules.LEDGER_UNTOLD, f"; whether it still is cannot be told: {why}"
        return rules.LEDGER_MISSING, "; it is gone. No package was found at this address."
