"""A segment's actions as the script on the phone reads them."""

import re
from dataclasses import dataclass

from collector.driving.actions import Step
from collector.driving.numbers import callable_number
from collector.fairness.knobs import Knob
from collector.planning.plan import Segment

_SIZE = re.compile(r"(?:Override|Physical) size: (\d{2,5})x(\d{2,5})")


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenSize:
    """Of a phone held upright, in pixels."""

    width: int
    height: int


USUAL_SCREEN = ScreenSize(width=1080, height=2400)
"""What a dry run without a phone is made for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """What one phone does in one segment.

    Attributes:
        lines: `score` of the script: after, every (both in tenths of a second), command.
        finale: `finale` of the script: commands at the end, however it comes.
        settings: set before, each old value kept.
        tenths: how long it goes on, in tenths of a second.
    """

    lines: tuple[str, ...]
    finale: tuple[str, ...]
    settings: tuple[tuple[Knob, str], ...]
    tenths: int


def score_of(segment: Segment, screen: ScreenSize, allowed: frozenset[str]) -> Score:
    """What a phone with that screen does in the segment.

    Args:
        segment: of the plan.
        screen: of the phone.
        allowed: the user's numbers that may be called.

    Raises:
        NumberRefusedError: if a number may not be called.
    """
    steps: list[Step] = []
    settings: list[tuple[Knob, str]] = []
    for action in segment.drive:
        if action.action == "call":
            callable_number(action.number, allowed)
        steps += action.steps(screen)
        settings += action.settings()
    duration_s = segment.lead_s + (segment.duration_min or 24 * 60) * 60
    return Score(
        lines=tuple(_line(step) for step in steps if not step.at_end),
        finale=tuple(step.command for step in steps if step.at_end),
        settings=tuple(settings),
        tenths=round(duration_s * 10),
    )


def screen_size(text: str) -> ScreenSize:
    """From the answer to `wm size`; what was set by somebody goes before the panel's own.

    Raises:
        ValueError: if it holds none.
    """
    found = sorted(_SIZE.finditer(text), key=lambda match: match[0].startswith("Physical"))
    if not found:
        raise ValueError("the phone does not tell the size of its screen")
    return ScreenSize(width=int(found[0][1]), height=int(found[0][2]))


def _line(step: Step) -> str:
    every = 0 if step.every_s is None else max(round(step.every_s * 10), 1)
    return f"{round(step.after_s * 10)} {every} {step.command}"
