"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    """Make every table of the first release."""
    _make_boot()
    _make_reading()
    _make_run()
    _make_moment()
    _make_event()
    _make_run_end()
    _make_run_base()
    _make_clock_offset()
    _make_snapshot()


def _make_boot() -> None:
    op.create_table(
        "boot",
        sa.Column("id", _WHOLE, primary_key=True),
        sa.Column("name", sa.Text(), nullable=False, unique=True),
        sqlite_strict=True,
    )


def _make_reading() -> None:
    op.create_table(
        "reading",
        sa.Column("id", _WHOLE, primary_key=True),
        sa.Column("boot_id", _WHOLE, sa.ForeignKey("boot.id"), nullable=False),
        sa.Column("mono_ms", _WHOLE, nullable=False),
        sa.Column("point", sa.Text(), nullable=False),
        sa.Column("seq", _WHOLE, nullable=False),
        sa.Column("arrived_mono_s", _NUMBER, nullable=False),
        sa.Column("time_us", _WHOLE),
        sa.Column("clock", sa.Text(), nullable=False),
        sa.Column("value", _NUMBER),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("tolerance", _NUMBER),
        sa.Column("quality", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text()),
        sa.Column("low", _NUMBER),
        sa.Column("high", _NUMBER),
        sa.Column("strokes", _WHOLE),
        sa.Column("strokes_per_min", _NUMBER),
        sa.Column("stroke_regularity", _NUMBER),
        sa.Column("stroke_confidence", _NUMBER),
        sa.UniqueConstraint("boot_id", "mono_ms", "point", "seq", name="reading_once"),
        sqlite_strict=True,
    )


def _make_run() -> None:
    op.create_table(
        "run",
        sa.Column("id", _WHOLE, primary_key=True),
        sa.Column("name", sa.Text(), nullable=False, unique=True),
        sa.Column("boot_id", _WHOLE, sa.ForeignKey("boot.id"), nullable=False),
        sa.Column("started_mono_s", _NUMBER, nullable=False),
        sa.Column("started_us", _WHOLE),
        sa.Column("clock", sa.Text(), nullable=False),
        sa.Column("opened_by", sa.Text(), nullable=False),
        sa.Column("software", sa.Text(), nullable=False),
        sa.Column("facts", sa.Text(), nullable=False),
        sqlite_strict=True,
    )


def _make_moment() -> None:
    op.create_table(
        "moment",
        sa.Column("id", _WHOLE, primary_key=True),
        sa.Column("run_id", _WHOLE, sa.ForeignKey("run.id")),
        sa.Column("boot_id", _WHOLE, sa.ForeignKey("boot.id"), nullable=False),
        sa.Column("mono_s", _NUMBER, nullable=False),
        sa.Column("time_us", _WHOLE),
        sa.Column("clock", sa.Text(), nullable=False),
        sa.Column("elapsed_s", _NUMBER),
        sa.Column("outlet_c", _NUMBER),
        sa.Column("outlet_standing", sa.Text(), nullable=False),
        sa.Column("line_kpa", _NUMBER),
        sa.Column("line_high_kpa", _NUMBER),
        sa.Column("line_standing", sa.Text(), nullable=False),
        sa.Column("strokes", _WHOLE),
        sa.Column("flow_l_min", _NUMBER),
        sa.Column("volume_l", _NUMBER),
        sa.Column("pan_c", _NUMBER),
        sa.Column("filler_c", _NUMBER),
        sa.Column("phase", sa.Text(), nullable=False),
        sa.Column("flags", sa.Text(), nullable=False),
        sqlite_strict=True,
    )
    op.create_index("moment_of_run", "moment", ["run_id", "id"])
    op.create_index("moment_of_boot", "moment", ["boot_id", "mono_s"])


def _make_event() -> None:
    op.create_table(
        "event",
        sa.Column("id", _WHOLE, primary_key=True),
        sa.Column("run", sa.Text()),
        sa.Column("boot_id", _WHOLE, sa.ForeignKey("boot.id"), nullable=False),
        sa.Column("mono_ms", _WHOLE, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sqlite_strict=True,
    )
    op.create_index("event_of_run", "event", ["run", "id"])


def _make_run_end() -> None:
    op.create_table(
        "run_end",
        sa.Column("run_id", _WHOLE, sa.ForeignKey("run.id"), primary_key=True),
        sa.Column("boot_id", _WHOLE, sa.ForeignKey("boot.id"), nullable=False),
        sa.Column("ended_mono_s", _NUMBER, nullable=False),
        sa.Column("ended_us", _WHOLE),
        sa.Column("elapsed_s", _NUMBER, nullable=False),
        sa.Column("volume_l", _NUMBER),
        sa.Column("closed_by", sa.Text(), nullable=False),
        sqlite_strict=True,
    )


def _make_run_base() -> None:
    op.create_table(
        "run_base",
        sa.Column("id", _WHOLE, primary_key=True),
        sa.Column("run_id", _WHOLE, sa.ForeignKey("run.id"), nullable=False),
        sa.Column("boot_id", _WHOLE, sa.ForeignKey("boot.id"), nullable=False),
        sa.Column("zero_mono_s", _NUMBER, nullable=False),
        sa.UniqueConstraint("run_id", "boot_id", name="run_base_once"),
        sqlite_strict=True,
    )


def _make_clock_offset() -> None:
    op.create_table(
        "clock_offset",
        sa.Column("id", _WHOLE, primary_key=True),
        sa.Column("boot_id", _WHOLE, sa.ForeignKey("boot.id"), nullable=False),
        sa.Column("mono_s", _NUMBER, nullable=False),
        sa.Column("time_us", _WHOLE, nullable=False),
        sa.Column("clock", sa.Text(), nullable=False),
        sqlite_strict=True,
    )


def _make_snapshot() -> None:
    op.create_table(
        "snapshot",
        sa.Column("press", sa.Text(), primary_key=True),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sqlite_strict=True,
    )
