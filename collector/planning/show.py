"""A plan as the user sees it: the timetable, what must be alike, and the total."""

import json
from itertools import islice
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from collector.planning.file import PlanFile
from collector.planning.plan import Plan, Slot, round_of, turns
from parsers.text import printable

MOST_SHOWN = 200


def print_plan(file: PlanFile, console: Console, *, as_json: bool) -> None:
    """Prints the timetable of a plan with its total, as a table or as JSON."""
    plan = file.plan
    slots = round_of(plan) if plan.until_off else list(islice(turns(plan), MOST_SHOWN))
    if as_json:
        console.print_json(json.dumps(_document(file, slots)))
        return
    console.print(f"{printable(plan.title, 120)}", markup=False)
    if plan.about:
        console.print(plan.about.strip(), markup=False)
    table = Table(box=None, pad_edge=False, padding=(0, 1))
    for heading in ("", "from", "for", "segment", "screen", "in front"):
        table.add_column(heading, overflow="fold")
    at_s = 0.0
    for slot in slots:
        segment = slot.segment
        at_s += segment.lead_s
        table.add_row(
            f"{slot.number}",
            span(at_s),
            "until off" if slot.duration_s is None else span(slot.duration_s),
            escape(printable(segment.name, 60)),
            "" if segment.screen == "any" else segment.screen,
            segment.app or "",
        )
        at_s += slot.takes_s - segment.lead_s
    console.print(table)
    console.print(_total(plan), markup=False)
    for name, asked in _instructions(plan).items():
        console.print(f"{name}: {asked}", markup=False)
    for segment in plan.segments:
        if segment.drive:
            names = ", ".join(action.action for action in segment.drive)
            console.print(f"by themselves in '{segment.name}': {names}", markup=False)


def _instructions(plan: Plan) -> dict[str, str]:
    """Who does what, by segment, as far as the plan says."""
    said = {}
    for segment in plan.segments:
        words = [segment.who, segment.do if "do" in segment.model_fields_set else None]
        if asked := ": ".join(filter(None, words)):
            said[printable(segment.name, 60)] = printable(asked, 560)
    return said


def print_shipped(plans: dict[str, Plan], console: Console) -> None:
    """Prints the plans that come with the program."""
    table = Table(box=None, pad_edge=False)
    for heading in ("plan", "takes", "title"):
        table.add_column(heading)
    for name, plan in plans.items():
        table.add_row(name, _total(plan).removeprefix("total "), escape(plan.title))
    console.print(table)


def span(seconds: float) -> str:
    """Hours, minutes and seconds, the latter only where there are some."""
    minutes, left_s = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02}" + (f":{left_s:02}" if left_s else "")


def total_s(plan: Plan) -> float:
    """What is known of the length: of one round if it goes on until shut-off."""
    return sum(slot.takes_s for slot in round_of(plan)) * (1 if plan.until_off else plan.rounds)


def _total(plan: Plan) -> str:
    if plan.until_off:
        return f"total {span(total_s(plan))} h a round, again and again until every phone is off"
    open_ended = plan.segments[-1].duration_min is None
    return f"total {span(total_s(plan))} h" + (
        ", then on until every phone is off" if open_ended else ""
    )


def _document(file: PlanFile, slots: list[Slot]) -> dict[str, Any]:
    return {
        "schema": 1,
        "plan": file.name,
        "title": file.plan.title,
        "until_off": file.plan.until_off,
        "total_s": total_s(file.plan),
        "segments": [
            {
                "number": slot.number,
                "segment": slot.segment.name,
                "lead_s": slot.segment.lead_s,
                "duration_s": slot.duration_s,
                "rest_s": slot.segment.rest_min * 60,
                "app": slot.segment.app,
                "screen": slot.segment.screen,
                "do": slot.segment.do,
            }
            for slot in slots
        ],
    }
