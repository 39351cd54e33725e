"""Handing over: what goes into a delivery, what stays behind, and what strangers' tools say of it."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from support.handover import (
    CLIENT,
    OTHER,
    flip,
    hand_over,
    lines_of,
    rules_of,
    run_in,
    signer,
    studio,
)
from support.jobs import tree

from provpack.edge import schemas
from provpack.edge.ledger import LEDGER_NAME, read_ledger
from provpack.errors import DestinationProblem, EnvironmentProblem, InputProblem, UsageProblem
from provpack.jobs.heldfiles import STUDIO_FOLDER
from provpack.jobs.witness import LedgerWitness
from provpack.package.ledgerchain import Witness

FORMS = ("folder", "tar", "zip")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Packages of two clients; tests copy what they change."""
    return studio(tmp_path_factory.mktemp("studio"), other=("U01", "U02"))


@pytest.fixture
def out(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "out"))


def note_of(delivery: Path) -> dict[str, object]:
    value = json.loads((delivery / "delivery-note.json").read_bytes())
    assert isinstance(value, dict)
    return value


@pytest.mark.parametrize("form", FORMS)
def test_a_delivery_is_whole_and_names_every_package(form: str, out: Path, tmp_path: Path) -> None:
    before = {k: v for k, v in tree(out).items() if k != LEDGER_NAME}
    result = hand_over(out, tmp_path / "d", client=CLIENT, form=form)
    assert (result.outcome, result.exit_code, result.ledger_lines) == ("good", 0, 3)
    assert {k: v for k, v in tree(out).items() if k != LEDGER_NAME} == before
    delivery = tmp_path / "d" / "d1"
    assert result.delivery == delivery
    note = note_of(delivery)
    assert not schemas.validate("delivery-note", note)
    packages = note["packages"]
    assert isinstance(packages, list)
    assert [p["name"] for p in packages] == ["job-1_t01", "job-1_t02", "job-1_t03"]
    for package in packages:
        home = out / package["name"]
        identity = hashlib.sha512((home / "tagmanifest-sha512.txt").read_bytes()).hexdigest()
        assert package["tagmanifest_sha512"] == identity
        assert package["files"] == len(tree(home))
        assert package["bytes"] == sum(len(v) for v in tree(home).values())
        there = delivery / package["path"]
        if form == "folder":
            assert tree(there) == tree(home)
            assert package["sha512"] is None
        else:
            assert hashlib.sha512(there.read_bytes()).hexdigest() == package["sha512"]
        assert (delivery / package["report"]).read_bytes() == (home / "data/report/index.html").read_bytes()
    names = {p.name for p in delivery.iterdir()}
    assert names == {
        "index.html", "delivery-note.html", "delivery-note.json", "checksums-sha512.txt", "READ-ME-FIRST.txt",
        "packages", *(() if form == "folder" else ("reports",)),
    }  # fmt: skip
    assert not list((tmp_path / "d").rglob(".partial-*"))


def test_nothing_of_another_client_gets_into_a_delivery(out: Path, tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match="2 clients") as refused:
        hand_over(out, tmp_path / "d")
    assert CLIENT in refused.value.what
    assert OTHER in refused.value.what
    assert not (tmp_path / "d").exists()
    result = hand_over(out, tmp_path / "d", client=OTHER)
    outcomes = {u.name: u.outcome for u in result.units}
    assert outcomes == {
        "job2-1_u01": "delivered", "job2-1_u02": "delivered",
        "job-1_t01": "not_asked", "job-1_t02": "not_asked", "job-1_t03": "not_asked",
    }  # fmt: skip
    assert result.exit_code == 0
    for path, data in tree(tmp_path / "d").items():
        assert b"Ambersund" not in data, path
        assert "job-1_t" not in path
        assert b"job-1_t" not in data, path
    with pytest.raises(InputProblem, match="No package here was made for"):
        hand_over(out, tmp_path / "d", client="Tollvik")


def test_damage_in_a_package_of_another_client_is_no_matter_of_this_delivery(
    out: Path, tmp_path: Path
) -> None:
    flip(out / "job2-1_u01/bag-info.txt")
    result = hand_over(out, tmp_path / "d", client=CLIENT)
    assert (result.outcome, result.exit_code) == ("good", 0)
    (left,) = [u for u in result.units if u.name == "job2-1_u01"]
    assert (left.outcome, rules_of(left.findings)) == ("not_asked", {"deliver-other-client"})
    assert hand_over(out, tmp_path / "d", client=OTHER, name="d2").exit_code == 10


HARM: dict[str, Callable[[Path], object]] = {
    "a bit of the sound": lambda p: flip(next((p / "data/master").iterdir()), 0.7),
    "a bit of the record": lambda p: flip(p / "data/metadata/record.json", 0.5),
    "a bit of bag-info.txt": lambda p: flip(p / "bag-info.txt"),
    "a bit of a manifest": lambda p: flip(p / "manifest-sha256.txt", 0.3),
    "a bit of the tag manifest": lambda p: flip(p / "tagmanifest-sha512.txt", 0.01),
    "a bit of the page": lambda p: flip(p / "data/report/index.html"),
    "a file less": lambda p: (p / "data/metadata/premis.xml").unlink(),
    "a file more": lambda p: (p / "data/extra.txt").write_text("x"),
    "a link": lambda p: (p / "data/link").symlink_to("/etc/passwd"),
    "no tag manifest": lambda p: (p / "tagmanifest-sha512.txt").unlink(),
    "resealed by somebody": lambda p: _reseal(p),
}


def _reseal(package: Path) -> None:
    """Change a file and make all manifests anew: a valid bag, but not the one that was sealed."""
    record = package / "data/metadata/record.json"
    record.write_bytes(record.read_bytes().replace(b"Ilse Varrow", b"Ilse Farrow"))
    for kind in ("manifest", "tagmanifest"):
        for algorithm in ("sha256", "sha512"):
            manifest = package / f"{kind}-{algorithm}.txt"
            names = [line.split("  ", 1)[1] for line in manifest.read_text().splitlines()]
            rows = [f"{hashlib.new(algorithm, (package / n).read_bytes()).hexdigest()}  {n}\n" for n in names]
            manifest.write_text("".join(rows))


@pytest.mark.parametrize("harm", HARM)
@pytest.mark.parametrize("form", ["folder", "tar"])
def test_a_package_that_is_not_as_sealed_stays_behind_and_is_named(
    harm: str, form: str, out: Path, tmp_path: Path
) -> None:
    HARM[harm](out / "job-1_t02")
    result = hand_over(out, tmp_path / "d", client=CLIENT, form=form)
    outcomes = {u.name: u.outcome for u in result.units if u.name.startswith("job-1")}
    assert outcomes == {"job-1_t01": "delivered", "job-1_t02": "not_delivered", "job-1_t03": "delivered"}
    assert (result.outcome, result.exit_code) == ("partly_done", 10)
    (left,) = [u for u in result.units if u.outcome == "not_delivered"]
    assert any(f.severity == "error" for f in left.findings)
    packages = sorted(p.name for p in (tmp_path / "d/d1/packages").iterdir())
    ending = "" if form == "folder" else ".tar"
    assert packages == [f"job-1_t01{ending}", f"job-1_t03{ending}"]
    assert {e["package"] for e in lines_of(out, "delivered")} == {"job-1_t01", "job-1_t03"}


def test_when_no_package_is_left_nothing_is_written(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    shutil.copytree(made / "job-1_t01", out / "job-1_t01")
    flip(next((out / "job-1_t01/data/master").iterdir()))
    result = hand_over(out, tmp_path / "d")
    assert (result.outcome, result.delivery) == ("refused", None)
    assert result.exit_code == 10
    assert not (tmp_path / "d").exists() or not list((tmp_path / "d").iterdir())


def test_a_package_under_another_name_or_twice_is_refused(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    shutil.copytree(made / "job-1_t01", out / "a" / "job-1_t01")
    shutil.copytree(made / "job-1_t01", out / "b" / "job-1_t01")
    shutil.copytree(made / "job-1_t02", out / "renamed")
    shutil.copytree(made / "job-1_t03", out / "job-1_t03")
    result = hand_over(out, tmp_path / "d")
    assert [u.name for u in result.delivered] == ["job-1_t03"]
    told = {u.name: rules_of(u.findings) for u in result.units if u.outcome == "not_delivered"}
    assert told == {"job-1_t01": {"deliver-twice"}, "renamed": {"deliver-name-differs"}}
    assert result.exit_code == 12
    assert "deliver-no-ledger" in rules_of(result.findings)


def test_somebody_elses_bag_among_the_packages_is_not_delivered(out: Path, tmp_path: Path) -> None:
    bag = out / "bag"
    (bag / "data").mkdir(parents=True)
    (bag / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    result = hand_over(out, tmp_path / "d", client=CLIENT)
    (left,) = [u for u in result.units if u.outcome == "not_delivered"]
    assert rules_of(left.findings) == {"deliver-not-ours"}
    assert result.exit_code == 12


def test_what_may_be_a_package_is_never_passed_over_in_silence(out: Path, tmp_path: Path) -> None:
    (out / "job-1_t01").rename(tmp_path / "job-1_t01")
    (out / "job-1_t01").symlink_to(tmp_path / "job-1_t01")
    (out / "job-1_t09.tar").write_bytes(b"x")
    result = hand_over(out, tmp_path / "d", client=CLIENT)
    told = [f.what for f in result.findings if f.rule == "deliver-passed-over"]
    assert len(told) == 2
    assert [u.name for u in result.delivered] == ["job-1_t02", "job-1_t03"]
    assert result.outcome == "warnings"


def test_the_studio_s_own_papers_stay_in_the_studio(out: Path, tmp_path: Path) -> None:
    (out / STUDIO_FOLDER).mkdir(exist_ok=True)
    (out / STUDIO_FOLDER / "x.json").write_text("held-back name: Ottilie Brandvik")
    hand_over(out, tmp_path / "d", client=CLIENT)
    assert not any(b"Brandvik" in data for data in tree(tmp_path / "d").values())


def test_the_note_is_a_witness_of_the_ledger(out: Path, tmp_path: Path) -> None:
    """Packaging note section 9: the last hash goes with the delivery note; the receiver's copy proves it."""
    before = (out / LEDGER_NAME).read_bytes().splitlines()
    hand_over(out, tmp_path / "d", client=CLIENT)
    note = note_of(tmp_path / "d/d1")
    assert note["ledger"] == {"entries": len(before), "last_sha512": hashlib.sha512(before[-1]).hexdigest()}
    data = (tmp_path / "d/d1/delivery-note.json").read_bytes()
    for line in lines_of(out, "delivered"):
        assert line["document_sha512"] == hashlib.sha512(data).hexdigest()
        assert line["delivery_id"] == note["delivery_id"]
    witness = Witness(entries=len(before), sha512=hashlib.sha512(before[-1]).hexdigest())
    chain = read_ledger(out / LEDGER_NAME, witnesses=[witness])
    assert chain.holds
    assert chain.met == (True,)


def test_a_package_that_vanishes_after_its_delivery_is_still_missed(out: Path, tmp_path: Path) -> None:
    """A delivery is a copy: the studio's own package is expected to stay where it was sealed."""
    hand_over(out, tmp_path / "d", client=CLIENT)
    shutil.rmtree(out / "job-1_t02")
    assert [f.where for f in LedgerWitness().missing([out])] == [str(out.resolve() / "job-1_t02")]


def test_destinations_that_will_not_do(out: Path, tmp_path: Path) -> None:
    for to in (out, out / "below", out / "job-1_t01" / "data"):
        with pytest.raises(DestinationProblem, match="where the packages are"):
            hand_over(out, to, client=CLIENT)
    with pytest.raises(EnvironmentProblem, match="does not exist"):
        hand_over(out, tmp_path / "no" / "where", client=CLIENT)
    (tmp_path / "file").write_text("x")
    with pytest.raises(DestinationProblem, match="not a folder"):
        hand_over(out, tmp_path / "file", client=CLIENT)
    (tmp_path / "d/d1").mkdir(parents=True)
    with pytest.raises(DestinationProblem, match="already"):
        hand_over(out, tmp_path / "d", client=CLIENT)
    for name in ("..", "a/b", "Ä", "x y", ".hidden", "-x", "_x", ""):
        with pytest.raises(UsageProblem, match="cannot be the name"):
            hand_over(out, tmp_path / "d", client=CLIENT, name=name)
    (tmp_path / "d/.partial-x").mkdir()
    told = hand_over(out, tmp_path / "d", client=CLIENT, name="d3")
    assert "deliver-leftover" in rules_of(told.findings)


@pytest.mark.parametrize("form", FORMS)
def test_a_registrar_checks_it_with_stock_tools_as_the_text_says(
    form: str, out: Path, tmp_path: Path, tool: Callable[[str], str]
) -> None:
    """Outside judges: sha512sum (coreutils), tar, unzip, ssh-keygen; the commands are those of the text."""
    for needed in ("sha512sum", "ssh-keygen", {"tar": "tar", "zip": "unzip"}.get(form, "sh")):
        tool(needed)
    mine = signer(tmp_path / "keys", "studio@grauwell")
    hand_over(out, tmp_path / "d", client=CLIENT, form=form, signer=mine)
    delivery = tmp_path / "d/d1"
    commands = [
        line[4:]
        for line in (delivery / "READ-ME-FIRST.txt").read_text().splitlines()
        if line.startswith("    ")
        and line[4:].startswith(("sha512sum", "cd ", "mkdir", "for a", "ssh-keygen"))
    ]
    home = tmp_path / "home"
    home.mkdir()
    said = [run_in(delivery, command, home=home) for command in commands]
    assert all(one.returncode == 0 for one in said), [(one.stdout, one.stderr) for one in said]
    whole = "".join(one.stdout for one in said)
    assert whole.count("intact  ") == 3
    assert "NOT AS SEALED" not in whole
    assert 'Good "provpack-delivery" signature for studio@grauwell' in whole
    assert mine.fingerprint in whole
    listed = (delivery / "checksums-sha512.txt").read_text().splitlines()
    outside = [p for p in tree(delivery) if form != "folder" or not p.startswith("packages/")]
    extra = 3 if form == "folder" else 0
    assert len(listed) == len(outside) - 1 + extra
    target = next((delivery / "packages").iterdir())
    flip(target / "data/metadata/premis.xml" if form == "folder" else target)
    spoilt = [run_in(delivery, c, home=tmp_path) for c in commands if "sha512sum" in c and "HOME" not in c]
    assert any(one.returncode or "NOT AS SEALED" in one.stdout for one in spoilt)


def test_archives_are_the_same_bytes_every_time(out: Path, tmp_path: Path) -> None:
    for name in ("d1", "d2"):
        hand_over(out, tmp_path / "d", client=CLIENT, form="tar", name=name)
    one, two = (tree(tmp_path / "d" / n / "packages") for n in ("d1", "d2"))
    assert one == two


def test_lines_of_the_text_fit_a_page(out: Path, tmp_path: Path) -> None:
    hand_over(out, tmp_path / "d", client=CLIENT, note="Half of what was agreed. " * 20, contact="room 4")
    text = (tmp_path / "d/d1/READ-ME-FIRST.txt").read_text(encoding="utf-8")
    assert all(len(line) <= 78 for line in text.splitlines() if not line.startswith("    "))
    assert "room 4. Name the delivery:" in text
    assert "Half of what was agreed." in text
