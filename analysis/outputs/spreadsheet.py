"""Energies as comma-separated values (RFC 4180), one row per phone and segment."""

import csv
import io
from collections.abc import Sequence

from analysis.outputs.columns import Column
from analysis.outputs.tables import Row, energy_columns, energy_rows
from analysis.report import EnergyReport

FILE_NAME = "energy.csv"
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")
"""What a spreadsheet takes for the beginning of a formula, and the mark that prevents it."""


def render(report: EnergyReport) -> str:
    """A header and one row per segment."""
    return separated(energy_columns(report), energy_rows(report))


def separated(columns: Sequence[Column], rows: Sequence[Row]) -> str:
    """Any rows, lines ending as RFC 4180 wants them; text that looks like a formula is inert."""
    text = io.StringIO()
    writer = csv.DictWriter(text, [column.name for column in columns], lineterminator="\r\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({name: inert(value) for name, value in row.items()})
    return text.getvalue()


def inert(value: object) -> object:
    """A text behind an apostrophe if a spreadsheet would run it; anything else as it is."""
    if isinstance(value, str) and value.lstrip(" ").startswith(_FORMULA):
        return f"'{value}"
    return value
