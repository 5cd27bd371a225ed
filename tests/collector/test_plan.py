"""Plans: the shipped ones are what they say, and each mistake gets one clear sentence."""

import importlib
import re
import zipfile
from itertools import islice
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

import rundown
from collector.errors import PlanError
from collector.planning.file import parse_plan, read_plan, shipped_plans
from collector.planning.plan import Plan, round_of, turns
from collector.planning.toml_lines import TomlLines

runner = CliRunner()

GOOD = """\
title = "Monday"
phones = ["alder-1", "birch-1"]
ambient_c = [18, 25]

[require]
brightness = 120

[limits]
stop_c = 55

[[segment]]
name = "voice call"
duration_min = 10
screen = "off"

[[segment.drive]]
action = "call"
number = "+49 30 1234567"
max_s = 600

[[segment]]
name = "reading"
duration_min = 5
repeat = 2
rest_min = 1
app = "org.example.reader"

[[segment.drive]]
action = "swipe"
from = [0.5, 0.8]
to = [0.5, 0.2]
every_s = 20
"""


def test_a_good_plan_is_read() -> None:
    plan = parse_plan(GOOD)
    assert [slot.segment.name for slot in turns(plan)] == ["voice call", "reading", "reading"]
    assert sum(slot.takes_s for slot in turns(plan)) == 600 + 2 * 360
    assert plan.all_apps == ("org.example.reader",)
    assert plan.unattended_work == ("voice call", "reading")


MISTAKES = [
    ("not TOML", 'title = "Monday"', 'title = "Monday', r"not TOML: .*line 1"),
    ("no title", 'title = "Monday"\n', "", r"line 1: 'title' is missing"),
    ("title no text", '"Monday"', "5", r"line 1: 'title' must be text in quotes, not 5"),
    ("unknown key", "ambient_c", "ambiant_c", r"line 3: 'ambiant_c' .* mean 'ambient_c'\?"),
    ("ambient order", "[18, 25]", "[25, 18]", r"line 3: 'ambient_c' is the coldest and the"),
    ("ambient text", "[18, 25]", '[18, "25"]', r"line 3: 'ambient_c' must be a number, not the"),
    ("ambient range", "[18, 25]", "[18, 99]", r"line 3: 'ambient_c' must be at most 60, not 99"),
    ("bad label", '"birch-1"', '"Birch 1"', r"line 2: 'phones': label 'Birch 1': use 1 to 40"),
    ("label twice", '"birch-1"', '"alder-1"', r"line 2: 'phones': 'alder-1' is named twice"),
    (
        "bad brightness",
        "120",
        "-1",
        r"line 6: \[require\] 'brightness' must be at least 0, not -1",
    ),
    ("brightness bool", "120", "true", r"line 6: .*'brightness' must be a whole number, not true"),
    ("unknown rule", "brightness", "britness", r"line 6: .*'britness' .* mean 'brightness'\?"),
    ("limits order", "stop_c = 55", "stop_c = 49", r"line 8: .*must rise in this order"),
    ("no name", 'name = "voice call"\n', "", r"line 11: segment 1: 'name' is missing"),
    ("name control", '"voice call"', '"voice\\u001bcall"', r"line 12: .*cannot name a segment"),
    ("no duration", "duration_min = 10\n", "", r"segment 1 'voice call' needs 'duration_min'"),
    (
        "duration 0",
        "= 10\n",
        "= 0\n",
        r"line 13: segment 1 .*'duration_min' must be above 0, not 0",
    ),
    ("duration text", "= 10\n", '= "10"\n', r"line 13: .*must be a number, not the text '10'"),
    (
        "duration key",
        "duration_min = 10",
        "duration_mim = 10",
        r"line 13: .*mean 'duration_min'\?",
    ),
    ("screen", '"off"', '"of"', r"line 14: .*'screen' must be 'on', 'off' or 'any', not 'of'"),
    ("repeat 0", "repeat = 2", "repeat = 0", r"line 24: segment 2 'reading': 'repeat' must be at"),
    ("repeat half", "repeat = 2", "repeat = 1.5", r"line 24: .*must be a whole number, not 1.5"),
    ("no package", "org.example.reader", "reader; rm", r"line 26: .*is no package like"),
    ("no action", 'action = "call"\n', "", r"line 16: .*action 1: an action needs 'action'"),
    ("what action", '"call"', '"ring"', r"line 16: .*'action' must be one of .*not 'ring'"),
    ("emergency", "+49 30 1234567", "1-1-2", r"line 18: .*'1-1-2' is not called: .*emergency"),
    ("long call", "max_s = 600", "max_s = 900", r"line 11: segment 1 .*may last longer than"),
    ("off screen", "[0.5, 0.8]", "[0.5, 800]", r"line 30: .*'from' must be at most 1, not 800"),
    ("no interval", "every_s = 20\n", "", r"line 28: .*action 1: 'every_s' is missing"),
    ("too long", "duration_min = 5\nrepeat = 2", "duration_min = 99\nrepeat = 999", r"200 hours"),
]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [case[1:] for case in MISTAKES],
    ids=[case[0] for case in MISTAKES],
)
def test_each_mistake_gets_one_sentence(old: str, new: str, said: str) -> None:
    assert GOOD.count(old) >= 1
    with pytest.raises(PlanError) as caught:
        parse_plan(GOOD.replace(old, new, 1))
    assert len(caught.value.problems) == 1, caught.value.problems
    assert re.search(said, caught.value.problems[0]), caught.value.problems[0]
    assert re.search(r"line \d+", caught.value.problems[0])


def test_several_mistakes_are_told_in_the_order_of_lines() -> None:
    with pytest.raises(PlanError) as caught:
        parse_plan(GOOD.replace("120", "-1").replace("repeat = 2", "repeat = 0"))
    lines = [int(re.findall(r"line (\d+)", p)[0]) for p in caught.value.problems]
    assert lines == [6, 24]


def test_files_that_are_no_plans(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="no shipped plan \\(courier-shift, europe"):
        read_plan(str(tmp_path / "nowhere.toml"))
    odd = tmp_path / "odd.toml"
    odd.write_bytes(b'title = "x"\n# \xff\n')
    with pytest.raises(PlanError, match="line 2: not UTF-8"):
        read_plan(str(odd))
    odd.write_bytes(b"#" * 2_000_000)
    with pytest.raises(PlanError, match="too large"):
        read_plan(str(odd))


def test_lines_are_found_past_headers_comments_and_long_strings() -> None:
    text = 'a = """\n[[x]]\nb = 1\n"""\n[[x]]\n# c = 1\n  c = 2 # y\n'
    text += '[[x.y]]\n"d" = 1\n[[x]]\nc.e = 3\n'
    lines = TomlLines(text)
    assert lines.line_of(("x", 0, "c")) == 7
    assert lines.line_of(("x", 0, "y", 0, "d")) == 9
    assert lines.line_of(("x", 1, "c", "e")) == 11
    assert lines.line_of(("x", 1, "missing")) == 10
    assert lines.line_of(("b",)) == 1


@pytest.fixture
def endurance() -> Plan:
    return read_plan("europe-endurance").plan


@pytest.mark.reference(
    source="Delegated Regulation (EU) 2023/1669",
    locator="Annex IV, 1.2.1, as quoted by product-compliance-services.eu",
)
def test_the_european_sequence(endurance: Plan) -> None:
    minutes = [(s.name, s.duration_min) for s in endurance.segments]
    assert [m for _, m in minutes] == [4, 30, 9, 30, 4, 1, 30, 8, 30, 4]
    assert sum(m or 0 for _, m in minutes) == 150
    assert sum(m or 0 for name, m in minutes if name == "idle") == 120
    assert endurance.until_off
    assert [s.segment.name for s in islice(turns(endurance), 9, 11)] == ["video playback", "call"]
    assert "Not verified" in endurance.about
    assert endurance.require.luminance_cd_m2 is None, "not to be stated as law"


@pytest.mark.reference(source="GSMA TS.09 v10.1", locator="sections 18.3.2, 18.4.2, 6.1, 8.1-8.3")
def test_the_operators_lengths() -> None:
    plan = read_plan("operator-current").plan
    lengths = {s.name: s.duration_min for s in plan.segments}
    assert lengths["settling"] == 3
    assert lengths["idle"] == 30
    assert lengths["voice call"] == 10
    assert {lengths[name] for name in ("music", "video", "browsing")} == {5}
    assert {s.lead_s for s in plan.segments if s.duration_min == 10 and s.lead_s} == {30}
    assert plan.ambient_c == [18.0, 25.0]


def test_the_other_shipped_plans() -> None:
    assert list(shipped_plans()) == [
        "courier-shift",
        "europe-endurance",
        "operator-current",
        "quick-look",
    ]
    assert sum(slot.takes_s for slot in round_of(read_plan("quick-look").plan)) == 30 * 60
    assert read_plan("courier-shift").plan.segments[-1].duration_min is None


def test_the_commands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    made = runner.invoke(rundown.app, ["plan", "new", "mine.toml", "--like", "courier-shift"])
    assert made.exit_code == 0, made.output
    again = runner.invoke(rundown.app, ["plan", "new", "mine.toml"])
    assert (again.exit_code, "exists already" in again.output) == (2, True)
    good = runner.invoke(rundown.app, ["plan", "validate", "mine.toml"])
    assert (good.exit_code, good.stdout) == (0, "mine.toml: good, 7 segments, 5:10 h\n")
    shown = runner.invoke(rundown.app, ["plan", "show", "mine.toml"])
    assert "total 5:10 h, then on until every phone is off" in shown.stdout
    as_json = runner.invoke(rundown.app, ["plan", "show", "europe-endurance", "--json"])
    assert '"total_s": 9000.0' in as_json.stdout
    assert "quick-look" in runner.invoke(rundown.app, ["plan", "show"]).stdout
    Path("mine.toml").write_text(GOOD.replace("= 10\n", "= 0\n").replace("120", "-1"))
    bad = runner.invoke(rundown.app, ["plan", "validate", "mine.toml"])
    assert bad.exit_code == 2
    assert bad.stderr.count("rundown: mine.toml: line") == 2


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_the_wheel_ships_the_plans(tmp_path: Path) -> None:
    build = importlib.import_module("hatchling.builders.wheel")
    root = Path(__file__).parents[2]
    wheel = next(build.WheelBuilder(str(root)).build(directory=str(tmp_path)))
    names = zipfile.ZipFile(wheel).namelist()
    assert {f"collector/plans/{name}.toml" for name in shipped_plans()} <= set(names)
    assert "collector/onphone/drive.sh" in names


VALUES = st.recursive(
    st.none().map(lambda _: '""')
    | st.integers(-5, 500).map(str)
    | st.booleans().map(lambda b: str(b).lower())
    | st.sampled_from(
        ['"on"', '"a.b"', "1.5", "nan", "inf", "1979-05-27", '"\\u202e"', "[]", "{}"]
    ),
    lambda inner: st.lists(inner, max_size=3).map(lambda xs: f"[{', '.join(xs)}]"),
    max_leaves=4,
)
KEYS = st.sampled_from(
    ["title", "phones", "ambient_c", "rounds", "name", "duration_min", "app", "drive", "action",
     "from", "number", "every_s", "stop_c", "brightness", "segment", "require", "odd", "screen"]
)  # fmt: skip
HEADS = st.sampled_from(
    ["", "[require]", "[limits]", "[[segment]]", "[[segment.drive]]", "[segment]", "[x.y]"]
)


@settings(max_examples=300, deadline=None)
@given(tables=st.lists(st.tuples(HEADS, st.dictionaries(KEYS, VALUES, max_size=5)), max_size=5))
def test_whatever_is_written_gets_sentences(tables: list[tuple[str, dict[str, str]]]) -> None:
    text = "\n".join(
        "\n".join([head, *(f"{key} = {value}" for key, value in pairs.items())])
        for head, pairs in tables
    )
    try:
        parse_plan(text)
    except PlanError as exc:
        for problem in exc.problems:
            assert re.search(r"line \d+|end of document", problem), problem
            assert problem.isprintable()
