"""Settings: one TOML file, every value with its unit as text, refused with its line.

:func:`load` reads the file and the ``--set`` overrides. Defaults run the demo with no file at
all. What belongs to a press is in :mod:`monitor.runtime.press_settings`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from monitor.contract.errors import SettingsError, UnitError
from monitor.contract.units import Dimension, quantity
from monitor.contract.wire import PressName
from monitor.runtime import settings_file
from monitor.runtime.press_settings import (
    FlowPointSection,
    LinePointSection,
    PressSettings,
    Section,
    TemperaturePointSection,
)

__all__ = [
    "BrokerSection",
    "DisplaySection",
    "FlowPointSection",
    "LinePointSection",
    "PressSettings",
    "Settings",
    "SounderSection",
    "StoreSection",
    "TemperaturePointSection",
    "WebSection",
    "load",
]

PRESS_LIMIT = 500
"""Presses of one file; one monitor was measured with 200."""


class BrokerSection(Section):
    """``[broker]``: where the rooms meet."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    username: str | None = None
    password_file: Path | None = None


FOR_EVER = "for ever"
DAY_S = 86_400.0
"""The shortest keeping: less would take away what a fault of this morning is looked up in."""


def _keeping(value: object) -> float | None:
    if value is None or value == FOR_EVER:
        return None
    if not isinstance(value, str):
        raise UnitError(f'{value!r} has no unit: write it as text, such as "30 d", or "{FOR_EVER}"')
    seconds = quantity(value, dimension=Dimension.TIME)
    if seconds < DAY_S:
        raise UnitError(f'{value!r} is less than a day: write "1 d" or more, or "{FOR_EVER}"')
    return seconds


Keeping = Annotated[float | None, BeforeValidator(_keeping)]
"""How long something is kept [s]; null is for ever."""


class StoreSection(Section):
    """``[store]``: where runs are kept, and how long their seconds are.

    What is known of a run as a whole, its events and its entries are kept for ever.
    """

    url: str = "sqlite:///niterwatch.db"
    keep_readings: Keeping = 30 * DAY_S
    """Raw readings and the seconds outside runs; "for ever" keeps them all."""
    keep_seconds: Keeping = None
    """Seconds of closed runs, from their end on; for ever when not given. A run that a lot was packed
    from keeps them in any case."""


class WebSection(Section):
    """``[web]``: the page."""

    host: str = "0.0.0.0"  # noqa: S104 - the page is for the farm's own network; acts need the code
    port: Annotated[int, Field(ge=0, le=65535)] = 8080
    allowed_hosts: tuple[str, ...] = ()
    """Names the page may be asked by, beside the board's own names and addresses."""
    reading: Literal["open", "code"] = "open"
    """Who may look: everybody on the network, or the phones that were given the device's code once."""
    code_file: Path = Path("device-code")
    """Where the hash of the device's code is kept."""
    certificate: Path | None = None
    """Certificate of the page; with its key the page is served by https as well."""
    key: Path | None = None
    """Key of the certificate."""
    secure_port: Annotated[int, Field(ge=0, le=65535)] = 8443
    """Port of https."""
    authority: Path | None = None
    """Certificate of the private authority that phones are to install; the health page hands it out."""

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.certificate is None) != (self.key is None):
            raise ValueError("certificate and key go together: give both or none")
        if self.certificate is not None and self.secure_port == self.port != 0:
            raise ValueError("port and secure_port must differ")
        return self


class SounderSection(Section):
    """``[sounder]``: pins of the sounder and the lamp; none means not fitted."""

    pin: Annotated[int, Field(ge=0, le=27)] | None = None
    lamp_pin: Annotated[int, Field(ge=0, le=27)] | None = None
    card: str | None = None
    """ALSA playback device, such as "default", for a board with a sound card instead of a sounder pin."""


class KernelSection(Section):
    """``[kernel]``: roots of the driver trees; a faked tree makes the same readers run anywhere."""

    w1: Path = Path("/sys/bus/w1/devices")
    iio: Path = Path("/sys/bus/iio/devices")


class DisplaySection(Section):
    """``[display]``: what a page shows until a viewer chooses otherwise."""

    units: Literal["us", "metric"] = "us"
    language: Literal["en", "fr"] = "en"


class Settings(PressSettings):
    """The whole file."""

    broker: BrokerSection = BrokerSection()
    store: StoreSection = StoreSection()
    web: WebSection = WebSection()
    sounder: SounderSection = SounderSection()
    kernel: KernelSection = KernelSection()
    display: DisplaySection = DisplaySection()
    presses: Annotated[dict[PressName, PressSettings], Field(max_length=PRESS_LIMIT)] = Field(
        default_factory=dict
    )
    """``[presses.NAME]``: several presses under one monitor, each with what differs from the rest."""

    @model_validator(mode="after")
    def _called_by_their_keys(self) -> Self:
        for name, own in self.presses.items():
            if own.press.name != name:
                raise PydanticCustomError(
                    settings_file.ELSEWHERE,
                    "the press is called {name} already",
                    {"name": name, "key": f"presses.{name}.press.name"},
                )
        return self

    def each(self) -> tuple[PressSettings, ...]:
        """Return what is set for every press: those under ``[presses]``, else the only one."""
        return tuple(self.presses.values()) or (self,)

    def of(self, press: str) -> PressSettings:
        """Return what is set for ``press``; the file's own sections for one that it does not name."""
        return self.presses.get(press, self)


def load(file: Path | None = None, *, overrides: Sequence[str] = ()) -> Settings:
    """Return the settings of ``file`` with ``overrides`` ("press.frames=5") applied.

    Raises :class:`SettingsError` with the file's line, or the override, that is wrong.
    """
    text, table = settings_file.read(file)
    for override in overrides:
        settings_file.apply(table, override)
    settings_file.spread(table)
    try:
        return Settings.model_validate(table)
    except ValidationError as error:
        raise SettingsError(
            settings_file.complaint(error, file=file, text=text, overrides=overrides)
        ) from None
