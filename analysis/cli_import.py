"""The commands `import` and `calibrate`."""

from pathlib import Path
from typing import Annotated

import typer

from analysis.console import print_json
from parsers.exits import ATTENTION, DONE, reported
from parsers.text import printable, so_many

app = typer.Typer()


@app.command("import")
def import_(
    log: Annotated[Path, typer.Argument(help="Readings as CSV; columns by name, see above.")],
    segments: Annotated[
        Path, typer.Option(help="CSV with segment, start_s, end_s and perhaps phone.")
    ],
    out: Annotated[Path, typer.Option(help="Run folder to make.")],
    capacity_mah: Annotated[
        list[str] | None,
        typer.Option(help="Rated capacity, or LABEL=MAH of one phone, repeatable."),
    ] = None,
    title: Annotated[str, typer.Option(help="Title of the run.")] = "",
) -> None:
    """Make a run of a log that was recorded by other means.

    Columns: one of t_s, boot_s, time_utc; phone; level_pct; voltage_mv, _uv or _v; current_ma,
    _ua, _a or current_raw; charge_counter_mah, _uah or charge_counter_raw; temperature_c or _dc;
    plugged; awake_s. Segments are on the same clock: with time_utc alone, seconds since its first
    row. A raw column is one whose unit and sign nobody knows.

    Example: rundown import log.csv --segments segments.csv --out old-run --capacity-mah 4000
    """
    with reported():
        from analysis.logs.importing import import_log

        done = import_log(
            log, segments, out, capacities_mah=_capacities(capacity_mah or []), title=title
        )
        for phone, n_readings in done.n_readings.items():
            typer.echo(f"{phone}: {so_many(n_readings, 'reading')}; {done.why[phone]}", err=True)
        for note in (*done.notes, *done.lacks):
            typer.echo(note, err=True)
        typer.echo(done.folder.path)
        raise typer.Exit(ATTENTION if done.lacks else DONE)


@app.command()
def calibrate(
    run: Annotated[Path, typer.Argument(help="Run folder.")],
    meter: Annotated[
        Path | None,
        typer.Argument(help="CSV with t_s or time_utc, and power_* or voltage_* and current_*."),
    ] = None,
    phone: Annotated[
        str | None, typer.Option(help="Label; needed if the run has several.")
    ] = None,
    meter_u_pct: Annotated[
        float, typer.Option(min=0.001, max=10, help="Standard uncertainty of the meter, percent.")
    ] = 0.1,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Calibrate a phone's gauge by a meter's log of the same run.

    The result is kept for later runs of the phone. Without a log, the charge of a full run is set
    against the rated capacity: plausible or not, but no calibration.

    Example: rundown calibrate monday meter.csv --phone alder-1
    """
    with reported():
        if meter is None:
            done = show_closure(run, phone, as_json=as_json)
        else:
            done = show_calibrated(run, meter, phone, meter_u_pct / 100, as_json=as_json)
        raise typer.Exit(DONE if done else ATTENTION)


def show_calibrated(
    path: Path, meter: Path, phone: str | None, meter_u_ratio: float, *, as_json: bool = False
) -> bool:
    """Calibrates, keeps and prints; says whether it could be kept."""
    from analysis.calibrating.calibrate import calibrate as fit
    from analysis.calibrating.calibration import keep
    from analysis.outputs import calibration_text
    from analysis.readings.run import load

    run = load(path)
    found = fit(run, run.recording(phone), meter, meter_u_ratio=meter_u_ratio)
    try:
        kept: Path | None = keep(found.calibration)
    except ValueError as exc:
        typer.echo(f"not kept: {exc}", err=True)
        kept = None
    if as_json:
        print_json(calibration_text.to_json(found, kept))
    else:
        for line in calibration_text.lines(found, kept):
            typer.echo(line)
    return kept is not None


def show_closure(path: Path, phone: str | None, *, as_json: bool = False) -> bool:
    """Prints whether the charge of a full run is plausible; says whether any phone tells."""
    from analysis.calibrating.closure import closures
    from analysis.outputs import calibration_text
    from analysis.readings.run import load

    found, why_not = closures(load(path), phone)
    for said in why_not:
        typer.echo(printable(said, 300), err=True)
    if as_json:
        print_json(calibration_text.closures_json(found))
    else:
        for closure in found:
            typer.echo(calibration_text.closure_line(closure))
    return not why_not


def _capacities(given: list[str]) -> dict[str | None, float]:
    found: dict[str | None, float] = {}
    for text in given:
        label, _, figure = text.rpartition("=")
        try:
            value = float(figure)
        except ValueError:
            value = 0.0
        if not 100 <= value <= 100_000:
            raise typer.BadParameter(f"--capacity-mah: '{figure}' is not 100 to 100000 mAh")
        found[label or None] = value
    return found
