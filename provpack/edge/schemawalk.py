"""A walk over a document along its schema, for edge/schemas.py: finds what jsonschema's own finds, in order.

The library makes a new validator and a new reference resolver at each value, which is most of its time and
counts in a job of 5 000 transfers. Its keywords are used as they are; only the way from schema to schema is
ours, and references are pointers into the one document. The keywords unevaluatedItems, unevaluatedProperties
and $dynamicRef would need more than that, and are refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, Final

from provpack.errors import Bug

Keyword = Callable[[Any, Any, Any, Any], "Iterable[Any] | None"]
_KINDS: Final[Mapping[str, type]] = {"object": dict, "array": list, "string": str, "boolean": bool}
_REFUSED: Final = frozenset({"unevaluatedItems", "unevaluatedProperties", "$dynamicRef"})
_TRANSPARENT: Final = frozenset({"if", "$ref"})
"""Keywords that leave no step in the path of an error, as in the library."""


class Walk:
    """One schema, with the part of the library's validator that its keywords use.

    keywords, is_kind, error: the library's keyword functions, its question whether a value is of a type, and
    its class of errors. Errors come lazily, so that a hostile document costs no more than what is asked for.
    """

    def __init__(
        self,
        schema: Any,
        *,
        keywords: Mapping[str, Keyword],
        is_kind: Callable[[Any, str], bool],
        checker: object,
        format_checker: object,
        error: Callable[..., Any],
    ) -> None:
        self._keywords: dict[str, Keyword] = {**keywords, "$ref": _reference, "properties": _properties}
        self._is_kind, self.TYPE_CHECKER, self.format_checker = is_kind, checker, format_checker
        self._error = error
        self._root = self._schema = schema
        self._steps: dict[int, tuple[tuple[Keyword, str, Any], ...]] = {}
        self._targets: dict[str, Any] = {}

    def is_type(self, instance: object, kind: str) -> bool:
        """Whether the value is of the type, as the library sees it (1.0 is an integer, true no number)."""
        simple = _KINDS.get(kind)
        return isinstance(instance, simple) if simple is not None else self._is_kind(instance, kind)

    def evolve(self, *, schema: Any) -> Walk:
        """The same walk over a part of the schema."""
        part = object.__new__(Walk)
        part.__dict__ = {**self.__dict__, "_schema": schema}
        return part

    def is_valid(self, instance: object) -> bool:
        """Whether nothing is wrong."""
        return next(self.descend(instance, self._schema), None) is None

    def iter_errors(self, instance: object) -> Iterator[Any]:
        """Everything that is wrong, as the library's errors."""
        return self.descend(instance, self._schema)

    def descend(
        self, instance: Any, schema: Any, path: str | int | None = None, schema_path: str | int | None = None
    ) -> Iterator[Any]:
        """What is wrong with a value by a part of the schema; path, schema_path: the steps that led here."""
        if schema is True:
            return
        if schema is False:
            yield self._error(
                f"False schema does not allow {instance!r}",
                validator=None, validator_value=None, instance=instance, schema=schema,
            )  # fmt: skip
            return
        for keyword, name, value in self._steps.get(id(schema)) or self._prepare(schema):
            for error in keyword(self, value, instance, schema) or ():
                error._set(
                    validator=name, validator_value=value, instance=instance, schema=schema,
                    type_checker=self.TYPE_CHECKER,
                )  # fmt: skip
                if name not in _TRANSPARENT:
                    error.schema_path.appendleft(name)
                if path is not None:
                    error.path.appendleft(path)
                if schema_path is not None:
                    error.schema_path.appendleft(schema_path)
                yield error

    def target(self, reference: str) -> Any:
        """What a pointer of the document's own points to."""
        if reference not in self._targets:
            place = self._root
            for part in reference.removeprefix("#").split("/")[1:]:
                place = place[part.replace("~1", "/").replace("~0", "~")]
            self._targets[reference] = place
        return self._targets[reference]

    def _prepare(self, schema: Mapping[str, Any]) -> tuple[tuple[Keyword, str, Any], ...]:
        # The parts of a schema live as long as the walk, so that their ids stand for them.
        if not _REFUSED.isdisjoint(schema):
            raise Bug("schema-keyword", "A keyword our walk does not know.", where=str(schema)[:200], todo="")
        steps = tuple((self._keywords[k], k, v) for k, v in schema.items() if k in self._keywords)
        self._steps[id(schema)] = steps
        return steps


def _reference(walk: Walk, reference: str, instance: object, _schema: object) -> Iterator[Any]:
    return walk.descend(instance, walk.target(reference))


def _properties(walk: Walk, properties: Mapping[str, Any], instance: Any, _schema: object) -> Iterator[Any]:
    if isinstance(instance, dict):
        for name, part in properties.items():
            if name in instance:
                yield from walk.descend(instance[name], part, path=name, schema_path=name)
