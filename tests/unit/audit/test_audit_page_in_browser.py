"""The page of an audit in a real browser: nothing sticks out, lies on top of anything or is too faint.

WCAG 2.2: 1.4.10 reflow at 360 px, 1.4.4 text at 200 %, 1.4.3 contrast as painted, 2.4.7 focus visible. A4 is
210 x 297 mm (ISO 216).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from support.audits import full, item, result, trends
from support.browser import chromium, darkened, enlarged, measure, printed, sheets

from provpack.jobs import auditrules as rules
from provpack.report.audit_page import audit_page


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    chromium()
    long = item(rules.NOT_CHECKED, client="Donaudampfschifffahrtsgesellschaft" * 3, where="/s/" + "y" * 180)
    cases = {}
    for name, page in (
        ("full", audit_page(full())),
        ("long", audit_page(result(items={rules.NOT_CHECKED.id: [long]}, told=trends()))),
    ):
        cases[f"{name}, 360"] = (page, 360)
        cases[f"{name}, 1280"] = (page, 1280)
        cases[f"{name}, dark"] = (darkened(page), 800)
        cases[f"{name}, 200 %"] = (enlarged(page, 200), 1280)
    return measure(tmp_path_factory.mktemp("frames"), cases)


def test_the_page_can_be_read_on_every_screen(seen: dict[str, Any]) -> None:
    for name, one in seen.items():
        assert one["height"] > 600, name
        assert one["page"] <= one["width"] and one["outside"] == [], f"{name}: {one['outside'][:5]}"
        assert one["over"] == [], f"{name}: {one['over'][:5]}"
        assert one["faint"] == [] and one["small"] == [], f"{name}: {one['faint'][:5]} {one['small'][:5]}"


def test_the_keyboard_gets_everywhere(seen: dict[str, Any]) -> None:
    for name, one in seen.items():
        assert one["focus"] and one["focus"][0]["what"].startswith("A.skip"), name
        for place in one["focus"]:
            assert place["got"] and place["line"] != "none" and place["thick"] >= 2, (name, place)


def test_on_paper_it_is_a4(tmp_path: Path) -> None:
    chromium()
    for width, height in sheets(printed(tmp_path, audit_page(full()))):
        assert abs(width - 595.3) < 2 and abs(height - 841.9) < 2
