"""The command `check`: is the test fair and safe to start?"""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from collector.cli_plan import plan_or_problems
from collector.terminal import label_values, new_console
from parsers.exits import ATTENTION, DONE, reported

if TYPE_CHECKING:
    from rich.console import Console

    from collector.adb import AdbServer
    from collector.fairness.start import Start

LuminanceOption = Annotated[
    list[str] | None,
    typer.Option(metavar="LABEL=CD/M2", help="Light of a white patch, by a meter; repeatable."),
]


def check(
    plan: Annotated[
        str | None, typer.Argument(help="Plan to check for: file or shipped name.")
    ] = None,
    phone: Annotated[
        list[str] | None,
        typer.Option(metavar="LABEL=SERIAL", help="A phone to check, repeatable; else all."),
    ] = None,
    ambient_c: Annotated[
        float | None, typer.Option(min=-20, max=60, help="Room temperature, as measured.")
    ] = None,
    luminance: LuminanceOption = None,
    fix: Annotated[
        bool, typer.Option("--fix", help="Set what adb can set; put back when the run is over.")
    ] = False,
    restore: Annotated[
        bool, typer.Option("--restore", help="Only put back what was set before.")
    ] = False,
    run: Annotated[
        Path | None, typer.Option("--run", help="Run that goes on: write the check down there.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Say whether the test is fair and safe, and what to put right.

    Example: rundown check courier-shift --ambient-c 21.5 --fix
    """
    with reported():
        from collector.adb import AdbServer
        from collector.clock import SystemClock
        from collector.fairness.checking import check_phones, write_down
        from collector.fairness.items import Given
        from collector.fairness.show import print_check
        from collector.fairness.snapshot import Snapshots
        from collector.recording.bench import make_ready
        from parsers.runfolder import RunFolder

        server, console = AdbServer(), new_console(stderr=True)
        file = plan_or_problems(plan) if plan else None
        failed = tell_put_back(server, console, everything=restore)
        if restore:
            raise typer.Exit(ATTENTION if failed else DONE)
        chosen = {serial: label for label, serial in label_values(phone, "--phone")}
        given = Given(ambient_c=ambient_c, luminance_cd_m2=lights(luminance))
        ready = make_ready(server, chosen)
        checked = check_phones(
            server, ready, file.plan if file else None, given, SystemClock(),
            Snapshots() if fix else None,
        )  # fmt: skip
        if run is not None:
            folder = RunFolder(run)
            folder.read_manifest()
            write_down(folder, checked, given, SystemClock(), "during", file)
        print_check(checked, new_console(), as_json=as_json)
        raise typer.Exit(ATTENTION if checked.wrong or checked.not_set or failed else DONE)


def lights(given: list[str] | None) -> dict[str, float]:
    """Luminance by label, in cd/m²."""
    return {label: float(text) for label, text in label_values(given, "--luminance", number=True)}


def agree(start: "Start", console: "Console", *, yes: bool) -> None:
    """Says how fair the test is, and asks the user where it should not simply begin."""
    import sys

    from collector.fairness.show import verdict

    console.print(f"{verdict(start.checked)}; rundown check shows it in full", markup=False)
    for question in start.questions():
        if yes:
            console.print(f"{question} yes, by --yes", markup=False)
        elif not sys.stdin.isatty():
            raise typer.BadParameter(f"{question} Say so with --yes.")
        else:
            console.print(question, markup=False)
            if not typer.confirm("Go on?", err=True):
                raise typer.Exit(ATTENTION)


def tell_put_back(
    server: "AdbServer",
    console: "Console",
    *,
    everything: bool = False,
    fetched: str | None = None,
) -> bool:
    """Puts back what a recording that was broken off left changed; True if not all of it.

    Args:
        server: of adb.
        console: where it is said.
        everything: also what was set for a run still to come.
        fetched: id of a run that was fetched; then only what was kept for it.
    """
    from collector.fairness.checking import put_back
    from collector.fairness.snapshot import Snapshots

    snapshots = Snapshots()
    wanted = snapshots.pending() if everything else snapshots.left_behind()
    if fetched is not None:
        wanted = snapshots.kept_for(fetched)
    done, failed = put_back(server, snapshots, wanted)
    tell_restored(done, failed, console)
    return bool(failed)


def tell_restored(done: list[str], failed: list[str], console: "Console") -> None:
    """Says what was put back on the phones, and what was not."""
    from parsers.text import printable

    for sentence in done:
        console.print(f"put back: {printable(sentence, 200)}", markup=False)
    for sentence in failed:
        console.print(f"NOT put back: {printable(sentence, 300)}", markup=False)
