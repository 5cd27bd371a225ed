"""Energies as comma-separated values, one row per phone and segment."""

import csv
import io

from analysis.report import EnergyReport, segment_json
from parsers.text import printable

FILE_NAME = "energy.csv"
_FORMULA = ("=", "+", "-", "@")


def render(report: EnergyReport) -> str:
    """A header and one row per segment; lines end as RFC 4180 wants them."""
    text = io.StringIO()
    writer: csv.DictWriter[str] | None = None
    for row in rows(report):
        if writer is None:
            writer = csv.DictWriter(text, list(row), lineterminator="\r\n", restval="")
            writer.writeheader()
        writer.writerow(row)
    return text.getvalue()


def rows(report: EnergyReport) -> list[dict[str, object]]:
    """One flat row per phone and segment, the same columns in each."""
    flat = []
    for phone in report.phones:
        for segment in phone.segments:
            values = {"run": report.run, "phone": phone.phone, **segment_json(segment)}
            values["segment"] = _inert(segment.segment)
            values["flags"] = "; ".join(printable(flag, 300) for flag in values["flags"])
            if report.virtual:
                values.setdefault("true_energy_mwh", None)
            flat.append(values)
    return flat


def _inert(text: str) -> str:
    """Text that a spreadsheet does not take for a formula."""
    shown = printable(text)
    return f"'{shown}" if shown.startswith(_FORMULA) else shown
