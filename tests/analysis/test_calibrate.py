import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from typer.testing import CliRunner

import rundown
from analysis import energy, load
from analysis.calibrating.alignment import Track, align
from analysis.calibrating.calibrate import calibrate
from analysis.calibrating.calibration import Calibration, calibrated, calibration_for, keep
from analysis.errors import LogError, NotEnoughError
from analysis.estimation.estimate import Cause, Component, Estimate
from analysis.readings.run import Run
from analysis.statistics.line import fit_line
from parsers.runfolder import RunFolder

Floats = npt.NDArray[np.float64]
STAGES = (
    ("navigation", 700.0), ("voice call", 600.0), ("standby", 500.0), ("scanning", 600.0),
    ("voice call", 500.0), ("video", 600.0),
)  # fmt: skip
METER_S = 500.25
"""What the meter's clock showed when the run began."""


@pytest.fixture(autouse=True)
def user_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user's data folder of the test's own."""
    monkeypatch.setattr("analysis.calibrating.calibration.folder", lambda: tmp_path / "kept")
    return tmp_path / "kept"


@dataclass(frozen=True)
class Bench:
    path: Path
    meter: Path
    truth: Any
    gain: float


@pytest.fixture
def bench(
    tmp_path: Path, truth_of: Any, reading_of: Any, writing: Callable[..., Path], tagging: Any
) -> Bench:
    """A run of one phone whose gauge has a known gain, and a meter's log of it."""
    from types import SimpleNamespace  # noqa: PLC0415 - what the run needs of a phone made

    seed = 4
    truth = truth_of(seed, STAGES)
    phone = SimpleNamespace(
        label="alder-1", truth=truth, series=reading_of(truth, "fine", seed), plugged=False,
        entry={"capacity_mah": 4000.0},
    )  # fmt: skip
    tags = [tagging("begin", 20.0, "navigation"), tagging("end", 690.0)]
    path = writing(tmp_path / "run", [phone], tags)
    gain = 1 + float(np.random.default_rng(seed + 1000).uniform(-0.01, 0.01))
    return Bench(path, meter_log(tmp_path / "meter.csv", truth), truth, gain)


def meter_log(path: Path, truth: Any, **columns: str) -> Path:
    """Volts and amperes, means over a fifth of a second, from half a minute in to near the end."""
    edges = np.arange(30.0, truth.t_s[-1] - 40.0, 0.2)
    power_mw = np.diff(np.interp(edges, truth.t_s, truth.energy_mwh)) / 0.2 * 3600
    t_s = (edges[:-1] + edges[1:]) / 2
    volts = np.interp(t_s, truth.t_s[1:], truth.voltage_mv) / 1000
    rows = zip(t_s + METER_S, volts, power_mw / 1000 / volts, strict=True)
    path.write_text(
        "t_s,voltage_v,current_a\n" + "".join(f"{t:.3f},{v:.5f},{i:.6f}\n" for t, v, i in rows)
    )
    return path


def test_gain_offset_and_clock_are_found(bench: Bench) -> None:
    run = load(bench.path)
    found = calibrate(run, run.recordings[0], bench.meter)
    calibration = found.calibration
    assert calibration.gain == pytest.approx(bench.gain, abs=3 * calibration.gain_u)
    assert calibration.gain_u < 0.003
    assert abs(calibration.offset_mw) < 3 * calibration.offset_u_mw
    assert calibration.offset_u_mw < 5
    assert found.alignment.offset_s == pytest.approx(-METER_S, abs=0.3)
    assert found.alignment.drift_ratio == 0
    assert found.n_blocks > 20
    assert set(found.noise_mw) <= {1.0, 10.0, 100.0}
    coarser = [found.noise_mw[s] for s in sorted(found.noise_mw)]
    assert coarser == sorted(coarser, reverse=True), "averaging longer, less noise"


def test_a_meter_that_tells_the_time_of_day_or_the_other_direction(
    bench: Bench, tmp_path: Path
) -> None:
    run = load(bench.path)
    rows = [line.split(",") for line in bench.meter.read_text().splitlines()[1:]]
    began = run.manifest.clocks.utc
    stamped = (
        (began + timedelta(seconds=float(t) - METER_S + 90), -1000 * float(v) * float(i))
        for t, v, i in rows
    )
    utc = tmp_path / "utc.csv"
    lines = (f"{at.isoformat()},{power_mw:.3f}\n" for at, power_mw in stamped)
    utc.write_text("time_utc,power_mw\n" + "".join(lines))
    found = calibrate(run, run.recordings[0], utc)
    assert found.calibration.gain == pytest.approx(bench.gain, abs=3 * found.calibration.gain_u)


def test_energy_uses_what_was_kept_and_says_so(bench: Bench) -> None:
    before = energy(load(bench.path)).phones[0].segments[0]
    done = invoke("calibrate", str(bench.path), str(bench.meter), "--json")
    assert done.exit_code == 0, done.output + done.stderr
    plain = json.loads(done.stdout)
    assert plain["kept"]
    assert plain["calibration"]["gain"] == pytest.approx(bench.gain, abs=0.01)
    phone = energy(load(bench.path)).phones[0]
    after = phone.segments[0]
    assert any("gauge calibrated against a meter on 04 May 2026" in note for note in phone.facts)
    gain = plain["calibration"]["gain"]
    assert after.amount.energy_mwh == pytest.approx(before.amount.energy_mwh / gain, rel=3e-3)
    assert after.amount.u_common_mwh < before.amount.u_common_mwh / 2
    assert after.true_energy_mwh is not None
    assert after.amount.lo95_mwh < after.true_energy_mwh < after.amount.hi95_mwh
    parts = sum(s.amount.energy_mwh for s in phone.segments) + phone.untagged.energy_mwh
    assert parts == pytest.approx(phone.total.energy_mwh, rel=1e-12)


def test_the_command_tells_in_words(bench: Bench) -> None:
    done = invoke("calibrate", str(bench.path), str(bench.meter), "--phone", "alder-1")
    assert done.exit_code == 0, done.stderr
    for part in ("gain", "offset", "blocks of 60 s", "meter's clock", "kept for later runs"):
        assert part in done.stdout, part


def test_an_imported_run_is_calibrated_but_not_kept(bench: Bench, user_data: Path) -> None:
    folder = RunFolder(bench.path)
    manifest = folder.read_manifest()
    nameless = tuple(p.model_copy(update={"phone_hash": ""}) for p in manifest.phones)
    folder.write_manifest(manifest.model_copy(update={"phones": nameless}))
    done = invoke("calibrate", str(bench.path), str(bench.meter))
    assert done.exit_code == 1
    assert "not kept" in done.stderr
    assert not user_data.exists()


def spoilt(bench: Bench, tmp_path: Path, how: str) -> Path:
    header, *rows = bench.meter.read_text().splitlines()
    path = tmp_path / "spoilt.csv"
    changed = {
        "no power": ["t_s,voltage_v", *(",".join(r.split(",")[:2]) for r in rows)],
        "unknown column": [header.replace("current_a", "ampere"), *rows],
        "backwards": [header, *rows[::-1]],
        "short": [header, *rows[:300]],
        "even": [header, *(f"{r.split(',')[0]},4.0,0.5" for r in rows)],
        "thousandfold": [header.replace("current_a", "current_ma"), *rows],
    }[how]
    path.write_text("\n".join(changed) + "\n")
    return path


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("no power", "needs a column of power"),
        ("unknown column", "unknown column 'ampere'"),
        ("backwards", "its times must ascend"),
        ("short", "less than 120 s in common"),
        ("even", "does the load change?"),
        ("thousandfold", "another unit or phone"),
    ],
)
def test_what_does_not_fit_is_refused_with_a_sentence(
    bench: Bench, tmp_path: Path, user_data: Path, how: str, said: str
) -> None:
    done = invoke("calibrate", str(bench.path), str(spoilt(bench, tmp_path, how)))
    assert done.exit_code == 2, done.output
    assert said in done.stderr
    assert not user_data.exists()


def test_which_phone_must_be_clear(run_path: Path, tmp_path: Path) -> None:
    meter = tmp_path / "meter.csv"
    meter.write_text("t_s,power_w\n0,1\n1,2\n")
    several = invoke("calibrate", str(run_path), str(meter))
    assert several.exit_code == 2
    assert "which phone? --phone, one of alder-1, birch-1, cedar-1" in several.stderr
    strange = invoke("calibrate", str(run_path), str(meter), "--phone", "elm-1\x1b")
    assert strange.exit_code == 2
    assert "\x1b" not in strange.stderr
    level_only = invoke("calibrate", str(run_path), str(meter), "--phone", "cedar-1")
    assert "no current was read" in level_only.stderr


def test_without_a_meter_only_plausibility(bench: Bench) -> None:
    part = invoke("calibrate", str(bench.path))
    assert part.exit_code == 2
    assert "closure needs a run from 100 % to shut-off" in part.stderr


def test_clocks_that_drift_are_followed() -> None:
    rng = np.random.default_rng(8)
    edges = np.arange(0.0, 14_401.0)
    power = np.repeat(rng.uniform(300, 3000, 1440), 10) + rng.normal(0, 50, 14_400)
    total = np.concatenate([[0.0], np.cumsum(power)]) / 3600

    def energy_mwh(at: Floats) -> Floats:
        return np.interp(at, edges, total)

    def by_meter(at: Floats) -> Floats:
        return energy_mwh((at - 77.7) / (1 + 60e-6))

    phone = Track(first_s=0.0, last_s=14_400.0, energy_mwh=energy_mwh)
    meter = Track(first_s=300.0, last_s=14_000.0, energy_mwh=by_meter)
    found = align(phone, meter, 1.0)
    assert found.drift_ratio == pytest.approx(-60e-6, rel=0.05)
    assert found.likeness > 0.99
    moments = np.array([500.0, 7000.0, 13_500.0])
    true = (moments - 77.7) / (1 + 60e-6)
    assert found.on_phone(moments) == pytest.approx(true, abs=0.03)
    assert found.on_meter(found.on_phone(moments)) == pytest.approx(moments, abs=1e-6)


def test_a_load_that_repeats_itself_has_no_one_offset() -> None:
    edges = np.arange(0.0, 7201.0)
    total = np.concatenate([[0.0], np.cumsum(1000 + 500 * np.sign(np.sin(edges[:-1] / 95)))])
    track = Track(first_s=0.0, last_s=7200.0, energy_mwh=lambda at: np.interp(at, edges, total))
    part = Track(first_s=0.0, last_s=3600.0, energy_mwh=track.energy_mwh)
    with pytest.raises(
        NotEnoughError, match=r"several offsets, 597 s apart.* a column time_utc in"
    ):
        align(track, part, 1.0)
    near = align(track, part, 1.0, near_s=(-100.0, 100.0))
    assert near.offset_s == pytest.approx(0.0, abs=0.05)
    with pytest.raises(NotEnoughError, match="several offsets") as found:
        align(track, part, 1.0, near_s=(-600.0, 600.0))
    assert "time_utc" not in str(found.value), "it has that column"
    with pytest.raises(NotEnoughError, match="not within 1 min of what its column time_utc says"):
        align(track, part, 1.0, near_s=(20.0, 140.0))


SHIFT = (
    ("navigation", 4800.0), ("voice call", 1200.0), ("scanning", 2700.0), ("standby", 5400.0),
    ("video", 1800.0), ("navigation", 9000.0),
)  # fmt: skip
SHIFT_OFFSET_MA = 0.5


@pytest.fixture(scope="module")
def shift(
    tmp_path_factory: pytest.TempPathFactory, truth_of: Any, reading_of: Any, writing: Any
) -> tuple[Run, Any, float]:
    """A whole shift of one phone whose gauge has a known gain and offset: run, truth and gain."""
    from types import SimpleNamespace  # noqa: PLC0415 - what the run needs of a phone made

    seed = 2
    truth = truth_of(seed, SHIFT)
    series = reading_of(truth, "fine", seed)
    series = replace(
        series,
        current_ma=series.current_ma + SHIFT_OFFSET_MA,
        counter_mah=series.counter_mah + SHIFT_OFFSET_MA * series.t_s / 3600,
    )
    phone = SimpleNamespace(label="alder-1", truth=truth, series=series, plugged=False, entry={})
    path = writing(tmp_path_factory.mktemp("shift") / "run", [phone], [])
    return load(path), truth, 1 + float(np.random.default_rng(seed + 1000).uniform(-0.01, 0.01))


def shift_log(
    path: Path, shift: tuple[Run, Any, float], row_s: float, clock: str, *, late_s: float = 0.0
) -> Path:
    """A meter's log of nearly all of it, means over each row, by clocks that need not be right."""
    run, truth, _ = shift
    edges = np.arange(30.0, truth.t_s[-1] - 40.0, row_s)
    power_mw = np.diff(np.interp(edges, truth.t_s, truth.energy_mwh)) / row_s * 3600
    moments_s = (edges[:-1] + edges[1:]) / 2
    began_utc = run.manifest.clocks.utc
    stamps = {
        "t_s": [f"{at_s + METER_S:.3f}" for at_s in moments_s],
        "time_utc": [
            (began_utc + timedelta(seconds=at_s + late_s)).isoformat()
            for at_s in moments_s.tolist()
        ],
    }
    columns = [stamps[name] for name in clock.split(",")]
    rows = zip(*columns, (f"{mw:.3f}" for mw in power_mw), strict=True)
    path.write_text("".join(f"{','.join(row)}\n" for row in [(clock, "power_mw"), *rows]))
    return path


@pytest.mark.parametrize("clock", ["t_s", "time_utc", "t_s,time_utc"])
@pytest.mark.parametrize("row_s", [1.0, 5.0, 10.0])
def test_a_whole_shift_is_calibrated(
    shift: tuple[Run, Any, float], tmp_path: Path, row_s: float, clock: str
) -> None:
    run, truth, gain = shift
    meter = shift_log(tmp_path / "meter.csv", shift, row_s, clock, late_s=20.0)
    found = calibrate(run, run.recordings[0], meter).calibration
    assert abs(found.gain - gain) < 2 * found.gain_u
    assert found.gain_u < 0.002
    volts = float(np.mean(truth.voltage_mv)) / 1000
    assert abs(found.offset_mw + SHIFT_OFFSET_MA * volts) < 2 * found.offset_u_mw
    assert found.offset_u_mw < 3.0


def test_a_meter_whose_time_of_day_is_wrong(shift: tuple[Run, Any, float], tmp_path: Path) -> None:
    meter = shift_log(tmp_path / "meter.csv", shift, 5.0, "time_utc", late_s=700.0)
    run = shift[0]
    with pytest.raises(NotEnoughError, match="10 min of what its column time_utc says; put that"):
        calibrate(run, run.recordings[0], meter)


KEPT = {
    "phone_hash": "0a1b", "gain": 1.01, "offset_mw": 2.0, "gain_u": 0.001, "offset_u_mw": 0.5,
    "correlation": -0.8, "low_mw": 100.0, "high_mw": 3000.0, "run": "r",
    "run_utc": "2026-05-04T06:00:00Z", "meter": "m.csv",
}  # fmt: skip


def test_what_is_kept_comes_back_and_only_for_that_phone(user_data: Path) -> None:
    calibration = Calibration.model_validate(KEPT)
    keep(calibration)
    assert calibration_for("0a1b") == calibration
    assert calibration_for("0a1c") is None
    for hostile in ("", "../0a1b", "0a1b.json", "0A1B", "0a1b\n"):
        assert calibration_for(hostile) is None
        with pytest.raises(ValueError, match="which phone"):
            keep(calibration.model_copy(update={"phone_hash": hostile}))
    (user_data / "0a1b.json").write_text("{}")
    with pytest.raises(LogError, match="calibrate again"):
        calibration_for("0a1b")


def test_gain_and_offset_are_taken_out_with_their_doubt() -> None:
    """Against the propagation of a line's covariance through (E - offset h) / gain."""
    calibration = Calibration.model_validate(KEPT)
    borders = np.array([0.0, 3600.0, 10_800.0, 12_600.0])
    estimate = Estimate(
        method=("power integral", "power integral", "level"),
        energy_mwh=np.array([1012.0, 204.0, 500.0]),
        components=(
            Component(
                name="own",
                kind="A",
                distribution="normal",
                source="made",
                covariance_mwh2=np.diag([1.0, 4.0, 9.0]),
            ),
            Component.common(Cause.CURRENT_GAIN, np.array([6.0, 1.2, 10.0])),
        ),
        covered_ratio=np.ones(3),
        n_free=np.full(3, np.inf),
        flags=((), (), ()),
    )
    done = calibrated(calibration, estimate, borders)
    assert done.energy_mwh == pytest.approx([1000.0, 200 / 1.01, 500.0])
    hours = np.diff(borders) / 3600
    sensitivity = np.column_stack([done.energy_mwh, hours])[:2] / 1.01
    line = np.array([[1e-6, -0.8 * 1e-3 * 0.5], [-0.8 * 1e-3 * 0.5, 0.25]])
    expected = sensitivity @ line @ sensitivity.T + np.diag([1.0, 4.0]) / 1.01**2
    assert done.covariance_mwh2[:2, :2] == pytest.approx(expected, rel=1e-9)
    assert done.covariance_mwh2[2, 2] == pytest.approx(9 + 100)
    assert calibrated(None, estimate, borders) is estimate


def test_the_interval_of_a_line_holds_the_truth() -> None:
    rng = np.random.default_rng(11)
    held, n = 0, 400
    x_true = np.linspace(100, 3000, 30)
    for _ in range(n):
        x = x_true + rng.normal(0, 8, 30)
        y = 5 + 1.02 * x_true + rng.normal(0, 12, 30)
        line = fit_line(x, y, np.full(30, 8.0), np.full(30, 12.0))
        held += abs(line.gain - 1.02) < 1.96 * np.sqrt(line.covariance[1, 1])
    assert 0.92 < held / n < 0.98


def invoke(*words: str) -> Any:
    return CliRunner().invoke(rundown.app, list(words))
