"""The interface's own description as a page: read from the OpenAPI document, drawn without any script."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Parameter:
    """One parameter of a route."""

    name: str
    place: str
    required: bool
    text: str


@dataclass(frozen=True)
class Route:
    """One route as the page tells it."""

    method: str
    path: str
    tag: str
    text: str
    parameters: tuple[Parameter, ...]
    examples: tuple[tuple[str, str], ...]


def described_routes(document: dict[str, Any]) -> list[tuple[str, list[Route]]]:
    """Return the routes of an OpenAPI document by tag, in the document's order (Any: it is JSON)."""
    groups: dict[str, list[Route]] = {}
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            route = _route(method.upper(), path, operation)
            groups.setdefault(route.tag, []).append(route)
    return list(groups.items())


def _route(method: str, path: str, operation: dict[str, Any]) -> Route:
    content = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
    examples = {name: one["value"] for name, one in content.get("examples", {}).items()}
    return Route(
        method=method,
        path=path,
        tag=next(iter(operation.get("tags", [])), "other"),
        text=operation.get("description") or operation.get("summary", ""),
        parameters=tuple(_parameter(one) for one in operation.get("parameters", [])),
        examples=tuple((name, json.dumps(value)) for name, value in examples.items()),
    )


def _parameter(one: dict[str, Any]) -> Parameter:
    schema = one["schema"]
    kinds = [part.get("type", "") for part in schema.get("anyOf", [schema])]
    text = " or ".join(kind for kind in kinds if kind and kind != "null")
    if "enum" in schema:
        text = ", ".join(map(str, schema["enum"]))
    if schema.get("default") is not None:
        text += f", default {schema['default']}"
    said = one.get("description") or schema.get("description")
    return Parameter(one["name"], one["in"], one.get("required", False), f"{text}. {said}" if said else text)
