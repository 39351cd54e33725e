"""The parts of DEVELOPERS.md that are generated from the program: rooms and arrows, commands, error codes.

Each part stands between `<!-- NAME: generated, see tests/unit/docs -->` and `<!-- end of NAME -->`. Rules
have their own generator in the program (jobs/allrules.py).
"""

from __future__ import annotations

import ast
import importlib
from collections.abc import Iterator
from pathlib import Path

import click

import provpack
from provpack import errors
from provpack.cli.main import COMMANDS, cli

PACKAGE = Path(provpack.__path__[0])
FLOOR = ("errors", "findings", "xmldoc")
Edges = dict[str, set[str]]


def cell(text: str) -> str:
    """As it may stand in a table."""
    return " ".join(text.split()).replace("|", "\\|").replace("<", "&lt;")


# --- rooms and arrows ---


def _room(module: str) -> str | None:
    """The room of `provpack.room.module`; None for what is no room."""
    name = module.split(".")[1] if module.startswith("provpack.") else ""
    return name if name in FLOOR or ((PACKAGE / name / "__init__.py").is_file() and name) else None


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            if node.module == "provpack":
                yield from (f"provpack.{name.name}" for name in node.names)
            yield node.module


def edges() -> Edges:
    """room -> the rooms its files really import."""
    out: Edges = {}
    for path in PACKAGE.rglob("*.py"):
        parts = path.relative_to(PACKAGE).parts
        room = parts[0] if len(parts) > 1 else parts[0].removesuffix(".py")
        if room.startswith("__"):
            continue
        found = {other for name in imported(path) if (other := _room(name))} - {room}
        out.setdefault(room, set()).update(found)
    return out


def reach(start: str, arrows: Edges) -> set[str]:
    seen: set[str] = set()
    waiting = [start]
    while waiting:
        for other in arrows[waiting.pop()] - seen:
            seen.add(other)
            waiting.append(other)
    return seen


def reduced(arrows: Edges) -> Edges:
    """The arrows that do not follow from others (transitive reduction; there are no circles)."""
    out = {}
    for room, direct in arrows.items():
        out[room] = {one for one in direct if not any(one in reach(two, arrows) for two in direct - {one})}
    return out


def rooms_part() -> str:
    arrows = edges()
    lines = ["```mermaid", "flowchart TD"]
    for room, others in sorted(reduced(arrows).items()):
        lines += [f"    {room} --> {other}" for other in sorted(others)]
    lines += ["```", "", "An arrow that follows from others is left out above. All of them:", ""]
    lines += ["| room | what it is | imports |", "|---|---|---|"]
    for room in sorted(arrows, key=lambda one: (len(reach(one, arrows)), one)):
        what = (importlib.import_module(f"provpack.{room}").__doc__ or "").split("\n\n")[0]
        lines.append(f"| `{room}` | {cell(what)} | {', '.join(sorted(arrows[room])) or 'nothing'} |")
    return "\n".join(lines)


# --- commands ---


EVERYWHERE = ("--json", "--help", "-h, --help")


def context(command: click.Command, words: str = "provpack") -> click.Context:
    """A context as the program has it; a command keeps the help option it was first asked for."""
    return click.Context(command, info_name=words, **cli.context_settings)


def _commands(command: click.Command, words: str) -> Iterator[tuple[str, click.Command]]:
    yield words, command
    if isinstance(command, click.Group):
        for name in command.list_commands(context(command)):
            sub = command.get_command(context(command), name)
            assert sub is not None, name
            yield from _commands(sub, f"{words} {name}")


def commands_part() -> str:
    lines = []
    for name in COMMANDS:
        top = cli.get_command(context(cli), name)
        assert top is not None
        for words, command in _commands(top, f"provpack {name}"):
            ctx = context(command, words)
            usage = " ".join([words, *command.collect_usage_pieces(ctx)])
            lines += [f"### `{usage}`", ""]
            lines += [" ".join((command.help or "").replace("\b", "").split()), ""]
            records = [one for p in command.get_params(ctx) if (one := p.get_help_record(ctx))]
            options = [(name, text) for name, text in records if text and name not in EVERYWHERE]
            if options:
                lines += ["| option | what it does |", "|---|---|"]
                lines += [f"| `{cell(option)}` | {cell(text)} |" for option, text in options]
                lines.append("")
    return "\n".join(lines).rstrip()


# --- error codes ---


def _template(node: ast.expr | None) -> str:
    """A text as it stands in the source; what is filled in when it is said is shown as ...."""
    if node is None:
        return ""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(_template(part) for part in node.values)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _template(node.left) + _template(node.right)
    return "…"


def _raised() -> Iterator[tuple[str, int, str, str]]:
    """(code, exit code, what, what to do) of each error that the source makes with a code of its own."""
    for path in sorted(PACKAGE.rglob("*.py")):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(call, ast.Call) or not isinstance(call.func, ast.Name) or not call.args:
                continue
            kind = getattr(errors, call.func.id, None)
            code = _template(call.args[0])
            if isinstance(kind, type) and issubclass(kind, errors.ProvpackError) and code != "…":
                what = call.args[1] if len(call.args) > 1 else None
                todo = next((k.value for k in call.keywords if k.arg == "todo"), None)
                yield code, kind.exit_code, _template(what), _template(todo)


def errors_part() -> str:
    lines = ["| code | exit | what it says | what to do |", "|---|---|---|---|"]
    seen = set()
    for code, number, what, todo in sorted(_raised()):
        if (code, number) not in seen:  # the same code is raised in several places with other words
            seen.add((code, number))
            lines.append(f"| `{code}` | {number} | {cell(what)} | {cell(todo)} |")
    return "\n".join(lines)


PARTS = {"rooms": rooms_part, "commands": commands_part, "error codes": errors_part}


def with_part(document: str, name: str, part: str) -> str:
    """The document with that part anew. Raises ValueError when it has no place for it."""
    begin, end = f"<!-- {name}: generated, see tests/unit/docs -->\n", f"<!-- end of {name} -->\n"
    before, found, rest = document.partition(begin)
    _, ended, after = rest.partition(end)
    if not (found and ended):
        raise ValueError(name)
    return f"{before}{begin}\n{part}\n\n{end}{after}"
