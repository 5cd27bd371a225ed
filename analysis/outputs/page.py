"""Energies as one self-contained HTML page."""

import base64
import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from analysis.outputs import bars, budget, found, svg, wording
from analysis.outputs.answers import answers
from analysis.outputs.chart import chart
from analysis.outputs.drawing import DARK, LIGHT, Sheet
from analysis.outputs.grid import grid
from analysis.outputs.layout import PAGE, PHONE, Size
from analysis.outputs.pagedata import as_json, spans
from analysis.outputs.quantities import QUANTITIES, Quantity
from analysis.outputs.sections import Section
from analysis.report import EnergyReport
from parsers.text import printable

FILE_NAME = "report.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """A chart for wide and for narrow screens."""

    key: str
    label: str
    wide: Markup
    narrow: Markup


def render(report: EnergyReport, sections: Sequence[Section] = ()) -> str:
    """The page; it loads nothing from anywhere, and runs no script but its own."""
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.globals |= {"text": wording, "budget": budget}
    environment.filters["printable"] = lambda value: printable(value, 600)
    script = _part("page.js")
    spans_s = [(*spans(phone), len(phone.traces.t_s)) for phone in report.phones]
    steps_s = [step_s for _, step_s, _ in spans_s]
    return environment.from_string(_part("page.html.j2")).render(
        report=report,
        answers=answers(report),
        rows=grid(report),
        bars=[drawn for draw in (bars.powers, bars.shares) if (drawn := _bars(report, draw))],
        curves=[drawn for q in QUANTITIES if (drawn := _curve(report, q))],
        first_s=math.ceil(min(from_s for from_s, _, _ in spans_s)),
        last_s=math.floor(max(from_s + n * step_s for from_s, step_s, n in spans_s)),
        step_s=max(round(min(steps_s)), 1),
        span_text=wording.duration_text(max(steps_s)),
        sections=sections,
        found=[(p.phone, found.doubts(report, p), found.facts(report, p)) for p in report.phones],
        methods=[
            (phone.phone, sorted({s.method for s in phone.segments})) for phone in report.phones
        ],
        colours=Markup(_colours()),  # noqa: S704 - our own
        style=Markup(_part("page.css")),  # noqa: S704 - our own
        script=Markup(script),  # noqa: S704 - our own
        script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        data=Markup(as_json(report)),  # noqa: S704 - holds no less-than sign
    )


def _part(name: str) -> str:
    return files("analysis.outputs").joinpath(name).read_text("utf-8")


def _curve(report: EnergyReport, quantity: Quantity) -> _Drawn | None:
    wide, narrow = (chart(report, quantity, size) for size in (PAGE, PHONE))
    if wide is None or narrow is None:
        return None
    return _Drawn(
        key=quantity.key,
        label=quantity.label,
        wide=_framed(wide, "wide"),
        narrow=_framed(narrow, "narrow"),
    )


def _bars(
    report: EnergyReport, draw: Callable[[EnergyReport, Size], Sheet | None]
) -> _Drawn | None:
    wide, narrow = (draw(report, size) for size in (PAGE, PHONE))
    if wide is None or narrow is None:
        return None
    return _Drawn(key="", label="", wide=_framed(wide, "wide"), narrow=_framed(narrow, "narrow"))


def _framed(sheet: Sheet, kind: str) -> Markup:
    """The drawing with what the script needs to find its way in it."""
    where = ""
    if sheet.span_h is not None:
        plot = " ".join(f"{edge:.1f}" for edge in sheet.plot)
        hours = " ".join(f"{end:.6f}" for end in sheet.span_h)
        where = f' data-plot="{plot}" data-hours="{hours}"'
    # Texts inside the drawing are escaped where it is written.
    return Markup(f'<div class="{kind}"{where}>{svg.inline(sheet)}</div>')  # noqa: S704


def _colours() -> str:
    """What each role looks like on light and on dark paper; paper is light when printed."""
    roles = "".join(f".f-{r}{{fill:var(--{r})}}.s-{r}{{stroke:var(--{r})}}" for r in LIGHT)
    light, dark = (
        "".join(f"--{role}:{colour};" for role, colour in colours.items())
        for colours in (LIGHT, DARK)
    )
    return (
        f":root{{{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        f"{roles}"
    )
