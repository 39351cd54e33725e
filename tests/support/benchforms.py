"""The forms of the bench's pages filled in by a browser, and the same said again by `provpack jot`."""

from __future__ import annotations

import contextlib
import io
import json
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from provpack.cli.main import main
from provpack.jobs.benchview_fields import text_of
from provpack.jobs.columns import Column
from provpack.jobs.load import load_job
from support.benchbrowser import log_of
from support.benchsheets import sample, told

PATIENCE = 120.0
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
    if column.name == "equipment":  # the register itself: a file that is one
        return "equipment.toml"
    if column.name.endswith(("sha256", "sha512")):
        return "5e" * (int(column.name[-3:]) // 8)
    return sample(column)


def wanted(column: Column) -> Any:
    """What the log says after fill_in_fields: of closed words the first two are ticked."""
    if column.kind == "list" and column.item is not None and column.item.words:
        return list(column.item.words[:2])
    return value_of(column)


def fill_in_fields(page: Any, columns: Mapping[str, Column]) -> set[str]:
    """Every field of the page, one after the other and none waited for; the names of the fields it has."""
    page.evaluate(FOLDED)
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
            for word in wanted(column):
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


def settled(page: Any, job: Path, place: tuple[str, str | None], fields: set[str]) -> None:
    """Until all was written that the page was told, by the log on the disk."""
    until = time.monotonic() + PATIENCE
    while True:
        log = log_of(job)
        declared = [e for e in log if e["kind"] == "declared" and (e["scope"], e["id"]) == place]
        left = fields - {e["field"] for e in declared}
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
    log = log_of(job)
    times = {str(e[name]) for e in log for name in ("at", "happened_at") if e.get(name)}
    for time_ in times:  # all of them before the clocks: two lines may be of one second
        text = text.replace(time_, "<time>")
    for clock in {time_[11:19] for time_ in times}:
        text = text.replace(clock, "<clock>")
    for by in {e["by"] for e in log if e["by"]}:
        text = text.replace(by, "<by>")
    return text


def assert_shown(filled: Mapping[str, Any], columns: Mapping[str, Column]) -> None:
    """Each form field shows what was typed into it."""
    for name, column in columns.items():
        if column.kind in ("table", "object"):
            for key, part in column.fields.items():
                row = "-0" if column.kind == "table" else ""
                assert typed(part, filled[f"f-{name}{row}-{key}"]), f"{name}/{key}"
        elif column.kind == "list" and column.item is not None and column.item.words:
            ticked = [word for word in column.item.words if filled[f"f-{name}-{word}"]]
            assert ticked == wanted(column), name
        else:
            assert typed(column, filled[f"f-{name}"]), name


def typed(column: Column, text: str) -> bool:
    """Whether a field shows the value that was typed into it."""
    value = value_of(column)
    return text == text_of(value) or (text[:1] in '["{tf' and json.loads(text) == value)
