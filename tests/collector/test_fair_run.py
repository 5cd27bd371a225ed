"""Check, set, put back, record: on virtual phones behind a real adb server."""

import json
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

import rundown
from collector.adb import AdbServer
from collector.adb_server import PrivateAdbServer
from collector.clock import SystemClock
from collector.fairness.checking import Checked, check_phones, put_back, write_down
from collector.fairness.items import Given
from collector.fairness.show import verdict
from collector.fairness.snapshot import Snapshots
from collector.planning.file import parse_plan
from collector.recording.bench import Ready, make_ready
from collector.virtual.clock import FastTime
from collector.virtual.farm import VirtualFarm
from collector.virtual.handset import HANDSETS, Handset
from collector.virtual.loads import STANDBY, VOICE_CALL
from collector.virtual.phone import VirtualPhone
from parsers.checks import Finding, read_checks
from parsers.runfolder import RunFolder
from parsers.tags import read_tags

PLAN = """
title = "Bench"
[require]
level_min_pct = 90
volume = 4
[limits]
after_h = 0.0012
[[segment]]
name = "reading"
duration_min = 5
app = "org.example.wayfinder"
"""
LIGHT = {"alder-1": 200.0, "birch-1": 203.0, "cedar-1": 198.0}
GIVEN = Given(ambient_c=22.0, luminance_cd_m2=LIGHT)
AUTO, SAVER = ("system", "screen_brightness_mode"), ("global", "low_power")
REFRESH, AWAKE = ("system", "peak_refresh_rate"), ("global", "stay_on_while_plugged_in")


Command = Callable[..., Result]


class Desk:
    """Three phones, an adb server of their own, and a folder for what is to be put back."""

    def __init__(self, farm: VirtualFarm, private: PrivateAdbServer, folder: Path) -> None:
        self.phones: dict[str, VirtualPhone] = {}
        self.addresses: dict[str, str] = {}
        self.server = AdbServer(private.port)
        self.snapshots = Snapshots(folder)
        self.private = private
        clock = FastTime(1.0)
        for spec in HANDSETS:
            handset = Handset(spec, [], seed=1, until_off=False)
            handset.set_activity(STANDBY)
            handset.advance_to(handset.boot_s + 400)
            phone, label = VirtualPhone(handset, clock), f"{spec.key}-1"
            self.phones[label] = phone
            hosted = farm.add(phone)
            private.connect(hosted.address)
            self.addresses[hosted.address] = label

    def ready(self) -> list[Ready]:
        return make_ready(self.server, self.addresses)

    def check(self, *, fix: bool = False, given: Given = GIVEN, plan: str = PLAN) -> Checked:
        return check_phones(
            self.server,
            self.ready(),
            parse_plan(plan),
            given,
            SystemClock(),
            self.snapshots if fix else None,
        )

    def put_back_all(self) -> tuple[list[str], list[str]]:
        return put_back(self.server, self.snapshots, self.snapshots.pending())

    def put_back_left(self) -> tuple[list[str], list[str]]:
        return put_back(self.server, self.snapshots, self.snapshots.left_behind())

    def break_off(self) -> None:
        """Sets what differs, begins to record and is killed."""
        self.plant("birch-1", SAVER, "1")
        self.check(fix=True)
        with self.snapshots.held(self.snapshots.pending()):
            assert self.phones["birch-1"].handset.settings[SAVER] == "0"

    def plant(self, label: str, place: tuple[str, str], value: str) -> None:
        self.phones[label].handset.settings[place] = value


@pytest.fixture(scope="module")
def private() -> Iterator[PrivateAdbServer]:
    with PrivateAdbServer() as running:
        yield running


@pytest.fixture
def desk(
    private: PrivateAdbServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Desk]:
    for name in ("DATA", "STATE", "CONFIG"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / name.lower()))
    with VirtualFarm() as farm:
        made = Desk(farm, private, tmp_path / "state" / "phone-rundown" / "restore")
        yield made
        for address in made.addresses:
            private.disconnect(address)


def by_item(checked: Checked) -> dict[str, Finding]:
    return {finding.item: finding for finding in checked.findings}


def plant_all(desk: Desk) -> None:
    desk.plant("alder-1", AUTO, "1")
    desk.plant("birch-1", SAVER, "1")
    desk.plant("cedar-1", REFRESH, "120.0")
    desk.plant("alder-1", AWAKE, "3")
    desk.phones["birch-1"].hands.volume = 11
    desk.phones["cedar-1"].hands.packages["org.example.wayfinder"] = "4.1.9"
    desk.phones["alder-1"].handset.fake_unplugged()


UNEQUAL = {
    "automatic brightness": "alder-1",
    "battery saver": "birch-1",
    "refresh rate": "cedar-1",
    "stay awake": "alder-1",
    "volume": "birch-1",
    "true values": "alder-1",
    "version of org.example.wayfinder": "cedar-1",
}


def test_like_phones_are_fair(desk: Desk) -> None:
    desk.phones["alder-1"].hands.volume = 4
    for phone in desk.phones.values():
        phone.hands.volume = 4
    checked = desk.check()
    assert checked.wrong == ()
    asked = {f.item for f in checked.findings if f.outcome == "ask"}
    assert {"content", "always-on display", "charge limit"} <= asked, "never passed in silence"
    assert verdict(checked).startswith("fair as far as adb can tell")


def test_planted_inequalities_are_found_put_right_and_put_back(desk: Desk) -> None:
    plant_all(desk)
    found = by_item(desk.check())
    assert {item for item, finding in found.items() if finding.outcome == "wrong"} == set(UNEQUAL)
    for item in UNEQUAL:
        assert found[item].fix, "every one says what to do"
    fixed = desk.check(fix=True)
    assert [f.item for f in fixed.wrong] == ["version of org.example.wayfinder"]
    assert fixed.not_set == ()
    hands = desk.phones["birch-1"].hands
    assert hands.volume == 4
    assert desk.phones["cedar-1"].handset.settings[REFRESH] == "60"
    done, failed = desk.put_back_all()
    assert failed == []
    assert len(done) == len(fixed.set_by_adb) - 1, "a simulated state that was ended stays ended"
    assert hands.volume == 11
    settings = {label: phone.handset.settings for label, phone in desk.phones.items()}
    assert settings["alder-1"][AUTO] == "1"
    assert settings["birch-1"][SAVER] == "1"
    assert settings["cedar-1"][REFRESH] == "120.0"
    assert settings["alder-1"]["secure", "doze_always_on"] == "null", "never set before"
    assert desk.snapshots.pending() == {}


def test_what_a_phone_does_not_take_is_listed(desk: Desk) -> None:
    desk.plant("birch-1", SAVER, "1")
    desk.phones["birch-1"].hands.stuck.add(SAVER)
    checked = desk.check(fix=True)
    assert any("battery saver not set to off" in said for said in checked.not_set)
    desk.phones["birch-1"].hands.stuck.clear()
    desk.phones["alder-1"].hands.stuck.add(("secure", "doze_always_on"))
    _, failed = desk.put_back_all()
    assert [said.split(":")[0] for said in failed] == ["alder-1"]
    assert "always-on display not put back" in failed[0]
    pending = desk.snapshots.pending().values()
    assert [(s.label, [c.name for c in s.changes]) for s in pending] == [
        ("alder-1", ["doze_always_on"])
    ]


def test_a_setting_that_could_not_be_put_back_is_not_touched(desk: Desk) -> None:
    strange = "1; reboot"
    desk.plant("birch-1", SAVER, strange)
    desk.check(fix=True)
    assert desk.phones["birch-1"].handset.settings[SAVER] == strange
    assert desk.phones["birch-1"].hands.commands() == [
        "cmd media_session volume --stream 3 --set 4"
    ]


def test_a_second_fix_keeps_the_first_values(desk: Desk) -> None:
    desk.phones["alder-1"].hands.volume = 9
    desk.check(fix=True)
    desk.check(fix=True, plan=PLAN.replace("volume = 4", "volume = 2"))
    assert desk.phones["alder-1"].hands.volume == 2
    desk.put_back_all()
    assert desk.phones["alder-1"].hands.volume == 9


def test_what_a_killed_recording_left_behind_is_put_back(desk: Desk) -> None:
    desk.plant("birch-1", SAVER, "1")
    desk.check(fix=True)
    assert desk.snapshots.left_behind() == {}, "set before a run: it waits for the run"
    hashes = list(desk.snapshots.pending())
    code = (
        "import sys; from pathlib import Path; from collector.fairness.snapshot import Snapshots\n"
        "with Snapshots(Path(sys.argv[1])).held(sys.argv[2:]):\n"
        "    print('held', flush=True); sys.stdin.read()"
    )
    folder = str(desk.snapshots._folder)
    with subprocess.Popen(
        [sys.executable, "-c", code, folder, *hashes],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as recording:
        assert recording.stdout
        assert recording.stdout.readline() == b"held\n"
        assert desk.snapshots.left_behind() == {}, "a recording goes on"
        assert desk.put_back_left() == ([], [])
        recording.send_signal(signal.SIGKILL)
    assert set(desk.snapshots.left_behind()) == set(hashes)
    done, failed = desk.put_back_left()
    assert failed == []
    assert "birch-1: battery saver is on again" in done
    assert desk.phones["birch-1"].handset.settings[SAVER] == "1"


def test_a_phone_that_is_away_stays_pending(desk: Desk) -> None:
    desk.check(fix=True)
    gone = next(address for address, label in desk.addresses.items() if label == "cedar-1")
    desk.private.disconnect(gone)
    _, failed = desk.put_back_all()
    assert [said.split(":")[0] for said in failed] == ["cedar-1"]
    assert [s.label for s in desk.snapshots.pending().values()] == ["cedar-1"]


@pytest.mark.parametrize(
    ("item", "outcome", "given"),
    [
        ("warmth", "ask", Given(luminance_cd_m2=LIGHT)),
        ("warmth", "wrong", Given(ambient_c=18.5, luminance_cd_m2=LIGHT)),
        ("room", "wrong", Given(ambient_c=31.0, luminance_cd_m2=LIGHT)),
        ("luminance", "ask", Given(ambient_c=22.0, luminance_cd_m2={"alder-1": 200.0})),
        ("luminance", "wrong", Given(ambient_c=22.0, luminance_cd_m2={**LIGHT, "alder-1": 260.0})),
        ("luminance", "good", GIVEN),
    ],
)
def test_what_only_a_person_can_tell(desk: Desk, item: str, outcome: str, given: Given) -> None:
    assert by_item(desk.check(given=given))[item].outcome == outcome


def test_a_cable_and_a_call_are_seen(desk: Desk) -> None:
    desk.phones["alder-1"].handset.plug(True)
    desk.phones["birch-1"].handset.set_activity(VOICE_CALL)
    found = by_item(desk.check())
    assert found["cable"].outcome == "wrong"
    assert found["cable"].why.startswith("alder-1: it draws from a supply")
    assert found["call"].found["birch-1"] == "off hook"


def test_the_record_of_a_check_can_be_read_again(desk: Desk, tmp_path: Path) -> None:
    checked = desk.check()
    write_down(RunFolder(tmp_path), checked, GIVEN, SystemClock(), "during", None)
    ((_, record),) = read_checks(tmp_path / "checks.jsonl").records
    assert record.findings == checked.findings
    assert record.luminance_cd_m2 == LIGHT
    assert record.made_utc <= datetime.now(UTC)


@pytest.fixture
def command(desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Command:
    """Runs one, in a folder with a plan, on the phones of the desk."""
    monkeypatch.setenv("ANDROID_ADB_SERVER_PORT", str(desk.private.port))
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text(PLAN)
    return lambda *words: CliRunner().invoke(rundown.app, list(words))


PUT_BACK = "put back: birch-1: battery saver is on again"


@pytest.mark.parametrize(
    "words",
    [
        ("phones",),
        ("check",),
        ("poll", "bench.toml", "--out", "monday", "--yes"),
        ("arm", "--out", "monday"),
        ("collect", "earlier"),
    ],
    ids=lambda words: words[0],
)
def test_every_command_with_phones_puts_back_what_a_killed_recording_left(
    desk: Desk, command: Command, words: tuple[str, ...]
) -> None:
    if words[0] == "collect":
        assert command("arm", "--out", "earlier").exit_code == 0
    desk.break_off()
    done = command(*words)
    assert done.exit_code in (0, 1), done.output
    assert PUT_BACK in done.output
    assert desk.phones["birch-1"].handset.settings[SAVER] == "1"
    assert desk.snapshots.pending() == {}


def test_a_phone_that_is_not_attached_is_said_so(desk: Desk, command: Command) -> None:
    desk.break_off()
    gone = next(address for address, label in desk.addresses.items() if label == "birch-1")
    desk.private.disconnect(gone)
    done = command("phones")
    said = " ".join(done.output.split())
    left = said[said.index("NOT put back: birch-1: ") :]
    assert "battery saver" in left
    assert "as it is not attached: attach it, then rundown check --restore" in left
    desk.private.connect(gone)
    restored = command("check", "--restore")
    assert (restored.exit_code, PUT_BACK in restored.output) == (0, True), restored.output
    assert desk.snapshots.pending() == {}


def test_what_was_set_for_an_armed_run_stays_until_it_is_fetched(
    desk: Desk, command: Command
) -> None:
    desk.plant("birch-1", SAVER, "1")
    desk.check(fix=True)
    assert command("arm", "--out", "monday").exit_code == 0
    between = command("phones")
    assert "put back" not in between.output
    assert desk.phones["birch-1"].handset.settings[SAVER] == "0"
    fetched = command("collect", "monday")
    assert PUT_BACK in fetched.output, fetched.output
    assert desk.phones["birch-1"].handset.settings[SAVER] == "1"
    assert desk.snapshots.pending() == {}


def test_the_whole_command_line(desk: Desk, command: Command) -> None:
    desk.plant("birch-1", SAVER, "1")
    serials = [f"--phone={label}={address}" for address, label in desk.addresses.items()]
    checked = command("check", "bench.toml", "--json", *serials)
    document = json.loads(checked.stdout)
    assert (checked.exit_code, document["fair"]) == (1, False)
    fixed = command("check", "bench.toml", "--fix", *serials)
    assert "set: birch-1: battery saver set to off, was on" in fixed.stdout
    desk.phones["cedar-1"].hands.packages["org.example.wayfinder"] = "4.1.9"
    unfair = command("poll", "bench.toml", "--out", "monday", *serials)
    assert unfair.exit_code == 2
    assert "not fair yet" in unfair.output
    assert not Path("monday").exists()
    words = ["poll", "bench.toml", "--out", "monday", "--ambient-c", "22", "--yes", *serials]
    polled = command(*words)
    assert polled.exit_code == 0, polled.output
    run = RunFolder(Path("monday"))
    assert run.plan_path.read_text() == PLAN
    assert run.read_manifest().plan == "bench"
    ((_, record),) = read_checks(run.checks_path).records
    assert record.when == "start"
    assert [f.item for f in record.findings if f.outcome == "wrong"] == [
        "version of org.example.wayfinder"
    ]
    assert "put back: birch-1: battery saver is on again" in polled.output
    assert desk.phones["birch-1"].handset.settings[SAVER] == "1"
    assert desk.snapshots.pending() == {}
    assert read_tags(run.tags_path).damage == ()
