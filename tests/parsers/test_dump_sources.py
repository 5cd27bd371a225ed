"""What holds for every dump parser, whatever the text."""

import dataclasses
import itertools
import json
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as limits
from hypothesis import strategies as st

from parsers import sources
from parsers.errors import NotThisDumpError, ParserError, SourceRefusedError
from parsers.sources import health, power_supply
from parsers.text import decode, lines_of

SOURCES: dict[str, Any] = {
    source.__name__.rpartition(".")[2]: source for source in sources.SOURCES
}
DUMPS = Path(__file__).parents[2] / "fixtures" / "dumps"
TEXTS = {
    f"{name}/{path.stem}": (module, decode(path.read_bytes()))
    for name, module in SOURCES.items()
    for path in sorted((DUMPS / name).glob("*.txt"))
    if "error" not in json.loads(path.with_suffix(".expected.json").read_text())
}
PRIVATE = re.compile(r"private|02:00:5e|192\.0\.2|\+00555|123450987|54321", re.IGNORECASE)
each_source = pytest.mark.parametrize("module", SOURCES.values(), ids=list(SOURCES))
whole_dumps = st.sampled_from([pair for pair in TEXTS.values() if pair[1].count("\n") > 1])


def numbers(row: Any) -> dict[str, float]:
    """The row's own numbers, without those in lists."""
    values = {f.name: getattr(row, f.name) for f in dataclasses.fields(row)}
    return {n: v for n, v in values.items() if type(v) in (int, float)}


def outcome(module: ModuleType, text: str) -> Any:
    """What the parser makes of the text; None for an error of ours, any other gets through."""
    try:
        return module.parse(text)
    except ParserError:
        return None


@pytest.mark.parametrize("name", SOURCES)
def test_every_source_has_fixtures(name: str) -> None:
    assert [key for key in TEXTS if key.startswith(f"{name}/")]


def test_private_strings_never_reach_a_row() -> None:
    planted = {key for key, (_, text) in TEXTS.items() if PRIVATE.search(text)}
    sources = {key.partition("/")[0] for key in planted}
    assert sources >= {"battery_checkin", "battery_stats", "display", "foreground", "health"}
    assert sources >= {"identity", "idle", "power", "settings", "telephony", "wifi"}
    for key in planted:
        module, text = TEXTS[key]
        assert not PRIVATE.search(repr(module.parse(text).rows)), key


@each_source
@pytest.mark.parametrize("text", ["", "\n \r\n", "\ufeff", "* daemon started successfully\n"])
def test_an_empty_answer_is_a_refusal(module: ModuleType, text: str) -> None:
    with pytest.raises(SourceRefusedError) as caught:
        module.parse(text)
    assert caught.value.kind == module.KIND


@each_source
@pytest.mark.parametrize(
    "answer",
    [
        "Can't find service: example",
        "Permission Denial: can't dump example from pid=4021, uid=2000",
        "Error dumping service info: (Unknown error -2147483647) example",
        "cat: /sys/example: Permission denied",
        "/system/bin/sh: lshal: inaccessible or not found",
        "cat: /sys/example: No such file or directory",
    ],
)
@pytest.mark.parametrize("end", ["\r\n", ""])
def test_a_refusal_is_told_in_the_phones_words(module: ModuleType, answer: str, end: str) -> None:
    with pytest.raises(SourceRefusedError) as caught:
        module.parse(f"* daemon not running; starting now at tcp:5037\n{answer}{end}")
    assert caught.value.answer == answer
    assert caught.value.kind == module.KIND


@each_source
def test_another_text_is_not_this_dump(module: ModuleType) -> None:
    with pytest.raises(NotThisDumpError) as caught:
        module.parse("Dear reader,\nthis is a letter.\n")
    assert caught.value.kind == module.KIND


def test_no_source_takes_the_dump_of_another() -> None:
    for key, (_, text) in TEXTS.items():
        takers = [name for name, module in SOURCES.items() if module.looks_like(lines_of(text))]
        assert takers == [key.partition("/")[0]], key


@each_source
@limits(deadline=None)
@given(data=st.data())
def test_nothing_but_our_errors_leaves(module: ModuleType, data: st.DataObject) -> None:
    own = [line for mod, text in TEXTS.values() if mod is module for line in text.split("\n")]
    lines_of_own = st.sampled_from(own)
    line = st.one_of(lines_of_own, st.text(max_size=60), lines_of_own.flatmap(_bent))
    text = "\n".join(data.draw(st.lists(line, max_size=25)))
    parsed = outcome(module, text)
    if parsed is None:
        return
    lines = dict(lines_of(text))
    assert all(lines[unread.line] == unread.text for unread in parsed.unread)
    assert [u.line for u in parsed.unread] == sorted({u.line for u in parsed.unread})


def _bent(line: str) -> st.SearchStrategy[str]:
    """The line with its first number replaced, or cut anywhere."""
    number = st.integers(-(2**70), 2**70).map(lambda n: re.sub(r"-?\d+", str(n), line, count=1))
    return st.one_of(number, st.integers(0, len(line)).map(lambda n: line[:n]))


@limits(deadline=None)
@given(dump=whole_dumps, data=st.data())
def test_an_unknown_line_anywhere_changes_no_value(
    dump: tuple[ModuleType, str], data: st.DataObject
) -> None:
    module, text = dump
    lines = text.split("\n")
    at = data.draw(st.integers(0, len(lines) - 1))
    parsed = module.parse("\n".join([*lines[:at], "vendor remark 7", *lines[at:]]))
    assert parsed.rows == module.parse(text).rows
    assert {u.text for u in module.parse(text).unread} <= {u.text for u in parsed.unread}


def supply_alone(text: str, name: str) -> str:
    """From the line of its name to that of the next one."""
    supplies = re.split("(?=POWER_SUPPLY_NAME=)", text)
    return next(each for each in supplies if each.startswith(f"POWER_SUPPLY_NAME={name}\n"))


@limits(deadline=None)
@given(dump=whole_dumps.filter(lambda pair: pair[0] is not health), data=st.data())
def test_a_cut_dump_gives_no_cut_number(dump: tuple[ModuleType, str], data: st.DataObject) -> None:
    module, text = dump
    begin = text[: data.draw(st.integers(0, len(text)))]
    cut = outcome(module, begin)
    if cut is None or len(cut.rows) != 1:
        return
    part, whole = cut.rows[0], module.parse(text).rows[0]
    if module is power_supply and part.name not in (None, whole.name):
        whole = module.parse(supply_alone(text, part.name)).rows[0]  # the better one was cut off
    assert all(numbers(whole).get(name) == number for name, number in numbers(part).items())
    for name in ("history", "steps", "power_use", "rails"):
        items = getattr(part, name, ())
        assert items == getattr(whole, name, ())[: len(items)]


@pytest.mark.parametrize("key", TEXTS)
def test_line_ends_do_not_matter(key: str) -> None:
    module, text = TEXTS[key]
    bare = text.replace("\r\n", "\n")
    assert module.parse(bare.replace("\n", "\r\n")) == module.parse(bare)


def n_calls(module: ModuleType, text: str) -> int:
    """Python calls and builtin calls while parsing."""
    calls = itertools.count()
    sys.setprofile(lambda _frame, event, _arg: next(calls) if event.endswith("call") else None)
    try:
        module.parse(text)
    finally:
        sys.setprofile(None)
    return next(calls)


@pytest.mark.parametrize("name", SOURCES)
def test_twice_the_text_is_twice_the_work(name: str) -> None:
    module = SOURCES[name]
    own = "".join(text for mod, text in TEXTS.values() if mod is module and text[-1:] == "\n")
    module.parse(own)  # some remember lines that they have seen
    once, twice, four_times = (n_calls(module, own * n) for n in (4, 8, 16))
    assert (four_times - twice) / (twice - once) < 2.1


HOSTILE = (
    *("a", " ", "0", "=", "(", "[", "{", ": ", ", ", ",", "-", "_", "\t", '"'),
    *("ActivityRecord{1 u0 a.b/", "org.", ", BSSID: ", "x: ", "1d", "Window{", "= ", "CH0("),
)


@each_source
def test_long_hostile_lines_do_not_hang(module: ModuleType) -> None:
    own = {line for mod, text in TEXTS.values() if mod is module for line in text.split("\n")}
    starts = sorted({re.sub(r"(?<=[=:{]).*", "", line)[:60] for line in own})
    headers = "".join(f"{start}\n" for start in starts if start.endswith(":"))
    for start, piece in itertools.product(starts, HOSTILE):
        outcome(module, f"{headers}{start}{piece * (20_000 // len(piece))}\n")
