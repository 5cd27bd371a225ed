"""Unit conversions, by name; the only place where a factor of ten or a thousand is written."""


def mv_from_uv(voltage_uv: float) -> float:
    """Microvolts to millivolts."""
    return voltage_uv / 1000


def mv_from_v(voltage_v: float) -> float:
    """Volts to millivolts."""
    return voltage_v * 1000


def ma_from_a(current_a: float) -> float:
    """Amperes to milliamperes."""
    return current_a * 1000


def mw_from_w(power_w: float) -> float:
    """Watts to milliwatts."""
    return power_w * 1000


def ma_from_ua(current_ua: float) -> float:
    """Microamperes to milliamperes."""
    return current_ua / 1000


def mah_from_uah(charge_uah: float) -> float:
    """Microampere-hours to milliampere-hours."""
    return charge_uah / 1000


def c_from_dc(temperature_dc: float) -> float:
    """Tenths of a degree Celsius to degrees Celsius."""
    return temperature_dc / 10


def c_from_mc(temperature_mc: float) -> float:
    """Thousandths of a degree Celsius to degrees Celsius."""
    return temperature_mc / 1000


def s_from_ms(duration_ms: float) -> float:
    """Milliseconds to seconds."""
    return duration_ms / 1000


def mwh_from_mws(energy_mws: float) -> float:
    """Milliwatt-seconds to milliwatt-hours."""
    return energy_mws / 3600


def mwh_from_uws(energy_uws: float) -> float:
    """Microwatt-seconds (microjoules) to milliwatt-hours."""
    return energy_uws / 3_600_000
