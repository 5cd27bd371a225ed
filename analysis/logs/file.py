"""Logs as comma-separated values; a column's name says what it holds and in which unit."""

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.errors import LogError
from analysis.estimation.profile import Floats
from parsers import units
from parsers.dump import known
from parsers.text import printable

Convert = Callable[[float], float]
_ABSENT = frozenset({"", "nan", "null", "none"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What a column of a log holds.

    Attributes:
        quantity: what it is, with our unit.
        convert: from the unit of the column's name.
        least: smallest value that can be meant, in our unit.
        most: largest.
        whole: holds integers as a phone sent them.
    """

    quantity: str
    convert: Convert = float
    least: float = -np.inf
    most: float = np.inf
    whole: bool = False


Columns = Mapping[str, Column]
_LONGEST_S = 1e10
_MOST_COUNT = 2.0**53
TIMES: Columns = {
    "t_s": Column(quantity="t_s", least=-_LONGEST_S, most=_LONGEST_S),
    "boot_s": Column(quantity="t_s", least=0.0, most=_LONGEST_S),
}
VOLTAGES: Columns = {
    "voltage_mv": Column(quantity="voltage_mv", least=500.0, most=20_000.0),
    "voltage_uv": Column(
        quantity="voltage_mv", convert=units.mv_from_uv, least=500.0, most=20_000.0
    ),
    "voltage_v": Column(
        quantity="voltage_mv", convert=units.mv_from_v, least=500.0, most=20_000.0
    ),
}
CURRENTS: Columns = {
    "current_ma": Column(quantity="current_ma", least=-20_000.0, most=20_000.0),
    "current_ua": Column(
        quantity="current_ma", convert=units.ma_from_ua, least=-20_000.0, most=20_000.0
    ),
    "current_a": Column(
        quantity="current_ma", convert=units.ma_from_a, least=-20_000.0, most=20_000.0
    ),
}
POWERS: Columns = {
    "power_mw": Column(quantity="power_mw", least=-200_000.0, most=200_000.0),
    "power_w": Column(
        quantity="power_mw", convert=units.mw_from_w, least=-200_000.0, most=200_000.0
    ),
}
GAUGE: Columns = {
    "current_raw": Column(
        quantity="current_raw", least=-_MOST_COUNT, most=_MOST_COUNT, whole=True
    ),
    "charge_counter_mah": Column(quantity="charge_counter_mah"),
    "charge_counter_uah": Column(quantity="charge_counter_mah", convert=units.mah_from_uah),
    "charge_counter_raw": Column(
        quantity="charge_counter_raw", least=-_MOST_COUNT, most=_MOST_COUNT, whole=True
    ),
    "level_pct": Column(quantity="level_pct", least=0.0, most=100.0),
    "temperature_c": Column(quantity="temperature_c", least=-60.0, most=150.0),
    "temperature_dc": Column(
        quantity="temperature_c", convert=units.c_from_dc, least=-60.0, most=150.0
    ),
    "plugged": Column(quantity="plugged", least=0.0, most=1.0),
    "awake_s": Column(quantity="awake_s", least=0.0, most=_LONGEST_S),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """A log, read.

    Attributes:
        path: the file.
        values: by quantity, in our units, NaN where the log has nothing, (n,).
        texts: other columns as they are, (n,).
        utc: wall clock of the rows; None without a column `time_utc`.
    """

    path: Path
    values: dict[str, Floats]
    texts: dict[str, list[str]]
    utc: pd.DatetimeIndex | None = None

    def line(self, row: int) -> int:
        """Number of a row's line in the file."""
        return row + 2

    def wrong(self, row: int, reason: str) -> LogError:
        """An error about one row."""
        return LogError(str(self.path), f"line {self.line(row)}: {reason}")


def read_log(path: Path, columns: Columns, texts: tuple[str, ...] = ()) -> Log:
    """Reads a log with a header.

    Args:
        path: the file.
        columns: the ones with numbers that may be there, by name.
        texts: the ones with text that may be there; `time_utc` is read as a time.

    Raises:
        LogError: for a column not named here, two of one quantity, or a cell that is no number.
        OSError: if the file cannot be read.
    """
    frame = _frame(path)
    _check_header(path, list(frame.columns), columns, texts)
    log = Log(
        path=path,
        values={},
        texts={name: frame[name].tolist() for name in texts if name in frame},
        utc=_utc(path, frame["time_utc"]) if "time_utc" in frame else None,
    )
    for name in frame.columns:
        if name in columns:
            log.values[columns[name].quantity] = _numbers(log, name, frame[name], columns[name])
    return log


def _frame(path: Path) -> pd.DataFrame:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            frame = pd.read_csv(
                path, dtype=str, keep_default_na=False, encoding="utf-8-sig", index_col=False
            ).fillna("")
    except UnicodeDecodeError as exc:
        raise LogError(str(path), f"not UTF-8 text at byte {exc.start}") from exc
    except (pd.errors.ParserError, pd.errors.ParserWarning, pd.errors.EmptyDataError) as exc:
        said = printable(str(exc).strip(), 200)
        raise LogError(str(path), f"not comma-separated values with a header: {said}") from exc
    if not len(frame):
        raise LogError(str(path), "has no rows below its header")
    return frame


def _check_header(path: Path, names: list[str], columns: Columns, texts: tuple[str, ...]) -> None:
    allowed = [*columns, *texts]
    if strange := [name for name in names if name not in allowed]:
        shown = ", ".join(f"'{printable(name, 40)}'" for name in strange[:5])
        raise LogError(str(path), f"unknown column {shown}; columns may be {', '.join(allowed)}")
    quantities: dict[str, str] = {}
    for name in names:
        quantity = columns[name].quantity if name in columns else name
        if quantity in quantities:
            raise LogError(
                str(path), f"columns {quantities[quantity]} and {name} hold the same; keep one"
            )
        quantities[quantity] = name


def _numbers(log: Log, name: str, cells: "pd.Series[str]", column: Column) -> Floats:
    stripped = cells.str.strip()
    absent = stripped.str.lower().isin(_ABSENT).to_numpy(copy=True)
    read = pd.to_numeric(stripped.where(~absent, other=None), errors="coerce")
    values = np.array(column.convert(1.0) * read.to_numpy(dtype=np.float64), dtype=np.float64)
    if column.whole:
        # A platform's word for "no value", not a reading.
        values[[not np.isnan(v) and known(int(v)) is None for v in values]] = np.nan
        absent |= np.isnan(values) & read.notna().to_numpy()
    wrong = ~absent & ~np.isfinite(values)
    if wrong.any():
        row = int(np.argmax(wrong))
        raise log.wrong(row, f"{name} '{printable(cells.iloc[row], 40)}' is not a number")
    outside = ~absent & ((values < column.least) | (values > column.most))
    if outside.any():
        row = int(np.argmax(outside))
        raise log.wrong(
            row,
            f"{name} '{printable(cells.iloc[row], 40)}' cannot be; does the column's name give "
            "the unit?",
        )
    return values


def _utc(path: Path, cells: "pd.Series[str]") -> pd.DatetimeIndex:
    try:
        return pd.DatetimeIndex(pd.to_datetime(cells.str.strip(), utc=True, format="ISO8601"))
    except ValueError as exc:
        raise LogError(
            str(path), f"time_utc is not ISO 8601 throughout: {printable(str(exc), 120)}"
        ) from exc


def seconds(log: Log, origin: pd.Timestamp | None = None) -> Floats:
    """The log's clock: its column in seconds, else seconds of `time_utc` since a moment.

    Args:
        log: with a clock.
        origin: moment that counts as 0; None for the log's first row.

    Raises:
        LogError: if there is no clock, or a row has no time.
    """
    if "t_s" in log.values:
        times = log.values["t_s"]
    elif log.utc is not None:
        elapsed = log.utc - (log.utc[0] if origin is None else origin)
        times = np.asarray(elapsed.total_seconds(), dtype=np.float64)
    else:
        raise LogError(str(log.path), "has no clock: a column t_s, boot_s or time_utc is needed")
    if np.isnan(times).any():
        raise log.wrong(int(np.argmax(np.isnan(times))), "has no time")
    return times
