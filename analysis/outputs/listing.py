"""Energies as JSON, the figures of the tables."""

import json

from analysis.outputs.tables import energy_rows, phone_rows
from analysis.report import EnergyReport

FILE_NAME = "energy.json"
SCHEMA = 1


def render(report: EnergyReport) -> str:
    """Rows of both tables; absent values are null."""
    document = {
        "schema": SCHEMA,
        "run": report.run,
        "segments": energy_rows(report),
        "phones": phone_rows(report),
    }
    return json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
