"""A BagIt profile as read, and what must be known of a bag to hold it against one: plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from provpack.findings import Finding

Serialisation = Literal["forbidden", "required", "optional"]

# One kind of archive under the names it goes by: the registered one, where there is one, and those that
# software writes (common practice, no source).
_SAME_TYPE = (
    frozenset({"application/x-tar", "application/tar", "application/x-gtar"}),
    frozenset({"application/zip", "application/x-zip", "application/x-zip-compressed"}),
)


def same_type(one: str, other: str) -> bool:
    """Whether two media types mean one kind of archive; case does not count (RFC 6838 section 4.2)."""
    pair = {one.lower(), other.lower()}
    return len(pair) == 1 or any(pair <= group for group in _SAME_TYPE)


@dataclass(frozen=True, slots=True, kw_only=True)
class TagDemand:
    """What a profile asks of one element of bag-info.txt. values: the only ones allowed, () = any."""

    label: str
    required: bool = False
    values: tuple[str, ...] = ()
    repeatable: bool = True
    description: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BagProfile:
    """A BagIt profile (BagIt Profiles 1.4.0). Defaults are those of the specification.

    where: the file's name, for messages. spec_version: of the specification, 1.1.0 when not stated.
    Algorithms are normalised (`sha512`). A list that is None was not given: everything is allowed.
    findings: what is wrong with the profile itself; see `sound`.
    """

    where: str
    identifier: str | None = None
    organisation: str | None = None
    description: str | None = None
    version: str | None = None
    spec_version: str = "1.1.0"
    bag_info: tuple[TagDemand, ...] = ()
    manifests_required: tuple[str, ...] = ()
    manifests_allowed: tuple[str, ...] | None = None
    tag_manifests_required: tuple[str, ...] = ()
    tag_manifests_allowed: tuple[str, ...] | None = None
    allow_fetch: bool = True
    fetch_required: bool = False
    data_empty: bool = False
    serialisation: Serialisation = "optional"
    accept_serialisation: tuple[str, ...] = ()
    accept_version: tuple[str, ...] = ()
    tag_files_required: tuple[str, ...] = ()
    tag_files_allowed: tuple[str, ...] | None = None
    payload_files_required: tuple[str, ...] = ()
    payload_files_allowed: tuple[str, ...] | None = None
    readable: bool = True
    findings: tuple[Finding, ...] = ()

    @property
    def sound(self) -> bool:
        """True when nothing is wrong with the profile, so that a bag can be said to meet it."""
        return self.readable and not any(f.severity == "error" for f in self.findings)


@dataclass(frozen=True, slots=True, kw_only=True)
class BagFacts:
    """What a profile may ask about, of a bag that is there or of one that is being made.

    serialisation: media type of the archive the bag lies in, None for a folder. version: `1.0`, None when it
    could not be read. bag_info: (label, value) in file order, a folded value with LF. Algorithms are
    normalised. files: every file by its path from the base directory -> bytes.
    """

    name: str
    serialisation: str | None = None
    version: str | None = "1.0"
    bag_info: tuple[tuple[str, str], ...] = ()
    has_bag_info: bool = True
    payload_algorithms: tuple[str, ...] = ()
    tag_algorithms: tuple[str, ...] = ()
    has_fetch: bool = False
    files: Mapping[str, int] = field(default_factory=dict)
