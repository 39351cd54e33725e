"""The demo's job folder: complete, consistent with its own sheets, and showing what its story says.

Sheets are read here with csv and tomllib alone and audio with libsndfile, so that nothing of the product
vouches for itself.
"""

from __future__ import annotations

import csv
import io
import json
import tomllib
import tracemalloc
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from provpack.edge import demodata, schemas
from provpack.errors import EnvironmentProblem, InputProblem
from provpack.jobs.check import CheckResult, check_job
from provpack.jobs.demo import make_demo_job
from provpack.jobs.progress import Silent
from provpack.measure.fanout import RunAll, run_serially

COMPANIONS = (
    "passes",
    "transfer_events",
    "programme_segments",
    "signal_state_ranges",
    "treatments",
    "custody_events",
)
Rows = list[dict[str, str]]


class Folder:
    """The job folder on disk, and its sheets."""

    def __init__(self, root: Path, names: list[str]) -> None:
        self.root, self.names = root, names

    def sheet(self, name: str) -> Rows:
        text = (self.root / f"{name}.csv").read_bytes().decode("utf-8")
        return list(csv.DictReader(io.StringIO(text, newline="")))

    def toml(self, name: str) -> dict[str, Any]:
        return tomllib.loads((self.root / name).read_text(encoding="utf-8"))

    def codes(self, name: str) -> NDArray[np.int16]:
        """Samples of a tape as 16-bit codes, shape (frames, 2)."""
        samples: NDArray[np.int32] = soundfile.read(str(self.root / name), dtype="int32")[0]
        assert not (samples & 0xFFFF).any()
        return (samples >> 16).astype(np.int16)


def writer(root: Path) -> Callable[[str, Iterable[bytes]], None]:
    def write(name: str, chunks: Iterable[bytes]) -> None:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as out:
            for chunk in chunks:
                out.write(chunk)

    return write


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Folder:
    root = tmp_path_factory.mktemp("job")
    return Folder(root, make_demo_job(writer(root), demodata.read_demo_data()))


@pytest.fixture(scope="module")
def recipe() -> dict[str, Any]:
    return tomllib.loads(demodata.read_demo_data()["tapes.toml"].decode("utf-8"))


def test_every_name_told_was_written_and_nothing_else(folder: Folder) -> None:
    there = {p.relative_to(folder.root).as_posix() for p in folder.root.rglob("*") if p.is_file()}
    assert there == set(folder.names)
    assert len(folder.names) == len(set(folder.names))
    assert "tapes.toml" not in there
    assert all(name.isascii() and not name.startswith("/") and ".." not in name for name in there)


def test_every_file_the_sheets_name_is_there_and_every_file_is_named(folder: Folder) -> None:
    named = set(folder.toml("job.toml")["documents"])
    for row in folder.sheet("transfers"):
        named |= {row["file"], row["photos"], *row["condition_photos"].split("|")} - {""}
    named |= {row["file"] for row in folder.sheet("passes")}
    # the third client shows a stricter file and has nothing in this job
    clients = {*folder.toml("job.toml")["client_profiles"], "clients/brackenholm.json"}
    for name in clients:
        beside = json.loads((folder.root / name).read_text(encoding="utf-8"))["bagit_profile"]
        named |= {name, f"clients/{beside}"}
    assert named == {n for n in folder.names if "/" in n}


def test_identifiers_agree_between_sheets(folder: Folder) -> None:
    transfers = folder.sheet("transfers")
    ids = [row["transfer_id"] for row in transfers]
    assert ids == [f"T{n:02d}" for n in range(1, 12)]
    for name in COMPANIONS:
        assert {row["transfer_id"] for row in folder.sheet(name)} <= set(ids), name
    chains = {c["id"]: c for c in folder.toml("job.toml")["chain"]}
    kinds = {e["id"]: e["kind"] for e in folder.toml("equipment.toml")["equipment"]}
    assert {row["chain"] for row in transfers} == set(chains)
    for chain in chains.values():
        assert kinds[chain["deck_id"]] == "deck"
        assert kinds[chain["decoder_id"]] == "decoder"
        assert kinds[chain["capture_device_id"]] == "capture_device"
    for row in folder.sheet("passes"):
        assert row["deck_id"] == chains[row["chain_id"]]["deck_id"]
        assert row["capture_device_id"] == chains[row["chain_id"]]["capture_device_id"]


def test_the_register_is_valid(folder: Folder) -> None:
    assert schemas.validate("equipment-register", folder.toml("equipment.toml")) == []


def test_audio_is_what_sheet_and_recipe_say(folder: Folder, recipe: dict[str, Any]) -> None:
    tapes = {t["file"]: t for t in recipe["tape"]}
    rows = {row["file"]: row for row in folder.sheet("transfers") if row["file"]}
    assert set(rows) <= set(tapes)
    for name, tape in tapes.items():
        info = soundfile.info(str(folder.root / name))
        assert (info.samplerate, info.frames, info.channels) == (tape["header_hz"], tape["frames"], 2)
        assert info.subtype == ("PCM_24" if tape.get("container_bits") == 24 else "PCM_16")
        assert np.array_equal(folder.codes(name)[: tape["leader"]], np.zeros((tape["leader"], 2)))
        used = np.bitwise_or.reduce(folder.codes(name).astype(int) & 0xFFFF, axis=None)
        sixteen = tape["bits"] == 16 or "sixteen" in tape.get("faults", {})
        assert used == (0xFFFF if sixteen else 0xFFFC)
        if name in rows:
            row = rows[name]
            assert row["source_bit_depth"] == str(tape["bits"])
            assert Fraction(row["sampling_frequency"]) == Fraction(*tape["sampling_frequency"])
            assert (row["capture_word_length"] or "16") == str(tape.get("container_bits", 16))


def test_clock_times_fit_the_length_of_the_files(folder: Folder) -> None:
    """Start and stop by the clock against frames at the exact sampling frequency, to the second."""
    spans = [r for r in folder.sheet("transfers") if r["file"] and r["started_at"]] + folder.sheet("passes")
    assert len(spans) == 11
    for row in spans:
        info = soundfile.info(str(folder.root / row["file"]))
        clock = datetime.fromisoformat(row["stopped_at"]) - datetime.fromisoformat(row["started_at"])
        assert info.frames / info.samplerate == pytest.approx(clock.total_seconds(), abs=0.5)


def test_two_chains_ran_at_once(folder: Folder) -> None:
    whole = folder.sheet("transfers")
    trio = next(r for r in whole if r["transfer_id"] == "T04")
    second = next(r for r in folder.sheet("passes") if r["n"] == "2")
    assert second["started_at"] < trio["stopped_at"]
    assert trio["started_at"] < second["stopped_at"]
    assert second["chain_id"] != trio["chain"]


def test_logged_mutes_are_in_the_audio(folder: Folder, recipe: dict[str, Any]) -> None:
    logged = [
        r["frame"]
        for r in folder.sheet("transfer_events")
        if r["transfer_id"] == "T02" and r["type"] == "mute"
    ]
    tape = next(t for t in recipe["tape"] if "0412" in t["file"])
    exact = round(6 * Fraction(44100000, 1001))  # 0:00:06 in frames of 44100/1.001 Hz
    assert logged == ["0:00:06", "485000"]
    assert [start for start, _ in tape["mutes"]] == [exact, 485000]
    codes = folder.codes(tape["file"])
    for start, length in tape["mutes"]:
        assert not codes[start : start + length].any()
        assert codes[start - 50 : start].any(axis=1).all()
        assert codes[start + length : start + length + 50].any(axis=1).all()


def test_ranges_of_emphasis_cover_the_tape(folder: Folder, recipe: dict[str, Any]) -> None:
    ranges = folder.sheet("signal_state_ranges")
    tape = next(t for t in recipe["tape"] if "0413" in t["file"])
    bounds = [int(ranges[0]["start"])] + [int(r["end"]) for r in ranges]
    assert bounds == [0, tape["emphasis"][0][0], tape["frames"]]
    assert [int(r["start"]) for r in ranges] == bounds[:-1]
    assert [r["emphasis"] for r in ranges] == ["off", "on"]


def test_the_two_passes_agree_where_neither_was_damaged(folder: Folder) -> None:
    first, second = (folder.codes(f"audio/ACA-0414 pass {n}.wav") for n in (1, 2))
    differs = (first != second[: len(first)]).any(axis=1)
    assert not differs[:229_000].any()
    assert differs[252000:252960:48].mean() > 0.9  # seen only by comparing
    assert differs[300_000:350_000].mean() > 0.9


def test_what_nobody_knows_is_said_to_be_unknown(folder: Folder) -> None:
    row = next(r for r in folder.sheet("transfers") if r["transfer_id"] == "T07")
    assert (row["tape_emphasis"], row["file_emphasis"], row["emphasis_indicator"]) == (
        "unknown",
        "unknown",
        "not_observed",
    )
    assert row["tape_emphasis_evidence"] == "[]"


def test_the_carrier_without_pcm_has_no_file(folder: Folder) -> None:
    row = next(r for r in folder.sheet("transfers") if r["outcome"] == "no_pcm_found")
    assert (row["file"], row["recording_format"]) == ("", "none_found")
    assert row["outcome_note"]


def test_every_item_is_received_and_returned(folder: Folder) -> None:
    events = folder.sheet("custody_events")
    for row in folder.sheet("transfers"):
        mine = [e for e in events if e["transfer_id"] == row["transfer_id"]]
        assert {e["items"] for e in mine} == {row["client_item_id"]}
        assert [e["type"] for e in mine][-2:] == ["received", "returned"]
        assert mine[-2]["at"] < row["condition_assessed_at"] < mine[-1]["at"]
        for before, after in pairwise(mine):
            assert before["to"] == after["from"]


def test_the_same_bytes_twice(folder: Folder) -> None:
    again: dict[str, bytes] = {}
    make_demo_job(lambda name, chunks: again.update({name: b"".join(chunks)}), demodata.read_demo_data())
    assert list(again) == folder.names
    for name, data in again.items():
        assert (folder.root / name).read_bytes() == data, name


def test_audio_leaves_in_small_pieces() -> None:
    """Flat memory: no piece is larger than a block, and little is held beside it."""
    data = demodata.read_demo_data()
    largest = 0

    def write(_name: str, chunks: Iterable[bytes]) -> None:
        nonlocal largest
        for chunk in chunks:
            largest = max(largest, len(chunk))

    tracemalloc.start()
    make_demo_job(write, data)
    highest = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert largest <= 16384 * 6
    assert highest < 32 * 1024 * 1024


def discard(_name: str, chunks: Iterable[bytes]) -> None:
    for _ in chunks:
        pass


GOOD = """
[[tape]]
file = "a.wav"
frames = 10
sampling_frequency = [44100, 1]
header_hz = 44100
bits = 14
seed = 1
"""


def test_a_recipe_with_defaults_makes_a_file() -> None:
    assert make_demo_job(discard, {"tapes.toml": GOOD.encode()}) == ["a.wav"]


@pytest.mark.parametrize(
    ("text", "where"),
    [
        (None, "the demo data"),
        ("[[tape", "tapes.toml"),
        ("\ufffd".encode("utf-16").decode("latin-1"), "tapes.toml"),
        (GOOD.replace("seed = 1\n", ""), "tapes.toml, a.wav"),
        (GOOD.replace("[44100, 1]", "[44100, 0]"), "tapes.toml, a.wav"),
        (GOOD + "mutes = [[1]]\n", "tapes.toml, a.wav"),
        (GOOD + "colour = 3\n", "tapes.toml, a.wav"),
        (GOOD.replace('file = "a.wav"', "n = 1"), "tapes.toml, an entry without file"),
        ('[[photo]]\nfile = "p.png"\n', "tapes.toml, p.png"),
    ],
)
def test_a_recipe_that_cannot_be_followed_is_refused(text: str | None, where: str) -> None:
    data = {} if text is None else {"tapes.toml": text.encode("latin-1", "replace")}
    with pytest.raises(InputProblem) as caught:
        make_demo_job(discard, data)
    assert caught.value.where == where


def test_installed_data_comes_before_the_checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "site" / "provpack"
    shipped = package / "_data" / "demo"
    (shipped / "documents").mkdir(parents=True)
    (shipped / "tapes.toml").write_bytes(b"")
    (shipped / ".hidden").write_bytes(b"x")
    (shipped / "documents" / "a.txt").write_bytes(b"paper")
    monkeypatch.setattr(demodata, "__file__", str(package / "edge" / "demodata.py"))
    assert demodata.demo_folder() == shipped
    assert demodata.read_demo_data() == {"documents/a.txt": b"paper", "tapes.toml": b""}


def test_missing_or_unreadable_data_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demodata, "__file__", str(tmp_path / "provpack" / "edge" / "demodata.py"))
    with pytest.raises(EnvironmentProblem, match="not part of this installation"):
        demodata.demo_folder()
    (tmp_path / "demo").mkdir()
    (tmp_path / "demo" / "tapes.toml").write_bytes(b"")

    def refuse(_self: Path) -> bytes:
        raise PermissionError(13, "Permission denied", "tapes.toml")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(EnvironmentProblem, match="Permission denied"):
        demodata.read_demo_data()


def check(folder: Folder, run_all: RunAll | None) -> CheckResult:
    return check_job(
        folder.root,
        now=datetime(2026, 7, 1, tzinfo=UTC),
        progress=Silent(),
        validate=schemas.validate,
        run_all=run_all,
    )


def test_the_check_of_the_headers_finds_two_warnings(folder: Folder) -> None:
    result = check(folder, None)
    found = [(f.severity, f.rule) for f in result.findings if f.severity != "note"]
    assert found == [("warning", "rec-channel-status-no-emphasis"), ("warning", "rec-chain-check-old")]
    by_transfer = {t.transfer_id: t.warnings for t in result.transfers}
    assert {k for k, n in by_transfer.items() if n} == {"T02", "T05"}


WARNED = {
    "T01": set(),
    "T02": {"rec-channel-status-no-emphasis"},
    "T03": set(),
    "T04": set(),
    "T05": {"rec-chain-check-old", "pass-file-not-best"},
    "T06": set(),
    "T07": set(),
    "T08": {"rec-channels-equal"},
    "T09": {"rec-channel-silent", "rec-line-pilot"},
    "T10": {"rec-channel-inverted", "rec-damage-unlogged", "rec-damage-repeats"},
    "T11": {"rec-effective-bits-above", "rec-bits-change"},
}


def test_the_audio_shows_each_important_finding_once_and_the_clean_tapes_show_none(folder: Folder) -> None:
    result = check(folder, run_serially)
    told = {
        transfer.transfer_id: {f.rule for f in found if f.severity != "note"}
        for transfer, found in zip(result.transfers, result.by_transfer, strict=True)
    }
    assert told == WARNED
    assert not any(t.errors for t in result.transfers)
    everything = [rule for rules in told.values() for rule in rules]
    assert len(everything) == len(set(everything))
    notes = {f.rule for found in result.by_transfer for f in found if f.severity == "note"}
    assert {"rec-clipped", "pass-differs", "pass-assembly-proposed"} <= notes
    comment = (folder.root / "job.toml").read_text(encoding="utf-8").partition("job_id")[0]
    assert all(f"#   {name}  " in comment for name, rules in WARNED.items() if rules)
