"""What a package of ours must be like beyond RFC 8493, because we know how it was written.

Nothing vouches for a tag manifest (section 2.2.1), and the RFC lets a bag do without; but every package of
ours was sealed with two of them, in lower case, over every tag file there was.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

from provpack.findings import Finding
from provpack.package import layout, rules
from provpack.package.bagcheck import mixed_case

TAG_MANIFESTS = ("tagmanifest-sha256.txt", "tagmanifest-sha512.txt")
SIGNATURE = "tagmanifest-sha512.txt.sig"
"""Made after the seal, so in no manifest."""


def sealed_by_us(named: Collection[str]) -> bool:
    """Whether these paths, on disk or in a manifest, are those of a package of ours, also without audio."""
    return layout.READ_FIRST in named and layout.RECORD in named


def seal_findings(
    found: Iterable[Finding], files: Collection[str], texts: Mapping[str, bytes | None]
) -> list[Finding]:
    """The findings about a package of ours as a bag, graver where a stranger's bag would be free to differ.

    files: paths on disk. texts: bytes of the manifests as far as they could be read.
    """
    out = [
        replace(f, severity="warning") if f.rule == rules.TAG_UNLISTED.id else f
        for f in found
        # the signature vouches for itself
        if (f.rule, f.position.get("path")) != (rules.TAG_UNLISTED.id, SIGNATURE)
    ]
    for name in TAG_MANIFESTS:
        if name not in files:
            what = f"{name} is missing; the package was sealed with it."
            out.append(rules.FILE_MISSING.found(what, name, position={"path": name}))
    for name, data in texts.items():
        out += mixed_case(name, data) if data else ()
    return out
