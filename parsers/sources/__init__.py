"""One module per kind of dump: its kind, its command, how to recognise it, how to read it."""

from typing import Any, Protocol

from parsers.outcome import Parsed
from parsers.sources import (
    battery_checkin,
    battery_get,
    battery_property,
    battery_service,
    battery_stats,
    display,
    foreground,
    health,
    identity,
    idle,
    power,
    power_rails,
    power_supply,
    settings,
    telephony,
    thermal,
    wifi,
)


class Source(Protocol):
    """What each module of this package offers."""

    __name__: str
    KIND: str
    COMMAND: str

    def looks_like(self, lines: list[tuple[int, str]], /) -> bool:
        """Whether numbered lines have the tell-tale lines of this dump."""

    def parse(self, text: str, /) -> Parsed[Any]:
        """Rows and unread lines of one dump; raises only ParserError."""


SOURCES: tuple[Source, ...] = (
    battery_service,
    power_supply,
    battery_property,
    health,
    battery_checkin,
    battery_stats,
    power_rails,
    thermal,
    display,
    power,
    foreground,
    idle,
    wifi,
    identity,
    telephony,
    settings,
    battery_get,
)
"""In the order in which a text is tried; a bare value looks like several, the first one wins."""
