"""The command `axlewright knowledge check`: is the knowledge base whole, and does it say what a specialist expects?"""

from __future__ import annotations

import argparse

from axlewright_models.command_line import Command
from axlewright_server.diagnosis.cases import Result, load_cases, try_cases, untried
from axlewright_server.diagnosis.facts import NONE
from axlewright_server.diagnosis.knowledge import load_knowledge


def _arguments(parser: argparse.ArgumentParser) -> None:
    check = parser.add_subparsers(dest="what", required=True).add_parser("check", help="read it and try it on cases")
    check.add_argument("cases", metavar="CASES", nargs="?", help="file of cases (TOML); the packaged ones if left out")
    check.add_argument("--knowledge", metavar="FILE", help="knowledge base (TOML); the packaged one if left out")
    check.add_argument("--quiet", action="store_true", help="only what is not as expected")


def _run(options: argparse.Namespace) -> int:
    knowledge = load_knowledge(options.knowledge)
    cases = load_cases(options.cases)
    results = try_cases(knowledge, cases)
    wrong = [result for result in results if result.faults]
    for result in wrong if options.quiet else results:
        print("\n".join(_lines(result)))
    bare = [name for name in untried(knowledge, cases) if name != NONE]
    if bare:
        print(f"no case leads to: {', '.join(bare)}")
    print(
        f"{len(knowledge.causes)} causes, {len(knowledge.evidence)} kinds of evidence, {len(knowledge.checks)} checks; "
        f"{len(results) - len(wrong)} of {len(results)} cases as expected"
    )
    return 1 if wrong else 0


def _lines(result: Result) -> list[str]:
    leading = ", ".join(f"{name} {100.0 * chance:.0f} %" for name, chance in result.ranking[:3])
    lines = [f"{'wrong' if result.faults else 'ok   '}  {result.case.title}", f"       {leading}"]
    said = result.assessment
    if said is not None and said.next_checks:
        best = said.next_checks[0]
        lines.append(f"       next: {best.id} ({best.bits:.2f} of {said.open_bits:.2f} bit, {best.minutes:.0f} min)")
    return lines + [f"       {fault}" for fault in result.faults]


KNOWLEDGE = Command(
    "knowledge",
    "check a knowledge base of causes and evidence against cases",
    "Read a knowledge base (the packaged one, or your own copy), say what is wrong in it with the path of the key,\n"
    "and try it on cases: what is seen and found in each, and the ranking of causes that is expected.",
    _arguments,
    _run,
    (
        "axlewright knowledge check",
        "axlewright knowledge check --knowledge my-causes.toml my-cases.toml",
    ),
)
