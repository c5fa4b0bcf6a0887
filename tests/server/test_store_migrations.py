"""The migrations make the tables that the code speaks of, from any earlier file."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, inspect

from axlewright_server.errors import StoreError
from axlewright_server.store import Store
from axlewright_server.store.database import FILE_NAME
from axlewright_server.store.migrate import migrate
from axlewright_server.store.schema import METADATA


def test_migrations_and_declared_tables_agree() -> None:
    with create_engine("sqlite://").connect() as connection:
        migrate(connection)
        context = MigrationContext.configure(connection, opts={"compare_type": True, "render_as_batch": True})
        assert compare_metadata(context, METADATA) == []


@pytest.mark.parametrize("table", ["reading", "rollup"])
def test_tables_keyed_by_time_have_no_row_number(tmp_path: Path, table: str) -> None:
    Store(tmp_path).close()
    with sqlite3.connect(tmp_path / FILE_NAME) as raw, pytest.raises(sqlite3.OperationalError, match="rowid"):
        raw.execute(f"SELECT rowid FROM {table}")
    raw.close()


def test_opening_twice_changes_nothing(tmp_path: Path) -> None:
    first = Store(tmp_path)
    tables = set(inspect(first.writer).get_table_names())
    first.close()
    second = Store(tmp_path)
    assert set(inspect(second.writer).get_table_names()) == tables
    assert second.revision == first.revision
    second.close()


def test_a_file_of_a_newer_version_is_refused_with_what_to_do(tmp_path: Path) -> None:
    Store(tmp_path).close()
    with sqlite3.connect(tmp_path / FILE_NAME) as raw:
        raw.execute("UPDATE alembic_version SET version_num = 'r9999'")
    raw.close()
    with pytest.raises(StoreError, match=r"r9999.*written by a newer one: install that"):
        Store(tmp_path)
    with pytest.raises(StoreError, match="r9999"):  # the lock was given back: the same reason, not "in use"
        Store(tmp_path)


def test_every_commit_is_forced_to_the_disk(tmp_path: Path) -> None:
    store = Store(tmp_path)
    assert store.cursor().execute("PRAGMA synchronous").fetchone() == (2,)
    assert store.cursor().execute("PRAGMA journal_mode").fetchone() == ("wal",)
    store.close()
