"""A drawing as SVG."""

from collections.abc import Mapping, Sequence
from html import escape

from analysis.outputs.drawing import Area, Dot, Mark, Point, Sheet, Stroke, Words

FONTS = "'DejaVu Serif Condensed', Georgia, 'Times New Roman', serif"


def inline(sheet: Sheet) -> str:
    """For a page whose style sheet gives each role its colour (classes `f-…` and `s-…`)."""
    return (
        f'<svg viewBox="0 0 {sheet.width:g} {sheet.height:g}" role="img" '
        f'aria-label="{escape(sheet.text)}">{_body(sheet)}</svg>'
    )


def standalone(sheet: Sheet, colours: Mapping[str, str], *, transparent: bool = False) -> str:
    """A file of its own, its text alternative as title."""
    rules = "".join(
        f".f-{role}{{fill:{colour}}}.s-{role}{{stroke:{colour}}}"
        for role, colour in colours.items()
    )
    paper = "" if transparent else '<rect class="f-paper" width="100%" height="100%"/>'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{sheet.width:g}" '
        f'height="{sheet.height:g}" viewBox="0 0 {sheet.width:g} {sheet.height:g}" role="img">'
        f"<title>{escape(sheet.text)}</title>"
        f"<style>text{{font-family:{FONTS}}}path{{fill:none}}{rules}</style>"
        f"{paper}{_body(sheet)}</svg>\n"
    )


def _body(sheet: Sheet) -> str:
    return "".join(_mark(mark) for mark in sheet.marks)


def _mark(mark: Mark) -> str:
    match mark:
        case Stroke():
            dash = f' stroke-dasharray="{_numbers(mark.dash)}"' if mark.dash else ""
            return (
                f'<path class="s-{mark.role}" stroke-width="{mark.width:g}"{dash} '
                f'd="M{_path(mark.points)}"/>'
            )
        case Area():
            seen = f' fill-opacity="{mark.opacity_ratio:g}"' if mark.opacity_ratio < 1 else ""
            return f'<polygon class="f-{mark.role}"{seen} points="{_path(mark.points)}"/>'
        case Dot():
            x, y = mark.at
            return f'<circle class="f-{mark.role}" cx="{x:.1f}" cy="{y:.1f}" r="{mark.radius:g}"/>'
        case Words():
            x, y = mark.at
            anchor = f' text-anchor="{mark.anchor}"' if mark.anchor != "start" else ""
            return (
                f'<text class="f-{mark.role}" x="{x:.1f}" y="{y:.1f}" '
                f'font-size="{mark.size:g}"{anchor}>{escape(mark.text)}</text>'
            )


def _path(points: Sequence[Point]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _numbers(values: Sequence[float]) -> str:
    return " ".join(f"{value:g}" for value in values)
