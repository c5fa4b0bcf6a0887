"""What the interface needs of an office. Tests bring a small one of their own; the server brings the real one."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Future
from contextlib import AbstractContextManager
from typing import Any, Protocol

from sqlalchemy import Connection

from axlewright_models.shop.service import ServiceEvent
from axlewright_models.spec import FleetSpec
from axlewright_models.wire.messages import AdvisoryMessage, Command
from axlewright_server.diagnosis.casebook import Found
from axlewright_server.diagnosis.facts import Knowledge


class EventLike(Protocol):
    """One thing that happened."""

    @property
    def number(self) -> int: ...  # noqa: D102
    @property
    def kind(self) -> str: ...  # noqa: D102
    @property
    def data(self) -> dict[str, Any]: ...  # noqa: D102


class ListenerLike(Protocol):
    """One listener's queue of events."""

    async def next(self, timeout_s: float) -> EventLike | None:
        """Return the next event; None when none came in time."""
        ...

    def close(self) -> None:
        """Stop listening."""
        ...


class HubLike(Protocol):
    """Where events are told."""

    def listen(self) -> ListenerLike:
        """Return a new listener; call inside the event loop."""
        ...


class HealthLike(Protocol):
    """Whether the office's parts work."""

    @property
    def alive(self) -> bool: ...  # noqa: D102
    @property
    def ready(self) -> bool: ...  # noqa: D102
    @property
    def parts(self) -> Mapping[str, str]: ...  # noqa: D102


class Desk(Protocol):
    """The office, as far as the interface uses it."""

    @property
    def spec(self) -> FleetSpec: ...  # noqa: D102
    @property
    def hub(self) -> HubLike: ...  # noqa: D102
    @property
    def knowledge(self) -> Knowledge: ...  # noqa: D102

    def clock(self) -> float:
        """Return the time. [s]"""
        ...

    def reader(self) -> AbstractContextManager[Connection]:
        """Lend a read-only connection."""
        ...

    def figures(self) -> Any:
        """Return the ingest figures, a frozen dataclass of numbers (Any: its members are shown by name)."""
        ...

    def health(self) -> HealthLike:
        """Return whether the parts work."""
        ...

    def act(
        self, advisory_id: str, action: str, who: str, reason: str = "", until_s: float | None = None
    ) -> Future[AdvisoryMessage]:
        """Have an action done on the writer's thread."""
        ...

    def record_finding(self, advisory_id: str, found: Found, text: str) -> Future[AdvisoryMessage]:
        """Have a technician's finding recorded; the advisory that then holds it."""
        ...

    def record_service(self, event: ServiceEvent, who: str, note: str) -> Future[bool]:
        """Have a repair recorded; whether it was not known yet."""
        ...

    def note_burst(self, vehicle: str, command: Command, who: str) -> Future[None]:
        """Have it noted that a person asks for a burst."""
        ...

    def send_command(self, vehicle: str, command: Command) -> None:
        """Send a truck a command; an error when there is no connection."""
        ...

    def check_password(self, name: str, password: str) -> bool:
        """Return whether this is the account's password."""
        ...

    def accounts_exist(self) -> bool:
        """Return whether there are accounts; then nothing is shown without one."""
        ...
