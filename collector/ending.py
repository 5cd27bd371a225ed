"""Shut off, or only lost? Decided from the last readings, never assumed."""

from collections.abc import Iterable
from datetime import datetime

from parsers.runfolder import PhoneEnd
from parsers.schema import Reading

EMPTY_LEVEL_PCT = 4.0
"""At or below this level a silence is taken for a shut-off; common practice, no source."""
EMPTY_VOLTAGE_MV = 3450.0
"""Below this voltage likewise: lithium-ion phone packs are near empty there under light load;
common practice, no source."""


def judge(readings: Iterable[Reading], silent_utc: datetime) -> PhoneEnd:
    """How a phone that fell silent ended, with the bracket in time.

    Args:
        readings: its last readings, in order of time; any number.
        silent_utc: when it was found not to answer.
    """
    seen = list(readings)
    level = next((r.level_pct for r in reversed(seen) if r.level_pct is not None), None)
    voltage = next((r.voltage_mv for r in reversed(seen) if r.voltage_mv is not None), None)
    plugged = next((r.plugged for r in reversed(seen) if r.plugged is not None), None)
    last_utc = seen[-1].host_utc if seen else None
    facts = ", ".join(
        fact
        for fact in (
            None if level is None else f"level {level:.0f} %",
            None if voltage is None else f"{voltage:.0f} mV",
            "plugged in" if plugged else None,
        )
        if fact is not None
    )
    empty = (level is not None and level <= EMPTY_LEVEL_PCT) or (
        voltage is not None and voltage < EMPTY_VOLTAGE_MV
    )
    return PhoneEnd(
        what="shut_off" if empty and not plugged else "link_lost",
        last_answer_utc=last_utc,
        silent_utc=silent_utc,
        evidence=f"last seen at {facts}" if facts else "no battery reading was ever seen",
    )
