"""Which monitor writes which press, where several share one database."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    """Make the table of leases."""
    op.create_table(
        "lease",
        sa.Column("press", sa.Text(), primary_key=True),
        sa.Column("holder", sa.Text(), nullable=False),
        sa.Column("until_s", _NUMBER, nullable=False),
        sqlite_strict=True,
    )
