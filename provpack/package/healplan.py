"""From several damaged copies to the one package that was sealed: which bytes are right, and what is lost.

Nothing vouches for a tag manifest but what is outside the package (RFC 8493 section 2.2.1), so it is chosen
first: by an identity that a ledger names, by a trusted signature, else as the one that agrees with the files
it lists. Everything else is proven downwards from it, digest by digest, whatever copy it comes from. A
manifest that no copy holds whole is written anew from the files and taken only if its own digest proves it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from provpack.errors import InputProblem
from provpack.package.bagdeclaration import Declaration
from provpack.package.bagtext import Manifest, ManifestLine, manifest_kind, normal_algorithm, parse_manifest
from provpack.package.healstock import Claims, CopyView, Held, Made, Source, Stock, lines_survive, rebuilt
from provpack.package.healtexts import ManifestText, finest, refuse_two, refuse_unsafe, told_by, two_packages
from provpack.package.layout import READ_FIRST
from provpack.package.ownbag import TAG_MANIFESTS, sealed_by_us

IDENTITY = "tagmanifest-sha512.txt"
_BEST_FIRST = ("sha512", "sha256", "sha384", "sha224", "sha1", "md5")
_NEEDED = ("bagit.txt", "bag-info.txt", "package-info.txt", "fetch.txt")
"""Tag files without which a bag is another one, also where no tag manifest lists them."""

Digests = Mapping[str, str]
Evidence = Literal["ledger", "signature", "self_consistency"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """What is known from outside the package. identities: SHA-512 of tagmanifest-sha512.txt by which ledgers
    know it. trusted, fits: whether a signature in any copy is a trusted signer's over these bytes, or fits
    them at all."""

    identities: frozenset[str] = frozenset()
    trusted: Callable[[bytes], bool] = lambda _text: False
    fits: Callable[[bytes], bool] = lambda _text: False


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One file of the package as it will be: where its bytes are."""

    path: str
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """files and lost together are the package, sorted by path. identity: None when it is not known or there
    is none. unproven: files taken though no manifest lists them, as all copies agree."""

    files: tuple[Planned, ...]
    lost: tuple[str, ...]
    identity: str | None
    evidence: Evidence | None
    ours: bool
    unproven: tuple[str, ...] = ()

    @property
    def paths(self) -> frozenset[str]:
        return frozenset((*(f.path for f in self.files), *self.lost))

    def source(self, path: str) -> Source | None:
        """Where the bytes of a file are, None when it is lost or no part of the package."""
        return next((f.source for f in self.files if f.path == path), None)

    def whole_in(self, copy: CopyView) -> bool:
        """Whether the copy holds exactly this, with nothing more in its payload."""
        more = {p for p in (*copy.sizes, *copy.irregular) if p.startswith("data/")} - self.paths
        return not (self.lost or more) and all(copy.has(f.path, f.source) for f in self.files)

    def in_part_in(self, copy: CopyView) -> bool:
        """Whether the copy holds any of this, but for what every bag has."""
        return any(copy.has(f.path, f.source) for f in self.files if f.path != "bagit.txt")


class Planner:
    """Chooses, in one stock. digest: gives the digests of bytes by every algorithm the stock has. read:
    the bytes of a manifest that lies under another name, None when they cannot be had."""

    def __init__(
        self,
        stock: Stock,
        declaration: Declaration,
        outside: Outside,
        digest: Callable[[bytes], Digests],
        read: Callable[[Held], bytes | None] = lambda _held: None,
    ) -> None:
        self._stock, self._declaration, self._outside, self._digest = stock, declaration, outside, digest
        self._read_held = read
        self._algorithms = frozenset(digest(b""))
        self._made: dict[str, bytes | None] = {}
        names = {n for copy in stock.copies for n in copy.texts if self._of(n) is not None}
        self._versions = {name: self._read(name) for name in names}
        self._tag = Claims(m for n in names if self._kind(n) == "tag" for m, _ in self._versions[n].values())
        self.claims = Claims(
            m for n in names if self._kind(n) == "payload" for m, _ in self._versions[n].values()
        )
        named = {p for copy in stock.copies for p in copy.sizes} | {*self._tag.by_path, *self.claims.by_path}
        self.ours = sealed_by_us(named)

    # --- reading ---

    def _of(self, name: str) -> tuple[str, str] | None:
        """(kind, algorithm) of a manifest that can be judged here."""
        kind = manifest_kind(name)
        if kind is None or normal_algorithm(kind[1]) not in self._algorithms:
            return None
        return kind[0], normal_algorithm(kind[1])

    def _kind(self, name: str) -> str:
        return (self._of(name) or ("", ""))[0]

    def _read(self, name: str) -> dict[bytes, tuple[Manifest, int]]:
        """Each version of the manifest there is, and how many copies hold it."""
        out: dict[bytes, tuple[Manifest, int]] = {}
        for copy in self._stock.copies:
            data = copy.texts.get(name)
            if data is not None:
                known = out.get(data)
                manifest = known[0] if known else self._resolved(data, name)
                out[data] = manifest, (known[1] if known else 0) + 1
        return out

    def _resolved(self, data: bytes, name: str) -> Manifest:
        """The manifest with the paths by which its files are found."""
        manifest = parse_manifest(data, name, self._declaration)
        lines = tuple(self._line(line) for line in manifest.lines)
        return Manifest(
            name=manifest.name, kind=manifest.kind, algorithm=manifest.algorithm, lines=lines,
            findings=manifest.findings,
        )  # fmt: skip

    def _line(self, line: ManifestLine) -> ManifestLine:
        if line.other is not None and not self._stock.at(line.path) and self._stock.at(line.other):
            return ManifestLine(line=line.line, digest=line.digest, path=line.other)
        return line

    # --- choosing ---

    def plan(self) -> Plan:
        """The package. Raises InputProblem when the copies are of different packages."""
        for name in self._wanted_manifests("payload"):
            self._make(name, self.claims)
        tags = self._wanted_manifests("tag")
        primary = IDENTITY if IDENTITY in tags else min(tags, key=self._rank, default=None)
        chosen: dict[str, ManifestText] = {}
        lost: set[str] = set()
        evidence: Evidence | None = None
        if primary is not None:
            text, evidence = self._root(primary, self._tag)
            if text is None:
                lost.add(primary)
            else:
                refuse_unsafe([text])
                chosen[primary] = text
        wanted = told_by(chosen.values()) if chosen else self._guess(primary, self._tag)
        for name in sorted(tags - {primary}):
            other = self._second(name, wanted, chosen.get(primary or ""))
            if other is None:
                lost.add(name)
            else:
                chosen[name] = other
                for path, digests in told_by([other]).items():
                    wanted.setdefault(path, {}).update(digests)
        found, missing = self._sources(wanted)
        lost |= missing
        found |= {name: self._as_source(name, text) for name, text in chosen.items()}
        unproven = self._unlisted(found, lost)
        if primary is None:
            evidence = self._payload_roots(found, lost)
        payload, missing = self._payload(found, lost)
        found |= payload
        return Plan(
            files=tuple(Planned(path=p, source=found[p]) for p in sorted(found)),
            lost=tuple(sorted(lost | missing)),
            identity=chosen[IDENTITY].identity if IDENTITY in chosen else None,
            evidence=evidence,
            ours=self.ours,
            unproven=tuple(sorted(unproven)),
        )

    def _rank(self, name: str) -> tuple[int, str]:
        algorithm = (self._of(name) or ("", ""))[1]
        return _BEST_FIRST.index(algorithm) if algorithm in _BEST_FIRST else len(_BEST_FIRST), name

    def _wanted_manifests(self, kind: str) -> set[str]:
        """Names of the manifests of that kind the package has, as far as anything tells."""
        names = {name for name in self._versions if self._kind(name) == kind}
        if kind == "payload":
            return names | {name for name in self._tag.by_path if self._kind(name) == kind}
        listed = {n for n in self._wanted_manifests("payload") if self._stock.at(n)}
        return names | {*TAG_MANIFESTS, *(f"tag{name}" for name in listed)} if self.ours else names

    def _make(self, name: str, claims: Claims) -> bytes | None:
        """Write a manifest anew and put it in stock, unless a copy holds just that."""
        if name not in self._made:
            algorithm = (self._of(name) or ("", ""))[1]
            data = self._made[name] = rebuilt(algorithm, claims, self._stock)
            if data is not None and data not in self._versions.get(name, {}):
                self._stock.add(Made(path=name, data=data, digests=self._digest(data)))
        return self._made[name]

    def _texts(self, name: str, claims: Claims) -> list[ManifestText]:
        """Every version of a manifest, also the one written anew."""
        texts = [self._text(m, data, copies) for data, (m, copies) in self._versions.get(name, {}).items()]
        data = self._make(name, claims)
        if data is not None and all(t.data != data for t in texts):
            texts.append(self._text(self._resolved(data, name), data, 0))
        return texts

    def _text(self, manifest: Manifest, data: bytes, copies: int) -> ManifestText:
        met = sum(
            self._stock.find(line.path, {manifest.algorithm: line.digest}) is not None
            for line in manifest.lines
        )
        return ManifestText(manifest=manifest, data=data, copies=copies, matched=met)

    def _root(self, name: str, claims: Claims) -> tuple[ManifestText | None, Evidence | None]:
        """The manifest for which nothing in the package vouches. Raises InputProblem."""
        texts = self._texts(name, claims)
        known = self._outside.identities if name == IDENTITY else frozenset()
        if known:
            hits = [t for t in texts if t.identity in known]
            if not hits:
                self._refuse_stranger([t for t in texts if t.copies and t.consistent], known)
                return None, None
            return self._only(hits, name), "ledger"
        if name == IDENTITY:
            hits = [t for t in texts if self._outside.trusted(t.data)]
            if hits:
                return self._only(hits, name), "signature"
        refuse_two(self._versions, self._stock)
        ours = self.ours and claims is self._tag  # then any other form than ours is damage
        full = [t for t in texts if self._complete(t, name, claims) and (t.in_our_form or not ours)]
        whole = [t for t in full if t.consistent and (t.copies or self._may_stand(t, name))]
        # Versions that say the same differ in bytes that no digest covers.
        whole.sort(key=finest)
        if any(t.content != whole[0].content for t in whole):
            return self._only(whole, name), None
        if whole:
            return whole[0], "self_consistency"
        # What it lists is nowhere and nothing says otherwise: then that is lost, and not the manifest.
        full = [t for t in full if t.copies and self._plausible(t, claims)]
        return max(full, key=lambda t: (t.matched, t.copies), default=None), None

    def _plausible(self, text: ManifestText, claims: Claims) -> bool:
        """Whether it errs nowhere: what it lists and is not found, no other version finds either."""
        algorithm = text.manifest.algorithm
        return not text.faulty and all(
            self._stock.find(line.path, {algorithm: line.digest}) or not claims.source(line.path, self._stock)
            for line in text.manifest.lines
        )

    def _complete(self, text: ManifestText, name: str, claims: Claims) -> bool:
        """Whether it lists all that any version lists: one that was cut off agrees with what is left."""
        ours = self.ours and text.manifest.kind == "tag"
        alike = [
            m
            for other, versions in self._versions.items()
            if other == name or (ours and self._kind(other) == "tag")
            for m, _ in versions.values()
        ]
        told = {line.path for m in alike for line in m.lines}
        if ours:
            told |= {"bagit.txt", "bag-info.txt", READ_FIRST}
        most = max((sum(bool(line.digest) for line in m.lines) for m in alike), default=0)
        return len(text.manifest.lines) >= most and {p for p in told if self._stock.at(p)} <= text.paths

    def _may_stand(self, text: ManifestText, name: str) -> bool:
        """A root that no copy holds whole: each of its lines must be in one, or a signature fit the whole."""
        versions = self._versions.get(name, {})
        if self.ours and text.manifest.kind == "tag":  # one form only, so what a line says is enough
            there = {(line.path, line.digest) for m, _ in versions.values() for line in m.lines}
            if text.content <= there:
                return True
        return lines_survive(text.data, versions) or (name == IDENTITY and self._outside.fits(text.data))

    def _only(self, hits: Sequence[ManifestText], name: str) -> ManifestText:
        if len(hits) > 1:
            raise two_packages(hits[0].identity, hits[1].identity, name)
        return hits[0]

    def _refuse_stranger(self, texts: Sequence[ManifestText], known: Collection[str]) -> None:
        if texts:
            raise InputProblem(
                "other-package",
                f"The copies are the package {texts[0].identity[:16]}..., but the ledger knows this name as "
                f"{min(known)[:16]}... (SHA-512 of {IDENTITY}).",
                where=IDENTITY,
                todo="Somebody made the manifests anew, or this is another package: ask for the copies of "
                "the one that was sealed, or name the right ledger with --ledger.",
            )

    def _guess(self, name: str | None, claims: Claims) -> dict[str, dict[str, str]]:
        """What the package seems to consist of, when its root is lost: to say what else is."""
        texts = self._texts(name, claims) if name is not None else []
        best = max(texts, key=lambda t: (t.matched, t.copies), default=None)
        return told_by([best]) if best is not None else {}

    def _sources(self, wanted: Mapping[str, Mapping[str, str]]) -> tuple[dict[str, Source], set[str]]:
        """Where each path's bytes are, and the paths whose bytes are nowhere."""
        found: dict[str, Source] = {}
        lost: set[str] = set()
        for path, digests in wanted.items():
            source = self._stock.find(path, digests)
            if source is None:
                lost.add(path)
            else:
                found[path] = source
        return found, lost

    def _second(
        self, name: str, wanted: Mapping[str, Mapping[str, str]], primary: ManifestText | None
    ) -> ManifestText | None:
        """Another tag manifest: the version that says of the files what the first one chose."""
        found, _ = self._sources(wanted)
        alike = self.ours and primary is not None and primary.in_our_form
        fitting = []
        for text in self._texts(name, self._tag):
            algorithm = text.manifest.algorithm
            agrees = self._plausible(text, self._tag) and all(
                line.path not in found or found[line.path].digests.get(algorithm) == line.digest
                for line in text.manifest.lines
            )
            if alike and primary is not None:  # ours all list the same, in the same form
                agrees = agrees and text.paths == primary.paths and text.in_our_form
            elif agrees:
                agrees = self._complete(text, name, self._tag) and (
                    text.copies > 0 or lines_survive(text.data, self._versions.get(name, {}))
                )
            if agrees:
                fitting.append(text)
        fitting.sort(key=finest)
        return fitting[0] if fitting else None

    def _as_source(self, name: str, text: ManifestText) -> Source:
        source = self._stock.find(name, self._digest(text.data))
        assert source is not None  # it was read from a copy, or made
        return source

    def _unlisted(self, found: dict[str, Source], lost: set[str]) -> set[str]:
        """Tag files that belong to the bag though no tag manifest lists them: taken when all copies agree."""
        taken = set()
        for name in _NEEDED:
            if name in found or name in lost or not self._stock.at(name):
                continue
            versions = [copy.files[name] for copy in self._stock.copies if name in copy.files]
            if versions and all(v.digests == versions[0].digests for v in versions):
                found[name] = versions[0]
                taken.add(name)
            else:
                lost.add(name)
        return taken

    def _payload_roots(self, found: dict[str, Source], lost: set[str]) -> Evidence | None:
        """A bag without tag manifests: its payload manifests must agree with the files they list."""
        evidence: Evidence | None = None
        for name in sorted(self._wanted_manifests("payload")):
            text, seen = self._root(name, self.claims)
            evidence = evidence or seen
            if text is None:
                lost.add(name)
            else:
                found[name] = self._as_source(name, text)
        return evidence

    def _payload(
        self, found: Mapping[str, Source], lost: Collection[str]
    ) -> tuple[dict[str, Source], set[str]]:
        """The payload as the proven manifests list it; as any version lists it when none is proven."""
        texts = []
        for name, source in found.items():
            if self._kind(name) == "payload":
                data = source.data if isinstance(source, Made) else self._bytes(source)
                if data is not None:
                    texts.append(self._text(self._resolved(data, name), data, 1))
        if texts:
            refuse_unsafe(texts)
            return self._sources(told_by(texts))
        found_now, missing = {}, set()
        for path in self.claims.by_path:
            source_or = self.claims.source(path, self._stock)
            if source_or is not None:
                found_now[path] = source_or
            elif self._stock.at(path) or self.claims.by_path[path].total() > 1:
                missing.add(path)
        return found_now, missing

    def _bytes(self, source: Source) -> bytes | None:
        assert isinstance(source, Held)
        return self._stock.copies[source.copy - 1].texts.get(source.path) or self._read_held(source)
