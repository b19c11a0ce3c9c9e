"""The services done with nothing of ours: ``python -m tests.bench.bare_services NAME PORT ...``.

Each does what no program for the job can leave out, by the same libraries and at the same rates, and
judges, checks, keeps and shows nothing.
"""

from __future__ import annotations

import asyncio
import sys
import threading
import time
from collections.abc import AsyncIterator
from pathlib import Path

import aiomqtt

LOOPBACK = "127.0.0.1"
READING, STATUS = "bare/reading", "bare/status"
READING_BYTES, STATUS_BYTES = b"x" * 300, b"y" * 2000
"""About as long as ours."""
POINTS, SAMPLE_HZ = 5, 50


async def hardware(port: int, file: Path) -> None:
    """Read one kernel file 50 times a second in a thread and publish five messages a second."""

    def sample() -> None:
        while True:
            float(file.read_text())
            time.sleep(1.0 / SAMPLE_HZ)

    threading.Thread(target=sample, daemon=True).start()
    async with aiomqtt.Client(LOOPBACK, port) as client:
        while True:
            for _ in range(POINTS):
                await client.publish(READING, READING_BYTES, qos=1)
            await asyncio.sleep(1.0)


async def monitor(port: int) -> None:
    """Answer every reading with a message as long as a status."""
    async with aiomqtt.Client(LOOPBACK, port) as client:
        await client.subscribe(READING, qos=1)
        async for _ in client.messages:
            await client.publish(STATUS, STATUS_BYTES, qos=1, retain=True)


async def web(port: int, page_port: int) -> None:
    """Stream what arrives to whoever listens."""
    import uvicorn
    from fastapi import FastAPI
    from fastapi.responses import StreamingResponse

    app = FastAPI()
    news = asyncio.Condition()

    async def told() -> AsyncIterator[bytes]:
        while True:
            async with news:
                await news.wait()
            yield b"data: " + STATUS_BYTES + b"\n\n"

    @app.get("/live/main")
    async def live() -> StreamingResponse:
        return StreamingResponse(told(), media_type="text/event-stream")

    async def hear() -> None:
        async with aiomqtt.Client(LOOPBACK, port) as client:
            await client.subscribe(STATUS, qos=1)
            async for _ in client.messages:
                async with news:
                    news.notify_all()

    server = uvicorn.Server(uvicorn.Config(app, host=LOOPBACK, port=page_port, log_level="error"))
    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(hear())
        tasks.create_task(server.serve())


def main() -> None:
    """Run one of them for ever."""
    name, port, *rest = sys.argv[1:]
    if name == "hardware":
        asyncio.run(hardware(int(port), Path(rest[0])))
    elif name == "monitor":
        asyncio.run(monitor(int(port)))
    else:
        asyncio.run(web(int(port), int(rest[0])))


if __name__ == "__main__":
    main()
