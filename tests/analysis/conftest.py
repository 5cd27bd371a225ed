"""A small stream of readings whose true energy is known, apart from everything under test."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
import pytest

from analysis.accounting import energy as account
from analysis.publishing import publish
from analysis.readings.run import load
from analysis.readings.series import Series
from analysis.report import EnergyReport
from parsers.runfolder import Clocks, Manifest, PhoneEntry, RunFolder
from parsers.schema import ContextChange, Reading, TrueEnergy
from parsers.tables import write_table
from parsers.tags import TagRecord

Floats = npt.NDArray[np.float64]
GRID_S = 0.05
CAPACITY_MAH = 4000.0
LOADS = {
    "navigation": (1500.0, 900.0, 0.8, 0.4),
    "voice call": (900.0, 700.0, 1.5, 0.15),
    "scanning": (1900.0, 1500.0, 0.3, 1.2),
    "video": (1300.0, 500.0, 2.0, 0.1),
}
"""Base mW, mean burst height mW, bursts per second, mean burst length s."""


@dataclass(frozen=True)
class Truth:
    t_s: Floats
    current_ma: Floats
    voltage_mv: Floats
    charge_mah: Floats
    energy_mwh: Floats
    awake: npt.NDArray[np.bool_]
    borders_s: Floats

    def pieces_mwh(self) -> Floats:
        pieces: Floats = np.diff(np.interp(self.borders_s, self.t_s, self.energy_mwh))
        return pieces


def _load(rng: np.random.Generator, name: str, n: int) -> tuple[Floats, npt.NDArray[np.bool_]]:
    if name == "standby":
        power = np.full(n, 8.0)
        awake = np.zeros(n, dtype=bool)
        at = 0.0
        while at < n * GRID_S:
            at += float(rng.uniform(20.0, 60.0))
            first, last = (int(x / GRID_S) for x in (at, at + float(rng.uniform(1.0, 3.0))))
            power[first:last] = rng.uniform(500.0, 900.0)
            awake[first:last] = True
            at = last * GRID_S
        return power, awake
    base, height, rate, length = LOADS[name]
    power = np.full(n, base)
    for k in np.flatnonzero(rng.random(n) < rate * GRID_S):
        power[k : k + 1 + int(rng.exponential(length) / GRID_S)] += rng.exponential(height)
    return power, np.ones(n, dtype=bool)


def make_truth(seed: int, stages: tuple[tuple[str, float], ...]) -> Truth:
    rng = np.random.default_rng(seed)
    parts = [_load(rng, name, round(s / GRID_S)) for name, s in stages]
    power = np.concatenate([p for p, _ in parts])
    awake = np.concatenate([a for _, a in parts])
    awake[:100] = awake[-100:] = True
    start_pct = rng.uniform(70.0, 95.0)
    drawn = np.cumsum(power) * GRID_S / 3600 / 3.85
    ocv_v = 3.45 + 0.009 * (start_pct - drawn / CAPACITY_MAH * 100)
    ohm = 0.12
    volts = (ocv_v + np.sqrt(ocv_v**2 - 4 * ohm * power / 1000)) / 2
    current = power / volts
    edge: Floats = np.arange(len(power) + 1, dtype=np.float64) * GRID_S
    charge = np.concatenate([[0.0], np.cumsum(current) * GRID_S / 3600])
    return Truth(
        t_s=edge,
        current_ma=current,
        voltage_mv=volts * 1000,
        charge_mah=charge + (100 - start_pct) / 100 * CAPACITY_MAH,
        energy_mwh=np.concatenate([[0.0], np.cumsum(power) * GRID_S / 3600]),
        awake=awake,
        borders_s=np.concatenate([[0.0], np.cumsum([s for _, s in stages])]),
    )


def read(truth: Truth, gauge: str, seed: int) -> Series:
    """Polls the truth once a second while awake, through a gauge whose gain errs a little."""
    rng = np.random.default_rng(seed + 1000)
    gain = 1 + rng.uniform(-0.01, 0.01)
    awake_clock = np.concatenate([[0.0], np.cumsum(truth.awake) * GRID_S])
    ticks = np.arange(0.0, truth.t_s[-1], 1.0) + rng.uniform(
        0.0, 0.02, int(np.ceil(truth.t_s[-1]))
    )
    ticks = np.unique(np.concatenate([[0.0], ticks, [truth.t_s[-1]]]))
    cell = np.minimum((ticks / GRID_S).astype(int), len(truth.awake) - 1)
    ticks, cell = ticks[truth.awake[cell]], cell[truth.awake[cell]]
    remaining = gain * (CAPACITY_MAH - truth.charge_mah)

    def mean_ma(at_s: Floats, window_s: float) -> Floats:
        low = np.maximum(at_s - window_s, 0.0)
        high = np.maximum(at_s, GRID_S)
        charge = np.interp(high, truth.t_s, remaining) - np.interp(low, truth.t_s, remaining)
        mean: Floats = charge / (high - low) * 3600
        return mean

    awake_s = np.interp(ticks, truth.t_s, awake_clock)
    if gauge == "fine":
        counter = np.floor(np.interp(ticks, truth.t_s, remaining) / 0.01) * 0.01
        return Series.from_arrays(
            t_s=ticks,
            voltage_mv=np.round(truth.voltage_mv[cell]),
            current_ma=np.round(mean_ma(ticks, 0.25) / 0.15625) * 0.15625,
            counter_mah=counter,
            awake_s=awake_s,
        )
    phase = rng.uniform(0.0, 5.0)
    period = 5.0 if gauge == "cached" else 60.0
    seen = np.maximum(np.floor((ticks - phase) / period) * period + phase, 0.0)
    seen_cell = np.minimum((seen / GRID_S).astype(int), len(truth.awake) - 1)
    voltage = np.round(truth.voltage_mv[seen_cell])
    if gauge == "cached":
        return Series.from_arrays(
            t_s=ticks,
            voltage_mv=voltage,
            current_ma=np.trunc(mean_ma(seen, period)),
            counter_mah=np.floor(np.interp(seen, truth.t_s, remaining)),
            awake_s=awake_s,
        )
    level = np.floor(
        (CAPACITY_MAH - np.interp(seen, truth.t_s, truth.charge_mah)) / CAPACITY_MAH * 100
    )
    voltage[np.arange(len(ticks)) % 10 != 0] = np.nan
    level[np.arange(len(ticks)) % 10 != 0] = np.nan
    stated = CAPACITY_MAH * (1 + rng.uniform(-0.02, 0.02))
    return Series.from_arrays(
        t_s=ticks, voltage_mv=voltage, level_pct=level, awake_s=awake_s, capacity_mah=stated
    )


@pytest.fixture(scope="session")
def truth_of() -> Callable[[int, tuple[tuple[str, float], ...]], Truth]:
    return make_truth


@pytest.fixture(scope="session")
def reading_of() -> Callable[[Truth, str, int], Series]:
    return read


START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
HOST_S = 1000.0
BOOT_S = 52_000.0


@dataclass(frozen=True)
class PhoneMade:
    """What goes into a run folder for one phone."""

    label: str
    truth: Truth
    series: Series
    entry: dict[str, object] = field(default_factory=dict)
    plugged: bool = False


def readings_of(made: PhoneMade, rng: np.random.Generator) -> list[Reading]:
    series = made.series

    def known(values: Floats, k: int) -> float | None:
        return float(values[k]) if np.isfinite(values[k]) else None

    late_s = rng.exponential(0.02, len(series.t_s)) + 0.001
    return [
        Reading(
            phone=made.label,
            boot_id="0badcafe",
            seq=k,
            host_utc=START + timedelta(seconds=float(t_s + late_s[k])),
            host_s=HOST_S + float(t_s + late_s[k]),
            boot_s=BOOT_S + float(t_s),
            awake_s=known(series.awake_s, k),
            level_pct=known(series.level_pct, k),
            voltage_mv=known(series.voltage_mv, k),
            current_ma=known(series.current_ma, k),
            charge_counter_mah=known(series.counter_mah, k),
            temperature_c=25.0 + float(t_s) / 600,
            plugged=made.plugged,
        )
        for k, t_s in enumerate(series.t_s)
    ]


def write_run(
    path: Path,
    phones: list[PhoneMade],
    tags: list[TagRecord],
    *,
    virtual: bool = True,
    title: str = "which phone",
) -> Path:
    folder = RunFolder(path)
    rng = np.random.default_rng(1)
    for made in phones:
        rows = readings_of(made, rng)
        write_table(folder.tables, "readings", made.label, rows, {})
        write_table(
            folder.tables,
            "context",
            made.label,
            [
                ContextChange(
                    phone=made.label,
                    host_utc=START + timedelta(seconds=at_s),
                    boot_s=BOOT_S + at_s,
                    name=name,
                    value=value,
                )
                for at_s, name, value in (
                    (0.0, "screen", "on"),
                    (0.0, "foreground", "com.example.courier"),
                    (200.0, "screen", "off"),
                    (400.0, "foreground", "org.example.home"),
                )
            ],
            {},
        )
        if virtual:
            truth = (
                TrueEnergy(phone=made.label, boot_s=BOOT_S + float(t), energy_mwh=float(e))
                for t, e in zip(made.truth.t_s[::20], made.truth.energy_mwh[::20], strict=True)
            )
            write_table(folder.tables, "truth", made.label, truth, {})
    folder.write_manifest(
        Manifest(
            run_id="run-1",
            title=title,
            tool_version="0.1.0",
            virtual=virtual,
            clocks=Clocks(utc=START, host_s=HOST_S),
            outcome="finished",
            phones=tuple(
                PhoneEntry(label=made.label, phone_hash="00", **made.entry)  # type: ignore[arg-type]
                for made in phones
            ),
        )
    )
    folder.tags_path.write_text("".join(tag.model_dump_json() + "\n" for tag in tags), "utf-8")
    return path


def tag(
    what: Literal["begin", "end"],
    at_s: float,
    name: str | None = None,
    *,
    phone: str | None = None,
    by_hand: bool = False,
) -> TagRecord:
    return TagRecord(
        what=what,
        phone=phone,
        name=name,
        at_utc=START + timedelta(seconds=at_s),
        at_host_s=None if by_hand else HOST_S + at_s,
        made_utc=START + timedelta(seconds=at_s),
    )


STAGES = (("navigation", 400.0), ("voice call", 300.0), ("scanning", 300.0))


@pytest.fixture(scope="session")
def phones_made() -> list[PhoneMade]:
    made = []
    for number, (label, gauge) in enumerate(
        [("alder-1", "fine"), ("birch-1", "cached"), ("cedar-1", "percent")]
    ):
        truth = make_truth(number, STAGES)
        series = read(truth, gauge, number)
        entry: dict[str, object] = {"capacity_mah": series.capacity_mah}
        made.append(PhoneMade(label=label, truth=truth, series=series, entry=entry))
    return made


@pytest.fixture
def run_path(tmp_path: Path, phones_made: list[PhoneMade]) -> Path:
    tags = [
        tag("begin", 20.0, "navigation"),
        tag("end", 400.0),
        tag("begin", 400.0, "voice call"),
        tag("end", 650.0),
    ]
    return write_run(tmp_path / "run", phones_made, tags)


@pytest.fixture
def report(run_path: Path) -> EnergyReport:
    found: EnergyReport = account(load(run_path))
    return found


@pytest.fixture(scope="session")
def writing() -> Callable[..., Path]:
    return write_run


@pytest.fixture(scope="session")
def tagging() -> Callable[..., TagRecord]:
    return tag


@pytest.fixture(scope="session")
def published(
    tmp_path_factory: pytest.TempPathFactory, phones_made: list[PhoneMade]
) -> tuple[EnergyReport, Path]:
    """Energies of a run and the folder of what was published of it, to be read only."""
    tags = [
        tag("begin", 20.0, "navigation"),
        tag("end", 400.0),
        tag("begin", 400.0, "voice call"),
        tag("end", 650.0),
    ]
    path = write_run(tmp_path_factory.mktemp("published") / "run", phones_made, tags)
    run = load(path)
    report = account(run)
    publish(run, report)
    return report, RunFolder(path).published
