"""Energies as rows of two tables, the same rounded figures for every kind of file."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from analysis.outputs.budget import share_of
from analysis.outputs.columns import BUDGET, ENERGY, PHONES, Column
from analysis.outputs.rounding import decimals, rounded
from analysis.report import Amount, EnergyReport, PhoneEnergy, SegmentEnergy
from analysis.report_json import segment_json, utc_text
from parsers.text import printable

Row = dict[str, Any]
_LONGEST = 600


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of the result.

    Attributes:
        name: of its files.
        title: in words.
        columns: what each holds.
        rows: with those columns.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: Sequence[Row]


def tables(report: EnergyReport) -> tuple[Table, ...]:
    """All tables of the result."""
    return (
        Table(
            name="energy",
            title="Energy per segment and phone",
            columns=energy_columns(report),
            rows=energy_rows(report),
        ),
        Table(
            name="phones",
            title="Total and rest of each phone",
            columns=phone_columns(report),
            rows=phone_rows(report),
        ),
        Table(
            name="budget",
            title="What the uncertainty of each energy is made of",
            columns=BUDGET,
            rows=budget_rows(report),
        ),
    )


def energy_columns(report: EnergyReport) -> tuple[Column, ...]:
    """Columns of `energy_rows`: truth only where it is known."""
    return _known(ENERGY, report)


def phone_columns(report: EnergyReport) -> tuple[Column, ...]:
    """Columns of `phone_rows`."""
    return _known(PHONES, report)


def energy_rows(report: EnergyReport) -> list[Row]:
    """One row per phone and segment, the same columns in each; absent values are None."""
    names = [column.name for column in energy_columns(report)]
    found = []
    for phone in report.phones:
        for segment in phone.segments:
            row = {"run": report.run, "phone": phone.phone, **_segment(segment, phone)}
            found.append({name: row.get(name) for name in names})
    return found


def phone_rows(report: EnergyReport) -> list[Row]:
    """One row per phone: its total and its rest."""
    names = [column.name for column in phone_columns(report)]
    rows = [{"run": report.run, **_phone(phone)} for phone in report.phones]
    return [{name: row.get(name) for name in names} for row in rows]


def budget_rows(report: EnergyReport) -> list[Row]:
    """One row per phone, segment and source of doubt, the largest first."""
    return [
        {
            "run": report.run,
            "phone": phone.phone,
            "segment": printable(segment.segment, _LONGEST),
            "occurrence": segment.occurrence,
            "doubt": line.name,
            "energy_u_mwh": rounded(line.u_mwh, decimals(segment.amount.u_mwh) + 1),
            "share_ratio": rounded(share_of(line, segment.amount), 4),
            "kind": line.kind,
            "distribution": line.distribution,
            "common": line.shared,
            "size_from": line.source,
        }
        for phone in report.phones
        for segment in phone.segments
        for line in segment.amount.budget
    ]


def _known(columns: tuple[Column, ...], report: EnergyReport) -> tuple[Column, ...]:
    return tuple(c for c in columns if report.virtual or not c.name.startswith("true_"))


def _segment(segment: SegmentEnergy, phone: PhoneEnergy) -> Row:
    places = decimals(segment.amount.u_mwh)
    own_u = (segment.amount.u_mwh**2 - segment.amount.u_common_mwh**2) ** 0.5
    total = phone.total.energy_mwh
    fixed = {
        "level_used_pct": 1,
        "covered_ratio": 4,
        "temperature_start_c": 1,
        "temperature_mean_c": 1,
        "temperature_max_c": 1,
        "screen_on_s": 1,
        "share_ratio": _share_places(own_u / total) if total > 0 else 3,
        "true_energy_mwh": places,
    }
    values = segment_json(segment)
    return {
        **values,
        **_amount(segment.amount),
        **{name: rounded(values.get(name), digits) for name, digits in fixed.items()},
        "segment": printable(segment.segment, _LONGEST),
        "flags": _joined(values["flags"]),
    }


def _phone(phone: PhoneEnergy) -> Row:
    untagged = _amount(phone.untagged)
    return {
        "phone": phone.phone,
        "model": printable(phone.model, _LONGEST),
        "capacity_mah": phone.capacity_mah,
        **_amount(phone.total),
        **{
            f"untagged_{name}": untagged[name]
            for name in ("duration_s", "energy_mwh", "energy_u_mwh")
        },
        "shut_off_utc": None if phone.shut_off_utc is None else utc_text(phone.shut_off_utc),
        **{name: phone.gauge[name] for name in ("current_unit", "current_sign", "counter")},
        "notes": _joined([*phone.notes, *phone.facts]),
        "true_energy_mwh": rounded(phone.true_total_mwh, decimals(phone.total.u_mwh)),
    }


def _amount(amount: Amount) -> Row:
    """Figures of an amount, all energies to the same place."""
    places = decimals(amount.u_mwh)
    energies = {
        "energy_mwh": amount.energy_mwh,
        "energy_u_mwh": amount.u_mwh,
        "energy_lo95_mwh": amount.lo95_mwh,
        "energy_hi95_mwh": amount.hi95_mwh,
        "energy_u_common_mwh": amount.u_common_mwh,
    }
    return {
        "duration_s": rounded(amount.duration_s, 1),
        **{name: rounded(value, places) for name, value in energies.items()},
        "mean_power_mw": rounded(amount.mean_power_mw, decimals(amount.power_u_mw)),
    }


def _share_places(u_ratio: float) -> int:
    """At least per mille: shares are read as percents."""
    return max(decimals(u_ratio * 100) + 2, 3) if u_ratio > 0 else 3


def _joined(sentences: Any) -> str:
    return "; ".join(printable(sentence, _LONGEST) for sentence in sentences)
