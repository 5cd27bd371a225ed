"""The numbers behind the page's curves, for reading values off them."""

import json
from typing import Any

import numpy as np

from analysis.estimation.profile import Floats
from analysis.outputs import wording
from analysis.outputs.quantities import QUANTITIES
from analysis.report import EnergyReport, PhoneEnergy


def spans(phone: PhoneEnergy) -> tuple[float, float]:
    """Where the first span of a phone's curves begins, and the length of each, in s."""
    t_s = phone.traces.t_s
    step_s = float(t_s[1] - t_s[0]) if len(t_s) > 1 else phone.total.duration_s
    return float(t_s[0]) - step_s / 2, step_s


def as_json(report: EnergyReport) -> str:
    """Curves, segments and units as JSON that is safe inside a script element."""
    several = wording.repeated(report)
    document = {
        "quantities": {
            q.key: {
                "unit": q.unit,
                "digits": q.digits,
                "low": f"{q.key}_low" if q.extremes else None,
                "high": f"{q.key}_high" if q.extremes else None,
            }
            for q in QUANTITIES
        },
        "phones": [_phone(phone, several) for phone in report.phones],
    }
    text = json.dumps(document, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _phone(phone: PhoneEnergy, several: set[str]) -> dict[str, Any]:
    from_s, step_s = spans(phone)
    columns = {
        name: _rounded(getattr(phone.traces, column), quantity.digits)
        for quantity in QUANTITIES
        for name, column in zip(
            (quantity.key, f"{quantity.key}_low", f"{quantity.key}_high"),
            (quantity.column, *(quantity.extremes or ())),
            strict=False,
        )
    }
    return {
        "name": phone.phone,
        "from_s": round(from_s, 3),
        "step_s": round(step_s, 6),
        "n": len(phone.traces.t_s),
        "segments": [
            [
                wording.name_among(s, several),
                round(s.start_s, 1),
                round(s.end_s, 1),
            ]
            for s in phone.segments
        ],
        **columns,
    }


def _rounded(values: Floats, digits: int) -> list[float | int | None]:
    kept = np.round(values, digits)
    return [
        None if not np.isfinite(value) else int(value) if digits == 0 else float(value)
        for value in kept
    ]
