"""A definition written as the TOML file that reads back as the same definition."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

from pydantic import BaseModel

from retreat.definitions.definition import Definition

# fields of a definition that its file does not hold, or holds under another key
_DERIVED = ("terms", "fingerprint")
_KEYS = {"entries": "terms", "likeness": "support"}
# what a reader looks for first and last in an entry; the rest stands between
_FIRST, _LAST = ("feature", "form", "level", "end"), ("why", "prior", "first", "step")


def definition_toml(definition: Definition, *, comment: Sequence[str] = ()) -> str:
    """The file of a definition, in the order and layout of the shipped ones.

    Parameters
    ----------
    definition : Definition
        What to write.
    comment : sequence of str
        Lines to stand before it.

    Returns
    -------
    str
        TOML 1.0; :func:`read_definition` gives the definition back, but for the fingerprint of the file.

    Examples
    --------
    >>> from retreat.definitions import read_definition
    >>> print(definition_toml(read_definition("core")).splitlines()[0])
    name = "core"
    """
    content = _content(definition)
    lines = [f"# {' '.join(line.split())}" for line in comment]
    plain = {k: v for k, v in content.items() if not isinstance(v, Mapping | list) and v not in ("", 0.0)}
    lines += [f"{key} = {_value(value)}" for key, value in plain.items()]
    for key, value in content.items():
        if isinstance(value, Mapping) and value:
            lines += ["", f"[{key}]", *_entries(value)]
        elif isinstance(value, list):
            for entry in value:
                lines += ["", f"[[{key}]]", *_entries(entry)]
    return "\n".join(lines) + "\n"


def _content(definition: Definition) -> dict[str, Any]:
    content: dict[str, Any] = {}
    for field in fields(definition):
        if field.name not in _DERIVED:
            content[_KEYS.get(field.name, field.name)] = _plain(getattr(definition, field.name))
    content["references"] = [{"text": text} for text in definition.references]
    return {key: value for key, value in content.items() if value is not None}


def _plain(value: Any) -> Any:
    if isinstance(value, BaseModel):
        return _ordered(value.model_dump(exclude_unset=True, exclude_none=True))
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items()}
    return value


def _ordered(entry: Mapping[str, Any]) -> dict[str, Any]:
    between = [key for key in entry if key not in (*_FIRST, *_LAST)]
    return {key: _within(entry[key]) for key in (*_FIRST, *between, *_LAST) if key in entry}


def _within(value: Any) -> Any:
    if isinstance(value, Mapping):
        return _ordered(value)
    if isinstance(value, list | tuple):
        return [_within(one) for one in value]
    return value


def _entries(table: Mapping[str, Any]) -> list[str]:
    lines = []
    for key, value in table.items():
        if isinstance(value, list | tuple) and value and isinstance(value[0], Mapping):
            lines += [f"{key} = [", *[f"  {_value(one)}," for one in value], "]"]
        else:
            lines.append(f"{key} = {_value(value)}")
    return lines


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # a JSON string is a TOML string, but for the one control character that JSON leaves as it is
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)
