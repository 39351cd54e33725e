"""The laws of the house: who may import whom, and who may touch the world."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "provpack"
FILES = sorted(PACKAGE.rglob("*.py"))

FLOOR = {"errors", "findings", "xmldoc", ""}
# room -> the rooms it may import, besides the floor and itself
ARROWS: dict[str, set[str]] = {
    "errors": set(),
    "findings": set(),
    "xmldoc": set(),
    "": set(),
    "model": set(),
    "chunks": set(),
    "measure": set(),
    "synth": {"chunks"},
    "package": {"model", "chunks", "measure"},
    "edge": {"model", "chunks", "measure", "package"},
    "catalogue": {"model", "package"},
    "jobs": {"model", "chunks", "measure", "package", "edge", "catalogue", "synth"},
    "report": {"model", "jobs", "package", "catalogue"},
    "bench": {"model", "package", "edge", "jobs", "report"},
    "cli": {"jobs", "report", "edge", "catalogue", "findings", "bench"},
    "__main__": {"cli"},
}
# third-party module -> the files (or folders, ending in /) that may import it
DOORS: dict[str, set[str]] = {
    "lxml": {"xmldoc.py"},
    "jsonschema": {"edge/schemas.py"},
    "referencing": {"edge/schemas.py"},
    "soundfile": {"edge/audio.py"},
    "mutagen": {"edge/tags.py"},
    "bagit": {"edge/bag.py"},
    "cryptography": {"edge/sshkeys.py"},
    "numpy": {"measure/", "synth/"},
    "jinja2": {"report/html.py"},
    "markupsafe": {"report/html.py"},
    "sqlalchemy": {"catalogue/"},
    "distributed": {"edge/cluster.py"},
    "fsspec": {"edge/remote.py"},
    "aiohttp": {"edge/remotehttp.py"},
    "starlette": {"bench/"},
    "uvicorn": {"bench/"},
    "anyio": {"bench/"},
    "multipart": {"bench/"},
    "python_multipart": {"bench/"},
    "click": {"cli/"},
    "rich": {"cli/progress.py"},
}
PURE = {"model", "chunks", "measure", "package", "synth", "report"}
TOO_LONG_ALLOWED: dict[str, str] = {}


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    if len(parts) > 1:
        return parts[0]
    return "" if parts[0] == "__init__.py" else parts[0].removesuffix(".py")


def imports(path: Path) -> list[tuple[str, int, bool]]:
    """(dotted module, line, at module level) of every import in a file, TYPE_CHECKING ones left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
        for inner in ast.walk(node)
    }
    top = {id(n) for n in tree.body}
    found = []
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            found += [(a.name, node.lineno, id(node) in top) for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names = [f"{node.module}.{a.name}" for a in node.names] if node.module == "provpack" else []
            found += [(n, node.lineno, id(node) in top) for n in (names or [node.module or ""])]
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_down(path: Path) -> None:
    room = room_of(path)
    assert room in ARROWS, f"unknown room {room}: add it to the table"
    for module, line, _ in imports(path):
        if module.startswith("provpack."):
            target = module.split(".")[1]
            if target in {"__version__"}:
                continue
            assert target == room or target in FLOOR or target in ARROWS[room], (
                f"{path}:{line}: room '{room}' may not import '{target}'"
            )


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_third_party_libraries_have_one_door(path: Path) -> None:
    name = str(path.relative_to(PACKAGE))
    import sys

    for module, line, top in imports(path):
        first = module.split(".")[0]
        if first in {"provpack", "__future__"} or first in sys.stdlib_module_names:
            continue
        doors = DOORS.get(first)
        assert doors is not None, f"{path}:{line}: {first} is not a declared dependency with a door"
        assert any(name == d or (d.endswith("/") and name.startswith(d)) for d in doors), (
            f"{path}:{line}: {first} may only be imported in {sorted(doors)}"
        )
        if first not in {"click", "numpy", "sqlalchemy", "starlette", "uvicorn", "anyio"}:
            assert not top, f"{path}:{line}: {first} must be imported late, inside a function"


def calls(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            f = node.func
            if isinstance(f, ast.Name):
                names.add(f.id)
            elif isinstance(f, ast.Attribute) and isinstance(f.value, ast.Name):
                names.add(f"{f.value.id}.{f.attr}")
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            names.add(f"{node.value.id}.{node.attr}")
    return names


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_only_the_edge_touches_the_world(path: Path) -> None:
    room, used = room_of(path), calls(path)
    if room in PURE:
        assert not used & {
            "open",
            "print",
            "os.environ",
            "sys.exit",
            "datetime.now",
            "time.time",
            "date.today",
        }
    if room == "jobs":
        assert not used & {
            "open",
            "print",
            "os.environ",
            "sys.exit",
            "datetime.now",
            "time.time",
            "date.today",
        }
    if room != "cli":
        assert "sys.exit" not in used
    if room not in {"cli"}:
        assert "print" not in used
    assert not used & {"os.chdir", "eval", "exec", "pickle.loads"}


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_file_holds_one_thing(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    name = str(path.relative_to(PACKAGE))
    assert lines <= 400 or name in TOO_LONG_ALLOWED, f"{name} has {lines} lines; split it"


def test_top_level_is_exactly_what_was_agreed() -> None:
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "provpack", "schemas", "tests", "demo"}
    import subprocess

    try:
        listing = subprocess.run(
            ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout.split()
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git checkout; the list of tracked files cannot be asked for")
    visible = {p.split("/")[0] for p in listing if not p.startswith(".")}
    assert visible <= agreed
