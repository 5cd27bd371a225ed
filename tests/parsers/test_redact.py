"""A redacted dump reads the same, and nothing private is left in it, whatever line it was on."""

import itertools
import random
import re
import time
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as limits
from hypothesis import strategies as st

from parsers.allowed import ALLOWED
from parsers.errors import ParserError
from parsers.redact import masked, redact, redact_bytes
from parsers.sources import SOURCES, Source, thermal
from parsers.text import decode

DUMPS = Path(__file__).parents[2] / "fixtures" / "dumps"
CASES = sorted(DUMPS.glob("*/*.txt"))
HOSTILE = {"battery_service/technology_hostile", "identity/hostile-model"}
"""A value of theirs has control characters, which are masked."""

SECRETS = (
    "Greta Lindqvist",
    "greta@posten.example",
    "Fjordhaus-5G",
    "02:00:5e:10:aa:fe",
    "192.0.2.77",
    "R5CT70ABCDE",
    "867530912345678",
    "+46701740605",
    "Blå Tåget",
    "fe80::dead:beef:cafe:1",
    "content://tunes/Alte Kameraden.mp3",
)
PLACES = (
    "  Owner: {}",
    "  serial={}",
    "\tSSID: {}, title={}",
    "{}",
    "  {}: 5",
    "POWER_SUPPLY_SERIAL_NUMBER={}",
    "POWER_SUPPLY_STATUS={}",
    "  level: {}",
    "  status {} voltage",
    "    mCallIncomingNumber={}",
    "  mWakefulness={}",
    '9,hsp,7,1000,"{}"',
    "9,0,i,{},4",
    "[ro.serialno]: [{}]",
    "screen_brightness={}",
    "mState=ACTIVE  {}",
    'Wifi is connected to "{}"',
    "    mTelephonyDisplayInfo={}",
    "    mScreenState={}",
    "[{}]:Modem  12.00 mWs x",
    "\tTemperature{{mValue=1, mType=6, mName={}, mStatus=0}}",
    "  mCurrentFocus=Window{{1a u0 {}}}",
    "getHealthInfo: {}",
)


def name_of(case: Path) -> str:
    return f"{case.parent.name}/{case.stem}"


def source_of(case: Path) -> Source:
    module: Any = import_module(f"parsers.sources.{case.parent.name}")
    source: Source = module
    return source


def reading(source: Source, text: str) -> Any:
    try:
        parsed = source.parse(text)
    except ParserError as exc:
        return type(exc)
    return parsed.rows, [unread.line for unread in parsed.unread], parsed.trusted


def leaks(secret: str, shown: str) -> list[str]:
    """Runs of four or more letters or digits of a secret that are still to be seen."""
    parts = re.findall(r"\w{4,}", secret)
    return [part for part in parts if part in shown]


def test_every_source_has_an_allow_list() -> None:
    assert set(ALLOWED) == set(SOURCES)


@pytest.mark.parametrize("case", [c for c in CASES if name_of(c) not in HOSTILE], ids=name_of)
def test_a_redacted_dump_reads_the_same(case: Path) -> None:
    source, text = source_of(case), decode(case.read_bytes())
    assert reading(source, redact(text, source)) == reading(source, text)


@pytest.mark.parametrize("case", CASES, ids=name_of)
def test_redacting_keeps_lines_and_bytes_and_is_done_once(case: Path) -> None:
    source, body = source_of(case), case.read_bytes()
    once = redact_bytes(body, source)
    assert [len(line) for line in once.split(b"\n")] == [len(ln) for ln in body.split(b"\n")]
    assert redact_bytes(once, source) == once


@pytest.mark.parametrize("case", CASES, ids=name_of)
def test_no_planted_secret_is_left(case: Path) -> None:
    source, lines = source_of(case), decode(case.read_bytes()).split("\n")
    rng = random.Random(case.stem)
    planted = []
    for place in PLACES:
        secret = rng.choice(SECRETS)
        planted.append(secret)
        lines.insert(rng.randint(0, len(lines)), place.replace("{}", secret).replace("{{", "{"))
    text = "\n".join(lines)
    shown = redact(text, source)
    rows = repr(reading(source, text))
    for secret in planted:
        assert [part for part in leaks(secret, shown) if part not in rows] == [], case
    assert not any(secret in shown for secret in planted if secret not in rows)


def test_no_control_character_survives_in_a_piece_that_is_shown() -> None:
    reading_line = "\tTemperature{mValue=31.0, mType=2, mName=\x1b[2Jskin, mStatus=0}"
    shown = redact(f"Current temperatures from HAL:\n{reading_line}\n", thermal)
    assert shown.splitlines()[1] == reading_line.replace("\x1b", "?")


TITLE, NONSENSE = "Slow Night 7 Charging Camera", "Qwxz Vkqjx 4 Zqxwvkjq Jqzvxk"
"""A title made of words that keys are made of, and one of no words; otherwise alike."""
KEY_PLACES = ("  {}: 5", "[{}]:Modem  12.00 mWs x")


@pytest.mark.parametrize("case", CASES, ids=name_of)
def test_a_title_is_not_told_from_nonsense_by_its_words(case: Path) -> None:
    source, text = source_of(case), decode(case.read_bytes())
    for place in PLACES:
        if place in KEY_PLACES:
            continue
        pair = [f"{text}\n{place.replace('{}', title)}\n" for title in (TITLE, NONSENSE)]
        if not any(title in repr(reading(source, t)) for title in (TITLE, NONSENSE) for t in pair):
            shown = [redact(each, source) for each in pair]
            assert shown[0] == shown[1], place


@pytest.mark.parametrize("secret", SECRETS)
@pytest.mark.parametrize("place", PLACES)
def test_masking_leaves_nothing_of_a_secret(secret: str, place: str) -> None:
    assert leaks(secret, masked(place.replace("{}", secret))) == []


def test_masking_leaves_the_words_of_keys() -> None:
    assert masked("  mBatteryOwnerTemp: 31.5 °C") == "  mBatteryXxxxxTemp: 00.0 ??X"
    assert masked("fast charger voltage = 9000") == "fast charger voltage = 0000"
    assert masked("\x1b[31mred\u202e") == "?[00xxxx???"


PIECES = (
    *(" ", "\t", "a", "A", "0", "9,", ",", "=", ":", ": ", "(", "[", "{", "}", '"', "-", "_", "/"),
    *(".", "#", "x ", "1d ", "1 ", "LTE,", "org.", ", BSSID: ", " u0 a", " u0 a.b/", "Window{"),
    *("00000000 ", "batteryLevel: ", "mState=", ",Bl=", ": No such file or directory", "é"),
)


def took_ms(text: str, source: Source) -> float:
    start = time.thread_time()
    redact(text, source)
    return 1000 * (time.thread_time() - start)


@pytest.mark.parametrize("source", SOURCES, ids=lambda source: source.__name__.rpartition(".")[2])
def test_no_line_takes_more_than_linear_time(source: Source) -> None:
    """A phone may print a line of a megabyte, and it is masked while recording."""
    cases = [c for c in CASES if c.parent.name == source.__name__.rpartition(".")[2]]
    lines = {line for case in cases for line in decode(case.read_bytes()).split("\n")}
    starts = sorted({"", *(re.split(r"(?<=[=:{(,])", line, maxsplit=1)[0][:60] for line in lines)})
    for start, piece in itertools.product(starts, PIECES):
        text = f"{start}{piece * (3000 // len(piece))}!"
        if took_ms(text, source) > 12:  # linear time takes a tenth of it
            longer = f"{start}{piece * (6000 // len(piece))}!"
            ratios = (took_ms(longer, source) / took_ms(text, source) for _ in range(6))
            assert min(ratios) < 2.8, (start, piece)


@limits(deadline=None, max_examples=150)
@given(data=st.data())
def test_any_bytes_stay_as_many_and_read_the_same(data: st.DataObject) -> None:
    case = data.draw(st.sampled_from(CASES))
    source, body = source_of(case), case.read_bytes()
    at = data.draw(st.integers(0, len(body)))
    body = body[:at] + data.draw(st.binary(max_size=40)) + body[at:]
    once = redact_bytes(body, source)
    assert len(once) == len(body)
    assert once.count(b"\n") == body.count(b"\n")
    assert redact_bytes(once, source) == once
