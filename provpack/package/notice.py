"""The notice to one client: equipment that took part in their transfers was found to be in doubt.

Plain text for a person who has packages and no technical training. It says "may have", never that anything
was harmed; it names nothing and nobody but this client's own things. The studio reads it, fills in the blank
lines by hand, and sends it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from provpack.package.figures import listed, moment_words
from provpack.package.noticewords import ROLES, WHY, is_playing, window_words
from provpack.package.readfirst import Page
from provpack.package.readfirst_words import ORIGINAL_CARRIER, PERSONAL_DATA, one_line

BLANK: Final = "_" * 70
Word = Literal["covered", "cannot_be_told", "not_covered"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One fault notice, as this client may read it. words: None = left out, to be written by hand.
    contradicts: its times contradict each other."""

    name: str
    words: str | None
    since: str | None = None
    last_good: str | None = None
    until: str | None = None
    noted_at: str | None = None
    cleared_at: str | None = None
    contradicts: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Playing:
    """One pass, or other work on the item, which has no number. through: what the record names, when only the
    studio's register of today tells that the equipment was in it; sure: whether it tells so of this pass.
    words: one (verdict, why) for each notice."""

    n: int | None
    started_at: str | None
    stopped_at: str | None
    through: str | None = None
    sure: bool = True
    words: tuple[tuple[Word, str | None], ...] = ()
    roles: tuple[str, ...] = ()

    @property
    def playing(self) -> bool:
        return is_playing(self.n, self.roles)


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One transfer of this client, however many copies of it there are. identities: SHA-512 of
    tagmanifest-sha512.txt, hex, of each form in which it was sealed; none = not read. read: whether a copy
    was read for this notice; gone: no copy is where it was. listen: where to listen, from its record."""

    package: str
    title: str | None = None
    client_item_id: str | None = None
    carrier_id: str | None = None
    identities: tuple[str, ...] = ()
    read: bool = True
    gone: bool = False
    listen: tuple[str, ...] = ()
    last_outcome: str | None = None
    last_checked_at: str | None = None
    passes: tuple[Playing, ...] = ()

    def word(self, live: Sequence[int]) -> Word:
        """The gravest word of the notices counted (from 0) in live."""
        found = {p.words[n][0] for p in self.passes for n in live}
        order: tuple[Word, ...] = ("covered", "cannot_be_told")
        return next((word for word in order if word in found), "not_covered")


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """Everything that stands in one notice. day: YYYY-MM-DD. organisation: None = to be filled in. person:
    it is about a person. since, until: only work in that time is listed."""

    client: str
    organisation: str | None
    day: str
    equipment: str
    roles: tuple[str, ...]
    notices: tuple[Said, ...]
    items: tuple[Item, ...]
    person: bool = False
    since: str | None = None
    until: str | None = None

    @property
    def live(self) -> tuple[int, ...]:
        """Notices that are not cleared, counted from 0."""
        return tuple(n for n, notice in enumerate(self.notices) if notice.cleared_at is None)

    @property
    def window(self) -> str:
        return window_words(self.since, self.until)


def build_notice(letter: Letter) -> str:
    """The text: UTF-8 when written, lines ended by LF, at most 78 characters save for digests and names."""
    page = Page()
    what = "SOMEBODY WHO" if letter.person else "EQUIPMENT THAT"
    title = f"NOTICE ABOUT {what} TOOK PART IN YOUR TRANSFERS"
    page.say(title)
    page.say("=" * len(title))
    page.fact("To", letter.client)
    page.fact("From", letter.organisation or BLANK[:40])
    page.fact("Date", letter.day)
    page.fact("About", _about(letter))
    page.gap()
    _why(page, letter)
    _partly(page, letter)
    _found(page, letter)
    _items(page, letter)
    _known(page, letter)
    _packages(page)
    _proposal(page, letter)
    _to_do(page, letter)
    page.heading("Cautions")
    page.point(PERSONAL_DATA)
    page.point(ORIGINAL_CARRIER)
    page.heading("Who to ask")
    page.say("Please name the package and the date of this notice.")
    for _ in range(2):
        page.say(BLANK)
    return page.text()


def _about(letter: Letter) -> str:
    roles = [ROLES.get(role, role) for role in letter.roles]
    return (
        f"{one_line(letter.equipment, 120)} ({listed(roles)})" if roles else one_line(letter.equipment, 120)
    )


def _why(page: Page, letter: Letter) -> None:
    what = "the work of somebody who" if letter.person else "equipment that"
    if letter.live:
        page.say(
            f"Something was noted about {what} took part in transfers made for you. It may have had an "
            "effect on some of them, and it may have had none. This notice says what is known and what is "
            "not."
        )
        return
    page.say("This notice is for your information only.")
    if letter.notices:
        page.say(
            f"Something was noted about {what} took part in transfers made for you, and it was found since "
            "to have done no harm. You need not do anything."
        )
    elif letter.person:
        page.say(
            "Below are the transfers in which the person named above took part, as their records tell. It "
            "says nothing against anybody's work. You need not do anything."
        )
    else:
        page.say(
            "We know of no fault of the equipment named above. Below are the transfers in which it took "
            "part. You need not do anything."
        )


def _partly(page: Page, letter: Letter) -> None:
    """Say so when not everything is listed: nobody may take a part for the whole."""
    if letter.window:
        page.gap()
        page.say(
            f"This notice lists only what was done {letter.window}. Other transfers of yours may be "
            "concerned that are not listed here; please ask us about them."
        )


def _found(page: Page, letter: Letter) -> None:
    if not letter.notices:
        return
    page.heading("What was found")
    for notice in letter.notices:
        name = one_line(notice.name, 120)
        if notice.words is None:
            page.point(f"{name}: (to be written here by hand)")
            for _ in range(2):
                page.say(BLANK, "  ")
        else:
            page.point(f"{name}: {one_line(notice.words, 1000) or 'what was found was not written down.'}")
        page.say(_times(notice, letter), "  ")


def _times(notice: Said, letter: Letter) -> str:
    parts = []
    if notice.since is not None:
        parts.append(f"It may have had an effect from {_day(notice.since)} on")
    elif notice.last_good is not None:
        good = _day(notice.last_good)
        parts.append(
            f"It may have had an effect from {good} on, when {_subject(letter)} was last known to be good"
        )
    else:
        parts.append("From when it may have had an effect is not known")
    if notice.until is not None:
        parts.append(f", until {_day(notice.until)}.")
    elif notice.cleared_at is None:
        parts.append("; no end is known.")
    else:
        parts.append(".")
    if notice.contradicts:
        parts.append(" These times contradict each other, so they do not tell what is concerned.")
    if notice.noted_at is not None:
        parts.append(f" It was noted on {_day(notice.noted_at)}.")
    if notice.cleared_at is not None:
        day = _day(notice.cleared_at)
        parts.append(f" On {day} the notice was cleared: no harm was found.")
    return "".join(parts)


def _day(moment: str) -> str:
    return moment_words(one_line(moment, 40))


def _items(page: Page, letter: Letter) -> None:
    groups: tuple[tuple[Word, str], ...] = (
        ("covered", "Transfers that may be concerned"),
        ("cannot_be_told", "Transfers for which it cannot be told"),
        ("not_covered", "Transfers made at other times, which are not concerned"),
    )
    if not letter.live:
        who = _subject(letter) if letter.person else "it"
        groups = (("not_covered", f"Your transfers in which {who} took part"),)
    for word, title in groups:
        found = [item for item in letter.items if item.word(letter.live) == word]
        if found:
            page.heading(f"{title} ({len(found)}{', ' + letter.window if letter.window else ''})")
            for item in found:
                _item(page, item, letter)
    if letter.live and all(item.word(letter.live) == "not_covered" for item in letter.items):
        page.gap()
        page.say("None of the transfers named here was made in that time, as far as times were noted.")


def _item(page: Page, item: Item, letter: Letter) -> None:
    page.gap()
    page.fact("Title", item.title or "(not noted)")
    page.fact("Item", item.client_item_id)
    page.fact("Carrier", item.carrier_id)
    page.fact("Package", item.package)
    if not item.identities:
        page.fact("Digest", "(to be filled in)")
    elif len(item.identities) == 1:
        page.fact("Digest", "this number names the package (how to compare it stands below):")
    else:
        page.fact("Digest", "one of these numbers names your package (how to compare it stands below):")
    page.ready([f"    {identity}" for identity in item.identities])
    for one in item.passes:
        page.fact("Played" if one.playing else "Worked on", _played(one))
        for n in letter.live:
            verdict, why = one.words[n]
            name = one_line(letter.notices[n].name, 60)
            page.fact(f"  {name}"[:21], _word(verdict, why, one.playing))
    if not item.read:
        page.fact("Note", "from our catalogue; the package itself could not be read for this notice.")
    if item.gone and not item.read:
        page.fact("Our copy", "is not where it was, so we vouch for nothing about it; please keep yours")
    elif not item.read:
        page.fact("Our copy", "could not be read, so we vouch for nothing about it; please keep yours")
    elif item.last_outcome is not None:
        page.fact("Our copy", _checked(item))


def _played(one: Playing) -> str:
    roles = [ROLES.get(role, role) for role in one.roles]
    said = f"pass {one.n}, " if one.n is not None else "" if one.playing else f"{listed(roles)}, "
    if one.started_at is None and one.stopped_at is None:
        said += "nobody noted when"
    else:
        said += f"{_utc(one.started_at)} to {_utc(one.stopped_at)} UTC"
    if one.through is not None:
        was = "was" if one.sure else "may have been"
        machine = one_line(one.through, 80)
        said += f"; by our register of today, it {was} in {machine} (your record does not say so)"
    return said


def _utc(moment: str | None) -> str:
    return one_line(moment, 40).removesuffix("Z").replace("T", " ") if moment else "(not noted)"


def _word(verdict: Word, why: str | None, playing: bool) -> str:
    done = "played" if playing else "worked on"
    if verdict == "covered":
        return f"{done} in that time: it may have had an effect"
    if verdict == "not_covered":
        return f"{done} at another time"
    return f"cannot be told: {WHY.get(why or '', 'what was noted does not tell')}"


def _checked(item: Item) -> str:
    day = (item.last_checked_at or "")[:10] or "a day that is not known"
    if item.last_outcome == "good":
        return f"last checked on {day}, and found as it was sealed"
    return f"did not pass its last check on {day}; please check yours, it may be the good one"


def _known(page: Page, letter: Letter) -> None:
    page.heading("What is known, and what is not")
    by_way = any(p.through is not None for item in letter.items for p in item.passes)
    page.point(
        f"Known: that {_subject(letter)} took part in what is listed, and when that was, as far as somebody "
        "noted it. That stands in the records in your packages"
        + (", save where it says that only our register tells so; that is less sure." if by_way else ".")
    )
    if any(not item.read for item in letter.items):
        page.point(
            "Not proven: what is told of packages that could not be read for this notice. It comes from our "
            "catalogue; your own copy tells what is right."
        )
    if letter.window:
        page.point(f"Not looked at: everything that was not done {letter.window}.")
    if letter.live:
        page.point(
            "Not known: whether it had any effect on the sound of these transfers. To have been made in that "
            "time is no proof of damage, and to sound well is no proof of the contrary."
        )
        page.point(
            "Other causes are not ruled out: an old tape can carry the same kind of fault from the day it "
            "was recorded."
        )


def _subject(letter: Letter) -> str:
    return "the person named above" if letter.person else "the equipment"


def _packages(page: Page) -> None:
    page.heading("Your packages")
    page.say(
        "Because of this, nothing was changed in any package. They remain valid as evidence of what was "
        "received and how it was read: a sealed record is never edited, and anybody can check it by its "
        "digests at any time. Should a transfer be made again, or a finding be added, you receive a new "
        "package that names the old one; please keep both."
    )
    page.say("To check one, open a terminal in its folder. Each line must say OK:")
    page.command("sha512sum -c tagmanifest-sha512.txt manifest-sha512.txt")
    page.say("And to see that it is the package named above, this must print the digest given there:")
    page.command("sha512sum tagmanifest-sha512.txt")
    page.say("(On macOS write shasum -a 512 for sha512sum. Where provpack is installed: provpack verify .)")


def _proposal(page: Page, letter: Letter) -> None:
    if not letter.live:
        return
    page.heading("What we propose (filled in by hand)")
    for _ in range(4):
        page.say(BLANK)
        page.gap()


def _to_do(page: Page, letter: Letter) -> None:
    if not letter.live:
        return
    page.heading("What you can do")
    page.point(
        "Keep the original carriers. Do not discard, wipe or give them away: they can be played again."
    )
    page.point("Keep every copy of the packages, and check them as shown above.")
    page.point(
        "Listen to the transfers that may be concerned, at the beginning, in the middle and at the end, and "
        "write down the time in the file at which something seems wrong."
    )
    for item in letter.items:
        if item.word(letter.live) != "not_covered" and item.listen:
            page.point(f"In {one_line(item.package, 100)}, from its own record:")
            for place in item.listen:
                page.say(one_line(place, 400), "    ")
    page.point("If you have used a transfer elsewhere, note where, so that it can be replaced if need be.")
