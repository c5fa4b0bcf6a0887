"""Where Alembic begins: it runs this file, handing over the store's connection."""

from __future__ import annotations

from alembic import context

from axlewright_server.store.schema import METADATA


def _run() -> None:
    connection = context.config.attributes["connection"]
    # SQLite cannot alter most things in place: batch mode copies the table instead.
    context.configure(connection=connection, target_metadata=METADATA, render_as_batch=True)
    with context.begin_transaction():
        context.run_migrations()


def _under_alembic() -> bool:
    # Alembic lends these names while it runs; a documentation or test tool that imports this file finds none.
    return hasattr(context, "config")


if _under_alembic():
    _run()
