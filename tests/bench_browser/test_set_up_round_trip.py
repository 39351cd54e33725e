"""What is stated once, of the job, its defaults, a chain, a piece of equipment: every field is filled in on a
page, said again with `provpack jot` in another job folder, and read from both; then the page shows it."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from bench_server.running import running
from support.benchbrowser import browsing, chain_faults, in_step, log_of, show, window
from support.benchforms import SHOWN, assert_shown, fill_in_fields, say_again, settled, timeless, wanted
from support.benchsheets import columns_of, write_job

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and ports as POSIX has them")

PLACES = {
    ("job", None): "/machines",
    ("defaults", None): "/machines/defaults",
    ("chain", "A"): "/machines/chain/A",
    ("equipment", "DECK/7 é"): "/machines/equipment/DECK%2F7%20%C3%A9",
}
ELSEWHERE: Mapping[str, Mapping[str, str]] = {
    "job": {"schema_version": "of the file job.toml itself"},
    "defaults": {},
    "chain": {"id": "the form 'Add a chain'"},
    "equipment": {"id": "the form 'Add a piece of equipment'"},
}
"""Columns of a place that are no field of its page, and why."""


def make(folder: Path) -> Path:
    """The job as it is before anybody sets it up: one deck in the register, no chain."""
    return write_job(
        folder / "job",
        {
            "job": [{"job_id": "J1", "client": "Ambersund", "transfer_organisation": "Grauwell"}],
            "defaults": [{}],
            "chain": [],
            "transfer": [],
            "equipment": [{"id": "DECK-1", "kind": "deck", "make_model": "Velkora B-70", "serial": "001"}],
        },
    )


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browsing() as one:
        yield one


def add(page: Any, scope: str, id_: str) -> None:
    """The form that adds a chain or a machine; then the link it gets in the list."""
    show(page, "/machines")
    summary = {"chain": "Add a chain", "equipment": "Add a piece of equipment"}[scope]
    page.get_by_text(summary, exact=True).click()
    page.locator(f"#add-{scope}-id").fill(id_)
    if scope == "chain":
        page.locator("#add-chain-deck").select_option("DECK-1")
    else:
        page.locator("#add-equipment-kind").select_option("other")
    page.locator(f"#add-{scope} [type=submit]").click()
    page.get_by_role("link", name=f"{scope.capitalize()} {id_}", exact=True).click()
    in_step(page)
    assert page.get_by_role("heading", level=1).inner_text() == f"{scope.capitalize()} {id_}"


@pytest.mark.parametrize(("scope", "id_"), PLACES)
def test_every_field_by_page_and_by_command_line(
    browser: Any, tmp_path: Path, scope: str, id_: str | None
) -> None:
    address, columns = PLACES[scope, id_], columns_of(scope)
    by_page, by_jot = make(tmp_path / "page"), make(tmp_path / "jot")
    with ExitStack() as stack:
        bench = stack.enter_context(running(by_page, "--by", "Ilse Varrow", opened=False))
        page = stack.enter_context(window(browser, bench.opening))
        if id_ is not None:
            add(page, scope, id_)
            assert page.url.endswith(address)
        else:
            show(page, address)
        on_page = fill_in_fields(page, columns)
        assert on_page | set(ELSEWHERE[scope]) == set(columns)
        settled(page, by_page, (scope, id_), on_page)
        assert page.locator(".refused").count() == 0
        show(page, address)
        filled = page.evaluate(SHOWN)
    said = {(e["scope"], e["id"], e["field"]): e["value"] for e in log_of(by_page)}
    assert said == {(scope, id_, name): wanted(columns[name]) for name in on_page}
    for entry in log_of(by_page):
        say_again(entry, by_jot)
    assert chain_faults(by_jot) == chain_faults(by_page) == []
    assert timeless(by_jot) == timeless(by_page)
    with ExitStack() as stack:
        bench = stack.enter_context(running(by_jot, "--by", "Ilse Varrow", opened=False))
        page = stack.enter_context(window(browser, bench.opening))
        show(page, address)
        assert page.evaluate(SHOWN) == filled
        assert_shown(filled, {name: columns[name] for name in on_page})
