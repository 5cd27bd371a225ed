"""Every dump in the fixtures is read as the file beside it says."""

import json
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from parsers.errors import ParserError, UnknownDumpError
from parsers.outcome import Parsed
from parsers.recognise import as_json, recognise, values
from parsers.sources import SOURCES, Source, battery_get, battery_service
from parsers.text import decode

DUMPS = Path(__file__).parents[2] / "fixtures" / "dumps"
CASES = sorted(DUMPS.glob("*/*.txt"))
REGISTERED = {source.__name__.rpartition(".")[2] for source in SOURCES}
RECOGNISABLE = [
    case
    for case in CASES
    if case.parent.name in REGISTERED
    and "error" not in json.loads(case.with_suffix(".expected.json").read_text())
]


def name_of(case: Path) -> str:
    return f"{case.parent.name}/{case.stem}"


def source_of(case: Path) -> Source:
    module: Any = import_module(f"parsers.sources.{case.parent.name}")
    source: Source = module
    return source


def what_is_read(case: Path) -> dict[str, Any]:
    source = source_of(case)
    try:
        return as_json(source, source.parse(decode(case.read_bytes())))
    except ParserError as error:
        return {"error": type(error).__name__}


@pytest.mark.parametrize("case", CASES, ids=name_of)
def test_dump_is_read_as_expected(case: Path, update_goldens: bool) -> None:
    golden = case.with_suffix(".expected.json")
    expected = json.loads(golden.read_text()) if golden.exists() else {"about": ""}
    read = {"about": expected["about"], **what_is_read(case)}
    if update_goldens and json.loads(json.dumps(read)) != expected:
        golden.write_text(json.dumps(read, indent=1, ensure_ascii=False) + "\n")
        expected = read
    assert expected["about"], f"{golden.name} must say what the dump is and whom it follows"
    assert json.loads(json.dumps(read)) == json.loads(json.dumps(expected))


@pytest.mark.parametrize("case", RECOGNISABLE, ids=name_of)
def test_dump_is_recognised(case: Path) -> None:
    assert recognise(decode(case.read_bytes())).KIND == source_of(case).KIND


@pytest.mark.parametrize("source", SOURCES, ids=lambda source: source.__name__.rpartition(".")[2])
def test_source_has_dumps_and_a_refusal(source: Source) -> None:
    errors = [
        json.loads(path.read_text()).get("error")
        for path in (DUMPS / source.__name__.rpartition(".")[2]).glob("*.expected.json")
    ]
    assert None in errors
    assert "SourceRefusedError" in errors


def test_every_expected_file_has_its_dump() -> None:
    dumps = {case.with_suffix(".expected.json") for case in CASES}
    assert set(DUMPS.glob("*/*.expected.json")) == dumps


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "the text is empty"),
        ("once upon a time\n", "no source has such lines"),
        (
            "Can't find service: battery\n",
            "the phone refused it: Can't find service: battery",
        ),
    ],
)
def test_unknown_text_says_why(text: str, reason: str) -> None:
    with pytest.raises(UnknownDumpError, match="adb shell dumpsys battery") as caught:
        recognise(text)
    assert caught.value.reason == reason


def test_own_refusal_is_recognised() -> None:
    assert recognise("Unknown get option: current_now\n") is battery_get


def test_values_of_several_rows_are_a_list() -> None:
    row = battery_service.BatteryServiceRow(updates_stopped=False, current_raw=-3)
    plain = {"updates_stopped": False, "current_raw": -3, "current_ma": None}
    assert values(Parsed(rows=(row, row))) == {"rows": [plain, plain]}
    assert values(Parsed(rows=())) == {"rows": []}
