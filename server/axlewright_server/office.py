"""The office as a whole: builds every part from the settings, starts them in order and stops them in reverse."""

from __future__ import annotations

import functools
import logging
import time
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
from sqlalchemy import Connection

from axlewright_models.errors import ModelError
from axlewright_models.shop.service import ServiceEvent
from axlewright_models.spec import FleetSpec, load_fleet
from axlewright_models.wire.messages import AdvisoryMessage, Command, encode_message
from axlewright_models.wire.topics import Topic, TopicKind
from axlewright_server import accounts
from axlewright_server.advisories import (
    Advisory,
    AdvisoryError,
    acknowledge,
    close,
    shelve,
    suppress,
    unshelve,
    unsuppress,
)
from axlewright_server.broker import EmbeddedBroker
from axlewright_server.detectors.suite import read_prior
from axlewright_server.diagnosis.casebook import Found
from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.errors import BrokerError, SettingsError
from axlewright_server.figures import IngestFigures
from axlewright_server.hub import Hub
from axlewright_server.ingest import Inbox, Ingest
from axlewright_server.kernel import Change
from axlewright_server.limits_sender import send_limits
from axlewright_server.pipeline import Pipeline
from axlewright_server.publisher import Publisher
from axlewright_server.settings import Settings, check_exposure
from axlewright_server.store import Store, bursts
from axlewright_server.store.database import FILE_NAME
from axlewright_server.store.sealing import Retention
from axlewright_server.upkeep import Upkeep

_LOG = logging.getLogger(__name__)
ACTIONS = ("acknowledge", "shelve", "unshelve", "suppress", "unsuppress", "close")
# A turn is a micro-batch and at most one step of sealing; one that takes so long is stuck.
STUCK_S = 60.0


@dataclass(frozen=True)
class Health:
    """`alive`: the process does its work. `ready`: it takes frames now. `parts`: "ok" or what is wrong, by part."""

    alive: bool
    ready: bool
    parts: dict[str, str]


class Office:
    """Everything that runs in the office except the web server, which is given this object."""

    def __init__(self, settings: Settings, clock: Callable[[], float] = time.time) -> None:
        if not settings.fleet:
            raise SettingsError('no fleet file is given; add fleet = "fleet.toml" to the settings, or --fleet FILE')
        self.settings = settings
        self.clock = clock
        self.spec: FleetSpec = load_fleet(settings.fleet)
        self.knowledge = load_knowledge(settings.knowledge or None)
        self.prior = read_prior(settings.fleet_prior)
        # Before anything is made: where no data file is yet, nobody has an account. If there is one, `start` looks.
        check_exposure(settings, (Path(settings.data) / FILE_NAME).exists())
        self.store = Store(settings.data)
        try:
            self._build()
        except BaseException:
            self.store.close()
            raise

    def _build(self) -> None:
        settings, ingest = self.settings, self.settings.ingest
        self.hub = Hub()
        inbox = Inbox(ingest.queue_frames, int(ingest.queue_mebibytes * 2**20))
        self.broker = EmbeddedBroker(settings.broker.port, self.store.folder) if settings.broker.embedded else None
        self.ingest = Ingest(settings.broker, inbox, on_connected=self._connected, clock=self.clock)
        self._publisher = Publisher(self.spec.fleet, self.ingest)
        rule = Retention(**msgspec.structs.asdict(settings.retention))
        self.pipeline = Pipeline(
            self.spec,
            self.store,
            inbox,
            self.hub,
            self._publisher,
            ingest,
            Upkeep(self.store, rule),
            self.clock,
            self.knowledge,
            self.prior,
        )
        self._stopped = False

    def _connected(self) -> None:
        self._publisher.connected()
        send_limits(self.spec, self.ingest)

    def start(self) -> None:
        """Start broker, pipeline and ingest.

        Raises
        ------
        SettingsError
            The page would be reachable from elsewhere without accounts and credentials.
        PortBusyError, BrokerError
            The embedded broker cannot run.
        """
        check_exposure(self.settings, self.accounts_exist())
        if self.broker is not None:
            self.broker.start()
        self.pipeline.start()
        self.ingest.start()
        if not self.ingest.wait_connected(5.0):
            # Not fatal: a broker may come up later. Health says so meanwhile.
            _LOG.warning("%s", self.ingest.refusal or f"no broker at {self.settings.broker.address} yet; trying on")

    def stop(self) -> None:
        """Stop in the reverse order; safe to call twice."""
        if self._stopped:
            return
        self._stopped = True
        self.pipeline.stop()
        self.ingest.stop()
        if self.broker is not None:
            self.broker.stop()
        self.store.close()

    def reader(self) -> AbstractContextManager[Connection]:
        """Lend a read-only connection; keep it short."""
        return self.store.reader()

    def figures(self) -> IngestFigures:
        """Return what ingest has done and how it is doing."""
        return self.pipeline.figures(self.ingest.connected, self.ingest.failed_callbacks)

    def health(self) -> Health:
        """Return whether the office lives and is ready, part by part."""
        parts = {"pipeline": "ok", "store": self.pipeline.trouble or "ok", "ingest": "ok"}
        silent_s = self.clock() - self.pipeline.last_turn_s
        if not self.pipeline.alive:
            parts["pipeline"] = "its thread has ended"
        elif silent_s > STUCK_S:
            parts["pipeline"] = f"has not finished a turn for {silent_s:.0f} s"
        if not self.ingest.connected:
            parts["ingest"] = self.ingest.refusal or f"not connected to the broker at {self.settings.broker.address}"
        if self.broker is not None:
            parts["broker"] = "ok" if self.broker.healthy else "the embedded broker does not answer; it is restarted"
        alive = parts["pipeline"] == "ok"
        return Health(alive, alive and all(state == "ok" for state in parts.values()), parts)

    def act(
        self, advisory_id: str, action: str, who: str, reason: str = "", until_s: float | None = None
    ) -> Future[AdvisoryMessage]:
        """Do what a person wants done with an advisory; the future ends after the commit.

        Parameters
        ----------
        action : one of :data:`ACTIONS`
        until_s : for ``shelve``, until when [Unix s]

        Raises
        ------
        AdvisoryError
            In the future: there is no such open advisory, or the action does not fit its state.
        """
        change = functools.partial(_person_action, action, who, self.clock(), reason, until_s)
        return self.pipeline.request(lambda writer: writer.change_advisory(advisory_id, change))

    def record_finding(self, advisory_id: str, found: Found, text: str) -> Future[AdvisoryMessage]:
        """Take a technician's finding; the future ends after the commit with the advisory that now holds it.

        Raises
        ------
        AdvisoryError
            In the future: there is no such open advisory.
        """
        return self.pipeline.request(lambda writer: writer.record_finding(advisory_id, found, text))

    def record_service(self, event: ServiceEvent, who: str, note: str) -> Future[bool]:
        """Take a repair; the future ends after the commit and tells whether it was not known yet."""
        return self.pipeline.request(lambda writer: writer.record_service(event, who, note))

    def note_burst(self, vehicle: str, command: Command, who: str) -> Future[None]:
        """Note that a person asks for a burst; the future ends after the commit."""
        now_ms, axle = round(self.clock() * 1000), command.axle or 0
        return self.pipeline.request(
            lambda writer: bursts.ask(writer.store, vehicle, command.id, axle, command.seconds, who, now_ms)
        )

    def send_command(self, vehicle: str, command: Command) -> None:
        """Send a truck a command.

        Raises
        ------
        ModelError
            The fleet has no such vehicle.
        BrokerError
            There is no connection to the broker.
        """
        if vehicle not in self.spec.vehicles:
            raise ModelError(f"vehicle {vehicle!r} is not in the fleet file")
        topic = Topic(self.spec.fleet, vehicle, TopicKind.COMMAND)
        if self.ingest.publish(topic.text, encode_message(command)) is None:
            raise BrokerError(f"the command cannot be sent: no connection to {self.settings.broker.address}")

    def check_password(self, name: str, password: str) -> bool:
        """Return whether this is the person's password (takes some 50 ms by design: use a worker thread)."""
        with self.reader() as connection:
            return accounts.password_fits(connection, name, password)

    def accounts_exist(self) -> bool:
        """Return whether anybody has an account."""
        with self.reader() as connection:
            return bool(accounts.names(connection))


def _person_action(
    action: str, who: str, now_s: float, reason: str, until_s: float | None, advisory: Advisory
) -> Change:
    if action == "shelve":
        if until_s is None:
            raise AdvisoryError(f"advisory {advisory.id}: say until when to shelve it")
        return shelve(advisory, who, now_s, until_s, reason)
    simple: dict[str, Callable[[Advisory, str, float, str], Any]] = {
        "acknowledge": acknowledge,
        "unshelve": unshelve,
        "suppress": suppress,
        "unsuppress": unsuppress,
        "close": close,
    }
    if action not in simple:
        raise AdvisoryError(f"there is no action {action!r}; use one of {', '.join(ACTIONS)}")
    change: Change = simple[action](advisory, who, now_s, reason)
    return change
