"""The tables of a run, defined once: field order is column order, the name's ending is the unit.

`arrow_schema()` derives the Parquet schema from the dataclasses below. A change to any of them
raises `SCHEMA_VERSION` and adds a line to the history here.

History:
    1: readings, context, rails, truth.
"""

import typing
from dataclasses import dataclass, fields
from datetime import datetime
from types import UnionType
from typing import TYPE_CHECKING, Annotated, Any

if TYPE_CHECKING:
    import pyarrow as pa

SCHEMA_VERSION = 1

Float32 = Annotated[float, "float32"]
Word = Annotated[str, "dictionary"]
"""A string out of a small set, stored as a dictionary."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One tick of one phone (table `readings`).

    Attributes:
        phone: the user's label.
        boot_id: the phone's boot session, first eight hexadecimal digits.
        seq: number of the block within the boot session, from the phone.
        host_utc: the computer's wall clock when the block had arrived.
        host_s: the computer's monotonic clock then.
        boot_s: the phone's clock since boot, suspend included, at the end of the block.
        phone_utc: the phone's wall clock.
        awake_s: the phone's clock since boot without suspend, where this tick read it.
        level_pct: level shown by the platform.
        voltage_mv: pack voltage.
        current_ma: positive into the battery; None until unit and sign are known.
        current_raw: the integer as sent.
        charge_counter_mah: None until its unit is known; only differences mean anything.
        charge_counter_raw: the integer as sent.
        temperature_c: battery temperature.
        status: lower-case word of the platform's charge status.
        health: lower-case word of the platform's battery health.
        plugged: True while any supply is attached.
        trusted: False while the platform's values are simulated or frozen.
        fresh: False when voltage, current, counter and temperature all repeat the last reading.
        source: names of the block's battery sources, joined by `+`.
    """

    phone: str
    boot_id: str
    seq: int
    host_utc: datetime
    host_s: float
    boot_s: float
    phone_utc: datetime | None = None
    awake_s: float | None = None
    level_pct: Float32 | None = None
    voltage_mv: Float32 | None = None
    current_ma: Float32 | None = None
    current_raw: int | None = None
    charge_counter_mah: float | None = None
    charge_counter_raw: int | None = None
    temperature_c: Float32 | None = None
    status: Word | None = None
    health: Word | None = None
    plugged: bool | None = None
    trusted: bool = True
    fresh: bool = True
    source: Word = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ContextChange:
    """One change of something around the battery (table `context`), in long form.

    Attributes:
        phone: the user's label.
        host_utc: the computer's wall clock when the change was seen.
        boot_s: the phone's clock since boot then.
        name: what changed: `screen`, `foreground`, `brightness`, `thermal_status`, ...
        value: the new value as text.
    """

    phone: str
    host_utc: datetime
    boot_s: float
    name: Word
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RailEnergy:
    """One reading of one power rail (table `rails`).

    Attributes:
        phone: the user's label.
        boot_s: the phone's clock since boot.
        rail: the rail's name as printed.
        energy_mwh: cumulative since boot.
    """

    phone: str
    boot_s: float
    rail: Word
    energy_mwh: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueEnergy:
    """What was really taken out of a virtual phone's cell (table `truth`; never of a real phone).

    Attributes:
        phone: the user's label.
        boot_s: the phone's clock since boot.
        energy_mwh: cumulative; between two rows the power is constant.
    """

    phone: str
    boot_s: float
    energy_mwh: float


TableRow = Reading | ContextChange | RailEnergy | TrueEnergy
TABLES: dict[str, type[TableRow]] = {
    "readings": Reading,
    "context": ContextChange,
    "rails": RailEnergy,
    "truth": TrueEnergy,
}


def arrow_schema(row: type[TableRow], metadata: dict[str, str] | None = None) -> "pa.Schema":
    """The Arrow schema of a table, with the schema version and `metadata` in its metadata."""
    import pyarrow as pa  # noqa: PLC0415 - the command line must start without it

    hints = typing.get_type_hints(row, include_extras=True)
    columns = [_arrow_field(field.name, hints[field.name]) for field in fields(row)]
    return pa.schema(columns, {"schema_version": str(SCHEMA_VERSION), **(metadata or {})})


def _arrow_field(name: str, hint: Any) -> "pa.Field":
    import pyarrow as pa  # noqa: PLC0415

    nullable = isinstance(hint, UnionType) or typing.get_origin(hint) is typing.Union
    plain = next(a for a in typing.get_args(hint) if a is not type(None)) if nullable else hint
    types = {
        Float32: pa.float32(),
        Word: pa.dictionary(pa.int32(), pa.string()),
        datetime: pa.timestamp("us", tz="UTC"),
        str: pa.string(),
        float: pa.float64(),
        int: pa.int64(),
        bool: pa.bool_(),
    }
    return pa.field(name, types[plain], nullable=nullable)
