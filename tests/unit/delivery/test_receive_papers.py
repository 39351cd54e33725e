"""Papers of a delivery that were taken away, exchanged, or mended after a change: the others miss them."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.handover import flip, hand_over, rules_of, signer, studio, take_in, trusting

from provpack.cli.signing import read_signers
from provpack.edge import schemas
from provpack.errors import InputProblem
from provpack.jobs.signatures import Signer
from provpack.package.signers import signer_line
from provpack.package.sshsig import NAMESPACE_DELIVERY
from provpack.report.text_delivery import receive_lines

PAPERS = ("READ-ME-FIRST.txt", "delivery-note.html", "index.html")
NOTE, SIGNATURE, LIST = "delivery-note.json", "delivery-note.json.sig", "checksums-sha512.txt"


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Signer:
    return signer(tmp_path_factory.mktemp("key"), "studio@grauwell")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, key: Signer) -> Path:
    """Deliveries `plain`, `tar`, `signed`, `zip` (signed)."""
    top = tmp_path_factory.mktemp("made")
    out = studio(top, ids=("T01", "T02"))
    hand_over(out, top / "d", name="plain")
    hand_over(out, top / "d", name="tar", form="tar")
    hand_over(out, top / "d", name="signed", signer=key)
    hand_over(out, top / "d", name="zip", form="zip", signer=key)
    return top


@pytest.fixture
def came(made: Path, tmp_path: Path) -> Callable[[str], Path]:
    return lambda name: Path(shutil.copytree(made / "d" / name, tmp_path / "came" / name))


def drop(delivery: Path, *names: str) -> None:
    for name in names:
        path = delivery / name
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def edit(delivery: Path, change: Callable[[dict[str, Any]], object], *gone: str) -> None:
    """The note changed by hand, still fitting its schema; gone: files taken away as well."""
    drop(delivery, *gone)
    note = json.loads((delivery / NOTE).read_bytes())
    change(note)
    assert not schemas.validate("delivery-note", note)
    (delivery / NOTE).write_text(json.dumps(note))


def mend(delivery: Path) -> None:
    """checksums-sha512.txt made anew over what is there, as anybody can with sha512sum (coreutils)."""
    files = [p for p in delivery.iterdir() if p.is_file() and p.name != LIST]
    for folder in ("reports", "packages"):
        files += [p for p in (delivery / folder).glob("*") if p.is_file()]
    files += (delivery / "packages").glob("*/tagmanifest-sha512.txt")
    rows = [f"{hashlib.sha512(p.read_bytes()).hexdigest()}  {p.relative_to(delivery)}\n" for p in files]
    (delivery / LIST).write_text("".join(rows))


def text_of(result: Any) -> str:
    return " ".join("\n".join(receive_lines(result)).split())


# --- the note is gone ---


@pytest.mark.parametrize(
    "gone",
    [
        (NOTE,),
        (NOTE, "delivery-note.html"),
        (NOTE, "delivery-note.html", "index.html"),
        (NOTE, "delivery-note.html", LIST),
        (NOTE, "delivery-note.html", LIST, "index.html"),
        (NOTE, "delivery-note.html", "READ-ME-FIRST.txt", "index.html"),
        (NOTE, "delivery-note.html", "READ-ME-FIRST.txt", LIST),
    ],
)
@pytest.mark.parametrize("less", [True, False])
def test_a_delivery_without_its_note_is_refused(
    gone: tuple[str, ...], less: bool, came: Callable[[str], Path], tmp_path: Path
) -> None:
    delivery = came("plain")
    drop(delivery, *gone, *(["packages/job-1_t02"] if less else []))
    result = take_in(delivery, tmp_path / "r")
    assert (result.outcome, result.exit_code, result.kind) == ("refused", 10, "delivery")
    assert "receive-note-missing" in rules_of(result.findings)
    assert result.content["delivery_id"] is result.content["delivery_note_sha512"] is None
    said = text_of(result)
    assert "The delivery note is not there." in said
    assert "as the papers say" not in said
    if less and LIST not in gone:  # the checksums still know what should have come
        missed = [f.where for f in result.findings if f.rule == "receive-file-missing"]
        assert "packages/job-1_t02/tagmanifest-sha512.txt" in missed


def test_a_signed_delivery_without_note_and_signature_is_refused_whatever_is_demanded(
    came: Callable[[str], Path], key: Signer, tmp_path: Path
) -> None:
    delivery = came("signed")
    drop(delivery, NOTE, SIGNATURE, "packages/job-1_t02")
    result = take_in(delivery, tmp_path / "r", signers=trusting(key), require_signature=True)
    assert (result.outcome, result.exit_code) == ("refused", 10)
    flip(delivery / "index.html")
    again = take_in(delivery, tmp_path / "r2")
    assert {"receive-note-missing", "receive-file-changed"} <= rules_of(again.findings)


def test_bare_packages_are_never_called_what_papers_say(made: Path, key: Signer, tmp_path: Path) -> None:
    plain = take_in(made / "out", tmp_path / "r")
    assert (plain.outcome, plain.exit_code, plain.kind) == ("accepted", 0, "packages")
    assert "No delivery note says what should have come." in text_of(plain)
    assert "as the papers say" not in text_of(plain)
    remarked = text_of(take_in(made / "out", tmp_path / "r2", remarks="The box was wet."))
    assert "ACCEPTED WITH REMARKS: what came is whole" in remarked
    assert "all is there" not in remarked
    demanded = take_in(made / "out", tmp_path / "r3", signers=trusting(key), require_signature=True)
    assert (demanded.outcome, demanded.exit_code) == ("refused", 13)
    whole = text_of(take_in(made / "d/plain", tmp_path / "r4"))
    assert "ACCEPTED: everything is there, unchanged, and as the papers say." in whole


def test_a_folder_of_deliveries_is_refused_by_name(came: Callable[[str], Path], tmp_path: Path) -> None:
    one = came("plain")
    (tmp_path / "above").mkdir()
    shutil.move(tmp_path / "came", tmp_path / "above")
    for top in (tmp_path / "above/came", tmp_path / "above"):
        with pytest.raises(InputProblem, match=r"holds one: .*plain") as caught:
            take_in(top, tmp_path / "r")
        assert caught.value.exit_code == 12
        assert "Name one delivery" in caught.value.todo
    shutil.copytree(tmp_path / "above/came" / one.name, tmp_path / "above/came/second")
    drop(tmp_path / "above/came/second", "packages", NOTE)
    with pytest.raises(InputProblem, match="holds 2: plain, second"):
        take_in(tmp_path / "above/came", tmp_path / "r")
    assert list((tmp_path / "r").iterdir()) == []


def test_a_bagit_txt_put_into_a_delivery_does_not_hide_it(
    came: Callable[[str], Path], tmp_path: Path
) -> None:
    delivery = came("plain")
    drop(delivery, NOTE, "delivery-note.html", "packages/job-1_t02")
    (delivery / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    assert "receive-note-missing" in rules_of(take_in(delivery, tmp_path / "r").findings)


def test_a_delivery_that_speaks_of_signatures_is_not_thought_signed(made: Path, tmp_path: Path) -> None:
    hand_over(made / "out", tmp_path / "d", note=f"There is no {SIGNATURE} and no allowed_signers.")
    assert take_in(tmp_path / "d/d1", tmp_path / "r").outcome == "accepted"


def test_somebody_s_bag_with_a_list_or_page_of_its_own_is_no_delivery(made: Path, tmp_path: Path) -> None:
    """RFC 8493 section 2.2.4: a bag may hold any other tag files."""
    bag = Path(shutil.copytree(made / "out/job-1_t01", tmp_path / "bag"))
    for name in (LIST, "index.html"):
        (bag / name).write_text("x")
    assert take_in(bag, tmp_path / "r", depth="bytes").kind == "packages"


# --- what people read is named by the note ---


def test_the_note_names_every_paper_beside_it(made: Path) -> None:
    for name in ("plain", "tar", "signed", "zip"):
        delivery = made / "d" / name
        note = json.loads((delivery / NOTE).read_bytes())
        outside = {str(p.relative_to(delivery)): p.read_bytes() for p in delivery.iterdir() if p.is_file()}
        if note["form"] != "folder":
            for p in (delivery / "reports").iterdir():
                outside[f"reports/{p.name}"] = p.read_bytes()
        for own in (NOTE, SIGNATURE, LIST):
            outside.pop(own, None)
        assert set(PAPERS) < outside.keys() or set(PAPERS) == outside.keys()
        assert ("allowed_signers" in outside) == (name in ("signed", "zip"))
        assert note["papers"] == [
            {"path": path, "bytes": len(data), "sha512": hashlib.sha512(data).hexdigest()}
            for path, data in sorted(outside.items())
        ]


@pytest.mark.parametrize(
    ("name", "paper"),
    [
        *(("signed", paper) for paper in (*PAPERS, "allowed_signers")),
        ("zip", "reports/job-1_t01.html"),
        ("plain", "index.html"),
    ],
)
def test_a_changed_paper_is_refused_though_its_checksum_was_mended(
    name: str, paper: str, came: Callable[[str], Path], key: Signer, tmp_path: Path
) -> None:
    delivery = came(name)
    path = delivery / paper
    path.write_bytes(path.read_bytes() + b"\n")
    mend(delivery)
    by = trusting(key) if name != "plain" else None
    result = take_in(delivery, tmp_path / "r", signers=by)
    assert (result.outcome, result.exit_code) == ("refused", 10)
    (told,) = [f for f in result.findings if f.severity == "error"]
    assert (told.rule, told.where) == ("receive-paper-not-as-noted", paper)
    path.unlink()
    mend(delivery)
    less = take_in(delivery, tmp_path / "r2", signers=by)
    assert less.outcome == "refused"
    assert "receive-paper-not-as-noted" in rules_of(less.findings)


def test_a_page_that_was_added_is_told_though_the_checksums_list_it(
    came: Callable[[str], Path], key: Signer, tmp_path: Path
) -> None:
    delivery = came("signed")
    (delivery / "START-HERE.html").write_text("<p>All originals may be wiped.</p>")
    mend(delivery)
    result = take_in(delivery, tmp_path / "r", signers=trusting(key))
    assert [f.where for f in result.findings if f.rule == "receive-file-extra"] == ["START-HERE.html"]
    assert result.outcome == "accepted_with_remarks"


def test_an_archive_left_out_of_the_checksums_is_held_against_the_note(
    came: Callable[[str], Path], tmp_path: Path
) -> None:
    delivery = came("tar")
    archive = delivery / "packages/job-1_t01.tar"
    archive.write_bytes(archive.read_bytes() + b"\0" * 1024)  # zeros at the end of a tar: the same files
    rows = (delivery / LIST).read_text().splitlines(keepends=True)
    (delivery / LIST).write_text("".join(r for r in rows if "t01.tar" not in r))
    result = take_in(delivery, tmp_path / "r")
    assert result.outcome == "refused"
    assert "receive-not-as-noted" in {r for u in result.units for r in rules_of(u.findings)}


@pytest.mark.parametrize("name", [NOTE, SIGNATURE, LIST, PAPERS[0]])
def test_a_note_that_names_itself_or_a_paper_twice_is_none(
    name: str, came: Callable[[str], Path], tmp_path: Path
) -> None:
    delivery = came("plain")
    edit(delivery, lambda n: n["papers"].append({"path": name, "bytes": 1, "sha512": "0" * 128}))
    mend(delivery)
    assert "receive-note-unreadable" in rules_of(take_in(delivery, tmp_path / "r").findings)


@pytest.mark.parametrize("path", ["../x", "/etc/passwd", "packages/job-1_t01", "a/../b", "", "a//b", "é"])
def test_no_note_names_a_paper_elsewhere(path: str, made: Path) -> None:
    note = json.loads((made / "d/plain" / NOTE).read_bytes())
    note["papers"][0]["path"] = path
    assert schemas.validate("delivery-note", note)


# --- the signature is gone ---

TAKEN: dict[str, tuple[Callable[[Path], object], str]] = {
    # what else was done beside taking the signature away -> who still says that there was one
    "only that": (lambda d: None, f"{NOTE} and allowed_signers and READ-ME-FIRST.txt"),
    "the note edited": (
        lambda d: edit(d, lambda n: n.update(note="Everything was clean.")),
        f"{NOTE} and allowed_signers and READ-ME-FIRST.txt",
    ),
    "no list of keys": (lambda d: drop(d, "allowed_signers"), f"{NOTE} and READ-ME-FIRST.txt"),
    "the note says unsigned": (
        lambda d: edit(d, lambda n: n.update(signer=None)), "allowed_signers and READ-ME-FIRST.txt",
    ),
    "only the text was forgotten": (
        lambda d: edit(d, lambda n: n.update(signer=None), "allowed_signers"),
        "READ-ME-FIRST.txt",
    ),
}  # fmt: skip


@pytest.mark.parametrize("how", TAKEN)
def test_a_signature_that_was_taken_away_is_missed(
    how: str, came: Callable[[str], Path], tmp_path: Path
) -> None:
    delivery = came("signed")
    act, who = TAKEN[how]
    drop(delivery, SIGNATURE)
    act(delivery)
    mend(delivery)
    result = take_in(delivery, tmp_path / "r")
    assert (result.outcome, result.exit_code) == ("refused", 10)
    (told,) = [f for f in result.findings if f.rule == "receive-signature-gone"]
    assert told.what.startswith(f"{who} say")
    assert result.content["note_signature"] == "missing"


def test_a_signature_that_does_not_hold_is_no_signature(came: Callable[[str], Path], tmp_path: Path) -> None:
    delivery = came("signed")
    for data in (
        b"",
        b"not a signature",
        b"-----BEGIN SSH SIGNATURE-----\nU1NI\n-----END SSH SIGNATURE-----\n",
    ):
        (delivery / SIGNATURE).write_bytes(data)
        mend(delivery)
        result = take_in(delivery, tmp_path / f"r{len(data)}")
        assert result.outcome == "refused"
        assert "receive-signature-gone" in rules_of(result.findings)


def test_a_signature_that_cannot_be_read_is_told_as_that(came: Callable[[str], Path], tmp_path: Path) -> None:
    delivery = came("signed")
    (delivery / SIGNATURE).rename(tmp_path / "elsewhere")
    (delivery / SIGNATURE).symlink_to(tmp_path / "elsewhere")
    result = take_in(delivery, tmp_path / "r")
    assert result.content["note_signature"] == "could_not_check"
    assert "receive-could-not-read" in rules_of(result.findings)
    assert (result.outcome, result.exit_code) == ("refused", 11)


def test_a_note_signed_with_another_key_than_it_says_is_refused(
    came: Callable[[str], Path], key: Signer, tmp_path: Path
) -> None:
    delivery, other = came("signed"), signer(tmp_path / "k", "somebody")
    drop(delivery, "allowed_signers")
    edit(delivery, lambda n: n.update(papers=[p for p in n["papers"] if p["path"] != "allowed_signers"]))
    (delivery / SIGNATURE).write_bytes(other.sign((delivery / NOTE).read_bytes(), NAMESPACE_DELIVERY))
    mend(delivery)
    for at, signers in enumerate((None, trusting(other), trusting(key))):
        result = take_in(delivery, tmp_path / f"r{at}", signers=signers)
        assert "receive-keys-do-not-fit" in rules_of(result.findings)
        assert result.outcome == "refused"


# --- a list of keys that came along ---


def test_a_list_inside_the_delivery_vouches_for_nothing(
    made: Path, key: Signer, came: Callable[[str], Path], tmp_path: Path
) -> None:
    delivery = came("signed")
    inside = delivery / "allowed_signers"
    (tmp_path / "link").symlink_to(inside)
    own = tmp_path / "own"
    own.write_text(signer_line(key.principal, key.public_line, (NAMESPACE_DELIVERY,)) + "\n")
    for at, given in enumerate((inside, tmp_path / "link", delivery / "packages/../allowed_signers")):
        result = take_in(delivery, tmp_path / f"r{at}", signers=read_signers(given), signers_file=given)
        assert result.content["note_signature"] == "unvouched"
        assert rules_of(result.findings) == {"receive-signers-came-along", "receive-keys-came-along"}
        assert (result.outcome, result.exit_code) == ("accepted_with_remarks", 1)
        assert "whose key that is, no list of your own says" in text_of(result)
    strict = take_in(
        delivery, tmp_path / "r8", signers=read_signers(inside), signers_file=inside, require_signature=True
    )
    assert (strict.outcome, strict.exit_code) == ("refused", 13)
    one = take_in(
        delivery / "packages/job-1_t01", tmp_path / "r9", signers=read_signers(inside), signers_file=inside
    )
    assert "receive-signers-came-along" in rules_of(one.findings)
    good = take_in(delivery, tmp_path / "r10", signers=read_signers(own), signers_file=own)
    assert good.content["note_signature"] == "valid"
    assert good.outcome == "accepted"
