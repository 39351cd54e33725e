"""Names in many scripts, decomposed and composed, as long as file systems allow, and such as Windows refuses:
through check, wrap, verify, deliver and the catalogue. In packages are only names that every system takes."""

from __future__ import annotations

import json
import re
import tarfile
import unicodedata
import zipfile
from pathlib import Path

import pytest
from cli.commandline import Said, no_traceback, run
from support.jobs import make_job, samples, wav

NFC, NFD = (unicodedata.normalize(form, "Kvöldvaka í Réttarholti") for form in ("NFC", "NFD"))
NAMES = {
    "greek": "Βραδινή μουσική.wav",
    "cyrillic": "Вечер первый №3.wav",
    "arabic": "أمسية الموسيقى.wav",
    "hebrew": "ערב מוסיקה.wav",
    "devanagari": "संध्या संगीत.wav",
    "thai": "ดนตรีค่ำ.wav",
    "chinese": "晚间音乐.wav",
    "japanese": "夕べの音楽ガ.wav",
    "korean": "저녁 음악.wav",
    "emoji": "tape 📼 one.wav",
    "nfc": f"{NFC}.wav",
    "nfd": f"{NFD}.wav",
    "255 bytes": "long-" + "x" * 246 + ".wav",
    "255 bytes of three": "音" * 83 + "ab.wav",
    "device": "CON.wav",
    "device with more": "aux.tape.wav",
    "colon": "side A: take 2.wav",
    "trailing dot": "tape.",
    "trailing space": "tape ",
    "question": "what?.wav",
    "star and bar": "a*b_c.wav",
    "quotes": "the 'first' tape.wav",
    "percent": "100%20.wav",
    "backslash": "a\\b.wav",
    "leading dash": "-rf.wav",
    "right to left override": "tape-\u202egnp.wav",
    "zero width": "tape\u200b1.wav",
}
HOSTILE = re.compile(r"(?i)^(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)|[<>:\"|?*\\\x00-\x1f]|[. ]$")
"""Names Windows refuses (Microsoft, Naming Files, Paths, and Namespaces)."""


def renamed(folder: Path, name: str, transfer: str = "T01") -> Path:
    """A job whose file is called so, on disk and in the sheet."""
    job = make_job(folder, ids=(transfer,), frames=3000)
    (job / f"{transfer}.wav").rename(job / name)
    sheet = job / "job.toml"
    told = json.dumps(name, ensure_ascii=False)
    sheet.write_text(sheet.read_text().replace(f'"{transfer}.wav"', told), encoding="utf-8")
    return job


def plain(package: Path) -> None:
    """Every name below is lower-case ASCII as the house writes it, and none that Windows refuses."""
    for path in package.rglob("*"):
        assert re.fullmatch(r"[A-Za-z0-9_.-]+", path.name) and not HOSTILE.search(path.name), path
        assert len(str(path.relative_to(package.parent))) < 230


def clean(said: Said) -> Said:
    no_traceback(said.err)
    return said


@pytest.mark.parametrize("name", NAMES)
def test_a_name_from_check_to_the_client(name: str, tmp_path: Path) -> None:
    original = NAMES[name]
    assert len(original.encode()) <= 255
    job = renamed(tmp_path / "job", original)
    checked = clean(run("check", job, "--json")).json()
    wrapped = clean(run("wrap", job, "--to", tmp_path / "out", "--json"))
    if checked["outcome"] == "refused":
        # refused with words, before anything is written; never half
        assert wrapped.code == 12 and not list(tmp_path.glob("out/*/bagit.txt"))
        assert name in ("backslash", "trailing space"), checked["findings"]
        return
    assert wrapped.code == 1, wrapped.out
    package = tmp_path / "out/job-1_t01"
    plain(package)
    record = json.loads((package / "data/metadata/record.json").read_bytes())
    master = next(f for f in record["files"] if f["role"] == "master")
    assert master["original_name"] == original, "kept to the letter, neither composed nor decomposed"
    assert run("verify", package, "--depth", "meaning", "--json").json()["outcome"] == "good"
    assert clean(run("report", package)).code == 0
    for form, ending in (("zip", ".zip"), ("tar", ".tar")):
        to = tmp_path / form
        line = ["deliver", package, "--to", to, "--name", "d", "--as", form]
        assert clean(run(*line)).code in (0, 1)
        archive = to / f"d/packages/job-1_t01{ending}"
        assert run("verify", archive, "--no-ledger", "--json").json()["outcome"] == "good"
        if form == "zip":
            with zipfile.ZipFile(archive) as packed:
                inside = packed.namelist()
        else:
            with tarfile.open(archive) as tape:
                inside = tape.getnames()
        assert inside and all(re.fullmatch(r"[A-Za-z0-9_./-]+", one) for one in inside)


def test_composed_and_decomposed_are_two_files_here_and_one_elsewhere(tmp_path: Path) -> None:
    """A row names one of the two: the one that is there is taken, or the sheet is told what is the matter."""
    job = renamed(tmp_path / "job", f"{NFC}.wav")
    (job / f"{NFC}.wav").rename(job / f"{NFD}.wav")
    said = clean(run("check", job, "--json"))
    value = said.json()
    found = [f for f in value["findings"] if f["severity"] == "error"]
    if found:
        assert said.code == 12 and any(NFD in f["what"] or NFC in f["what"] for f in found), found
    else:
        assert clean(run("wrap", job, "--to", tmp_path / "out")).code == 1
    (job / f"{NFC}.wav").write_bytes(wav(samples(3000, 9)))
    said = clean(run("wrap", job, "--to", tmp_path / "both", "--json"))
    assert said.code in (1, 12)


@pytest.mark.parametrize("identifier", ["CON", "tape.", "Á-1", "Á-1", "夕べ", "a:b", "x" * 200, "..", "-"])
def test_an_identifier_becomes_a_name_that_every_system_takes(identifier: str, tmp_path: Path) -> None:
    job = make_job(tmp_path / "job", frames=3000)
    sheet = job / "job.toml"
    told = json.dumps(identifier, ensure_ascii=False)
    sheet.write_text(
        sheet.read_text().replace('transfer_id = "T01"', f"transfer_id = {told}"), encoding="utf-8"
    )
    said = clean(run("wrap", job, "--to", tmp_path / "out", "--json"))
    packages = sorted(p.parent for p in tmp_path.glob("out/*/bagit.txt"))
    if said.code == 12:
        assert not packages
        return
    (package,) = packages
    assert said.code == 1 and not HOSTILE.search(package.name)
    plain(package)
    assert run("verify", package, "--depth", "meaning", "--json").json()["outcome"] == "good"


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_the_catalogue_finds_titles_in_every_script(form: str, tmp_path: Path) -> None:
    words = ["Réttarholti", "музыка", "μουσική", "晚间音乐", "संगीत", "Åsgård"]
    title = unicodedata.normalize(form, " ".join(words))
    job = make_job(tmp_path / "job", frames=3000)
    sheet = job / "job.toml"
    sheet.write_text(sheet.read_text().replace("Evening T01", title), encoding="utf-8")
    assert run("wrap", job, "--to", tmp_path / "out").code == 1
    where = ["--catalogue", tmp_path / "c.sqlite"]
    assert run("catalogue", "add", tmp_path / "out", *where).code in (0, 1)
    for word in words:
        for typed in {unicodedata.normalize(f, word) for f in ("NFC", "NFD")}:
            said = clean(run("catalogue", "find", typed, *where, "--json"))
            assert "job-1_t01" in said.out, (form, typed)
