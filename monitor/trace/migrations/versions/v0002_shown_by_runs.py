"""What each run showed by itself, so that a season is not worked out anew on every page."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    """Make the table of what runs showed."""
    op.create_table(
        "run_shown",
        sa.Column("run_id", _WHOLE, sa.ForeignKey("run.id"), primary_key=True),
        sa.Column("volume_l", _NUMBER),
        sa.Column("growth_per_m2", _NUMBER),
        sa.Column("clean_per_m", _NUMBER),
        sa.Column("hot_flow_l_min", _NUMBER),
        sa.Column("software", sa.Text(), nullable=False),
        sqlite_strict=True,
    )
