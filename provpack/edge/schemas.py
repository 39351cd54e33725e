"""The only door to jsonschema: find the schema files, load them, validate against them, in plain words.

The files stand in the installed package (`provpack/_data/schemas/`) or, in a checkout, in `schemas/` at its
top. References between schema files are resolved by embedding them in one document, so nothing is ever
fetched. `format` is asserted with checks of our own: left alone, the library ignores it.
"""

from __future__ import annotations

import copy
import functools
import itertools
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

from provpack.edge.schemawalk import Walk
from provpack.errors import EnvironmentProblem, RecordProblem
from provpack.findings import Finding
from provpack.model.formats import FORMATS
from provpack.model.plainwords import explain, missing_key, unknown_key
from provpack.model.rules import REC_SCHEMA

if TYPE_CHECKING:
    from jsonschema import FormatChecker
    from jsonschema.exceptions import ValidationError

_SUFFIX: Final = ".schema.json"
_REFERENCE: Final = re.compile(r"urn:provpack:schema:([a-z0-9-]+):[0-9.]+#?(.*)")
_FIELDS: Final = "fields"
_FIRST_SENTENCE: Final = re.compile(r"(?:[^;(.]|\([^)]*\)?|\.(?! ))*")
_MOST: Final = 500
_NAME: Final = re.compile(r"[a-z0-9][a-z0-9-]*\Z")
_VERSION: Final = re.compile(r"(0|[1-9][0-9]{0,8})\.(0|[1-9][0-9]{0,8})\.(0|[1-9][0-9]{0,8})\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """One place where a document breaks its schema.

    pointer: JSON pointer (RFC 6901) to the value, for a missing or unknown field to that field.
    message: plain language. schema_path: the broken keyword, as a JSON pointer into the schema.
    """

    pointer: str
    message: str
    schema_path: str

    def as_finding(self, where: str = "") -> Finding:
        """The violation as a finding; where names the document."""
        place = f"{where}: {self.pointer or '/'}" if where else self.pointer or "/"
        return REC_SCHEMA.found(self.message, place, position={"path": self.pointer})


def schema_folder() -> Path:
    """The folder of the schema files; EnvironmentProblem when the installation lacks it."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "_data" / "schemas", package.parent / "schemas"):
        if (folder / (_FIELDS + _SUFFIX)).is_file():
            return folder
    raise EnvironmentProblem(
        "schemas-missing",
        "The schema files of this installation cannot be found.",
        where=str(package / "_data" / "schemas"),
        todo="Install the program again; the schemas belong to it.",
    )


def names() -> tuple[str, ...]:
    """Names of all schemas, for example "transfer-record"."""
    return tuple(sorted(p.name.removesuffix(_SUFFIX) for p in schema_folder().glob("*" + _SUFFIX)))


@functools.cache
def _stored(name: str) -> dict[str, Any]:
    path = schema_folder() / (name + _SUFFIX)
    if not _NAME.match(name) or not path.is_file():
        raise EnvironmentProblem(
            "schema-unknown",
            f'There is no schema called "{name}".',
            where=str(path),
            todo=f"Known schemas: {', '.join(names())}.",
        )
    document: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return document


def load(name: str) -> dict[str, Any]:
    """The schema `schemas/<name>.schema.json`, a copy of its own; EnvironmentProblem when there is none."""
    return copy.deepcopy(_stored(name))


def bundled(name: str) -> dict[str, Any]:
    """The schema with every schema it refers to embedded under `$defs`: complete without any other file.

    References become plain pointers into the one document, which every validator follows quickly.
    """
    document = _localised(_stored(name), "#")
    waiting, embedded = _referred(_stored(name)), {name}
    while waiting:
        other = waiting.pop()
        if other not in embedded:
            embedded.add(other)
            waiting |= _referred(_stored(other))
            inner = _localised(_stored(other), f"#/$defs/{other}")
            document.setdefault("$defs", {})[other] = {
                k: v for k, v in inner.items() if k[:1] != "$" or k == "$defs"
            }
    return cast("dict[str, Any]", document)


def _referred(schema: Mapping[str, Any]) -> set[str]:
    return {found[1] for found in map(_REFERENCE.match, _references(schema)) if found}


def _references(place: Any) -> Iterator[str]:
    if isinstance(place, dict):
        for key, value in place.items():
            if key == "$ref" and isinstance(value, str):
                yield value
            else:
                yield from _references(value)
    elif isinstance(place, list):
        for value in place:
            yield from _references(value)


def _localised(place: Any, own: str) -> Any:
    """A copy whose references point into the bundle; own = where the schema itself will stand in it."""
    if isinstance(place, list):
        return [_localised(value, own) for value in place]
    if not isinstance(place, dict):
        return place
    copied = {key: _localised(value, own) for key, value in place.items()}
    if isinstance(copied.get("$ref"), str):
        found = _REFERENCE.match(copied["$ref"])
        copied["$ref"] = f"#/$defs/{found[1]}{found[2]}" if found else own + copied["$ref"].removeprefix("#")
    return copied


def resolve(fragment: Mapping[str, Any]) -> dict[str, Any]:
    """A property with its `$ref` into the shared fields followed; what stands beside the `$ref` wins."""
    found = dict(fragment)
    while "$ref" in found:
        reference = str(found.pop("$ref"))
        target = _stored(_FIELDS)["$defs"][reference.rpartition("/$defs/")[2]]
        found = {**target, **found}
    return copy.deepcopy(found)


def validate(name: str, obj: object) -> list[Violation]:
    """Every place where obj breaks the schema, sorted by pointer; an empty list = valid.

    At most 500 are told. Raises EnvironmentProblem for an unknown schema name, nothing else.
    """
    told: dict[tuple[str, str], Violation] = {}
    try:
        for error in itertools.islice(_validator(name).iter_errors(obj), _MOST):
            for violation in _violations(error, name):
                # a field asked for twice, by the schema and by one of its conditions, is told once
                missing = violation.schema_path.endswith("/required")
                key = (violation.pointer, "" if missing else violation.message)
                if key not in told or len(violation.schema_path) < len(told[key].schema_path):
                    told[key] = violation
    except RecursionError:
        return [Violation(pointer="", message="is nested too deeply to be read.", schema_path="")]
    shaped = {v.pointer for v in told.values() if v.schema_path.endswith("/pattern")}
    kept = (v for v in told.values() if not (v.pointer in shaped and v.schema_path.endswith("/format")))
    return sorted(kept, key=lambda v: (_sortable(v.pointer), v.message))


def check_version(obj: Mapping[str, Any], name: str) -> None:
    """Refuse a document whose schema_version is newer (major or minor) than ours, or says none.

    Raises RecordProblem naming both versions: fields we do not know must not be dropped in silence.
    """
    ours = str(_stored(name)["$id"]).rpartition(":")[2]
    theirs = obj.get("schema_version") if isinstance(obj, Mapping) else None
    found = _VERSION.match(theirs) if isinstance(theirs, str) else None
    if found is None:
        raise RecordProblem(
            "schema-version-missing",
            f"The document does not say which version of the schema {name} it follows"
            + (f" ({str(theirs)[:40]!r} is no version)." if theirs is not None else "."),
            where="/schema_version",
            todo=f'Write the version as major.minor.patch, for example "{ours}".',
        )
    theirs_parts = (int(found[1]), int(found[2]))
    major, minor, _ = (int(part) for part in ours.split("."))
    if theirs_parts > (major, minor):
        raise RecordProblem(
            "schema-version-newer",
            f"The document follows version {found[0]} of the schema {name}; this program knows {ours}.",
            where="/schema_version",
            todo="Read it with a newer release of the program; nothing was read from it here.",
        )


def _sortable(pointer: str) -> list[tuple[int, int, str]]:
    # entry 10 of a list comes after entry 9
    return [(0, int(p), "") if p.isdecimal() and len(p) < 10 else (1, 0, p) for p in pointer.split("/")]


def _pointer(parts: Iterator[str | int]) -> str:
    return "".join("/" + str(p).replace("~", "~0").replace("/", "~1") for p in parts)


@functools.cache
def _validator(name: str) -> Walk:
    from jsonschema.exceptions import ValidationError

    machine = _machine()
    return Walk(
        bundled(name), keywords=machine.VALIDATORS, is_kind=machine.TYPE_CHECKER.is_type,
        checker=machine.TYPE_CHECKER, format_checker=_formats(), error=ValidationError,
    )  # fmt: skip


@functools.cache
def _formats() -> FormatChecker:
    from jsonschema import FormatChecker

    checker = FormatChecker(formats=())
    for word, check in FORMATS.items():
        checker.checks(word)(lambda value, check=check: not isinstance(value, str) or check(value))
    return checker


@functools.cache
def _machine() -> Any:
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import ValidationError
    from jsonschema.validators import extend

    def required(
        _validator: Any, wanted: list[str], instance: object, schema: Mapping[str, Any]
    ) -> Iterator[ValidationError]:
        if isinstance(instance, dict):
            for key in wanted:
                if key not in instance:
                    yield ValidationError(missing_key(key, _meaning(key, schema)), path=(key,))

    def additional(
        validator: Any, rule: Any, instance: object, schema: Mapping[str, Any]
    ) -> Iterator[ValidationError]:
        if not isinstance(instance, dict):
            return
        known = schema.get("properties", {})
        for key, value in instance.items():
            if key in known:
                continue
            if rule is False:
                yield ValidationError(unknown_key(key, known), path=(key,))
            else:
                yield from validator.descend(value, rule, path=key)

    def pattern(_validator: Any, wanted: str, instance: object, _schema: object) -> Iterator[ValidationError]:
        # JSON Schema patterns are ECMA-262, where $ is the very end; Python's $ lets a line end through
        if isinstance(instance, str) and not _ecma(wanted).search(instance):
            yield ValidationError("")

    def unique(_validator: Any, wanted: bool, instance: object, _schema: object) -> Iterator[ValidationError]:
        # linear in the length of the list, however hostile
        if wanted and isinstance(instance, list):
            seen: set[str] = set()
            for value in instance:
                text = json.dumps(value, sort_keys=True)
                if text in seen:
                    error = ValidationError("")
                    error.instance = value
                    yield error
                    return
                seen.add(text)

    return extend(  # type: ignore[no-untyped-call]
        Draft202012Validator,
        {
            "required": required,
            "additionalProperties": additional,
            "pattern": pattern,
            "uniqueItems": unique,
        },
    )


@functools.cache
def _ecma(text: str) -> re.Pattern[str]:
    return re.compile(re.sub(r"(?<!\\)\$", r"\\Z", text))


_MEANINGS: Final[dict[tuple[int, str], str]] = {}


def _meaning(key: str, schema: Mapping[str, Any]) -> str:
    """First sentence of what a field is, from this schema (which stays, so its id does) or the fields."""
    known = (id(schema), key)
    if known not in _MEANINGS:
        _MEANINGS[known] = _meant(key, schema)
    return _MEANINGS[known]


def _meant(key: str, schema: Mapping[str, Any]) -> str:
    fragment = schema.get("properties", {}).get(key) or _stored(_FIELDS)["$defs"].get(key) or {}
    if not isinstance(fragment, Mapping):
        return ""
    text = str(resolve(fragment).get("description", ""))
    found = _FIRST_SENTENCE.match(text)
    return found[0].rstrip(".") + "." if text and found else ""


def _violations(error: ValidationError, name: str) -> Iterator[Violation]:
    if error.validator == "anyOf" and error.context:
        branch = _likely(error)
        if branch:
            for inner in branch:
                yield from _violations(inner, name)
            return
    keyword, meaning = str(error.validator), ""
    if isinstance(error.schema, Mapping):
        meaning = str(error.schema.get("description", ""))
    limit = error.validator_value
    if keyword in ("contains", "minContains", "maxContains") and isinstance(error.schema, Mapping):
        keyword = "maxContains" if _too_many(error) else "contains"
        limit = error.schema.get("maxContains" if keyword == "maxContains" else "contains")
    if keyword in ("required", "additionalProperties") and error.message:
        message = error.message
    else:
        message = explain(keyword, limit, error.instance, meaning)
    yield Violation(
        pointer=_pointer(iter(error.absolute_path)),
        message=message + _because(error, name),
        schema_path=_pointer(iter(error.absolute_schema_path)),
    )


def _too_many(error: ValidationError) -> bool:
    return str(error.validator) == "maxContains" or "Too many" in error.message


def _likely(error: ValidationError) -> list[ValidationError]:
    """The errors of the one branch of an anyOf that was meant, if that is plain from the kind of value."""
    branches: dict[object, list[ValidationError]] = {}
    for inner in error.context or ():
        branches.setdefault(inner.schema_path[0], []).append(inner)
    meant = [
        inners
        for inners in branches.values()
        if not any(inner.validator == "type" and not inner.path for inner in inners)
    ]
    return meant[0] if len(meant) == 1 else []


def _because(error: ValidationError, name: str) -> str:
    """Why a condition applies: the description of the `if` it stands under, none outside conditions."""
    steps = list(error.absolute_schema_path)
    place: Any = _stored(name)
    for step in steps:
        if step == "then" and isinstance(place, Mapping) and "description" in place:
            return f" (This applies because {place['description']}.)"
        try:
            place = place[step]
        except (KeyError, IndexError, TypeError):
            return ""
    return ""
