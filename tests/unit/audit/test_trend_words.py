"""Trends in words and as a picture: the figures are those of the catalogue, and nothing is claimed beyond."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import pytest
from support.audits import trend, trends

from provpack.catalogue.values import Trend
from provpack.report.audit_trends import (
    hours_words,
    line_words,
    lines_of,
    month_name,
    month_number,
    rate_words,
)
from provpack.report.picture_parts import Picture
from provpack.report.trend_picture import LANES_MAX, trend_picture

SVG = "{http://www.w3.org/2000/svg}"


def picture(*of: Trend) -> Picture:
    made = trend_picture(lines_of(of), title="Damage per hour", prefix="t")
    assert made is not None
    return made


def drawn(made: Picture) -> ElementTree.Element:
    return ElementTree.fromstring(made.svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def texts(made: Picture) -> list[str]:
    return [element.text or "" for element in drawn(made).iter(f"{SVG}text")]


def bars(made: Picture, look: str) -> list[str]:
    """The d of every path of a look, one per bar."""
    out = []
    for element in drawn(made).iter(f"{SVG}path"):
        if element.get("class") == look:
            out += [part for part in (element.get("d") or "").split("M") if part]
    return out


def test_lines_sum_their_months_and_come_by_hours() -> None:
    lines = lines_of([trend("A", "2030-01", 2.0, 3), trend("B", "2030-01", 9.0, 0), trend("A", "", 1.0, 1)])
    assert [line.subject for line in lines] == ["B", "A"]
    assert (lines[1].hours, lines[1].events, lines[1].transfers) == (3.0, 4, 3)
    assert [t.month for t in lines[1].months] == ["2030-01"]
    assert lines[1].undated is not None and lines[1].undated.damage_events == 1


@pytest.mark.parametrize(
    ("amount", "hours", "said"),
    [(0, 0.0, "not measured"), (3, 0.0, "not measured"), (0, 2.0, "0"), (1, 4.0, "0.2"),
     (1, 900.0, "under 0.1"), (5, 0.01, "500"), (12345, 1.0, "12\u202f345")],
)  # fmt: skip
def test_a_rate_is_never_nought_for_what_is_not_none(amount: int, hours: float, said: str) -> None:
    assert rate_words(amount, hours) == said


def test_hours_are_said_as_people_do() -> None:
    assert [hours_words(h) for h in (0.0, 0.0001, 0.001, 100 / 3600, 0.5, 0.99999, 1.0, 18.26)] == [
        "none", "1 second", "4 seconds", "1 minute 40 seconds", "30 minutes", "1 hour", "1 hour",
        "18.3 hours",
    ]  # fmt: skip


def test_a_line_says_how_much_it_rests_on() -> None:
    of = [trend("A", "2030-01", 2.0, 3, transfers=5, unmeasured=4)]
    assert line_words(lines_of(of)[0]) == (
        "2 hours measured, 3 places of damage: 1.5 per hour, in 5 transfers (4 of them not measured)"
    )
    unmeasured = [trend("A", "2030-01", 0.0, 0, transfers=2, unmeasured=2)]
    assert line_words(lines_of(unmeasured)[0]) == "nothing measured, in 2 transfers"


@pytest.mark.parametrize(
    "month", ["", "2030", "2030-13", "2030-00", "203-01", "2030-1", "２０３０-01", "abcd-ef"]
)
def test_what_is_no_month_has_no_number(month: str) -> None:
    assert month_number(month) is None


def test_months_and_numbers_go_both_ways() -> None:
    assert [month_name(month_number(m) or 0) for m in ("2030-01", "2030-12", "1999-06")] == [
        "2030-01", "2030-12", "1999-06",
    ]  # fmt: skip


def test_a_bar_is_as_high_as_its_rate() -> None:
    # 10 per hour is the top of the scale (64 units high), 5 per hour is half of it: by arithmetic
    made = picture(
        trend("A", "2030-01", 2.0, 20), trend("A", "2030-03", 2.0, 10), trend("A", "2030-02", 4.0, 0)
    )
    full = bars(made, "bar")
    assert [bar.split("V")[1].split("h")[0] for bar in full] == ["0", "62", "32"]
    assert [bar.split()[0] for bar in full] == ["0.12", "1.12", "2.12"]
    assert "from 0 to 10 per hour" in made.words


def test_what_rests_on_little_is_hollow_and_does_not_set_the_scale() -> None:
    made = picture(trend("A", "2030-01", 2.0, 4), trend("A", "2030-02", 0.1, 90))
    assert len(bars(made, "bar")) == 1 and len(bars(made, "bar-little")) == 1
    assert "from 0 to 2 per hour" in made.words
    assert "↑" in texts(made)  # the hollow bar goes beyond the picture, and says so
    meanings = [sample.meaning for sample in made.key]
    assert "the same, from less than an hour: it says little" in meanings
    assert "higher than the picture (see the table)" in meanings


def test_a_month_without_measurement_is_no_month_without_damage() -> None:
    made = picture(trend("A", "2030-01", 2.0, 0), trend("A", "2030-02", 0.0, 0, transfers=1, unmeasured=1))
    assert len(bars(made, "bar")) == 1 and len(bars(made, "stub")) == 1
    assert [sample.meaning for sample in made.key] == [
        "measured, and no damage found", "transfers, none of them measured",
    ]  # fmt: skip


def test_a_mistyped_year_does_not_press_the_others_together() -> None:
    wrong = trend("A", "2930-01", 1.0, 1)
    made = picture(*(trend("A", f"2030-{n:02}", 5.0, n) for n in range(1, 13)), wrong)
    assert "from 2030-01 to 2030-12" in made.words and "1 month lies outside" in made.words
    assert len(bars(made, "bar")) == 12


def test_many_machines_are_cut_and_it_is_said() -> None:
    made = picture(*(trend(f"DECK-{n}", "2030-01", float(n + 1), n) for n in range(LANES_MAX + 3)))
    assert "3 more stand in the table only" in made.words
    assert sum(said.startswith("DECK-") for said in texts(made)) == LANES_MAX


def test_nothing_dated_makes_no_picture() -> None:
    assert trend_picture(lines_of([trend("A", "", 3.0, 1)]), title="x", prefix="x") is None
    assert trend_picture((), title="x", prefix="x") is None


def test_the_picture_has_a_text_alternative_with_every_lane() -> None:
    for kind, of in trends().items():
        made = picture(*of)
        root = drawn(made)
        told = root.find(f"{SVG}desc")
        assert root.get("role") == "img" and root.find(f"{SVG}title") is not None
        assert told is not None and told.text is not None, kind
        for line in lines_of(of):
            if line.months:
                assert f"{line.subject}: {line_words(line)}" in told.text


def test_a_hostile_name_stays_text() -> None:
    made = picture(trend('</text><script>alert(1)</script>\x1b\u202e"', "2030-01", 3.0, 1))
    assert "<script" not in made.svg and "\x1b" not in made.svg and "\u202e" not in made.svg
    assert any("<script>" in said for said in texts(made))
