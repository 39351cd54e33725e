"""READ-ME-FIRST.txt: what a package is and how to check it, for a registrar with nothing but stock tools.

Commands stand on lines of their own, indented by four blanks and never wrapped, so that they can be copied;
a test runs them literally. `sha512sum -c` checks a BagIt 1.0 manifest as it is because our file names need
no percent-encoding (RFC 8493, 2.1.3). PowerShell's Get-FileHash is from memory (part of Windows since 8.1).
"""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from provpack.package.figures import moment_words
from provpack.package.ownbag import SIGNATURE
from provpack.package.readfirst_words import (
    COPYRIGHT,
    NOT_MATCHING,
    ORIGINAL_CARRIER,
    Json,
    emphasis_words,
    one_line,
    outcome_words,
    personal_data_words,
    rate_words,
    restriction_words,
    section,
)
from provpack.package.signwords import moment_of, signature_steps
from provpack.package.sshsig import NAMESPACE_PACKAGE

FILE_NAME = "READ-ME-FIRST.txt"
WIDTH = 78

FOLDERS = (
    ("data/master/", "the sound exactly as it was read from the carrier. This is what to keep."),
    ("data/passes/", "other playings of the same carrier, kept for comparison."),
    ("data/derivatives/", "copies made from the master for listening. They can be made again."),
    ("data/documents/", "photographs, label scans, logs and papers."),
    ("data/metadata/", "the record of the transfer, for people and for catalogue software."),
    ("data/report/", "the same record as a page to read: open index.html in any web browser."),
)
ASSEMBLED = {
    "data/master/": "the sound, put together from several playings bit for bit, nothing mixed. "
    "Which stretch comes from which playing stands in the record. This is what to keep.",
    "data/passes/": "the playings it was put together from, each kept whole.",
}
# written into every package, though the record does not list what it cannot know the digest of
ALWAYS_THERE = ("data/metadata/", "data/report/")


class Page:
    """Lines of the page: wrapped paragraphs, headings, commands."""

    def __init__(self) -> None:
        self._lines: list[str] = []

    def gap(self) -> None:
        if self._lines and self._lines[-1]:
            self._lines.append("")

    def heading(self, text: str) -> None:
        self.gap()
        self._lines += [text, "-" * len(text)]

    def say(self, text: str, indent: str = "") -> None:
        if text:
            self._lines += textwrap.wrap(
                text,
                WIDTH,
                initial_indent=indent,
                subsequent_indent=indent,
                break_long_words=False,
                break_on_hyphens=False,
            )

    def point(self, text: str) -> None:
        self._lines += textwrap.wrap(
            text,
            WIDTH,
            initial_indent="- ",
            subsequent_indent="  ",
            break_long_words=False,
            break_on_hyphens=False,
        )

    def fact(self, label: str, value: object) -> None:
        if value not in (None, ""):
            self._lines += textwrap.wrap(
                one_line(value),
                WIDTH,
                initial_indent=f"{label + ':':<22}",
                subsequent_indent=" " * 22,
                break_on_hyphens=False,
            )

    def command(self, *lines: str) -> None:
        self.gap()
        self._lines += [*(f"    {line}" for line in lines), ""]

    def ready(self, lines: Iterable[str]) -> None:
        """Lines that are wrapped already."""
        self._lines += lines

    def text(self) -> str:
        return "\n".join(self._lines).strip("\n") + "\n"


def _what(page: Page, record: Json) -> None:
    item, carrier, people = section(record, "item"), section(record, "carrier"), section(record, "people")
    page.fact("Title", item.get("title"))
    page.fact("Item", item.get("client_item_id"))
    page.fact("Carrier", carrier.get("carrier_id"))
    page.fact("Made for", people.get("client"))
    page.fact("Made by", people.get("transfer_organisation"))
    page.fact("Job", record.get("job_id"))
    page.fact("Record", record.get("record_id"))
    page.fact("Packed on", moment_words(str(section(record, "made_by").get("at") or "")))
    page.fact("Result", outcome_words(record))


def _folders(page: Page, record: Json, paths: Iterable[str], manifests: Iterable[str], signed: bool) -> None:
    page.heading("What is in this folder")
    there = list(paths)
    joined = bool(section(record, "processing").get("assembly"))
    for folder, usual in FOLDERS:
        meaning = ASSEMBLED.get(folder, usual) if joined else usual
        if folder in ALWAYS_THERE or any(path.startswith(folder) for path in there):
            page.point(f"{folder}  {meaning}")
    # backwards, so that sha512 is first: it is the one the commands below use
    names = [f"manifest-{algorithm}.txt" for algorithm in sorted(set(manifests), reverse=True)]
    page.point(f"{', '.join(names)}  a digest (a long number) of every file under data.")
    page.point(f"{', '.join('tag' + name for name in names)}  the same for the files beside data.")
    if signed:
        page.point(
            f"{SIGNATURE}  the signature over tagmanifest-sha512.txt. Made last, it stands in no manifest."
        )
    page.point("bagit.txt, bag-info.txt  say that this is a BagIt 1.0 package (RFC 8493) and what it holds.")


def _whole_files(page: Page) -> None:
    page.heading("How to check that nothing has changed")
    page.say(
        "Open a terminal in this folder and type the command for your computer. Every line must say OK. "
        "Checking reads everything and changes nothing."
    )
    page.say("Linux:")
    page.command("sha512sum -c manifest-sha512.txt")
    page.say("macOS:")
    page.command("shasum -a 512 -c manifest-sha512.txt")
    page.say("Windows, in PowerShell:")
    page.command(
        "Get-Content manifest-sha512.txt | ForEach-Object {",
        "  $want, $name = $_ -split '\\s+', 2",
        "  $have = (Get-FileHash -Algorithm SHA512 -LiteralPath $name).Hash",
        '  if ($have -eq $want) { "OK      $name" } else { "CHANGED $name" }',
        "}",
    )
    page.say("Then the files beside data (READ-ME-FIRST.txt is one of them):")
    page.command("sha512sum -c tagmanifest-sha512.txt")
    page.say(
        "On macOS and Windows put tagmanifest-sha512.txt into the commands above. Last, these two numbers "
        "must be equal; if the second is larger, somebody has added a file. Linux and macOS:"
    )
    page.command("wc -l < manifest-sha512.txt", "find data -type f | wc -l")
    page.say("Windows, in PowerShell:")
    page.command(
        "@(Get-Content manifest-sha512.txt).Count", "@(Get-ChildItem data -Recurse -File -Force).Count"
    )


def _audio(page: Page, audio: Json) -> None:
    name, offset, size = (
        shlex.quote(str(audio["file"])),
        int(audio["audio_offset"]),
        int(audio["audio_bytes"]),
    )
    page.heading("How to check the sound alone")
    page.say(
        "If only the text inside the sound file was edited, the check above fails although the sound is "
        "intact. "
        f"The sound itself is {size} bytes long and begins after byte {offset} of the file. This command "
        "(Linux; on "
        "macOS write shasum -a 256 for sha256sum) computes the digest of the sound alone:"
    )
    page.command(f"tail -c +{offset + 1} {name} | head -c {size} | sha256sum")
    page.say("It must print:")
    page.command(str(audio["audio_sha256"]))
    step = int(audio["block_frames"]) * int(audio["frame_bytes"])
    blocks = audio.get("blocks") or ()
    if not blocks or step <= 0:
        return
    one = "is 1" if len(blocks) == 1 else f"are {len(blocks)}"
    page.say(
        "If it does not, data/metadata/block-digests.json tells which part is damaged. It holds the digest "
        "of each "
        f"piece of {step} bytes of sound ({audio['block_frames']} sample frames), in order, under the word "
        "blocks; there "
        f"{one}, and the last may be shorter. The first piece is number 0. Piece number N begins "
        f"after byte {offset} + N x {step}. For piece number 0:"
    )
    first = min(step, size)
    page.command(f"tail -c +{offset + 1} {name} | head -c {first} | sha256sum")
    page.say("must print:")
    page.command(str(blocks[0]))
    page.say(
        "Two copies with damage in different pieces can be joined to one good copy: ask whoever made this "
        "package."
    )


def _signature(page: Page, record: Json, principal: str, fingerprint: str) -> None:
    page.heading("How to check who made it")
    sealed_at = moment_of(section(record, "made_by").get("at"))
    page.ready(signature_steps(principal, fingerprint, NAMESPACE_PACKAGE, sealed_at=sealed_at))


def _listening(page: Page, record: Json) -> None:
    emphasis, rate = emphasis_words(record), rate_words(record)
    if not emphasis and not rate:
        return
    page.heading("Before you listen")
    for text in (emphasis, rate):
        if text:
            page.point(text)


def _cautions(page: Page, record: Json) -> None:
    page.heading("Cautions")
    said = (restriction_words(record), COPYRIGHT, personal_data_words(record), ORIGINAL_CARRIER)
    for text in filter(None, said):
        page.point(text)


def build_readfirst(
    record: Json,
    *,
    files: Sequence[Json],
    audio: Mapping[str, Any] | None = None,
    signed_by: tuple[str, str] | None = None,
    algorithms: Sequence[str] = ("sha256", "sha512"),
) -> str:
    """The text of READ-ME-FIRST.txt: UTF-8, lines ended by LF, at most 78 characters except for commands.

    files: entries with a `path` in the package. audio: the content of block-digests.json; None when there is
    no master. signed_by: principal and fingerprint of the signer, when the package will be signed.
    algorithms: those of the manifests, as in their file names ('sha512').
    """
    page = Page()
    page.say("READ ME FIRST")
    page.say("=============")
    has_master = any(file.get("role") == "master" for file in files)
    page.say(
        "This folder holds the sound of one old tape or disc and the record of how it was read."
        if has_master
        else "This folder holds the record of an attempt to read one old tape or disc. It has no sound file."
    )
    page.gap()
    _what(page, record)
    _listening(page, record)
    paths = [str(file.get("path", "")) for file in files]
    _folders(page, record, paths, algorithms, signed_by is not None)
    _whole_files(page)
    if audio is not None:
        _audio(page, audio)
    if signed_by is not None:
        _signature(page, record, *signed_by)
    page.heading("If something does not match")
    page.say(NOT_MATCHING)
    _cautions(page, record)
    page.heading("Who to ask")
    people = section(record, "people")
    maker = one_line(people.get("transfer_organisation") or "whoever delivered this folder")
    page.say(
        f"{maker}. Name the job ({one_line(record.get('job_id') or 'unknown')}) and the record "
        f"({one_line(record.get('record_id') or 'unknown')}). A correction is always a new folder; this "
        "one stays as it is."
    )
    return page.text()
