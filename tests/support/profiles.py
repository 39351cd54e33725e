"""A BagIt profile that asks for little, a bag that meets it, and the requirements of an invented client."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from provpack.package.bagprofile import BagFacts, BagProfile, parse_profile

IDENTIFIER = "https://harbour.example/profiles/bags-v1.json"
Json = dict[str, Any]


def document(**fields: Any) -> Json:
    """A sound profile, with these fields replaced or added; a value of ... takes a field out. Underscores in
    names stand for hyphens; `fetch` and `fetch_required` for the two with a dot."""
    base: Json = {
        "BagIt-Profile-Info": {
            "BagIt-Profile-Identifier": IDENTIFIER,
            "BagIt-Profile-Version": "1.4.0",
            "Source-Organization": "Harbour Library",
            "External-Description": "Bags for the tests",
            "Version": "1",
        },
        "Serialization": "optional",
        "Accept-Serialization": ["application/x-tar"],
        "Accept-BagIt-Version": ["1.0"],
    }
    names = {"fetch": "Allow-Fetch.txt", "fetch_required": "Fetch.txt-Required"}
    for name, value in fields.items():
        key = names.get(name, name.replace("_", "-"))
        if value is ...:
            base.pop(key, None)
        else:
            base[key] = value
    return base


def profile(**fields: Any) -> BagProfile:
    """`document` as read."""
    return parse_profile(json.dumps(document(**fields)).encode(), "harbour.json")


def facts(
    *,
    info: tuple[tuple[str, str], ...] = (),
    files: Mapping[str, int] | None = None,
    named: bool = True,
    **more: Any,
) -> BagFacts:
    """A bag with one payload file, sha512 manifests and the profile's identifier; files are added to it."""
    own: dict[str, int] = {"bagit.txt": 55, "manifest-sha512.txt": 140, "tagmanifest-sha512.txt": 300}
    payload = {} if files is not None and any(p.startswith("data/") for p in files) else {"data/a.wav": 44}
    pairs = ((("BagIt-Profile-Identifier", IDENTIFIER),) if named else ()) + info
    given: Json = {
        "name": "bag",
        "bag_info": pairs,
        "payload_algorithms": ("sha512",),
        "tag_algorithms": ("sha512",),
        "files": {**own, "bag-info.txt": 80, **payload, **(files or {})},
    }
    return BagFacts(**{**given, **more})


def requirements(**fields: Any) -> Json:
    """A requirements file that asks for nothing, with these fields added; ... takes one out."""
    base: Json = {
        "schema_version": "1.0.0",
        "name": "Rules of the harbour",
        "client": "Ambersund Chamber Archive",
        "version": "1",
    }
    for name, value in fields.items():
        if value is ...:
            base.pop(name, None)
        else:
            base[name] = value
    return base
