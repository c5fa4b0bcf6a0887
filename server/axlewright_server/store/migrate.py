"""Bring a data file to today's tables."""

from __future__ import annotations

import logging

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from axlewright_server.errors import StoreError

_LOG = logging.getLogger(__name__)


def configuration(connection: Connection | None = None) -> Config:
    """Return Alembic's configuration for the packaged migrations; it needs no file."""
    config = Config()
    # As package:folder, so that an installed wheel works like a checkout.
    config.set_main_option("script_location", "axlewright_server.store:migrations")
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


def migrate(connection: Connection) -> str:
    """Run the missing steps and return the revision that the file now has.

    Raises
    ------
    StoreError
        The file was written by a newer version.
    """
    config = configuration(connection)
    script = ScriptDirectory.from_config(config)
    head = script.get_current_head()
    assert head is not None  # the package always holds at least one step
    found = MigrationContext.configure(connection).get_current_revision()
    if found == head:
        return head
    if found is not None and found not in {step.revision for step in script.walk_revisions()}:
        raise StoreError(
            f"the data file is at revision {found}, which this version does not know; "
            "it was written by a newer one: install that, or restore the backup made before the change"
        )
    _LOG.info("bringing the data file from revision %s to %s", found or "(new)", head)
    command.upgrade(config, "head")
    return head
