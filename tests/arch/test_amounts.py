"""One way to group thousands: by blanks, as provpack/package/figures.py has it (DEVELOPERS.md, "What people
read"). Whoever groups by commas turns them into blanks at once."""

from __future__ import annotations

import ast
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2] / "provpack"
GROUPING = {
    "package/figures.py",  # the one for everybody
    "chunks/limits.py", "model/ages.py",  # rooms that may not import it
    "package/readfirst_words.py", "report/picture_spectrum.py", "report/sound_parts.py",  # so many decimals
}  # fmt: skip


def groupings(source: str) -> list[int]:
    """Lines of f-strings that group thousands by commas: `{many:,}`, `{many:>9,}`."""
    return [
        node.lineno
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.FormattedValue)
        and node.format_spec is not None
        and any(isinstance(one, ast.Constant) and "," in str(one.value) for one in ast.walk(node.format_spec))
    ]


def test_thousands_are_grouped_in_one_place() -> None:
    assert len(groupings('f"{a:,}{b:>9,}{c:>9}{d!r},{e:,.1f}"')) == 3
    found = {
        path.relative_to(PACKAGE).as_posix(): lines
        for path in sorted(PACKAGE.rglob("*.py"))
        if (lines := groupings(path.read_text(encoding="utf-8")))
    }
    assert set(found) == GROUPING, found
    for name in GROUPING:
        source = (PACKAGE / name).read_text(encoding="utf-8")
        assert source.count('.replace(",", ') == 1, f"{name}: the comma does not become a blank"
