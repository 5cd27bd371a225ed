"""Energies as one self-contained HTML page."""

from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from analysis.outputs import wording
from analysis.outputs.chart import chart
from analysis.ranking import rank
from analysis.report import EnergyReport, PhoneEnergy, SegmentEnergy
from parsers.text import printable

FILE_NAME = "report.html"
_CHARTS = (
    ("power_mw", "Power, mW, mean of about a minute"),
    ("level_pct", "Level shown, %"),
    ("temperature_c", "Battery temperature, °C"),
)


def render(report: EnergyReport) -> str:
    """The page; it loads nothing from anywhere and runs no script."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.globals["text"] = wording
    environment.filters["printable"] = lambda value: printable(value, 600)
    template = environment.from_string(
        files("analysis.outputs").joinpath("page.html.j2").read_text("utf-8")
    )
    several = wording.repeated(report)
    rankings = rank(report)
    # Labels and names inside the charts were escaped when the charts were drawn.
    charts = [Markup(svg) for q, label in _CHARTS if (svg := chart(report, q, label))]  # noqa: S704
    return template.render(
        report=report,
        answers=[wording.sentence(r, several=r.segment in several) for r in rankings],
        rows=_rows(report, several),
        charts=charts,
        flags=[(phone.phone, _flags(phone)) for phone in report.phones],
        methods=[
            (phone.phone, sorted({s.method for s in phone.segments})) for phone in report.phones
        ],
    )


def _rows(report: EnergyReport, several: set[str]) -> list[tuple[str, list[SegmentEnergy | None]]]:
    """Segments down, phones across; None where a phone did not do it."""
    keys = dict.fromkeys((s.segment, s.occurrence) for p in report.phones for s in p.segments)
    found = [{(s.segment, s.occurrence): s for s in p.segments} for p in report.phones]
    return [
        (
            wording.segment_name(name, occurrence, several=name in several),
            [mine.get((name, occurrence)) for mine in found],
        )
        for name, occurrence in keys
    ]


def _flags(phone: PhoneEnergy) -> list[str]:
    return [*phone.notes, *(f"{s.segment}: {flag}" for s in phone.segments for flag in s.flags)]
