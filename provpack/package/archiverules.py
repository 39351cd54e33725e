"""The rules an archive that holds a bag can break (`bag-archive-...`).

RFC 8493 says nothing of archives; what receivers expect is the section "Serialization" of the 0.97 draft: one
bag, one base directory, the archive named after it. POSIX pax: IEEE 1003.1-2001, utility pax. APPNOTE: the
zip format's APPNOTE.TXT 6.3.
"""

from __future__ import annotations

from provpack.findings import Rule

_ASK = "Keep the archive as received, and ask the sender for a new one."
_UNPACK = "Unpack it into an empty folder with a general tool and check that folder."
_WARY = "Treat the archive with suspicion and do not unpack it. Ask the sender for a new one."

# --- nothing can be said -------------------------------------------------------------------------------

COMPRESSED = Rule(
    id="bag-archive-compressed",
    severity="error",
    title="The archive is of a kind that is not read in place",
    todo="Uncompress it first (gunzip and the like give a .tar), or unpack it; then check that.",
    reference="0.97 draft, Serialization",
)
ENCRYPTED = Rule(
    id="bag-archive-encrypted",
    severity="error",
    title="The archive is encrypted",
    todo="Decrypt it with the sender's tool and check the result.",
    reference="APPNOTE 4.4.4 bits 0, 6, 13",
)
METHOD = Rule(
    id="bag-archive-method",
    severity="error",
    title="A member is compressed by a method that is not read here",
    todo=_UNPACK,
    reference="APPNOTE 4.4.5",
)
IN_PARTS = Rule(
    id="bag-archive-in-parts",
    severity="error",
    title="The archive is one part of several",
    todo="Join the parts with the tool that split them, then check the whole.",
    reference="APPNOTE 4.4.11; POSIX pax",
)
ENTRY_KIND = Rule(
    id="bag-archive-entry-kind",
    severity="error",
    title="An entry is of a kind that is not read here",
    todo="Unpack the archive and check the folder, or ask for one with plain files only.",
    reference="POSIX pax, typeflag",
)
TOO_MUCH = Rule(
    id="bag-archive-too-much",
    severity="error",
    title="The archive is beyond the bounds of what is read",
    todo="Look at it with a general tool first; if it is to be trusted, unpack it and check the folder.",
    reference="RFC 8493 section 5.3",
)

# --- bad -----------------------------------------------------------------------------------------------

DAMAGED = Rule(
    id="bag-archive-damaged",
    severity="error",
    title="The archive is damaged",
    todo="Fetch the archive again from the sender or the second copy, and compare.",
    reference="POSIX pax; APPNOTE 4.3",
)
CUT_SHORT = Rule(
    id="bag-archive-cut-short",
    severity="error",
    title="The archive ends too early",
    todo="The copy was interrupted: fetch the archive again, and compare.",
    reference="POSIX pax; APPNOTE 4.3.16",
)
CONTRADICTS = Rule(
    id="bag-archive-contradicts",
    severity="error",
    title="The archive tells two different things about a member",
    todo=_WARY,
    reference="APPNOTE 4.3.7, 4.3.9, 4.3.12",
)
OVERLAP = Rule(
    id="bag-archive-overlap",
    severity="error",
    title="Members of the archive share bytes",
    todo=_WARY,
    reference="APPNOTE 4.3.6",
)
EXTRA_BYTES = Rule(
    id="bag-archive-extra-bytes",
    severity="error",
    title="The archive holds bytes that belong to no member",
    todo="Nothing vouches for them. " + _ASK,
    reference="APPNOTE 4.3.6; POSIX pax",
)
NAME_UNSAFE = Rule(
    id="bag-archive-name-unsafe",
    severity="error",
    title="A member's name points outside the archive",
    todo=_WARY,
    reference="RFC 8493 section 5.1; APPNOTE 4.4.17",
)
NAME_TEXT = Rule(
    id="bag-archive-name-text",
    severity="error",
    title="A member's name is not the text it is said to be",
    todo=_ASK,
    reference="APPNOTE 4.4.4 bit 11; POSIX pax, hdrcharset",
)
NAME_TWICE = Rule(
    id="bag-archive-name-twice",
    severity="error",
    title="Two members have one name",
    todo="Which of them is unpacked depends on the tool. " + _WARY,
    reference="RFC 8493 section 5.1",
)
LINK = Rule(
    id="bag-archive-link",
    severity="error",
    title="The archive leads a path through a link",
    todo=_WARY,
    reference="RFC 8493 section 5.1",
)
SPECIAL = Rule(
    id="bag-archive-special-file",
    severity="error",
    title="The archive holds a device or a pipe",
    todo=_WARY,
    reference="RFC 8493 section 2",
)
TOP = Rule(
    id="bag-archive-top-directory",
    severity="error",
    title="The archive does not hold exactly one directory, the bag",
    todo="Ask for an archive made of the bag's directory as a whole, from outside of it.",
    reference="0.97 draft, Serialization",
)
DATA = Rule(
    id="bag-archive-data",
    severity="error",
    title="A member does not unpack to what the archive says of it",
    todo="Compare with the second copy; fetch the archive again.",
    reference="APPNOTE 4.4.7 to 4.4.9",
)

# --- worth saying --------------------------------------------------------------------------------------

FILE_NAME = Rule(
    id="bag-archive-file-name",
    severity="warning",
    title="The archive is not named after the bag in it",
    todo="The bag was checked all the same. Unpacked, it gets the name of its directory.",
    reference="0.97 draft, Serialization",
)
SLACK = Rule(
    id="bag-archive-slack",
    severity="warning",
    title="Filling bytes or notes of the archive are not as they are written usually",
    todo="The files of the bag do not depend on them. Compare with the digest of the whole archive.",
    reference="POSIX pax; APPNOTE 4.3.7, 4.3.12",
)
NAME_ENCODING = Rule(
    id="bag-archive-name-encoding",
    severity="warning",
    title="The archive does not say how its names are encoded",
    todo="The name was read as said. Another tool may read it otherwise.",
    reference="APPNOTE appendix D",
)
PASSED_OVER = Rule(
    id="bag-archive-passed-over",
    severity="note",
    title="An archive that holds no bag was passed over",
    todo="Nothing, if it is no package.",
)
NOT_LOOKED_INTO = "It is compressed as a whole: whether it holds a package was not looked at."
"""What a finding of PASSED_OVER says of an archive that was not looked into; of others: no bag is in it."""

ARCHIVE_RULES: tuple[Rule, ...] = tuple(
    value for value in list(globals().values()) if isinstance(value, Rule)
)

ARCHIVE_COULD_NOT_CHECK: tuple[Rule, ...] = (
    COMPRESSED, ENCRYPTED, METHOD, IN_PARTS, ENTRY_KIND, TOO_MUCH,
)  # fmt: skip
