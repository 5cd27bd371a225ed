"""A test plan: what is done in which order, what must be alike, and when to stop."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    field_validator,
    model_validator,
)

from collector.driving.actions import Action, checked_package
from collector.errors import TagError
from collector.tagging.rules import checked_name
from parsers.runfolder import checked_label

LONGEST_H = 200.0

Package = Annotated[str, AfterValidator(checked_package)]
Minutes = Annotated[float, Field(gt=0.0, le=LONGEST_H * 60)]
Sentence = Annotated[str, Field(min_length=1, max_length=500)]
Radio = Literal["mobile", "wifi", "off", "any"]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Required(_Model):
    """What must be so on every phone; what is left out must only be alike.

    Attributes:
        level_min_pct: at the start.
        within_c: of the ambient temperature, at the start.
        luminance_cd_m2: white patch, measured by a person; the slider says nothing about it.
        brightness: setting, 0..255 on most phones.
        volume: media volume, in steps of the phone.
        timeout_s: until the screen goes dark by itself.
    """

    level_min_pct: Annotated[float, Field(ge=0, le=100)] = 95.0
    within_c: Annotated[float, Field(gt=0, le=20)] = 2.0
    luminance_cd_m2: Annotated[float, Field(gt=0, le=3000)] | None = None
    brightness: Annotated[int, Field(ge=0, le=65535)] | None = None
    auto_brightness: bool = False
    refresh_hz: Annotated[float, Field(ge=1, le=480)] | None = None
    saver: bool = False
    adaptive_battery: bool | None = None
    always_on_display: bool = False
    stay_awake: bool = False
    bluetooth: bool | None = None
    location: bool | None = None
    volume: Annotated[int, Field(ge=0, le=100)] | None = None
    timeout_s: Annotated[int, Field(ge=5, le=2_147_483)] | None = None
    free_gb: Annotated[float, Field(ge=0, le=4096)] = 1.0
    radio: Radio = "any"


class Limits(_Model):
    """When to warn, ask and stop; project choices, not limits from a standard."""

    warn_c: Annotated[float, Field(ge=30, le=60)] = 45.0
    ask_c: Annotated[float, Field(ge=30, le=60)] = 50.0
    stop_c: Annotated[float, Field(ge=30, le=60)] = 55.0
    start_apart_s: Annotated[float, Field(ge=1, le=3600)] = 10.0
    level_pct: Annotated[float, Field(ge=0, le=99)] | None = None
    after_h: Annotated[float, Field(gt=0, le=LONGEST_H)] | None = None

    @model_validator(mode="after")
    def _rising(self) -> "Limits":
        if not self.warn_c < self.ask_c < self.stop_c:
            raise ValueError("'warn_c', 'ask_c' and 'stop_c' must rise in this order")
        return self


class Segment(_Model):
    """One thing that is done.

    Attributes:
        duration_min: None in the last one: until every phone is off, or the user stops.
        repeat: how often in a row, with the rest between.
        rest_min: pause after it, untagged.
        lead_s: so long it goes on before it counts.
        app: package that must be in front.
        do: what the people do.
        who: by whom.
        drive: what the phones do by themselves.
    """

    name: str
    duration_min: Minutes | None = None
    repeat: Annotated[int, Field(ge=1, le=1000)] = 1
    rest_min: Annotated[float, Field(ge=0, le=1440)] = 0.0
    lead_s: Annotated[float, Field(ge=0, le=3600)] = 0.0
    app: Package | None = None
    screen: Literal["on", "off", "any"] = "any"
    radio: Radio = "any"
    do: Sentence = "as the name says"
    who: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    drive: list[Action] = []

    @field_validator("name")
    @classmethod
    def _can_be_a_tag(cls, name: str) -> str:
        try:
            return checked_name(name)
        except TagError as exc:
            raise ValueError(str(exc)) from exc

    @model_validator(mode="after")
    def _calls_end_in_time(self) -> "Segment":
        calls_s = [a.after_s + a.max_s for a in self.drive if a.action == "call"]
        if self.duration_min is not None and self.duration_min * 60 + self.lead_s < max(
            calls_s, default=0.0
        ):
            raise ValueError("the call of 'drive' may last longer than the segment")
        return self


class Plan(_Model):
    """A whole test.

    Attributes:
        about: what the test is for, and where it comes from.
        ambient_c: coldest and warmest the room may be.
        phones: labels expected; empty for whatever is attached.
        rounds: how often the segments are gone through.
        until_off: again and again until every phone is off.
        uneasy: needs somebody beside the phones, or a word that they are left alone.
        ask: what only a person can check.
        apps: packages whose versions must be the same on all phones.
    """

    title: Annotated[str, Field(min_length=1, max_length=120)]
    about: Annotated[str, Field(max_length=4000)] = ""
    ambient_c: Annotated[
        list[Annotated[float, Field(ge=-20, le=60)]], Field(min_length=2, max_length=2)
    ] = [18.0, 25.0]
    phones: list[str] = []
    rounds: Annotated[int, Field(ge=1, le=1000)] = 1
    until_off: bool = False
    ask: list[Sentence] = []
    apps: list[Package] = []
    require: Required = Required()
    limits: Limits = Limits()
    segments: Annotated[list[Segment], Field(alias="segment", min_length=1, max_length=200)]

    @field_validator("phones")
    @classmethod
    def _labels(cls, phones: list[str]) -> list[str]:
        for label in phones:
            checked_label(label)
            if phones.count(label) > 1:
                raise ValueError(f"'{label}' is named twice")
        return phones

    @field_validator("ambient_c")
    @classmethod
    def _window(cls, ambient_c: list[float]) -> list[float]:
        if ambient_c[0] >= ambient_c[1]:
            raise ValueError("'ambient_c' is the coldest and the warmest, in this order")
        return ambient_c

    @model_validator(mode="after")
    def _ends(self) -> "Plan":
        for number, segment in enumerate(self.segments, start=1):
            repeated = self.until_off or self.rounds > 1 or segment.repeat > 1
            if segment.duration_min is None and (number < len(self.segments) or repeated):
                raise ValueError(
                    f"segment {number} '{segment.name}' needs 'duration_min': only the last one "
                    "of a plan that is gone through once may go on until shut-off"
                )
        if sum(slot.takes_s for slot in round_of(self)) * self.rounds > LONGEST_H * 3600:
            raise ValueError(f"the plan takes longer than {LONGEST_H:.0f} hours")
        return self

    @property
    def all_apps(self) -> tuple[str, ...]:
        """Every package that is named anywhere, once."""
        used = [segment.app for segment in self.segments if segment.app]
        return tuple(dict.fromkeys([*self.apps, *used]))

    @property
    def unattended_work(self) -> tuple[str, ...]:
        """Names of segments that the phones go through by themselves."""
        return tuple(segment.name for segment in self.segments if segment.drive)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """One turn of the timetable.

    Attributes:
        number: from 1, counting through all rounds.
        duration_s: tagged; None: until shut-off.
    """

    number: int
    round: int
    segment: Segment
    duration_s: float | None

    @property
    def takes_s(self) -> float:
        """With lead and rest."""
        return self.segment.lead_s + (self.duration_s or 0.0) + self.segment.rest_min * 60


def round_of(plan: Plan) -> list[Slot]:
    """The turns of one round."""
    return [
        Slot(number=number, round=1, segment=segment, duration_s=duration_s)
        for number, (segment, duration_s) in enumerate(
            (
                (segment, None if segment.duration_min is None else segment.duration_min * 60)
                for segment in plan.segments
                for _ in range(segment.repeat)
            ),
            start=1,
        )
    ]


def turns(plan: Plan) -> Iterator[Slot]:
    """All turns in order; without end if the plan goes on until every phone is off."""
    once = round_of(plan)
    round_number = 1
    while plan.until_off or round_number <= plan.rounds:
        for slot in once:
            number = (round_number - 1) * len(once) + slot.number
            yield Slot(
                number=number,
                round=round_number,
                segment=slot.segment,
                duration_s=slot.duration_s,
            )
        round_number += 1
