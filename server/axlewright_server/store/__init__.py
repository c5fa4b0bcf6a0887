"""The store: one SQLite file, one writer, any number of short readers."""

from axlewright_server.store.database import Store

__all__ = ["Store"]
