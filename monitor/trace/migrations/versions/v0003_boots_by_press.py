"""Tells presses apart: a boot is one boot as one press saw it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_PRESS = re.compile(r"[a-z0-9-]{1,32}")
_UNNAMED = "main"
"""What a press is called that no setting named."""
_NAMES = {"uq": "%(table_name)s_%(column_0_name)s_key"}
"""How PostgreSQL names a unique key by itself; SQLite's have no name until a batch gives them one."""
_BOOT = sa.table("boot", sa.column("id", sa.Integer), sa.column("press", sa.Text))
_RUN = sa.table("run", sa.column("id"), sa.column("boot_id"), sa.column("facts"))
_EVENT = sa.table("event", sa.column("id"), sa.column("boot_id"), sa.column("body"))
_SNAPSHOT = sa.table("snapshot", sa.column("press"))


def upgrade() -> None:
    """Give every boot the press that its runs or events name, else the store's own."""
    connection = op.get_bind()
    op.add_column("boot", sa.Column("press", sa.Text(), nullable=True))
    presses = _named(connection, _EVENT, "body") | _named(connection, _RUN, "facts")
    connection.execute(sa.update(_BOOT).values(press=_own(connection)))
    for boot_id, press in presses.items():
        connection.execute(sa.update(_BOOT).where(_BOOT.c.id == boot_id).values(press=press))
    # Other tables point to this one: whoever runs this on SQLite has switched its foreign keys off.
    with op.batch_alter_table("boot", naming_convention=_NAMES, table_kwargs={"sqlite_strict": True}) as boot:
        boot.alter_column("press", existing_type=sa.Text(), nullable=False)
        boot.drop_constraint("boot_name_key", type_="unique")
        boot.create_unique_constraint("boot_once", ["press", "name"])
    op.create_index("event_of_kind", "event", ["kind", "boot_id"])
    op.create_index("run_of_boot", "run", ["boot_id", "id"])


def _named(connection: sa.Connection, table: sa.TableClause, column: str) -> dict[int, str]:
    """Return the press that the newest row of each boot names, as far as it names one."""
    newest = sa.select(sa.func.max(table.c.id)).group_by(table.c.boot_id)
    found = connection.execute(sa.select(table.c.boot_id, table.c[column]).where(table.c.id.in_(newest)))
    named = {int(boot_id): _press(text) for boot_id, text in found}
    return {boot_id: press for boot_id, press in named.items() if press is not None}


def _own(connection: sa.Connection) -> str:
    """Return the press of the only stored state, else of the newest run, else the default's name."""
    states = connection.execute(sa.select(_SNAPSHOT.c.press)).scalars().all()
    if len(states) == 1:
        return str(states[0])
    facts = connection.scalar(sa.select(_RUN.c.facts).order_by(_RUN.c.id.desc()).limit(1))
    return _press(facts) or _UNNAMED


def _press(text: str | None) -> str | None:
    """Return the press that facts or an event name; null where they name none."""
    try:
        told = json.loads(text or "")
    except ValueError:
        return None
    press = told.get("press") if isinstance(told, Mapping) else None
    name = press.get("name") if isinstance(press, Mapping) else press
    return name if isinstance(name, str) and _PRESS.fullmatch(name) else None
