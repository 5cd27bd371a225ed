import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import rundown
from analysis import load
from analysis.calibrating.closure import closure
from analysis.lasting.endurance import SEQUENCE
from analysis.lasting.outlook import Outlook, outlook, parse_mix, to_json
from analysis.lasting.packvoltage import pack_voltage
from analysis.readings.series import Series
from parsers.runfolder import RunFolder
from tests.analysis.rundowns import (
    TICK_S,
    Bools,
    Floats,
    Made,
    laboratory_cell,
    make,
    phone_cell,
    straight,
)


def seen(made: Made, **more: Any) -> Outlook:
    return outlook(load(made.path), **more)


def test_hours_from_the_energy_that_the_run_measured(tmp_path: Path) -> None:
    made = make(tmp_path / "run")
    phone = seen(made).phones[0]
    assert phone.measured
    assert phone.usable_mwh.value == pytest.approx(made.energy_mwh, rel=2e-3)
    assert [a.activity for a in phone.activities] == ["navigation", "standby", "call"]
    for lasting in phone.activities:
        true_h = made.energy_mwh / made.power_mw[lasting.activity]
        assert lasting.power_mw.value == pytest.approx(made.power_mw[lasting.activity], rel=3e-3)
        assert lasting.hours.value == pytest.approx(true_h, rel=3e-3)
        assert lasting.hours.lo95 is not None
        assert lasting.hours.hi95 is not None
        assert lasting.hours.lo95 < true_h * (1 + TICK_S / 3600 / made.hours)
        assert lasting.hours.hi95 > true_h * (1 - TICK_S / 3600 / made.hours)
        assert lasting.hours_to_reserve is not None
        assert 0.78 < lasting.hours_to_reserve.value / lasting.hours.value < 0.86


def test_the_gain_of_the_gauge_cancels_in_hours_but_not_in_energy(tmp_path: Path) -> None:
    one, other = (make(tmp_path / str(gain), gain=gain) for gain in (1.0, 1.01))
    right, wrong = (seen(made).phones[0] for made in (one, other))
    assert wrong.usable_mwh.value / right.usable_mwh.value == pytest.approx(1.01, rel=1e-3)
    for a, b in zip(right.activities, wrong.activities, strict=True):
        assert b.hours.value == pytest.approx(a.hours.value, rel=1e-3)
    navigation = right.activities[0]
    hours, power = navigation.hours, navigation.power_mw
    assert (hours.hi95 or 0) / hours.value - 1 < ((power.hi95 or 0) / power.value - 1) / 2


def test_a_mix_lies_between_its_parts(tmp_path: Path) -> None:
    made = make(tmp_path / "run")
    mix = {"Call": 1800.0, "standby": 8 * 3600.0}
    found = seen(made, mix_s=mix)
    assert found.mix_s == {"call": 1800.0, "standby": 8 * 3600.0}
    lasting = found.phones[0].mix
    assert lasting is not None
    share = 0.5 / 8.5
    power = share * made.power_mw["call"] + (1 - share) * made.power_mw["standby"]
    assert lasting.power_mw.value == pytest.approx(power, rel=3e-3)
    assert lasting.hours.value == pytest.approx(made.energy_mwh / power, rel=3e-3)
    alone = seen(made, mix_s={"call": 60.0}).phones[0]
    assert alone.mix is not None
    assert alone.mix.hours.value == pytest.approx(alone.activities[2].hours.value, rel=1e-9)


def test_without_a_full_charge_the_rated_one_stands_in_and_says_so(tmp_path: Path) -> None:
    for name, changed, why in (
        ("later", {"first_pct": 80.0}, "began at 80 %"),
        ("lost", {"end": "link_lost"}, "no evidence that the phone shut off"),
    ):
        made = make(tmp_path / name, **changed)
        phone = seen(made).phones[0]
        assert not phone.measured
        assert why in phone.said
        assert "rated capacity 1000 mAh times mean voltage" in phone.said
        assert phone.usable_mwh.value == pytest.approx(3800, rel=0.03)
        navigation = phone.activities[0]
        assert navigation.hours_to_reserve is None
        true_h = 3800 / made.power_mw["navigation"]
        assert (navigation.hours.lo95 or 0) < true_h < (navigation.hours.hi95 or 0)
        assert phone.near_empty is None
    nothing = make(tmp_path / "nothing", first_pct=80.0, capacity_mah=None)
    done = invoke("outlook", str(nothing.path))
    assert done.exit_code == 4
    assert "no rated capacity is stated" in done.stderr


PACKS = {
    "straight": straight,
    "phone": phone_cell,
    "laboratory A": laboratory_cell("cell_a_c10_discharge.csv"),
    "laboratory B": laboratory_cell("cell_b_c7_discharge.csv"),
}


@pytest.mark.parametrize("pack", PACKS)
@pytest.mark.parametrize(
    ("low_pct", "high_pct"),
    [(86, 100), (0, 21), (60, 62), (40, 70)],
    ids=["top", "bottom", "one call", "middle"],
)
def test_a_part_of_the_charge_tells_of_the_whole_with_honest_doubt(
    tmp_path: Path, pack: str, low_pct: float, high_pct: float
) -> None:
    def kept(level_pct: Floats) -> Bools:
        recorded: Bools = (level_pct >= low_pct) & (level_pct <= high_pct)
        return recorded

    made = make(tmp_path / "run", pack=PACKS[pack], kept=kept, end="link_lost")
    phone = seen(made).phones[0]
    usable = phone.usable_mwh
    assert (usable.lo95 or 0) < made.energy_mwh < (usable.hi95 or 0)
    assert (usable.hi95 or 0) / usable.value < 1.075
    n_seen = min(high_pct, 100) - max(low_pct, 1) + 1
    assert f"read over {n_seen:.0f} % of the level scale" in phone.said
    assert "elsewhere taken from a pack whose mean is 3.80 ± 0.15 V" in phone.said


def test_how_often_was_looked_does_not_count(tmp_path: Path) -> None:
    def kept(level_pct: Floats) -> Bools:
        recorded: Bools = (level_pct > 50) | (np.arange(len(level_pct)) % 12 == 0)
        return recorded

    made = make(tmp_path / "run", pack=PACKS["laboratory B"], kept=kept, end="link_lost")
    phone = seen(made).phones[0]
    assert phone.usable_mwh.value == pytest.approx(made.energy_mwh, rel=3e-3)
    assert "mean voltage 3.66 V, read over 100 % of the level scale" in phone.said
    assert "elsewhere" not in phone.said


def test_neither_charging_nor_steps_of_ten_mislead() -> None:
    """Up to full on a cable, at more than four volts throughout, then down by tens of percent."""
    t_s = np.arange(0.0, 12_000.0, 10.0)
    charge_ratio = np.where(t_s < 2000, t_s / 2000, 1 - (t_s - 2000) / 10_000)
    plugged = t_s < 2000
    found = pack_voltage(
        Series.from_arrays(
            t_s=t_s,
            voltage_mv=np.where(plugged, 4400.0, phone_cell(charge_ratio)),
            level_pct=10 * np.ceil(10 * charge_ratio),
            plugged=plugged,
        )
    )
    true_mv = float(np.mean(phone_cell(np.linspace(0, 1, 1001))))
    assert found.seen_ratio < 0.6
    assert abs(found.mean_mv - true_mv) < 2 * found.u_mv


def test_without_a_level_nothing_is_known_of_the_voltage() -> None:
    found = pack_voltage(Series.from_arrays(t_s=[0.0, 10.0], voltage_mv=[4200.0, 4200.0]))
    assert found.mean_mv == pytest.approx(3800.0)
    assert found.seen_ratio == 0
    assert found.u_mv == pytest.approx(np.hypot(150 / 3**0.5, 0.002 * 3800))


def test_what_happens_near_empty_does_not_spoil_the_rate(tmp_path: Path) -> None:
    made = make(tmp_path / "run", (("navigation", 40_000.0, 300.0),), low_ratio=0.7)
    phone = seen(made).phones[0]
    navigation = phone.activities[0]
    assert navigation.power_mw.value == pytest.approx(made.power_mw["navigation"], rel=3e-3)
    assert any("cut short" in note for note in navigation.notes)
    near = phone.near_empty
    assert near is not None
    assert near.activity == "navigation"
    assert near.share_ratio.value == pytest.approx(0.18, abs=0.01)
    assert near.power_ratio is not None
    low_v, high_v = 3400 + 0.8 * 100, 3400 + 0.8 * 600
    assert near.power_ratio.value == pytest.approx(0.7 * low_v / high_v, rel=0.01)
    assert (near.power_ratio.hi95 or 1) < 0.7
    change = 100 * (near.power_ratio.value - 1)
    printed = " ".join(invoke("outlook", str(made.path)).stdout.split())
    assert f"navigation drew −{-change:.1f} % against before (95 %: −" in printed
    assert "-" not in printed.partition("against before")[2].partition(")")[0]


@pytest.mark.parametrize("gain", [1.0, 1.01])
def test_the_charge_of_a_full_run_is_plausible_or_not(tmp_path: Path, gain: float) -> None:
    found = closure(load(make(tmp_path / "run", gain=gain).path).recordings[0])
    assert found.charge_mah == pytest.approx(1000 * gain, rel=5e-3)
    assert found.ratio.value == pytest.approx(gain, rel=5e-3)
    assert (found.ratio.lo95 or 1) < 1 < (found.ratio.hi95 or 1)
    done = invoke("calibrate", str(tmp_path / "run"))
    assert done.exit_code == 0, done.stderr
    assert "alder-1: plausibility, no calibration" in done.stdout
    plain = json.loads(invoke("calibrate", str(tmp_path / "run"), "--json").stdout)
    assert plain["what"] == "plausibility"
    assert plain["phones"][0]["ratio"]["value"] == found.ratio.value


def test_a_run_that_is_not_full_or_not_rated_has_no_closure(tmp_path: Path) -> None:
    for name, changed, why in (
        ("later", {"first_pct": 80.0}, "it began at 80 %"),
        ("lost", {"end": "link_lost"}, "no evidence that the phone shut off"),
        ("unrated", {"capacity_mah": None}, "no rated capacity is stated"),
    ):
        done = invoke("calibrate", str(make(tmp_path / name, **changed).path))
        assert done.exit_code == 2
        assert why in done.stderr


@pytest.fixture
def european(tmp_path: Path) -> Made:
    drawn = {"idle": 90.0, "gaming": 700.0}
    stages = tuple((name, minutes * 60, drawn.get(name, 300.0)) for name, minutes in SEQUENCE)
    return make(tmp_path / "europe", stages)


def test_the_european_figure(european: Made) -> None:
    phone = seen(european, nominal_mv=3850.0).phones[0]
    figure = phone.endurance
    assert figure is not None
    assert figure.hours.value == pytest.approx(european.hours + 6 / 3600, abs=1e-3)
    assert (figure.hours.hi95 or 0) - figure.hours.value == pytest.approx(
        1.96 * 12 / 12**0.5 / 3600, rel=0.01
    )
    assert figure.n_loops == int(european.hours * 60 // 150)
    assert float(figure.index_per_w or 0) == pytest.approx(european.hours / 3.85, abs=0.006)
    plain = json.loads(json.dumps(to_json(seen(european, nominal_mv=3850.0))))
    assert plain["phones"][0]["endurance"]["energy_class"] == figure.energy_class
    printed = invoke("outlook", str(european.path)).stdout
    assert "European endurance on one charge" in printed
    assert "could not be verified" in " ".join(printed.split())
    assert "--nominal-mv" in printed


def test_another_run_has_no_european_figure(tmp_path: Path) -> None:
    assert seen(make(tmp_path / "run"), nominal_mv=3850.0).phones[0].endurance is None


@pytest.mark.parametrize(
    ("text", "mix"),
    [
        ("call=30m", {"call": 1800.0}),
        ("call=30m, standby in the pocket=8h ,x=90s,y=2min", {
            "call": 1800.0, "standby in the pocket": 28800.0, "x": 90.0, "y": 120.0}),
        ("a=b=1h", {"a=b": 3600.0}),
    ],
)  # fmt: skip
def test_a_mix_is_read(text: str, mix: dict[str, float]) -> None:
    assert parse_mix(text) == mix


@pytest.mark.parametrize(
    "text",
    [
        "",
        "call",
        "call=30",
        "=30m",
        "call=-1h",
        "call=1h,call=2h",
        "call=nanh",
        "call=1d",
        ",",
        "a=1e99h",
    ],
)
def test_a_mix_that_is_none_is_refused(text: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="such as call=30m,standby=8h"):
        parse_mix(text)


def invoke(*words: str) -> Any:
    return CliRunner().invoke(rundown.app, list(words))


def test_the_command(tmp_path: Path) -> None:
    run = str(make(tmp_path / "run").path)
    done = invoke("outlook", run, "--mix", "call=30m,standby=8h")
    assert done.exit_code == 0, done.output
    for part in ("navigation", "to 20 %", "mix:", "rounds of 8:30:00", "measured in this run"):
        assert part in done.stdout, part
    assert max(len(line) for line in done.stdout.splitlines()) <= 100
    plain = json.loads(invoke("outlook", run, "--json").stdout)
    assert plain["phones"][0]["mix"] is None
    assert plain["phones"][0]["activities"][0]["hours"]["value"] > 0
    unknown = invoke("outlook", run, "--mix", "chess=1h")
    assert unknown.exit_code == 2
    assert "no phone did 'chess'; there is navigation, standby, call" in unknown.stderr
    for none in ("chess", ""):
        refused = invoke("outlook", run, "--mix", none)
        assert refused.exit_code == 2
        assert f"mix '{none}': give each activity once" in refused.stderr
    assert invoke("outlook", str(tmp_path / "nowhere")).exit_code == 2


def silent(level_pct: Floats) -> Bools:
    """Nothing is read for ten minutes of the first segment and two of the second."""
    number = np.arange(len(level_pct))
    gaps = [(number >= a / TICK_S) & (number < b / TICK_S) for a, b in ((600, 1200), (1900, 2020))]
    return ~np.logical_or(*gaps)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"plugged_s": (5500.0, 5540.0)}, ["! call: plugged in for 40 s"]),
        ({"kept": silent}, ["! navigation: no readings for 605 s", "! standby: no readings for"]),
        ({"end": "link_lost"}, ["! navigation: the recording ended"]),
    ],
    ids=["plugged", "gaps", "lost"],
)
def test_doubts_that_energy_tells_stand_beside_the_hours(
    tmp_path: Path, changed: dict[str, Any], said: list[str]
) -> None:
    run = str(make(tmp_path / "run", **changed).path)
    done, energy = invoke("outlook", run), invoke("energy", run)
    assert done.exit_code == 1, done.output
    printed = " ".join(done.stdout.split())
    for sentence in said:
        assert printed.count(sentence) == 1, printed
        assert energy.exit_code == 1
    plain = json.loads(invoke("outlook", run, "--json").stdout)
    flagged = {a["activity"] for a in plain["phones"][0]["activities"] if a["flags"]}
    assert flagged == {sentence[2:].partition(":")[0] for sentence in said}
    for activity in flagged:
        assert f"{activity} !" in printed
    assert "cut short: a rate, not a total" in printed
    assert "! call: cut short" not in printed


def test_a_run_that_nobody_ended_is_named(tmp_path: Path) -> None:
    made = make(tmp_path / "run")
    folder = RunFolder(made.path)
    folder.write_manifest(folder.read_manifest().model_copy(update={"outcome": None}))
    done = invoke("outlook", str(made.path))
    assert done.exit_code == invoke("energy", str(made.path)).exit_code == 1
    assert "! the run was interrupted" in done.stdout


def test_a_phone_without_segments_is_named(
    tmp_path: Path, phones_made: list[Any], writing: Callable[..., Path], tagging: Any
) -> None:
    tags = [
        tagging("begin", 20.0, "a\x1b[2J\u202e", phone="alder-1"),
        tagging("end", 400.0, phone="alder-1"),
    ]
    path = writing(tmp_path / "run", phones_made[:2], tags)
    folder = RunFolder(path)
    manifest = folder.read_manifest()
    rated = tuple(p.model_copy(update={"capacity_mah": 4000.0}) for p in manifest.phones)
    folder.write_manifest(manifest.model_copy(update={"phones": rated}))
    done = invoke("outlook", str(path))
    assert done.exit_code == 1, done.stderr
    assert "birch-1: no segment is tagged on it" in " ".join(done.stdout.split())
    assert "\x1b" not in done.stdout
    assert "\u202e" not in done.stdout
