"""Sends every truck the limits of its guard on board, retained: they come from the fleet file."""

from __future__ import annotations

import logging

from axlewright_models.errors import ModelError
from axlewright_models.guard_limits import check_guard_limits, guard_limits
from axlewright_models.spec import FleetSpec
from axlewright_models.wire.messages import encode_message
from axlewright_models.wire.topics import Topic, TopicKind
from axlewright_server.publisher import Link

_LOG = logging.getLogger(__name__)


def send_limits(fleet: FleetSpec, link: Link) -> int:
    """Send all limits; return how many could be taken by the link.

    To be called at every new connection: the broker may have forgotten what it had retained, and the fleet file may
    have changed since.
    """
    sent = 0
    for vehicle in fleet.vehicles.values():
        limits = guard_limits(fleet.fleet, vehicle)
        try:
            check_guard_limits(limits, fleet.fleet, vehicle.id)
        except ModelError as error:
            # The truck would refuse them and go on by its older ones, unseen by whoever wrote the file.
            _LOG.error("%s: no limits are sent to its guard on board: %s", vehicle.id, error)
            continue
        topic = Topic(fleet.fleet, vehicle.id, TopicKind.LIMITS).text
        if link.publish(topic, encode_message(limits), retain=True) is None:
            _LOG.warning("the link took the limits of %d trucks only; the others follow at the next connection", sent)
            break
        sent += 1
    return sent
