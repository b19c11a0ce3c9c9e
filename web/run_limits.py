"""The thresholds that were in force in a stored run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace

from monitor.rules.thresholds import Thresholds
from web.runs import limits_of


def thresholds_of(stored: Mapping[str, object], *, now: Thresholds) -> Thresholds:
    """Return what was stored with a run; what was not stored then is as it is ``now``."""
    known = {field.name for field in fields(Thresholds)}
    return replace(now, **{key: value for key, value in limits_of(stored).items() if key in known})
