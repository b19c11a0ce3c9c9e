"""What this press's own stored runs show, for the next plan and the season; blocking, for a thread."""

from __future__ import annotations

import threading
from collections import OrderedDict

from monitor.rules.thresholds import RunRules
from monitor.run.press_record import RunEntry, shown_by
from monitor.trace.reader import RunRecord, TraceReader

REMEMBERED = 400
"""Runs whose figures are kept in memory; a figure is some hundred bytes."""


class PastRuns:
    """Works out what the seconds of a closed run show, once; usable from any thread."""

    def __init__(self, reader: TraceReader, *, rules: RunRules) -> None:
        self._reader = reader
        self._rules = rules
        self._kept: OrderedDict[str, RunEntry] = OrderedDict()
        self._lock = threading.Lock()

    def shown(self, record: RunRecord) -> RunEntry:
        """Return what the trace of ``record`` shows."""
        with self._lock:
            kept = self._kept.get(record.run)
        if kept is not None:
            return kept
        entry = shown_by(self._reader.rows(record.run), run=record.run, rules=self._rules)
        if record.closed_by is not None:
            with self._lock:
                self._kept[record.run] = entry
                while len(self._kept) > REMEMBERED:
                    self._kept.popitem(last=False)
        return entry

    def entries(self, press: str) -> tuple[RunEntry, ...]:
        """Return the closed runs of ``press``, oldest first."""
        records = [r for r in self._reader.runs() if r.press == press and r.closed_by is not None]
        return tuple(self.shown(record) for record in reversed(records))
