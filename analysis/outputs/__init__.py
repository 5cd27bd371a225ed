"""Forms in which energies are published, one module each."""

from typing import Protocol

from analysis.outputs import listing, markdown, page, spreadsheet
from analysis.report import EnergyReport


class Output(Protocol):
    """What a module in here offers."""

    FILE_NAME: str

    def render(self, report: EnergyReport) -> str:
        """The report as the text of a file."""


OUTPUTS: tuple[Output, ...] = (page, markdown, spreadsheet, listing)
