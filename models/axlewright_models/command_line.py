"""The command `axlewright`: finds the sub-commands that the installed rooms bring, and runs one.

Each room registers its commands as entry points of the group ``axlewright.commands``; only the one that is
asked for is imported, so a truck's gateway needs none of the office's libraries.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint, entry_points

from axlewright_models import __version__
from axlewright_models.errors import ModelError

GROUP = "axlewright.commands"

# One line each, so that the overview needs no import of any room.
SUMMARIES = {
    "demo": "show everything at work: a fleet of simulated trucks, the office and its page",
    "serve": "run the office: broker, ingest, detectors, page",
    "agent": "run one or more edge agents from their configuration files",
    "trucks": "run simulated trucks against an office or any broker",
    "replay": "send recorded readings or a raw waveform as if the trucks drove now",
    "check": "check a fleet file or an agent file and say what is wrong",
    "describe": "tell what a recorded vibration holds: orders, envelope, doubts, a bearing's defect",
    "load-history": "load recorded readings straight into the office's store",
    "fleet-prior": "write what the fleet's own axles read, for axles that are still learning",
    "simulate": "simulate many trucks and their truth, as fast as the machine can",
    "evaluate": "measure what is found, how early and how often wrong, on scenarios with a known truth",
    "knowledge": "check a knowledge base of causes and evidence against cases",
    "broker-config": "write a mosquitto configuration with rights per truck",
    "add-user": "add or change a person who may log in",
    "schema": "print the JSON Schemas and the AsyncAPI document of the open formats",
}
# Which extra brings what a command needs.
_EXTRAS = {
    "demo": "server,simulators",
    "trucks": "simulators",
    "simulate": "simulators",
    "evaluate": "server,simulators,evaluation",
    "serve": "server",
    "load-history": "server",
    "fleet-prior": "server",
    "knowledge": "server",
    "broker-config": "server",
    "add-user": "server",
    "agent": "edge",
    "replay": "edge",
    "check": "edge",
    "describe": "edge",
}


@dataclass(frozen=True)
class Command:
    """One sub-command: what the help says, its arguments, and what it does (returns the exit code)."""

    name: str
    summary: str
    description: str
    add_arguments: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], int]
    examples: tuple[str, ...] = field(default=())

    def parser(self) -> argparse.ArgumentParser:
        """Return the parser of this command, its help with examples."""
        epilog = "\n".join(["examples:", *(f"  {example}" for example in self.examples)]) if self.examples else None
        parser = argparse.ArgumentParser(
            prog=f"axlewright {self.name}",
            description=self.description,
            epilog=epilog,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        self.add_arguments(parser)
        return parser


def _registered() -> dict[str, EntryPoint]:
    return {point.name: point for point in entry_points(group=GROUP)}


def _overview(registered: dict[str, EntryPoint]) -> str:
    lines = [
        "usage: axlewright COMMAND [options]",
        "",
        "A telemetry monitor and advisor for drive axles.",
        "",
        "commands:",
    ]
    names = [name for name in SUMMARIES if name in registered] + sorted(set(registered) - set(SUMMARIES))
    lines += [f"  {name:<14} {SUMMARIES.get(name, '')}".rstrip() for name in names]
    lines += ["", "axlewright COMMAND --help tells more; axlewright --version prints the version."]
    return "\n".join(lines)


def load_command(name: str, registered: dict[str, EntryPoint] | None = None) -> Command:
    """Return the command of this name.

    Raises
    ------
    ModelError
        No room brings it, or the libraries that it needs are not installed.
    """
    registered = _registered() if registered is None else registered
    if name not in registered:
        raise ModelError(f"there is no command {name!r}; use one of: {', '.join(sorted(registered))}")
    try:
        command = registered[name].load()
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("axlewright_"):
            raise
        extra = _EXTRAS.get(name, "server,edge,simulators")
        raise ModelError(
            f"command {name!r} needs the library {error.name!r}; install it with: pip install 'axlewright[{extra}]'"
        ) from error
    if not isinstance(command, Command):
        raise ModelError(f"entry point {registered[name].value} is no Command")
    return command


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit code: 0 good, 1 failed, 2 wrong words."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    registered = _registered()
    if not words or words[0] in {"-h", "--help", "help"}:
        print(_overview(registered))
        return 0 if words else 2
    if words[0] == "--version":
        print(f"axlewright {__version__}")
        return 0
    try:
        command = load_command(words[0], registered)
    except ModelError as error:
        print(f"axlewright: {error}", file=sys.stderr)
        return 2
    options = command.parser().parse_args(words[1:])
    try:
        code = command.run(options)
        sys.stdout.flush()
        return code
    except ModelError as error:
        print(f"axlewright {command.name}: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Whoever read our output has seen enough (`| head`); Python must not complain again while it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141


if __name__ == "__main__":
    # Run as `python -m`, this file exists twice; the commands' own Command is the imported one's.
    from axlewright_models.command_line import main as imported_main

    raise SystemExit(imported_main())
