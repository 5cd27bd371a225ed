"""What holds for every text: only our errors, every line accounted for, no value from a cut."""

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.errors import ParserError
from parsers.recognise import as_json, recognise
from parsers.sources import (
    Source,
    battery_get,
    battery_property,
    battery_service,
    power_supply,
)
from parsers.text import decode

DUMPS = Path(__file__).parents[2] / "fixtures" / "dumps"
BATTERY_SOURCES: tuple[Source, ...] = (
    battery_service,
    power_supply,
    battery_property,
    battery_get,
)
STRANGE = "quux 17 of 23"
"""In no dump, with no key, no stamp."""


def source_json(source: Source, text: str) -> dict[str, Any]:
    return as_json(source, source.parse(text))


def read(source: Source, text: str) -> dict[str, Any] | None:
    try:
        return source_json(source, text)
    except ParserError:
        return None


def dumps_of(*sources: str) -> list[Path]:
    """Those that are read, not refused."""
    return [
        case
        for source in sources
        for case in sorted((DUMPS / source).glob("*.txt"))
        if "error" not in json.loads(case.with_suffix(".expected.json").read_text())
    ]


def name_of(case: Path) -> str:
    return f"{case.parent.name}/{case.stem}"


def source_of(case: Path) -> Source:
    return next(s for s in BATTERY_SOURCES if s.__name__.endswith(f".{case.parent.name}"))


PIECES = sorted(
    {
        line
        for case in dumps_of(*(s.__name__.rpartition(".")[2] for s in BATTERY_SOURCES))
        for line in decode(case.read_bytes()).split("\n")
    }
)
anything = st.one_of(
    st.text(max_size=200),
    st.lists(st.one_of(st.sampled_from(PIECES), st.text(max_size=30)), max_size=30).map("\n".join),
)


@given(anything)
@settings(deadline=None, max_examples=400)
def test_any_text_gives_a_row_or_our_error(text: str) -> None:
    lines = text.removeprefix("\ufeff").split("\n")
    for source in BATTERY_SOURCES:
        found = read(source, text)
        if found is None:
            continue
        numbers = [unread["line"] for unread in found["unread"]]
        assert numbers == sorted(set(numbers))
        for unread in found["unread"]:
            assert lines[unread["line"] - 1].rstrip("\r") == unread["text"]


@given(anything)
@settings(deadline=None, max_examples=100)
def test_recognising_gives_a_source_or_our_error(text: str) -> None:
    try:
        source = recognise(text)
    except ParserError:
        return
    assert source.KIND


@pytest.mark.parametrize(
    "case", dumps_of("battery_service", "power_supply", "battery_property"), ids=name_of
)
def test_a_strange_line_anywhere_is_unread_and_changes_nothing(case: Path) -> None:
    source, text = source_of(case), decode(case.read_bytes())
    whole = source_json(source, text)
    lines = text.split("\n")
    for position in range(len(lines)):
        if position == 0 and source is battery_property:
            continue
        changed = source_json(source, "\n".join([*lines[:position], STRANGE, *lines[position:]]))
        assert changed["values"] == whole["values"]
        assert [unread["text"] for unread in changed["unread"]].count(STRANGE) == 1
        assert len(changed["unread"]) == len(whole["unread"]) + 1


ONE_SUPPLY = [
    DUMPS / "power_supply" / f"{stem}.txt"
    for stem in ("documented", "charging", "devtype_first", "placeholders", "crlf_bom")
]


@pytest.mark.parametrize(
    "case", [*dumps_of("battery_service", "battery_property"), *ONE_SUPPLY], ids=name_of
)
def test_a_cut_dump_lacks_values_but_has_no_wrong_one(case: Path) -> None:
    source, text = source_of(case), decode(case.read_bytes())
    whole = source_json(source, text)
    for end in range(len(text)):
        part = read(source, text[:end])
        if part is None:
            continue
        for name, value in part["values"].items():
            assert value is None or value == whole["values"].get(name), (name, text[:end][-40:])


def test_a_second_value_of_a_bare_reply_is_unread() -> None:
    found = source_json(battery_get, "47\n48\n")
    assert found["values"] == {"value": 47}
    assert found["unread"] == [{"line": 2, "text": "48"}]


@pytest.mark.parametrize(
    "source", BATTERY_SOURCES, ids=lambda source: source.__name__.rpartition(".")[2]
)
@pytest.mark.parametrize("piece", [" ", ":", "=", "'", "00000000 ", "POWER_SUPPLY_", "[", "9"])
def test_a_line_of_megabytes_does_no_harm(source: Source, piece: str) -> None:
    heads = (
        "Current Battery Service state:\n",
        "POWER_SUPPLY_NAME=battery\n",
        "Result: Parcel(\n",
    )
    for head in heads:
        read(source, head + piece * (1_000_000 // len(piece)) + "\n")


@pytest.mark.parametrize("case", dumps_of("battery_service"), ids=name_of)
def test_a_battery_row_is_what_its_constructor_would_make(case: Path) -> None:
    row = battery_service.parse(decode(case.read_bytes())).rows[0]
    assert battery_service.BatteryServiceRow(**vars(row)) == row
    with pytest.raises(dataclasses.FrozenInstanceError):
        row.level_pct = 5.0  # type: ignore[misc]  # that is the point
