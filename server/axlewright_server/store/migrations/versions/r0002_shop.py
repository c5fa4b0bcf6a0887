"""What the shop tells: findings on advisories, and repairs."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0002"
down_revision = "r0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "finding",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("advisory_id", sa.String(), nullable=False),
        sa.Column("vehicle", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("time_ms", sa.Integer(), nullable=False),
        sa.Column("check_id", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["advisory_id"], ["advisory.id"], name=op.f("fk_finding_advisory_id_advisory")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
    )
    op.create_index(op.f("ix_finding_vehicle_position_time_ms"), "finding", ["vehicle", "position", "time_ms"])
    op.create_table(
        "service",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("vehicle", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("time_ms", sa.Integer(), nullable=False),
        sa.Column("touched", sa.String(), nullable=False),
        sa.Column("recorded_ms", sa.Integer(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_service")),
        sa.UniqueConstraint(
            "vehicle", "position", "time_ms", "touched", name=op.f("uq_service_vehicle_position_time_ms_touched")
        ),
    )


def downgrade() -> None:
    """Drop them."""
    op.drop_table("service")
    op.drop_index(op.f("ix_finding_vehicle_position_time_ms"), table_name="finding")
    op.drop_table("finding")
