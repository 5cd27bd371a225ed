"""Virtual handsets polled at several rates at once, with the truth beside what was recorded."""

import heapq
import random
from collections.abc import Iterator
from dataclasses import astuple, dataclass, replace
from datetime import UTC, datetime, timedelta
from math import inf
from pathlib import Path
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from analysis.readings.series import Series
from collector.onphone import LoopSettings
from collector.virtual.cell import CellSpec
from collector.virtual.handset import ALDER, Handset, Stage
from collector.virtual.loads import (
    GAME,
    MUSIC,
    NAVIGATION,
    PARCEL_SCANNING,
    POCKET_IDLE,
    STANDBY,
    VIDEO_BRIEFING,
    VOICE_CALL,
    Activity,
)
from collector.virtual.loop import LoopTwin
from collector.virtual.profiles import GaugeProfile
from parsers.assemble import Assembler
from parsers.gauge import GaugeSamples, decide
from parsers.schema import Reading

Floats = npt.NDArray[np.float64]

SLEEP_MA = (0.5, 15.5)
"""Draw asleep, in one of two activities that sleep; the other is as its activity says."""

HALF_HOUR_S, HOUR_S = 1800.0, 3600.0
DAY: tuple[tuple[Activity, float], ...] = (
    (NAVIGATION, HALF_HOUR_S),
    (VOICE_CALL, HALF_HOUR_S),
    (PARCEL_SCANNING, HALF_HOUR_S),
    (STANDBY, HOUR_S),
    (POCKET_IDLE, HOUR_S),
    (MUSIC, HALF_HOUR_S),
    (VIDEO_BRIEFING, HALF_HOUR_S),
    (GAME, HALF_HOUR_S),
)
MARGIN_S = (120.0, 180.0)
"""Before the first segment and after the last one the phone is awake, as in any recording; for how
long is drawn, so that no clock of the gauge keeps time with the borders."""

CAPACITY_MAH = 4000.0
RESERVE_RATIO = 0.02
_VOLTAGE_U_RATIO = 0.002
_STEPS = (
    0.7548776662466927,
    0.5698402909980532,
    0.6180339887498949,
    0.4142135623730951,
    0.2360679774997898,
)
"""Irrational steps that fill the unit cube evenly, seed after seed."""


@dataclass(frozen=True, slots=True)
class Errors:
    """What a gauge is made wrong by; no software can see it."""

    gain_ratio: float
    voltage_ratio: float
    offset_ma: float
    capacity_ratio: float
    sleep_ma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """One handset polled at one rate.

    Attributes:
        names: of the pieces, the first and the last of which are no segments.
        borders_s: when the pieces began and ended, on the phone's clock.
        true_mwh: true energy of each piece.
    """

    gauge: str
    seed: int
    rate_hz: float
    names: tuple[str, ...]
    errors: Errors
    borders_s: Floats
    true_mwh: Floats
    columns: dict[str, Floats]
    capacity_mah: float

    def series(self) -> Series:
        """The readings as the analysis gets them."""
        columns = self.columns
        return Series.from_arrays(
            t_s=columns["t_s"],
            voltage_mv=columns["voltage_mv"],
            current_ma=columns["current_ma"],
            counter_mah=columns["counter_mah"],
            level_pct=columns["level_pct"],
            temperature_c=columns["temperature_c"],
            awake_s=columns["awake_s"],
            trusted=columns["trusted"] > 0,
            capacity_mah=self.capacity_mah,
        )


def errors_of(gauge: GaugeProfile, seed: int) -> Errors:
    """Errors out of the distributions that the budget states, spread evenly over the seeds."""
    shift = random.Random(gauge.name).random()
    unit = [(shift * (k + 1) + (seed + 0.5) * step) % 1.0 for k, step in enumerate(_STEPS)]
    gain, voltage, offset, capacity, sleep = unit
    return Errors(
        gain_ratio=0.01 * (2 * gain - 1),
        voltage_ratio=NormalDist(0.0, _VOLTAGE_U_RATIO).inv_cdf(min(max(voltage, 1e-6), 1 - 1e-6)),
        offset_ma=0.15625 * (2 * offset - 1),
        capacity_ratio=0.05 * (2 * capacity - 1),
        sleep_ma=SLEEP_MA[0] + (SLEEP_MA[1] - SLEEP_MA[0]) * sleep,
    )


def record(
    gauge: GaugeProfile,
    seed: int,
    rates_hz: tuple[float, ...],
    day: tuple[tuple[Activity, float], ...] = DAY,
) -> list[Recorded]:
    """Runs one handset through a shuffled day, polled at all rates at once."""
    rng = random.Random(f"{gauge.name}/{seed}")
    errors = errors_of(gauge, seed)
    order = [(_dozing(a, errors.sleep_ma), s) for a, s in rng.sample(day, len(day))]
    rated_mah = CAPACITY_MAH * (1 - RESERVE_RATIO) * (1 + errors.capacity_ratio)
    spec = replace(
        ALDER,
        cell=CellSpec(capacity_mah=CAPACITY_MAH, r0_mohm=rng.uniform(60.0, 110.0)),
        rated_capacity_mah=rated_mah,
        gauge=replace(
            gauge,
            gain_ratio=errors.gain_ratio,
            voltage_gain_ratio=errors.voltage_ratio,
            offset_ma=errors.offset_ma,
        ),
        power_ratios={},
    )
    before_s, after_s = (rng.uniform(*MARGIN_S) for _ in range(2))
    order = [(VIDEO_BRIEFING, before_s), *order, (VIDEO_BRIEFING, after_s)]
    stages = [Stage(name=a.name, activity=a, duration_s=s) for a, s in order]
    handset = Handset(spec, stages, seed, until_off=False, charge_ratio=rng.uniform(0.78, 0.99))
    begin_s = handset.boot_s
    borders = begin_s + np.cumsum([0.0, *(stage.duration_s for stage in stages)])
    polled = _polled(handset, gauge, rates_hz, float(borders[-1]), rng)
    true = np.array([handset.true_energy_mwh(float(border)) for border in borders])
    return [
        Recorded(
            gauge=gauge.name,
            seed=seed,
            rate_hz=rate,
            names=tuple(stage.name for stage in stages),
            errors=errors,
            borders_s=borders - begin_s,
            true_mwh=np.diff(true),
            columns=_columns(rows, begin_s, rated_mah),
            capacity_mah=rated_mah,
        )
        for rate, rows in zip(rates_hz, polled, strict=True)
    ]


def _dozing(activity: Activity, sleep_ma: float) -> Activity:
    if activity is not STANDBY or activity.doze is None:
        return activity
    return replace(activity, doze=replace(activity.doze, sleep_mw=sleep_ma * 3.9))


class _Loop:
    """One loop on the phone and the rows that come of its blocks."""

    def __init__(self, gauge: GaugeProfile, rate_hz: float) -> None:
        live = gauge.has_sysfs
        property_ = gauge.current.value != "none"
        self.twin = LoopTwin(
            LoopSettings(
                fast="uevent" if live else "property" if property_ else "none",
                tick_ms=round(1000 / rate_hz),
            )
        )
        self.assembler = Assembler(gauge.name)
        self.rows: list[Reading] = []


def _polled(
    handset: Handset,
    gauge: GaugeProfile,
    rates_hz: tuple[float, ...],
    end_s: float,
    rng: random.Random,
) -> list[list[Reading]]:
    loops = [_Loop(gauge, rate) for rate in rates_hz]
    epoch = datetime(2026, 5, 4, 6, tzinfo=UTC)
    begun_s = [rng.uniform(0.0, 1 / rate) for rate in rates_hz]
    due = [(handset.next_awake(handset.boot_s, delay_s), k) for k, delay_s in enumerate(begun_s)]
    heapq.heapify(due)
    while due:
        at_s, k = heapq.heappop(due)
        if at_s == inf or at_s > end_s:
            continue
        handset.advance_to(at_s)
        loop = loops[k]
        block = loop.twin.block(handset.state())
        tick = loop.assembler.feed(block, epoch + timedelta(seconds=at_s), at_s)
        loop.rows.append(tick.reading)
        late_s = rng.expovariate(200.0)
        wait_s = loop.twin.wait_s(at_s) + late_s
        heapq.heappush(due, (handset.next_awake(at_s, wait_s), k))
    handset.advance_to(end_s)
    return [loop.rows for loop in loops]


def _columns(rows: list[Reading], begin_s: float, rated_mah: float) -> dict[str, Floats]:
    decision = decide(GaugeSamples.from_readings(rows, rated_mah))

    def column(values: Iterator[float | None]) -> Floats:
        return np.array([np.nan if value is None else value for value in values])

    return {
        "t_s": column(row.boot_s - begin_s for row in rows),
        "voltage_mv": column(row.voltage_mv for row in rows),
        "current_ma": column(decision.current_ma(r.current_raw, False) for r in rows),
        "counter_mah": column(decision.counter_mah(r.charge_counter_raw) for r in rows),
        "level_pct": column(row.level_pct for row in rows),
        "temperature_c": column(row.temperature_c for row in rows),
        "awake_s": column(row.awake_s for row in rows),
        "trusted": column(float(row.trusted) for row in rows),
    }


def save(recorded: Recorded, folder: Path) -> None:
    """Keeps a recording for the next time."""
    errors = recorded.errors
    np.savez_compressed(
        path_of(folder, recorded.gauge, recorded.seed, recorded.rate_hz),
        allow_pickle=False,
        **recorded.columns,
        names=np.array(recorded.names),
        errors=np.array(astuple(errors)),
        borders_s=recorded.borders_s,
        true_mwh=recorded.true_mwh,
        capacity_mah=np.array(recorded.capacity_mah),
    )


def path_of(folder: Path, gauge: str, seed: int, rate_hz: float) -> Path:
    """Where a recording is kept."""
    return folder / f"{gauge}-{seed}-{rate_hz:g}hz.npz"


def load(path: Path) -> Recorded:
    """A recording kept by `save`."""
    gauge, seed, rate = path.stem.split("-")
    with np.load(path) as kept:
        held = dict(kept)
    return Recorded(
        gauge=gauge,
        seed=int(seed),
        rate_hz=float(rate.removesuffix("hz")),
        names=tuple(str(name) for name in held.pop("names")),
        errors=Errors(*(float(x) for x in held.pop("errors"))),
        borders_s=held.pop("borders_s"),
        true_mwh=held.pop("true_mwh"),
        capacity_mah=float(held.pop("capacity_mah")),
        columns=held,
    )
