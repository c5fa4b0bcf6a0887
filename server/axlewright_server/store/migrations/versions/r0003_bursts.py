"""Raw waveforms that trucks sent, and those asked for."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0003"
down_revision = "r0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "burst",
        sa.Column("vehicle", sa.String(), nullable=False),
        sa.Column("command", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("received_ms", sa.Integer(), nullable=False),
        sa.Column("begin_ms", sa.Integer(), nullable=False),
        sa.Column("seconds", sa.Float(), nullable=False),
        sa.Column("rate_hz", sa.Float(), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("got", sa.Integer(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("sensors", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("picture", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("vehicle", "command", name=op.f("pk_burst")),
    )
    op.create_table(
        "burst_piece",
        sa.Column("vehicle", sa.String(), nullable=False),
        sa.Column("command", sa.String(), nullable=False),
        sa.Column("piece", sa.Integer(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("vehicle", "command", "piece", name=op.f("pk_burst_piece")),
    )


def downgrade() -> None:
    """Drop them."""
    op.drop_table("burst_piece")
    op.drop_table("burst")
