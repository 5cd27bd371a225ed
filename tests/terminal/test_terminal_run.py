"""A whole test at a real terminal: unfair phones, a slip, a killed recorder, and what is left."""

import os
import re
import signal
from collections.abc import Callable
from typing import Any

import pytest
from rich.cells import cell_len

from collector.virtual.loads import GAME

PLAN = """
title = "Which phone for the couriers?"
[require]
level_min_pct = 90
always_on_display = false
[[segment]]
name = "navigation"
duration_min = 10
app = "org.example.wayfinder"
screen = "on"
do = "Guidance on the prepared route; all phones in the rack, glass up."
[[segment]]
name = "parcel scanning"
duration_min = 5
app = "com.example.courier"
screen = "on"
who = "Ada"
do = "Scan the practice sheet, one code every five seconds on each phone."
"""
WAYFINDER = "org.example.wayfinder"
BRIGHTNESS = ("system", "screen_brightness_mode")
SAVER = ("global", "low_power")
REFRESH = ("system", "peak_refresh_rate")
ALWAYS_ON = ("secure", "doze_always_on")
COLOUR = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-7]|9[0-7])(?:;\d+)*m")
TREES = ("alder", "birch", "cedar", "dogwood")
GIVEN = "--ambient-c 22 " + " ".join(f"--luminance {tree}-1=200" for tree in TREES)
KEYS = "n next   t tag   e end   o note   u undo   q stop"
ONE_LINE = "one code every five seconds on each phone."

# The fixtures' classes live in conftest.py, which cannot be imported.
Terminal = Any
Table = Any
OpenTerminal = Callable[[int, int], Terminal]


def write_plan(table: Table) -> None:
    """A plan that four fair phones fulfil."""
    (table.folder / "bench.toml").write_text(PLAN)
    for phone in table.phones.values():
        phone.handset.settings[ALWAYS_ON] = "0"


def plant(table: Table) -> None:
    """Five things that make the comparison unfair; adb can set three of them."""
    write_plan(table)
    table.phones["alder-1"].handset.settings[BRIGHTNESS] = "1"
    table.phones["birch-1"].handset.settings[SAVER] = "1"
    table.phones["cedar-1"].handset.settings[REFRESH] = "120.0"
    table.phones["cedar-1"].handset.plug(True)
    table.phones["dogwood-1"].hands.packages[WAYFINDER] = "4.1.9"


def wrong_items(text: str) -> set[str]:
    """What a check marks with an exclamation mark, wrapped names joined."""
    text = text.split("look yourself", maxsplit=1)[0]
    columns = [(line[:2], line[2:24].strip()) for line in text.splitlines()]
    found: list[str] = []
    for mark, name in columns:
        if mark == "! ":
            found.append(name)
        elif found and mark == "  " and name:
            found[-1] += f" {name}"
    return set(found)


def check_screen(lines: list[str], width: int, height: int, keys: str) -> None:
    """Everything is on it, whole: phones, segment, time left, what is next, and the keys."""
    assert len(lines) == height
    assert max(cell_len(line) for line in lines) <= width
    begin = next(n for n, line in enumerate(lines) if line.startswith("recording  "))
    view = [line for line in lines[begin:] if line.strip()]
    assert "4 of 4 phones" in view[0]
    titles = [line[:9].strip() for line in view]
    assert [t for t in titles if t in ("fair", "now", "do", "next")] == [
        "fair",
        "now",
        "do",
        "next",
    ]
    table = next(n for n, line in enumerate(view) if line.startswith("phone "))
    for title in ("level", "seg. mWh", "all mWh", "mW now", "°C", "rise", "last"):
        assert title in view[table]
    rows = view[table + 1 : table + 5]
    assert [row.split()[0] for row in rows] == [f"{tree}-1" for tree in TREES]
    for row in rows:
        assert re.search(r"100 % .* \d\d\.\d  +[+-]\d\.\d  +\d+ s  [a-z]", row), row
    text = " ".join(" ".join(view).split())
    assert re.search(r"now navigation 0:09:\d\d left ", text)
    assert "do Guidance on the prepared route; all phones in the rack, glass up." in text
    assert "next parcel scanning, 5 min Ada: Scan the practice sheet, one code every five" in text
    assert "five seconds on each phone." in text
    assert "…" not in text, "nothing is cut"
    assert view[-1].strip() == keys


def check_and_fix(table: Table, terminal: Terminal) -> None:
    """The check finds the five and nothing else; adb repairs three, hands the others."""
    unfixable = {"cable", f"version of {WAYFINDER}"}
    code, text = terminal.finish(f"rundown check bench.toml {GIVEN}")
    assert (code, "not fair yet: 5 wrong" in text) == (1, True)
    assert wrong_items(text) == {
        "automatic brightness", "battery saver", "refresh rate", *unfixable,
    }  # fmt: skip
    code, text = terminal.finish(f"rundown check bench.toml --fix {GIVEN}")
    assert (code, "not fair yet: 2 wrong" in text) == (1, True)
    assert wrong_items(text) == unfixable
    assert re.findall("^set: (.*)$", text, re.MULTILINE) == [
        "alder-1: automatic brightness set to off, was on",
        "cedar-1: refresh rate set to 60 Hz, was 120 Hz",
        "birch-1: battery saver set to off, was on",
    ]
    table.phones["cedar-1"].handset.plug(False)
    table.phones["dogwood-1"].hands.packages[WAYFINDER] = "4.2.0"


def record_and_slip(table: Table, terminal: Terminal, second: Terminal) -> None:
    """The plan is begun; a border is moved from elsewhere; a game is seen on both sizes."""
    terminal.run(f"rundown poll bench.toml --out monday {GIVEN}")
    terminal.wait_for("fair as far as adb can tell: 0 wrong", "4 of 4 phones", "n next")
    terminal.type("n")
    terminal.wait_for("'navigation' has begun", "fair nothing has slipped")
    check_screen(terminal.screen(), 80, 24, KEYS)
    table.play("birch-1", GAME)
    code, text = second.finish("rundown tag move navigation --start -2s")
    assert (code, "move the start of 'navigation' to" in text) == (0, True)
    code, text = second.finish("rundown tag begin game")
    assert (code, "segment 'navigation' is still open on all phones" in text) == (2, True)
    slip = "birch-1: org.example.tiles in front, not org.example.wayfinder"
    terminal.wait_for(f"fair {slip}", "wrong app")
    slipped = KEYS.replace("q stop", "c cut slip   q stop")
    check_screen(terminal.screen(), 80, 24, slipped)
    assert COLOUR.search("".join(terminal.screen(colours=True)))
    terminal.resize(120, 40)
    check_screen(terminal.wait_for(ONE_LINE), 120, 40, slipped)


def kill_and_put_back(table: Table, terminal: Terminal, second: Terminal) -> None:
    """The recorder is killed hard; the next command puts every setting back."""
    settings = {label: phone.handset.settings for label, phone in table.phones.items()}
    os.kill(terminal.program(), signal.SIGKILL)
    assert terminal.end()[0] == 128 + signal.SIGKILL
    assert terminal.state()[1:] == ("1", "0"), "the cursor is there, on the usual screen"
    assert settings["birch-1"][SAVER] == "0", "nobody was left to put it back"
    code, text = second.finish("rundown collect monday")
    assert code == 0, text
    assert set(re.findall("^put back: (.*)$", text, re.MULTILINE)) == {
        "alder-1: automatic brightness is on again",
        "birch-1: battery saver is on again",
        "cedar-1: refresh rate is 120 Hz again",
    }
    assert settings["alder-1"][BRIGHTNESS] == "1"
    assert settings["birch-1"][SAVER] == "1"
    assert settings["cedar-1"][REFRESH] == "120.0"


@pytest.mark.slow
@pytest.mark.timeout(150)
def test_an_unfair_test_is_put_right_slips_is_killed_and_still_counts(
    table: Table, open_terminal: OpenTerminal
) -> None:
    plant(table)
    terminal, second = open_terminal(80, 24), open_terminal(100, 30)
    check_and_fix(table, terminal)
    record_and_slip(table, terminal, second)
    kill_and_put_back(table, terminal, second)
    code, text = second.finish("rundown energy monday")
    said = " ".join(text.split())
    assert code == 1
    assert re.search(r"birch-1: navigation: .*org\.example\.tiles in front", said)
    assert "navigation: never ended; taken to the end of the recording" in said
    assert len(re.findall(r"^navigation !? +0:00:[2-5]\d  ", text, re.MULTILINE)) >= 3
    code, text = second.finish("rundown tag list --history --run monday")
    assert re.search(r"begin 'navigation' at .*\n.*move the start of 'navigation' to ", text)


@pytest.mark.slow
@pytest.mark.timeout(90)
def test_without_colour_and_without_a_screen(table: Table, open_terminal: OpenTerminal) -> None:
    write_plan(table)
    table.phones["dogwood-1"].hands.packages[WAYFINDER] = "4.1.9"
    terminal = open_terminal(120, 40)
    before = terminal.state()
    words = f"rundown poll bench.toml {GIVEN} --yes"

    terminal.run(f"NO_COLOR=1 {words} --out monday")
    terminal.wait_for("Start all the same? yes, by --yes", "n next")
    terminal.type("n")
    terminal.wait_for("'navigation' has begun")
    check_screen(terminal.screen(), 120, 40, KEYS)
    assert not COLOUR.search("".join(terminal.screen(colours=True)))
    terminal.resize(80, 24)
    terminal.wait_for("n next")
    check_screen(terminal.screen(), 80, 24, KEYS)
    terminal.type("q")
    terminal.wait_for("stop recording? y: ▏ return keeps it, esc drops it")
    terminal.type("\n")
    code, text = terminal.end()
    assert code == 0, text
    assert terminal.state() == before
    assert "now navigation" not in text, "the view is gone"
    tags = terminal.finish("rundown tag list")[1]
    assert re.search(r"^\S+ +\d\d:\d\d:\d\d  all +navigation", tags, re.MULTILINE), "it has ended"

    terminal.run(f"TERM=dumb {words} --out tuesday")
    terminal.wait_for("keys: n next, t tag, e end, o note, u undo, q stop")
    terminal.type("tmusic\n")
    terminal.wait_for("segment: type it, return keeps it", "'music' has begun")
    terminal.wait_for("music alder-1 100 % recording", but="now ")
    terminal.press("C-c")
    code, text = terminal.end()
    assert "stopping; everything read so far is kept" in text
    assert terminal.state() == before
