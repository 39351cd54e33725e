"""The page about damage: what it says, that nothing from outside gets into it unescaped, and how a browser
lays it out (WCAG 2.2: 1.4.10 reflow at 360 px, 1.4.3 contrast, 2.4.7 focus, as tests/support/browser.py)."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction

import pytest
from support.browser import chromium, darkened, measure
from support.pages import check_structure, words_of

from provpack.jobs.secondcopy import SecondCopy
from provpack.jobs.verified import UnitResult, VerifyResult
from provpack.package import rules
from provpack.package.bagblocks import BlockDigests, Damage, ranges
from provpack.package.bagcheck import Outcome
from provpack.report.damage_page import damage_page

RATE = Fraction(44_100_000, 1001)
MASTER = "data/master/gtr-2031-07_t01.wav"
SECONDS = 4800
DIGESTS = BlockDigests(
    file=MASTER, file_bytes=0, audio_offset=0, audio_bytes=SECONDS * 44056 * 4, frame_bytes=4,
    frames=SECONDS * 44056, rate=RATE, block_frames=44056, audio_sha256="", head_sha256="", tail_sha256="",
    blocks=("",) * SECONDS,
)  # fmt: skip
BAD = [130, 131, 132, *range(900, 960), 2400, 2401, 2600, 2603, *range(4700, 4800)]
NASTY = "<script>alert(1)</script>&\u202e"


def result(damage: Damage, name: str = "gtr-2031-07_t01") -> VerifyResult:
    found = (
        rules.DIGEST_MISMATCH.found(f"{NASTY} differs.", "manifest", position={"path": "READ-ME-FIRST.txt"}),
        rules.FILE_MISSING.found("It is gone.", "x", position={"path": f"data/documents/{NASTY}.txt"}),
    )

    def unit(path: str, outcome: Outcome, **more: object) -> UnitResult:
        return UnitResult(
            path=path, path_base64=None, outcome=outcome, depth="bytes", started_at="2031-05-04T10:00:00Z",
            finished_at="2031-05-04T10:10:00Z", name=path.rpartition("/")[2], **more,  # type: ignore[arg-type]
        )  # fmt: skip

    return VerifyResult(
        depth="bytes",
        started_at="2031-05-04T10:00:00+02:00",
        finished_at="2031-05-04T10:30:00+02:00",
        units=(
            unit(f"/archive/{name}", "bad", findings=found, damage=(damage,), identity="ab" * 64),
            unit("/archive/gtr-2031-07_t02", "good"),
            unit("/archive/gtr-2031-07_t03", "could_not_check"),
            unit("/archive/gtr-2031-07_t04", "good"),
        ),
    )


def hurt(**more: object) -> Damage:
    values: dict[str, object] = {
        "path": MASTER, "extent": "length", "ranges": ranges(DIGESTS, BAD), "bad_blocks": len(BAD),
        "blocks": SECONDS, "size_change": -17_622_400, "lost_frames": 100 * 44056,
        "frames": DIGESTS.frames, "rate": RATE,
    }  # fmt: skip
    return Damage(**{**values, **more})  # type: ignore[arg-type]


SECOND = SecondCopy(
    state="damaged", path="/second/gtr-2031-07_t01", healable="no", command="provpack heal A B --to healed",
    good_there=("READ-ME-FIRST.txt",), blocks_there=ranges(DIGESTS, sorted({*BAD} - {131, 2400, 2401})),
    lost=({"path": MASTER},),
)  # fmt: skip


def full() -> str:
    return damage_page(result(hurt()), {"/archive/gtr-2031-07_t01": SECOND})


def test_it_says_where_the_damage_is_and_what_the_second_copy_has() -> None:
    page = full()
    assert page.count('<svg class="picture"') == 1
    # block n begins at frame n * 44056, time n * 44056 * 1001 / 44100000 s: 130 -> 130.00016 s
    assert "0:02:10.000" in page and "5727280 to 5859447" in page and "130 to 132" in page
    assert "good there" in page and "2 of 3 blocks good there" in page and "damaged there, too" in page
    assert "2 packages are good" in page and "1 package is damaged" in page
    assert "gtr-2031-07_t02" not in page
    assert "The last 4405600 frames are gone" in page
    assert "provpack heal A B --to healed" in page
    assert "could not be checked" in words_of(check_structure(page))


def test_a_damaged_stretch_is_drawn_where_it_is() -> None:
    page = full()
    drawn = re.findall(r'<rect class="hurt hurt-(\w+)" x="([\d.]+)%" y="[\d.]+" width="([\d.]+)%"', page)
    first = next((look, float(x), float(w)) for look, x, w in drawn)
    assert first[0] == "damaged" and first[1] == pytest.approx(100 * 130 / SECONDS, abs=0.001)
    assert first[2] == pytest.approx(100 * 3 / SECONDS, abs=0.001)
    looks = [d[0] for d in drawn]
    assert looks.count("gone") == 1 and looks.count("damaged") == 5
    # second lane: 130 and 132 good around 131, then 900-959, none of 2400-2401, 2600, 2603, 4700-4799
    assert looks[6:] == ["there", "lost", "there", "there", "lost", "there", "there", "there"]
    one = damage_page(result(hurt(ranges=ranges(DIGESTS, [7]), lost_frames=0)))
    (width,) = re.findall(r'hurt-damaged" x="[\d.]+%" y="[\d.]+" width="([\d.]+)%"', one)
    assert float(width) >= 0.05, "a second in hours is still seen"


def test_nothing_from_outside_is_markup() -> None:
    page = damage_page(result(hurt(path=f"data/{NASTY}.wav"), name=NASTY), {f"/archive/{NASTY}": SECOND})
    assert "<script" not in page and "&lt;script&gt;" in page and "Content-Security-Policy" in page
    assert not re.search(r"(?:src|href)=\"(?!#)", page), "it loads nothing"


@pytest.mark.parametrize("extent", ["unknown", "around"])
def test_damage_without_ranges_needs_no_picture(extent: str) -> None:
    page = damage_page(
        result(hurt(extent=extent, ranges=(), bad_blocks=0, lost_frames=0, size_change=0, head_changed=True))
    )
    assert '<svg class="picture"' not in page
    assert ("No block of the audio was found" in page) == (extent == "unknown")
    assert ("The audio is intact" in page) == (extent == "around")


def test_thousands_of_stretches_stay_bounded() -> None:
    page = damage_page(result(hurt(ranges=ranges(DIGESTS, range(0, SECONDS, 2)), lost_frames=0)))
    assert page.count('class="hurt hurt-damaged" x=') == 1500 and "2100 more are in" in page
    assert len(page) < 1_500_000


def test_in_a_browser(tmp_path_factory: pytest.TempPathFactory) -> None:
    chromium()
    page = full()
    cases = {"360": (page, 360), "1280": (page, 1280), "dark": (darkened(page), 800)}
    for name, one in measure(tmp_path_factory.mktemp("frames"), cases).items():
        assert one["page"] <= one["width"] and one["outside"] == [], f"{name}: {one['outside'][:5]}"
        assert one["over"] == [] and one["faint"] == [] and one["small"] == [], (name, one["faint"][:5])
        for place in one["focus"]:
            assert place["got"] and place["thick"] >= 2 and place["shown"], (name, place)


def test_what_is_damaged_comes_first() -> None:
    """Also before good packages about which there is something to say, and before those not checked."""
    found = rules.FILE_MISSING.found("There is none.", "x")
    given = result(hurt())
    warned = SecondCopy(state="missing", healable="not_needed", findings=(found,))
    bad, good, unchecked, _ = given.units
    units = (good, unchecked, bad)
    page = damage_page(replace(given, units=units), {good.path: warned})
    at = [page.index(f'<h2 id="u-{n}-h">') for n in (1, 2, 3)]
    names = [re.sub("<[^>]+>", "", page[one : one + 300]) for one in at]
    assert all(u.name and u.name in text for u, text in zip((bad, unchecked, good), names, strict=True))
    assert "1 package is good: " in page


def test_no_good_package_is_said_so() -> None:
    given = result(hurt())
    page = damage_page(replace(given, units=given.units[:1]))
    assert "No package was found good." in page and "every byte" not in page and "0 packages" not in page


def units_of(*outcomes: Outcome) -> VerifyResult:
    given = result(hurt())
    return replace(given, units=tuple(replace(given.units[1], outcome=one) for one in outcomes))


GONE = rules.LEDGER_MISSING.found("It was sealed here.", "/archive/gtr-2031-07_t09")
UNTOLD = rules.LEDGER_UNTOLD.found("Whether it is there cannot be told.", "/archive/gtr-2031-07_t10")
WARNED = rules.LEDGER_BROKEN.found("Line 3 was changed.", "/archive/custody-ledger.jsonl")


@pytest.mark.parametrize(
    ("found", "unread", "heading"),
    [
        (units_of("good", "good"), 0, "No damage was found"),
        (units_of("good"), 9, "No damage was found in 1 package; 9 others were not looked at"),
        (units_of("good", "good"), 1, "No damage was found in 2 packages; 1 other was not looked at"),
        (units_of(), 0, "Nothing was checked"),
        (units_of(), 9, "Nothing was checked; 9 packages were not looked at"),
        (units_of("bad", "good"), 0, "1 package is damaged"),
        (units_of("bad", "bad"), 3, "2 packages are damaged; 3 others were not looked at"),
        (units_of("missing"), 0, "1 package is not there"),
        (units_of("could_not_check"), 0, "1 could not be checked"),
        (
            units_of("good", "could_not_check", "missing", "bad"), 2,
            "1 package is damaged, 1 package is not there, 1 could not be checked; "
            "2 others were not looked at",
        ),
        (replace(units_of("good"), findings=(GONE,)), 0, "1 package is not there"),
        (replace(units_of("good"), findings=(UNTOLD, UNTOLD)), 0, "2 could not be checked"),
        (replace(units_of("missing"), findings=(GONE, UNTOLD)), 0,
         "2 packages are not there, 1 could not be checked"),
        (replace(units_of(), findings=(GONE,)), 4, "1 package is not there; 4 others were not looked at"),
        (replace(units_of("good"), findings=(WARNED,)), 0, "No damage was found"),
    ],
)  # fmt: skip
def test_the_heading_says_what_is_wrong_and_what_was_not_looked_at(
    found: VerifyResult, unread: int, heading: str
) -> None:
    page = damage_page(found, None, unread)
    assert f"<h1>{heading}</h1>" in page
    assert ("not looked at in this run, so this page says nothing" in page) == bool(unread)
