"""What packages say of each other: moved ones, copies, superseded ones; by adding and by rebuilding."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from provpack.catalogue.opening import Catalogue
from provpack.catalogue.values import Check, Ledger, Package, Raised, Sealed

ONE, TWO = "1a" * 64, "2b" * 64
AT = "2030-01-01T00:00:00Z"
Put = Callable[..., None]


@pytest.fixture(params=["add", "rebuild"])
def put(request: pytest.FixtureRequest, catalogue: Catalogue) -> Put:
    """Writes values into the catalogue: one after the other, or all at once into a new one."""

    def write(*values: Package | Ledger) -> None:
        if request.param == "rebuild":
            catalogue.forget_everything()
            _write(catalogue, values)
        else:
            for value in values:
                _write(catalogue, (value,))

    return write


def _write(catalogue: Catalogue, values: tuple[Package | Ledger, ...]) -> None:
    with catalogue.writing() as writer:
        for value in values:
            if isinstance(value, Package):
                writer.package(value)
            else:
                writer.ledger(value)


def made(place: str, **more: Any) -> Package:
    folder, _, name = place.rpartition("/")
    told: dict[str, Any] = {
        "ours": True, "identity": ONE, "record_version": "1.3.0", "record_id": "record-1",
        "outcome": "complete",
        "audio_sha256": "ab" * 32, "tape_emphasis": "off", "file_emphasis": "absent", "rights_basis": "owner",
        "check_age_days": 1,
    }  # fmt: skip
    told |= more
    return Package(place=place, name=name, stamp="1", ledger=f"{folder}/custody-ledger.jsonl", **told)


def ledger(folder: str, *outcomes: str, name: str = "x", identity: str = ONE) -> Ledger:
    """One that tells of a package sealed beside it, and of checks on 1, 2, ... January 2030."""
    return Ledger(
        path=f"{folder}/custody-ledger.jsonl",
        lines=len(outcomes) + 1,
        head="h",
        size=9,
        sealed=(Sealed(package=name, line=1, at=AT, identity=identity),),
        checks=tuple(
            Check(
                line=n + 1, at=f"2030-01-0{n}T00:00:00Z", package=name, outcome=outcome, depth="bytes",
                identity=identity,
            )
            for n, outcome in enumerate(outcomes, 1)
        ),
    )  # fmt: skip


def places(answer: Any) -> list[str]:
    assert answer.total == len(answer.first)
    return sorted(one.place for one in answer.first)


def test_a_moved_package_keeps_its_checks(catalogue: Catalogue, put: Put) -> None:
    """Another folder, another name: the lines with its identity are about it."""
    put(ledger("/a", "good", "bad"), made("/b/y"))
    ask = catalogue.ask
    assert places(ask.once_bad(0)) == places(ask.last_not_good(0)) == ["/b/y"]
    (one,) = ask.to_verify(None, None)
    assert (one.checks, one.last_checked_at, one.last_outcome) == (2, "2030-01-02T00:00:00Z", "bad")


def test_moved_while_the_catalogue_looked_elsewhere(catalogue: Catalogue) -> None:
    _write(catalogue, (made("/a/x"), ledger("/a", "bad")))
    _write(catalogue, (made("/b/x"),))
    assert places(catalogue.ask.last_not_good(0)) == ["/a/x"]
    assert places(catalogue.ask.once_bad(0)) == ["/a/x", "/b/x"]
    with catalogue.writing() as writer:
        writer.gone("/a", set())
    assert places(catalogue.ask.last_not_good(0)) == places(catalogue.ask.once_bad(0)) == ["/b/x"]
    _write(catalogue, (made("/a/x"),))
    assert places(catalogue.ask.last_not_good(0)) == ["/a/x"]


def test_a_second_copy_inherits_no_good_check(catalogue: Catalogue, put: Put) -> None:
    put(made("/a/x"), ledger("/a", "good"), made("/b/x"))
    assert places(catalogue.ask.not_checked_since("2031-01-01", 0)) == ["/a/x", "/b/x"]
    assert places(catalogue.ask.not_checked_since("2029-01-01", 0)) == ["/b/x"]


def test_a_second_copy_of_a_bad_one_is_watched(catalogue: Catalogue, put: Put) -> None:
    """It may have been copied after the damage; nobody says, though, that the check found this one bad."""
    put(made("/a/x"), ledger("/a", "bad"), made("/b/x"))
    assert places(catalogue.ask.once_bad(0)) == ["/a/x", "/b/x"]
    assert places(catalogue.ask.last_not_good(0)) == ["/a/x"]


def test_what_was_sealed_is_known_wherever_it_lies(catalogue: Catalogue, put: Put) -> None:
    put(ledger("/a"), made("/b/renamed"), ledger("/c", identity=TWO))
    assert [where for where, _ in catalogue.ask.sealed_but_unknown(0)] == ["/c/custody-ledger.jsonl"]


def test_what_went_is_nowhere_after_adding_as_after_rebuilding(catalogue: Catalogue) -> None:
    def lost() -> int:
        return len(catalogue.ask.sealed_but_unknown(0))

    _write(catalogue, (made("/a/x"), ledger("/a")))
    with catalogue.writing() as writer:
        writer.gone("/a", set())
    assert (lost(), catalogue.ask.gone(0).total) == (1, 1)
    _write(catalogue, (made("/b/x"),))
    assert lost() == 0
    _write(catalogue, (made("/b/x", identity=TWO),))
    assert lost() == 1
    with catalogue.writing() as writer:
        writer.gone("/a", {"/a/x"})
    assert lost() == 0
    catalogue.forget_everything()
    _write(catalogue, (ledger("/a"),))
    assert lost() == 1


@pytest.mark.parametrize("told", [ONE, ONE.upper(), "record-1"])
def test_a_newer_package_answers_for_the_old(catalogue: Catalogue, put: Put, told: str) -> None:
    gaps: dict[str, Any] = {
        "tape_emphasis": "unknown", "rights_basis": "unknown", "check_age_days": None,
        "raised": (Raised(rule="r", severity="warning", what="Old.", where="/"),),
        "next_check_due": "2029-01-01",
    }  # fmt: skip
    old = made("/a/x", **gaps)
    put(old, ledger("/a", "bad"), made("/a/z", identity=TWO, record_id="record-2", supersedes=told))
    ask = catalogue.ask
    assert ask.rules_raised() == [] and places(ask.raising("r", 0)) == []
    assert not places(ask.emphasis_unknown(0)) + places(ask.rights_gaps("2030-01-01", 0))
    assert not places(ask.chain_check_old(30, 0))
    assert places(ask.once_bad(0)) == places(ask.last_not_good(0)) == ["/a/x"]
    assert ask.size()["packages"] == 2
    with catalogue.writing() as writer:
        writer.gone("/a/z", set())
    assert ask.rules_raised() == [("r", "warning", 1)] and places(ask.raising("r", 0)) == ["/a/x"]
    assert places(ask.emphasis_unknown(0)) == places(ask.rights_gaps("2030-01-01", 0)) == ["/a/x"]


def test_one_that_supersedes_itself_answers(catalogue: Catalogue, put: Put) -> None:
    put(made("/a/x", tape_emphasis="unknown", supersedes="record-1"), made("/b/x", supersedes="record-1"))
    assert places(catalogue.ask.emphasis_unknown(0)) == ["/a/x"]


def test_a_transfer_counts_once(catalogue: Catalogue, put: Put) -> None:
    """Copies and deliveries share the record; the copy whose damage was measured tells for all."""
    played: dict[str, Any] = {"deck_id": "D", "duration_s": 3600.0}
    put(
        made("/a/x", **played),
        made("/b/x", **played, damage_events=7, damage_seconds=1.0),
        made("/c/x", **played, damage_events=7, damage_seconds=1.0, identity=TWO),
        made("/d/x", **played, record_id=None),
        made("/e/x", **played, record_id=None),
    )
    (trend,) = catalogue.ask.trends("deck")
    assert (trend.transfers, trend.unmeasured, trend.damage_events, trend.hours) == (2, 1, 7, 1.0)
    with catalogue.writing() as writer:
        writer.gone("/b", set())
        writer.gone("/c", set())
    (trend,) = catalogue.ask.trends("deck")
    assert (trend.transfers, trend.unmeasured, trend.damage_events) == (2, 2, 0)


def test_nobody_asks_a_transfer_without_sound_for_its_emphasis(catalogue: Catalogue, put: Put) -> None:
    silent = made("/a/x", outcome="no_pcm_found", audio_sha256=None, tape_emphasis=None, deck_id="D")
    put(silent, made("/a/y", outcome=None, audio_sha256=None, tape_emphasis=None, record_id="record-2"))
    assert places(catalogue.ask.emphasis_unknown(0)) == ["/a/y"]
    assert catalogue.ask.trends("deck") == []


def test_nobody_asks_a_record_that_could_not_be_read(catalogue: Catalogue, put: Put) -> None:
    nothing = dict.fromkeys(
        ("record_version", "record_id", "outcome", "audio_sha256", "tape_emphasis", "file_emphasis",
         "rights_basis", "check_age_days")
    )  # fmt: skip
    put(made("/a/x", **nothing, problem="It cannot be read."))
    ask = catalogue.ask
    assert places(ask.not_read(0)) == ["/a/x"]
    for answer in (ask.emphasis_unknown(0), ask.rights_gaps("2030-01-01", 0), ask.chain_check_old(30, 0)):
        assert places(answer) == []


def test_a_package_without_identity_keeps_its_once_bad_by_its_record(put: Put, catalogue: Catalogue) -> None:
    """Renamed, and its tag manifest taken away: what was sealed with its record was found bad."""
    told = ledger("/a", "bad", "good")
    told = replace(told, sealed=tuple(replace(one, record_id="record-1") for one in told.sealed))
    bare = made("/a/foo", identity=None)
    put(bare, made("/a/other", identity=None, record_id="record-2"), told)
    assert places(catalogue.ask.once_bad(0)) == ["/a/foo"]
    assert places(catalogue.ask.last_not_good(0)) == []
    put(bare, replace(told, head="i", checks=told.checks[1:]))
    assert places(catalogue.ask.once_bad(0)) == []
