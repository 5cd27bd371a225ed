"""The data dictionary: every column that is published, its unit and its meaning."""

import re
import typing
from dataclasses import dataclass, fields
from datetime import datetime
from types import UnionType

from parsers.schema import TABLES, Float32, TableRow, Word

_UNITS = {
    "mwh": "mWh",
    "mw": "mW",
    "mv": "mV",
    "ma": "mA",
    "mah": "mAh",
    "pct": "%",
    "c": "°C",
    "s": "s",
    "h": "h",
    "ratio": "1",
    "value": "1",
    "utc": "UTC",
}
_TYPES: dict[object, str] = {
    str: "string",
    Word: "string",
    int: "integer",
    float: "number",
    Float32: "number",
    bool: "boolean",
    datetime: "datetime",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of a published table.

    Attributes:
        name: as in its header.
        type: `string`, `integer`, `number`, `boolean` or `datetime`, as Frictionless names them.
        meaning: in a sentence.
    """

    name: str
    type: str
    meaning: str

    @property
    def unit(self) -> str:
        """By the ending of the name; empty for names and words."""
        return _UNITS.get(self.name.rsplit("_", 1)[-1], "") if "_" in self.name else ""


def _column(name: str, type_: str, meaning: str) -> Column:
    return Column(name=name, type=type_, meaning=meaning)


_AMOUNT = (
    _column("duration_s", "number", "by the phone's clock"),
    _column("energy_mwh", "number", "taken out of the battery"),
    _column("energy_u_mwh", "number", "combined standard uncertainty"),
    _column("energy_lo95_mwh", "number", "lower end of the 95 % interval"),
    _column("energy_hi95_mwh", "number", "upper end of the 95 % interval"),
    _column(
        "energy_u_common_mwh", "number", "part of the uncertainty shared by the phone's segments"
    ),
    _column("mean_power_mw", "number", "energy over duration"),
)
ENERGY = (
    _column("run", "string", "id of the run"),
    _column("phone", "string", "label of the phone"),
    _column("segment", "string", "what was done, in the user's words"),
    _column("occurrence", "integer", "counts equal names on a phone, from 1"),
    _column("start_utc", "datetime", "beginning, by the computer's clock"),
    _column("end_utc", "datetime", "end, by the computer's clock"),
    *_AMOUNT,
    _column("level_used_pct", "number", "points of the level shown that it took"),
    _column("share_ratio", "number", "of the phone's total energy"),
    _column("method", "string", "how the energy was found"),
    _column("covered_ratio", "number", "share of the time that was measured"),
    _column("temperature_start_c", "number", "of the battery, at the beginning"),
    _column("temperature_mean_c", "number", "of the battery, weighted with time"),
    _column("temperature_max_c", "number", "of the battery, highest reading"),
    _column("screen_on_s", "number", "how long the screen was on"),
    _column("cut_short", "boolean", "the recording ended before the segment did"),
    _column("flags", "string", "what a reader must know"),
    _column("true_energy_mwh", "number", "of a virtual phone, known by construction"),
)
PHONES = (
    _column("run", "string", "id of the run"),
    _column("phone", "string", "label of the phone"),
    _column("model", "string", "as the phone says"),
    _column("capacity_mah", "number", "as stated"),
    *_AMOUNT,
    _column("untagged_duration_s", "number", "time that was not marked"),
    _column("untagged_energy_mwh", "number", "energy of the time that was not marked"),
    _column("untagged_energy_u_mwh", "number", "its standard uncertainty"),
    _column("shut_off_utc", "datetime", "last answer before the phone shut off"),
    _column("current_unit", "string", "unit of the raw current, as decided from evidence"),
    _column("current_sign", "integer", "1 positive into the battery, -1 out of it, 0 magnitude"),
    _column("counter", "string", "kind of charge counter"),
    _column("notes", "string", "what a reader must know"),
    _column("true_energy_mwh", "number", "of a virtual phone, known by construction"),
)
BUDGET = (
    _column("run", "string", "id of the run"),
    _column("phone", "string", "label of the phone"),
    _column("segment", "string", "what was done, in the user's words"),
    _column("occurrence", "integer", "counts equal names on a phone, from 1"),
    _column("doubt", "string", "what is in doubt; lines of one segment are independent"),
    _column("energy_u_mwh", "number", "standard uncertainty that it leaves"),
    _column("share_ratio", "number", "of the variance of the segment's energy"),
    _column("kind", "string", "A from the readings' own scatter, B from anything else"),
    _column("distribution", "string", "normal or rectangular"),
    _column("common", "boolean", "one and the same error in all segments of the phone"),
    _column("size_from", "string", "where its size comes from"),
)
COMPARISON = (
    _column("activity", "string", "what is compared, in the user's words"),
    _column("occurrence", "integer", "counts equal names, from 1; 0 for the whole run"),
    _column("judged", "string", "label of the phone that is judged"),
    _column("against", "string", "label of the phone it is judged against"),
    _column("verdict", "string", "lower, higher or cannot tell, at 5 % for the whole table"),
    _column("p_value", "number", "of so large a difference if there is none"),
    _column("adjusted_p_value", "number", "the same for as many comparisons (Holm)"),
    _column("power_ratio", "number", "mean power of judged over against"),
    _column("power_lo95_ratio", "number", "lower end of its 95 % interval"),
    _column("power_hi95_ratio", "number", "upper end of its 95 % interval"),
    _column("difference_mw", "number", "of mean power, judged less against"),
    _column("difference_lo95_mw", "number", "lower end of its 95 % interval"),
    _column("difference_hi95_mw", "number", "upper end of its 95 % interval"),
    _column("smallest_seen_ratio", "number", "difference seen with 80 % probability"),
    _column("repeats_needed", "integer", "runs that would show the difference; empty if none do"),
    _column("confounders", "string", "what else may be behind a difference"),
)
OUTLOOK = (
    _column("run", "string", "id of the run"),
    _column("phone", "string", "label of the phone"),
    _column("activity", "string", "what would be done all the time, in the user's words"),
    _column("power_mw", "number", "mean power of the activity"),
    _column("power_lo95_mw", "number", "lower end of its 95 % interval"),
    _column("power_hi95_mw", "number", "upper end of its 95 % interval"),
    _column("lasts_h", "number", "from a full charge to shut-off"),
    _column("lasts_lo95_h", "number", "lower end of its 95 % interval"),
    _column("lasts_hi95_h", "number", "upper end of its 95 % interval; empty without limit"),
    _column("usable_energy_mwh", "number", "of a full charge"),
    _column("usable_measured", "boolean", "by this run; else rated capacity times mean voltage"),
    _column("notes", "string", "what makes it doubtful, and what is worth knowing"),
)


def recorded(table: str) -> tuple[Column, ...]:
    """Columns of a table of the run, as the code defines them."""
    row = TABLES[table]
    hints = typing.get_type_hints(row, include_extras=True)
    meanings = _meanings(row)
    return tuple(
        _column(field.name, _TYPES[_plain(hints[field.name])], meanings[field.name])
        for field in fields(row)
    )


def dictionary(tables: dict[str, tuple[Column, ...]]) -> str:
    """All columns as Markdown: column, unit, meaning."""
    lines = ["# Data dictionary", ""]
    lines += [
        "Absent values are empty, never 0. Energy is positive when taken out of the battery;"
    ]
    lines += ["current is positive into it. Times of day are UTC."]
    for name, columns in tables.items():
        lines += ["", f"## {name}", "", "| column | unit | meaning |", "|---|---|---|"]
        lines += [f"| `{c.name}` | {c.unit or '–'} | {c.meaning} |" for c in columns]
    return "\n".join(lines) + "\n"


def _plain(hint: object) -> object:
    if isinstance(hint, UnionType) or typing.get_origin(hint) is typing.Union:
        return next(a for a in typing.get_args(hint) if a is not type(None))
    return hint


def _meanings(row: type[TableRow]) -> dict[str, str]:
    """What the docstring says of each column."""
    described = (row.__doc__ or "").split("Attributes:", 1)[-1]
    found = re.findall(r"^\s{8}(\w+): (.+(?:\n\s{9,}.+)*)", described, re.MULTILINE)
    return {name: re.sub(r"\s+", " ", text).rstrip(".") for name, text in found}
