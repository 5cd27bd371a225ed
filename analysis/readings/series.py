"""What one phone reported, as arrays on one time axis, with what is known about its gauge."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Self

import numpy as np
import numpy.typing as npt

from analysis.errors import SeriesError
from analysis.estimation.profile import Bools, Floats, usual_spacing
from analysis.readings.cleaning import LIMITS, impossible, spikes
from analysis.readings.freshness import (
    Known,
    hold_period_s,
    multi_step_period_s,
    step_size,
)
from analysis.readings.refresh import Refreshes, refreshes

QUANTITIES = (
    "voltage_mv",
    "current_ma",
    "counter_mah",
    "level_pct",
    "temperature_c",
    "awake_s",
)


_N_CURRENT_STEPS = 20
_LOOKS_RATIO = 1.05
_N_VOLTAGES = 20_000
_CACHED = ("voltage_mv", "current_ma")
_PARTNERS = {"counter_mah": "current_ma", "level_pct": "voltage_mv"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Gains:
    """What no software can see without a meter: limits of the gauge's own errors.

    Each is the half width of a rectangular distribution unless it says otherwise.

    Attributes:
        current_ratio: current and counter, which share a sense resistor; common practice, no
            source.
        voltage_u_ratio: standard uncertainty; common practice, no source.
        capacity_ratio: stated capacity against what lies between 100 and 0 % shown; common
            practice, no source.
        current_offset_ma: one count of a common gauge family over 10 mohm (Linux driver
            drivers/power/supply/max17042_battery.c: 1.5625 uV per count).
        sleep_ma: draw of a sleeping phone where nothing measures it; common practice, no source.
        sleep_half_ma: half width of that.
    """

    current_ratio: float = 0.01
    voltage_u_ratio: float = 0.002
    capacity_ratio: float = 0.05
    current_offset_ma: float = 0.15625
    sleep_ma: float = 8.0
    sleep_half_ma: float = 7.5


@dataclass(frozen=True, kw_only=True, eq=False)
class Series:
    """Readings of one phone in the order of time; NaN where a quantity was not read.

    Arrays are shared with whoever gave them, and not to be written to.

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
        cached: whether counter and level sit in one cache with current and voltage.
        look_s: how often counter, level and voltage are brought up to date.
        counter_lsb_mah: smallest step of the counter; None without one.
        current_lsb_ma: smallest step of the current; None if it changed too little to tell.
        voltage_lsb_mv: the same of the voltage.
        capacity_mah: as stated by maker or user; None if unknown.
        clock_u_s: standard uncertainty of a border on this axis.
        gains: limits of the gauge's own errors.
        removed: moments of readings that were impossible, by quantity.
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
    cached: dict[str, bool]
    look_s: dict[str, float]
    counter_lsb_mah: float | None
    current_lsb_ma: float | None
    voltage_lsb_mv: float | None = None
    capacity_mah: float | None = None
    clock_u_s: float = 0.0
    gains: Gains = field(default_factory=Gains)
    removed: dict[str, Floats] = field(default_factory=dict)

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
        removed = _cleaned(times, columns)
        known = {name: Known.of(times, values) for name, values in columns.items()}
        poll = usual_spacing(times, 0.25) if poll_s is None else poll_s
        looks = {name: hold_period_s(known[name], poll) for name in _CACHED}
        counter_lsb_mah = step_size(known["counter_mah"])
        cached = {
            name: looks[partner] is not None and _moves_with(columns[name], columns[partner])
            for name, partner in _PARTNERS.items()
        }
        series = cls(
            t_s=times,
            **columns,
            plugged=_flags("plugged", plugged, len(times), default=False),
            trusted=believed,
            poll_s=poll,
            current_hold_s=looks["current_ma"],
            cached=cached,
            look_s=_looks(known["counter_mah"], looks, cached, poll, counter_lsb_mah),
            counter_lsb_mah=counter_lsb_mah,
            current_lsb_ma=step_size(known["current_ma"], _N_CURRENT_STEPS),
            voltage_lsb_mv=step_size(known["voltage_mv"], _N_CURRENT_STEPS),
            capacity_mah=capacity_mah,
            clock_u_s=clock_u_s,
            gains=gains or Gains(),
            removed=removed,
        )
        series._known.update(known)
        return series

    def read(self, quantity: str) -> Known:
        """What was read of a quantity and can be trusted."""
        if quantity not in self._known:
            self._known[quantity] = Known.of(self.t_s, getattr(self, quantity))
        return self._known[quantity]

    def known(self, quantity: str) -> tuple[Floats, Floats]:
        """Moments and values of the same."""
        found = self.read(quantity)
        return found.t_s, found.values

    @cached_property
    def _known(self) -> dict[str, Known]:
        return {}

    def has(self, quantity: str, n_least: int = 2) -> bool:
        """Whether a quantity was read often enough to be of use."""
        return len(self.read(quantity)) >= n_least

    def refreshed(self, quantity: str) -> Refreshes | None:
        """When the source of a quantity and its partner was brought up to date.

        None if it is live, or if the two do not share a source.
        """
        if not self.cached[quantity]:
            return None
        partner, own = self.read(_PARTNERS[quantity]), self.read(quantity)
        known = np.searchsorted(partner.seen_s, [own.before_s, own.seen_s], side="right")
        alone = known[0] == known[1]
        before_s = np.concatenate([partner.before_s, own.before_s[alone]])
        seen_s = np.concatenate([partner.seen_s, own.seen_s[alone]])
        order = np.argsort(seen_s)
        return Refreshes.between(
            before_s[order], seen_s[order], self.look_s[quantity], partner.t_s
        )

    def voltage_at(self, t_s: Floats) -> Floats:
        """Pack voltage in mV, straight between refreshes, level beyond the first and the last."""
        times, values = self.voltages()
        # Mostly asked for at just these moments.
        same = t_s is times or np.array_equal(t_s, times)
        return values if same else np.interp(t_s, times, values)

    @property
    def some_s(self) -> Floats:
        """Moments of readings, of very many an even part: enough to tell the voltage."""
        return self.t_s[:: max(1, len(self.t_s) // _N_VOLTAGES)]

    def mean_voltage_mv(self) -> float:
        """Pack voltage, weighted with time."""
        some_s = self.some_s
        return float(np.trapezoid(self.voltage_at(some_s), some_s) / np.ptp(some_s))

    def voltages(self) -> tuple[Floats, Floats]:
        """Voltages, each once, at about the moment at which its source was brought up to date."""
        known = self.read("voltage_mv")
        times, values = known.t_s, known.values
        if self.look_s["voltage_mv"] <= 1.5 * self.poll_s:
            return times, values
        if not len(known.news):
            return times[:1], values[:1]
        at_s, _, _ = refreshes(known.before_s, known.seen_s, self.look_s["voltage_mv"])
        kept = slice(0, int(times[0] < at_s[0]))
        return (
            np.concatenate([times[kept], at_s]),
            np.concatenate([values[kept], values[known.news]]),
        )


def _cleaned(times: Floats, columns: dict[str, Floats]) -> dict[str, Floats]:
    """Takes impossible readings out of the columns; gives their moments."""
    removed = {}
    for quantity in LIMITS:
        wrong = impossible(quantity, columns[quantity])
        if quantity == "voltage_mv":
            wrong |= spikes(columns["voltage_mv"], columns["current_ma"])
        if wrong.any():
            columns[quantity] = np.where(wrong, np.nan, columns[quantity])
            removed[quantity.rsplit("_", 1)[0]] = times[wrong]
    return removed


def _times(t_s: npt.ArrayLike) -> Floats:
    times = np.asarray(t_s, dtype=np.float64)
    if times.ndim != 1 or len(times) < 2:
        raise SeriesError("t_s", f"needs at least two moments, has shape {times.shape}")
    if not (np.isfinite(times[[0, -1]]).all() and (times[1:] > times[:-1]).all()):
        raise SeriesError("t_s", "moments must be finite and strictly ascending; sort them first")
    return times


def _column(name: str, values: npt.ArrayLike | None, trusted: Bools) -> Floats:
    if values is None:
        return np.full(len(trusted), np.nan)
    column = np.asarray(values, dtype=np.float64)
    if column.shape != trusted.shape:
        raise SeriesError(name, f"has shape {column.shape}, t_s has {trusted.shape}")
    unusable = np.isinf(column)
    if name != "awake_s" and not trusted.all():
        unusable |= ~trusted
    return np.where(unusable, np.nan, column) if unusable.any() else column


def _flags(name: str, values: npt.ArrayLike | None, n: int, *, default: bool) -> Bools:
    if values is None:
        return np.full(n, default)
    flags = np.asarray(values, dtype=np.bool_)
    if flags.shape != (n,):
        raise SeriesError(name, f"has shape {flags.shape}, t_s has {(n,)}")
    return flags


def _looks(
    counter: Known,
    holds: dict[str, float | None],
    cached: dict[str, bool],
    poll_s: float,
    counter_lsb_mah: float | None,
) -> dict[str, float]:
    """How often counter and level are brought up to date: with the cache they sit in."""
    looks = {
        name: (holds[partner] or poll_s) if cached[name] else poll_s
        for name, partner in _PARTNERS.items()
    }
    own_s = multi_step_period_s(counter, counter_lsb_mah)
    read_s = usual_spacing(counter.t_s) if own_s else poll_s
    if own_s is not None and own_s > _LOOKS_RATIO * max(poll_s, read_s):
        looks["counter_mah"] = looks["counter_mah"] if cached["counter_mah"] else own_s
    return looks | {"voltage_mv": holds["voltage_mv"] or poll_s}


def _moves_with(values: Floats, partner: Floats) -> bool:
    """Whether a quantity only ever changes in readings in which its partner changes too.

    Where the two are never read together, the partner's hold is all there is to go by.
    """
    both = np.isfinite(values) & np.isfinite(partner)
    if not both.any():
        return bool(np.isfinite(values).any())
    moved = np.diff(values[both]) != 0
    return bool(moved.any()) and float(np.mean(np.diff(partner[both])[moved] != 0)) > 0.8
