"""No spelling of an emergency number, short code or control code is ever called."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.driving.numbers import allowed_numbers, callable_number, international
from collector.errors import NumberRefusedError

OWN = frozenset({"+49301234567"})
FULLWIDTH = {ord(str(n)): chr(0xFF10 + n) for n in range(10)}
ARABIC = {ord(str(n)): chr(0x0660 + n) for n in range(10)}
DEVANAGARI = {ord(str(n)): chr(0x0966 + n) for n in range(10)}


def spellings(number: str) -> list[str]:
    return [
        number,
        f" {number} ",
        "-".join(number),
        " ".join(number),
        ".".join(number),
        f"({number[0]}){number[1:]}",
        f"+{number}",
        f"tel:{number}",
        f"TEL:{number}",
        f"tel://{number}",
        f"tel:%3{'%3'.join(number)}",
        f"callto:{number}",
        f"sip:{number}",
        number.translate(FULLWIDTH),
        number.translate(ARABIC),
        number.translate(DEVANAGARI),
        "\u200b".join(number),
        "\u2011".join(number),
        "\u00a0".join(number),
        f"\u202e{number}",
        f"{number}\x00",
        f"00{number}",
        f"+49{number}",
        f"+49 {number}",
        f"0049{number}",
        f"01149{number}",
        f"+49 6131 {number}",
        f"{number},,1",
        f"{number};phone-context=+49",
        f"{number}p1",
    ]


@pytest.mark.parametrize("number", ["110", "112", "911", "999", "000"])
def test_emergency_numbers_in_every_spelling(number: str) -> None:
    for text in spellings(number):
        for allowed in (OWN, frozenset({text, number, f"+{number}"})):
            with pytest.raises(NumberRefusedError):
                callable_number(text, allowed)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("112", "emergency"),
        ("\uff11\uff11\uff12", "emergency"),
        ("+49 112", "emergency"),
        ("*#06#", r"\* or #"),
        ("##002#", r"\* or #"),
        ("*21*+49301234567#", r"\* or #"),
        ("\uff0a\uff0306\uff03", r"\* or #"),
        ("%2A%2306%23", r"\* or #"),
        ("tel:*%23*%234636%23*%23*", r"\* or #"),
        ("22456", "short code"),
        ("+4922456", "short code"),
        ("0900 123456", "in full"),
        ("030 1234567", "in full"),
        ("+049301234567", "in full"),
        ("+49 30 CALL-ME", "other than digits"),
        ("+49301234567;ext=1", "other than digits"),
        ("+49301234567,,9", "other than digits"),
        ("+49301234567+1", "other than digits"),
        ("", "other than digits"),
        ("+4930123456789012345", "longer than"),
        ("+49 30 7654321", "not on your list"),
    ],
)
def test_the_reason_is_said(text: str, reason: str) -> None:
    with pytest.raises(NumberRefusedError, match=reason):
        callable_number(text, OWN)


@pytest.mark.parametrize(
    "text",
    [
        "+49301234567",
        "+49 30 1234567",
        "+49 (30) 123-45-67",
        "tel:+49-30-1234567",
        "+49\u00a030\u00a01234567",
        "\uff0b\uff14\uff19\uff13\uff10\uff11\uff12\uff13\uff14\uff15\uff16\uff17",
    ],
)
def test_a_number_of_the_list_is_called_whatever_its_spelling(text: str) -> None:
    assert callable_number(text, OWN) == "+49301234567"


@given(st.text(max_size=24))
def test_whatever_is_called_is_a_full_international_number(text: str) -> None:
    try:
        number = international(text)
    except NumberRefusedError:
        return
    assert number.startswith("+")
    assert number[1:].isascii()
    assert 8 <= len(number[1:]) <= 15
    assert number[1] != "0"


def test_the_list_is_read_with_remarks_and_checked(tmp_path: Path) -> None:
    path = tmp_path / "numbers.txt"
    assert allowed_numbers(path) == frozenset()
    path.write_text("# our own\n+49 30 1234567  # test line\n\n+44 20 7946 0018\n")
    assert allowed_numbers(path) == {"+49301234567", "+442079460018"}
    path.write_text("112\n")
    with pytest.raises(NumberRefusedError):
        allowed_numbers(path)
