"""Hold a bag against a BagIt profile (BagIt Profiles 1.4.0), in addition to checking the bag itself.

Everything that is not met is told, each thing by a finding of its own. Two demands are fatal by the
specification, Accept-Serialization and Accept-BagIt-Version: their findings say so, and the rest is told
all the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from provpack.findings import Finding, Rule
from provpack.package import profilerules as rules
from provpack.package.bagpaths import Findings, normalised
from provpack.package.bagprofile_glob import Matcher, any_run
from provpack.package.bagprofile_read import parse_profile, shown
from provpack.package.bagprofile_values import BagFacts, BagProfile, TagDemand, same_type
from provpack.package.bagtext import manifest_kind
from provpack.package.figures import counted

__all__ = [
    "IDENTIFIER",
    "BagFacts",
    "BagProfile",
    "TagDemand",
    "check_bag_info",
    "check_profile",
    "parse_profile",
]

IDENTIFIER = "BagIt-Profile-Identifier"
_NOT_LISTED = frozenset({"bagit.txt", "bag-info.txt", "fetch.txt"})
"""Tag files that Tag-Files-Required and -Allowed do not speak of: other fields and the RFC do."""


def check_profile(profile: BagProfile, facts: BagFacts) -> tuple[Finding, ...]:
    """Everything in which the bag does not meet the profile; () = met, as far as the profile is sound.

    The findings of the profile itself (`profile.findings`) are not repeated here.
    """
    found = Findings()
    _check_form(profile, facts, found)
    _check_info(profile, facts.bag_info, facts.has_bag_info, found)
    _check_manifests(profile, facts, found)
    if facts.has_fetch and not profile.allow_fetch:
        found.add(rules.FETCH_NOT_ALLOWED, "There is a fetch.txt; the profile forbids it.", path="fetch.txt")
    if profile.fetch_required and not facts.has_fetch:
        found.add(rules.FETCH_MISSING, "There is no fetch.txt; the profile requires one.", path="fetch.txt")
    _check_files(profile, facts, found)
    return found.done()


def check_bag_info(profile: BagProfile, pairs: Sequence[tuple[str, str]]) -> tuple[Finding, ...]:
    """What of the profile concerns bag-info.txt alone, for pairs (label, value) that will stand there."""
    found = Findings()
    _check_info(profile, pairs, True, found)
    return found.done()


def _check_form(profile: BagProfile, facts: BagFacts, found: Findings) -> None:
    given = facts.serialisation
    if given is None:
        if profile.serialisation == "required":
            kinds = ", ".join(profile.accept_serialisation) or "an archive"
            what = f"The bag is a folder; the profile requires an archive ({shown(kinds)})."
            found.add(rules.SERIALISATION, what, "the bag")
    elif profile.serialisation == "forbidden":
        what = f"The bag lies in an archive ({given}); the profile accepts folders only."
        found.add(rules.SERIALISATION, what, "the bag")
    elif profile.accept_serialisation and not any(
        same_type(given, kind) for kind in profile.accept_serialisation
    ):
        kinds = shown(", ".join(profile.accept_serialisation))
        what = f"The bag lies in an archive of type {given}; the profile accepts {kinds}. This is fatal."
        found.add(rules.ACCEPT_SERIALISATION, what, "the bag")
    accepted = {_version(text) for text in profile.accept_version}
    if accepted and (facts.version is None or _version(facts.version) not in accepted):
        wanted = shown(", ".join(profile.accept_version))
        declared = f"declares version {facts.version}" if facts.version else "declares no version"
        what = f"The bag {declared}; the profile accepts {wanted}. This is fatal."
        found.add(rules.BAGIT_VERSION, what, "bagit.txt", path="bagit.txt")


def _version(text: str) -> tuple[int, ...]:
    return tuple(int(part) for part in text.split(".") if part.isdecimal())


def _check_info(
    profile: BagProfile, pairs: Sequence[tuple[str, str]], is_there: bool, found: Findings
) -> None:
    here = "bag-info.txt"

    def say(rule: Rule, label: str, what: str) -> None:
        found.add(rule, what, f"{here}, {shown(label)}", path=here)

    by_label: dict[str, list[str]] = {}
    for label, value in pairs:
        by_label.setdefault(label.lower(), []).append(_one_line(value))
    if not is_there:
        found.add(rules.NO_BAG_INFO, "There is no bag-info.txt.", here, path=here)
    named = by_label.get(IDENTIFIER.lower(), [])
    if profile.identifier is not None and profile.identifier not in named:
        if named:
            what = f"It names {shown(', '.join(named))}; the profile is {shown(profile.identifier)}."
            say(rules.IDENTIFIER_OTHER, IDENTIFIER, what)
        else:
            what = f"There is no {IDENTIFIER}; for this profile it must be {shown(profile.identifier)}."
            say(rules.IDENTIFIER_MISSING, IDENTIFIER, what)
    elif not named:
        say(rules.IDENTIFIER_MISSING, IDENTIFIER, f"There is no {IDENTIFIER}.")
    for demand in profile.bag_info:
        key, label = demand.label.lower(), shown(demand.label)
        if key == IDENTIFIER.lower() and not demand.values and demand.repeatable:
            continue  # asked for anyway
        values = by_label.get(key, [])
        if demand.required and not values and key != IDENTIFIER.lower():
            say(rules.TAG_MISSING, demand.label, f"There is no {label}; the profile requires it.")
        elif demand.required and values and not any(values):
            say(rules.TAG_EMPTY, demand.label, f"{label} is there, but has no value.")
        if not demand.repeatable and len(values) > 1:
            what = f"{label} stands {len(values)} times; the profile allows it once."
            say(rules.TAG_REPEATED, demand.label, what)
        allowed = {_one_line(value) for value in demand.values}
        for value in dict.fromkeys(values) if allowed else ():
            if value not in allowed:
                wanted = shown(" | ".join(demand.values))
                what = f"{label} is '{shown(value)}'; the profile allows: {wanted}."
                say(rules.TAG_VALUE, demand.label, what)


def _one_line(value: str) -> str:
    """A value as it was before it was folded (RFC 8493 section 2.2.2): a line break stands for a blank."""
    if "\n" in value or "\r" in value:
        value = " ".join(part.strip(" \t") for part in re.split(r"\r\n|\r|\n", value))
    return value.strip(" \t")


def _check_manifests(profile: BagProfile, facts: BagFacts, found: Findings) -> None:
    lists: tuple[tuple[str, tuple[str, ...], tuple[str, ...], tuple[str, ...] | None, Rule, Rule], ...] = (
        ("manifest", facts.payload_algorithms, profile.manifests_required, profile.manifests_allowed,
         rules.MANIFEST_MISSING, rules.MANIFEST_NOT_ALLOWED),
        ("tagmanifest", facts.tag_algorithms, profile.tag_manifests_required, profile.tag_manifests_allowed,
         rules.TAGMANIFEST_MISSING, rules.TAGMANIFEST_NOT_ALLOWED),
    )  # fmt: skip
    for name, present, required, allowed, missing, not_allowed in lists:
        for algorithm in required:
            if algorithm not in present:
                file = f"{name}-{shown(algorithm)}.txt"
                found.add(missing, f"There is no {file}; the profile requires it.", file, path=file)
        for algorithm in present if allowed is not None else ():
            if algorithm not in (allowed or ()):
                file = f"{name}-{shown(algorithm)}.txt"
                kinds = shown(", ".join(allowed or ())) or "none"
                what = f"There is a {file}; the profile allows only: {kinds}."
                found.add(not_allowed, what, file, path=file)


def _check_files(profile: BagProfile, facts: BagFacts, found: Findings) -> None:
    payload = [path for path in facts.files if path.startswith("data/")]
    tags = [
        path
        for path in facts.files
        if not path.startswith("data/") and path not in _NOT_LISTED and manifest_kind(path) is None
    ]
    if profile.data_empty and not (not payload or (len(payload) == 1 and facts.files[payload[0]] == 0)):
        size = sum(facts.files[path] for path in payload)
        has = f"{counted(len(payload), 'file')}, {counted(size, 'byte')}"
        what = f"The payload has {has}; the profile wants it empty."
        found.add(rules.DATA_NOT_EMPTY, what, "data/", path="data")
    every = set(map(normalised, facts.files))
    _missing(profile.tag_files_required, every, rules.TAG_FILE_MISSING, found)
    _missing(profile.payload_files_required, every, rules.PAYLOAD_FILE_MISSING, found)
    _not_allowed(profile.tag_files_allowed, tags, rules.TAG_FILE_NOT_ALLOWED, found)
    _not_allowed(profile.payload_files_allowed, payload, rules.PAYLOAD_FILE_NOT_ALLOWED, found)


def _missing(required: Iterable[str], every: set[str], rule: Rule, found: Findings) -> None:
    """Names are compared in one Unicode normalisation form (RFC 8493 section 6.1.1.3)."""
    for path in required:
        wanted = normalised(path)
        if path.endswith("/"):
            if not any(one.startswith(wanted) for one in every):
                what = f"There is no file in {shown(path)}; the profile requires that folder."
                found.add(rule, what, path=path)
        elif wanted not in every and not ("*" in path and any(map(any_run(wanted), every))):
            found.add(rule, f"There is no {shown(path)}; the profile requires it.", path=path)


def _not_allowed(allowed: tuple[str, ...] | None, paths: Iterable[str], rule: Rule, found: Findings) -> None:
    if allowed is None:
        return
    exact = {normalised(pattern) for pattern in allowed if "*" not in pattern}
    matchers: list[Matcher] = [any_run(normalised(pattern)) for pattern in allowed if "*" in pattern]
    words = shown(", ".join(allowed)) or "nothing"
    for path in paths:
        name = normalised(path)
        if name not in exact and not any(matches(name) for matches in matchers):
            found.add(rule, f"{shown(path)} is not among what the profile allows: {words}.", path=path)
