"""What people do wrong: a second monitor, two phones at once. (A run left open is in tests/run.)"""

from __future__ import annotations

import http.client
import json
import sqlite3
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from monitor.contract.names import Alarm, AlarmState, Flag
from monitor.contract.status import AlarmStatus
from tests.faults import ledger
from tests.faults.counts import Counts
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric
from tests.faults.plant import Plant, plant
from tests.integration.services import Program
from tests.ports import LOOPBACK
from web.security import DeviceCode

PHONES = 2


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Start a second monitor on the same store; let two phones act at the same moment."""
    directory.mkdir(parents=True, exist_ok=True)
    text, code = DeviceCode.make()
    code.save(directory / "device-code")
    with plant(directory) as press:
        press.start()
        yield from _second_monitor(press)
        yield from _two_phones(press, text, pairs=counts.pairs)


def _second_monitor(press: Plant) -> Iterator[Metric]:
    services = press.services
    second = Program(
        [sys.executable, "-m", "monitor.cli", "monitor", "--settings", str(services.settings_file)],
        log=services.new_log("second"),
    )
    second.start()
    refused = second.finish() != 0
    lines = second.text().strip().splitlines()
    first = press.program("monitor").alive
    told = len(lines) == 1 and "another writer" in lines[0]
    yield Metric(family=17, what="second monitors that run", measured=not refused, limit=0)
    yield Metric(family=17, what="and are not told why in one line", measured=not told, limit=0)
    yield Metric(family=17, what="first monitors ended by it", measured=not first, limit=0)


def _two_phones(press: Plant, code: str, *, pairs: int) -> Iterator[Metric]:
    """Start, acknowledge and end a run from two phones at once."""
    twice = unanswered = 0
    for pair in range(pairs):
        starts = _both(press, code, "start", {})
        press.open_run()
        if pair == 0:
            press.outlet_f = 197.0
            press.await_flag(Flag.OVER_PRECIPITATION)
            seconds_until(lambda: _alarm(press) is not None, deadline_s=10.0)
            alarm = _alarm(press)
            assert alarm is not None
            act = {"alarm": Alarm.OVER_PRECIPITATION, "activation": alarm.activation}
            acknowledged = _both(press, code, "acknowledge", act)
            unanswered += acknowledged.count("")
            press.outlet_f = 150.0
        ends = _both(press, code, "end", {})
        unanswered += starts.count("") + ends.count("")
        twice += (starts.count("done") > 1) + (ends.count("done") > 1)
    with closing(ledger.connect(press.services.database)) as store:
        runs = int(store.execute("SELECT count(*) FROM run").fetchone()[0])
        moves = _acknowledgements(store)
    yield Metric(family=17, what=f"starts and ends done twice, of {pairs} pairs", measured=twice, limit=0)
    yield Metric(family=17, what="runs kept beyond one a pair", measured=abs(runs - pairs), limit=0)
    yield Metric(family=17, what="acknowledgements kept beyond one", measured=abs(moves - 1), limit=0)
    yield Metric(family=17, what="acts without an answer", measured=unanswered, limit=0)


def _acknowledgements(store: sqlite3.Connection) -> int:
    query = "SELECT count(*) FROM event WHERE kind = 'alarm' AND name = ? AND state = ?"
    asked = (Alarm.OVER_PRECIPITATION.value, AlarmState.ACKNOWLEDGED.value)
    return int(store.execute(query, asked).fetchone()[0])


def _alarm(press: Plant) -> AlarmStatus | None:
    status = press.listener.status()
    alarms = status.alarms if status else ()
    return next((alarm for alarm in alarms if alarm.name is Alarm.OVER_PRECIPITATION), None)


def _both(press: Plant, code: str, verb: str, body: dict[str, object]) -> list[str]:
    """Post the same act from two phones at once; return what each was told, empty for nothing."""
    gate = threading.Barrier(PHONES)
    told = [""] * PHONES

    def post(phone: int) -> None:
        connection = http.client.HTTPConnection(LOOPBACK, press.services.web_port, timeout=10.0)
        headers = {"Content-Type": "application/json", "X-Device-Code": code}
        content = json.dumps(body | {"who": f"phone {phone}"})
        gate.wait()
        try:
            connection.request("POST", f"/press/main/act/{verb}", content, headers)
            told[phone] = json.loads(connection.getresponse().read())["outcome"]
        except (OSError, ValueError):
            return
        finally:
            connection.close()

    phones = [threading.Thread(target=post, args=(number,)) for number in range(PHONES)]
    for phone in phones:
        phone.start()
    for phone in phones:
        phone.join()
    return told
