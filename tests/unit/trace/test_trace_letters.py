"""Notices to clients: what stands in them, and that nobody reads of anybody else's things."""

from __future__ import annotations

import errno
import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest
from support.disks import Meter, MeteredDisk, PowerCut
from unit.trace.traceworld import (
    ARCHIVE,
    CLUB,
    F1,
    MUSEUM,
    PACKAGES,
    REGISTER,
    catalogue,
    ledger,
    package,
    register,
)

from provpack.catalogue.values import Fault, Listed, Package
from provpack.edge.commit import RealDisk
from provpack.errors import CouldNotCheck, DestinationProblem, EnvironmentProblem
from provpack.jobs.trace import Question, everyone, trace
from provpack.jobs.traced import Looked, Traced
from provpack.jobs.traceletters import Draft, LetterFolder, Paper, compose, letter_names
from provpack.jobs.tracetimes import Window
from provpack.package.heldnames import person_of

HOUSE = "Grauwell Transfer Room"
IDENTITY = "ab" * 64


def paper(of: Listed) -> Paper:
    """What the package would say of itself."""
    return Paper(
        client=of.client, organisation=HOUSE, job_id=of.job_id, transfer_id=of.transfer_id, title=of.title,
        client_item_id=f"ITEM-{of.name}", carrier_id=of.carrier_id, identity=IDENTITY,
        listen=(f"0:12:34 a mute in {of.name} (measured).",),
    )  # fmt: skip


def written(
    *faults: Fault,
    packages: Iterable[Package] = PACKAGES,
    what: str = "DECK-1",
    papers: dict[str, Paper | None] | None = None,
    by: str | None = None,
) -> tuple[Traced, dict[str, str], dict[str, list[str]]]:
    """The trace, client -> text of the notice, rule -> what was found. papers: package -> what it says
    instead; None = it cannot be read."""

    def read(of: Listed) -> Paper:
        said = (papers or {}).get(of.name, paper(of))
        if said is None:
            raise CouldNotCheck("gone", "There is no such package.", where=of.place, todo="Look for it.")
        return said

    entries = register(by) if by else None
    with catalogue(packages, ledger(*faults)) as known:
        question = Question(equipment=what, window=Window(), register=entries)
        result = trace(known.ask, question, Looked(catalogue="memory"))
        drafts, findings = compose(result, everyone(known.ask, question), read, "2031-06-01", entries)
    rules: dict[str, list[str]] = {}
    for finding in findings:
        rules.setdefault(finding.rule, []).append(finding.what)
    return result, {d.client: d.text for d in drafts}, rules


def own_words(name: str) -> set[str]:
    """Everything that belongs to the client of a package of the world."""
    one = next(p for p in PACKAGES if p.name == name)
    return {w for w in (one.title, one.client_item_id, one.carrier_id, one.name) if w} | {f"ITEM-{name}"}


THEIRS = {
    ARCHIVE: ("J1_T1", "J1_T2", "J1_T3"),
    MUSEUM: ("J2_T1", "J2_T2", "J2_T3"),
    CLUB: ("J3_T1",),
    "": ("J4_T1",),
}


def test_each_client_reads_of_their_own_things_only() -> None:
    _, texts, rules = written(F1)
    assert set(texts) == {ARCHIVE, MUSEUM}
    for client, text in texts.items():
        for owner, names in THEIRS.items():
            for name in names:
                for word in (f"Evening of {name}", f"ITEM-{name}", name):
                    assert (word in text) is (owner == client and word in own_words(name)), (client, word)
        for other in {ARCHIVE, MUSEUM, "Kellmar", CLUB} - {client}:
            assert other not in text or (client == MUSEUM and other == "Kellmar")
    assert "Reels of Kellmar" in texts[MUSEUM] and "Spinning songs" not in texts[ARCHIVE]
    assert "/store" not in "".join(texts.values())  # where the studio keeps things is the studio's
    assert list(rules) == ["trace-notice-no-client"] and "J4_T1" in rules["trace-notice-no-client"][0]


def test_what_stands_in_a_notice() -> None:
    _, texts, _ = written(F1)
    text = texts[MUSEUM]
    for said in (
        f"To:                   {MUSEUM}",
        f"From:                 {HOUSE}",
        "Date:                 2031-06-01",
        "About:                DECK-1 (playback deck)",
        "- F-1: Head drum slipped now and then.",
        "Transfers that may be concerned (2)",
        "Transfers for which it cannot be told (1)",
        "cannot be told: nobody noted when it was",
        "pass 1, 2031-05-05 21:30:00 to 2031-05-05 22:30:00 UTC",
        f"    {IDENTITY}\n",
        "sha512sum tagmanifest-sha512.txt",
        "Keep the original carriers. Do not discard",
        "0:12:34 a mute in J2_T2 (measured).",
        "What we propose (filled in by hand)",
        "Because of this, nothing was changed in any package. They remain valid as",
        "Personal data",
    ):
        assert said in text, said
    assert "2031-05-04 12:00:00 +02:00 on, until 2031-05-06 12:00:00 +02:00" in " ".join(text.split())
    # the archive has one that is concerned and two that are not; only the first is to be listened to
    assert "Transfers made at other times, which are not concerned (2)" in texts[ARCHIVE]
    assert "a mute in J1_T1" in texts[ARCHIVE] and "a mute in J1_T2" not in texts[ARCHIVE]
    assert all(len(line) <= 78 or IDENTITY in line for line in text.splitlines())


def test_a_notice_never_says_that_anything_is_harmed() -> None:
    _, texts, _ = written(F1)
    for text in texts.values():
        flat = " ".join(text.split())
        assert "may have had an effect" in flat
        assert not re.search(
            r"\b(is|are|was|were) (damaged|faulty|defective|spoilt|bad|wrong|harmed)\b", flat
        )


def test_without_a_notice_or_with_a_cleared_one_it_is_information_only() -> None:
    for faults in ((), (replace(F1, cleared_at="2031-05-20T00:00:00Z"),)):
        _, texts, _ = written(*faults)
        for text in texts.values():
            assert "This notice is for your information only." in text
            assert "What we propose" not in text and "What you can do" not in text
            assert "may be concerned" not in text
    assert "no harm was found" in " ".join(text.split())


def test_a_person_is_no_it() -> None:
    _, texts, _ = written(what="Ilse Varrow")
    assert texts
    for text in texts.values():
        words = " ".join(text.split())
        assert (
            "Your transfers in which the person named above took part" in words
            and "which it took" not in words
        )


@pytest.mark.parametrize(
    "planted",
    [
        f"Noticed on the tapes of {CLUB.upper()}.",
        "First heard on Signal  from the North, then elsewhere.",
        "Kellmar Folk Museum heard it first.",
        "See J2_T2, at half time.",
        "Heard on ITEM-J2_T3.",
        "Carrier B-T9 was the first.",
    ],
)
def test_words_that_name_somebody_elses_things_are_left_out(planted: str) -> None:
    """The archive's notice must not hold them; the owner's may."""
    world = (*PACKAGES, package("J3_T9", CLUB, [(1, "2031-05-05T08:00:00Z", None, {"deck": "DECK-1"})],
                                title="Signal from the North"))  # fmt: skip
    club = package("J3_T1", CLUB, [(1, "2030-01-01T08:00:00Z", None, {"deck": "DECK-1"})])
    _, texts, rules = written(replace(F1, what=planted), packages=(*world[:6], club, *world[7:]))
    assert planted not in " ".join(texts[ARCHIVE].split())
    assert "fault notice 1: (to be written here by hand)" in texts[ARCHIVE]
    assert rules["trace-notice-words-left-out"]
    assert ARCHIVE in " ".join(rules["trace-notice-words-left-out"])
    owner = CLUB if CLUB.split()[0] in planted.title() or "Signal" in planted or "T9" in planted else MUSEUM
    assert " ".join(planted.split()) in " ".join(texts[owner].split())


def test_names_of_persons_are_left_out_where_a_package_holds_names_back() -> None:
    person = person_of("Ilse Varrow")
    assert person is not None
    words = "Varrow, Ilse found the drum loose."
    base = {name: _paper_of(name) for name in ("J1_T1", "J2_T2")}
    papers: dict[str, Paper | None] = {
        "J1_T1": replace(base["J1_T1"], held=True),
        "J2_T2": replace(base["J2_T2"], persons=(person,)),
    }
    _, texts, rules = written(replace(F1, what=words), papers=papers)
    assert "Varrow" not in texts[ARCHIVE] and "to be written here by hand" in texts[ARCHIVE]
    assert "Varrow" in texts[MUSEUM]  # nothing is held back from the museum
    assert any(ARCHIVE in what for what in rules["trace-notice-words-left-out"])


def _paper_of(name: str) -> Paper:
    one = next(p for p in PACKAGES if p.name == name)
    return Paper(
        client=one.client, organisation=HOUSE, job_id=one.job_id, transfer_id=one.transfer_id,
        title=one.title, client_item_id=None, carrier_id=one.carrier_id, identity=IDENTITY,
    )  # fmt: skip


def test_a_package_that_cannot_be_read_or_says_otherwise() -> None:
    other = replace(_paper_of("J1_T2"), client=CLUB, title="Club secrets")
    _, texts, rules = written(F1, papers={"J1_T1": None, "J1_T2": other})
    assert "from our catalogue; the package itself could not be read" in " ".join(texts[ARCHIVE].split())
    assert "Digest:               (to be filled in)" in texts[ARCHIVE]
    assert "Evening of J1_T1" in texts[ARCHIVE]
    assert "J1_T2" not in texts[ARCHIVE] and "Club secrets" not in "".join(texts.values())
    assert rules["trace-notice-package-unread"] == ["J1_T1: There is no such package."]
    assert rules["trace-notice-package-differs"]


def test_two_houses_leave_the_sender_open() -> None:
    _, texts, rules = written(F1, papers={"J1_T1": replace(_paper_of("J1_T1"), organisation="Another House")})
    assert all("From:                 ____" in text for text in texts.values())
    assert rules["trace-notice-organisations"] == [
        f"The packages name several transfer organisations: Another House, {HOUSE}."
    ]


def test_our_copy_that_was_found_bad_is_told_with_care() -> None:
    text = " ".join(written(F1)[1][ARCHIVE].split())
    assert "Our copy" not in text  # nobody ever checked it


def test_a_board_of_the_register_is_told_as_not_in_the_record() -> None:
    _, texts, _ = written(what="BOARD-7", by=REGISTER)
    text = " ".join(texts[MUSEUM].split())
    assert "About: BOARD-7 (digital output board)" in text
    assert "by our register of today, it was in DEC-2 (your record does not say so)" in text
    assert "by our register of today, it may have been in DEC-2" in text
    assert "from 2031-05-01 on, when the equipment was last known to be good; no end is known." in text
    assert "Ilse" not in text  # who found it is not for the client


HOSTILE = (
    "../../etc/passwd",
    "A/B",
    "A\\B",
    "a/b",
    "CON",
    "\x1b[31mRed",
    "名前",
    "x" * 300,
    "Archive.",
    "archive",
    ".",
)


def test_hostile_names_of_clients_make_distinct_plain_files(tmp_path: Path) -> None:
    packages = [
        package(f"J9_T{n}", client, [(1, None, None, {"deck": "DECK-1"})]) for n, client in enumerate(HOSTILE)
    ]
    result, _, _ = written(F1, packages=packages)
    names = letter_names(result)
    assert len({n.casefold() for n in names.values()}) == len(names) == len(HOSTILE)
    assert all(re.fullmatch(r"[a-z0-9_.-]{1,100}\.txt", name) for name in names.values())
    place = LetterFolder(folder=tmp_path / "out", disk=RealDisk(), mark="m")
    place.refuse(names.values())
    done = place.write([Draft(client=c, name=n, text=f"for {n}\n") for c, n in names.items()])
    assert {Path(w.path).read_text() for w in done} == {f"for {n}\n" for n in names.values()}
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == sorted(names.values())


def test_hostile_texts_cannot_write_lines_of_their_own() -> None:
    one = package(
        "J1_T1", ARCHIVE, [(1, None, None, {"deck": "DECK-1"})], title="A\nFrom: somebody\u202e\x1b[2J"
    )
    _, texts, _ = written(replace(F1, what="x\r\nTo: you\x07"), packages=(one,))
    assert "\nFrom: somebody" not in texts[ARCHIVE] and "\nTo: you" not in texts[ARCHIVE]
    assert all(c == "\n" or c.isprintable() for c in texts[ARCHIVE])


def test_nothing_is_written_over_nor_into_a_package(tmp_path: Path) -> None:
    place = LetterFolder(folder=tmp_path, disk=RealDisk(), mark="m")
    (tmp_path / "b.txt").write_text("mine")
    with pytest.raises(DestinationProblem) as caught:
        place.refuse(["a.txt", "b.txt"])
    assert caught.value.exit_code == 14
    with pytest.raises(DestinationProblem):
        place.write([Draft(client="c", name="b.txt", text="other")])
    assert (tmp_path / "b.txt").read_text() == "mine"
    assert [p.name for p in tmp_path.iterdir()] == ["b.txt"]
    (tmp_path / "bagit.txt").write_text("")
    for folder in (tmp_path, tmp_path / "new"):
        with pytest.raises(DestinationProblem):
            LetterFolder(folder=folder, disk=RealDisk(), mark="m").refuse(["c.txt"])
    with pytest.raises(DestinationProblem):
        LetterFolder(folder=tmp_path / "no" / "where", disk=RealDisk(), mark="m").refuse(["c.txt"])


def test_whatever_stops_the_writing_every_notice_that_stands_is_whole(tmp_path: Path) -> None:
    drafts = [Draft(client=c, name=f"{c}.txt", text=f"to {c}\n" * 500) for c in ("a", "b", "c")]
    meter = Meter()
    place = LetterFolder(folder=tmp_path / "all", disk=MeteredDisk(RealDisk(), meter), mark="m")
    assert len(place.write(drafts)) == 3
    assert meter.count > 12
    for error in (None, OSError(errno.ENOSPC, "full")):
        for stop in range(1, meter.count + 1):
            folder = tmp_path / f"{'full' if error else 'cut'}-{stop}"
            disk = MeteredDisk(RealDisk(), Meter(stop_at=stop, error=error))
            with pytest.raises((PowerCut, EnvironmentProblem)):
                LetterFolder(folder=folder, disk=disk, mark="m").write(drafts)
            there = sorted(folder.iterdir()) if folder.exists() else []
            whole = {p.name: p.read_text() for p in there if not p.name.startswith(".partial-")}
            assert whole.items() <= {d.name: d.text for d in drafts}.items()
            if error is not None:
                assert len(whole) == len(there)  # a full disk leaves nothing half written behind
                assert there or not folder.exists(), "nor an empty folder"
