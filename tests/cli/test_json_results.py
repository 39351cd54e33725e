"""What the commands print: one JSON object that fits its schema, and the same said in words."""

from __future__ import annotations

import json
import re
import shutil
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import fits, imported_by, no_traceback, run, run_process
from support.jobs import make_job, samples, wav

from provpack.cli.main import COMMANDS
from provpack.edge import schemas
from provpack.edge.schemas import load

Line = list[str | Path]
FRAMES = 30000


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job and its packages; tests copy what they change."""
    top = tmp_path_factory.mktemp("made")
    make_job(top / "job", ids=("T01", "T02"), frames=FRAMES)
    assert run("wrap", top / "job", "--to", top / "out").code in (0, 1)
    return top


def spoilt_job(made: Path, tmp: Path) -> Path:
    job = tmp / "job"
    shutil.copytree(made / "job", job)
    (job / "T02.wav").write_bytes(b"not a wave")
    return job


def copied(made: Path, tmp: Path) -> Path:
    shutil.copytree(made / "out", tmp / "out")
    return tmp / "out"


def damaged(made: Path, tmp: Path) -> Path:
    out = copied(made, tmp)
    master = next(out.glob("*t01/data/master/*.wav"))
    data = bytearray(master.read_bytes())
    data[len(data) // 2] ^= 1
    master.write_bytes(data)
    return out


def lacking(made: Path, tmp: Path) -> Path:
    out = copied(made, tmp)
    next(out.glob("*t01/data/master/*.wav")).unlink()
    return out


def unknown_algorithm(made: Path, tmp: Path) -> Path:
    (tmp / "bag/data").mkdir(parents=True)
    (tmp / "bag/data/a").write_bytes(b"x")
    (tmp / "bag/bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    (tmp / "bag/manifest-whirl9.txt").write_text("00ff  data/a\n")
    return tmp / "bag"


def master_of(made: Path, tmp: Path) -> Path:
    return next((made / "out").glob("*t01/data/master/*.wav"))


def plain_wav(made: Path, tmp: Path) -> Path:
    return made / "job" / "T01.wav"


def rich_wav(made: Path, tmp: Path) -> Path:
    """Every kind of chunk whose content is told."""
    info = b"INFOINAM" + struct.pack("<I", 4) + b"abc\0"
    cue = struct.pack("<IIIIIII", 1, 1, 5, 0x61746164, 0, 0, 5)
    adtl = b"adtllabl" + struct.pack("<II", 8, 1) + b"abc\0"
    chna = struct.pack("<HHH", 1, 1, 1) + b"ATU_00000001" + b"AT_00010001_01" + b"AP_00010002" + b"\0"
    history = b"A=PCM,F=44100,W=16,M=stereo,T=x,Z=odd\r\n"
    bodies = [
        (b"LIST", info), (b"cue ", cue), (b"LIST", adtl), (b"chna", chna), (b"axml", b"<a/>"),
        (b"iXML", b"<BWFXML/>"), (b"id3 ", b"ID3\x04\0\0\0\0\0\0"), (b"bext", bytes(602) + history),
    ]  # fmt: skip
    chunks = b"".join(i + struct.pack("<I", len(b)) + b + b"\0" * (len(b) % 2) for i, b in bodies)
    (tmp / "rich.wav").write_bytes(wav(samples(3000), after=chunks))
    return tmp / "rich.wav"


def flac(made: Path, tmp: Path) -> Path:
    import soundfile

    soundfile.write(tmp / "x.flac", [[0.0, 0.0], [0.5, 0.5]] * 500, 44100, subtype="PCM_16")
    return tmp / "x.flac"


def text_file(made: Path, tmp: Path) -> Path:
    (tmp / "x.wav").write_text("this is no sound")
    return tmp / "x.wav"


def job_of(made: Path, tmp: Path) -> Path:
    return made / "job"


Made = Callable[[Path, Path], Path]
# what is done -> command line ({it}: the thing, {to}: a new destination), schema, outcome, exit code
CASES: dict[str, tuple[str, Made, str, set[str], set[int]]] = {
    "check a good job": ("check {it}", job_of, "check", {"good", "warnings"}, {0, 1}),
    "check a spoilt job": ("check {it}", spoilt_job, "check", {"refused"}, {12}),
    "check nothing": ("check {to}", job_of, "error", {"refused"}, {12}),
    "wrap": ("wrap {it} --to {to}", job_of, "wrap", {"good", "warnings"}, {0, 1}),
    "dry run": ("wrap {it} --to {to} --dry-run", job_of, "wrap", {"good", "warnings"}, {0, 1}),
    "wrap partly": ("wrap {it} --to {to}", spoilt_job, "wrap", {"partly_done"}, {12}),
    "wrap into a file": ("wrap {it} --to {it}/T01.wav", job_of, "error", {"refused"}, {14}),
    "verify listed": ("verify {it} --depth listed", copied, "verify", {"good"}, {0, 1}),
    "verify bytes": ("verify {it}", copied, "verify", {"good"}, {0, 1}),
    "verify meaning": ("verify {it} --depth meaning", copied, "verify", {"good"}, {0, 1}),
    "verify without ledger": ("verify {it} --no-ledger", copied, "verify", {"good"}, {0, 1}),
    "verify a damaged one": ("verify {it} --depth meaning", damaged, "verify", {"bad"}, {10}),
    "verify an incomplete one": ("verify {it}", lacking, "verify", {"missing"}, {10}),
    "verify an odd algorithm": ("verify {it}", unknown_algorithm, "verify", {"could_not_check"}, {11}),
    "verify nothing": ("verify {to}", job_of, "verify", {"missing"}, {10}),
    "inspect a plain file": ("inspect {it}", plain_wav, "inspect", {"good", "warnings"}, {0, 1}),
    "inspect a master": ("inspect {it}", master_of, "inspect", {"good"}, {0}),
    "inspect a full file": ("inspect {it}", rich_wav, "inspect", {"good", "warnings"}, {0, 1}),
    "inspect FLAC": ("inspect {it}", flac, "inspect", {"good"}, {0}),
    "inspect a text": ("inspect {it}", text_file, "inspect", {"refused"}, {12}),
    "inspect nothing": ("inspect {to}", job_of, "error", {"refused"}, {12}),
    "inspect a folder": ("inspect {it}", job_of, "error", {"refused"}, {12}),
    "recover nothing": ("inspect {it} --record", plain_wav, "error", {"refused"}, {12}),
    "demo job": ("demo {to} --only-job", job_of, "demo", {"good"}, {0}),
    "demo over something": ("demo {it}", job_of, "error", {"refused"}, {14}),
    "no such command": ("wrpa {it}", job_of, "error", {"refused"}, {2}),
    "no such option": ("wrap {it} --too {to}", job_of, "error", {"refused"}, {2}),
    "no argument": ("check", job_of, "error", {"refused"}, {2}),
    "no such depth": ("verify {it} --depth byte", job_of, "error", {"refused"}, {2}),
}


def line(words: str, it: Path, to: Path) -> list[str]:
    return [w.replace("{it}", str(it)).replace("{to}", str(to)) for w in words.split()]


@pytest.mark.parametrize("name", CASES)
def test_json_fits_its_schema_and_text_tells_the_same(name: str, made: Path, tmp_path: Path) -> None:
    words, make, kind, outcomes, codes = CASES[name]
    it = make(made, tmp_path)
    as_json = run(*line(words, it, tmp_path / "new-1"), "--json")
    as_text = run(*line(words, it, tmp_path / "new-2"))
    value = as_json.json()
    fits(kind, value)
    assert value["schema"] == load(f"result-{kind}")["$id"]
    assert value["outcome"] in outcomes
    assert as_json.code == as_text.code == value["exit_code"]
    assert as_json.code in codes
    no_traceback(as_json.err + as_text.err)
    if kind == "error":
        assert as_text.out == ""
        problem = value["error"]
        assert as_json.err == as_text.err.replace("new-2", "new-1")
        assert as_text.err.replace("new-2", "new-1").endswith(
            f"provpack: {problem['what']}\n  where: {problem['where']}\n  to do: {problem['todo']}\n"
        )
    else:
        assert as_json.err == as_text.err == ""
        assert re.fullmatch(
            rf"Outcome: {value['outcome']}(, with warnings)? \(exit code {as_json.code}\)",
            as_text.out.splitlines()[-1],
        )
        for finding in value.get("findings", []):
            assert finding["rule"] in as_text.out


def test_a_damaged_block_is_told_with_its_frames(made: Path, tmp_path: Path) -> None:
    value = run("verify", damaged(made, tmp_path), "--depth", "meaning", "--json").json()
    unit = next(u for u in value["units"] if u["outcome"] == "bad")
    (damage,) = unit["damage"]
    assert damage["extent"] == "audio"
    assert not damage["audio_intact"]
    (spot,) = damage["ranges"]
    assert 0 <= spot["first_frame"] < spot["last_frame"] < FRAMES
    assert value["counts"] == {"good": 1, "bad": 1, "missing": 0, "could_not_check": 0}
    assert value["ledgers"]["written"][0]["lines"] == 2


def test_the_whole_demo_fits_its_schema(tmp_path: Path) -> None:
    said = run("demo", tmp_path / "demo", "--json")
    value = said.json()
    fits("demo", value)
    fits("wrap", value["wrap"])
    fits("verify", value["verify"])
    # The warnings are the lesson: the demo itself went as it should.
    assert (value["outcome"], said.code, said.err) == ("good", 0, "")
    text = run("demo", tmp_path / "demo-2")
    assert text.code == 0
    assert text.out.splitlines()[-1] == "Outcome: good (exit code 0)"


def test_the_record_comes_out_of_a_master_alone(made: Path) -> None:
    master = master_of(made, made)
    plain = run("inspect", master, "--record")
    value = run("inspect", master, "--record", "--json").json()
    fits("inspect", value)
    assert json.loads(plain.out) == value["record"]
    package = master.parents[2]
    kept = json.loads((package / "data/metadata/record.json").read_bytes())
    assert value["record"]["record_id"] == kept["record_id"]
    assert run("inspect", master, "--json").json()["record"] is None


def test_every_result_schema_is_known_to_the_program() -> None:
    kinds = {f"result-{kind}" for kind in (*COMMANDS, "error")}
    assert kinds == {name for name in schemas.names() if name.startswith("result-")}


def test_the_schemas_notice_a_wrong_result(made: Path) -> None:
    """The checks above can fail."""
    value: dict[str, Any] = run("check", made / "job", "--json").json()
    for wrong in ({**value, "outcome": "fine"}, {**value, "more": 1}, {**value, "exit_code": 70}):
        assert schemas.validate("result-check", wrong)
    del value["units"]
    assert schemas.validate("result-check", value)


# --- help and slips of the pen ---


WITH_PARTS = {
    "catalogue": ("rebuild", "add", "find", "state"),
    "jot": (
        "take-in", "declare", "settings", "start", "stop", "event", "note", "attach", "detach", "judge",
        "undo", "correct", "show",
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    "words", [(name, *part) for name in COMMANDS for part in [[], *([p] for p in WITH_PARTS.get(name, ()))]]
)
def test_every_command_has_help(words: tuple[str, ...]) -> None:
    said = run(*words, "--help")
    assert (said.code, said.err) == (0, "")
    assert said.out.startswith(f"Usage: provpack {' '.join(words)} ")
    if len(words) == 1 and words[0] in WITH_PARTS:
        assert all(f"  {part} " in said.out for part in WITH_PARTS[words[0]])
    else:
        assert "--json" in said.out
    assert run(*words, "-h").out == said.out


def test_alone_it_tells_what_to_do_next() -> None:
    said = run()
    assert said.code == 0
    assert all(name in said.out for name in COMMANDS)
    assert "Where to begin" in said.out
    assert "provpack demo" in said.out


@pytest.mark.parametrize(
    ("words", "near"),
    [
        ("chek JOB", "Did you mean 'check'?"),
        ("wrpa JOB", "Did you mean 'wrap'?"),
        ("verfy X", "Did you mean 'verify'?"),
        ("inspct X", "Did you mean 'inspect'?"),
        ("wrap JOB --too X", "--to"),
        ("wrap JOB --to X --dryrun", "--dry-run"),
        ("verify X --depht bytes", "--depth"),
        ("verify X --depth byte", "'bytes'"),
        ("inspect X --recrod", "--record"),
        ("check JOB --jsn", "--json"),
        ("zzz", "provpack --help"),
    ],
)
def test_a_slip_of_the_pen_gets_a_hint(words: str, near: str) -> None:
    said = run(*words.split())
    assert said.code == 2
    assert said.out == ""
    assert near in said.err
    assert "--help" in said.err


HEAVY = ("numpy", "lxml", "rich", "jinja2", "jsonschema", "soundfile", "mutagen", "bagit")


@pytest.mark.parametrize("words", [["--help"], [], ["--version"], *([name, "--help"] for name in COMMANDS)])
def test_help_loads_no_heavy_library(words: list[str]) -> None:
    assert imported_by(words, HEAVY) == []


def test_the_list_of_heavy_libraries_means_something(made: Path) -> None:
    assert "numpy" in imported_by(["wrap", str(made / "job"), "--to", str(made / "seen"), "--dry-run"], HEAVY)


# --- as a real process ---


def test_a_real_process_says_the_same(made: Path) -> None:
    said = run_process("check", made / "job", "--json")
    assert said.err == ""
    fits("check", said.json())
    assert said.json() == run("check", made / "job", "--json").json()
    refused = run_process("inspect", made / "nothing.wav", "--json")
    fits("error", refused.json())
    assert refused.code == 12
    assert "provpack: There is no such file." in refused.err


@pytest.mark.parametrize("name", ["ascii", "latin-1", "utf-8"])
def test_any_encoding_of_the_terminal_will_do(name: str, tmp_path: Path) -> None:
    job = make_job(tmp_path / "job", frames=3000)
    sheet = (job / "job.toml").read_text()
    (job / "job.toml").write_text(sheet.replace('"Evening T01"', '"Åse 夜 🎻"').replace("T01.wav", "ü夜.wav"))
    said = run_process("check", job, "--json", env={"PYTHONIOENCODING": name})
    assert said.code == 12
    fits("check", said.json())
    assert any("ü夜.wav" in f["what"] for f in said.json()["findings"])
    text = run_process("check", job, env={"PYTHONIOENCODING": f"{name}:backslashreplace"})
    assert text.code == 12
    assert text.err == ""


def test_a_reader_that_goes_away_is_no_mistake_of_ours(made: Path) -> None:
    import subprocess

    from cli.commandline import command

    process = subprocess.Popen(
        command("inspect", master_of(made, made), "--json"), stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    message = process.stderr.read().decode()
    process.stderr.close()
    assert process.wait(30) in (0, 141)
    no_traceback(message)
