"""The link to the office: keeps a connection up, one after the other, and says how the agent is doing."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Protocol

from paho.mqtt.enums import MQTTProtocolVersion

from axlewright_edge.backoff import Backoff
from axlewright_edge.burst_flow import BurstFlow
from axlewright_edge.certificate import expiry_s
from axlewright_edge.clock import UNDATED_BELOW_S, Clock, clock_is_set
from axlewright_edge.config import BrokerSettings
from axlewright_edge.errors import LinkError
from axlewright_edge.frame_flow import FrameFlow
from axlewright_edge.in_flight import Patience
from axlewright_edge.notes import Notes
from axlewright_edge.outbox import Outbox
from axlewright_edge.rate_limit import RateLimit
from axlewright_edge.repeats import Repeats
from axlewright_edge.self_metrics import SelfMetrics
from axlewright_edge.session import Advisories, Desk, End, Session
from axlewright_edge.transport import tls_context
from axlewright_models import __version__
from axlewright_models.wire.messages import Command, SourceHealth, Status

LOGGER = logging.getLogger(__name__)
# A connection that stood for a shorter time proves nothing; the waits go on growing.
STOOD_LONG_S = 75.0
# Two agents of one vehicle end each other's connections, and not every broker says so: from the fourth short one on
# it is told. The time is above the longest wait, or each would take the other's pause for a connection that stood.
SHORT_CONNECTIONS = 4
EXPIRES_SOON_S = 14 * 86400.0
_BROKEN = {end: f"connection {end.value}" for end in End} | {End.UNREACHABLE: End.UNREACHABLE.value}
_REMEDIES = {
    End.REFUSED: "; does the broker know this user and password, and does it let this user in from here?",
    End.UNREACHABLE: "; is the broker's address right, does it run, and does the way there let this port through?",
}
_VERSIONS = {
    "auto": (MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311),
    "5": (MQTTProtocolVersion.MQTTv5,),
    "3.1.1": (MQTTProtocolVersion.MQTTv311,),
}


class Limits(Protocol):
    """Who keeps the limits of the guard on board."""

    @property
    def version(self) -> str:
        """Which limits are in force."""

    def take(self, payload: bytes) -> str:
        """Take limits from the office; return what the status should say of it."""


class NoLimits:
    """A truck without a guard."""

    version = ""

    def take(self, payload: bytes) -> str:
        """Leave them alone."""
        return ""


class Link:
    """Sends an outbox to the office until it is stopped, in a thread of its own.

    A lost connection is made again after a wait that doubles, with jitter. Where MQTT 5 is not understood
    3.1.1 is tried at once. A broker that refuses, and another agent that takes the connection over, are asked less and
    less often.

    Parameters
    ----------
    fleet, vehicle : str
        Whose frames these are.
    settings : BrokerSettings
        Where to, and how.
    outbox : Outbox
        What to send; frames leave it only on the office's ack.
    clock : Clock
        The truck's clock.
    on_command : callable
        Called in the link's thread with each command; must return soon.
    chance : Random, optional
        Draws the jitter.
    health : callable, optional
        Tells how the truck's sources are doing.
    limits : Limits, optional
        Takes what the office says of the guard's limits.
    advisories : Advisories, optional
        Hears of the advisories that stand against the truck.
    bursts : BurstFlow, optional
        Raw waveforms to send when no reading waits.

    Raises
    ------
    LinkError
        The address, a certificate or the password file cannot be used.
    """

    def __init__(
        self,
        fleet: str,
        vehicle: str,
        settings: BrokerSettings,
        outbox: Outbox,
        clock: Clock,
        on_command: Callable[[Command], None],
        chance: Random | None = None,
        health: Callable[[], Sequence[SourceHealth]] = tuple,
        limits: Limits | None = None,
        advisories: Advisories | None = None,
        bursts: BurstFlow | None = None,
    ) -> None:
        if settings.address.tls:
            tls_context(settings)
        settings.secret()
        self._vehicle = vehicle
        self._outbox = outbox
        self._clock = clock
        self._health = health
        self._limits = limits or NoLimits()
        self._metrics = SelfMetrics(clock)
        self._backoff = Backoff(chance=chance)
        self._patient = {
            End.REFUSED: Backoff(first_s=4.0, ceiling_s=300.0, chance=chance),
            End.TAKEN: Backoff(first_s=30.0, ceiling_s=600.0, chance=chance),
        }
        self._short = 0
        self._certificate = Path(settings.certificate_file) if settings.certificate_file else None
        self._told_of_expiry = False
        self._versions = list(_VERSIONS[settings.version])
        self._notes = Notes()
        self._address = settings.address
        self._troubles = Repeats(LOGGER, vehicle, clock.elapsed)
        # Why the last connection ended or could not be made, in words; empty while one stands.
        self.trouble = ""
        self._session: Session | None = None
        self._stop = threading.Event()
        patience = Patience(settings.in_flight, settings.resend_after_s, settings.resends)
        self._desk = Desk(
            fleet=fleet,
            vehicle=vehicle,
            settings=settings,
            clock=clock,
            flow=FrameFlow(fleet, vehicle, outbox, patience, self.say, RateLimit(settings.rate_limit_bytes_per_s)),
            notes=self._notes,
            status=self._status,
            command=on_command,
            limits=self._limits.take,
            advisories=advisories,
            stopping=self._stop.is_set,
            bursts=bursts,
            connected=self._connected,
        )
        self._thread = threading.Thread(target=self._run, name=f"link {vehicle}", daemon=True)

    @property
    def connected(self) -> bool:
        """Whether a connection stands."""
        session = self._session
        return session is not None and session.stood

    @property
    def alive(self) -> bool:
        """Whether its thread runs."""
        return self._thread.is_alive()

    def start(self) -> None:
        """Begin to connect."""
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Say goodbye and end; frames that are not acknowledged stay in the outbox."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def say(self, note: str) -> None:
        """Put a note into a status message of its own and send it soon; any thread may."""
        self._notes.add(note)
        session = self._session
        if session is not None:
            session.status_due()

    def _run(self) -> None:
        while not self._stop.is_set():
            end = self._one_session()
            if end is End.STOPPED:
                return
            if end is End.VERSION and len(self._versions) > 1:
                at_once = self._tries_older_next
                self._versions.reverse()
                if at_once:
                    continue
            self._stop.wait(self._patient.get(end, self._backoff).next())

    def _one_session(self) -> End:
        session: Session | None = None
        begun_s = self._clock.elapsed()
        try:
            session = Session(self._desk, self._versions[0])
            self._session = session
            end = session.run()
        except LinkError as error:
            self._say_trouble(str(error), logging.ERROR)
            return End.UNREACHABLE
        except Exception:
            # Whatever went wrong in one connection, the next one starts clean; the frames are on disk.
            LOGGER.exception("%s: the connection ended by an error of this program", self._vehicle)
            end = End.LOST
        finally:
            self._session = None
        self._judge(end, session is not None and session.stood, self._clock.elapsed() - begun_s)
        reason = session.reason if session is not None else ""
        if end is End.VERSION and self._tries_older_next:
            # The usual answer of a broker that speaks 3.1.1 only; nothing is wrong.
            LOGGER.info("%s: MQTT 5 was not accepted (%s), trying 3.1.1", self._vehicle, reason)
        elif end is not End.STOPPED:
            # A way that leads to a broker with a wrong certificate is no wrong way.
            remedy = "" if "SSL" in reason else _REMEDIES.get(end, "")
            self._say_trouble(f"{_BROKEN[end]} ({reason}){remedy}{self._hint(reason)}")
        return end

    def _say_trouble(self, text: str, level: int = logging.WARNING) -> None:
        self.trouble = text
        self._troubles.trouble(text, level)

    def _connected(self) -> None:
        """Called by the session when the broker has accepted it."""
        self.trouble = ""
        version = "5" if self._versions[0] == MQTTProtocolVersion.MQTTv5 else "3.1.1"
        text = f"connected to {self._address.host}, port {self._address.port}, by MQTT {version}"
        # One that comes and goes is one trouble that lasts, not many that end.
        if self._short >= 2:
            return
        if self._troubles.stands:
            self._troubles.over(text)
        else:
            LOGGER.info("%s: %s", self._vehicle, text)

    def _judge(self, end: End, stood: bool, lasted_s: float) -> None:
        """Decide from how a connection went how long to wait before the next, and say what a person should know."""
        if stood:
            self._warn_of_expiry()
        if stood and lasted_s >= STOOD_LONG_S:
            self._backoff.reset()
            self._patient[End.REFUSED].reset()
            self._short = 0
        elif stood and end is End.LOST:
            self._short += 1
        if end is End.TAKEN:
            self.say("another agent connects as this vehicle: each ends the other's connection; give each its own id")
        elif self._short == SHORT_CONNECTIONS:
            self.say(
                f"{self._short} connections in a row ended within {STOOD_LONG_S:g} s; "
                "does another agent connect as this vehicle?"
            )

    def _hint(self, reason: str) -> str:
        if not clock_is_set(self._clock):
            judged = "certificate" in reason.lower()
            return "; the truck's clock is not set yet, so no certificate can be judged" if judged else ""
        return self._certificate_ends(0.0)

    def _certificate_ends(self, within_s: float) -> str:
        ends_s = None if self._certificate is None else expiry_s(self._certificate)
        if ends_s is None or ends_s - self._clock.now() > within_s:
            return ""
        day = datetime.fromtimestamp(ends_s, UTC).date().isoformat()
        verb = "ended" if ends_s <= self._clock.now() else "ends"
        return f"; this truck's certificate {verb} on {day}: renew {self._certificate} (broker.certificate_file)"

    def _warn_of_expiry(self) -> None:
        if self._told_of_expiry or not clock_is_set(self._clock):
            return
        self._told_of_expiry = True
        if warning := self._certificate_ends(EXPIRES_SOON_S).removeprefix("; "):
            LOGGER.warning("%s: %s", self._vehicle, warning)
            self.say(warning)

    @property
    def _tries_older_next(self) -> bool:
        return len(self._versions) > 1 and self._versions[0] == MQTTProtocolVersion.MQTTv5

    def _status(self, online: bool, note: str) -> Status:
        figures, metrics = self._outbox.figures(), self._metrics.read()
        return Status(
            online=online,
            version=__version__,
            stream=self._outbox.stream,
            queued=figures.queued,
            oldest_seq=figures.oldest_seq,
            thinned=figures.thinned,
            set_aside=figures.set_aside,
            clock="set" if clock_is_set(self._clock) else "unset",
            time_s=self._clock.now(),
            note=note,
            oldest_unsent_s=self._oldest_unsent_s(),
            cpu_share=metrics.cpu_share,
            memory_bytes=metrics.memory_bytes,
            gateway_cel=metrics.gateway_cel,
            sources=list(self._health()),
            limits_version=self._limits.version,
        )

    def _oldest_unsent_s(self) -> float | None:
        oldest_s = self._outbox.oldest_time_s()
        if oldest_s is None:
            return None
        now_s = self._clock.elapsed() if oldest_s < UNDATED_BELOW_S else self._clock.now()
        return max(0.0, now_s - oldest_s)
