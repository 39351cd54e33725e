"""The one error tree. Every error a user can meet says what is wrong, where, and what to do next.

    ProvpackError                exit code
    ├── UsageProblem                 2   the command line was wrong
    ├── PackageProblem              10   fixity or structure of a package is bad
    ├── CouldNotCheck               11   nothing can be said: unreadable, unknown algorithm
    ├── InputProblem                12   a file handed to us was refused
    ├── RecordProblem               13   an entry of the record is invalid
    ├── DestinationProblem          14   the destination exists or is in use
    ├── EnvironmentProblem          15   disk, permission, missing part
    └── Bug                         70   our fault

Exit codes 0 (good), 1 (done, with warnings) and 128+N (signal N) are outcomes, not errors.
"""

from __future__ import annotations


class ProvpackError(Exception):
    """Base of every error we raise on purpose.

    what: one sentence, what is wrong. where: path, offset, row, key: enough to find it.
    todo: what a person does next. code: stable identifier, `lower-case-with-hyphens`.
    """

    exit_code = 70

    def __init__(self, code: str, what: str, *, where: str, todo: str) -> None:
        super().__init__(what)
        self.code = code
        self.what = what
        self.where = where
        self.todo = todo

    def as_json(self) -> dict[str, str]:
        """The shape of `error` and `problem` in the result schemas."""
        return {"code": self.code, "what": self.what, "where": self.where, "todo": self.todo}

    def __str__(self) -> str:
        return f"{self.what} [{self.where}] {self.todo}"


class UsageProblem(ProvpackError):
    """The command line asks for something that cannot be."""

    exit_code = 2


class PackageProblem(ProvpackError):
    """A package or bag is not what its manifests say."""

    exit_code = 10


class CouldNotCheck(ProvpackError):
    """Neither good nor bad can be said."""

    exit_code = 11


class InputProblem(ProvpackError):
    """A file or sheet handed to us cannot be accepted."""

    exit_code = 12


class RecordProblem(ProvpackError):
    """A record breaks the schema or a rule."""

    exit_code = 13


class DestinationProblem(ProvpackError):
    """The place to write to is taken."""

    exit_code = 14


class EnvironmentProblem(ProvpackError):
    """The machine cannot do it: disk full, no permission, a part is missing."""

    exit_code = 15


class Bug(ProvpackError):
    """Something we promised ourselves does not hold."""

    exit_code = 70
