"""Describes an exported package: datapackage.json and run.json.

Follows the Data Package and Table Schema specifications (specs.frictionlessdata.io).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pydantic import TypeAdapter

from monitor.run.lot import LotRecord
from monitor.trace.columns import Column, time_text
from monitor.trace.package_rows import Span
from monitor.trace.reader import ClockOffset, RunRecord

NOTICE = (
    "Record of a run monitor. The monitor is not a safety device and controls nothing; "
    "the record helps, it proves no compliance."
)
GONE = "The seconds of this run are no longer kept: trace.csv holds none, and what they told is unknown."
_LOT = TypeAdapter(LotRecord)
_MEDIA_TYPES = {
    "trace.csv": "text/csv",
    "events.jsonl": "application/jsonl",
    "run.json": "application/json",
    "run-sheet.html": "text/html",
}


@dataclass(frozen=True, slots=True)
class Part:
    """A written file of the package."""

    name: str
    size_bytes: int
    sha256: str


def seconds_gone(record: RunRecord, *, stored: bool) -> bool:
    """Tell whether a run has outlived its seconds; ``stored`` tells whether there are any."""
    return record.closed_by is not None and bool(record.elapsed_s) and not stored


def package_descriptor(
    record: RunRecord, *, columns: Sequence[Column], parts: Sequence[Part], gone: bool
) -> dict[str, Any]:
    """Return datapackage.json for the written ``parts``; ``gone`` if the run has outlived its seconds."""
    return {
        "profile": "data-package",
        "name": package_name(record.run),
        "title": f"Run {record.run}" + (" (invented data)" if record.invented else ""),
        "description": f"{NOTICE} {GONE}" if gone else NOTICE,
        "invented": record.invented,
        "software": record.software,
        "press": record.facts.get("press", record.press),
        "thresholds": dict(record.thresholds),
        "resources": [_resource(part, columns=columns) for part in parts],
    }


def run_facts(
    record: RunRecord,
    *,
    columns: Sequence[Column],
    offsets: Sequence[ClockOffset],
    spans: Sequence[Span],
    lots: Sequence[LotRecord],
    gone: bool,
    damaged: int,
) -> dict[str, Any]:
    """Return run.json: what is known of the run as a whole, base units in the names.

    ``boots`` says in which boot of the board each row was made, so that the run can be taken back
    into a store; ``lots`` are worked out from rows and entries and are not read back; ``gone`` tells
    that the run has outlived its seconds, ``damaged`` how many entries could not be read.
    """
    return {
        "run": record.run,
        "press": record.press,
        "invented": record.invented,
        "software": record.software,
        "started": time_text(record.started) or None,
        "clock": record.clock,
        "ended": time_text(record.ended) or None,
        "elapsed_s": record.elapsed_s,
        "seconds_gone": gone,
        "left_out_damaged": damaged,
        "volume_l": record.volume_l,
        "opened_by": record.opened_by,
        "closed_by": record.closed_by,
        "boot": record.boot,
        "started_mono_s": record.started_mono_s,
        "boots": [asdict(span) for span in spans],
        "ended_boot": record.ended_boot,
        "ended_mono_s": record.ended_mono_s,
        "thresholds": dict(record.thresholds),
        "facts": dict(record.facts),
        "units": {column.name: column.unit for column in columns if column.unit is not None},
        "clock_offsets": [
            {"boot": at.boot, "mono_s": at.mono_s, "time": time_text(at.time), "clock": at.clock}
            for at in offsets
        ],
        "lots": [_LOT.dump_python(lot, mode="json") for lot in lots],
    }


def package_name(run: str) -> str:
    """Return ``run`` as the name of a package or a folder: lower-case letters, digits, ``. _ -``.

    >>> package_name("../Main run 3")
    'main-run-3'
    """
    return re.sub(r"[^a-z0-9._-]+", "-", run.lower()).strip("-.") or "run"


def _resource(part: Part, *, columns: Sequence[Column]) -> dict[str, Any]:
    name, _, form = part.name.partition(".")
    resource: dict[str, Any] = {
        "name": name,
        "path": part.name,
        "format": form,
        "mediatype": _MEDIA_TYPES[part.name],
        "encoding": "utf-8",
        "bytes": part.size_bytes,
        "hash": f"sha256:{part.sha256}",
    }
    if form != "csv":
        return resource | {"type": "file"}  # not a table: events of different kinds have different fields
    return resource | {
        "profile": "tabular-data-resource",
        "dialect": {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "doubleQuote": True},
        "schema": {"fields": [_field(column) for column in columns], "missingValues": [""]},
    }


def _field(column: Column) -> Mapping[str, Any]:
    field: dict[str, Any] = {"name": column.name, "type": column.type, "title": column.title}
    if column.unit is not None:
        field["unit"] = column.unit
    if column.words:
        field["constraints"] = {"required": True, "enum": list(column.words)}
    if column.name == "elapsed_s":
        field["constraints"] = {"required": True, "minimum": 0}
    return field
