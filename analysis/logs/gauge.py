"""What a log's current and counter mean: by their unit where it is named, else by evidence."""

import math
from dataclasses import dataclass

import numpy as np

from analysis.estimation.profile import Bools, Floats
from parsers.gauge import GaugeDecision, GaugeOverride, GaugeSamples, decide
from parsers.runfolder import GaugeFacts
from parsers.units import mah_from_uah

_MAJORITY = 0.95
_READ = ("cumulative", "tick", "stuck", "unknown")


@dataclass(frozen=True, slots=True, kw_only=True)
class LogGauge:
    """Current and counter of one phone of a log, in our units and signs.

    Attributes:
        current_ma: positive into the battery, NaN where it cannot be told, (n,).
        counter_mah: falling while discharging, (n,).
        plugged: a supply was attached, (n,).
        facts: what they were taken for, and why.
    """

    current_ma: Floats
    counter_mah: Floats
    plugged: Bools
    facts: GaugeFacts


def gauge_of(times_s: Floats, values: dict[str, Floats], capacity_mah: float | None) -> LogGauge:
    """Unit and sign of one phone's current and counter.

    A named unit is believed, a sign is not: on battery, current only flows out, and a counter
    falls.
    """
    nothing = np.full(len(times_s), np.nan)
    plugged = np.nan_to_num(values.get("plugged", nothing)) > 0
    named_ma, named_mah = values.get("current_ma"), values.get("charge_counter_mah")
    named_raw = None if named_mah is None else np.round(named_mah / mah_from_uah(1))
    decision = decide(
        GaugeSamples(
            boot_s=times_s.tolist(),
            current_raw=_whole(values.get("current_raw", nothing)),
            counter_raw=_whole(
                values.get("charge_counter_raw", nothing) if named_raw is None else named_raw
            ),
            level_pct=known(values.get("level_pct", nothing)),
            plugged=plugged.tolist(),
            awake_s=known(values.get("awake_s", nothing)),
            capacity_mah=capacity_mah,
        ),
        GaugeOverride(counter_unit=None if named_mah is None else "uAh"),
        "counter in the unit of its column",
    )
    why = []
    if named_ma is None:
        current_ma = _by_evidence(values.get("current_raw", nothing), plugged, decision)
        sign = decision.current_sign
        why.append(decision.why)
    else:
        sign, said = _sign(named_ma, plugged)
        why += [f"current in the unit of its column, {said}", f"counter {decision.counter}"]
        current_ma = named_ma * sign if sign else np.where(plugged, np.nan, -np.abs(named_ma))
    if named_mah is not None and decision.counter in _READ:
        counter_mah = named_mah * (decision.counter_sign or 1)
    else:
        counter_mah = _counter(values.get("charge_counter_raw", nothing), decision)
    facts = GaugeFacts(
        current_unit=decision.current_unit if named_ma is None else "mA",
        current_sign=sign,
        counter_unit=decision.counter_unit,
        counter=decision.counter,
        why="; ".join(why),
        confidence=decision.confidence if named_ma is None else 1.0,
    )
    return LogGauge(current_ma=current_ma, counter_mah=counter_mah, plugged=plugged, facts=facts)


def _sign(named_ma: Floats, plugged: Bools) -> tuple[int, str]:
    drawn = named_ma[~plugged & np.isfinite(named_ma)]
    supplied = named_ma[plugged & np.isfinite(named_ma)]
    if drawn.sum() <= 0 or drawn[drawn > 0].sum() < _MAJORITY * np.abs(drawn).sum():
        return 1, "positive into the battery"
    if len(supplied) and not (supplied < 0).any():
        return 0, "a magnitude only: positive on battery and on a supply"
    return -1, "positive out of the battery, as it is on battery"


def _by_evidence(raw: Floats, plugged: Bools, decision: GaugeDecision) -> Floats:
    told = [
        decision.current_ma(value, bool(on))
        for value, on in zip(_whole(raw), plugged, strict=True)
    ]
    return np.array([np.nan if value is None else value for value in told])


def _counter(raw: Floats, decision: GaugeDecision) -> Floats:
    told = [decision.counter_mah(value) for value in _whole(raw)]
    return np.array([np.nan if value is None else value for value in told])


def known(values: Floats, *, whole: bool = False) -> list[float | None]:
    """The values as plain numbers, None where there is none; integers if they are whole."""
    return [
        None if math.isnan(value) else int(value) if whole else value for value in values.tolist()
    ]


def _whole(values: Floats) -> list[int | None]:
    return [None if value is None else int(value) for value in known(values)]
