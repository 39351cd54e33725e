"""Page and command line can say the same: all that the page's forms take is filled in through the page, said
again with `provpack jot` in another job folder, and read from both; then the page shows what jot wrote."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from bench_server.running import running
from support.benchbrowser import browsing, chain_faults, log_of, show, window
from support.benchforms import (
    FOLDED,
    SHOWN,
    assert_shown,
    fill_in_fields,
    say_again,
    settled,
    timeless,
    value_of,
    wanted,
)
from support.benchsheets import columns_of, write_job

from provpack.jobs.benchview_fields import text_of
from provpack.jobs.benchview_settings import OF_ONE_TAPE
from provpack.jobs.columns import Column
from provpack.synth.photo import Picture, draw

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and ports as POSIX has them")

PHOTOS = ("condition_photos", "photos")
ONE, PLAYED = "T1", "T2"
"""The carrier whose form is filled in, and the one that is played with the settings of the chains page."""

ON_SET_UP = {"id", "note", "capture_files"}
"""Of a chain, but no setting that is confirmed before a pass: test_set_up_round_trip."""


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
        return list(words[1:3]) or ["0c" + "00" * 23, "04" + "00" * 23]
    said: dict[str, Any] = {
        "integer": 24, "date": "2026-06-02", "moment": "2026-06-03", "prose": f"other {name},\nin two lines",
    }  # fmt: skip
    return said.get(column.kind, f"other {name}")


# -- filling in ----------------------------------------------------------------------------------------------
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
        if field.first.get_attribute("data-type") == "cell":
            field.fill(text_of(value))
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


# -- the tests -----------------------------------------------------------------------------------------------
def take_in(page: Any) -> None:
    for code in (ONE, PLAYED):
        page.keyboard.type(code)
        page.keyboard.press("Enter")
    page.locator(".carrier-row").nth(1).wait_for()


def said_again(by_page: Path, by_jot: Path) -> None:
    """Every line of the one log by a command in the other job; then both jobs say the same."""
    for entry in log_of(by_page):
        say_again(entry, by_jot)
    assert [e["kind"] for e in log_of(by_jot)] == [e["kind"] for e in log_of(by_page)]
    assert chain_faults(by_jot) == chain_faults(by_page) == []
    assert timeless(by_jot) == timeless(by_page)


def test_what_the_form_of_a_carrier_takes_the_command_line_takes_and_the_page_shows_it(
    browser: Any, tmp_path: Path
) -> None:
    by_page, by_jot = make(tmp_path / "page"), make(tmp_path / "jot")
    with ExitStack() as stack:
        bench = stack.enter_context(running(by_page, "--by", "Ilse Varrow", opened=False))
        page = stack.enter_context(window(browser, bench.opening))
        take_in(page)
        show(page, f"/carrier/{ONE}")
        for name in PHOTOS:
            picture = draw(Picture(view="label", card=ONE, lines=(name.upper(),)))
            photo = {"name": f"{name}.png", "mimeType": "image/png", "buffer": picture}
            page.locator(f"#photo-{name}").set_input_files(photo)
            page.locator(f"[data-live=photos-{name}] li").wait_for()
        on_page = fill_in_fields(page, columns_of("transfer"))
        settled(page, by_page, ("transfer", ONE), on_page)
        assert on_page | set(PHOTOS) | {"transfer_id"} == set(columns_of("transfer"))
        assert page.locator(".refused").count() == 0
        show(page, f"/carrier/{ONE}")
        filled = page.evaluate(SHOWN)
    (by_jot / "photos").mkdir()
    for picture in (by_page / "photos").iterdir():
        (by_jot / "photos" / picture.name).write_bytes(picture.read_bytes())
    values = {e["field"]: e["value"] for e in log_of(by_page) if e["kind"] == "declared"}
    for name in on_page:
        assert values[name] == wanted(columns_of("transfer")[name]), name
    said_again(by_page, by_jot)
    with ExitStack() as stack:
        bench = stack.enter_context(running(by_jot, "--by", "Ilse Varrow", opened=False))
        page = stack.enter_context(window(browser, bench.opening))
        show(page, f"/carrier/{ONE}")
        assert page.evaluate(SHOWN) == filled
        assert_shown(filled, {name: columns_of("transfer")[name] for name in on_page})


def test_what_the_settings_of_a_pass_take_the_command_line_takes_and_the_page_shows_it(
    browser: Any, tmp_path: Path
) -> None:
    by_page, by_jot = make(tmp_path / "page"), make(tmp_path / "jot")
    columns = columns_of("chain")
    with ExitStack() as stack:
        bench = stack.enter_context(running(by_page, "--by", "Ilse Varrow", opened=False))
        page = stack.enter_context(window(browser, bench.opening))
        take_in(page)
        settings = play(page)
        assert settings | ON_SET_UP == set(columns)
    (started,) = (e for e in log_of(by_page) if e["kind"] == "pass_started")
    assert started["settings"] == {name: other_value(columns[name], name) for name in settings}
    said_again(by_page, by_jot)
    with ExitStack() as stack:
        bench = stack.enter_context(running(by_jot, "--by", "Ilse Varrow", opened=False))
        page = stack.enter_context(window(browser, bench.opening))
        show(page, "/chains")
        assert PLAYED in page.locator("#lane-1 .last-pass").inner_text()
        for name in settings:
            value = other_value(columns[name], name)
            field = page.locator(f"#lane-1 [name='settings.{name}']:not([type=hidden])").first
            if name not in OF_ONE_TAPE and columns[name].kind != "list":
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
