"""Read a BagIt profile and judge the profile itself (BagIt Profiles 1.4.0). It is never fetched.

The specification leaves open whether a `*` also stands for `/`; here it does: its own default `*` allows all
tag files, also those in folders.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, TypeVar, cast

from provpack.findings import Finding, Rule, Severity
from provpack.package import profilerules as rules
from provpack.package.bagpaths import readable, unsafe
from provpack.package.bagprofile_glob import any_run
from provpack.package.bagprofile_json import read_document
from provpack.package.bagprofile_values import BagProfile, Serialisation, TagDemand
from provpack.package.bagtext import manifest_kind, normal_algorithm

SPECIFICATION = (1, 4, 0)
MAX_PATTERNS = 500
MAX_PATH = 4096

_INFO = "BagIt-Profile-Info"
_INFO_REQUIRED = ("Source-Organization", "External-Description", "Version", "BagIt-Profile-Identifier")
_INFO_OPTIONAL = ("BagIt-Profile-Version", "Contact-Name", "Contact-Phone", "Contact-Email")
_TAG_KEYS = ("required", "values", "repeatable", "description")
_KEYS = frozenset({
    _INFO, "Bag-Info", "Manifests-Required", "Manifests-Allowed", "Tag-Manifests-Required",
    "Tag-Manifests-Allowed", "Allow-Fetch.txt", "Fetch.txt-Required", "Data-Empty", "Serialization",
    "Accept-Serialization", "Accept-BagIt-Version", "Tag-Files-Required", "Tag-Files-Allowed",
    "Payload-Files-Required", "Payload-Files-Allowed",
})  # fmt: skip
_SERIALISATION = ("forbidden", "required", "optional")
_VERSION = re.compile(r"[0-9]{1,4}\.[0-9]{1,4}\Z")
_SPEC_VERSION = re.compile(r"v?([0-9]{1,4})\.([0-9]{1,4})(?:\.([0-9]{1,4}))?\Z")
_MEDIA_TYPE = re.compile(r"[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]*/[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]*\Z")
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:.")
_MISSING = object()
T = TypeVar("T")


def parse_profile(data: bytes, where: str) -> BagProfile:
    """The profile in these bytes; whatever is wrong with it stands in its findings. Raises nothing.

    where: the name of the file, for messages.
    """
    document, why, twice = read_document(data)
    if document is None:
        what = f"The profile cannot be read: {why}."
        place = {"file": readable(where)}
        found = rules.UNREADABLE.found(what, readable(where), position=place)
        return BagProfile(where=where, readable=False, findings=(found,))
    return _Reader(document, where, twice).read()


class _Reader:
    """One reading of one document."""

    def __init__(self, document: Mapping[str, Any], where: str, twice: tuple[str, ...]) -> None:
        self._document = document
        self._where = readable(where)
        self._name = where
        self._found: list[Finding] = []
        for key in twice:
            self._say(rules.KEY_TWICE, shown(key), f"The key '{shown(key)}' stands twice.")

    def read(self) -> BagProfile:
        for key in self._document:
            if key not in _KEYS:
                self._say(rules.UNKNOWN_KEY, shown(key), f"The key '{shown(key)}' is not of the standard.")
        info = self._info()
        profile = BagProfile(
            where=self._name,
            identifier=info.get("BagIt-Profile-Identifier"),
            organisation=info.get("Source-Organization"),
            description=info.get("External-Description"),
            version=info.get("Version"),
            spec_version=info.get("BagIt-Profile-Version", "1.1.0"),
            bag_info=self._bag_info(),
            manifests_required=self._algorithms("Manifests-Required") or (),
            manifests_allowed=self._algorithms("Manifests-Allowed"),
            tag_manifests_required=self._algorithms("Tag-Manifests-Required") or (),
            tag_manifests_allowed=self._algorithms("Tag-Manifests-Allowed"),
            allow_fetch=self._value("Allow-Fetch.txt", bool, True),
            fetch_required=self._value("Fetch.txt-Required", bool, False),
            data_empty=self._value("Data-Empty", bool, False),
            serialisation=self._serialisation(),
            accept_serialisation=self._shaped("Accept-Serialization", _MEDIA_TYPE, "a media type"),
            accept_version=self._shaped("Accept-BagIt-Version", _VERSION, "a BagIt version such as 1.0"),
            tag_files_required=self._paths("Tag-Files-Required", payload=False) or (),
            tag_files_allowed=self._paths("Tag-Files-Allowed", payload=False),
            payload_files_required=self._paths("Payload-Files-Required", payload=True) or (),
            payload_files_allowed=self._paths("Payload-Files-Allowed", payload=True),
        )
        self._judge(profile)
        return replace(profile, findings=tuple(self._found))

    def _say(self, rule: Rule, key: str, what: str, *, severity: Severity | None = None) -> None:
        place: dict[str, str | int] = {"file": self._where, "key": key}
        self._found.append(rule.found(what, f"{self._where}, {key}", severity=severity, position=place))

    # -- kinds of value ----------------------------------------------------------------------------------
    def _value(self, key: str, kind: type[T], default: T) -> T:
        return self._typed(self._document.get(key, _MISSING), key, kind, default)

    def _typed(self, value: object, key: str, kind: type[T], default: T) -> T:
        if value is _MISSING:
            return default
        if type(value) is kind:
            return value
        wanted = {bool: "true or false", str: "a text", list: "a list", dict: "an object"}[kind]
        self._say(rules.WRONG_TYPE, key, f"'{key}' must be {wanted}, but is {_kind(value)}.")
        return default

    def _texts(self, value: object, key: str) -> tuple[str, ...] | None:
        """A list of texts without those that are none; None when it is not there or no list."""
        if value is _MISSING:
            return None
        given = self._typed(value, key, list, cast("list[Any]", None))
        if given is None:
            return None
        out = []
        for n, entry in enumerate(given, 1):
            if isinstance(entry, str) and entry.strip():
                out.append(entry)
            else:
                what = f"Entry {n} of '{key}' must be a text, but is {_kind(entry)}."
                self._say(rules.WRONG_TYPE, key, what)
        return tuple(dict.fromkeys(out))

    def _list(self, key: str) -> tuple[str, ...] | None:
        return self._texts(self._document.get(key, _MISSING), key)

    # -- fields ------------------------------------------------------------------------------------------
    def _info(self) -> dict[str, str]:
        given = self._value(_INFO, dict, {})
        out: dict[str, str] = {}
        if _INFO not in self._document:
            self._say(rules.INFO_MISSING, _INFO, f"'{_INFO}' is missing.")
            return out
        for key, value in given.items():
            if key in (*_INFO_REQUIRED, *_INFO_OPTIONAL):
                text = self._typed(value, f"{_INFO}, {key}", str, "")
                if text.strip():
                    out[key] = text.strip()
            else:
                what = f"The key '{shown(key)}' is not one of a profile's own."
                self._say(rules.UNKNOWN_KEY, f"{_INFO}, {shown(key)}", what)
        for key in _INFO_REQUIRED:
            if key not in out and not (key in given and not isinstance(given[key], str)):
                self._say(rules.INFO_MISSING, f"{_INFO}, {key}", f"'{key}' is missing or empty.")
        self._spec_version(out)
        identifier = out.get("BagIt-Profile-Identifier")
        if identifier is not None and not _URI.match(identifier):
            what = f"The identifier '{shown(identifier)}' is not a URI."
            self._say(rules.DISCOURAGED, f"{_INFO}, BagIt-Profile-Identifier", what, severity="warning")
        return out

    def _spec_version(self, info: dict[str, str]) -> None:
        text, key = info.get("BagIt-Profile-Version"), f"{_INFO}, BagIt-Profile-Version"
        if text is None:
            self._say(rules.VERSION_ASSUMED, key, "'BagIt-Profile-Version' is not there.")
            return
        parts = _SPEC_VERSION.match(text)
        if parts is None:
            self._say(rules.WRONG_TYPE, key, f"'{shown(text)}' is not a version such as 1.4.0.")
        elif tuple(int(p or 0) for p in parts.groups()) > SPECIFICATION:
            known = ".".join(map(str, SPECIFICATION))
            what = f"The profile follows version {shown(text)} of the specification; {known} is known here."
            self._say(rules.VERSION_NEWER, key, what)

    def _bag_info(self) -> tuple[TagDemand, ...]:
        out = []
        for label, value in self._value("Bag-Info", dict, {}).items():
            key = f"Bag-Info, {shown(label)}"
            given = self._typed(value, key, dict, {})
            for name in given:
                if name not in _TAG_KEYS:
                    what = f"The parameter '{shown(name)}' is not of the standard."
                    self._say(rules.UNKNOWN_KEY, key, what)
            if not label.strip() or label != label.strip() or re.search(r"[:\r\n]", label):
                what = f"'{shown(label)}' cannot be a label in bag-info.txt (RFC 8493 section 2.2.2)."
                self._say(rules.CONTRADICTION, key, what)
                continue
            if label.lower() == "bagit-profile-identifier":
                what = "It is always required, and should not be listed here."
                self._say(rules.DISCOURAGED, key, what)
            out.append(
                TagDemand(
                    label=label,
                    required=self._typed(given.get("required", _MISSING), f"{key}, required", bool, False),
                    values=self._texts(given.get("values", _MISSING), f"{key}, values") or (),
                    repeatable=self._typed(
                        given.get("repeatable", _MISSING), f"{key}, repeatable", bool, True
                    ),
                    description=self._typed(
                        given.get("description", _MISSING), f"{key}, description", str, ""
                    ),
                )
            )
        return tuple(out)

    def _algorithms(self, key: str) -> tuple[str, ...] | None:
        given = self._list(key)
        if given is None:
            return None
        for text in given:
            if not normal_algorithm(text) or manifest_kind(text) is not None or "/" in text:
                self._say(rules.WRONG_TYPE, key, f"'{shown(text)}' is not the name of an algorithm.")
        return tuple(dict.fromkeys(normal_algorithm(text) for text in given if normal_algorithm(text)))

    def _serialisation(self) -> Serialisation:
        text = self._value("Serialization", str, "optional")
        if text not in _SERIALISATION:
            what = f"'Serialization' is '{shown(text)}', not one of {', '.join(_SERIALISATION)}."
            self._say(rules.WRONG_TYPE, "Serialization", what)
            return "optional"
        return cast(Serialisation, text)

    def _shaped(self, key: str, form: re.Pattern[str], what: str) -> tuple[str, ...]:
        out = []
        for text in self._list(key) or ():
            if form.match(text):
                out.append(text)
            else:
                self._say(rules.WRONG_TYPE, key, f"'{shown(text)}' is not {what}.")
        return tuple(out)

    def _paths(self, key: str, *, payload: bool) -> tuple[str, ...] | None:
        given = self._list(key)
        if given is None:
            return None
        if len(given) > MAX_PATTERNS:
            what = f"'{key}' has {len(given)} entries; up to {MAX_PATTERNS} are checked."
            self._say(rules.PATH_FORM, key, what)
            given = given[:MAX_PATTERNS]
        out = []
        for path in given:
            why = _no_path(path, payload=payload)
            if why:
                self._say(rules.PATH_FORM, key, f"'{shown(path)}' {why}.")
            elif key == "Payload-Files-Allowed" and path.endswith("/"):
                what = f"'{shown(path)}' is a folder, which is written with /* here; it was read as that."
                self._say(rules.DISCOURAGED, key, what)
                out.append(path + "*")
            else:
                out.append(path)
        return tuple(out)

    # -- the profile against itself ----------------------------------------------------------------------
    def _judge(self, p: BagProfile) -> None:
        self._covered("Manifests", p.manifests_required, p.manifests_allowed)
        self._covered("Tag-Manifests", p.tag_manifests_required, p.tag_manifests_allowed)
        self._reached("Tag-Files", p.tag_files_required, p.tag_files_allowed)
        self._reached("Payload-Files", p.payload_files_required, p.payload_files_allowed)
        if p.manifests_allowed == () and not self._told("Manifests-Allowed"):
            what = "'Manifests-Allowed' is empty, and no bag is without a payload manifest."
            self._say(rules.CONTRADICTION, "Manifests-Allowed", what)
        if p.fetch_required and not p.allow_fetch:
            what = "fetch.txt is required, and 'Allow-Fetch.txt' is false."
            self._say(rules.CONTRADICTION, "Fetch.txt-Required", what)
        if p.data_empty and sum(not path.endswith("/") for path in p.payload_files_required) > 1:
            what = "The payload must be empty, and 'Payload-Files-Required' names several files."
            self._say(rules.CONTRADICTION, "Data-Empty", what)
        nameless = p.serialisation != "forbidden" and not p.accept_serialisation
        if nameless and not self._told("Accept-Serialization"):
            what = f"Archives are {p.serialisation}, and 'Accept-Serialization' names no kind of archive."
            self._say(rules.CONTRADICTION, "Accept-Serialization", what)
        if not p.accept_version and not self._told("Accept-BagIt-Version"):
            what = "'Accept-BagIt-Version' names no version; at least one is needed."
            self._say(rules.CONTRADICTION, "Accept-BagIt-Version", what)
        for path in p.tag_files_required:
            if path == "bag-info.txt" or manifest_kind(path) is not None:
                what = f"'{path}' is asked for elsewhere, and should not be listed here."
                self._say(rules.DISCOURAGED, "Tag-Files-Required", what)
        for path in (*p.tag_files_required, *p.payload_files_required):
            if "*" in path:
                key = "Payload-Files-Required" if path.startswith("data/") else "Tag-Files-Required"
                what = (
                    f"'{shown(path)}' has a *, but a required path is a full one; any file that fits will do."
                )
                self._say(rules.DISCOURAGED, key, what)

    def _told(self, key: str) -> bool:
        """Whether a fault of that very field is told already."""
        return any(f.severity == "error" and f.position.get("key") == key for f in self._found)

    def _covered(self, name: str, required: tuple[str, ...], allowed: tuple[str, ...] | None) -> None:
        for algorithm in required if allowed is not None else ():
            if algorithm not in (allowed or ()):
                what = f"'{algorithm}' is required, but is not in '{name}-Allowed'."
                self._say(rules.CONTRADICTION, f"{name}-Allowed", what)

    def _reached(self, name: str, required: tuple[str, ...], allowed: tuple[str, ...] | None) -> None:
        if allowed is None:
            return
        matchers = [any_run(pattern) for pattern in allowed]
        for path in required:
            if path == "bag-info.txt" or manifest_kind(path) is not None:
                continue
            if path.endswith("/"):
                reached = any(_opens(pattern, path) for pattern in allowed)
            else:
                reached = any(matches(path) for matches in matchers)
            if not reached:
                what = f"'{shown(path)}' is required, but nothing in '{name}-Allowed' allows it."
                self._say(rules.CONTRADICTION, f"{name}-Allowed", what)


def _opens(pattern: str, folder: str) -> bool:
    """Whether a pattern can match a file in the folder (which ends with /)."""
    head, star, _ = pattern.partition("*")
    return head.startswith(folder) or bool(star and folder.startswith(head))


def _no_path(path: str, *, payload: bool) -> str:
    """Why this cannot be a path, or a pattern for paths, in a bag; "" when it can."""
    if len(path) > MAX_PATH:
        return "is far too long"
    if any(ord(c) < 0x20 or 0xD800 <= ord(c) <= 0xDFFF for c in path):
        return "holds a character that no path holds"
    why = unsafe(path.replace("*", "x"))
    if why:
        return f"leads out of the bag: {why}"
    head, star, _ = path.partition("*")
    beneath = head.startswith("data/") or bool(star and "data/".startswith(head))
    if payload and not beneath:
        return "can never be a payload file, which lies under data/"
    if not payload and head.startswith("data/"):
        return "lies under data/, where no tag file is"
    if path.endswith("/") and not payload:
        return "is a folder; tag files are named one by one, or with *"
    return ""


def _kind(value: object) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text '{shown(value)}'"
    if isinstance(value, (int, float)):
        return "a number"
    return "a list" if isinstance(value, list) else "an object"


def shown(text: str) -> str:
    """A text from a stranger, for messages: short, and without control characters."""
    return readable(text if len(text) <= 120 else text[:117] + "...")
