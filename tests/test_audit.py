"""The step of CI that asks for known weaknesses: the real auditor over a service of our own.

The service answers as the OSV schema has it (ossf.github.io/osv-schema, 1.x: "vulns" with "id",
"affected", "ranges" of "events").
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

from tests.ports import unused_port

ROOT = Path(__file__).parents[1]
SCRIPT = ROOT / ".ci" / "audit.py"


class Service(ThreadingHTTPServer):
    """Answers each package's question as the test wants it."""

    daemon_threads = True
    weak: str = ""
    status = 200
    hangs: threading.Event | None = None

    def answer(self, name: str) -> dict[str, Any]:
        if name != self.weak:
            return {}
        events = [{"introduced": "0"}, {"fixed": "999.1"}]
        affected = [
            {
                "package": {"name": name, "ecosystem": "PyPI"},
                "ranges": [{"type": "ECOSYSTEM", "events": events}],
                "versions": [version(name)],
            }
        ]
        told = {"id": "INVENTED-2026-1", "summary": "invented", "details": "invented"}
        return {"vulns": [{**told, "affected": affected}]}


class Answers(BaseHTTPRequestHandler):
    server: Service

    def do_POST(self) -> None:
        asked = json.loads(self.rfile.read(int(self.headers["content-length"])))
        if self.server.hangs is not None:
            self.server.hangs.wait(60)
        body = json.dumps(self.server.answer(asked["package"]["name"])).encode()
        self.send_response(self.server.status)
        self.send_header("content-type", "application/json")
        self.send_header("content-length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the parent's name
        pass


@pytest.fixture
def service() -> Iterator[Service]:
    server = Service(("127.0.0.1", 0), Answers)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server
    if server.hangs is not None:
        server.hangs.set()
    server.shutdown()
    server.server_close()


def audited(port: int, *more: str) -> tuple[int, list[str]]:
    done = subprocess.run(
        [sys.executable, SCRIPT, "--service", f"http://127.0.0.1:{port}/v1/query", *more],
        capture_output=True,
        text=True,
        timeout=55,
        check=False,
        cwd=ROOT,
    )
    assert done.stderr == ""
    return done.returncode, done.stdout.splitlines()


def test_packages_without_a_known_weakness_pass_and_are_counted(service: Service) -> None:
    status, said = audited(service.server_port)
    assert status == 0
    total = re.fullmatch(r"dependency audit: (\d+) packages looked at, 0 known weaknesses", said[0])
    assert total
    assert int(total[1]) > 50


def test_a_known_weakness_fails_and_is_named_with_its_cure(service: Service) -> None:
    service.weak = "segno"
    status, said = audited(service.server_port)
    assert status == 1
    assert said[0] == f"segno {version('segno')}: INVENTED-2026-1, fixed in 999.1"
    assert said[1].endswith(", 1 known weaknesses")


def test_a_service_out_of_reach_is_skipped_aloud() -> None:
    status, said = audited(unused_port())
    assert (status, len(said)) == (0, 1)
    assert re.fullmatch(r"dependency audit skipped: http://\S+ does not answer \(.*Connection.*\)", said[0])


def test_a_service_in_trouble_is_skipped_aloud(service: Service) -> None:
    service.status = 503
    status, said = audited(service.server_port)
    assert (status, said[0].startswith("dependency audit skipped: ")) == (0, True)


def test_a_service_that_hangs_holds_nobody_up(service: Service) -> None:
    service.hangs = threading.Event()
    began_s = time.monotonic()
    status, said = audited(service.server_port, "--limit-s", "3")
    assert (status, said) == (0, ["dependency audit skipped: no end within 3 s"])
    assert time.monotonic() - began_s < 20


def test_an_audit_that_goes_wrong_by_itself_is_no_pass(tmp_path: Path) -> None:
    (tmp_path / "pip_audit.py").write_text("raise SystemExit('pip-audit: error: no such option')\n")
    done = subprocess.run(
        [sys.executable, SCRIPT],
        capture_output=True,
        text=True,
        check=False,
        env={"PYTHONPATH": str(tmp_path)},
    )
    assert (done.returncode, done.stdout) == (
        1,
        "dependency audit went wrong: pip-audit: error: no such option\n",
    )


def test_ci_runs_it_after_the_tests() -> None:
    steps = (ROOT / ".ci" / "run").read_text()
    assert steps.index("bash -euo pipefail -c") < steps.index(".venv-test/bin/python .ci/audit.py")
