"""What is drawn over time, and how each is said in numbers."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.estimation.profile import Floats
from analysis.outputs import wording
from analysis.outputs.timecode import clock
from analysis.report import PhoneEnergy, Traces


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Something drawn over time.

    Attributes:
        key: name of it in files and on the page.
        column: attribute of `Traces`.
        label: of the upward axis, with its unit.
        unit: as shown after a number.
        digits: decimals that make sense.
        from_zero: whether the axis must begin at 0.
        extremes: attributes with least and greatest reading, if they are drawn.
        said: the numbers of one phone in a sentence.
    """

    key: str
    column: str
    label: str
    unit: str
    digits: int
    from_zero: bool
    extremes: tuple[str, str] | None
    said: Callable[[PhoneEnergy], str]


def _power_said(phone: PhoneEnergy) -> str:
    mean = f"mean {wording.power_text(phone.total)} mW"
    return f"{mean}{_peak(phone.traces, 'power_high_mw', 'mW', 0)}"


def _energy_said(phone: PhoneEnergy) -> str:
    return f"{wording.energy_text(phone.total)} mWh after {clock(phone.total.duration_s)}"


def _level_said(phone: PhoneEnergy) -> str:
    known = phone.traces.level_pct[np.isfinite(phone.traces.level_pct)]
    if not len(known):
        return "not read"
    return f"from {wording.number(known[0], 0)} to {wording.number(known[-1], 0)} %"


def _temperature_said(phone: PhoneEnergy) -> str:
    known = phone.traces.temperature_c[np.isfinite(phone.traces.temperature_c)]
    if not len(known):
        return "not read"
    return (
        f"from {wording.number(known[0])} to {wording.number(known[-1])} °C"
        f"{_peak(phone.traces, 'temperature_high_c', '°C', 1)}"
    )


def _peak(traces: Traces, column: str, unit: str, digits: int) -> str:
    values: Floats = getattr(traces, column)
    if not np.isfinite(values).any():
        return ""
    at = int(np.nanargmax(values))
    return f", highest {wording.number(values[at], digits)} {unit} near {clock(traces.t_s[at])}"


QUANTITIES = (
    Quantity(
        key="power",
        column="power_mw",
        label="Power, mW; shaded: range of readings",
        unit="mW",
        digits=0,
        from_zero=True,
        extremes=("power_low_mw", "power_high_mw"),
        said=_power_said,
    ),
    Quantity(
        key="energy",
        column="energy_mwh",
        label="Energy taken out so far, mWh",
        unit="mWh",
        digits=0,
        from_zero=True,
        extremes=None,
        said=_energy_said,
    ),
    Quantity(
        key="level",
        column="level_pct",
        label="Level shown, %",
        unit="%",
        digits=0,
        from_zero=True,
        extremes=None,
        said=_level_said,
    ),
    Quantity(
        key="temperature",
        column="temperature_c",
        label="Battery temperature, °C",
        unit="°C",
        digits=1,
        from_zero=False,
        extremes=("temperature_low_c", "temperature_high_c"),
        said=_temperature_said,
    ),
)
