"""The command `axlewright agent`: one or many agents in one process."""

from __future__ import annotations

import argparse
import logging
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from types import FrameType

from axlewright_edge.agent import Agent
from axlewright_edge.clock import Clock, SystemClock, Trust
from axlewright_edge.config import AgentSettings, load_agent
from axlewright_edge.errors import ConfigurationError
from axlewright_edge.lean import GIVE_BACK_EVERY_S, give_back, stay_lean
from axlewright_edge.log_format import FORMATS, log_to_stderr
from axlewright_edge.notify import Notifier
from axlewright_models.command_line import Command

LOGGER = logging.getLogger(__name__)
POLL_S = 0.2


def load_all(paths: Sequence[str]) -> list[AgentSettings]:
    """Return the agents of several files; together they must make sense.

    Raises
    ------
    ConfigurationError
        A file is wrong, or two agents share a truck or an outbox.
    """
    agents: list[AgentSettings] = []
    trucks: dict[tuple[str, str], str] = {}
    outboxes: dict[Path, str] = {}
    for path in paths:
        agent = load_agent(path)
        truck, outbox = (agent.fleet, agent.vehicle), Path(agent.outbox.path).resolve()
        if truck in trucks:
            raise ConfigurationError(f"{path}: vehicle: {agent.fleet}/{agent.vehicle} is also in {trucks[truck]}")
        if outbox in outboxes:
            raise ConfigurationError(f"{path}: outbox.path: {outbox} is also in {outboxes[outbox]}; give each its own")
        trucks[truck] = outboxes[outbox] = str(path)
        agents.append(agent)
    return agents


def run_agents(
    agents: Sequence[Agent], stop: threading.Event, until_sent: bool = False, poll: Callable[[], object] | None = None
) -> bool:
    """Run agents until `stop` is set, or until all is sent; return whether none failed.

    Examples
    --------
    >>> stop = threading.Event()
    >>> stop.set()
    >>> run_agents([], stop)
    True
    """
    for agent in agents:
        agent.start()
    try:
        while not stop.wait(POLL_S):
            if poll is not None:
                poll()
            if until_sent and all(agent.all_sent for agent in agents):
                break
    finally:
        # All are told first, so that they say goodbye side by side.
        enders = [threading.Thread(target=agent.stop, name="stop") for agent in agents]
        for ender in enders:
            ender.start()
        for ender in enders:
            ender.join()
    return all(agent.failure is None for agent in agents)


class Watch:
    """Tells the service manager that the agents live, as often as it wants to hear it, and only while all do.

    Parameters
    ----------
    agents : sequence of Agent
        Whom to watch.
    notifier : Notifier
        Whom to tell.
    clock : Clock
        Tells when it is time again.
    """

    def __init__(self, agents: Sequence[Agent], notifier: Notifier, clock: Clock) -> None:
        self._agents = agents
        self._notifier = notifier
        self._clock = clock
        self._at_s: float | None = None

    def look(self) -> None:
        """Ping when it is time and every agent turns."""
        every_s, now_s = self._notifier.ping_every_s, self._clock.elapsed()
        if self._at_s is None:
            self._notifier.send("READY=1", f"STATUS={len(self._agents)} agents running")
        elif every_s <= 0.0 or now_s - self._at_s < every_s:
            return
        stuck = [agent.settings.vehicle for agent in self._agents if not agent.alive]
        if stuck:
            LOGGER.error("%s: does not turn any more; the watchdog is not told that all is well", ", ".join(stuck))
            self._notifier.send(f"STATUS=stuck: {', '.join(stuck)}")
        else:
            self._notifier.send("WATCHDOG=1")
        self._at_s = now_s


def stop_on_signals(stop: threading.Event) -> None:
    """Set `stop` on SIGTERM and SIGINT: both end in order."""

    def _stop(number: int, frame: FrameType | None) -> None:
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _stop)


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--config", action="append", required=True, metavar="FILE", help="agent file (TOML); may be given many times"
    )
    parser.add_argument("--until-sent", action="store_true", help="end when recorded sources are read and all is acked")
    parser.add_argument("--log-level", default="info", type=str.lower, choices=["debug", "info", "warning", "error"])
    parser.add_argument(
        "--log-format", default="text", choices=FORMATS, help="json: one object a line, for a collector of logs"
    )


def _run(options: argparse.Namespace) -> int:
    stay_lean()
    log_to_stderr(options.log_level, options.log_format)
    settings = load_all(options.config)
    # One machine, one clock: the most careful of its agents decides.
    trust: Trust = "synchronised" if any(one.trust_clock == "synchronised" for one in settings) else "date"
    clock: Clock = SystemClock(trust)
    stop = threading.Event()
    stop_on_signals(stop)
    agents = _make(settings, clock)
    LOGGER.info("%d agents running", len(agents))
    if options.log_format == "text":
        print(f"{len(agents)} agent{'s' if len(agents) != 1 else ''} running; SIGTERM or Ctrl+C ends", file=sys.stderr)
    watch = Watch(agents, Notifier(), clock)
    given_back_s = clock.elapsed()

    def poll() -> None:
        nonlocal given_back_s
        watch.look()
        if clock.elapsed() - given_back_s >= GIVE_BACK_EVERY_S:
            give_back()
            given_back_s = clock.elapsed()

    return 0 if run_agents(agents, stop, options.until_sent, poll) else 1


def _make(settings: Sequence[AgentSettings], clock: Clock) -> list[Agent]:
    agents: list[Agent] = []
    try:
        agents.extend(Agent(one, clock) for one in settings)
    except BaseException:
        for agent in agents:
            agent.outbox.close()
        raise
    return agents


AGENT = Command(
    name="agent",
    summary="run one or more edge agents from their configuration files",
    description=(
        "Run edge agents: each reads one truck's source, keeps every frame on disk and sends it to the office's\n"
        "broker until the office has acknowledged it. SIGTERM ends in order; what is not acknowledged is sent\n"
        "the next time."
    ),
    add_arguments=_add_arguments,
    run=_run,
    examples=(
        "axlewright agent --config /etc/axlewright/agent.toml",
        "axlewright agent --config truck-1.toml --config truck-2.toml --log-level info",
    ),
)
