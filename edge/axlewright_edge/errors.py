"""What the edge refuses on purpose, each with a text that says what, where and how to mend it."""

from __future__ import annotations

from axlewright_models.errors import ModelError


class EdgeError(ModelError):
    """Base of the edge's own errors."""


class ConfigurationError(EdgeError):
    """An agent file is wrong; the text holds the file and the path of the key."""


class SourceError(EdgeError):
    """A source cannot be opened or read, or cannot do what it was told."""


class TableError(SourceError):
    """A recorded table is wrong; the text holds the file, the line and the column."""


class OutboxError(EdgeError):
    """The outbox cannot be opened or written."""


class OutboxDamaged(OutboxError):  # noqa: N818  # what it is, not only that it is an error
    """The outbox's file is damaged inside: the disk failed, or something else wrote into it."""


class RowUnreadable(OutboxError):  # noqa: N818  # what it is, not only that it is an error
    """One row of the outbox is not what was written; the others may be whole."""


class LinkError(EdgeError):
    """The broker's address or its certificates cannot be used."""
