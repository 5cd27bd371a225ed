"""`checks.jsonl` of a run: what was found fair and unfair, before and during it."""

from pathlib import Path
from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict

from parsers.records import Lines, read_lines

Outcome = Literal["good", "wrong", "ask"]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Finding(_Model):
    """One item of a check.

    Attributes:
        item: what was looked at.
        outcome: `good`; `wrong` if it is not as it must be or not alike; `ask` if adb cannot tell.
        found: what each phone says, in words; phones that do not tell are left out.
        why: what is wrong, or what a person must look at; empty if it is good.
        fix: what to do about it.
    """

    item: str
    outcome: Outcome
    found: dict[str, str] = {}
    why: str = ""
    fix: str = ""


class CheckRecord(_Model):
    """One line of `checks.jsonl`.

    Attributes:
        when: at the start, while the run went on, or at its end.
        plan: name of the plan; None without.
        ambient_c: room temperature as stated.
        luminance_cd_m2: of a white patch by phone, as measured by a person.
        findings: every item.
        set_by_adb: what was changed on which phone, in sentences.
        not_set: what could not be changed, or not put back, in sentences.
    """

    check_schema: Literal[1] = 1
    made_utc: AwareDatetime
    when: Literal["start", "during", "end"]
    plan: str | None = None
    ambient_c: float | None = None
    luminance_cd_m2: dict[str, float] = {}
    findings: tuple[Finding, ...] = ()
    set_by_adb: tuple[str, ...] = ()
    not_set: tuple[str, ...] = ()


def read_checks(path: Path) -> Lines[CheckRecord]:
    """All records, in the order they were made; a missing file holds none.

    Raises:
        RunDamagedError: if the file cannot be read as text.
    """
    return read_lines(path, CheckRecord)
