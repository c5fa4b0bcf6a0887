"""The link to the office: keeps a connection up, one after the other, and says how the agent is doing."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from random import Random

from paho.mqtt.enums import MQTTProtocolVersion

from axlewright_edge.backoff import Backoff
from axlewright_edge.clock import Clock, clock_is_set
from axlewright_edge.config import BrokerSettings
from axlewright_edge.errors import LinkError
from axlewright_edge.frame_flow import FrameFlow
from axlewright_edge.in_flight import Patience
from axlewright_edge.outbox import Outbox
from axlewright_edge.session import Desk, End, Session
from axlewright_edge.transport import tls_context
from axlewright_models import __version__
from axlewright_models.wire.messages import Command, Status

LOGGER = logging.getLogger(__name__)
NOTE_LENGTH = 300
_VERSIONS = {
    "auto": (MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311),
    "5": (MQTTProtocolVersion.MQTTv5,),
    "3.1.1": (MQTTProtocolVersion.MQTTv311,),
}


class Link:
    """Sends an outbox to the office until it is stopped, in a thread of its own.

    A lost connection is made again after a wait that doubles, with jitter. Where MQTT 5 is not understood
    3.1.1 is tried at once.

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
    ) -> None:
        if settings.address.tls:
            tls_context(settings)
        settings.secret()
        self._vehicle = vehicle
        self._outbox = outbox
        self._clock = clock
        self._backoff = Backoff(chance=chance)
        self._versions = list(_VERSIONS[settings.version])
        self._note = ""
        self._session: Session | None = None
        self._stop = threading.Event()
        patience = Patience(settings.in_flight, settings.resend_after_s, settings.resends)
        self._desk = Desk(
            fleet=fleet,
            vehicle=vehicle,
            settings=settings,
            clock=clock,
            flow=FrameFlow(fleet, vehicle, outbox, patience, self.say),
            status=self._status,
            command=on_command,
            say=self.say,
            stopping=self._stop.is_set,
        )
        self._thread = threading.Thread(target=self._run, name=f"link {vehicle}", daemon=True)

    @property
    def connected(self) -> bool:
        """Whether a connection stands."""
        session = self._session
        return session is not None and session.stood

    def start(self) -> None:
        """Begin to connect."""
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Say goodbye and end; frames that are not acknowledged stay in the outbox."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def say(self, note: str) -> None:
        """Put a note into the status message and send it soon; any thread may."""
        self._note = note[:NOTE_LENGTH]
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
            self._stop.wait(self._backoff.next())

    def _one_session(self) -> End:
        session: Session | None = None
        try:
            session = Session(self._desk, self._versions[0])
            self._session = session
            end = session.run()
        except LinkError as error:
            LOGGER.error("%s: %s", self._vehicle, error)
            return End.UNREACHABLE
        except Exception:
            # Whatever went wrong in one connection, the next one starts clean; the frames are on disk.
            LOGGER.exception("%s: the connection ended by an error of this program", self._vehicle)
            end = End.LOST
        finally:
            self._session = None
        if session is not None and session.stood:
            self._backoff.reset()
        reason = session.reason if session is not None else ""
        if end is End.VERSION and self._tries_older_next:
            # The usual answer of a broker that speaks 3.1.1 only; nothing is wrong.
            LOGGER.info("%s: MQTT 5 was not accepted (%s), trying 3.1.1", self._vehicle, reason)
        elif end is not End.STOPPED:
            LOGGER.warning("%s: connection %s (%s)", self._vehicle, end.value, reason)
        return end

    @property
    def _tries_older_next(self) -> bool:
        return len(self._versions) > 1 and self._versions[0] == MQTTProtocolVersion.MQTTv5

    def _status(self, online: bool) -> Status:
        figures = self._outbox.figures()
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
            note=self._note,
        )
