"""Every source of a phone is asked once: what it gives, why it does not, and nothing private."""

import json
import re
from collections.abc import Iterator
from io import StringIO

import pytest
from rich.console import Console

from collector.adb import AdbServer, ByteStream, Reply
from collector.adb_server import PrivateAdbServer
from collector.clock import SystemClock
from collector.errors import NoPhonesError, PhoneGoneError, PhoneSilentError
from collector.inventory.attached import Found, inventory, print_inventory
from collector.inventory.probe import BATTERY, SUPPLIES, look, probe
from collector.inventory.survey import proved_sign, questions, survey
from collector.names import full_name, short_names
from collector.virtual.clock import FastTime
from collector.virtual.commands import answer_to
from collector.virtual.farm import VirtualFarm
from collector.virtual.handset import HANDSETS, Handset, Stage
from collector.virtual.loads import NAVIGATION
from collector.virtual.phone import VirtualPhone

PRIVATE = re.compile(r"Courier depot|02:00:5e|VIRTUAL[0-9A-F]{8}|123456789|org\.example|/\.Guid")
STAGES = [Stage(activity=NAVIGATION, duration_s=7200.0, name="navigation")]


class ScriptedPhone:
    """Answers from a virtual handset without any link; some commands never or badly."""

    def __init__(self, handset: Handset, **special: Reply | Exception) -> None:
        self.serial = "R5CT70ABCDE"
        self.asked: list[str] = []
        self._handset = handset
        self._special = special

    def ask(self, command: str, deadline_s: float) -> Reply:
        self.asked.append(command)
        self._handset.advance_to(self._handset.boot_s + 0.5)
        special = next((v for k, v in self._special.items() if k in command), None)
        if isinstance(special, Exception):
            raise special
        if special is not None:
            return special
        text = answer_to(command, self._handset.state())
        if text is None:
            return Reply(stdout=b"", stderr=b"cat: x: Permission denied\n", exit_code=1)
        return Reply(stdout=text.rstrip("\n").encode(), stderr=b"", exit_code=0)

    def stream(self, command: str) -> ByteStream:
        raise AssertionError(command)


def phone_of(number: int, *, plugged: bool = False, **special: Reply | Exception) -> ScriptedPhone:
    handset = Handset(HANDSETS[number], STAGES, seed=3, charge_ratio=0.7)
    handset.advance_to(handset.boot_s + 100.0)
    if plugged:
        handset.plug(True)
        handset.advance_to(handset.boot_s + 60.0)
    return ScriptedPhone(handset, **special)


@pytest.fixture(scope="module")
def found() -> Iterator[list[Found]]:
    with VirtualFarm() as farm, PrivateAdbServer() as private:
        server = AdbServer(private.port)
        for spec in HANDSETS:
            hosted = farm.add(VirtualPhone(Handset(spec, STAGES, seed=1), FastTime(10.0)))
            server.connect(hosted.address)
        yield sorted(inventory(server), key=lambda phone: phone.model)


def test_each_phone_is_told_apart(found: list[Found]) -> None:
    assert [phone.model for phone in found] == ["Alder", "Birch", "Cedar"]
    alder, birch, cedar = found
    assert alder.sources["current"] == "power_supply/battery"
    assert alder.supplies == ("battery", "usb")
    assert birch.sources["current"] == "batteryproperties"
    assert "Permission denied" in birch.refused["power_supply"]
    assert "current" not in cedar.sources
    assert any("--capacity-mah" in advice for advice in cedar.advice)


def test_the_current_is_watched(found: list[Found]) -> None:
    alder, birch, cedar = (phone.current for phone in found)
    assert alder is not None
    assert (alder.unit, alder.sign) == ("uA", 1)
    assert alder.every_s is not None
    assert alder.every_s < 1.0
    assert birch is not None
    assert (birch.unit, birch.sign) == (None, None), "inverted milliamps: one look proves nothing"
    assert cedar is None


def test_every_source_is_there_once(found: list[Found]) -> None:
    for phone in found:
        assert len({each.command for each in phone.asked}) == len(phone.asked) >= 18
        for each in phone.asked:
            assert bool(each.gives) != bool(each.refused), each
    by_name = {each.source: each for each in found[0].asked}
    assert by_name["wifi"].gives[:3] == ("wifi_enabled", "connected", "rssi_dbm")
    assert "Can't find service" in by_name["power rails"].refused
    assert "awake_s" in by_name["power manager"].gives


def test_it_is_told_which_values_are_live(found: list[Found]) -> None:
    ages = {each.source: each.age for each in found[0].asked}
    assert ages["power_supply"] == ages["batteryproperties counter"] == "live"
    assert ages["dumpsys battery"] == ages["cmd battery"] == "refreshed"
    assert ages["wifi"] == ""


def test_the_screen_fits_a_terminal_and_says_why_not(found: list[Found]) -> None:
    file = StringIO()
    print_inventory(found, Console(file=file, width=80), as_json=False)
    lines = file.getvalue().splitlines()
    assert max(map(len, lines)) <= 80
    told = " ".join(" ".join(lines).split())
    assert "power_supply live: current_raw, voltage_mv, charge_counter_raw, level_pct," in told
    assert "dumpsys battery refreshed: " in told
    assert "power_supply no: Permission denied" in told
    assert "unit and sign not to be told yet" in told
    assert "/sys/" not in told


@pytest.mark.parametrize("as_json", [False, True])
def test_nothing_private_is_shown(found: list[Found], as_json: bool) -> None:
    file = StringIO()
    print_inventory(found, Console(file=file, width=100), as_json=as_json)
    shown = file.getvalue()
    assert not PRIVATE.search(shown), PRIVATE.search(shown)
    if as_json:
        phones = json.loads(shown)["phones"]
        assert [phone["usable"] for phone in phones] == [True] * 3
        assert phones[0]["current"]["unit"] == "uA"
    else:
        assert "polled" in shown
        assert "no: " in shown


def test_one_silent_source_does_not_stop_the_others() -> None:
    silent = PhoneSilentError("x", "dumpsys display", 8.0)
    seen = survey(phone_of(0, display=silent), SystemClock(), 36, watch_s=0.0)
    by_name = {each.question.source: each for each in seen.looks}
    assert by_name["display"].refused == "no answer within 8 s"
    assert by_name["telephony"].gives


def test_a_broken_link_stops_it() -> None:
    with pytest.raises(PhoneGoneError):
        survey(phone_of(0, display=PhoneGoneError("x", "display")), SystemClock(), 36)


def test_hidden_supplies_are_named() -> None:
    part = Reply(
        stdout=b"POWER_SUPPLY_NAME=usb\nPOWER_SUPPLY_TYPE=USB\nPOWER_SUPPLY_ONLINE=0\n",
        stderr=b"cat: /sys/class/power_supply/bms/uevent: Permission denied\n"
        b"cat: /sys/class/power_supply/battery/uevent: Permission denied\n",
        exit_code=1,
    )
    seen = survey(phone_of(1, power_supply=part), SystemClock(), 33, watch_s=0.0)
    assert seen.supplies == ("usb",)
    assert seen.hidden_supplies == ("bms", "battery")
    assert seen.offer is not None
    assert seen.offer.settings.fast == "property"


def test_no_battery_state_is_no_offer() -> None:
    denied = Reply(stdout=b"Can't find service: battery\n", stderr=b"", exit_code=0)
    handset = Handset(HANDSETS[0], STAGES, seed=3)
    phone = ScriptedPhone(handset, **{"dumpsys battery": denied})
    assert survey(phone, SystemClock(), 36, watch_s=0.0).offer is None
    with pytest.raises(NoPhonesError, match="Can't find service: battery"):
        probe(phone)


def test_a_quick_probe_asks_only_what_it_needs() -> None:
    phone = phone_of(0)
    assert probe(phone).settings.fast == "uevent"
    assert phone.asked == [BATTERY.command, SUPPLIES.command]


def test_a_last_line_without_end_counts_as_whole() -> None:
    row = look(phone_of(0), BATTERY).row
    assert row.capacity_level is not None, "the last line of the dump"


def test_a_charging_phone_is_known() -> None:
    seen = survey(phone_of(0, plugged=True), SystemClock(), 36, watch_s=0.0)
    assert seen.plugged is True
    assert not seen.simulated


@pytest.mark.parametrize(
    ("raw", "plugged", "status", "sign"),
    [
        ([-400_000, -380_000], False, "discharging", 1),
        ([400_000], False, "discharging", None),
        ([-900_000], True, "charging", -1),
        ([-900_000], True, "not_charging", None),
        ([900_000], True, "charging", None),
        ([-1, 1], False, "discharging", None),
        ([-5], None, None, None),
        ([], False, "discharging", None),
    ],
)
def test_sign_proved_by_one_moment(
    raw: list[int], plugged: bool | None, status: str | None, sign: int | None
) -> None:
    assert proved_sign(raw, plugged=plugged, status=status) == sign


@pytest.mark.parametrize(
    ("api", "command"),
    [
        (26, "dumpsys batteryproperties"),
        (29, "lshal debug android.hardware.health@2.0::IHealth/default"),
        (32, "lshal debug android.hardware.health@2.1::IHealth/default"),
        (36, "dumpsys android.hardware.health.IHealth/default"),
        (None, "dumpsys batteryproperties"),
    ],
)
def test_the_health_command_follows_the_version(api: int | None, command: str) -> None:
    asked = {each.source: each.command for each in questions(api)}
    assert asked["health HAL"] == command


def test_serials_are_cut_and_still_found() -> None:
    tls = "adb-R58M-x1Y2z3._adb-tls-connect._tcp"
    serials = ["R5CT70ABCDE", "R5CT71ABCDE", "10.0.0.7:41235", tls]
    shown = short_names(serials)
    assert shown[serials[2]] == serials[2]
    assert len(set(shown.values())) == 4
    assert shown[serials[0]] == "…0ABCDE"
    assert shown[serials[3]] == "…Y2z3"
    for serial, name in shown.items():
        assert full_name(name, serials) == serial
        assert full_name(serial, serials) == serial
    assert full_name("ABCDE", serials) == "ABCDE", "two phones end so"
    assert full_name("", serials) == ""


def test_a_property_call_that_fails_is_told() -> None:
    said = b"service: Service batteryproperties does not exist\n"
    bad = Reply(stdout=said, stderr=b"", exit_code=1)
    seen = survey(phone_of(1, batteryproperties=bad), SystemClock(), 33, watch_s=0.0)
    by_name = {each.question.source: each.refused for each in seen.looks}
    assert "does not exist" in by_name["batteryproperties"]
