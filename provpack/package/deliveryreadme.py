"""READ-ME-FIRST.txt of a delivery: what has come, how to check it with stock tools, what to send back.

Commands stand on lines of their own, indented by four blanks and never wrapped; a test runs them literally.
PowerShell's Get-FileHash and Expand-Archive, and that tar is a part of Windows (since 10), are from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from provpack.package import deliverynote as places
from provpack.package.figures import counted, moment_words, size_words
from provpack.package.readfirst import Page
from provpack.package.readfirst_words import (
    COPYRIGHT,
    NOT_MATCHING,
    ORIGINAL_CARRIER,
    PERSONAL_DATA,
    one_line,
)
from provpack.package.signwords import moment_of, signature_steps
from provpack.package.sshsig import NAMESPACE_DELIVERY

Json = Mapping[str, Any]

THIS_IS_ONE = "This folder is one delivery"
"""How the text begins; no other READ-ME-FIRST.txt of ours says this."""
SIGNED_BY = f"{places.NOTE_SIGNATURE}, {places.SIGNERS}"
"""How the line about the signature begins; it stands there only when the delivery is signed."""
_UNPACK = {
    "tar": 'for a in packages/*.tar; do tar -xf "$a" -C "$HOME/{to}"; done',
    "zip": 'for a in packages/*.zip; do unzip -q "$a" -d "$HOME/{to}"; done',
}
_UNPACK_WINDOWS = {
    "tar": '  tar -xf $_.FullName -C "$HOME\\{to}"',
    "zip": '  Expand-Archive -LiteralPath $_.FullName -DestinationPath "$HOME\\{to}"',
}
_EACH = (
    'for p in */; do (cd "$p" && sha512sum --quiet -c tagmanifest-sha512.txt manifest-sha512.txt) '
    '&& echo "intact  $p" || echo "NOT AS SEALED  $p"; done'
)
_CARRIERS = (
    "Discs and drives: this medium ages too. Copy the folder to your own store, receive it there again, and "
    "keep at least two copies in different places."
)


def build_delivery_readme(note: Json) -> str:
    """The text for a delivery note: UTF-8, lines ended by LF, at most 78 characters except for commands."""
    page = Page()
    page.say("READ ME FIRST")
    page.say("=============")
    page.say(f"{THIS_IS_ONE}: the sound of old tapes or discs, and the records of how it was read.")
    page.gap()
    _what(page, note)
    _first_steps(page)
    _folders(page, note)
    _by_hand(page, note)
    _comfortably(page)
    signer = note["signer"]
    if signer:
        page.heading("How to check who made it")
        at = moment_of(note["made_by"]["at"])
        page.ready(
            signature_steps(
                signer["principal"],
                signer["fingerprint"],
                NAMESPACE_DELIVERY,
                signed=places.NOTE,
                sealed_at=at,
            )
        )
    _send_back(page, note)
    page.heading("If something does not match")
    page.say(NOT_MATCHING)
    page.heading("Cautions")
    for text in (PERSONAL_DATA, COPYRIGHT, ORIGINAL_CARRIER, _CARRIERS):
        page.point(text)
    page.heading("Who to ask")
    maker = one_line(note["from"]["contact"] or note["from"]["organisation"] or "whoever delivered this")
    page.say(f"{maker}. Name the delivery: {note['delivery_id']}.")
    return page.text()


def _what(page: Page, note: Json) -> None:
    totals = note["totals"]
    page.fact("Delivery", note["delivery_name"])
    page.fact("For", note["to"]["client"])
    page.fact("From", note["from"]["organisation"])
    page.fact("Ask", note["from"]["contact"])
    page.fact("Made on", moment_words(note["made_by"]["at"]))
    page.fact("Packages", totals["packages"])
    page.fact("Files in them", f"{totals['files']} ({size_words(totals['bytes'])})")
    if note["client_profile"]:
        page.fact("Checked against", note["client_profile"]["name"])
    page.fact("Note", note["note"])


def _first_steps(page: Page) -> None:
    page.heading("First steps")
    page.point("Open index.html in any web browser: it lists every package. It needs no network.")
    page.point("Copy this whole folder to your store, then check the copy (below).")
    page.point("Print delivery-note.html if you need it on paper; it has lines for signatures.")
    page.point(
        "Send a receipt back (below). Until it is confirmed, nobody should give away or "
        "wipe what is still in hand: originals, working copies, this delivery."
    )


def _folders(page: Page, note: Json) -> None:
    page.heading("What is in this folder")
    each = "one folder each" if note["form"] == "folder" else f"one .{note['form']} archive each"
    page.point(
        f"packages/  the packages, {each}. Every one is complete in itself and has its own READ-ME-FIRST.txt."
    )
    if note["form"] != "folder":
        page.point("reports/  the page about each package, to look at without unpacking.")
    page.point("index.html, delivery-note.html  what has come, to look at and to print.")
    page.point(
        "delivery-note.json  the same for programs. It names each package, and each page and paper beside "
        "them, by a digest (a long number)."
    )
    page.point("checksums-sha512.txt  digests of all these files.")
    if note["signer"]:
        page.point(f"{SIGNED_BY}  the signature of the note, and a list of its keys.")


def _by_hand(page: Page, note: Json) -> None:
    form = note["form"]
    page.heading("How to check that everything has come, unchanged")
    page.say(
        "With tools that every computer has. Open a terminal in this folder. Every line must say OK. "
        "Checking reads everything and changes nothing. Linux:"
    )
    page.command("sha512sum -c checksums-sha512.txt")
    page.say("(On macOS write shasum -a 512 for sha512sum, here and below. Windows, in PowerShell:)")
    page.command(
        "Get-Content checksums-sha512.txt | ForEach-Object {",
        "  $want, $name = $_ -split '\\s+', 2",
        "  $have = (Get-FileHash -Algorithm SHA512 -LiteralPath $name).Hash",
        '  if ($have -eq $want) { "OK      $name" } else { "CHANGED $name" }',
        "}",
    )
    if form == "folder":
        page.say(
            "Then every file inside the packages (Linux and macOS; on Windows follow READ-ME-FIRST.txt in "
            "each package). One line must come for each, and all must say intact:"
        )
        page.command(f"cd packages; {_EACH}; cd ..")
    else:
        to = f"unpacked-{note['delivery_name']}"
        page.say(
            "That covers the archives as a whole. To check every file inside them, unpack them into a new "
            "folder of your own; here it is named after the delivery:"
        )
        page.command(f'mkdir "$HOME/{to}"', _UNPACK[form].format(to=to))
        page.say("One line must come for each package, and all must say intact:")
        page.command(f'cd "$HOME/{to}"; {_EACH}; cd -')
        tool = "tar, which is part of Windows" if form == "tar" else "Expand-Archive"
        page.say(f"(To unpack on Windows, in PowerShell, with {tool}:)")
        page.command(
            f'New-Item -ItemType Directory "$HOME\\{to}"',
            f"Get-ChildItem packages\\*.{form} | ForEach-Object {{",
            _UNPACK_WINDOWS[form].format(to=to),
            "}",
        )
    page.say(
        f"There must be {counted(note['totals']['packages'], 'package')}. READ-ME-FIRST.txt in each says how "
        "to check a single one, and the sound alone."
    )


def _comfortably(page: Page) -> None:
    page.heading("The comfortable way")
    page.say(
        "Where the program provpack is installed, one command does all of it, compares with the delivery "
        "note and writes a receipt. It reads only; the receipt goes into the folder named after --to:"
    )
    page.command('provpack receive . --to "$HOME"')


def _send_back(page: Page, note: Json) -> None:
    page.heading("What to send back")
    page.say(
        f"The file receipt-{note['delivery_name']}.json that the command above writes (and the file with "
        ".sig at its end, if you sign), or the printed delivery note with your signature. Only then is the "
        "hand-over closed. Until that has happened on both sides, do not wipe or give away any original "
        "that you hold; the sender keeps the working copies."
    )
