"""What one phone reported, as arrays on one time axis, with what is known about its gauge."""

from dataclasses import dataclass, field
from typing import Self

import numpy as np
import numpy.typing as npt

from analysis.errors import SeriesError
from analysis.freshness import hold_period_s, step_size
from analysis.profile import Bools, Floats

QUANTITIES = (
    "voltage_mv",
    "current_ma",
    "counter_mah",
    "level_pct",
    "temperature_c",
    "awake_s",
)


_N_CURRENT_STEPS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Gains:
    """What no software can see without a meter: limits of the gauge's own errors.

    Each is the half width of a rectangular distribution unless it says otherwise.

    Attributes:
        current_ratio: current and counter, which share a sense resistor; common practice, no
            source.
        voltage_u_ratio: standard uncertainty; common practice, no source.
        capacity_ratio: stated against real capacity; common practice, no source.
        current_offset_ma: one count of a common gauge family over 10 mohm (Linux driver
            drivers/power/supply/max17042_battery.c: 1.5625 uV per count).
        sleep_ma: draw of a sleeping phone where nothing measures it; common practice, no source.
        sleep_u_ma: standard uncertainty of that, the same error in every sleep of a phone.
    """

    current_ratio: float = 0.01
    voltage_u_ratio: float = 0.002
    capacity_ratio: float = 0.03
    current_offset_ma: float = 0.15625
    sleep_ma: float = 8.0
    sleep_u_ma: float = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Readings of one phone in the order of time; NaN where a quantity was not read.

    Attributes:
        t_s: moments, strictly ascending, (n,).
        voltage_mv: pack voltage, (n,).
        current_ma: positive into the battery, (n,).
        counter_mah: charge counter, falling while discharging; only differences count, (n,).
        level_pct: level shown, (n,).
        temperature_c: battery temperature, (n,).
        awake_s: clock that stands still while the phone sleeps, (n,).
        plugged: a supply was attached, (n,).
        trusted: False while values were simulated or frozen, (n,).
        poll_s: usual time between readings of an awake phone.
        current_hold_s: time for which the gauge repeats a current, which then is the mean over
            just that time; None if every reading is new.
        look_s: the same for counter and level: how often they are brought up to date.
        counter_lsb_mah: smallest step of the counter; None without one.
        current_lsb_ma: smallest step of the current; None if it changed too little to tell.
        capacity_mah: as stated by maker or user; None if unknown.
        clock_u_s: standard uncertainty of a border on this axis.
        gains: limits of the gauge's own errors.
    """

    t_s: Floats
    voltage_mv: Floats
    current_ma: Floats
    counter_mah: Floats
    level_pct: Floats
    temperature_c: Floats
    awake_s: Floats
    plugged: Bools
    trusted: Bools
    poll_s: float
    current_hold_s: float | None
    look_s: dict[str, float]
    counter_lsb_mah: float | None
    current_lsb_ma: float | None
    capacity_mah: float | None = None
    clock_u_s: float = 0.0
    gains: Gains = field(default_factory=Gains)

    @classmethod
    def from_arrays(  # noqa: PLR0913 - one keyword per quantity is what a caller has
        cls,
        *,
        t_s: npt.ArrayLike,
        voltage_mv: npt.ArrayLike | None = None,
        current_ma: npt.ArrayLike | None = None,
        counter_mah: npt.ArrayLike | None = None,
        level_pct: npt.ArrayLike | None = None,
        temperature_c: npt.ArrayLike | None = None,
        awake_s: npt.ArrayLike | None = None,
        plugged: npt.ArrayLike | None = None,
        trusted: npt.ArrayLike | None = None,
        poll_s: float | None = None,
        capacity_mah: float | None = None,
        clock_u_s: float = 0.0,
        gains: Gains | None = None,
    ) -> Self:
        """A series from plain arrays; how often each quantity is refreshed is found out.

        Args:
            t_s: moments in s, strictly ascending, at least two.
            voltage_mv: as in the class, like all that follow; None if never read.
            current_ma: positive into the battery.
            counter_mah: falling while discharging.
            level_pct: level shown.
            temperature_c: battery temperature.
            awake_s: clock without sleep.
            plugged: None if never.
            trusted: None if always.
            poll_s: longest usual time between readings of an awake phone; None to take the lower
                quartile, since a sleeping phone leaves long spacings.
            capacity_mah: stated capacity.
            clock_u_s: standard uncertainty of a border on this axis.
            gains: limits of the gauge's own errors; None for the defaults.

        Raises:
            SeriesError: if lengths differ or times do not ascend.
        """
        times = _times(t_s)
        given = {
            "voltage_mv": voltage_mv,
            "current_ma": current_ma,
            "counter_mah": counter_mah,
            "level_pct": level_pct,
            "temperature_c": temperature_c,
            "awake_s": awake_s,
        }
        believed = _flags("trusted", trusted, len(times), default=True)
        columns = {name: _column(name, values, believed) for name, values in given.items()}
        poll = float(np.quantile(np.diff(times), 0.25)) if poll_s is None else poll_s
        looks = {name: hold_period_s(times, columns[name], poll) for name in QUANTITIES}
        return cls(
            t_s=times,
            **columns,
            plugged=_flags("plugged", plugged, len(times), default=False),
            trusted=believed,
            poll_s=poll,
            current_hold_s=looks["current_ma"],
            look_s=_looks(looks, columns, poll),
            counter_lsb_mah=step_size(columns["counter_mah"]),
            current_lsb_ma=step_size(columns["current_ma"], _N_CURRENT_STEPS),
            capacity_mah=capacity_mah,
            clock_u_s=clock_u_s,
            gains=gains or Gains(),
        )

    def known(self, quantity: str) -> tuple[Floats, Floats]:
        """Moments and values where a quantity was read and can be trusted."""
        values: Floats = getattr(self, quantity)
        there = np.isfinite(values)
        return self.t_s[there], values[there]

    def has(self, quantity: str, n_least: int = 2) -> bool:
        """Whether a quantity was read often enough to be of use."""
        return int(np.isfinite(getattr(self, quantity)).sum()) >= n_least

    def voltage_at(self, t_s: Floats) -> Floats:
        """Pack voltage in mV, straight between readings, level beyond the first and the last."""
        times, values = self.known("voltage_mv")
        return np.interp(t_s, times, values)


def _times(t_s: npt.ArrayLike) -> Floats:
    times = np.asarray(t_s, dtype=np.float64)
    if times.ndim != 1 or len(times) < 2:
        raise SeriesError("t_s", f"needs at least two moments, has shape {times.shape}")
    if not (np.isfinite(times).all() and (np.diff(times) > 0).all()):
        raise SeriesError("t_s", "moments must be finite and strictly ascending; sort them first")
    return times


def _column(name: str, values: npt.ArrayLike | None, trusted: Bools) -> Floats:
    if values is None:
        return np.full(len(trusted), np.nan)
    column = np.array(values, dtype=np.float64)
    if column.shape != trusted.shape:
        raise SeriesError(name, f"has shape {column.shape}, t_s has {trusted.shape}")
    column[~np.isfinite(column)] = np.nan
    if name != "awake_s":
        column[~trusted] = np.nan
    return column


def _flags(name: str, values: npt.ArrayLike | None, n: int, *, default: bool) -> Bools:
    if values is None:
        return np.full(n, default)
    flags = np.asarray(values, dtype=np.bool_)
    if flags.shape != (n,):
        raise SeriesError(name, f"has shape {flags.shape}, t_s has {(n,)}")
    return flags


def _looks(
    holds: dict[str, float | None], columns: dict[str, Floats], poll_s: float
) -> dict[str, float]:
    """How often counter and level are brought up to date: with the cache they sit in."""
    current, voltage = holds["current_ma"], holds["voltage_mv"]
    cached = {"counter_mah": current, "level_pct": voltage}
    looks = {}
    for name, hold_s in cached.items():
        partner = "current_ma" if name == "counter_mah" else "voltage_mv"
        together = hold_s is not None and _moves_with(columns[name], columns[partner])
        looks[name] = hold_s if together and hold_s is not None else poll_s
    return looks


def _moves_with(values: Floats, partner: Floats) -> bool:
    """Whether a quantity only ever changes in readings in which its partner changes too."""
    both = np.isfinite(values) & np.isfinite(partner)
    moved = np.diff(values[both]) != 0
    return bool(moved.any()) and float(np.mean(np.diff(partner[both])[moved] != 0)) > 0.8
