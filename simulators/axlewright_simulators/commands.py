"""The commands ``axlewright demo`` and ``axlewright trucks``."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from rich.console import Console

from axlewright_models.command_line import SUMMARIES, Command
from axlewright_simulators.convoy import ConvoyOptions, run_convoy
from axlewright_simulators.demo import DemoOptions, run_demo
from axlewright_simulators.scenarios import parse_time_s, titles

PAGE_PORT, BROKER_PORT = 8642, 18642


def _demo_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--data", type=Path, default=Path("demo-data"), metavar="DIR", help="folder of everything")
    parser.add_argument("--page-port", type=int, default=PAGE_PORT, metavar="N", help=f"port of the page ({PAGE_PORT})")
    parser.add_argument(
        "--broker-port", type=int, default=BROKER_PORT, metavar="N", help=f"port of the broker ({BROKER_PORT})"
    )
    parser.add_argument("--history-days", type=_days, default=14.0, metavar="D", help="days of history behind now (14)")
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help="another number, other days; counts when a run begins anew (1)"
    )
    parser.add_argument("--fresh", action="store_true", help="forget the last run and begin anew")
    parser.add_argument("--no-history", action="store_true", help="start without history, or without the time between")


def _days(text: str) -> float:
    days = float(text)
    if not 0.0 <= days <= 365.0:
        raise argparse.ArgumentTypeError("must be 0 to 365")
    return days


def _demo(arguments: argparse.Namespace) -> int:
    options = DemoOptions(
        data=arguments.data,
        page_port=arguments.page_port,
        broker_port=arguments.broker_port,
        history_days=arguments.history_days,
        seed=arguments.seed,
        fresh=arguments.fresh,
        history=not arguments.no_history and arguments.history_days > 0.0,
    )
    return run_demo(options, Console())


DEMO = Command(
    "demo",
    SUMMARIES["demo"],
    "Fill an office with some weeks of an invented haulier's readings, then let its trucks drive on live over MQTT.\n"
    "Faults develop on the road; open the page and watch them being found. All on this machine, nothing real.",
    _demo_arguments,
    _demo,
    (
        "axlewright demo",
        "axlewright demo --page-port 9000 --broker-port 19000",
        "axlewright demo --fresh --history-days 3 --seed 7",
    ),
)


def _truck_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--fleet", type=Path, required=True, metavar="FILE", help="fleet file")
    parser.add_argument("--broker", required=True, metavar="URL", help="broker, such as mqtt://127.0.0.1:18642")
    parser.add_argument("--count", type=int, metavar="N", help="only the first N trucks")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another number, other trucks (1)")
    parser.add_argument("--begin", metavar="ISO", help="begin in the past, such as 2026-05-04T06:00 (UTC)")
    parser.add_argument(
        "--speed-up",
        type=float,
        default=1.0,
        metavar="N",
        help="how fast to drive until the truck's clock is now (1)",
    )
    parser.add_argument("--window", type=float, default=10.0, metavar="S", help="length of a window, seconds (10)")
    parser.add_argument(
        "--scenario",
        action="append",
        default=[],
        metavar="NAME=TRUCK@TIME",
        help="what happens to whom; TIME is ISO or +seconds after the beginning. Names: "
        + "; ".join(f"{name} ({title})" for name, title in titles().items()),
    )
    parser.add_argument("--data", type=Path, metavar="DIR", help="keep the trucks' files here (else they are dropped)")


def _trucks(arguments: argparse.Namespace) -> int:
    begin = None if arguments.begin is None else parse_time_s(arguments.begin, time.time())
    options = ConvoyOptions(
        fleet=arguments.fleet,
        broker_url=arguments.broker,
        count=arguments.count,
        seed=arguments.seed,
        begin_s=begin,
        speed_up=arguments.speed_up,
        window_s=arguments.window,
        scenarios=tuple(arguments.scenario),
        data=arguments.data,
    )
    return run_convoy(options, Console())


TRUCKS = Command(
    "trucks",
    SUMMARIES["trucks"],
    "Drive simulated trucks against a broker. With --begin they drive as fast as --speed-up says until their clock\n"
    "has reached now, then in real time; no reading ever carries a time that is still to come.",
    _truck_arguments,
    _trucks,
    (
        "axlewright trucks --fleet fleet.toml --broker mqtt://127.0.0.1:18642 --count 5",
        "axlewright trucks --fleet fleet.toml --broker mqtt://127.0.0.1:18642 --begin 2026-05-04T06:00 --speed-up 600 "
        "--scenario dragging-brake=hv-101@+3600",
    ),
)
