"""One fault, two axles: an advisory says when it probably tells the same event as another axle's."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec.structs import replace

from axlewright_models.wire.messages import AdvisoryMessage
from axlewright_server.advisories import Advisory
from axlewright_server.diagnosis.facts import UNEXPLAINED

# Onsets of one event on two axles lie this close: one may have had to wait for its next steady drive (own choice).
TOGETHER_S = 3.0 * 86400.0


def same_event(message: AdvisoryMessage, beside: Iterable[Advisory]) -> AdvisoryMessage:
    """Return the message, linked to an advisory of the same cause and about the same onset on an axle before it.

    A mismatch of the tandem's tyres, a height valve that serves both axles, a hot climb: one event, told on each axle.
    It stays an advisory of its own, since the cause may yet prove another one; the text says which one to read first.

    Parameters
    ----------
    beside : iterable of Advisory
        Open advisories of the same truck. Only axles before the message's own are looked at, so that of two the first
        axle's is always the one referred to.
    """
    if message.cause == UNEXPLAINED:
        return message
    for other in beside:
        alike = other.active and other.message.cause == message.cause and other.message.axle < message.axle
        if alike and abs(other.message.since_s - message.since_s) <= TOGETHER_S:
            said = (
                f"{message.summary} Probably the same event as on axle {other.message.axle}: read that advisory first."
            )
            return replace(message, summary=said, same_event_as=other.id)
    return message
