"""The versions of a manifest that several copies hold, and how they are compared."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from provpack.errors import Bug, InputProblem
from provpack.package import bagrules
from provpack.package.bagtext import Manifest
from provpack.package.bagwrite import build_manifest
from provpack.package.healstock import Stock

_UNREADABLE = frozenset(
    rule.id
    for rule in (
        bagrules.PATH_UNSAFE, bagrules.PATH_OUTSIDE_PAYLOAD, bagrules.LISTS_FOLDER, bagrules.NOT_DECODABLE,
    )
)  # fmt: skip

_ONLY_FORM = frozenset({bagrules.ALGORITHM_NAME.id, bagrules.ASTERISK.id, bagrules.BOM.id})


@dataclass(frozen=True, slots=True, kw_only=True)
class ManifestText:
    """One version of a manifest. copies: how many hold it, 0 when it was written anew. matched: how many of
    its lines have their file in stock."""

    manifest: Manifest
    data: bytes
    copies: int
    matched: int

    @property
    def paths(self) -> frozenset[str]:
        return frozenset(line.path for line in self.manifest.lines)

    @property
    def content(self) -> frozenset[tuple[str, str]]:
        return frozenset((line.path, line.digest) for line in self.manifest.lines)

    @property
    def consistent(self) -> bool:
        """Every file it lists is there, somewhere, with its digest."""
        return 0 < self.matched == len(self.manifest.lines) and not self.faulty

    @property
    def faulty(self) -> bool:
        """Whether a line of it cannot be read as one; what merely departs from the standard is no fault."""
        return any(f.severity == "error" and f.rule not in _ONLY_FORM for f in self.manifest.findings)

    @property
    def identity(self) -> str:
        return _sha512(self.data)

    @property
    def in_our_form(self) -> bool:
        """Sorted, two blanks, lower case: as this program writes manifests."""
        try:
            return self.data == build_manifest((line.path, line.digest) for line in self.manifest.lines)
        except Bug:
            return False


def finest(text: ManifestText) -> tuple[bool, bool, int]:
    """Sorts the version first whose form is least in doubt."""
    return not text.in_our_form, bool(text.manifest.findings), -text.copies


def told_by(texts: Iterable[ManifestText]) -> dict[str, dict[str, str]]:
    """path -> algorithm -> digest, of all that these list."""
    out: dict[str, dict[str, str]] = {}
    for text in texts:
        for line in text.manifest.lines:
            out.setdefault(line.path, {})[text.manifest.algorithm] = line.digest
    return out


def two_packages(one: str, other: str, name: str) -> InputProblem:
    """The refusal to choose between two."""
    return InputProblem(
        "two-packages",
        f"The copies are of two different packages: the SHA-512 of {name} is {one} in one and {other} in "
        "another, and each agrees with files that are there.",
        where=name,
        todo="Give copies of one package only. If they should be the same, name the ledger that knows which "
        "was sealed with --ledger FILE, or the list of signers with --signers FILE.",
    )


def refuse_two(versions: Mapping[str, Mapping[bytes, tuple[Manifest, int]]], stock: Stock) -> None:
    """Raises InputProblem when two versions of any manifest list, for one path, different contents that are
    both there. versions: by the manifest's name and bytes."""
    for name in sorted(versions, key=lambda n: (not n.startswith("tag"), "sha512" not in n, n)):
        held = [(data, manifest) for data, (manifest, _) in versions[name].items()]
        for i, (one, first) in enumerate(held):
            said = _once(first)
            for other, manifest in held[i + 1 :]:
                for path, digest in _once(manifest).items():
                    mine = said.get(path, digest)
                    if mine != digest and all(
                        stock.find(path, {manifest.algorithm: told}) for told in (mine, digest)
                    ):
                        raise two_packages(_sha512(one), _sha512(other), name)


def _once(manifest: Manifest) -> dict[str, str]:
    """path -> digest, without paths listed twice: there a damaged line may have taken on another's name."""
    many = Counter(line.path for line in manifest.lines)
    return {line.path: line.digest for line in manifest.lines if many[line.path] == 1}


def _sha512(data: bytes) -> str:
    return hashlib.sha512(data).hexdigest()


def refuse_unsafe(texts: Sequence[ManifestText]) -> None:
    """Raises InputProblem when a proven manifest names a path that must not be written, or no text at all."""
    for text in texts:
        for finding in text.manifest.findings:
            if finding.severity == "error" and finding.rule in _UNREADABLE:
                raise InputProblem(
                    "manifest-refused",
                    f"{finding.what} Such a bag is not built here.",
                    where=finding.where,
                    todo="Mend it by hand from the copies; `provpack verify` says what is damaged.",
                )
