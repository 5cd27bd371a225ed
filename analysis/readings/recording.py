"""One phone's readings and context on one time axis."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.calibrating.calibration import Calibration
from analysis.estimation.profile import Bools, Floats, Indices
from analysis.readings.clock import PhoneClock, nearest
from analysis.readings.series import Series
from parsers.runfolder import PhoneEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """What was recorded of one phone.

    Attributes:
        entry: what the manifest says of it.
        readings: rows of the table in the order of time, with `t_s` (see `PhoneClock`).
        context: what changed around the battery, in the order of time, with `t_s`.
        clock: how its time axis hangs together with the computer's clock.
        truth: true cumulative energy at moments, for a virtual phone; None for a real one.
        notes: what was odd about the data, in sentences.
        calibration: what a meter has told of its gauge; None if none did.
    """

    entry: PhoneEntry
    readings: pd.DataFrame
    context: pd.DataFrame
    clock: PhoneClock
    truth: tuple[Floats, Floats] | None = None
    notes: tuple[str, ...] = ()
    calibration: Calibration | None = None

    @property
    def phone(self) -> str:
        """Label."""
        return self.entry.label

    def taken_utc(self) -> "pd.Series[pd.Timestamp]":
        """The computer's wall clock when each reading was taken, not when it came."""
        return self._utc(slice(None), 0.0)

    def utc_at(self, t_s: npt.ArrayLike) -> list[datetime]:
        """The same clock at moments of the axis, each by the reading that lies closest to it."""
        wanted_s, times = np.asarray(t_s, dtype=np.float64), self.readings["t_s"].to_numpy()
        at = nearest(times, wanted_s)
        return [moment.to_pydatetime() for moment in self._utc(at, wanted_s - times[at])]

    def _utc(self, rows: slice | Indices, later_s: Floats | float) -> "pd.Series[pd.Timestamp]":
        """That clock so much later than when some readings were taken."""
        frame = self.readings
        host_s, t_s = (frame[name].to_numpy()[rows] for name in ("host_s", "t_s"))
        ahead = _microseconds(later_s + self.clock.to_host(t_s) - host_s)
        utc: pd.Series[pd.Timestamp] = frame["host_utc"].iloc[rows] + ahead
        return utc

    def series(self, border_u_s: float = 0.0) -> Series:
        """The readings as arrays, with the standard uncertainty of a border on their axis."""
        frame = self.readings
        return Series.from_arrays(
            t_s=frame["t_s"].to_numpy(),
            voltage_mv=floats(frame["voltage_mv"]),
            current_ma=floats(frame["current_ma"]),
            counter_mah=floats(frame["charge_counter_mah"]),
            level_pct=floats(frame["level_pct"]),
            temperature_c=floats(frame["temperature_c"]),
            awake_s=_across_sessions(frame),
            plugged=_lasting(frame["plugged"]),
            trusted=frame["trusted"].to_numpy(dtype=bool),
            capacity_mah=self.entry.capacity_mah,
            clock_u_s=border_u_s,
        )


def boot_ids(rows: pd.DataFrame) -> list[str]:
    """Names of the boot sessions, in the order in which they appear."""
    names = rows["boot_id"].cat.categories
    return list(names if len(names) == 1 else rows["boot_id"].unique())


def _microseconds(seconds: Floats) -> npt.NDArray[np.timedelta64]:
    return np.rint(seconds * 1e6).astype("timedelta64[us]")


def floats(column: "pd.Series[float]") -> Floats:
    """A column as an array, NaN where nothing was read."""
    return np.asarray(column.to_numpy(), dtype=np.float64)


def _lasting(column: "pd.Series[bool]") -> Bools:
    """A state that holds from where it was read until it is read again; False before."""
    known = np.flatnonzero(column.notna())
    result = np.zeros(len(column), dtype=np.bool_)
    if len(known):
        values = column.iloc[known].to_numpy(dtype=np.bool_)
        result[known[0] :] = np.repeat(values, np.diff(known, append=len(column)))
    return result


def _across_sessions(frame: pd.DataFrame) -> Floats:
    """Awake time on one clock: between two sessions the phone counts as awake, it was off."""
    awake_s, t_s = floats(frame["awake_s"]), frame["t_s"].to_numpy()
    later = boot_ids(frame)[1:]
    if later:
        awake_s = awake_s.copy()
    for boot_id in later:
        first = int(np.argmax((frame["boot_id"] == boot_id).to_numpy()))
        before = np.flatnonzero(np.isfinite(awake_s[:first]))
        after = first + np.flatnonzero(np.isfinite(awake_s[first:]))
        if len(before) and len(after):
            one, two = before[-1], after[0]
            awake_s[first:] += awake_s[one] + (t_s[two] - t_s[one]) - awake_s[two]
    return awake_s
