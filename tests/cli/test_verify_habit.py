"""`verify` as a habit, with real small packages: what is due, after a kill, two at once, samples, mail."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from support.bagmaking import seal

from provpack.cli.main import main
from provpack.edge import schemas
from provpack.edge.ledger import LEDGER_NAME, append, append_many, read_entries, read_ledger

Capture = pytest.CaptureFixture[str]


def packages(root: Path, count: int, size: int = 50) -> Path:
    """That many packages with a ledger beside them that holds a note."""
    for n in range(count):
        package = root / f"pkg-{n:03d}"
        (package / "data").mkdir(parents=True)
        (package / "data/a.bin").write_bytes(bytes([n]) * size)
        seal(package)
    append(root / LEDGER_NAME, {"kind": "note", "at": "2031-05-06T09:00:00Z"})
    return root


def checked(name: str, at: str, outcome: str = "good", depth: str = "bytes", **more: str) -> dict[str, Any]:
    return {
        "kind": "fixity_checked", "package": name, "at": at, "outcome": outcome, "depth": depth, **more,
    }  # fmt: skip


def verified(capsys: Capture, *words: str | Path) -> tuple[int, dict[str, Any]]:
    capsys.readouterr()
    code = main(["verify", *map(str, words), "--json"])
    result = json.loads(capsys.readouterr().out)
    assert schemas.validate("result-verify", result) == [], result
    return code, result


def said(capsys: Capture, *words: str | Path) -> tuple[int, list[str]]:
    capsys.readouterr()
    code = main(["verify", *map(str, words)])
    return code, capsys.readouterr().out.splitlines()


def names(result: dict[str, Any]) -> list[str]:
    return [Path(unit["path"]).name for unit in result["units"]]


def lines_about(root: Path) -> Counter[str]:
    return Counter(e["package"] for e in read_entries(root / LEDGER_NAME) if e["kind"] == "fixity_checked")


def test_only_what_is_due_oldest_first(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path, 6)
    append_many(
        root / LEDGER_NAME,
        [
            checked("pkg-000", "2020-01-01T00:00:00Z"),
            checked("pkg-001", "2019-01-01T00:00:00Z"),
            checked("pkg-002", "2026-01-01T00:00:00Z", depth="listed"),
            checked("pkg-003", "2020-01-01T00:00:00Z", "missing"),
            checked("pkg-003", "2021-01-01T00:00:00Z"),
        ],
    )
    code, result = verified(capsys, root, "--older-than", "36500")
    assert (code, names(result)) == (0, ["pkg-003", "pkg-002", "pkg-004", "pkg-005"])
    code, result = verified(capsys, root, "--older-than", "365d")
    assert (code, names(result)) == (0, ["pkg-003", "pkg-001", "pkg-000"])
    chosen = result["selection"]
    assert (chosen["known"], chosen["due"], chosen["checked"], chosen["left"]) == (6, 3, 3, 0)
    assert chosen["once_bad"] == [str(root / "pkg-003")] and chosen["sample"] is None
    assert chosen["older_than_s"] == 365 * 86400 and chosen["order"] == "oldest_first"
    assert lines_about(root)["pkg-003"] == 4  # once bad, so every time

    code, result = verified(capsys, root, "--older-than", "365d", "--depth", "meaning")
    assert len(result["units"]) == 6  # no check was as deep


def test_nothing_is_due(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path, 2)
    assert verified(capsys, root)[0] == 0
    before = (root / LEDGER_NAME).read_bytes()
    code, lines = said(capsys, root, "--older-than", "365d")
    assert code == 0 and (root / LEDGER_NAME).read_bytes() == before
    assert "Nothing is due: 2 packages known, every one found good within 365 days." in lines
    code, result = verified(capsys, root, "--older-than", "365d")
    assert (code, result["outcome"], result["units"]) == (0, "good", [])
    assert result["selection"]["whole_round_s"] is None
    code, lines = said(capsys, root, "--older-than", "365d", "--brief")
    assert code == 0 and lines[0] == "provpack: nothing is due of 2 packages"


def test_what_is_not_there_is_told_though_nothing_is_due(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 1)
    assert verified(capsys, root)[0] == 0
    code, result = verified(capsys, root, tmp_path / "nowhere", "--older-than", "1")
    assert code == 10 and [u["outcome"] for u in result["units"]] == ["missing"]
    append(root / LEDGER_NAME, {"kind": "wrapped", "package": "pkg-9", "tagmanifest_sha512": "0" * 128})
    for spelt in (str(root), f"file://{root}"):
        code, result = verified(capsys, spelt, "--older-than", "1")
        assert code == 1 and [f["rule"] for f in result["findings"]] == ["bag-ledger-missing"]


def test_damage_is_found_again_and_again(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path, 3)
    (root / "pkg-001/data/a.bin").write_bytes(b"?")
    for due in (3, 1, 1):
        code, result = verified(capsys, root, "--older-than", "365d")
        assert (code, result["selection"]["due"]) == (10, due)
    (root / "pkg-001/data/a.bin").write_bytes(bytes([1]) * 50)
    for _ in range(2):  # restored, and still looked at every time
        code, result = verified(capsys, root, "--older-than", "365d")
        assert (code, names(result)) == (0, ["pkg-001"])


def test_a_broken_ledger_leaves_everything_due(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path, 2)
    assert verified(capsys, root)[0] == 0
    ledger = root / LEDGER_NAME
    first, *rest = ledger.read_text().splitlines()
    ledger.write_text("\n".join([first.replace("2031-05-06", "2031-05-07"), *rest, ""]))
    code, result = verified(capsys, root, "--older-than", "365d")
    assert (code, result["selection"]["due"]) == (1, 2)
    assert [f["rule"] for f in result["findings"]] == ["bag-ledger-broken"]


def running(*words: str | Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "provpack", "verify", *map(str, words)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_after_a_kill_the_same_command_does_the_rest_only(tmp_path: Path, capsys: Capture) -> None:
    count = 30
    root = packages(tmp_path, count, size=300_000)
    # each is read once, at 1 MB/s: about a third of a second; so many that it cannot be done before the kill
    process = running(root, "--older-than", "365d", "--rate-limit", "1M", "--workers", "1")
    try:
        until = time.monotonic() + 60
        while time.monotonic() < until and len(lines_about(root)) < 3:
            assert process.poll() is None, "it ended before it could be killed"
            time.sleep(0.02)
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
    done = lines_about(root)
    assert 3 <= len(done) < count and set(done.values()) == {1}
    code, result = verified(capsys, root, "--older-than", "365d")
    assert code == 0 and len(result["units"]) == count - len(done)
    assert not set(names(result)) & set(done)
    assert lines_about(root) == Counter({f"pkg-{n:03d}": 1 for n in range(count)})


def test_two_runs_at_once_spoil_nothing(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path, 20, size=2000)
    both = [running(root, "--older-than", "365d") for _ in range(2)]
    assert [process.wait(timeout=120) for process in both] == [0, 0]
    chain = read_ledger(root / LEDGER_NAME)
    assert chain.holds and chain.torn is None
    about = lines_about(root)
    assert len(about) == 20 and set(about.values()) <= {1, 2}
    assert verified(capsys, root, "--older-than", "365d")[1]["selection"]["due"] == 0


def test_the_time_budget_leaves_the_rest_for_the_next_run(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path, 6, size=1_000_000)
    append_many(
        root / LEDGER_NAME, [checked(f"pkg-{n:03d}", f"20{20 - n}-03-01T00:00:00Z") for n in range(6)]
    )
    # a megabyte a second and a budget of three: at most four packages, however fast the machine is; at least
    # one, however slow, unless it needs those three seconds to begin
    more = ["--time-budget", "0.05m", "--rate-limit", "1M", "--workers", "1", "--older-than", "365d"]
    code, result = verified(capsys, root, *more)
    chosen = result["selection"]
    assert code == 0 and 1 <= chosen["checked"] <= 4 and chosen["left"] == 6 - chosen["checked"]
    assert names(result) == [f"pkg-{5 - n:03d}" for n in range(chosen["checked"])]
    assert chosen["left_oldest_check"][:4] == str(2015 + chosen["checked"])
    assert chosen["whole_round_s"] == pytest.approx(chosen["elapsed_s"] * 6 / chosen["checked"])
    code, second = verified(capsys, root, "--older-than", "365d")
    assert names(second) == [f"pkg-{5 - n:03d}" for n in range(chosen["checked"], 6)]


def test_a_sample_says_what_follows(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path, 30)
    (root / "pkg-007/data/a.bin").write_bytes(b"?")
    append(root / LEDGER_NAME, checked("pkg-003", "2020-01-01T00:00:00Z", "bad"))
    code, result = verified(capsys, root, "--sample-to-find", "10%", "--seed", "1", "--no-ledger")
    sample = result["selection"]["sample"]
    assert sample["population"] == 29 and sample["seed"] == 1 and sample["share"] == "10 %"
    assert sample["drawn"] == sample["checked"] == len(result["units"]) - 1
    assert "pkg-003" in names(result) and result["selection"]["once_bad"] == [str(root / "pkg-003")]
    found = "pkg-007" in names(result)
    assert code == (10 if found else 0) and sample["not_good"] == int(found)
    assert sample["at_most"] <= 2 or found
    again = verified(capsys, root, "--sample-to-find", "10%", "--seed", "1", "--no-ledger")[1]
    assert names(again) == names(result)

    code, lines = said(capsys, root, "--sample", "29", "--confidence", "99%", "--no-ledger", "--seed", "8")
    assert code == 10
    (line,) = [line for line in lines if line.startswith("With 99 % confidence")]
    assert line.startswith("With 99 % confidence at most 1 of the 29 are not good, at the depth")


@pytest.mark.parametrize(
    "option", ["--signers", "--client-profile", "--ledger", "--page", "--second-copy", "--catalogue"]
)
def test_an_empty_path_is_wrong_usage(option: str, tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "srv", 1)
    assert main(["verify", str(root), option, ""]) == 2
    assert not capsys.readouterr().out


def test_a_second_copy_that_is_no_folder_accuses_the_path(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "srv", 2)
    packed = tmp_path / "copy.tar.gz"
    packed.write_bytes(b"\x1f\x8b\x08\0\0\0\0\0\0\3")
    for path in (Path("/dev/zero"), packed):
        code, result = verified(capsys, root, "--second-copy", path)
        (finding,) = [f for f in result["findings"] if f["severity"] != "note"]
        assert code == 1 and finding["where"] == str(path)
        assert finding["what"].startswith("No second copy of any package was found: ")


def test_a_catalogue_of_the_environment_is_no_wish(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PROVPACK_CATALOGUE", str(tmp_path / "x.sqlite"))
    assert verified(capsys, packages(tmp_path / "srv", 1))[0] == 0


def test_what_is_neither_folder_nor_file_is_not_opened(tmp_path: Path, capsys: Capture) -> None:
    for path in (tmp_path / "pipe", Path("/dev/zero")):
        if path.name == "pipe":
            os.mkfifo(path)
        code, result = verified(capsys, path)
        (unit,) = result["units"]
        assert code == 11 and "neither a folder nor a regular file" in unit["findings"][0]["what"]


@pytest.mark.parametrize("option", [(), ("--second-copy",)])
@pytest.mark.parametrize(
    "address", ["http://", "http://127.0.0.1:99999/", "https://[::1/x", "s3://", "file://host/x"]
)
def test_a_misspelled_address_is_wrong_usage(
    address: str, option: tuple[str, ...], tmp_path: Path, capsys: Capture
) -> None:
    root = packages(tmp_path / "srv", 1)
    assert main(["verify", str(root), *option, address]) == 2
    told = capsys.readouterr()
    assert not told.out and f"{address} is a misspelled address" in told.err


def test_the_page_of_a_sample_says_how_many_were_not_looked_at(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "srv", 4)
    page = tmp_path / "page.html"
    assert verified(capsys, root, "--sample", "1", "--page", page)[0] == 0
    text = page.read_text(encoding="utf-8")
    assert "No damage was found in 1 package; 3 others were not looked at" in text
    assert "1 package is good" in text and "3 known packages were not looked at in this run" in text


def test_a_mail_says_what_was_passed_over(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "srv", 1)
    (root / "old").symlink_to(tmp_path)
    (root / "t08.tar.gz").write_bytes(b"\x1f\x8b\x08\0\0\0\0\0\0\3")
    code, lines = said(capsys, root, "--brief")
    assert code == 0 and "  passed over: 1 link, 1 compressed archive." in lines
    told = verified(capsys, root)[1]["findings"]
    assert sorted(one["rule"] for one in told) == ["bag-archive-passed-over", "bag-link-passed-over"]


def test_a_ledger_for_packages_that_have_none(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 3)
    (root / LEDGER_NAME).unlink()
    ledger = tmp_path / "house" / "checks.jsonl"
    ledger.parent.mkdir()
    code, result = verified(capsys, root, "--ledger", ledger, "--older-than", "365d")
    assert code == 0 and result["ledgers"]["written"] == [{"path": str(ledger), "lines": 3}]
    entries = read_entries(ledger)
    assert sorted(e["place"] for e in entries) == [str(root / f"pkg-{n:03d}") for n in range(3)]
    assert all(schemas.validate("ledger-entry", entry) == [] for entry in entries)
    assert verified(capsys, root, "--ledger", ledger, "--older-than", "365d")[1]["units"] == []
    assert len(verified(capsys, root, "--older-than", "365d")[1]["units"]) == 3
    assert said(capsys, root, "--ledger", tmp_path / "no/such.jsonl")[0] == 2


def test_a_package_below_does_not_count_as_the_one_beside(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path, 1)
    packages(root / "copies", 1)
    (root / "copies" / LEDGER_NAME).unlink()
    assert verified(capsys, root / "copies")[1]["ledgers"]["written"] == [
        {"path": str(root / LEDGER_NAME), "lines": 1}
    ]
    _, result = verified(capsys, root, "--older-than", "365d")
    assert [u["path"] for u in result["units"]] == [str(root / "pkg-000")]


def test_without_a_ledger_entry_nothing_goes_on(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path, 1)
    _, result = verified(capsys, root, "--older-than", "365d", "--no-ledger")
    assert [r.startswith("Nothing is recorded") for r in result["selection"]["remarks"]] == [True]
    assert len(verified(capsys, root, "--older-than", "365d")[1]["units"]) == 1


@pytest.mark.parametrize(
    ("words", "where"),
    [
        ((), "the command line"),
        (("x", "--older-than", "3 moons"), "--older-than"),
        (("x", "--time-budget", "0"), "--time-budget"),
        (("x", "--rate-limit", "50Mbit"), "--rate-limit"),
        (("x", "--sample-to-find", "1"), "--sample-to-find"),
        (("x", "--confidence", "100%"), "--confidence"),
        (("x", "--sample", "3", "--sample-to-find", "1%"), "--sample and --sample-to-find"),
        (("x", "--page", "a", "--ledger", "./a"), "--page and --ledger a"),
        (("x", "--scheduler", ""), "--scheduler"),
        (("x", "--catalogue", "x.sqlite"), "--catalogue"),
        (("x", "--scheduler", " "), "--scheduler"),
        (("x", "--workers", "3", "--scheduler", "tcp://host:8786"), "--scheduler and --workers"),
    ],
)
def test_what_cannot_be_asked(words: tuple[str, ...], where: str, capsys: Capture) -> None:
    assert main(["verify", *words]) == 2
    told = capsys.readouterr().err
    assert f"where: {where}" in told and "to do: " in told


def test_the_list_comes_from_the_catalogue(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 4)
    where = ["--catalogue", str(tmp_path / "c.sqlite")]
    assert main(["catalogue", "rebuild", str(root), *where]) == 0
    code, result = verified(capsys, "--from-catalogue", *where, "--older-than", "365d")
    assert code == 0 and len(result["units"]) == 4 and result["selection"]["known"] == 4
    assert result["ledgers"]["written"] == [{"path": str(root / LEDGER_NAME), "lines": 4}]
    # the new lines were taken in: the catalogue tells of the checks though no ledger is there to be asked
    (root / LEDGER_NAME).rename(tmp_path / "away")
    assert verified(capsys, "--from-catalogue", *where, "--older-than", "365d")[1]["units"] == []
    (tmp_path / "away").rename(root / LEDGER_NAME)
    # what is gone is missing, and a path of which the catalogue does not know is no good one
    (root / "pkg-002").rename(tmp_path / "elsewhere")
    code, result = verified(capsys, "--from-catalogue", *where, root, tmp_path / "other")
    assert code == 10 and result["counts"] == {"good": 3, "bad": 0, "missing": 1, "could_not_check": 1}


def test_an_empty_catalogue_is_no_good_night(tmp_path: Path, capsys: Capture) -> None:
    where = ["--catalogue", str(tmp_path / "c.sqlite")]
    (tmp_path / "empty").mkdir()
    main(["catalogue", "rebuild", str(tmp_path / "empty"), *where])
    assert main(["verify", "--from-catalogue", *where]) == 11
