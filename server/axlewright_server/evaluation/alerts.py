"""From advisory changes to alerts: who was told what, when, and how it read later."""

from __future__ import annotations

from collections.abc import Iterable

from axlewright_server.advisories import Advisory, Change
from axlewright_server.evaluation.record import CAUSES_KEPT, Alert, Version


class AlertBook:
    """Collects advisory changes as the kernel makes them."""

    def __init__(self) -> None:
        self._raised: dict[str, Change] = {}
        self._versions: dict[str, list[Version]] = {}
        self._recurrences: dict[str, int] = {}

    def take(self, changes: Iterable[Change]) -> None:
        """Note changes, in order."""
        for advisory, record in changes:
            if record.action == "raised":
                self._raised[advisory.id] = (advisory, record)
                self._versions[advisory.id] = []
                self._recurrences[advisory.id] = 0
            if advisory.id not in self._raised:
                continue  # it was open before this run began
            if record.action == "recurred":
                self._recurrences[advisory.id] += 1
            version = _version(advisory, record.time_s)
            known = self._versions[advisory.id]
            if not known or _reads(known[-1]) != _reads(version):
                known.append(version)

    def alerts(self) -> tuple[Alert, ...]:
        """Return all alerts in order of time."""
        found = [
            Alert(
                advisory.message.vehicle,
                advisory.message.axle,
                record.time_s,
                advisory.symptoms,
                tuple(self._versions[name]),
                self._recurrences[name],
            )
            for name, (advisory, record) in self._raised.items()
        ]
        return tuple(sorted(found, key=lambda alert: (alert.time_s, alert.vehicle, alert.axle, alert.first.cause)))


def _version(advisory: Advisory, time_s: float) -> Version:
    message = advisory.message
    listed = [(cause.id, cause.probability) for cause in message.causes]
    own = [pair for pair in listed if pair[0] == message.cause] or [(message.cause, message.confidence)]
    others = [pair for pair in listed if pair[0] not in (message.cause, own[0][0])]
    # What is suppressed calls nobody, so it leads no list.
    active = advisory.active and advisory.open and not advisory.suppressed_by
    causes = tuple((own + others)[:CAUSES_KEPT])
    return Version(time_s, active, message.urgency, message.confidence, causes)


def _reads(version: Version) -> tuple[object, ...]:
    """Return what makes a new version worth keeping: state, urgency, order of causes, and probability in tenths."""
    tenths = tuple((name, round(probability, 1)) for name, probability in version.causes)
    return version.active, version.urgency, tenths
