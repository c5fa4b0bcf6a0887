"""The parts of an evaluation: which trucks are simulated together, and the child process that simulates them.

The simulators are reached through their command alone; readings come through a pipe, truth and fleet file in a folder.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Literal

import msgspec

from axlewright_server.errors import EvaluationError

COMMAND_LINE = (sys.executable, "-m", "axlewright_models.command_line")
FIRST_SEED = 2001
OUTSIDE = "outside"  # key of readings that were not made here
# The same run under worse conditions; options of `axlewright simulate`.
VARIANTS: dict[str, tuple[str, ...]] = {
    "as-designed": (),
    "parameters-30-off": ("--parameter-spread", "0.3"),
    "half-the-sensors": ("--missing-sensors", "0.5"),
    "frames-lost": ("--lost-frames", "0.05"),
    "noise-doubled": ("--noise", "2"),
}
VARIANT_TITLES = {
    "as-designed": "as simulated",
    "parameters-30-off": "every parameter off by up to 30 %",
    "half-the-sensors": "half of the sensors missing",
    "frames-lost": "5 % of frames lost",
    "noise-doubled": "noise doubled",
}
# Parts begin in different seasons.
_BEGINS = ("2025-01-01", "2025-07-01", "2025-04-01", "2025-10-01")


class Part(msgspec.Struct, frozen=True):
    """Trucks that are simulated and judged together; `key` names its files, `span_s` is about how long they drive."""

    key: str
    variant: str
    kind: Literal["scenarios", "healthy"]
    seed: int
    arguments: tuple[str, ...]
    vehicle_days: float
    span_s: float = 86400.0


@dataclass(frozen=True)
class Plan:
    """What is to be run.

    ``scenarios``: names, () = the whole library. ``seeds``: how many. ``healthy_years``: vehicle-years of healthy
    trucks, in fleets of ``healthy_trucks`` over ``healthy_days``. ``robust_seeds`` and ``robust_years``: the
    same for each worse condition. ``together``: seeds per simulation (a larger fleet costs less per truck).
    """

    first_seed: int = FIRST_SEED
    seeds: int = 4
    scenarios: tuple[str, ...] = ()
    healthy_years: float = 200.0
    healthy_trucks: int = 400
    healthy_days: float = 91.3125
    robust_seeds: int = 1
    robust_years: float = 10.0
    together: int = 4
    window_s: float = 60.0

    def parts(self, only: str = "") -> list[Part]:
        """Return the parts in the order in which they are run."""
        found = [
            *self._scenario_parts("as-designed", self.seeds),
            *self._healthy_parts("as-designed", self.healthy_years),
        ]
        for variant in VARIANTS:
            if variant != "as-designed":
                found += self._scenario_parts(variant, self.robust_seeds)
                found += self._healthy_parts(variant, self.robust_years)
        return [part for part in found if only in part.key]

    def _scenario_parts(self, variant: str, count: int) -> Iterator[Part]:
        for first in range(0, count, self.together):
            seeds = [self.first_seed + number for number in range(first, min(first + self.together, count))]
            begin = _BEGINS[first // self.together % len(_BEGINS)]
            arguments = [
                "--seeds",
                *map(str, seeds),
                "--begin",
                begin,
                "--window",
                f"{self.window_s:g}",
                *VARIANTS[variant],
            ]
            if self.scenarios:
                arguments += ["--scenarios", *self.scenarios]
            key = f"{variant}-scenarios-{seeds[0]}-{len(seeds)}"
            # Some fifty scenarios, each watched for two months or so beside its quiet weeks.
            trucks = len(self.scenarios) or 50
            yield Part(key, variant, "scenarios", seeds[0], tuple(arguments), len(seeds) * trucks * 65.0, 120 * 86400.0)

    def _healthy_parts(self, variant: str, years: float) -> Iterator[Part]:
        left, number = years * 365.25, 0
        while left > 0.01 * years * 365.25:
            trucks = min(self.healthy_trucks, max(1, round(left / self.healthy_days)))
            days = min(self.healthy_days, left)
            seed = self.first_seed + number
            begin = _BEGINS[number % len(_BEGINS)]
            arguments = ("--healthy", str(trucks), "--days", f"{days:g}", "--begin", begin, "--seeds", str(seed))
            window = ("--window", f"{self.window_s:g}")
            key = f"{variant}-healthy-{seed}-{trucks}x{days:.0f}"
            yield Part(
                key, variant, "healthy", seed, (*arguments, *window, *VARIANTS[variant]), trucks * days, days * 86400.0
            )
            left -= trucks * days
            number += 1


@contextlib.contextmanager
def simulated(arguments: Sequence[str], folder: Path) -> Iterator[IO[bytes]]:
    """Start `axlewright simulate` and yield the pipe that its readings come through.

    It writes ``fleet.toml`` and a first ``truth.json`` (with the recorded repairs) before the first reading, and the
    truth with its failures after the last.

    Raises
    ------
    EvaluationError
        It failed; the text is its own last line.
    """
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / "simulate.log"
    command = [*COMMAND_LINE, "simulate", "--stream", "--into", str(folder), *arguments]
    with log.open("wb") as errors, subprocess.Popen(command, stdout=subprocess.PIPE, stderr=errors) as child:
        assert child.stdout is not None  # it was asked for
        try:
            yield child.stdout
            child.stdout.close()
            code = child.wait()
        except BaseException:
            child.terminate()
            child.wait()
            said = _last_line(log)
            if said:
                raise EvaluationError(f"axlewright simulate: {said}") from None
            raise
    if code:
        raise EvaluationError(f"axlewright simulate ended with {code}: {_last_line(log) or 'it said nothing'}")


def _last_line(log: Path) -> str:
    lines = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    return lines[-1] if lines else ""
