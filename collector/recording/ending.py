"""Shut off, or only lost? Decided from the last readings, never assumed."""

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from parsers.errors import RunFolderError
from parsers.runfolder import PhoneEnd, RunFolder
from parsers.schema import Reading

EMPTY_LEVEL_PCT = 4.0
"""At or below this level a silence is taken for a shut-off; common practice, no source."""
EMPTY_VOLTAGE_MV = 3450.0
"""Below this voltage likewise: lithium-ion phone packs are near empty there under light load;
common practice, no source."""
NEAR_CUTOFF_MV = 50.0
"""So close to where this phone shut off before, it is taken to have done so again."""
TREND_S = 60.0
"""The voltage is followed over the last minute, and for at most one minute into the silence."""


def judge(
    readings: Iterable[Reading],
    silent_utc: datetime,
    *,
    cutoff_mv: float | None = None,
    restarted: bool | None = None,
) -> PhoneEnd:
    """How a phone that fell silent ended, with the bracket in time.

    Args:
        readings: its last readings, in order of time; any number.
        silent_utc: when it was found not to answer.
        cutoff_mv: voltage at which this phone was seen to shut off before.
        restarted: whether it has answered again with a new boot session; None if it has not
            answered. One that goes on in the same session was never off.
    """
    seen = list(readings)
    level = next((r.level_pct for r in reversed(seen) if r.level_pct is not None), None)
    voltage = next((r.voltage_mv for r in reversed(seen) if r.voltage_mv is not None), None)
    plugged = next((r.plugged for r in reversed(seen) if r.plugged is not None), None)
    slope_mv_per_s = _slope(seen)
    fallen_to = None if voltage is None else voltage + min(slope_mv_per_s, 0.0) * TREND_S
    limit_mv = EMPTY_VOLTAGE_MV if cutoff_mv is None else max(EMPTY_VOLTAGE_MV, cutoff_mv)
    near = cutoff_mv is not None and fallen_to is not None
    empty = (
        (level is not None and level <= EMPTY_LEVEL_PCT)
        or (voltage is not None and voltage < limit_mv)
        or (near and (fallen_to or 0.0) < (cutoff_mv or 0.0) + NEAR_CUTOFF_MV)
    )
    facts = [
        None if level is None else f"level {level:.0f} %",
        None if voltage is None else f"{voltage:.0f} mV",
        f"falling {-60 * slope_mv_per_s:.0f} mV a minute" if slope_mv_per_s < -0.1 else None,
        "plugged in" if plugged else None,
    ]
    told = ", ".join(fact for fact in facts if fact is not None)
    evidence = f"last seen at {told}" if told else "no battery reading was ever seen"
    if cutoff_mv is not None:
        evidence += f"; it shut off at {cutoff_mv:.0f} mV before"
    if restarted is not None:
        again = "started anew since" if restarted else "never restarted"
        evidence += f"; it has {again}"
    return PhoneEnd(
        what="shut_off" if empty and not plugged and restarted is not False else "link_lost",
        last_answer_utc=seen[-1].host_utc if seen else None,
        silent_utc=silent_utc,
        evidence=evidence,
        last_voltage_mv=voltage,
    )


def _slope(seen: list[Reading]) -> float:
    """In mV per s over the last minute, least squares; 0 where there is too little to tell."""
    points = [(r.boot_s, r.voltage_mv) for r in seen if r.voltage_mv is not None]
    points = [(t, v) for t, v in points if points[-1][0] - t <= TREND_S]
    if len(points) < 5:
        return 0.0
    mean_t = sum(t for t, _ in points) / len(points)
    spread = sum((t - mean_t) ** 2 for t, _ in points)
    return sum((t - mean_t) * v for t, v in points) / spread if spread > 0.0 else 0.0


def cutoffs_seen(runs: Path) -> dict[str, float]:
    """At what voltage, in mV, phones shut off in the runs of a folder, by phone hash; the highest.

    Runs that cannot be read tell nothing.
    """
    cutoffs: dict[str, float] = {}
    for manifest in sorted(runs.glob("*/run.json")):
        try:
            phones = RunFolder(manifest.parent).read_manifest().phones
        except (RunFolderError, OSError):
            continue
        for phone in phones:
            end = phone.end
            if end is not None and end.what == "shut_off" and end.last_voltage_mv is not None:
                before_mv = cutoffs.get(phone.phone_hash, 0.0)
                cutoffs[phone.phone_hash] = max(before_mv, end.last_voltage_mv)
    return cutoffs
