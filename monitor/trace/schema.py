"""The tables of the store.

Every table but ``snapshot`` and ``lease`` is append-only: what was kept is never rewritten, so a run's
end and a clock that was set later are rows of their own. Numbers are in the base units of
:mod:`monitor.contract.units`; ``*_us`` is wall time in microseconds since 1970-01-01 UTC,
null while the clock was unset; enum columns hold the words of the contract.

The types compile to what a STRICT table of SQLite allows and to their like in PostgreSQL.
"""

from __future__ import annotations

from sqlalchemy import (
    REAL,
    BigInteger,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.types import TypeEngine

REVISION = "0004"
"""The revision of these tables, as :mod:`monitor.trace.migrations` counts them."""
METADATA = MetaData()
_WHOLE = BigInteger().with_variant(Integer(), "sqlite")
_NUMBER: TypeEngine[float] = Double().with_variant(REAL(), "sqlite")
"""Eight bytes on both: PostgreSQL's own REAL has four."""

boot = Table(
    "boot",
    METADATA,
    Column("id", _WHOLE, primary_key=True),
    Column("press", Text, nullable=False),
    Column("name", Text, nullable=False),
    UniqueConstraint("press", "name", name="boot_once"),
    sqlite_strict=True,
)
"""Boots as one press saw them, by number, so that a row spends two bytes on one and not forty.

All else hangs on a boot, so two presses of one board never share a row.
"""

reading = Table(
    "reading",
    METADATA,
    Column("id", _WHOLE, primary_key=True),
    Column("boot_id", _WHOLE, ForeignKey("boot.id"), nullable=False),
    Column("mono_ms", _WHOLE, nullable=False),
    Column("point", Text, nullable=False),
    Column("seq", _WHOLE, nullable=False),
    Column("arrived_mono_s", _NUMBER, nullable=False),
    Column("time_us", _WHOLE),
    Column("clock", Text, nullable=False),
    Column("value", _NUMBER),
    Column("unit", Text, nullable=False),
    Column("tolerance", _NUMBER),
    Column("quality", Text, nullable=False),
    Column("reason", Text),
    Column("low", _NUMBER),
    Column("high", _NUMBER),
    Column("strokes", _WHOLE),
    Column("strokes_per_min", _NUMBER),
    Column("stroke_regularity", _NUMBER),
    Column("stroke_confidence", _NUMBER),
    # seq starts anew with the sending process, so it needs the moment beside it to name a
    # reading; a broker may deliver one twice (QoS 1), and it is kept once.
    UniqueConstraint("boot_id", "mono_ms", "point", "seq", name="reading_once"),
    sqlite_strict=True,
)
"""Readings as they arrived."""

moment = Table(
    "moment",
    METADATA,
    Column("id", _WHOLE, primary_key=True),
    Column("run_id", _WHOLE, ForeignKey("run.id")),
    Column("boot_id", _WHOLE, ForeignKey("boot.id"), nullable=False),
    Column("mono_s", _NUMBER, nullable=False),
    Column("time_us", _WHOLE),
    Column("clock", Text, nullable=False),
    Column("elapsed_s", _NUMBER),
    Column("outlet_c", _NUMBER),
    Column("outlet_standing", Text, nullable=False),
    Column("line_kpa", _NUMBER),
    Column("line_high_kpa", _NUMBER),
    Column("line_standing", Text, nullable=False),
    Column("strokes", _WHOLE),
    Column("flow_l_min", _NUMBER),
    Column("volume_l", _NUMBER),
    Column("pan_c", _NUMBER),
    Column("filler_c", _NUMBER),
    Column("phase", Text, nullable=False),
    Column("flags", Text, nullable=False),
    Index("moment_of_run", "run_id", "id"),
    Index("moment_of_boot", "boot_id", "mono_s"),
    sqlite_strict=True,
)
"""Seconds as the monitor saw them (:class:`monitor.run.row.TraceRow`), in a run or outside one."""

event = Table(
    "event",
    METADATA,
    Column("id", _WHOLE, primary_key=True),
    Column("run", Text),
    Column("boot_id", _WHOLE, ForeignKey("boot.id"), nullable=False),
    Column("mono_ms", _WHOLE, nullable=False),
    Column("kind", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("body", Text, nullable=False),
    Index("event_of_run", "run", "id"),
    Index("event_of_kind", "kind", "boot_id"),
    sqlite_strict=True,
)
"""Events; ``body`` is the whole message as JSON, the other columns are for finding it."""

run = Table(
    "run",
    METADATA,
    Column("id", _WHOLE, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("boot_id", _WHOLE, ForeignKey("boot.id"), nullable=False),
    Column("started_mono_s", _NUMBER, nullable=False),
    Column("started_us", _WHOLE),
    Column("clock", Text, nullable=False),
    Column("opened_by", Text, nullable=False),
    Column("software", Text, nullable=False),
    Column("facts", Text, nullable=False),
    Index("run_of_boot", "boot_id", "id"),
    sqlite_strict=True,
)
"""Runs as they were opened; ``facts`` is JSON: press, pump, thresholds, invented or not."""

run_end = Table(
    "run_end",
    METADATA,
    Column("run_id", _WHOLE, ForeignKey("run.id"), primary_key=True),
    Column("boot_id", _WHOLE, ForeignKey("boot.id"), nullable=False),
    Column("ended_mono_s", _NUMBER, nullable=False),
    Column("ended_us", _WHOLE),
    Column("elapsed_s", _NUMBER, nullable=False),
    Column("volume_l", _NUMBER),
    Column("closed_by", Text, nullable=False),
    sqlite_strict=True,
)
"""Ends of runs; a run without one is open, or its monitor died in it."""

run_base = Table(
    "run_base",
    METADATA,
    Column("id", _WHOLE, primary_key=True),
    Column("run_id", _WHOLE, ForeignKey("run.id"), nullable=False),
    Column("boot_id", _WHOLE, ForeignKey("boot.id"), nullable=False),
    Column("zero_mono_s", _NUMBER, nullable=False),
    UniqueConstraint("run_id", "boot_id", name="run_base_once"),
    sqlite_strict=True,
)
"""Monotonic second of a boot at which a run's elapsed time is zero; one for each boot it spans."""

run_shown = Table(
    "run_shown",
    METADATA,
    Column("run_id", _WHOLE, ForeignKey("run.id"), primary_key=True),
    Column("volume_l", _NUMBER),
    Column("growth_per_m2", _NUMBER),
    Column("clean_per_m", _NUMBER),
    Column("hot_flow_l_min", _NUMBER),
    Column("software", Text, nullable=False),
    sqlite_strict=True,
)
"""What the seconds of a closed run show (:func:`monitor.run.press_record.shown_by`), by which version.

It could be worked out from ``moment`` at any time; that takes a second a run on a small board.
"""

clock_offset = Table(
    "clock_offset",
    METADATA,
    Column("id", _WHOLE, primary_key=True),
    Column("boot_id", _WHOLE, ForeignKey("boot.id"), nullable=False),
    Column("mono_s", _NUMBER, nullable=False),
    Column("time_us", _WHOLE, nullable=False),
    Column("clock", Text, nullable=False),
    sqlite_strict=True,
)
"""Pairs of monotonic and wall time, one when the clock was first known and at each change of its state."""

snapshot = Table(
    "snapshot",
    METADATA,
    Column("press", Text, primary_key=True),
    Column("state", LargeBinary, nullable=False),
    sqlite_strict=True,
)
"""The engine's newest state for each press, from which a restarted monitor goes on."""

lease = Table(
    "lease",
    METADATA,
    Column("press", Text, primary_key=True),
    Column("holder", Text, nullable=False),
    Column("until_s", _NUMBER, nullable=False),
    sqlite_strict=True,
)
"""Which monitor writes a press, until when by the server's clock [s since 1970]; empty in a file, whose
one writer has a lock."""
