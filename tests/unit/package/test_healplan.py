"""Which bytes are right when copies disagree: what is refused rather than guessed, and what is still found.

RFC 8493 section 2.2.1: nothing in a bag vouches for its tag manifests. The copies are made here in memory, so
the truth is known.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping
from typing import Any

import pytest

from provpack.errors import InputProblem
from provpack.package.bagdeclaration import parse_declaration
from provpack.package.bagtext import manifest_kind, parse_manifest
from provpack.package.bagwrite import BAGIT_TXT, build_manifest
from provpack.package.healplan import IDENTITY, Outside, Plan, Planner
from provpack.package.healstock import Claims, CopyView, Held, Made, Stock, rebuilt

ALGORITHMS = ("sha512", "sha256", "md5")
Tree = dict[str, bytes]
OURS = ("sha512", "sha256")


def digest(data: bytes) -> dict[str, str]:
    return {name: hashlib.new(name, data).hexdigest() for name in ALGORITHMS}


def manifest(files: Mapping[str, bytes], algorithm: str = "sha512") -> bytes:
    return build_manifest((path, digest(data)[algorithm]) for path, data in files.items())


def bag(payload: Tree, *, info: bytes = b"Note: a\n", tags: Collection[str] = OURS) -> Tree:
    """A bag of somebody with a SHA-512 manifest, and tag manifests by these algorithms."""
    files = {"bagit.txt": BAGIT_TXT, "bag-info.txt": info, "manifest-sha512.txt": manifest(payload)}
    sealed = {f"tagmanifest-{name}.txt": manifest(files, name) for name in tags}
    return files | payload | sealed


def ours(*, info: bytes = b"Note: a\n") -> Tree:
    """A package of ours by its papers."""
    payload = {"data/metadata/record.json": b"{}", "data/a": b"alpha"}
    files = {
        "bagit.txt": BAGIT_TXT,
        "bag-info.txt": info,
        "READ-ME-FIRST.txt": b"Read me.\n",
        **{f"manifest-{name}.txt": manifest(payload, name) for name in OURS},
    }
    return files | payload | {f"tagmanifest-{name}.txt": manifest(files, name) for name in OURS}


def identity(files: Tree) -> str:
    return digest(files[IDENTITY])["sha512"]


def view(number: int, files: Tree) -> CopyView:
    """A copy that holds these files, all of them readable."""
    return CopyView(
        number=number,
        name=f"copy {number}",
        sizes={path: len(data) for path, data in files.items()},
        files={
            path: Held(copy=number, path=path, size=len(data), digests=digest(data))
            for path, data in files.items()
        },
        texts={path: data for path, data in files.items() if manifest_kind(path)},
    )


def plan(
    *copies: Tree,
    outside: Outside | None = None,
    read: Callable[[Held], bytes | None] = lambda _held: None,
    declaration: bytes = BAGIT_TXT,
) -> Plan:
    stock = Stock([view(number, files) for number, files in enumerate(copies, 1)])
    return Planner(stock, parse_declaration(declaration), outside or Outside(), digest, read).plan()


def found(made: Plan) -> dict[str, tuple[int, str]]:
    """path -> copy and name there, of what comes from a copy."""
    return {f.path: (f.source.copy, f.source.path) for f in made.files if isinstance(f.source, Held)}


def without(files: Tree, *paths: str) -> Tree:
    return {path: data for path, data in files.items() if path not in paths}


# ---- which package is it


def test_whole_copies_are_planned_from_the_first() -> None:
    for files in (ours(), bag({"data/a": b"alpha"})):
        made = plan(files, files)
        assert found(made) == {path: (1, path) for path in files}
        assert (made.lost, made.identity, made.evidence) == ((), identity(files), "self_consistency")


def test_a_ledger_that_knows_both_of_two_packages_decides_nothing() -> None:
    one, two = ours(), ours(info=b"Note: b\n")
    known = frozenset({identity(one), identity(two)})
    with pytest.raises(InputProblem) as refused:
        plan(one, two, outside=Outside(identities=known))
    assert refused.value.code == "two-packages"
    assert identity(one) in refused.value.what and identity(two) in refused.value.what
    made = plan(one, two, outside=Outside(identities=frozenset({identity(two)})))
    assert (made.identity, made.evidence, made.lost) == (identity(two), "ledger", ())
    assert found(made)["bag-info.txt"] == (2, "bag-info.txt")


def test_a_damaged_root_that_only_the_ledger_knows_is_lost_and_no_stranger() -> None:
    """The tag manifest has a damaged line, and what stood in it is nowhere: nothing can be proven by it."""
    files = ours()
    true = identity(files)
    files[IDENTITY] = files[IDENTITY].replace(digest(files["bag-info.txt"])["sha512"].encode(), b"x" * 128)
    made = plan(without(files, "bag-info.txt"), outside=Outside(identities=frozenset({true})))
    assert (made.identity, made.evidence) == (None, None)
    assert {IDENTITY, "bag-info.txt"} <= set(made.lost)
    assert found(made)["data/a"] == (1, "data/a")  # the payload is proven by its own manifests
    with pytest.raises(InputProblem) as refused:
        plan(ours(info=b"Note: b\n"), outside=Outside(identities=frozenset({true})))
    assert refused.value.code == "other-package"


def test_two_roots_that_name_what_nobody_has_otherwise_are_refused() -> None:
    """One content, two names for it, and no file of either name: neither is the better guess."""
    one = bag({"data/a": b"same", "data/b": b"same"}, tags=())
    two = bag({"data/a": b"same", "data/c": b"same"}, tags=())
    with pytest.raises(InputProblem) as refused:
        plan(without(one, "data/b"), without(two, "data/c"))
    assert refused.value.code == "two-packages"
    made = plan(one, without(two, "data/c"))  # one of the names is there: it counts
    assert found(made)["data/b"] == (1, "data/b") and "data/c" not in made.paths


@pytest.mark.parametrize("signed", [True, False])
def test_a_root_put_together_from_the_other_one_needs_a_signature(signed: bool) -> None:
    """A line of tagmanifest-sha512.txt is damaged everywhere; tagmanifest-sha256.txt says which file it was.
    That makes the right bytes, but only somebody else can vouch for them."""
    files = ours()
    true = files[IDENTITY]
    line = digest(files["bag-info.txt"])["sha512"].encode()
    files[IDENTITY] = true.replace(line, b"0" * 128)
    made = plan(files, outside=Outside(fits=lambda text: signed and text == true))
    if signed:
        assert (made.lost, made.evidence) == ((), "self_consistency")
        assert made.identity == hashlib.sha512(true).hexdigest()
        assert found(made) == {path: (1, path) for path in files if path != IDENTITY}
    else:
        assert (made.identity, made.evidence, made.lost) == (None, None, (IDENTITY,))


def test_another_tag_manifest_that_contradicts_the_first_is_lost() -> None:
    """The bag of somebody else: what stood in the damaged line of its second tag manifest nobody knows."""
    files = bag({"data/a": b"alpha"}, tags=("sha512", "md5"))
    name = "tagmanifest-md5.txt"
    assert plan(files).lost == ()
    files[name] = files[name].replace(digest(files["bag-info.txt"])["md5"].encode(), b"0" * 32)
    made = plan(files)
    assert (made.lost, made.identity) == ((name,), identity(files))


# ---- bags without tag manifests


def test_tag_files_that_differ_and_that_nothing_vouches_for_are_lost() -> None:
    one, two = (bag({"data/a": b"alpha"}, info=info, tags=()) for info in (b"Note: a\n", b"Note: b\n"))
    made = plan(one, two)
    assert (made.lost, made.unproven) == (("bag-info.txt",), ("bagit.txt",))
    assert plan(one, one).unproven == ("bag-info.txt", "bagit.txt")
    assert (made.identity, made.evidence) == (None, "self_consistency")


def test_without_a_proven_manifest_the_files_it_names_are_still_found() -> None:
    """Found is what lies there as the manifest says, under another name too; lost, what lies there otherwise,
    or is named by two copies; a name that one damaged manifest has is not believed."""
    payload = {f"data/{name}": name.encode() for name in "abcd"}
    files = bag(payload, tags=()) | {"data/b": b"changed", "data/d (1)": b"d"}
    name = "manifest-sha512.txt"
    broken = files[name] + b"no line\n"
    two = without(files, "data/c", "data/d") | {name: broken}
    one = two | {name: broken.replace(b"data/d", b"data/D")}
    made = plan(one, two)
    assert found(made)["data/a"] == (1, "data/a")
    assert found(made)["data/d"] == (1, "data/d (1)")
    assert set(made.lost) == {name, "data/b", "data/c"}
    alone = plan(two | {name: broken.replace(b"data/c", b"data/C")})
    assert set(alone.lost) == {name, "data/b"}
    assert not {"data/c", "data/C"} & alone.paths


def test_a_name_read_otherwise() -> None:
    """Drafts before 1.0 left open whether %0A in a manifest is a line end in the name."""
    old = b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n"
    listed = f"{digest(b'alpha')['sha512']}  data/a%0Ab\n".encode()
    for there in ("data/a\nb", "data/a%0Ab"):
        files = {"bagit.txt": old, "manifest-sha512.txt": listed, there: b"alpha"}
        made = plan(files, declaration=old)
        assert found(made)[there] == (1, there) and made.lost == ()
        assert made.paths == set(files)


# ---- manifests that are proven, and yet of no use


@pytest.mark.parametrize("readable", [True, False])
def test_a_proven_manifest_under_another_name(readable: bool) -> None:
    """It is what the tag manifest says, so it belongs there; what it lists counts if it can be read."""
    files = bag({"data/a": b"alpha", "data/b": b"beta"})
    moved = without(files, "manifest-sha512.txt") | {"saved.txt": files["manifest-sha512.txt"]}
    moved["data/b"] = b"changed"
    asked: list[str] = []

    def read(held: Held) -> bytes | None:
        asked.append(held.path)
        return moved[held.path] if readable else None

    made = plan(moved, read=read)
    assert found(made)["manifest-sha512.txt"] == (1, "saved.txt")
    assert set(asked) == {"saved.txt"}
    assert ("data/a" in found(made), "data/b" in made.lost) == (readable, readable)


@pytest.mark.parametrize("written", ["data/../../x", "/data/x", "data/x/"])
def test_a_proven_manifest_that_names_what_must_not_be_written_is_refused(written: str) -> None:
    payload = {"data/a": b"alpha"}
    listed = manifest(payload) + f"{digest(b'x')['sha512']}  {written}\n".encode()
    files = {"bagit.txt": BAGIT_TXT, "manifest-sha512.txt": listed}
    sealed = files | payload | {IDENTITY: manifest(files)}
    with pytest.raises(InputProblem) as refused:
        plan(sealed)
    assert refused.value.code == "manifest-refused"
    assert "Such a bag is not built here" in refused.value.what


def test_a_manifest_with_a_name_that_is_no_text_is_not_written_anew() -> None:
    """What we would write is UTF-8, so such a manifest of somebody else is kept or lost, never made."""
    name = b"data/caf\xe9"
    listed = digest(b"alpha")["sha512"].encode() + b"  " + name + b"\n"
    read = parse_manifest(listed, "manifest-sha512.txt", parse_declaration(BAGIT_TXT))
    (line,) = read.lines
    stock = Stock([view(1, {line.path: b"alpha"})])
    assert Claims([read]).source(line.path, stock) is not None
    assert rebuilt("sha512", Claims([read]), stock) is None
    plain = parse_manifest(listed.replace(b"\xe9", b"e"), "manifest-sha512.txt", parse_declaration(BAGIT_TXT))
    assert rebuilt("sha512", Claims([plain]), Stock([view(1, {"data/cafe": b"alpha"})])) == listed.replace(
        b"\xe9", b"e"
    )


# ---- what the parts answer


def test_the_best_algorithm_is_the_root_where_there_is_no_sha_512() -> None:
    files = bag({"data/a": b"alpha"}, tags=("md5", "sha256"))
    line = digest(files["bag-info.txt"])["md5"].encode()
    files["tagmanifest-md5.txt"] = files["tagmanifest-md5.txt"].replace(line, b"0" * 32)
    made = plan(files)
    assert (made.lost, made.identity, made.evidence) == (("tagmanifest-md5.txt",), None, "self_consistency")
    alone = bag({"data/a": b"alpha"}, tags=("md5",))
    assert plan(alone).lost == () and plan(alone).evidence == "self_consistency"


def test_what_a_copy_may_hold_that_was_not_read() -> None:
    def of(**more: Any) -> CopyView:
        return CopyView(number=1, name="copy 1", sizes={"data/a": 5}, **more)

    assert not of().may_hold("data/a") and not of().may_hold("data/b")
    assert of(unread=frozenset({"data/a"})).may_hold("data/a")
    assert not of(unread=frozenset({"data/a"})).may_hold("data/b")
    for above in ("", "data", "data/deep", "data/deep/b"):
        assert of(unread=frozenset({above})).may_hold("data/deep/b")
    assert not of(unread=frozenset({"dat", "data/deep/b/c"})).may_hold("data/deep/b")
    assert of(unlisted="it is cut off").may_hold("data/b")
    link = of(irregular={"data/deep": "a symbolic link"})
    assert link.may_hold("data/deep/b") and link.link_above("data/deep/b") == "data/deep"
    assert link.link_above("data/deep") == "data/deep" and link.link_above("data/b") is None
    assert not of(irregular={"data/deep": "a pipe"}).may_hold("data/deep/b")


def test_every_content_that_is_claimed_for_a_path_and_there() -> None:
    texts = [
        manifest({"data/a": one, "data/b": other})
        for one, other in ((b"1", b"x"), (b"2", b"y"), (b"3", b"z"))
    ]
    read = [parse_manifest(text, "manifest-sha512.txt", parse_declaration(BAGIT_TXT)) for text in texts]
    claims = Claims(read)
    stock = Stock([view(1, {"data/a": b"1"}), view(2, {"data/a": b"2", "other": b"z"})])
    found = claims.sources("data/a", stock)
    assert [s.digests for s in found] == [digest(b"1"), digest(b"2")], "3 is nowhere"
    assert claims.named(("sha512", digest(b"3")["sha512"])) and not claims.named(("md5", digest(b"3")["md5"]))
    assert claims.beside("data/a", found[1], "data/b") == {("sha512", digest(b"y")["sha512"])}
    stranger = Held(copy=1, path="x", size=1, digests=digest(b"w"))
    everything = {("sha512", digest(one)["sha512"]) for one in (b"x", b"y", b"z")}
    assert claims.beside("data/a", stranger, "data/b") == everything


# ---- what the plan answers


@pytest.mark.parametrize("make", [ours, lambda: bag({"data/a": b"alpha"}, tags=("sha512",))])
def test_lines_that_are_damaged_in_one_copy_each_are_put_together(make: Callable[[], Tree]) -> None:
    true = make()
    bad = [true.copy(), true.copy()]
    for files, path in zip(bad, ("bag-info.txt", "bagit.txt"), strict=True):
        files[IDENTITY] = files[IDENTITY].replace(digest(true[path])["sha512"].encode(), b"0" * 128)
    made = plan(*bad)
    assert (made.lost, made.identity, made.evidence) == ((), identity(true), "self_consistency")
    source = made.source(IDENTITY)
    assert isinstance(source, Made) and source.data == true[IDENTITY] and source.size == len(true[IDENTITY])
    views = [view(number, files) for number, files in enumerate((*bad, true, {"bagit.txt": BAGIT_TXT}), 1)]
    assert [made.whole_in(one) for one in views] == [False, False, True, False]
    assert [made.in_part_in(one) for one in views] == [True, True, True, False]
    assert not made.whole_in(view(1, true | {"data/more": b""}))
    assert made.source("data/none") is None


def test_a_trusted_signature_decides_between_two() -> None:
    one, two = ours(), ours(info=b"Note: b\n")
    made = plan(one, two, outside=Outside(trusted=lambda text: text == two[IDENTITY]))
    assert (made.identity, made.evidence) == (identity(two), "signature")
    with pytest.raises(InputProblem) as refused:
        plan(one, two, outside=Outside(trusted=lambda text: True))
    assert refused.value.code == "two-packages"
    with pytest.raises(InputProblem) as refused:
        plan(one, two)
    assert refused.value.code == "two-packages"
