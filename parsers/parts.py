"""Which kind of dump each part of a block is."""

from parsers.sources import (
    Source,
    battery_property,
    battery_service,
    foreground,
    power,
    power_supply,
    settings,
    telephony,
    thermal,
)

PARTS: dict[str, Source] = {
    "uevent": power_supply,
    "property_1": battery_property,
    "property_2": battery_property,
    "battery": battery_service,
    "power": power,
    "foreground": foreground,
    "thermal": thermal,
    "telephony": telephony,
    "settings": settings,
}
