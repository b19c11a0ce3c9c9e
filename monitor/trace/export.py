"""Writes a run as a package of plain files: trace.csv, events.jsonl, run.json, datapackage.json."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from functools import partial
from itertools import islice
from pathlib import Path
from typing import IO, Any

from monitor.contract.errors import StoreUnwritable
from monitor.contract.events import EVENT, Event
from monitor.run.row import TraceRow
from monitor.trace.columns import Column, Units, trace_columns
from monitor.trace.descriptor import Part, package_descriptor, package_name, run_facts, seconds_gone
from monitor.trace.lots import lots_of
from monitor.trace.package_rows import Span
from monitor.trace.reader import TraceReader

DESCRIPTOR = "datapackage.json"
_CHUNK_ROWS = 500
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)
"""The format's first date: the same run packs to the same bytes."""

Target = Callable[[str], AbstractContextManager[IO[bytes]]]
"""Opens a part of the package, by its name, for writing."""


def export_package(
    reader: TraceReader, run: str, *, units: Units, to: Path, extra: Mapping[str, bytes] | None = None
) -> Path:
    """Write the package of ``run`` into the folder ``<to>/<run>``; return that folder.

    ``extra`` are more files of the package, by name, such as its run sheet. The files appear there
    whole or not at all. Raises :class:`RunNotFound`, :class:`StoreUnreadable`, and
    :class:`StoreUnwritable` when ``to`` takes no files.
    """
    folder = to / package_name(run)
    try:
        to.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".export-", dir=to) as unfinished:
            names = _write_package(
                reader, run, units=units, target=partial(_file_in, Path(unfinished)), extra=extra or {}
            )
            folder.mkdir(exist_ok=True)
            for name in names:
                Path(unfinished, name).replace(folder / name)
    except NotADirectoryError:
        raise StoreUnwritable(f"{to} is not a folder: choose another with --to") from None
    except OSError as error:
        if error.strerror is None:  # one of this project's own, which says more
            raise
        raise StoreUnwritable(
            f"{folder} cannot be written: {error.strerror}; check the folder, its owner and the free space"
        ) from None
    return folder


def package_zip(
    reader: TraceReader, run: str, *, units: Units, extra: Mapping[str, bytes] | None = None
) -> bytes:
    """Return the package of ``run`` as a zip archive of the folder ``<run>/``.

    ``extra`` are more files of the package, by name. Raises :class:`RunNotFound` and
    :class:`StoreUnreadable`.
    """
    buffer = io.BytesIO()
    folder = package_name(run)
    with zipfile.ZipFile(buffer, "w") as archive:

        def target(name: str) -> AbstractContextManager[IO[bytes]]:
            entry = zipfile.ZipInfo(f"{folder}/{name}", _ZIP_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            return archive.open(entry, "w")

        _write_package(reader, run, units=units, target=target, extra=extra or {})
    return buffer.getvalue()


def _file_in(folder: Path, name: str) -> IO[bytes]:
    return (folder / name).open("wb")


def _write_package(
    reader: TraceReader, run: str, *, units: Units, target: Target, extra: Mapping[str, bytes]
) -> list[str]:
    """Write every part, all from one state of the store; return their names, the descriptor last."""
    columns = trace_columns(units)
    with reader.held() as still:
        record = still.run(run)
        spans: list[Span] = []
        rows = _noting_boots(still.rows(run), spans)
        parts = [
            _write_part("trace.csv", target, csv_chunks(rows, columns=columns)),
            _write_part("events.jsonl", target, _event_lines(still.events(run))),
        ]
        gone = seconds_gone(record, stored=bool(spans))
        facts = run_facts(
            record,
            columns=columns,
            offsets=still.clock_offsets(run),
            spans=spans or [Span(boot=record.boot, zero_mono_s=record.started_mono_s, first_row=0)],
            lots=lots_of(still, record),
            gone=gone,
            damaged=still.damaged(run),
        )
        parts.append(_write_part("run.json", target, [_json(facts)]))
        parts += [_write_part(name, target, [content]) for name, content in extra.items()]
    described = package_descriptor(record, columns=columns, parts=parts, gone=gone)
    _write_part(DESCRIPTOR, target, [_json(described)])
    return [*(part.name for part in parts), DESCRIPTOR]


def _noting_boots(rows: Iterator[TraceRow], spans: list[Span]) -> Iterator[TraceRow]:
    """Give ``rows`` on, and put into ``spans`` where each boot's rows begin."""
    for number, row in enumerate(rows):
        if not spans or spans[-1].boot != row.boot:
            zero_s = round(row.mono_s - (row.elapsed_s or 0.0), 3)
            spans.append(Span(boot=row.boot, zero_mono_s=zero_s, first_row=number))
        yield row


def csv_chunks(rows: Iterator[TraceRow], *, columns: Sequence[Column]) -> Iterator[bytes]:
    """Give trace.csv (RFC 4180, UTF-8) piece by piece."""
    cells = [column.cell for column in columns]
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow([column.name for column in columns])
    while True:
        yield text.getvalue().encode()
        text.seek(0)
        text.truncate()
        chunk = list(islice(rows, _CHUNK_ROWS))
        if not chunk:
            return
        writer.writerows([cell(row) for cell in cells] for row in chunk)


def _event_lines(events: Iterable[Event]) -> Iterator[bytes]:
    for event in events:
        yield EVENT.dump_json(event, exclude_none=True) + b"\n"


def _json(content: dict[str, Any]) -> bytes:
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False).encode() + b"\n"


def _write_part(name: str, target: Target, chunks: Iterable[bytes]) -> Part:
    digest = hashlib.sha256()
    size_bytes = 0
    with target(name) as file:
        for chunk in chunks:
            digest.update(chunk)
            size_bytes += file.write(chunk)
    return Part(name, size_bytes, digest.hexdigest())
