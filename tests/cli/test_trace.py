"""`provpack trace` on the demo's packages: with ROOT and with a catalogue, its refusals, and its files."""

from __future__ import annotations

import base64
import csv
import hashlib
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from cli.commandline import fits, names_of, no_traceback, run, run_process, told

from provpack.catalogue.opening import open_catalogue
from provpack.edge import clock
from provpack.jobs.harvest import harvest
from provpack.jobs.progress import Silent

ARCHIVE, MUSEUM = "Ambersund Chamber Archive", "Tarnwick Harbour Museum"
# DECK-1 from 2026-06-10 11:30 +02:00 on, that is 09:30 UTC; the passes of the demo's job stand beside it
SINCE = "2026-06-10T11:30:00+02:00"
CONCERNED = {"T08", "T09", "T10", "T11"}  # 2026-06-11, 09:30 to 11:00 +02:00
OTHER = {"T01", "T04", "T05", "T06"}  # 2026-06-09, and 06-10 09:15 and 11:00 +02:00


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo, and a fault noted on DECK-1 in its ledger."""
    folder = tmp_path_factory.mktemp("trace") / "demo"
    assert run("demo", folder).code == 0
    words = ("fault_noted", "--equipment", "DECK-1", "--notice", "FLT-9", "--since", SINCE)
    assert run("enter", folder / "packages", *words, "--note", "The capstan slipped.").code == 0
    return folder


@pytest.fixture(scope="module")
def known(demo: Path) -> Path:
    """A catalogue of the demo's packages."""
    where = demo.parent / "catalogue.sqlite"
    with open_catalogue(where, create=True) as catalogue:
        harvest([demo / "packages"], catalogue, clock=clock.now, progress=Silent(), workers=1)
    return where


def test_root_and_catalogue_tell_the_same(demo: Path, known: Path) -> None:
    direct = run("trace", demo / "packages", "--equipment", "DECK-1", "--json")
    asked = run("trace", "--catalogue", known, "--equipment", "DECK-1", "--json")
    assert direct.code == asked.code == 1
    one, two = direct.json(), asked.json()
    fits("trace", one)
    fits("trace", two)
    assert one["looked"]["seen"][0]["root"] == two["looked"]["seen"][0]["root"] == str(demo / "packages")
    assert (one.pop("looked")["catalogue"], two.pop("looked")["catalogue"]) == (None, str(known))
    assert one == two
    words = {
        p["transfer_id"]: [j["verdict"] for j in p["judgements"]] for c in one["clients"] for p in c["passes"]
    }
    assert words == {t: ["covered" if t in CONCERNED else "not_covered"] for t in CONCERNED | OTHER}
    assert [c["client"] for c in one["clients"]] == [ARCHIVE, MUSEUM]
    assert one["outcome"] == "doubtful"
    assert names_of(told(one)) == {"trace-covered"}
    assert all(
        p["last_check"]["outcome"] == "good" for c in one["clients"] for p in c["passes"]
    )  # the demo verifies what it wrapped


def test_the_demos_cleared_notice_casts_no_doubt(demo: Path) -> None:
    said = run(
        "trace", demo / "packages", "--equipment", "DECK-3", "--register", demo / "job" / "equipment.toml"
    )
    assert said.code == 0, said.out
    # told by the ledger in UTC and by the register in the zone of the house: one notice
    assert "Fault notices (1):" in said.out and "(ledger, register)" in said.out
    assert "FLT-2026-002: not covered (cleared)" in said.out
    # T05 was played twice, and only the second time on this deck
    assert "T05 pass 2: playback deck" in said.out and "T05 pass 1" not in said.out


def test_the_window(demo: Path) -> None:
    window = ("--since", "2026-06-10T10:00:00+02:00", "--until", "2026-06-10T12:00:00+02:00", "--json")
    value = run("trace", demo / "packages", "--equipment", "DECK-1", *window).json()
    assert [p["transfer_id"] for c in value["clients"] for p in c["passes"]] == ["T04"]
    assert value["since"] == "2026-06-10T10:00:00+02:00"


def test_notices_and_table(demo: Path, known: Path, tmp_path: Path, tool: Callable[[str], str]) -> None:
    to, table = tmp_path / "notices", tmp_path / "table.csv"
    words = ("trace", "--catalogue", known, "--equipment", "DECK-1", "--notices", to, "--csv", table)
    said = run(*words, "--json")
    assert said.code == 1
    value = said.json()
    fits("trace", value)
    assert sorted(p.name for p in to.iterdir()) == [
        "notice-deck-1-ambersund_chamber_archive.txt", "notice-deck-1-tarnwick_harbour_museum.txt",
    ]  # fmt: skip
    texts = {w["client"]: Path(w["path"]).read_text(encoding="utf-8") for w in value["letters"]}
    assert "T08".lower() in texts[ARCHIVE] and "t09" not in texts[ARCHIVE] and MUSEUM not in texts[ARCHIVE]
    assert "t09" in texts[MUSEUM] and "t08" not in texts[MUSEUM] and ARCHIVE not in texts[MUSEUM]
    assert all("From:                 Grauwell Transfer Room" in text for text in texts.values())
    # the digest in the notice is what sha512sum (GNU coreutils) prints for the file it names
    printed = subprocess.run(
        [tool("sha512sum"), demo / "packages" / "gtr-2026-031_t09" / "tagmanifest-sha512.txt"],
        capture_output=True, text=True, check=True,
    ).stdout.split()[0]  # fmt: skip
    assert f"    {printed}\n" in texts[MUSEUM]
    assert hashlib.sha512(printed.encode()).digest_size == 64 == len(printed) // 2
    with table.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {r["transfer"] for r in rows if r["verdict"] == "covered"} == CONCERNED
    # nothing is written over, and nothing is half written
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    for again in (words, (*words[:5], "--notices", to), (*words[:5], "--csv", table)):
        refused = run(*again, "--json")
        assert refused.code == 14
        assert refused.json()["error"]["code"] == "file-exists"
    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before


def test_the_commands_in_a_notice_work_as_they_stand(demo: Path, tmp_path: Path) -> None:
    run("trace", demo / "packages", "--equipment", "DECK-1", "--notices", tmp_path)
    text = (tmp_path / "notice-deck-1-tarnwick_harbour_museum.txt").read_text(encoding="utf-8")
    commands = [line.strip() for line in text.splitlines() if line.startswith("    sha512sum ")]
    assert len(commands) == 2
    for line in commands:
        done = subprocess.run(
            ["/bin/sh", "-c", line], cwd=demo / "packages" / "gtr-2026-031_t09", capture_output=True,
            text=True, check=True,
        )  # fmt: skip
        assert "FAILED" not in done.stdout and done.stdout


def test_a_package_that_is_gone_stays_in_the_list_and_its_notice_says_so(demo: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    shutil.copytree(demo / "packages", store)
    where = tmp_path / "c.sqlite"
    with open_catalogue(where, create=True) as catalogue:
        harvest([store], catalogue, clock=clock.now, progress=Silent(), workers=1)
        shutil.rmtree(store / "gtr-2026-031_t09")
        harvest([store], catalogue, clock=clock.now, progress=Silent(), workers=1)
    words = ("trace", "--catalogue", where, "--equipment", "DECK-1", "--notices", tmp_path / "n", "--json")
    value = run(*words).json()
    assert [p["transfer_id"] for c in value["clients"] for p in c["passes"] if p["gone"]] == ["T09"]
    assert {"trace-package-gone", "trace-notice-package-unread"} <= names_of(told(value))
    text = (tmp_path / "n" / "notice-deck-1-tarnwick_harbour_museum.txt").read_text(encoding="utf-8")
    assert "from our catalogue; the package itself could not be read" in " ".join(text.split())
    # what was read nowhere is not proven: the digest is left open
    assert text.count("Digest:               (to be filled in)") == 1


def test_root_reads_anew_unless_a_catalogue_is_named(demo: Path, known: Path, tmp_path: Path) -> None:
    """ROOT alone reads what lies there now; a catalogue typed beside it answers for what lies beneath."""
    inner = demo / "packages" / "gtr-2026-031_t09"
    words = ("--equipment", "DECK-1", "--json")
    anew = run("trace", inner, *words).json()
    assert anew["looked"]["catalogue"] is None and anew["totals"]["transfers"] == 1
    value = run("trace", inner, "--catalogue", known, *words).json()
    fits("trace", value)
    assert (value["looked"]["catalogue"], value["looked"]["roots"]) == (str(known), [str(inner)])
    assert (value["looked"]["packages"], value["totals"]["transfers"]) == (1, 1)
    assert {p["transfer_id"] for c in value["clients"] for p in c["passes"]} == {"T09"}
    # the environment alone does not make the catalogue answer
    env = {"PROVPACK_CATALOGUE": str(known)}
    assert run_process("trace", inner, *words, env=env).json()["looked"]["catalogue"] is None
    # a folder that the catalogue does not know is told, and is not silently nothing
    away = run("trace", tmp_path, "--catalogue", known, *words)
    assert away.code == 1 and away.json()["totals"]["transfers"] == 0
    assert "trace-root-not-in-catalogue" in names_of(told(away.json()))


def test_a_record_that_cannot_be_read_is_told_with_a_catalogue_as_without(demo: Path, tmp_path: Path) -> None:
    store, where = tmp_path / "store", tmp_path / "c.sqlite"
    shutil.copytree(demo / "packages", store)
    record = store / "gtr-2026-031_t05" / "data" / "metadata" / "record.json"
    record.write_bytes(record.read_bytes()[:-40])
    with open_catalogue(where, create=True) as catalogue:
        harvest([store], catalogue, clock=clock.now, progress=Silent(), workers=1)
    for at in ((store,), ("--catalogue", where)):
        said = run("trace", *at, "--equipment", "DECK-3", "--json")
        value = said.json()
        assert said.code == 1 and value["looked"]["not_read"] == 1
        (found,) = (f for f in value["findings"] if f["rule"] == "trace-package-not-read")
        assert "gtr-2026-031_t05" in found["what"]
    # whatever a record tells that is not what was sealed, it stands in no notice
    run("trace", store, "--equipment", "DECK-1", "--notices", tmp_path / "n")
    assert "t05" not in "".join(p.read_text(encoding="utf-8") for p in (tmp_path / "n").iterdir())


def test_the_words_of_a_fault_stay_in_the_house_when_they_resemble_a_name(demo: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    shutil.copytree(demo / "packages", store)
    words = ("fault_noted", "--equipment", "DECK-1", "--notice", "FLT-10", "--since", SINCE)
    said = "Ambersund complained of dull tone. See ACA 0413."
    assert run("enter", store, *words, "--note", said).code == 0
    register = (
        "--register",
        demo / "job" / "equipment.toml",
    )  # else a house that holds names back gets no words
    letters = ("--notices", tmp_path / "n", "--json")
    value = run("trace", store, "--equipment", "DECK-1", *register, *letters).json()
    texts = {w["client"]: Path(w["path"]).read_text(encoding="utf-8") for w in value["letters"]}
    words = re.sub("[0-9a-f]{128}", "", texts[MUSEUM])  # a SHA-512 may have any four digits in it
    assert "Ambersund" not in words and "0413" not in words
    assert "The capstan slipped." in texts[MUSEUM]  # the other notice names nobody
    assert said in " ".join(texts[ARCHIVE].split())
    told_of = [f["what"] for f in value["findings"] if f["rule"] == "trace-notice-words-left-out"]
    assert len(told_of) == 1 and MUSEUM in told_of[0] and "ambersund" in told_of[0]


def test_copies_beneath_one_root_count_once(demo: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        shutil.copytree(demo / "packages", tmp_path / name)
    value = run("trace", tmp_path, "--equipment", "DECK-1", "--json").json()
    assert value["totals"]["transfers"] == len(CONCERNED | OTHER)
    assert all(len(p["copies"]) == 1 for c in value["clients"] for p in c["passes"])


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--equipment", "DECK1"), 12),
        (("--equipment", " "), 2),
        (("--equipment", "DECK-1", "--since", "2026-06-11", "--until", "2026-06-10"), 2),
        (("--equipment", "DECK-1", "--since", "yesterday"), 2),
        (("--equipment", "DECK-1", "--until", "2026-06-31"), 2),
        (("--equipment", "DECK-1", "--until", "2026-06-30T12:00:00"), 2),  # in which zone?
        (("--equipment", "DECK-1", "--register", "/no/such/equipment.toml"), 12),
        (("--equipment", "DECK-1", "--csv", "/no/such/folder/t.csv"), 14),
        (("--equipment", "DECK-1", "--notices", "/no/such/folder/n"), 14),
        (("--equipment", "DECK-1", "--catalogue", "/no/such/c.sqlite"), 15),
        ((), 2),
    ],
)
def test_refusals(demo: Path, words: tuple[str, ...], code: int) -> None:
    said = run("trace", demo / "packages", *words, "--json")
    assert said.code == code, said.err
    fits("error", said.json())
    no_traceback(said.err)


def test_near_names_are_offered_best_first(demo: Path) -> None:
    error = run("trace", demo / "packages", "--equipment", "DECK3", "--json").json()["error"]
    assert "Did you mean DECK-3 (deck)" in error["what"]


def test_broken_toml_is_refused_in_plain_words(demo: Path, tmp_path: Path) -> None:
    (tmp_path / "e.toml").write_text("[[equipment]\nid=")
    said = run(
        "trace", demo / "packages", "--equipment", "DECK-1", "--register", tmp_path / "e.toml", "--json"
    )
    assert said.code == 12
    assert "not TOML" in said.json()["error"]["what"]


def test_names_that_are_no_unicode(demo: Path, tmp_path: Path) -> None:
    """A folder name of other bytes: listed readably, its bytes beside it, and still read for the notice."""
    store = tmp_path / "odd"
    store.mkdir()
    odd = Path(str(store) + "/t\udcff9")
    shutil.copytree(demo / "packages" / "gtr-2026-031_t09", odd)
    said = run_process(
        "trace", store, "--equipment", "DECK-1", "--notices", tmp_path / "n", "--json",
        env={"PYTHONWARNINGS": "error"},
    )  # fmt: skip
    no_traceback(said.err)
    value = said.json()
    (one,) = (p for c in value["clients"] for p in c["passes"])
    assert base64.b64decode(one["place_base64"]) == bytes(odd)
    assert "\\xff" in one["place"]
    assert "trace-notice-package-unread" not in names_of(told(value))


def test_a_forged_package_is_in_no_answer_and_no_notice(demo: Path, tmp_path: Path) -> None:
    packages = Path(shutil.copytree(demo / "packages", tmp_path / "packages"))
    name = next(p.name for p in packages.iterdir() if p.name.endswith("_t01"))
    with (packages / name / "tagmanifest-sha512.txt").open("ab") as seal:
        seal.write(b"0" * 128 + b"  more.txt\n")
    letters = tmp_path / "letters"
    said = run("trace", packages, "--equipment", "DECK-1", "--notices", letters, "--json")
    fits("trace", said.json())
    listed = {p["transfer_id"] for c in said.json()["clients"] for p in c["passes"]}
    assert listed == (CONCERNED | OTHER) - {"T01"}
    assert names_of(told(said.json())) >= {"trace-package-not-read"}
    assert name not in "".join(p.read_text(encoding="utf-8") for p in letters.iterdir())


def test_two_notices_under_one_id_are_judged_both(demo: Path, tmp_path: Path) -> None:
    packages = Path(shutil.copytree(demo / "packages", tmp_path / "packages"))
    words = ("fault_noted", "--equipment", "DECK-1", "--notice", "FLT-9", "--note", "hum")
    assert run("enter", packages, *words, "--since", "2026-07-01").code == 0
    said = run("trace", packages, "--equipment", "DECK-1", "--json").json()
    assert {n["since"]: n["transfers"]["covered"] for n in said["notices"]} == {SINCE: 4, "2026-07-01": 0}
    assert names_of(told(said)) == {"trace-covered", "trace-notices-differ"}


def test_a_ledger_that_went_leaves_its_faults_and_is_told(demo: Path, tmp_path: Path) -> None:
    packages = Path(shutil.copytree(demo / "packages", tmp_path / "packages"))
    where = tmp_path / "c.sqlite"
    assert run("catalogue", "add", packages, "--catalogue", where).code == 0
    (packages / "custody-ledger.jsonl").unlink()
    assert run("catalogue", "add", packages, "--catalogue", where).code == 1
    refused = run("catalogue", "rebuild", packages, "--catalogue", where, "--json")
    assert refused.json()["error"]["code"] == "ledger-away"
    said = run("trace", "--catalogue", where, "--equipment", "DECK-1", "--json").json()
    assert said["outcome"] == "doubtful"
    assert names_of(told(said)) == {"trace-covered", "trace-ledger-broken"}
