"""What is wrong with a file that people write, in words that say where and what would be right."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from difflib import get_close_matches

import msgspec
from msgspec import inspect

_STEP = re.compile(r"\.([^.\[\]]+)|\[")


def readable(text: str, kind: type[msgspec.Struct]) -> str:
    """Return msgspec's "problem - at `$.a.b`" as "a.b: problem", with the allowed words or keys where they help.

    Examples
    --------
    >>> from typing import Literal
    >>> Broker = msgspec.defstruct("Broker", [("version", Literal["auto", "5"])], forbid_unknown_fields=True)
    >>> Agent = msgspec.defstruct("Agent", [("broker", Broker)])
    >>> readable("Invalid enum value 'six' - at `$.broker.version`", Agent)
    "broker.version: is 'six'; use one of '5', 'auto'"
    >>> readable("Object contains unknown field `versoin` - at `$.broker`", Agent)
    'broker: Object contains unknown field `versoin`; did you mean version?'
    """
    problem, _, rest = text.partition(" - at `$")
    path = rest.rstrip("`")
    problem += _hint(problem, path, kind)
    problem = re.sub(r"^Invalid enum value ('[^']*'|\S+);", r"is \1;", problem)
    return f"{path.lstrip('.')}: {problem}" if path else problem


def _hint(problem: str, path: str, kind: type[msgspec.Struct]) -> str:
    found = list(_walk(inspect.type_info(kind), [match[1] for match in _STEP.finditer(path)]))
    if problem.startswith("Invalid enum value"):
        words = sorted(
            {repr(value) for entry in found if isinstance(entry, inspect.LiteralType) for value in entry.values}
        )
        return f"; use one of {', '.join(words)}" if words else ""
    unknown = re.match(r"Object contains unknown field `(.*)`", problem)
    if unknown:
        keys = sorted({field.encode_name for entry in found for field in getattr(entry, "fields", ())})
        return f"; {meant(unknown[1], keys)}"
    return ""


def meant(word: str, allowed: Sequence[str]) -> str:
    """Return which of the allowed words was probably meant, else all of them.

    Examples
    --------
    >>> meant("vehicels", ["types", "vehicles"]), meant("x", ["types", "vehicles"])
    ('did you mean vehicles?', 'allowed are types, vehicles')
    """
    near = get_close_matches(word, allowed, n=1)
    return f"did you mean {near[0]}?" if near else f"allowed are {', '.join(allowed)}"


def _walk(kind: inspect.Type, steps: Sequence[str | None]) -> Iterator[inspect.Type]:
    """Yield the types that a path leads to; a step is a key, or None for an entry of a list."""
    if isinstance(kind, inspect.UnionType):
        for one in kind.types:
            yield from _walk(one, steps)
    elif isinstance(kind, inspect.Metadata):
        yield from _walk(kind.type, steps)
    elif not steps:
        yield kind
    elif isinstance(kind, inspect.StructType):
        for field in kind.fields:
            if field.encode_name == steps[0]:
                yield from _walk(field.type, steps[1:])
    elif isinstance(kind, inspect.DictType):
        yield from _walk(kind.value_type, steps[1:])
    elif steps[0] is None and isinstance(kind, inspect.VarTupleType | inspect.ListType):
        yield from _walk(kind.item_type, steps[1:])
