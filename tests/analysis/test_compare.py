import json
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from rich.console import Console
from typer.testing import CliRunner

import rundown
from analysis import energy, load
from analysis.comparison.comparing import Compared, Measured, compare, to_json
from analysis.comparison.confounders import settings_of
from analysis.comparison.contrast import Rate, apart, once, side_by_side
from analysis.comparison.matching import matched
from analysis.comparison.verdict import Comparison, Verdict, adjusted
from analysis.outputs import verdict_table
from analysis.outputs.answers import answers, sentence
from analysis.report import Amount, EnergyReport, PhoneEnergy, SegmentEnergy
from analysis.statistics.inference import coverage_factor, smallest_seen
from parsers.runfolder import RunFolder

GAIN = 0.006
HOSTILE = "=1+1|'<script>[red]x[/]\u202e\x1b[2J`*"


def amount(power_mw: float, own: float, *, hours: float = 1.0, gain: float = GAIN) -> Amount:
    """An hour at a power, with a relative own uncertainty and one that the gauge shares."""
    energy_mwh = power_mw * hours
    shared = gain * energy_mwh
    u = math.hypot(own * energy_mwh, shared)
    return Amount(
        duration_s=3600 * hours,
        energy_mwh=energy_mwh,
        u_mwh=u,
        lo95_mwh=energy_mwh - 2 * u,
        hi95_mwh=energy_mwh + 2 * u,
        u_common_mwh=shared,
        shared_mwh=(shared, 0.0),
    )


Make = Callable[..., EnergyReport]


@pytest.fixture
def make(run_path: Path) -> Make:
    """Reports with phones of stated amounts, otherwise as computed from a small run."""
    base: EnergyReport = energy(load(run_path))

    def segment(name: str, done: Amount, **changed: Any) -> SegmentEnergy:
        first = base.phones[0].segments[0]
        return replace(first, segment=name, amount=done, flags=(), facts=(), **changed)

    def phone(label: str, amounts: dict[str, Amount], **changed: Any) -> PhoneEnergy:
        total = amount(sum(a.energy_mwh for a in amounts.values()), 0.001, hours=len(amounts))
        return replace(
            base.phones[0],
            phone=label,
            segments=tuple(segment(name, done) for name, done in amounts.items()),
            total=replace(total, energy_mwh=total.energy_mwh / len(amounts)),
            phone_hash=changed.pop("phone_hash", label.encode().hex()),
            **changed,
        )

    def report(phones: dict[str, dict[str, Amount]], **changed: Any) -> EnergyReport:
        hashes = changed.pop("hashes", {})
        made = (
            phone(label, amounts, **({"phone_hash": hashes[label]} if label in hashes else {}))
            for label, amounts in phones.items()
        )
        return replace(base, phones=tuple(made), **changed)

    return report


def found(compared: Compared, activity: str, one: str, other: str) -> Comparison:
    return next(
        c
        for c in compared.between_phones
        if (c.activity, c.one, c.other) == (activity, one, other)
    )


def test_a_wide_phone_does_not_hide_the_difference_of_two_others(make: Make) -> None:
    report = make(
        {
            "alder-1": {"navigation": amount(2805, 0.001)},
            "birch-1": {"navigation": amount(2485, 0.001)},
            "cedar-1": {"navigation": amount(2418, 0.08)},
        }
    )
    said = next(line for line in answers(report) if line.startswith("navigation"))
    assert "birch-1 drew 11.4 % less than alder-1 (95 %: 9.9 to 12.9 %)" in said
    assert "cedar-1 cannot be told from either (differences under 23 % cannot be seen)" in said


def test_the_gain_does_not_cancel_between_phones(make: Make) -> None:
    """Two gauges of 0.6 % each leave 1.7 % open, however well each run is known."""
    close = {"a-1": {"call": amount(1000, 1e-4)}, "b-1": {"call": amount(1012, 1e-4)}}
    unresolved = found(compare([make(close)]), "call", "a-1", "b-1")
    assert unresolved.verdict is Verdict.UNRESOLVED
    span = unresolved.contrast.ratio
    assert span.lo95 is not None
    assert span.hi95 is not None
    assert (span.hi95 - span.lo95) / 2 == pytest.approx(1.96 * GAIN * math.sqrt(2), rel=0.03)
    assert unresolved.contrast.smallest_seen_ratio == pytest.approx(
        (1.96 + 0.8416) * GAIN * math.sqrt(2), rel=0.03
    )
    assert unresolved.contrast.repeats.needed() is None, "repeats do not lessen the gauges' gain"


def test_the_gain_cancels_between_two_runs_of_one_phone(make: Make) -> None:
    """The same 1.2 %, by one gauge."""
    runs = [
        make({"a-1": {"call": amount(power, 1e-3)}}, run=name)
        for power, name in ((1000, "first"), (1012, "second"))
    ]
    comparison = next(c for c in compare(runs).between_runs if c.activity == "call")
    assert (comparison.one, comparison.other, comparison.phone) == ("second", "first", "a-1")
    assert comparison.verdict is Verdict.HIGHER
    difference = comparison.contrast.difference_mw
    assert difference.value == pytest.approx(12)
    assert (difference.hi95 or 0) - 12 == pytest.approx(
        1.96 * 1000 * math.sqrt(2) * 1e-3, rel=0.02
    )
    stranger = [runs[0], make({"a-1": {"call": amount(1012, 1e-3)}}, run="x", hashes={"a-1": ""})]
    unsure = next(c for c in compare(stranger).between_runs if c.activity == "call")
    assert unsure.verdict is Verdict.UNRESOLVED, "nobody knows that it is the same phone"


def test_swapping_the_sides_mirrors_the_verdict() -> None:
    rng = np.random.default_rng(3)
    for _ in range(50):
        one, other = (
            Rate.of(amount(float(rng.uniform(500, 1500)), float(rng.uniform(0.001, 0.05))))
            for _ in "ab"
        )
        there, back = once(one, other), once(other, one)
        assert there.p_value == pytest.approx(back.p_value)
        assert there.difference_mw.value == pytest.approx(-back.difference_mw.value)
        assert there.ratio.lo95 == pytest.approx(1 / (back.ratio.hi95 or math.nan))
        excludes = not (there.ratio.lo95 or 0) < 1 < (there.ratio.hi95 or math.inf)
        assert excludes == (there.p_value < 0.05), "interval and test say the same"


def test_verdicts_hold_what_they_promise() -> None:
    """Of many comparisons of two equal phones, 5 % come out as different before adjustment."""
    rng = np.random.default_rng(5)
    for n_runs in (1, 4):
        wrong, n = 0, 1500
        for _ in range(n):
            gains = 1 + GAIN * rng.standard_normal(2)
            pairs = [
                tuple(
                    Rate.of(amount(1000 * gain * (1 + float(x)), 0.01))
                    for gain, x in zip(gains, 0.01 * rng.standard_normal(2), strict=True)
                )
                for _ in range(n_runs)
            ]
            wrong += side_by_side(pairs).p_value < 0.05  # type: ignore[arg-type]
        # Scatter that the runs do not show is not taken for absent: some tables are too careful.
        assert 0.005 * n < wrong < 0.07 * n, n_runs


def test_a_scatter_between_runs_widens_what_each_run_alone_would_say(make: Make) -> None:
    ratios = (0.86, 1.04, 0.90, 1.00)
    runs = [
        make({"a-1": {"call": amount(1000 * r, 1e-3)}, "b-1": {"call": amount(1000, 1e-3)}}, run=n)
        for r, n in zip(ratios, "abcd", strict=True)
    ]
    alone = found(compare(runs[:1]), "call", "a-1", "b-1")
    assert alone.verdict is Verdict.LOWER
    compared = compare(runs)
    pooled = found(compared, "call", "a-1", "b-1")
    assert (pooled.contrast.n_runs, pooled.contrast.paired) == (4, True)
    assert pooled.verdict is Verdict.UNRESOLVED
    logs = np.log(ratios)
    reach = 3.1824 * np.std(logs, ddof=1) / 2
    low, high = pooled.contrast.ratio.lo95, pooled.contrast.ratio.hi95
    assert low is not None
    assert high is not None
    assert math.log(high / low) / 2 == pytest.approx(reach, rel=0.05)
    assert (pooled.contrast.repeats.needed() or 0) > 4
    replicate = next(r for r in compared.replicates if (r.activity, r.phone) == ("call", "a-1"))
    assert replicate.n_runs == 4
    assert replicate.run_s_mw == pytest.approx(1000 * np.std(ratios, ddof=1), rel=0.02)
    assert replicate.mean_power_mw.value == pytest.approx(950, rel=1e-3)
    assert replicate.p_value < 1e-6
    steady = next(r for r in compared.replicates if (r.activity, r.phone) == ("call", "b-1"))
    assert steady.run_s_mw == 0
    assert steady.p_value == pytest.approx(1)


def test_phones_that_never_ran_side_by_side_are_compared_unpaired(make: Make) -> None:
    runs = [
        make({label: {"call": amount(power, 1e-3)}}, run=f"{label}{power}")
        for label, power in (("a-1", 900), ("b-1", 1000), ("a-1", 910), ("b-1", 1012))
    ]
    comparison = found(compare(runs), "call", "a-1", "b-1")
    assert (comparison.contrast.n_runs, comparison.contrast.paired) == (2, False)
    assert comparison.contrast.ratio.value == pytest.approx(
        math.sqrt(900 * 910 / (1000 * 1012)), rel=1e-4
    )
    single = apart([Rate.of(amount(900, 1e-3))], [Rate.of(amount(1000, 1e-3))])
    assert single.n_runs == 1
    uneven = apart([Rate.of(amount(900, 1e-3))] * 2, [Rate.of(amount(1000, 1e-3))])
    assert uneven.ratio.value == pytest.approx(0.9, rel=1e-6)


def test_a_segment_cut_short_is_a_rate(make: Make) -> None:
    report = make(
        {"a-1": {"call": amount(1000, 1e-3)}, "b-1": {"call": amount(900, 1e-3, hours=0.4)}}
    )
    short = replace(report.phones[1].segments[0], cut_short=True)
    report = replace(
        report, phones=(report.phones[0], replace(report.phones[1], segments=(short,)))
    )
    comparison = found(compare([report]), "call", "a-1", "b-1")
    assert comparison.contrast.ratio.value == pytest.approx(1000 / 900)
    assert comparison.difference_mwh is None
    assert "b-1: cut short, compared as a rate" in comparison.confounders
    assert "a-1 and b-1 lasted 60 min and 24 min" in comparison.confounders
    whole = make({"a-1": {"call": amount(1000, 1e-3)}, "b-1": {"call": amount(900, 1e-3)}})
    difference = found(compare([whole]), "call", "a-1", "b-1").difference_mwh
    assert difference is not None
    assert difference.value == pytest.approx(100)


def test_what_else_may_be_behind_it_stands_beside(make: Make) -> None:
    report = make({"a-1": {"call": amount(1000, 1e-3)}, "b-1": {"call": amount(900, 1e-3)}})
    warm = replace(
        report.phones[1].segments[0],
        temperature_mean_c=(report.phones[0].segments[0].temperature_mean_c or 0) + 4,
        method="level",
        flags=("plugged in for 30 s (1%)",),
    )
    report = replace(
        report, phones=(report.phones[0], replace(report.phones[1], segments=(warm,)))
    )
    settings = {
        ("a-1", "call", 1): {"brightness": "180", "cycle_count": "12"},
        ("b-1", "call", 1): {
            "brightness": "90", "cycle_count": "410", "charge_full_mah": "2000",
        },
    }  # fmt: skip
    compared = compare([Measured(name="x", report=report, settings=settings)])
    said = found(compared, "call", "a-1", "b-1").confounders
    for part in (
        "b-1: plugged in for 30 s", "b-1: battery 4.0 °C warmer", "brightness: a-1 180, b-1 90",
        "b-1 by level", "a-1 12 cycles, b-1 410 cycles",
    ):  # fmt: skip
        assert any(part in line for line in said), part
    assert compared.needs_attention
    other_room = replace(report, run="other", ambient_c=(report.ambient_c or 20.0) + 5)
    rooms = compare([replace(report, ambient_c=20.0), other_room]).between_runs
    assert any("room 5.0 °C warmer" in line for c in rooms for line in c.confounders)


def test_holm_makes_a_chance_find_in_a_large_table_a_tie(make: Make) -> None:
    powers = {f"p-{k}": {"call": amount(1000 + k * 0.1, 1e-3)} for k in range(1, 8)}
    powers["p-8"] = {"call": amount(1020, 1e-3)}
    chance = found(compare([make(powers)]), "call", "p-1", "p-8")
    assert chance.contrast.p_value < 0.05 <= chance.p_adjusted
    assert chance.verdict is Verdict.UNRESOLVED
    alone = adjusted([chance])[0]
    assert alone.verdict is Verdict.LOWER


def test_the_answer_begins_with_how_long_the_phones_lasted(make: Make) -> None:
    report = make({name: {"call": amount(500, 1e-3)} for name in ("a-1", "b-1", "c-1")})
    one, other, third = (
        replace(
            phone,
            shut_off_utc=datetime(2026, 5, 4, tzinfo=UTC) if hours else None,
            total=replace(phone.total, duration_s=3600.0 * hours),
            traces=replace(phone.traces, level_pct=np.array([np.nan, level, level - 1])),
        )
        for phone, hours, level in zip(report.phones, (7, 8, 0), (100.0, 100.0, 90.0), strict=True)
    )
    said = answers(replace(report, phones=(one, other, third)))[0]
    assert said == ("from 100 % to shut-off: b-1 8:00:00, a-1 7:00:00; not seen to shut off: c-1")
    lower = replace(other, traces=replace(other.traces, level_pct=np.array([97.0])))
    said = answers(replace(report, phones=(one, lower)))[0]
    assert said == "to shut-off: b-1 8:00:00 (from 97 %), a-1 7:00:00 (from 100 %)"
    assert answers(replace(report, phones=(third,))) == []


def test_sentences_leave_out_what_follows_and_stay_short(make: Make) -> None:
    three = make(
        {f"{n}-1": {"call": amount(p, 1e-3)} for n, p in zip("abc", (500, 700, 900), strict=True)}
    )
    said = answers(three)[-1]
    assert "a-1 drew 28.6 % less than b-1" in said
    assert "b-1 drew 22.2 % less than c-1" in said
    assert "less than c-1" not in said.split(";")[0], "that a-1 drew less than c-1 follows"
    equal = make({f"{n}-1": {"call": amount(500, 1e-3)} for n in "abc"})
    assert answers(equal)[-1].startswith("call: nothing tells a-1, b-1 and c-1 apart (differences")
    many = make({f"p-{k}": {"call": amount(500 * 1.01**k, 1e-3)} for k in range(12)})
    said = answers(many)[-1]
    assert said.startswith("call: p-0 drew least of 12: ")
    assert "% less than p-3 (95 %: " in said
    assert "p-1 and p-2 cannot be told from it (differences under" in said
    alike = make({f"p-{k}": {"call": amount(500, 1e-3)} for k in range(12)})
    assert "nothing tells p-0 from any of the other 11" in answers(alike)[-1]
    assert answers(make({"a-1": {"call": amount(500, 1e-3)}})) == []


def test_a_phone_is_recognised_by_its_hash_a_stranger_by_its_label(make: Make) -> None:
    call = {"call": amount(1000, 1e-3)}
    first = make({"alder-1": call, "birch-1": call}, run="1")
    renamed = make({"alder-x": call, "birch-1": call}, run="2", hashes={
        "alder-x": first.phones[0].phone_hash, "birch-1": "0ther"})  # fmt: skip
    match = matched([first, renamed], ["one", "two"])
    assert match.name(1, "alder-x") == "alder-1"
    assert match.name(1, "birch-1") == "birch-1 in two"
    assert any("another phone" in note for note in match.notes)
    paired = matched([first, renamed], ["one", "two"], [("birch-1", "birch-1")])
    assert paired.name(1, "birch-1") == "birch-1"
    nameless = make({"alder-1": call, "birch-1": call}, run="3", hashes={
        "alder-1": "aa", "birch-1": "aa"})  # fmt: skip
    assert matched([nameless], ["x"]).names == ("alder-1", "birch-1"), "a hash of nothing"
    alone = replace(renamed, phones=renamed.phones[:1])
    joined = matched([first, alone], ["one", "two"], [("birch-1", "alder-x")])
    assert joined.name(0, "birch-1") == joined.name(1, "alder-x") == "birch-1"


@pytest.mark.parametrize(
    ("runs", "same", "said"),
    [
        (["1", "1"], [], "named twice"),
        (["1"], [("alder-1", "elm-9")], "elm-9"),
        (["1"], [("alder-1", "birch-1")], "count as alder-1"),
    ],
)
def test_nonsense_is_refused(make: Make, runs: list[str], same: Any, said: str) -> None:
    call = {"call": amount(1000, 1e-3)}
    reports = [make({"alder-1": call, "birch-1": call}, run=run) for run in runs]
    with pytest.raises(ValueError, match=said):
        compare(reports, same)


def test_nothing_to_compare_is_said(make: Make) -> None:
    with pytest.raises(ValueError, match="nothing to compare"):
        compare([make({"a-1": {"call": amount(1000, 1e-3)}})])


def test_hostile_names_stay_text(make: Make) -> None:
    report = make({n: {HOSTILE: amount(p, 1e-3)} for n, p in (("a-1", 500), ("b-1", 900))})
    said = sentence([c for c in compare([report]).between_phones if c.activity == HOSTILE])
    assert all(char.isprintable() for char in said)
    assert "b-1" in said


def test_from_python(run_path: Path) -> None:
    for _ in range(2):  # the second time, every module has been loaded
        from analysis import compare as offered  # noqa: PLC0415 - that is the point

        compared = offered([energy(load(run_path))])
        assert {c.verdict for c in compared.between_phones} <= set(Verdict)
        assert any("one run is one sample" in remark for remark in compared.remarks)


def test_equal_phones_side_by_side_need_no_attention(make: Make) -> None:
    report = make({"a-1": {"call": amount(1000, 1e-3)}, "b-1": {"call": amount(900, 1e-3)}})
    assert not compare([report]).needs_attention
    broken = compare([replace(report, interrupted=True)])
    assert broken.needs_attention
    assert any("was interrupted" in note for note in broken.notes)


def invoke(*words: str) -> Any:
    return CliRunner().invoke(rundown.app, list(words))


def test_the_command_prints_verdicts(run_path: Path) -> None:
    done = invoke("compare", str(run_path))
    assert done.exit_code == 1, done.output
    for part in (
        "navigation",
        "voice call",
        "whole run",
        "cannot tell",
        "Holm",
        "cedar-1 by level",
    ):
        assert part in done.stdout, part
    assert max(len(line) for line in done.stdout.splitlines()) <= 110


def test_the_command_prints_json(run_path: Path) -> None:
    done = invoke("compare", str(run_path), "--json")
    plain = json.loads(done.stdout)
    assert list(plain) == [
        *("schema", "runs", "adjusted", "between_phones", "between_runs"),
        *("replicates", "notes", "remarks"),
    ]  # fmt: skip
    assert plain["runs"] == [str(run_path)]
    assert len(plain["between_phones"]) == 9
    for row in plain["between_phones"]:
        assert row["verdict"] in ("lower", "higher", "cannot tell")
        assert row["p_adjusted"] >= row["p_value"]
        assert set(row["ratio"]) == {"value", "lo95", "hi95"}
    report = energy(load(run_path))
    settings = settings_of(load(run_path), report)
    measured = Measured(name=str(run_path), report=report, settings=settings)
    again = to_json(compare([measured]))
    assert json.loads(json.dumps(again)) == plain


def test_two_runs_on_the_command_line(
    run_path: Path, tmp_path: Path, phones_made: list[Any], writing: Callable[..., Path],
    tagging: Any,
) -> None:  # fmt: skip
    tags = [tagging("begin", 20.0, HOSTILE[:60]), tagging("end", 400.0)]
    other = writing(tmp_path / "other", phones_made[:2], tags)
    same_id = invoke("compare", str(run_path), str(other))
    assert same_id.exit_code == 2
    assert "named twice" in same_id.stderr
    folder = RunFolder(other)
    folder.write_manifest(folder.read_manifest().model_copy(update={"run_id": "run-2"}))
    done = invoke("compare", str(run_path), str(other))
    assert done.exit_code == 1, done.stderr
    assert "between runs" in done.stdout
    assert "over all runs" in done.stdout
    assert "\x1b" not in done.stdout
    assert "\u202e" not in done.stdout
    assert invoke("compare", str(run_path), "--pair", "alder-1").exit_code == 2
    strange = invoke("compare", str(run_path), "--pair", "alder-1=elm")
    assert strange.exit_code == 2
    assert "elm" in strange.stderr
    assert invoke("compare", str(tmp_path / "nowhere")).exit_code == 2


@pytest.mark.parametrize(
    ("changed_after_s", "seen"),
    [(20.0, "180"), (300.0, "224 then 180"), (-0.01, "224")],
    ids=["begin", "middle", "end"],
)
def test_a_setting_made_at_a_border_is_no_change_within(
    run_path: Path, changed_after_s: float, seen: str
) -> None:
    run = load(run_path)
    report = energy(run)
    segment = report.phones[0].segments[0]
    at_s = (segment.start_s if changed_after_s > 0 else segment.end_s) + changed_after_s
    changes = pd.DataFrame(
        {"t_s": [0.0, at_s], "name": ["brightness"] * 2, "value": ["224", "180"]}
    )
    recordings = tuple(replace(recording, context=changes) for recording in run.recordings)
    settings = settings_of(replace(run, recordings=recordings), report)
    assert settings[report.phones[0].phone, segment.segment, 1] == {"brightness": seen}


@pytest.mark.parametrize("width", [80, 120])
def test_verdicts_are_whole_on_a_terminal_of_any_width(make: Make, width: int) -> None:
    powers = {"dogwood-1": 500.0, "alder-1": 700.0, "juniper-12": 701.0}
    report = make({n: {"standby in the pocket": amount(p, 1e-3)} for n, p in powers.items()})
    console = Console(width=width, file=StringIO())
    verdict_table.show(compare([report]), console)
    assert isinstance(console.file, StringIO)
    lines = console.file.getvalue().splitlines()
    headings = next(line for line in lines if line.startswith("judged"))
    assert headings.split()[-2:] == ["unseen", "runs"]
    assert ("mW" in headings.split()) == (width == 120)
    assert ("no room for mW: widen" in " ".join(lines)) == (width == 80)
    assert sum(line.strip() == "standby in the pocket" for line in lines) == 1
    rows = [line.split() for line in lines if line.startswith(tuple(powers))]
    assert [row[:2] for row in rows][-1] == ["alder-1", "juniper-12"]
    assert rows[-1][2:4] == ["cannot", "tell"]
    assert rows[-1][-1] in ("never", *map(str, range(2, 100)), "99")


@pytest.mark.parametrize("width", [60, 80, 100])
def test_no_verdict_is_broken_by_long_names_of_runs(make: Make, width: int) -> None:
    runs = [
        Measured(
            name=f"recordings/2026/{day}-courier-shift",
            report=make({"alder-1": {"navigation": amount(p, 0.001)}}, run=day),
        )
        for day, p in (("monday", 2000.0), ("tuesday", 2000.1))
    ]
    console = Console(width=width, file=StringIO())
    verdict_table.show(compare(runs), console)
    assert isinstance(console.file, StringIO)
    text = console.file.getvalue()
    head, _, rest = text[text.index("between runs") :].partition("comparisons of")
    rows = head.splitlines()[3:]
    headings = next(line for line in head.splitlines() if line.startswith("judged"))
    verdicts = [line for line in rows if "cannot" in line]
    assert len(verdicts) == 2, "one for the whole, one for its only activity"
    for line in verdicts:
        assert "cannot tell" in line
        assert line.endswith("> 99") == ("runs" in headings.split())
    assert rest
    assert ("no room for mW" in head) == ("mW" not in headings.split())
    assert max(map(len, text.splitlines())) <= width


def test_what_could_have_been_seen_is_seen_with_the_stated_power() -> None:
    """Of 20 000 measurements of a difference of that size, 80 % come out as one."""
    rng = np.random.default_rng(1)
    for n_free in (4.0, math.inf):
        seen = smallest_seen(1.0, n_free)
        u = np.sqrt(rng.chisquare(n_free, 20_000) / n_free) if n_free < math.inf else 1.0
        found = np.abs(seen + rng.standard_normal(20_000)) > coverage_factor(n_free) * u
        assert np.mean(found) == pytest.approx(0.8, abs=0.02)
