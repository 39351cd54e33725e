"""The report a person would rather look at: one self-contained HTML page about one package.

No script, no network, no file beside it is needed. Everything from the record is escaped by the template
engine; the only text marked as safe are the pictures (picture_*.py), which escape for themselves.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from provpack.findings import Finding
from provpack.package.readfirst_words import one_line, signature_command
from provpack.package.sshsig import NAMESPACE_PACKAGE
from provpack.report.html_fields import KIND_WORDS, TOP
from provpack.report.html_values import Json, cards, rows_of, table, words
from provpack.report.html_view import build_view
from provpack.report.picture_wave import is_crowded, mark_swatch, range_swatch, waveform

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

_PACKAGE_PATH = re.compile(r"(?!.*/\.\.?(?:/|$))data/[a-z0-9_.-]+(?:/[a-z0-9_.-]+)*")


def calm(value: object) -> object:
    """Text with plain line ends and without other control characters (they have no meaning in HTML)."""
    if type(value) is not str:
        return value
    value = value.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(
        c if c in "\t\n" or unicodedata.category(c) not in ("Cc", "Cs") else "\ufffd" for c in value
    )


def breaks(name: object) -> Markup:
    """A name, escaped, that may go on in the next line after each underscore rather than anywhere."""
    from markupsafe import Markup, escape

    return escape(calm(name)).replace("_", Markup("_<wbr>"))


def link_of(path: str) -> str:
    """Link from data/report/ to a file of the package; empty for a path that is not one of ours."""
    return "../" + path.removeprefix("data/") if _PACKAGE_PATH.fullmatch(path) else ""


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("provpack.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=calm,
    )
    environment.filters["breaks"] = breaks
    environment.globals.update(short=one_line, kind_words=dict(KIND_WORDS), drawn=Markup)
    return environment


def page_of(template: str, **values: Any) -> str:
    """A page from one of our templates; whatever is missing in values is a mistake of ours and is raised."""
    return _environment().get_template(template).render(**values)


def _no_link(_path: str) -> str:
    return ""


def _signature(signed_by: tuple[str, str] | None) -> dict[str, str] | None:
    """Who signed, and the command that checks it in the folder of the package."""
    if signed_by is None:
        return None
    who, fingerprint = signed_by
    command = signature_command(
        who, NAMESPACE_PACKAGE, signed="tagmanifest-sha512.txt", signers="../allowed_signers"
    )
    return {"who": who, "fingerprint": fingerprint, "command": command}


def render_package(
    record: Json,
    *,
    measurements: Mapping[str, Any] | None,
    findings: Sequence[Finding],
    files: Sequence[Json],
    signed_by: tuple[str, str] | None = None,
    anew: str | None = None,
) -> str:
    """The page as text, to be written as UTF-8 to data/report/index.html.

    record: a valid transfer record. measurements: content of measurements.json, None when there is no audio.
    findings: of this transfer. files: entries in the shape of the record's `files`, all that are known.
    signed_by: principal and fingerprint of the key, when the package will be signed. anew: when the page was
    made, for people, if it is drawn again later and lies outside the package; it then links to no file.
    """
    from markupsafe import Markup

    view = build_view(record, measurements=measurements, findings=findings, files=files)
    rate, picture = view["rate"], view["picture"]

    def rows(section: str) -> Any:
        return rows_of(record, section, rate, TOP if section == "" else ())

    def entries(pointer: str, caption: str) -> Any:
        return table(record, pointer, caption, rate)

    def each(pointer: str, title: str, field: str = "") -> Any:
        source = {**record, "files": list(files)} if pointer == "files" else record

        def caption(n: int, entry: Json) -> str:
            said = words(field, entry[field], rate) if field in entry else ""
            return " ".join(part for part in (title.replace("#", str(n)), said) if part)

        return cards(source, pointer, caption, rate)

    drawn = waveform(picture, title="Level over time", description=view["picture_words"]) if picture else ""
    samples = (
        {kind: Markup(range_swatch(kind)) for kind in {span.kind for span in picture.ranges}}
        if picture
        else {}
    )
    numbered = picture is not None and bool(picture.marks) and not is_crowded(picture)
    signs = {mark.by_program for mark in picture.marks} if picture and numbered else set()
    return page_of(
        "package.html.j2",
        **view,
        signature=_signature(signed_by),
        anew=anew,
        link=link_of if anew is None else _no_link,
        facts=rows,
        entries=entries,
        each=each,
        wave=Markup(drawn),
        swatches=samples,
        signs={by_program: Markup(mark_swatch(by_program=by_program)) for by_program in signs},
        numbered=numbered,
        drawn=Markup,
    )
