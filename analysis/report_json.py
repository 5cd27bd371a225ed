"""Energies of a run as plain values: nothing rounded, absent ones None."""

import math
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

import numpy as np

from analysis.outputs.wording import named
from analysis.report import EnergyReport, Finding, PhoneEnergy, SegmentEnergy

SCHEMA = 1


def to_json(report: EnergyReport) -> dict[str, Any]:
    """The report as plain values; numbers are not rounded, absent ones are None."""
    return {
        "schema": SCHEMA,
        "run": report.run,
        "phones": [_phone_json(phone) for phone in report.phones],
    }


def _phone_json(phone: PhoneEnergy) -> dict[str, Any]:
    return {
        "phone": phone.phone,
        "gauge": phone.gauge,
        "segments": [segment_json(segment) for segment in phone.segments],
        "untagged": {
            "duration_s": phone.untagged.duration_s,
            "energy_mwh": phone.untagged.energy_mwh,
        },
        "total": {
            "duration_s": phone.total.duration_s,
            "energy_mwh": phone.total.energy_mwh,
            "energy_u_mwh": phone.total.u_mwh,
            "shut_off_utc": None if phone.shut_off_utc is None else utc_text(phone.shut_off_utc),
        },
        "notes": list(phone.notes),
        "facts": list(phone.facts),
        "findings": [_finding_json(finding) for finding in phone.findings],
    }


def _finding_json(finding: Finding) -> dict[str, Any]:
    return {
        "said": finding.said,
        "start_utc": utc_text(finding.start_utc),
        "end_utc": utc_text(finding.end_utc),
        "harmless": finding.harmless,
        "throughout": finding.throughout,
    }


def budget_json(report: EnergyReport, name: str) -> dict[str, Any]:
    """The uncertainty budgets of all segments of a name, as plain values."""
    segments = [
        {
            "phone": phone,
            "segment": segment.segment,
            "occurrence": segment.occurrence,
            "energy_mwh": segment.amount.energy_mwh,
            "energy_u_mwh": segment.amount.u_mwh,
            "energy_lo95_mwh": segment.amount.lo95_mwh,
            "energy_hi95_mwh": segment.amount.hi95_mwh,
            "energy_u_common_mwh": segment.amount.u_common_mwh,
            "budget": [asdict(line) for line in segment.amount.budget],
        }
        for phone, segment in named(report, name)
    ]
    return {"schema": SCHEMA, "run": report.run, "segments": segments}


def segment_json(segment: SegmentEnergy) -> dict[str, Any]:
    """One segment as plain values."""
    amount = segment.amount
    values: dict[str, Any] = {
        "segment": segment.segment,
        "occurrence": segment.occurrence,
        "start_utc": utc_text(segment.start_utc),
        "end_utc": utc_text(segment.end_utc),
        "duration_s": amount.duration_s,
        "energy_mwh": amount.energy_mwh,
        "energy_u_mwh": amount.u_mwh,
        "energy_lo95_mwh": amount.lo95_mwh,
        "energy_hi95_mwh": amount.hi95_mwh,
        "energy_u_common_mwh": amount.u_common_mwh,
        "mean_power_mw": amount.mean_power_mw,
        "level_used_pct": segment.level_used_pct,
        "share_ratio": segment.share_ratio,
        "method": segment.method,
        "covered_ratio": segment.covered_ratio,
        "temperature_start_c": segment.temperature_start_c,
        "temperature_mean_c": segment.temperature_mean_c,
        "temperature_max_c": segment.temperature_max_c,
        "screen_on_s": segment.screen_on_s,
        "cut_short": segment.cut_short,
        "flags": [*segment.flags, *segment.facts],
    }
    if segment.true_energy_mwh is not None:
        values["true_energy_mwh"] = segment.true_energy_mwh
    return {key: _plain(value) for key, value in values.items()}


def utc_text(moment: datetime) -> str:
    """ISO 8601 to the millisecond, with Z."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _plain(value: Any) -> Any:
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value
