"""Every key a parser knows, and every trap we have heard of, is in a dump."""

import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import pytest

from parsers import words
from parsers.sources import (
    battery_checkin,
    battery_history,
    battery_stats,
    display,
    foreground,
    health,
    identity,
    idle,
    power,
    power_supply,
    settings,
    telephony,
    thermal,
    wifi,
)
from parsers.sources.battery_service_rules import SECTIONS
from parsers.text import decode

DUMPS = Path(__file__).parents[2] / "fixtures" / "dumps"
ROW = re.compile(r"\| (?:`(?P<text>.+)`)? *\| (?P<about>.+) \| (?P<source>.+) \| (?P<dumps>.+) \|")
ESCAPED = {r"\r": "\r", r"\n": "\n", r"\ufeff": "\ufeff", r"\x1b": "\x1b"}
HEADS = ("| text |", "|---|")
TABLE = [
    line
    for line in (DUMPS / "COVERAGE.md").read_text("utf-8").splitlines()
    if line.startswith("|") and not line.startswith(HEADS)
]
KEYS: dict[str, Iterable[str]] = {
    "battery_service": [
        *(key for rules in SECTIONS.values() for key in rules),
        *SECTIONS,
        *(f"health: {code}" for code in words.HEALTH),
        *(f"status: {code}" for code in words.STATUS),
    ],
    "power_supply": [
        *(f"POWER_SUPPLY_{key}=" for key in power_supply.RULES),
        *(f"{key}={word}" for key, rule in power_supply.RULES.items() for word in rule.whole),
    ],
    "health": health.FIELDS,
    "battery_stats": [f"{key}:" for key in battery_stats.LINES],
    "battery_checkin": [
        *(f",{tag}," for tag in battery_checkin._TABLES),
        *(f"{item}=" for item in battery_history._NUMBERS),
        *(f"{key}={code}" for key, (_, codes) in battery_history._CODES.items() for code in codes),
        *(f"{sign}{flag}" for flag in (*battery_history._FLAGS, "S", "Sd") for sign in "+-"),
    ],
    "thermal": [
        *thermal.IGNORED,
        *(f"mType={number}," for number in range(-1, 20)),
        *(f"mStatus={number}" for number in range(7)),
    ],
    "display": [*display._IGNORED, *(f"={word.upper()}" for word in words.SCREEN)],
    "power": [
        *power._KEYS,
        *(f"mWakefulness={word.capitalize()}" for word in words.WAKEFULNESS.values()),
        *(f"mPlugType={code}" for code in words.PLUG),
    ],
    "foreground": foreground.SPELLINGS,
    "idle": [f"{key}={word}" for key, states in idle.WORDS.items() for word in states],
    "telephony": [
        *telephony._KEYS,
        *(f"mCallState={code}" for code in words.CALL),
        *(f"mDataConnectionState={code}" for code in range(4)),
    ],
    "wifi": wifi._KEYS,
    "identity": identity.FIELDS,
    "settings": [f"{name}=" for name in settings.NAMES],
}


@cache
def text_of(name: str) -> str:
    return (DUMPS / f"{name}.txt").read_bytes().decode("utf-8", errors="replace")


@pytest.mark.parametrize("line", TABLE)
def test_the_dumps_named_hold_the_text(line: str) -> None:
    row = ROW.fullmatch(line)
    assert row is not None
    text = row["text"] or ""
    for escaped, plain in ESCAPED.items():
        text = text.replace(escaped, plain)
    for name in row["dumps"].split(", "):
        assert text in text_of(name), name


def test_every_dump_is_there_for_something() -> None:
    named = {name for line in TABLE for name in line.strip("| ").split(" | ")[-1].split(", ")}
    assert named == {f"{path.parent.name}/{path.stem}" for path in DUMPS.glob("*/*.txt")}


@pytest.mark.parametrize("source", KEYS)
def test_every_key_is_in_a_dump(source: str) -> None:
    texts = "\n".join(decode(path.read_bytes()) for path in (DUMPS / source).glob("*.txt"))
    assert [key for key in KEYS[source] if key not in texts] == []
