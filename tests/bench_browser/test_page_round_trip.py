"""Page and command line can say the same: all that the page's forms take is filled in through the page, said
again with `provpack jot` in another job folder, and read from both; then the page shows what jot wrote."""

from __future__ import annotations

import contextlib
import io
import json
import os
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from bench_server.running import running
from support.benchbrowser import browsing, chain_faults, log_of, show, window
from support.benchsheets import columns_of, sample, told, write_job

from provpack.cli.main import main
from provpack.jobs.benchview_fields import text_of
from provpack.jobs.benchview_settings import OF_ONE_TAPE
from provpack.jobs.columns import Column
from provpack.jobs.load import load_job
from provpack.synth.photo import Picture, draw

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and ports as POSIX has them")

PATIENCE = 120.0
PHOTOS = ("condition_photos", "photos")
ONE, PLAYED = "T1", "T2"
"""The carrier whose form is filled in, and the one that is played with the settings of the chains page."""

ELSEWHERE: Mapping[str, Mapping[str, str]] = {
    "transfer": {
        "transfer_id": "the field 'Take in a carrier' of the first page",
    },
    "chain": {
        "id": "the form 'Add a chain'",
        "note": "of the room, not of a pass: job.toml, or jot declare --chain",
        "capture_files": "a pattern of file names, set up once: job.toml, or jot declare --chain",
    },
    "job": {
        **dict.fromkeys(
            (
                "job_id", "client", "transfer_organisation", "equipment", "documents", "client_profiles",
                "hold_back_names", "hold_back_also", "note",
            ),
            "of the job as a whole, agreed with the client before: job.toml, or jot declare --job",
        ),
        "schema_version": "of the file job.toml itself",
        "custody_events": "on the page of each carrier; for all at once: job.toml, or jot declare --job",
    },
    "equipment": {
        **dict.fromkeys(
            (
                "kind", "make_model", "serial", "owner", "in_use_from", "in_use_until", "digital_output",
                "digital_output_revision", "shared_converter", "last_known_good", "fitted", "service_log",
                "fault_notices", "note",
            ),
            "of the workshop, not of the evening: the equipment register, or jot declare --equipment",
        ),
        "id": "the equipment register names it",
    },
}  # fmt: skip
"""Columns of the job sheet and the register without a field on a page, and why. Those of [defaults] are all
columns of a transfer, and are stated for each carrier."""

SHOWN = """() => Object.fromEntries([...document.querySelectorAll('main input, main select, main textarea')]
  .filter((e) => e.closest('form[data-field], form[data-row]') && e.type !== 'file')
  .map((e) => [e.id, e.type === 'checkbox' ? e.checked : e.value]))"""
FOLDED = "() => document.querySelectorAll('main details').forEach((one) => { one.open = true; })"


def value_of(column: Column) -> Any:
    """A value that the column takes and the schema allows."""
    if column.kind == "table":
        return [{name: value_of(part) for name, part in column.fields.items()}]
    if column.kind == "object":
        return {name: value_of(part) for name, part in column.fields.items()}
    if column.name == "record_id":  # a UUID, RFC 9562 section 4
        return "0f8fad5b-d9cb-469f-a165-70867728950e"
    if column.name == "channel_status_raw":  # one block of 24 bytes, IEC 60958-1
        return ["04" + "00" * 23]
    if column.name.endswith(("sha256", "sha512")):
        return "5e" * (int(column.name[-3:]) // 8)
    return sample(column)


def registered() -> list[dict[str, Any]]:
    """Two of each kind, so that another one can be chosen."""
    kinds = ("deck", "decoder", "capture_device")
    return [
        {"id": f"{kind}-{n}", "kind": kind, "make_model": f"Velkora {kind} {n}", "serial": f"00{n}"}
        for kind in kinds
        for n in (1, 2)
    ]


def stated_chain() -> dict[str, Any]:
    """A chain for which every setting has a value."""
    chain = {name: value_of(column) for name, column in columns_of("chain").items()}
    roles = {f"{kind}_id": f"{kind}-1" for kind in ("deck", "decoder", "capture_device")}
    return chain | roles | {"id": "A", "capture_files": "captures/*.wav"}


def make(folder: Path) -> Path:
    """The job before the evening: a chain, the register, two carriers nobody has taken in."""
    return write_job(
        folder / "job",
        {
            "job": [{"job_id": "J1", "client": "Ambersund", "transfer_organisation": "Grauwell"}],
            "defaults": [{}],
            "chain": [stated_chain()],
            "transfer": [],
            "equipment": registered(),
        },
    )


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browsing() as one:
        yield one


def other_value(column: Column, name: str) -> Any:
    """Another value than the one of stated_chain()."""
    if name.endswith("_id") and name.removesuffix("_id") in ("deck", "decoder", "capture_device"):
        return f"{name.removesuffix('_id')}-2"
    if column.kind == "enum":
        return column.words[-1]
    if column.kind == "list":
        words = column.item.words if column.item is not None else ()
        return list(words[1:3]) or value_of(column)  # without words it is shown only, and confirmed
    said: dict[str, Any] = {
        "integer": 24, "date": "2026-06-02", "moment": "2026-06-03", "prose": f"other {name},\nin two lines",
    }  # fmt: skip
    return said.get(column.kind, f"other {name}")


# -- filling in ----------------------------------------------------------------------------------------------
def fill_in_carrier(page: Any) -> set[str]:
    """Every field of the form, one after the other and none waited for; the names of the fields it has."""
    page.evaluate(FOLDED)
    columns = columns_of("transfer")
    listed = page.locator("[data-live^='f-']").evaluate_all(
        "all => all.map((one) => one.dataset.live.slice(2))"
    )
    assert len(listed) == len(set(listed))
    for name in listed:
        part, column = page.locator(f"[data-live='f-{name}']"), columns[name]
        if column.kind == "table":
            fill_in_row(page.locator(f"#f-{name}-add form"), column)
        elif column.kind == "object":
            fill_in_row(part.locator("form[data-row=one]"), column)
        elif part.locator("input[type=checkbox]").count():
            assert column.item is not None
            for word in column.item.words[:2]:
                page.locator(f"#f-{name}-{word}").check()
        elif column.kind == "enum":
            page.locator(f"#f-{name}").select_option(json.dumps(value_of(column)))
        else:
            page.locator(f"#f-{name}").fill(text_of(value_of(column)))
            page.keyboard.press("Tab")
    return set(listed)


def fill_in_row(form: Any, column: Column) -> None:
    for name, part in column.fields.items():
        value = value_of(part)
        field = form.locator(f"[name='{name}']")
        if part.kind == "enum":
            field.select_option(json.dumps(value))
        elif field.get_attribute("data-send") == "json":
            field.fill(json.dumps(value))
        else:
            field.fill(text_of(value))
    form.locator("[type=submit]").click()


def fill_in_settings(page: Any) -> set[str]:
    """Another value for every setting of chain A; the names of the settings the form has."""
    page.evaluate(FOLDED)
    form, columns = page.locator("#lane-1 form.start"), columns_of("chain")
    names = {
        name.removeprefix("settings.")
        for name in form.locator("[name^='settings.']").evaluate_all("all => all.map((one) => one.name)")
    }
    for name in names:
        value = other_value(columns[name], name)
        field = form.locator(f"[name='settings.{name}']:not([type=hidden])")
        if field.count() == 0:
            assert name == "channel_status_raw"
        elif columns[name].kind == "list":
            for box in field.all():
                box.set_checked(box.get_attribute("value") in value)
        elif field.evaluate("one => one.matches('select')"):
            known = field.get_attribute("data-type") == "json"
            field.select_option(json.dumps(value) if known else value)
        else:
            field.fill(str(value))
    for box in form.locator("[data-looked]").all():
        box.check()
    return names


def settled(page: Any, job: Path, wanted: set[str]) -> None:
    """Until all was written that the page was told, by the log on the disk."""
    until = time.monotonic() + PATIENCE
    while True:
        log = log_of(job)
        left = wanted - {e["field"] for e in log if e["kind"] == "declared" and e["id"] == ONE}
        if not left:
            return
        assert page.locator(".refused").count() == 0, page.locator(".refused").all_inner_texts()
        assert time.monotonic() < until, left
        page.wait_for_timeout(100)


# -- the same by the command line ----------------------------------------------------------------------------
def jot(action: str, job: Path, *words: str) -> None:
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = main(["jot", action, str(job), *words, "--by", "Odo Fenwright"])
    assert code in (0, 1), said.getvalue()


def say_again(entry: Mapping[str, Any], job: Path) -> None:
    """The command for one line of the log that the page wrote."""
    one = {name: entry.get(name) for name in ("transfer_id", "reason", "note")}
    options = [w for name in ("reason", "note") if one[name] for w in (f"--{name}", one[name])]
    match entry["kind"]:
        case "taken_in":
            jot("take-in", job, one["transfer_id"])
        case "declared":
            place = [f"--{entry['scope']}", *([entry["id"]] if entry["id"] else [])]
            value = ["--json-value", json.dumps(entry["value"])] if entry["value"] is not None else []
            seen = ["--seen", json.dumps(entry["was"])]
            jot("declare", job, entry["field"], *place, *(value or ["--take-away"]), *seen, *options)
        case "pass_started":
            settings = ["--json-settings", json.dumps(entry["settings"])]
            jot("start", job, one["transfer_id"], entry["chain_id"], *settings, *options)
        case "event":
            jot("event", job, one["transfer_id"], entry["type"], *options)
        case "pass_stopped":
            jot("stop", job, one["transfer_id"], entry["outcome"], *options)
        case "judged":
            jot("judge", job, one["transfer_id"], entry["verdict"], *options)
        case "taken_back":
            jot("undo", job, str(entry["entry"]), *options)
        case kind:
            raise AssertionError(f"no command for {kind}")


def timeless(job: Path) -> str:
    """All that a loaded job says, without when its lines were written and by whom."""
    text = json.dumps(told(load_job(job)), default=list, sort_keys=True, ensure_ascii=False)
    for entry in log_of(job):
        for name in ("at", "happened_at"):
            if entry.get(name):
                text = text.replace(entry[name], "<time>").replace(entry[name][11:19], "<clock>")
        if entry["by"]:
            text = text.replace(entry["by"], "<by>")
    return text


# -- the tests -----------------------------------------------------------------------------------------------
def test_what_the_page_takes_the_command_line_takes_and_the_page_shows_it(
    browser: Any, tmp_path: Path
) -> None:
    by_page, by_jot = make(tmp_path / "page"), make(tmp_path / "jot")
    with ExitStack() as stack:
        bench = stack.enter_context(running(by_page, "--by", "Ilse Varrow", opened=False))
        page = stack.enter_context(window(browser, bench.opening))
        for code in (ONE, PLAYED):
            page.keyboard.type(code)
            page.keyboard.press("Enter")
        page.locator(".carrier-row").nth(1).wait_for()
        show(page, f"/carrier/{ONE}")
        for name in PHOTOS:
            picture = draw(Picture(view="label", card=ONE, lines=(name.upper(),)))
            photo = {"name": f"{name}.png", "mimeType": "image/png", "buffer": picture}
            page.locator(f"#photo-{name}").set_input_files(photo)
            page.locator(f"[data-live=photos-{name}] li").wait_for()
        on_page = fill_in_carrier(page)
        settled(page, by_page, on_page)
        assert on_page | set(PHOTOS) | set(ELSEWHERE["transfer"]) == set(columns_of("transfer"))
        assert page.locator(".refused").count() == 0
        show(page, f"/carrier/{ONE}")
        filled = page.evaluate(SHOWN)
        settings = play(page)
        assert settings | set(ELSEWHERE["chain"]) == set(columns_of("chain"))
    (by_jot / "photos").mkdir()
    for photo in (by_page / "photos").iterdir():
        (by_jot / "photos" / photo.name).write_bytes(photo.read_bytes())
    for entry in log_of(by_page):
        say_again(entry, by_jot)
    assert [e["kind"] for e in log_of(by_jot)] == [e["kind"] for e in log_of(by_page)]
    assert chain_faults(by_jot) == chain_faults(by_page) == []
    assert_stated(by_page)
    assert timeless(by_jot) == timeless(by_page)
    with ExitStack() as stack:
        bench = stack.enter_context(running(by_jot, "--by", "Ilse Varrow", opened=False))
        page = stack.enter_context(window(browser, bench.opening))
        show(page, f"/carrier/{ONE}")
        assert page.evaluate(SHOWN) == filled
        assert_shown(filled)
        show(page, "/chains")
        stands = page.locator("#lane-1 .last-pass")
        assert PLAYED in stands.inner_text()
        for name in settings:
            value = other_value(columns_of("chain")[name], name)
            field = page.locator(f"#lane-1 [name='settings.{name}']:not([type=hidden])").first
            if name not in OF_ONE_TAPE and columns_of("chain")[name].kind != "list":
                assert field.input_value() in (str(value), json.dumps(value)), name


def play(page: Any) -> set[str]:
    """A pass with other settings, an event, one taken back, stopped."""
    show(page, "/chains")
    settings = fill_in_settings(page)
    page.locator("#carrier-1").select_option(PLAYED)
    page.get_by_role("button", name="Start chain A").click()
    page.locator("#lane-1 .clock").wait_for()
    for key, count in (("m", 1), ("e", 2)):
        page.keyboard.press(key)
        page.locator("#lane-1 .log h3", has_text=f"this pass: {count}").wait_for()
    page.locator("#lane-1 [data-acts]").get_by_role("button", name="Take it back").click()
    page.locator("#lane-1 .log h3", has_text="this pass: 1").wait_for()
    page.keyboard.press("z")
    page.locator("#outcome-1").select_option("partial")
    page.get_by_label("Note", exact=True).fill("Crease at the end.")
    page.get_by_role("button", name="Stop chain A").click()
    page.locator("#lane-1 .last-pass").wait_for()
    return settings


def assert_stated(job: Path) -> None:
    """What was typed is what the log says, value for value."""
    values = {e["field"]: e["value"] for e in log_of(job) if e["kind"] == "declared"}
    for name, column in columns_of("transfer").items():
        if name in ELSEWHERE["transfer"] or name in PHOTOS:
            continue
        wanted = value_of(column)
        if column.kind == "list" and column.item is not None and column.item.words:
            wanted = list(column.item.words[:2])
        assert values[name] == wanted, name
    (started,) = (e for e in log_of(job) if e["kind"] == "pass_started")
    for name, value in started["settings"].items():
        assert value == other_value(columns_of("chain")[name], name), name
    assert set(started["settings"]) == set(columns_of("chain")) - set(ELSEWHERE["chain"])


def assert_shown(filled: Mapping[str, Any]) -> None:
    """Each form field shows what was typed into it."""
    for name, column in columns_of("transfer").items():
        if name in ELSEWHERE["transfer"] or name in PHOTOS:
            continue
        if column.kind in ("table", "object"):
            for key, part in column.fields.items():
                row = "-0" if column.kind == "table" else ""
                assert typed(part, filled[f"f-{name}{row}-{key}"]), f"{name}/{key}"
        elif column.kind == "list" and column.item is not None and column.item.words:
            ticked = {word for word in column.item.words if filled[f"f-{name}-{word}"]}
            assert ticked == set(column.item.words[:2]), name
        else:
            assert typed(column, filled[f"f-{name}"]), name


def typed(column: Column, text: str) -> bool:
    """Whether a field shows the value that was typed into it."""
    value = value_of(column)
    return text == text_of(value) or (text[:1] in '["{tf' and json.loads(text) == value)


def test_every_column_has_a_field_on_a_page_or_a_reason_why_not() -> None:
    """Those of transfer and chain are looked for on the pages themselves, in the test above."""
    assert set(columns_of("defaults")) <= set(columns_of("transfer"))
    assert set(ELSEWHERE["job"]) == set(columns_of("job"))
    assert set(ELSEWHERE["equipment"]) | {"checks"} == set(columns_of("equipment"))
    assert all(why for of in ELSEWHERE.values() for why in of.values())
