"""The command that prints the open formats: JSON Schemas and the AsyncAPI document."""

from __future__ import annotations

import argparse
import json

from axlewright_models.command_line import Command


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("what", choices=["fleet", "mqtt"], help="fleet: JSON Schema of the fleet file; mqtt: AsyncAPI")


def _run(options: argparse.Namespace) -> int:
    from axlewright_models import spec
    from axlewright_models.wire.asyncapi import asyncapi_document

    document = spec.json_schema() if options.what == "fleet" else asyncapi_document()
    print(json.dumps(document, indent=2, ensure_ascii=False))
    return 0


SCHEMA = Command(
    name="schema",
    summary="print the JSON Schemas and the AsyncAPI document of the open formats",
    description="Print a machine-readable description of an open format.",
    add_arguments=_add_arguments,
    run=_run,
    examples=("axlewright schema fleet > fleet.schema.json", "axlewright schema mqtt"),
)
