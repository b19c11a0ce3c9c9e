"""What the page is made from: one value that every address is given."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

from fastapi import Path, Query, Request

from monitor.contract.presence import Service
from monitor.runtime.settings import Settings
from web.acts import Desk
from web.live import Hub
from web.runs import RunBook
from web.secure_line import SecureLine
from web.view import Glance, LiveView, glance, live
from web.viewer import Choice, chosen

Press = Annotated[str, Path(pattern=r"^[a-z0-9-]{1,32}$")]
RunName = Annotated[str, Path(max_length=64)]
LONGEST_MIN = 100_000.0
"""No run lasts as many minutes as this."""
Minute = Annotated[float | None, Query(ge=0, le=LONGEST_MIN, allow_inf_nan=False)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rooms:
    """The hub, the desk, the stored runs, and how the broker's line stands."""

    settings: Settings
    hub: Hub
    desk: Desk
    book: RunBook
    connected: Callable[[], bool]
    dropped: Callable[[], int] = lambda: 0
    secure: SecureLine | None = None
    """What https is served with, null if it is not."""
    invented: bool = False
    """Everything shown is made up, whatever a status says."""

    def choice(self, request: Request) -> Choice:
        """Return what the viewer of ``request`` has chosen."""
        return chosen(request.cookies, display=self.settings.display)

    def view(self, press: str, choice: Choice) -> LiveView | None:
        """Return ``press`` as it is to be shown now."""
        hardware = self.hub.beats(press).get(Service.HARDWARE)
        return live(press, self.hub.heard(press), figures=choice.figures(), hardware=hardware)

    def glances(self, choice: Choice) -> list[tuple[str, Glance | None]]:
        """Return every press by name, each in a line."""
        figures = choice.figures()
        return [(press, glance(self.hub.heard(press), figures=figures)) for press in self.hub.presses]

    def is_invented(self, view: LiveView | Glance | None) -> bool:
        """Tell whether a page with ``view`` must carry the mark of invented data."""
        return self.invented or (view is not None and view.invented)
