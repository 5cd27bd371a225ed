"""Plans on disk: the user's own and those that come with the program."""

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from collector.errors import PlanError
from collector.planning.messages import problems_of
from collector.planning.plan import Plan

MAX_PLAN_BYTES = 1_000_000
_SHIPPED = files("collector").joinpath("plans")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFile:
    """A plan and the text it came from, which goes into the run as it is."""

    name: str
    plan: Plan
    text: str


def shipped_plans() -> dict[str, str]:
    """The text of each plan that comes with the program, by name."""
    found = {
        entry.name.removesuffix(".toml"): entry.read_text("utf-8")
        for entry in _SHIPPED.iterdir()
        if entry.name.endswith(".toml")
    }
    return dict(sorted(found.items()))


def read_plan(source: str) -> PlanFile:
    """A plan by the path of its file, or by the name of one that comes with the program.

    Raises:
        PlanError: if it is neither, or cannot be used; names line and key.
        OSError: if the file cannot be read.
    """
    path = Path(source)
    if not path.exists():
        shipped = shipped_plans()
        if source in shipped:
            return PlanFile(
                name=source, plan=parse_plan(shipped[source], source), text=shipped[source]
            )
        raise PlanError(
            source, (f"there is no such file, and no shipped plan ({', '.join(shipped)})",)
        )
    data = path.read_bytes()
    if len(data) > MAX_PLAN_BYTES:
        raise PlanError(source, ("the file is far too large for a plan",))
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as exc:
        line = data[: exc.start].count(b"\n") + 1
        raise PlanError(source, (f"line {line}: not UTF-8 text",)) from exc
    return PlanFile(name=path.stem, plan=parse_plan(text, source), text=text)


def parse_plan(text: str, source: str = "plan") -> Plan:
    """The plan that a TOML text is.

    Raises:
        PlanError: if it is none; one sentence for each mistake.
    """
    try:
        document: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise PlanError(source, (f"not TOML: {exc}",)) from exc
    try:
        return Plan.model_validate(document)
    except ValidationError as exc:
        raise PlanError(source, problems_of(exc, document, text)) from exc
