"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table of the first release."""
    op.create_table(
        "account",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=False),
        sa.Column("created_ms", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_account")),
    )
    op.create_table(
        "advisory",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("vehicle", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("cause", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("urgency", sa.String(), nullable=False),
        sa.Column("confidence", sa.Float(), nullable=False),
        sa.Column("since_ms", sa.Integer(), nullable=False),
        sa.Column("updated_ms", sa.Integer(), nullable=False),
        sa.Column("published", sa.Integer(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_advisory")),
    )
    op.create_index(op.f("ix_advisory_updated_ms"), "advisory", ["updated_ms"], unique=False)
    op.create_index(op.f("ix_advisory_vehicle_state"), "advisory", ["vehicle", "state"], unique=False)
    op.create_table(
        "axle",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("vehicle", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_axle")),
        sa.UniqueConstraint("vehicle", "position", name=op.f("uq_axle_vehicle_position")),
    )
    op.create_table(
        "block",
        sa.Column("axle_id", sa.Integer(), nullable=False),
        sa.Column("hour_ms", sa.Integer(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("axle_id", "hour_ms", name=op.f("pk_block")),
    )
    op.create_table(
        "channel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_channel")),
        sa.UniqueConstraint("name", name=op.f("uq_channel_name")),
    )
    op.create_table(
        "high_water",
        sa.Column("vehicle", sa.String(), nullable=False),
        sa.Column("stream", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("committed_ms", sa.Integer(), nullable=False),
        sa.Column("gaps", sa.Integer(), nullable=False),
        sa.Column("thinned", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("vehicle", "stream", name=op.f("pk_high_water")),
    )
    op.create_table(
        "latest",
        sa.Column("axle_id", sa.Integer(), nullable=False),
        sa.Column("time_ms", sa.Integer(), nullable=False),
        sa.Column("row", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("axle_id", name=op.f("pk_latest")),
    )
    op.create_table(
        "quarantine",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("received_ms", sa.Integer(), nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarantine")),
    )
    op.create_table(
        "reading",
        sa.Column("time_ms", sa.Integer(), nullable=False),
        sa.Column("axle_id", sa.Integer(), nullable=False),
        sa.Column("row", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("time_ms", "axle_id", name=op.f("pk_reading")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "rollup",
        sa.Column("axle_id", sa.Integer(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("span_ms", sa.Integer(), nullable=False),
        sa.Column("start_ms", sa.Integer(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("low", sa.Float(), nullable=False),
        sa.Column("high", sa.Float(), nullable=False),
        sa.Column("sum", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("axle_id", "channel_id", "span_ms", "start_ms", name=op.f("pk_rollup")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "state",
        sa.Column("axle_id", sa.Integer(), nullable=False),
        sa.Column("watermark_ms", sa.Integer(), nullable=False),
        sa.Column("blob", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("axle_id", name=op.f("pk_state")),
    )
    op.create_table(
        "truck_status",
        sa.Column("vehicle", sa.String(), nullable=False),
        sa.Column("received_ms", sa.Integer(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("vehicle", name=op.f("pk_truck_status")),
    )
    op.create_table(
        "advisory_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("advisory_id", sa.String(), nullable=False),
        sa.Column("time_ms", sa.Integer(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("state_before", sa.String(), nullable=False),
        sa.Column("state_after", sa.String(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["advisory_id"], ["advisory.id"], name=op.f("fk_advisory_change_advisory_id_advisory")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_advisory_change")),
    )
    op.create_index(op.f("ix_advisory_change_advisory_id"), "advisory_change", ["advisory_id"], unique=False)
    op.create_table(
        "symptom",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("axle_id", sa.Integer(), nullable=False),
        sa.Column("time_ms", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("level", sa.Integer(), nullable=False),
        sa.Column("since_ms", sa.Integer(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("limit_value", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("score", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["axle_id"], ["axle.id"], name=op.f("fk_symptom_axle_id_axle")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_symptom")),
    )
    op.create_index(op.f("ix_symptom_axle_id_time_ms"), "symptom", ["axle_id", "time_ms"], unique=False)


def downgrade() -> None:
    """Drop them."""
    op.drop_index(op.f("ix_symptom_axle_id_time_ms"), table_name="symptom")
    op.drop_table("symptom")
    op.drop_index(op.f("ix_advisory_change_advisory_id"), table_name="advisory_change")
    op.drop_table("advisory_change")
    op.drop_table("truck_status")
    op.drop_table("state")
    op.drop_table("rollup")
    op.drop_table("reading")
    op.drop_table("quarantine")
    op.drop_table("latest")
    op.drop_table("high_water")
    op.drop_table("channel")
    op.drop_table("block")
    op.drop_table("axle")
    op.drop_index(op.f("ix_advisory_vehicle_state"), table_name="advisory")
    op.drop_index(op.f("ix_advisory_updated_ms"), table_name="advisory")
    op.drop_table("advisory")
    op.drop_table("account")
