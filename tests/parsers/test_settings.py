"""Bare answers of `settings get`, which do not repeat the name."""

import pytest

from parsers.errors import NotThisDumpError, SourceRefusedError
from parsers.sources.settings import COMMAND, NAMES, SettingRow, parse_value


@pytest.mark.parametrize(
    ("text", "value"),
    [("102\n", "102"), ("0", "0"), ("\ufeff0.4\r\n", "0.4"), ("null\n", None), ("-1\n", "-1")],
)
def test_a_bare_number_gets_the_name_it_was_asked_for(text: str, value: str | None) -> None:
    parsed = parse_value("screen_brightness", text)
    assert parsed.rows == (SettingRow(name="screen_brightness", value=value),)
    assert parsed.unread == ()


@pytest.mark.parametrize("text", ["bright\n", "1\n2\n", "1 2\n"])
def test_anything_else_is_no_value(text: str) -> None:
    with pytest.raises(NotThisDumpError):
        parse_value("low_power", text)


def test_a_name_off_the_list_is_not_read() -> None:
    with pytest.raises(NotThisDumpError):
        parse_value("bluetooth_address", "1\n")


@pytest.mark.parametrize("text", ["", "cmd: Can't find service: settings\n"])
def test_a_refusal_stays_one(text: str) -> None:
    with pytest.raises(SourceRefusedError):
        parse_value("low_power", text)


def test_the_command_asks_for_every_setting_in_its_namespace() -> None:
    asked = COMMAND.split(";")
    assert len(asked) == len(NAMES)
    assert 'echo "location_mode=$(settings get secure location_mode)"' in asked
