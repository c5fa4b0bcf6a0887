"""The MQTT topics of the wire contract: built and parsed here and nowhere else."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum

from axlewright_models.errors import TopicError

ROOT = "axlewright/1"
IDENTIFIER_PATTERN = "^[a-z0-9-]{1,64}$"

_IDENTIFIER = re.compile(r"[a-z0-9-]{1,64}")
_ROOT_LEVELS = tuple(ROOT.split("/"))


class TopicKind(Enum):
    """What a topic carries; the value is the topic's last fixed level."""

    READINGS = "readings"
    BURST = "burst"
    STATUS = "status"
    ACK = "ack"
    COMMAND = "command"
    ADVISORY = "advisory"
    LIMITS = "limits"


# An advisory is retained under its own id, a burst's piece under the id of its command.
_MAY_HOLD_ITEM = frozenset({TopicKind.ADVISORY, TopicKind.BURST})


def is_identifier(text: str) -> bool:
    """Return whether `text` may be the id of a fleet, a vehicle or an item: 1 to 64 of a-z, 0-9 and "-".

    Examples
    --------
    >>> is_identifier("harrow-vale"), is_identifier("Truck 7")
    (True, False)
    """
    return _IDENTIFIER.fullmatch(text) is not None


@dataclass(frozen=True)
class Topic:
    """One topic: whose it is, what it carries, and for an advisory or a burst which one.

    Raises
    ------
    TopicError
        A level holds something else than 1 to 64 of a-z, 0-9 and "-", or this kind takes no item.

    Examples
    --------
    >>> Topic("harrow-vale", "t07", TopicKind.READINGS).text
    'axlewright/1/harrow-vale/t07/readings'
    >>> Topic.parse("axlewright/1/harrow-vale/t07/ack").kind
    <TopicKind.ACK: 'ack'>
    """

    fleet: str
    vehicle: str
    kind: TopicKind
    item: str | None = None

    def __post_init__(self) -> None:
        for level, value in (("fleet", self.fleet), ("vehicle", self.vehicle), ("item", self.item)):
            if value is not None and not is_identifier(value):
                raise TopicError(f'topic {level} is {value!r}; use 1 to 64 of a-z, 0-9 and "-"')
        if self.item is not None and self.kind not in _MAY_HOLD_ITEM:
            raise TopicError(f"a topic of kind {self.kind.value!r} ends there; {self.item!r} may not follow")

    @property
    def text(self) -> str:
        """The topic as MQTT wants it."""
        levels = [ROOT, self.fleet, self.vehicle, self.kind.value]
        if self.item is not None:
            levels.append(self.item)
        return "/".join(levels)

    @classmethod
    def parse(cls, text: str) -> Topic:
        """Return the topic that `text` names.

        Raises
        ------
        TopicError
            `text` is not a topic of this contract; the text says which level is wrong.
        """
        levels = text.split("/")
        if tuple(levels[:2]) != _ROOT_LEVELS:
            raise TopicError(f"topic {text[:200]!r} does not begin with {ROOT + '/'!r}")
        if len(levels) not in (5, 6):
            raise TopicError(f"topic {text[:200]!r} has {len(levels)} levels; use {ROOT}/<fleet>/<vehicle>/<kind>")
        try:
            kind = TopicKind(levels[4])
        except ValueError:
            kinds = ", ".join(known.value for known in TopicKind)
            raise TopicError(f"topic {text[:200]!r} ends in {levels[4]!r}; use one of {kinds}") from None
        return cls(levels[2], levels[3], kind, levels[5] if len(levels) == 6 else None)


def subscription(kind: TopicKind, fleet: str = "+", vehicle: str = "+") -> str:
    """Return the MQTT filter for one kind of topic, of all fleets and vehicles unless they are named.

    Kinds that hold items are followed by "/#", which also matches the level above it (MQTT 5.0, section 4.7.1.2).

    Raises
    ------
    TopicError
        `fleet` or `vehicle` is neither "+" nor an identifier.

    Examples
    --------
    >>> subscription(TopicKind.READINGS, fleet="harrow-vale")
    'axlewright/1/harrow-vale/+/readings'
    >>> subscription(TopicKind.ADVISORY)
    'axlewright/1/+/+/advisory/#'
    """
    for level, value in (("fleet", fleet), ("vehicle", vehicle)):
        if value != "+" and not is_identifier(value):
            raise TopicError(f'subscription {level} is {value!r}; use "+" or 1 to 64 of a-z, 0-9 and "-"')
    text = f"{ROOT}/{fleet}/{vehicle}/{kind.value}"
    return f"{text}/#" if kind in _MAY_HOLD_ITEM else text
