"""Mistakes in a plan as sentences that name line and key."""

import difflib
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from collector.planning.toml_lines import Path, TomlLines
from parsers.text import printable

_TYPES = {
    "string_type": "text in quotes",
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list in brackets",
    "model_type": "a table",
    "dict_type": "a table",
    "model_attributes_type": "a table",
}
_SIZES = ("string_too_short", "string_too_long", "too_short", "too_long")
_LIMITS = {
    "greater_than": ("above", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("below", "lt"),
    "less_than_equal": ("at most", "le"),
}


def problems_of(exc: ValidationError, document: dict[str, Any], text: str) -> tuple[str, ...]:
    """One sentence for each mistake, in the order of lines."""
    lines = TomlLines(text)
    found = []
    for error in exc.errors(include_url=False):
        path = _in_document(tuple(error["loc"]), document)
        line = lines.line_of(path)
        found.append((line, f"line {line}: {_where(path, document)}{_what(error, path)}"))
    return tuple(sentence for _, sentence in sorted(dict.fromkeys(found)))


def _in_document(loc: Path, document: dict[str, Any]) -> Path:
    """The place without the steps that only the model knows, such as the kind of an action."""
    path: list[str | int] = []
    node: Any = document
    for n, step in enumerate(loc):
        last = n == len(loc) - 1
        if isinstance(node, dict) and step not in node and not last:
            continue
        path.append(step)
        try:
            node = node[step]
        except (KeyError, IndexError, TypeError):
            node = None
    return tuple(path)


def _where(path: Path, document: dict[str, Any]) -> str:
    """Which segment, in words."""
    if len(path) < 2 or path[0] != "segment" or not isinstance(path[1], int):
        return f"[{path[0]}] " if len(path) > 1 and path[0] in ("require", "limits") else ""
    try:
        name = document["segment"][path[1]]["name"]
    except (KeyError, IndexError, TypeError):
        name = None
    named = f" '{printable(name, 40)}'" if isinstance(name, str) else ""
    number = path[3] if path[2:3] == ("drive",) and len(path) > 3 else None
    action = f", action {number + 1}" if isinstance(number, int) else ""
    return f"segment {path[1] + 1}{named}{action}: "


def _what(error: ErrorDetails, path: Path) -> str:
    kind, given, context = error["type"], error["input"], error.get("ctx", {})
    key = next((step for step in reversed(path) if isinstance(step, str)), "the plan")
    shown = printable(str(given), 40) if isinstance(given, str | int | float) else ""
    if kind in _TYPES:
        return f"'{key}' must be {_TYPES[kind]}, not {_kind_of(given)}"
    if kind in _LIMITS:
        word, name = _LIMITS[kind]
        return f"'{key}' must be {word} {context[name]:g}, not {shown}"
    if kind in _SIZES:
        return f"'{key}' {_size(kind, context)}"
    said = {
        "missing": f"'{key}' is missing",
        "extra_forbidden": f"'{key}' is not known here{_suggestion(key, path)}",
        "literal_error": f"'{key}' must be {context.get('expected')}, not '{shown}'",
        "union_tag_invalid": (
            f"'action' must be one of {context.get('expected_tags')}, not '{context.get('tag')}'"
        ),
        "union_tag_not_found": "an action needs 'action', such as action = \"tap\"",
        "value_error": _own_words(key, str(context.get("error"))),
    }
    return said.get(kind, f"'{key}': {error['msg']}")


def _own_words(key: str, said: str) -> str:
    return said if f"'{key}'" in said or said.startswith("segment ") else f"'{key}': {said}"


def _size(kind: str, context: dict[str, Any]) -> str:
    things = "characters" if kind.startswith("string") else "entries"
    if kind.endswith("short"):
        return f"needs at least {context['min_length']} {things}"
    return f"takes at most {context['max_length']} {things}"


def _kind_of(given: Any) -> str:
    if isinstance(given, bool):
        return "true" if given else "false"
    if isinstance(given, str):
        return f"the text '{printable(given, 30)}'"
    if isinstance(given, int | float):
        return f"{given:g}"
    return "a list" if isinstance(given, list) else "a table"


def _suggestion(key: str, path: Path) -> str:
    names = _names_at(path)
    close = difflib.get_close_matches(key, names, n=1, cutoff=0.6)
    return f"; did you mean '{close[0]}'?" if close else ""


def _names_at(path: Path) -> list[str]:
    """The keys that may stand at a place."""
    from collector.driving.actions import Action  # noqa: PLC0415 - they import each other's words
    from collector.planning.plan import Limits, Plan, Required, Segment  # noqa: PLC0415

    if path[:1] == ("segment",) and "drive" in path:
        kinds = get_args(get_args(Action)[0])
        return sorted({name for kind in kinds for name in _keys(kind)})
    places: dict[str, type[BaseModel]] = {
        "segment": Segment,
        "require": Required,
        "limits": Limits,
    }
    return _keys(places.get(str(path[0]), Plan) if len(path) > 1 else Plan)


def _keys(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]
