"""Taking in: what came is held against its manifests, the note, and the receiver's own list of keys."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.disks import stopped
from support.handover import CLIENT, flip, hand_over, rules_of, signer, studio, take_in, trusting
from support.jobs import tree

from provpack.edge import schemas
from provpack.errors import DestinationProblem, InputProblem
from provpack.jobs.signatures import Signer, judge_signature
from provpack.package.sshsig import NAMESPACE_RECEIPT


@pytest.fixture(scope="module")
def studio_key(tmp_path_factory: pytest.TempPathFactory) -> Signer:
    return signer(tmp_path_factory.mktemp("key"), "studio@grauwell")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, studio_key: Signer) -> Path:
    """Deliveries `folder`, `tar`, `zip` (plain) and `signed`; tests copy what they change."""
    top = tmp_path_factory.mktemp("made")
    out = studio(top, ids=("T01", "T02"), frames=30000)
    for form in ("folder", "tar", "zip"):
        hand_over(out, top / "d", form=form, name=form)
    hand_over(out, top / "d", name="signed", signer=studio_key)
    return top


@pytest.fixture
def came(made: Path, tmp_path: Path) -> Callable[[str], Path]:
    return lambda name: Path(shutil.copytree(made / "d" / name, tmp_path / "came" / name))


def receipt_in(folder: Path, name: str) -> dict[str, Any]:
    value = json.loads((folder / f"receipt-{name}.json").read_bytes())
    assert isinstance(value, dict)
    assert not schemas.validate("receipt", value)
    return value


@pytest.mark.parametrize("name", ["folder", "tar", "zip"])
def test_an_intact_delivery_is_accepted_and_untouched(name: str, made: Path, tmp_path: Path) -> None:
    delivery = made / "d" / name
    before = tree(delivery)
    result = take_in(delivery, tmp_path / "r")
    assert (result.outcome, result.exit_code) == ("accepted", 0)
    assert tree(delivery) == before
    receipt = receipt_in(tmp_path / "r", name)
    note = json.loads(before["delivery-note.json"])
    assert receipt["delivery_id"] == note["delivery_id"]
    assert receipt["delivery_note_sha512"] == hashlib.sha512(before["delivery-note.json"]).hexdigest()
    assert receipt["ledger"] == note["ledger"]
    assert receipt["note_signature"] == "missing"
    assert receipt["received_by"] == {"name": None, "organisation": None}
    assert {p["name"]: p["tagmanifest_sha512"] for p in receipt["packages"]} == {
        p["name"]: p["tagmanifest_sha512"] for p in note["packages"]
    }
    assert all(p["as_noted"] is True and p["outcome"] == "good" for p in receipt["packages"])
    assert [p.name for p in (tmp_path / "r").iterdir()] == [f"receipt-{name}.json"]
    with pytest.raises(DestinationProblem, match="receipt of this name"):
        take_in(delivery, tmp_path / "r")


def test_single_packages_are_received_without_a_note(made: Path, tmp_path: Path) -> None:
    whole = take_in(made / "out" / "job-1_t01", tmp_path / "r")
    assert (whole.outcome, whole.kind) == ("accepted", "packages")
    assert rules_of(whole.findings) == {"receive-no-note"}
    receipt = receipt_in(tmp_path / "r", "job-1_t01")
    assert receipt["delivery_id"] is receipt["delivery_note_sha512"] is receipt["ledger"] is None
    assert receipt["packages"][0]["as_noted"] is None
    archive = take_in(made / "d/tar/packages/job-1_t02.tar", tmp_path / "r")
    assert [u.found.name for u in archive.units] == ["job-1_t02"]
    assert receipt_in(tmp_path / "r", "job-1_t02")["packages"][0]["outcome"] == "good"
    both = take_in(made / "d/folder/packages", tmp_path / "r")
    assert len(both.units) == 2


def test_what_is_nothing_to_receive_is_refused_without_a_receipt(made: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "x.txt").write_text("x")
    for path in (tmp_path / "empty", tmp_path / "x.txt", tmp_path / "not-there", Path("a\0b")):
        with pytest.raises(InputProblem):
            take_in(path, tmp_path / "r")
    assert list((tmp_path / "r").iterdir()) == []
    with pytest.raises(DestinationProblem, match="into what is being received"):
        take_in(made / "d/folder", made / "d/folder/packages")
    assert not list((made / "d/folder").rglob(".partial-*"))


def test_the_receipt_bears_the_name_of_the_delivery_wherever_it_lies(made: Path, tmp_path: Path) -> None:
    """A disc often holds the delivery at its top: then the folder's name is that of the drive."""
    shutil.copytree(made / "d/folder", tmp_path / "media")
    assert take_in(tmp_path / "media", tmp_path / "r").receipt.name == "receipt-folder.json"


def _note(delivery: Path, edit: Callable[[dict[str, Any]], object]) -> None:
    path = delivery / "delivery-note.json"
    note = json.loads(path.read_bytes())
    edit(note)
    path.write_text(json.dumps(note, ensure_ascii=False, indent=1) + "\n")


def _master(d: Path) -> Path:
    return next((d / "packages/job-1_t01/data/master").iterdir())


HARM: dict[str, tuple[str, Callable[[Path], object], str, int]] = {
    # what is done -> which delivery, how, a rule that must be told, exit code
    "a bit of the sound": ("folder", lambda d: flip(_master(d)), "bag-digest-mismatch", 10),
    "a bit of an archive": ("tar", lambda d: flip(d / "packages/job-1_t01.tar"), "receive-file-changed", 10),
    "a bit of a zip": ("zip", lambda d: flip(d / "packages/job-1_t01.zip"), "receive-file-changed", 10),
    "a bit of the index": ("folder", lambda d: flip(d / "index.html"), "receive-file-changed", 10),
    "a page less": ("folder", lambda d: (d / "index.html").unlink(), "receive-file-missing", 10),
    "a package less": (
        "folder", lambda d: shutil.rmtree(d / "packages/job-1_t01"), "receive-package-missing", 10,
    ),
    "an archive less": (
        "tar", lambda d: (d / "packages/job-1_t01.tar").unlink(), "receive-package-missing", 10,
    ),
    "all packages less": ("folder", lambda d: shutil.rmtree(d / "packages"), "receive-package-missing", 10),
    "a package for another": (
        "folder",
        lambda d: (shutil.rmtree(d / "packages/job-1_t01"),
                   shutil.copytree(d / "packages/job-1_t02", d / "packages/job-1_t01")),
        "receive-not-as-noted", 10,
    ),
    "an archive for another": (
        "tar",
        lambda d: shutil.copy(d / "packages/job-1_t02.tar", d / "packages/job-1_t01.tar"),
        "receive-not-as-noted", 10,
    ),
    "checksums gone": (
        "folder", lambda d: (d / "checksums-sha512.txt").unlink(), "receive-checksums-unusable", 10,
    ),
    "checksums that lead out": (
        "folder",
        lambda d: (d / "checksums-sha512.txt").write_text("0" * 128 + "  ../../etc/passwd\n"),
        "receive-checksums-unusable", 10,
    ),
    "a note that is none": (
        "folder", lambda d: (d / "delivery-note.json").write_text("{}"), "receive-note-unreadable", 10,
    ),
    "a note of the future": (
        "folder",
        lambda d: _note(d, lambda n: n.update(schema_version="2.0.0")), "receive-note-unreadable", 10,
    ),
    "a note that leads out": (
        "folder",
        lambda d: _note(d, lambda n: n["packages"][0].update(path="packages/job-1_t02")),
        "receive-note-unreadable", 10,
    ),
    "a link in place of a package": (
        "folder",
        lambda d: (shutil.rmtree(d / "packages/job-1_t01"),
                   (d / "packages/job-1_t01").symlink_to(d / "packages/job-1_t02")),
        "receive-not-as-noted", 10,
    ),
}  # fmt: skip


@pytest.mark.parametrize("harm", HARM)
def test_what_is_not_as_handed_over_is_refused_with_a_receipt(
    harm: str, came: Callable[[str], Path], tmp_path: Path
) -> None:
    name, act, rule, code = HARM[harm]
    delivery = came(name)
    act(delivery)
    before = tree(delivery)
    result = take_in(delivery, tmp_path / "r")
    told = rules_of(result.findings) | {r for u in result.units for r in rules_of(u.findings)}
    assert rule in told
    assert (result.outcome, result.exit_code) == ("refused", code)
    assert receipt_in(tmp_path / "r", name)["conclusion"] == "refused"
    assert tree(delivery) == before


@pytest.mark.parametrize(("name", "rounds"), [("signed", 60), ("tar", 12), ("zip", 12)])
def test_any_flipped_bit_of_a_delivery_is_found(
    name: str, rounds: int, came: Callable[[str], Path], tmp_path: Path
) -> None:
    delivery = came(name)
    papers = sorted(p for p in delivery.iterdir() if p.is_file())
    everything = sorted(p for p in delivery.rglob("*") if p.is_file())
    dice = random.Random(name)
    for n in range(rounds):
        path = dice.choice(papers if n % 4 else everything)
        kept = path.read_bytes()
        raw, at, bit = bytearray(kept), dice.randrange(len(kept)), dice.randrange(8)
        raw[at] ^= 1 << bit
        path.write_bytes(raw)
        result = take_in(delivery, tmp_path / f"r{n}", depth="bytes")
        assert result.outcome == "refused", f"bit {bit} of byte {at} of {path.name} was not noticed"
        path.write_bytes(kept)


def test_something_extra_is_a_remark_and_in_no_case_as_noted(
    came: Callable[[str], Path], made: Path, tmp_path: Path
) -> None:
    delivery = came("folder")
    shutil.copytree(delivery / "packages/job-1_t01", delivery / "packages/somebody-elses")
    (delivery / "letter.txt").write_text("hello")
    (delivery / ".DS_Store").write_bytes(b"\0")
    (delivery / "lost+found").mkdir()
    result = take_in(delivery, tmp_path / "r")
    assert rules_of(result.findings) == {"receive-package-extra", "receive-file-extra"}
    assert (result.outcome, result.exit_code) == ("accepted_with_remarks", 1)
    noted = {p["name"]: p["as_noted"] for p in receipt_in(tmp_path / "r", "folder")["packages"]}
    assert noted == {"job-1_t01": True, "job-1_t02": True, "somebody-elses": None}


def test_a_resealed_package_is_a_valid_bag_and_still_not_the_one_noted(
    came: Callable[[str], Path], tmp_path: Path
) -> None:
    """RFC 8493 section 2.2.1: nothing in a bag vouches for its tag manifest; the note does."""
    delivery = came("folder")
    package = delivery / "packages/job-1_t01"
    info = package / "bag-info.txt"
    info.write_text(info.read_text().replace("Grauwell", "Grauwall"))
    for algorithm in ("sha256", "sha512"):
        manifest = package / f"tagmanifest-{algorithm}.txt"
        names = [line.split("  ", 1)[1] for line in manifest.read_text().splitlines()]
        rows = [f"{hashlib.new(algorithm, (package / n).read_bytes()).hexdigest()}  {n}\n" for n in names]
        manifest.write_text("".join(rows))
    result = take_in(delivery, tmp_path / "r", depth="bytes")
    unit = next(u for u in result.units if u.found.name == "job-1_t01")
    assert unit.found.outcome == "good"
    assert unit.found.as_noted is False
    assert (result.outcome, result.exit_code) == ("refused", 10)


def test_keys_that_came_along_prove_nothing_and_one_s_own_list_does(
    made: Path, studio_key: Signer, tmp_path: Path
) -> None:
    delivery = made / "d/signed"
    plain = take_in(delivery, tmp_path / "r1")
    assert plain.content["note_signature"] == "unvouched"
    assert rules_of(plain.findings) == {"receive-keys-came-along"}
    own = take_in(delivery, tmp_path / "r2", signers=trusting(studio_key))
    assert own.content["note_signature"] == "valid"
    assert own.outcome == "accepted"
    assert {f.severity for u in own.units for f in u.findings if f.rule == "sig-missing"} == {"note"}
    strict = take_in(delivery, tmp_path / "r5", signers=trusting(studio_key), require_signature=True)
    assert (strict.outcome, strict.exit_code) == ("refused", 13)
    stranger = trusting(signer(tmp_path / "k", "somebody"))
    foreign = take_in(delivery, tmp_path / "r3", signers=stranger)
    assert foreign.content["note_signature"] == "foreign"
    assert foreign.outcome == "refused"  # whoever made this note can have left packages out
    demanded = take_in(delivery, tmp_path / "r4", signers=stranger, require_signature=True)
    assert (demanded.outcome, demanded.exit_code) == ("refused", 13)


def test_an_exchanged_key_list_or_an_edited_note_is_found(
    came: Callable[[str], Path], studio_key: Signer, tmp_path: Path
) -> None:
    delivery = came("signed")
    other = signer(tmp_path / "k", "studio@grauwell")
    (delivery / "allowed_signers").write_text(f"studio@grauwell {other.public_line}\n")
    swapped = take_in(delivery, tmp_path / "r1")
    assert "receive-keys-do-not-fit" in rules_of(swapped.findings)
    assert swapped.outcome == "refused"
    _note(delivery, lambda n: n.update(note="Everything was clean."))
    edited = take_in(delivery, tmp_path / "r2", signers=trusting(studio_key))
    assert edited.content["note_signature"] == "wrong"
    assert edited.outcome == "refused"
    (delivery / "delivery-note.json.sig").unlink()
    gone = take_in(delivery, tmp_path / "r3")
    assert gone.content["note_signature"] == "missing"
    assert "sig-missing" in rules_of(gone.findings)


def test_a_signed_receipt_names_its_signer_and_is_checked_with_the_key(made: Path, tmp_path: Path) -> None:
    mine = signer(tmp_path / "k", "registrar@ambersund")
    result = take_in(
        made / "d/folder", tmp_path / "r", signer=mine, name="Registrar 2", organisation=CLIENT,
        remarks="Box 3 was wet.",
    )  # fmt: skip
    receipt = receipt_in(tmp_path / "r", "folder")
    assert (result.outcome, receipt["remarks"]) == ("accepted_with_remarks", "Box 3 was wet.")
    assert receipt["signer"]["fingerprint"] == mine.fingerprint
    assert receipt["received_by"] == {"name": "Registrar 2", "organisation": CLIENT}
    data, sig = result.receipt.read_bytes(), (tmp_path / "r/receipt-folder.json.sig").read_bytes()
    verdict = judge_signature(
        data, sig, namespace=NAMESPACE_RECEIPT, signers=trusting(mine), at=None, where="x"
    )
    assert verdict.state == "valid"


def test_a_receipt_is_there_whole_or_not_at_all(made: Path, tmp_path: Path) -> None:
    mine = signer(tmp_path / "k", "registrar@ambersund")
    package = made / "out/job-1_t01"
    with stopped() as (disk, meter):
        take_in(package, tmp_path / "whole", disk=disk, signer=mine)
    for at in range(1, meter.count + 1):
        folder = tmp_path / f"r{at}"
        with stopped(at=at) as (disk, _):
            take_in(package, folder, disk=disk, signer=mine)
        receipt, sig = folder / "receipt-job-1_t01.json", folder / "receipt-job-1_t01.json.sig"
        if receipt.exists():
            assert not schemas.validate("receipt", json.loads(receipt.read_bytes()))
            assert sig.exists(), "a receipt that says it is signed stands without its signature"
