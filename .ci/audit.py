"""Looks for known weaknesses in what is installed beside this Python; a step of ``.ci/run``.

``pip-audit`` asks the open OSV service, not the package registry. Exit status 0 when nothing was found,
1 for a weakness or an audit that went wrong by itself. A service that cannot be reached says nothing of
the packages: the audit is then skipped, aloud, so that work without a network goes on.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

SERVICE = "https://api.osv.dev/v1/query"
LIMIT_S = 240.0
"""Longest the whole audit may take; a hundred packages took seconds where the service answered."""
ANSWER_S = 10
UNREACHABLE = re.compile(
    r"requests\.exceptions\.(\w*Connection\w*|\w*Timeout|HTTPError|RetryError|\w*SSL\w*|ProxyError)"
    r"|ConnectionError|ServiceError"
)
"""How pip-audit ends when its service does not answer, or answers with an error of its own."""


def audit(*, service: str, limit_s: float) -> tuple[int, list[str]]:
    """Return the exit status and the lines to be said."""
    with tempfile.TemporaryDirectory() as folder:
        found = Path(folder) / "found.json"
        command = [sys.executable, "-m", "pip_audit", "--vulnerability-service", "osv", "--osv-url", service]
        command += ["--skip-editable", "--progress-spinner", "off", "--timeout", str(ANSWER_S)]
        command += ["--format", "json", "--desc", "off", "--output", str(found)]
        said = _said(command, limit_s=limit_s)
        if said is None:
            return 0, [f"dependency audit skipped: no end within {limit_s:g} s"]
        if found.exists():
            return _judged(json.loads(found.read_text(encoding="utf-8")))
    last = said.strip().splitlines()[-1][:300] if said.strip() else "it said nothing"
    if UNREACHABLE.search(last):
        return 0, [f"dependency audit skipped: {service} does not answer ({last.partition(':')[0]})"]
    return 1, [f"dependency audit went wrong: {last}"]


def _judged(found: dict[str, Any]) -> tuple[int, list[str]]:
    lines = list(_weaknesses(found))
    looked_at = sum("version" in package for package in found["dependencies"])
    total = f"dependency audit: {looked_at} packages looked at, {len(lines)} known weaknesses"
    return (1 if lines else 0), [*lines, total]


def _weaknesses(found: dict[str, Any]) -> Iterator[str]:
    for package in found["dependencies"]:
        for weakness in package.get("vulns", ()):
            fixed = ", ".join(weakness["fix_versions"]) or "no version yet"
            yield f"{package['name']} {package['version']}: {weakness['id']}, fixed in {fixed}"


def _said(command: list[str], *, limit_s: float) -> str | None:
    """Return what ``command`` says of trouble; null if it was ended for taking too long."""
    with subprocess.Popen(  # noqa: S603 - our own command, no shell
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as run:
        try:
            return run.communicate(timeout=limit_s)[1]
        except subprocess.TimeoutExpired:
            os.killpg(run.pid, signal.SIGKILL)
            return None


def main() -> None:
    """Audit and say so."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--service", default=SERVICE)
    options.add_argument("--limit-s", type=float, default=LIMIT_S)
    given = options.parse_args()
    status, lines = audit(service=given.service, limit_s=given.limit_s)
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    sys.exit(status)


if __name__ == "__main__":
    main()
