"""Which numbers may be called by the program: the user's own list, and never an emergency."""

import re
import unicodedata
from collections.abc import Iterable
from pathlib import Path
from urllib.parse import unquote

from platformdirs import user_config_path

from collector.errors import NumberRefusedError

EMERGENCY = frozenset({"000", "08", "110", "112", "118", "119", "911", "999"})
"""Numbers that every phone takes for an emergency (3GPP TS 22.101 section 10.1.1). There are many
more, which is why nothing but a full international number is called at all."""

_LEAST_DIGITS, _MOST_DIGITS = 8, 15
"""ITU-T E.164: at most 15 digits; nothing that short is a subscriber's number."""
_SHORT_WITH_CODE = 10
_SEPARATORS = re.compile(r"[\s()./\-\u2010-\u2015\u2212]+")


def numbers_path() -> Path:
    """The user's list of numbers that may be called: one a line, `#` begins a remark."""
    return user_config_path("phone-rundown", appauthor=False) / "numbers.txt"


def allowed_numbers(path: Path | None = None) -> frozenset[str]:
    """The numbers on the user's list; none if there is no list.

    Raises:
        NumberRefusedError: if one on the list may never be called.
        OSError: if the list cannot be read.
    """
    source = path or numbers_path()
    if not source.exists():
        return frozenset()
    lines = (line.split("#")[0].strip() for line in source.read_text("utf-8").splitlines())
    return frozenset(international(line) for line in lines if line)


def callable_number(text: str, allowed: Iterable[str]) -> str:
    """The number to dial, `+` and digits.

    Raises:
        NumberRefusedError: with the reason, unless it is a full international number that is on
            the list and is no emergency number, short code or control code in any spelling.
    """
    number = international(text)
    if number not in allowed:
        raise NumberRefusedError(
            text, f"it is not on your list of numbers you may call ({numbers_path()})"
        )
    return number


def international(text: str) -> str:
    """A full international number as `+` and digits, whatever way it is spelled.

    Raises:
        NumberRefusedError: if it is anything else.
    """
    plain = _plain(text)
    digits = plain.removeprefix("+")
    if "*" in plain or "#" in plain:
        raise NumberRefusedError(text, "codes with * or # change settings or cost money")
    if not (digits.isascii() and digits.isdecimal()):
        raise NumberRefusedError(text, "it holds something other than digits")
    if digits in EMERGENCY or _ends_in_emergency(digits):
        raise NumberRefusedError(text, "it is, or reaches, an emergency number")
    if len(digits) < _LEAST_DIGITS:
        raise NumberRefusedError(text, "it is a short code")
    if not plain.startswith("+") or digits.startswith("0"):
        raise NumberRefusedError(text, "write it in full, with + and the country's code")
    if len(digits) > _MOST_DIGITS:
        raise NumberRefusedError(text, "it is longer than a telephone number")
    return f"+{digits}"


def _plain(text: str) -> str:
    """Without URI scheme, escapes and separators; digits of every script as 0 to 9."""
    decoded = unicodedata.normalize("NFKC", unquote(unicodedata.normalize("NFKC", text))).strip()
    scheme, colon, rest = decoded.partition(":")
    body = rest if colon and scheme.strip().lower() in ("tel", "callto", "sip") else decoded
    visible = "".join(c for c in body if unicodedata.category(c) not in ("Cf", "Cc"))
    shown = _SEPARATORS.sub("", visible.removeprefix("//"))
    return "".join(str(unicodedata.decimal(c, c)) for c in shown)


def _ends_in_emergency(digits: str) -> bool:
    """Also behind a country's or an area's code, where networks route it all the same."""
    bare = digits.lstrip("0")
    short = len(bare) <= _SHORT_WITH_CODE
    return short and bare.endswith(("000", "110", "112", "911", "999"))
