"""One writer a press among several monitors, held by real processes that are killed, stopped and woken."""

from __future__ import annotations

import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import psycopg
import pytest

from monitor.contract.errors import StoreInUse, StoreUnwritable
from monitor.contract.readings import Point
from monitor.run.effects import RowDue
from monitor.trace import lease, ledger
from monitor.trace.lease import Leases
from monitor.trace.store import TraceReader, TraceWriter
from tests.postgres import PostgresServer
from tests.trace.conftest import ServerBench

CHILD = Path(__file__).with_name("leasing_child.py")
FREE_WITHIN_S = 10.0
TAKEN_WITHIN_S = 15.0
STARTED_WITHIN_S = 30.0

pytestmark = pytest.mark.timeout(120)


@pytest.fixture
def shared(tmp_path: Path, postgres: PostgresServer) -> Iterator[ServerBench]:
    bench = ServerBench(tmp_path, postgres)
    yield bench
    bench.close()


class Child:
    """A monitor in a process of its own, and what it has said, with the moment of each word."""

    def __init__(self, url: str, name: str, *presses: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, CHILD, url, name, *presses], stdout=subprocess.PIPE, text=True
        )
        self.said: list[tuple[float, str]] = []
        self._heard: queue.Queue[str] = queue.Queue()
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append((time.monotonic(), line.strip()))
            self._heard.put(line.strip())

    def wait(self, words: str, *, within_s: float) -> None:
        deadline = time.monotonic() + within_s
        while True:
            left_s = deadline - time.monotonic()
            try:
                if self._heard.get(timeout=max(0.0, left_s)).startswith(words):
                    return
            except queue.Empty:
                raise AssertionError(f"it did not say {words!r} but {self.said[-5:]}") from None

    def send(self, number: signal.Signals) -> None:
        self.process.send_signal(number)

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        self._listener.join()
        if self.process.stdout is not None:
            self.process.stdout.close()


@pytest.fixture
def monitor(shared: ServerBench) -> Iterator[Callable[..., Child]]:
    with ExitStack() as children:

        def begin(name: str, *presses: str) -> Child:
            child = Child(shared.url, name, *presses)
            children.callback(child.end)
            return child

        yield begin


def rows_by_writer(bench: ServerBench, press: str) -> list[int]:
    """Return the writing process of each row, in the order in which they were kept."""
    found = bench.ask("SELECT press, volume_l FROM moment JOIN boot ON boot.id = boot_id ORDER BY moment.id")
    return [int(volume) for name, volume in found if name == press]


def test_a_killed_monitors_presses_are_taken_by_another(
    shared: ServerBench, monitor: Callable[..., Child]
) -> None:
    first = monitor("first", "main", "north")
    first.wait("took north", within_s=STARTED_WITHIN_S)
    first.wait("kept", within_s=STARTED_WITHIN_S)
    second = monitor("second", "main", "north", "south")
    second.wait("took south", within_s=STARTED_WITHIN_S)
    second.wait("kept", within_s=5.0)
    assert not [word for _, word in second.said if word in ("took main", "took north")]
    first.send(signal.SIGKILL)
    killed_s = time.monotonic()
    second.wait("took north", within_s=TAKEN_WITHIN_S)
    assert time.monotonic() - killed_s <= FREE_WITHIN_S + 1.0
    second.wait("kept", within_s=5.0)
    first.process.wait()
    safe = int([word for _, word in first.said if word.startswith("kept")][-1].split()[1])
    kept = sum(rows_by_writer(shared, press).count(first.process.pid) for press in ("main", "north"))
    assert kept >= safe


def test_a_stopped_monitor_that_wakes_up_writes_nothing_more(
    shared: ServerBench, monitor: Callable[..., Child]
) -> None:
    first = monitor("first", "main")
    first.wait("kept", within_s=STARTED_WITHIN_S)
    first.send(signal.SIGSTOP)
    second = monitor("second", "main")
    second.wait("took main", within_s=STARTED_WITHIN_S)
    second.wait("kept", within_s=5.0)
    first.send(signal.SIGCONT)
    first.wait("lost main", within_s=5.0)
    second.wait("kept", within_s=5.0)
    second.wait("kept", within_s=5.0)
    writers = rows_by_writer(shared, "main")
    assert writers == sorted(writers, key=lambda pid: pid == second.process.pid), "one after the other"
    assert set(writers) == {first.process.pid, second.process.pid}
    second.send(signal.SIGKILL)
    first.wait("took main", within_s=TAKEN_WITHIN_S)  # it may have it again, as a new holder would


def test_a_monitor_stopped_in_the_middle_of_a_transaction_holds_its_press_no_longer_than_its_lease(
    shared: ServerBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The thread that stands still in a transaction stands for the process; the server sees the same."""
    entered, go_on = threading.Event(), threading.Event()
    said: list[str] = []
    writer = shared.opened(press_lost=said.append)
    insert = ledger.Ledger._write

    def stand_still(self: Any, *args: Any) -> None:
        entered.set()
        go_on.wait(60.0)
        insert(self, *args)

    monkeypatch.setattr(ledger.Ledger, "_write", stand_still)
    writer.keep_effect(RowDue(shared.row(mono_s=1.0)))
    assert entered.wait(10.0)
    other = Leases(shared.url, holder="other")
    began_s = time.monotonic()
    while other.claim({"main"}) != {"main"}:
        assert time.monotonic() - began_s < FREE_WITHIN_S + 1.0
        time.sleep(0.2)
    monkeypatch.undo()
    go_on.set()
    writer.flush()
    writer.flush()
    assert said == ["main"]
    assert shared.count("moment") == 0
    other.close()


def test_a_second_monitor_is_refused_a_press_that_is_written(shared: ServerBench) -> None:
    first = shared.opened()
    with pytest.raises(StoreInUse, match=r"press main .* has another writer"):
        shared.opened()
    other = shared.opened(press="north")
    with pytest.raises(StoreInUse):
        other.press("main")
    first.close()
    other.press("main").keep_reading(Point.OUTLET, shared.reading(), arrived_mono_s=0.0)
    other.flush()
    assert shared.count("reading") == 1


def test_a_press_that_was_let_go_is_free_at_once_with_all_that_was_kept(shared: ServerBench) -> None:
    writer = shared.opened()
    own = writer.press("main")
    own.keep_effect(shared.run_opened())
    own.keep_effect(RowDue(shared.row(mono_s=1001.0, elapsed_s=1.0)))
    writer.release("main")
    own.keep_effect(RowDue(shared.row(mono_s=1002.0, elapsed_s=2.0)))  # too late
    other = TraceWriter(shared.url, software="0.1.0")
    other.open()
    assert other.leases.claim({"main", "north"}) == {"main", "north"}
    other.press("main").keep_effect(RowDue(shared.row(mono_s=1003.0, elapsed_s=3.0)))
    other.close()
    rows = list(TraceReader(shared.url).rows("run-1"))
    assert [row.mono_s for row in rows] == [1001.0, 1003.0], "the other took up the open run"
    assert shared.ask("SELECT press FROM lease") == []


def test_a_lease_that_ran_out_and_was_not_taken_is_still_its_holders(
    shared: ServerBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lease, "RENEW_S", 3600.0)
    said: list[str] = []
    writer = shared.opened(press_lost=said.append)
    shared.execute("UPDATE lease SET until_s = 0")
    writer.keep_effect(RowDue(shared.row()))
    writer.flush()
    assert (shared.count("moment"), said) == (1, [])
    shared.execute("UPDATE lease SET holder = 'another'")
    writer.keep_effect(RowDue(shared.row()))
    writer.flush()
    assert (shared.count("moment"), said, writer.lost) == (1, ["main"], 1)
    assert writer.problem is None


def test_a_lost_press_costs_the_others_nothing(shared: ServerBench) -> None:
    said: list[str] = []
    writer = shared.opened(press_lost=said.append)
    north = writer.press("north")
    shared.execute("UPDATE lease SET holder = 'another' WHERE press = 'main'")
    for second in range(3):
        writer.keep_effect(RowDue(shared.row(mono_s=float(second))))
        north.keep_effect(RowDue(shared.row(mono_s=float(second))))
    writer.flush()
    assert said == ["main"]
    assert shared.ask("SELECT press, count(*) FROM moment JOIN boot ON boot.id = boot_id GROUP BY 1") == [
        ("north", 3)
    ]


def test_leases_are_renewed_also_while_there_is_nothing_to_write(
    shared: ServerBench, wait_until: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lease, "RENEW_S", 0.5)
    shared.opened()
    (first,) = shared.ask("SELECT until_s FROM lease")
    wait_until(lambda: shared.ask("SELECT until_s FROM lease") > [first])


def test_two_that_claim_at_once_share_and_never_both_have(shared: ServerBench) -> None:
    shared.opened(press="tables")
    presses = [f"press-{number}" for number in range(50)]
    claimers = [Leases(shared.url, holder=f"monitor {number}") for number in range(4)]
    taken: list[set[str]] = []

    def claim(leases: Leases) -> None:
        taken.append(leases.claim(presses))

    threads = [threading.Thread(target=claim, args=(leases,)) for leases in claimers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for leases in claimers:
        leases.close()
    assert sum(len(share) for share in taken) == 50
    assert set().union(*taken) == set(presses)


def test_a_server_that_is_gone_fails_the_claim_in_one_line(shared: ServerBench) -> None:
    shared.opened()
    leases = Leases(shared.url.replace(f":{shared.server.port}/", ":1/"), holder="x")
    with pytest.raises(StoreUnwritable, match="cannot be reached") as refusal:
        leases.claim({"main"})
    assert "\n" not in str(refusal.value)
    leases.close()


def test_a_press_is_free_at_once_also_after_the_server_was_away(shared: ServerBench) -> None:
    """The sessions from before are ended as a restart ends them."""
    writer = shared.opened()
    shared.execute(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
        "WHERE datname = current_database() AND pid <> pg_backend_pid()"
    )
    writer.leases.release({"main"})
    assert shared.count("lease") == 0


def test_times_are_the_servers_own(shared: ServerBench) -> None:
    """The server's clock, read by plain psycopg, says when a lease runs out."""
    shared.opened()
    with psycopg.connect(shared.server.address(shared.database)) as plain:
        left = plain.execute("SELECT until_s - extract(epoch FROM clock_timestamp()) FROM lease").fetchone()
    assert left is not None
    assert lease.LEASE_S - 2.0 < float(left[0]) <= lease.LEASE_S


def test_a_file_gives_every_press_to_its_one_writer(bench: Any) -> None:
    writer = bench.opened()
    assert writer.leases.claim({"main", "north"}) == {"north"}
    assert writer.leases.held == {"main", "north"}
    writer.release("north")
    assert writer.leases.held == {"main"}
    writer.press("main").keep_effect(RowDue(bench.row()))
    writer.close()
    assert (bench.count("moment"), bench.count("lease")) == (1, 0)
