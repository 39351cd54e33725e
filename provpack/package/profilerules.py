"""Rules on what a client asks of a package: `profile-` for BagIt profiles, `need-` for our requirements file.

References: BagIt Profiles Specification 1.4.0, by the name of the field.
"""

from __future__ import annotations

from provpack.findings import Rule

_SPEC = "BagIt Profiles 1.4.0"
_FILE = "Ask the client for a corrected profile, or correct your copy with the client's consent."
_BAG = "Make the bag anew so that it does, or ask the sender for one; or agree on another profile."

# --- the profile itself --------------------------------------------------------------------------------

UNREADABLE = Rule(
    id="profile-unreadable",
    severity="error",
    title="A BagIt profile cannot be read",
    todo="Ask the client for the profile again, as a JSON file; nothing is ever fetched from its address.",
    reference=f"{_SPEC}; RFC 8259",
)
KEY_TWICE = Rule(
    id="profile-key-twice",
    severity="error",
    title="A key stands twice in a BagIt profile, so one of its demands would be lost",
    todo=_FILE,
    reference="RFC 8259 section 4",
)
WRONG_TYPE = Rule(
    id="profile-wrong-type",
    severity="error",
    title="A field of a BagIt profile holds another kind of value than it should",
    todo=_FILE,
    reference=_SPEC,
)
INFO_MISSING = Rule(
    id="profile-info-missing",
    severity="error",
    title="A BagIt profile does not say what every profile must say of itself",
    todo=_FILE,
    reference=f"{_SPEC}, BagIt-Profile-Info",
)
VERSION_ASSUMED = Rule(
    id="profile-version-assumed",
    severity="note",
    title="A BagIt profile does not name the version of the specification it follows",
    todo="Nothing: it is read as 1.1.0, as the specification says, and every field it has is checked.",
    reference=f"{_SPEC}, BagIt-Profile-Version",
)
VERSION_NEWER = Rule(
    id="profile-version-newer",
    severity="warning",
    title="A BagIt profile follows a later specification than the one known here",
    todo="Check the fields that are named as unknown by hand, or with a newer release.",
    reference=f"{_SPEC}, BagIt-Profile-Version",
)
UNKNOWN_KEY = Rule(
    id="profile-unknown-key",
    severity="note",
    title="A BagIt profile has a key that the specification does not define",
    todo="It was not checked. If it is a slip, correct it; if it asks for something, look by hand.",
    reference=_SPEC,
)
CONTRADICTION = Rule(
    id="profile-contradiction",
    severity="error",
    title="A BagIt profile contradicts itself, or lacks what another of its fields needs",
    todo=_FILE,
    reference=_SPEC,
)
PATH_FORM = Rule(
    id="profile-path-form",
    severity="error",
    title="A path in a BagIt profile cannot be a path in a bag",
    todo=_FILE,
    reference=f"{_SPEC}, Tag-Files-… and Payload-Files-…; RFC 8493 section 2.1.3",
)
DISCOURAGED = Rule(
    id="profile-discouraged",
    severity="note",
    title="A BagIt profile says something in a place that the specification advises against",
    todo="Nothing: it was read as it is meant.",
    reference=_SPEC,
)

# --- the bag against the profile -----------------------------------------------------------------------

NO_BAG_INFO = Rule(
    id="profile-no-bag-info",
    severity="error",
    title="The bag has no bag-info.txt, which every bag that meets a profile must have",
    todo=_BAG,
    reference=f"{_SPEC}, BagIt-Profile-Identifier",
)
IDENTIFIER_MISSING = Rule(
    id="profile-identifier-missing",
    severity="error",
    title="The bag does not name the profile it meets",
    todo="Put BagIt-Profile-Identifier into bag-info.txt when the bag is made.",
    reference=f"{_SPEC}, BagIt-Profile-Identifier",
)
IDENTIFIER_OTHER = Rule(
    id="profile-identifier-other",
    severity="error",
    title="The bag names other profiles than the one it is checked against",
    todo="Check it against the profile it names, or have it made to this one.",
    reference=f"{_SPEC}, BagIt-Profile-Identifier",
)
ACCEPT_SERIALISATION = Rule(
    id="profile-accept-serialisation",
    severity="error",
    title="The bag comes in a kind of archive that the profile does not accept (fatal)",
    todo="Hand it over in one of the kinds the profile lists.",
    reference=f"{_SPEC}, Accept-Serialization",
)
SERIALISATION = Rule(
    id="profile-serialisation",
    severity="error",
    title="The bag comes as an archive where the profile forbids it, or as a folder where it wants one",
    todo="Hand it over in the form the profile asks for.",
    reference=f"{_SPEC}, Serialization",
)
BAGIT_VERSION = Rule(
    id="profile-bagit-version",
    severity="error",
    title="The bag declares a BagIt version that the profile does not accept (fatal)",
    todo=_BAG,
    reference=f"{_SPEC}, Accept-BagIt-Version",
)
TAG_MISSING = Rule(
    id="profile-info-tag-missing",
    severity="error",
    title="bag-info.txt lacks an element the profile requires",
    todo=_BAG,
    reference=f"{_SPEC}, Bag-Info, required",
)
TAG_EMPTY = Rule(
    id="profile-info-tag-empty",
    severity="warning",
    title="An element that the profile requires is in bag-info.txt, but says nothing",
    todo=_BAG,
    reference=f"{_SPEC}, Bag-Info, required",
)
TAG_VALUE = Rule(
    id="profile-info-tag-value",
    severity="error",
    title="An element of bag-info.txt has a value that is not on the profile's list",
    todo=_BAG,
    reference=f"{_SPEC}, Bag-Info, values",
)
TAG_REPEATED = Rule(
    id="profile-info-tag-repeated",
    severity="error",
    title="An element of bag-info.txt is repeated although the profile wants it once",
    todo=_BAG,
    reference=f"{_SPEC}, Bag-Info, repeatable",
)
MANIFEST_MISSING = Rule(
    id="profile-manifest-missing",
    severity="error",
    title="The bag lacks a payload manifest the profile requires",
    todo=_BAG,
    reference=f"{_SPEC}, Manifests-Required",
)
MANIFEST_NOT_ALLOWED = Rule(
    id="profile-manifest-not-allowed",
    severity="error",
    title="The bag has a payload manifest that the profile does not allow",
    todo=_BAG,
    reference=f"{_SPEC}, Manifests-Allowed",
)
TAGMANIFEST_MISSING = Rule(
    id="profile-tagmanifest-missing",
    severity="error",
    title="The bag lacks a tag manifest the profile requires",
    todo=_BAG,
    reference=f"{_SPEC}, Tag-Manifests-Required",
)
TAGMANIFEST_NOT_ALLOWED = Rule(
    id="profile-tagmanifest-not-allowed",
    severity="error",
    title="The bag has a tag manifest that the profile does not allow",
    todo=_BAG,
    reference=f"{_SPEC}, Tag-Manifests-Allowed",
)
FETCH_NOT_ALLOWED = Rule(
    id="profile-fetch-not-allowed",
    severity="error",
    title="The bag has a fetch.txt, which the profile does not allow",
    todo="Ask for a bag that holds all of its files.",
    reference=f"{_SPEC}, Allow-Fetch.txt",
)
FETCH_MISSING = Rule(
    id="profile-fetch-missing",
    severity="error",
    title="The bag has no fetch.txt, which the profile requires",
    todo=_BAG,
    reference=f"{_SPEC}, Fetch.txt-Required",
)
DATA_NOT_EMPTY = Rule(
    id="profile-data-not-empty",
    severity="error",
    title="The bag has a payload where the profile wants none",
    todo=_BAG,
    reference=f"{_SPEC}, Data-Empty",
)
TAG_FILE_MISSING = Rule(
    id="profile-tag-file-missing",
    severity="error",
    title="The bag lacks a tag file the profile requires",
    todo=_BAG,
    reference=f"{_SPEC}, Tag-Files-Required",
)
TAG_FILE_NOT_ALLOWED = Rule(
    id="profile-tag-file-not-allowed",
    severity="error",
    title="The bag has a tag file that the profile does not allow",
    todo=_BAG,
    reference=f"{_SPEC}, Tag-Files-Allowed",
)
PAYLOAD_FILE_MISSING = Rule(
    id="profile-payload-file-missing",
    severity="error",
    title="The bag lacks a payload file or folder the profile requires",
    todo=_BAG,
    reference=f"{_SPEC}, Payload-Files-Required",
)
PAYLOAD_FILE_NOT_ALLOWED = Rule(
    id="profile-payload-file-not-allowed",
    severity="error",
    title="The bag has a payload file that the profile does not allow",
    todo=_BAG,
    reference=f"{_SPEC}, Payload-Files-Allowed",
)

PROFILE_RULES: tuple[Rule, ...] = (
    UNREADABLE, KEY_TWICE, WRONG_TYPE, INFO_MISSING, VERSION_ASSUMED, VERSION_NEWER, UNKNOWN_KEY,
    CONTRADICTION, PATH_FORM, DISCOURAGED, NO_BAG_INFO, IDENTIFIER_MISSING, IDENTIFIER_OTHER,
    ACCEPT_SERIALISATION, SERIALISATION, BAGIT_VERSION, TAG_MISSING, TAG_EMPTY, TAG_VALUE, TAG_REPEATED,
    MANIFEST_MISSING, MANIFEST_NOT_ALLOWED, TAGMANIFEST_MISSING, TAGMANIFEST_NOT_ALLOWED, FETCH_NOT_ALLOWED,
    FETCH_MISSING, DATA_NOT_EMPTY, TAG_FILE_MISSING, TAG_FILE_NOT_ALLOWED, PAYLOAD_FILE_MISSING,
    PAYLOAD_FILE_NOT_ALLOWED,
)  # fmt: skip
