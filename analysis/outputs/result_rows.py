"""Comparison and outlook of a run as rows of two tables, nothing rounded."""

from analysis.comparison.comparing import Compared
from analysis.lasting.outlook import Outlook
from analysis.outputs.tables import Row
from analysis.statistics.inference import Interval
from parsers.text import printable


def comparison_rows(compared: Compared) -> list[Row]:
    """One row per activity and pair of phones, in the columns of `COMPARISON`."""
    return [
        {
            "activity": printable(c.activity),
            "occurrence": c.occurrence,
            "judged": c.one,
            "against": c.other,
            "verdict": c.verdict.value,
            "p_value": c.contrast.p_value,
            "adjusted_p_value": c.p_adjusted,
            **_interval("power", "ratio", c.contrast.ratio),
            **_interval("difference", "mw", c.contrast.difference_mw),
            "smallest_seen_ratio": c.contrast.smallest_seen_ratio,
            "repeats_needed": c.contrast.repeats.needed(),
            "confounders": printable("; ".join(c.confounders), 600),
        }
        for c in compared.between_phones
    ]


def outlook_rows(outlook: Outlook) -> list[Row]:
    """One row per phone and activity, in the columns of `OUTLOOK`."""
    return [
        {
            "run": outlook.run,
            "phone": phone.phone,
            "activity": printable(lasting.activity),
            **_interval("power", "mw", lasting.power_mw),
            **_interval("lasts", "h", lasting.hours),
            "usable_energy_mwh": phone.usable_mwh.value,
            "usable_measured": phone.measured,
            "notes": printable("; ".join((*lasting.flags, *lasting.notes)), 600),
        }
        for phone in outlook.phones
        for lasting in phone.activities
    ]


def _interval(name: str, unit: str, found: Interval) -> Row:
    return {
        f"{name}_{unit}": found.value,
        f"{name}_lo95_{unit}": found.lo95,
        f"{name}_hi95_{unit}": found.hi95,
    }
