"""Commands that deal with phones: demo, phones, poll, tag, tidy."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from parsers.exits import ATTENTION, DONE, LINK, reported

if TYPE_CHECKING:
    from rich.console import Console

    from collector.bench import Bench
    from collector.tags import Tagger
    from parsers.runfolder import RunFolder

app = typer.Typer()
tag_app = typer.Typer(
    help="Say what the phones are doing, while polling (from a second terminal) or afterwards.",
    no_args_is_help=True,
)
app.add_typer(tag_app, name="tag")

RunOption = Annotated[
    Path | None,
    typer.Option("--run", help="Run folder; the newest one in this folder if left out."),
]
PhoneOption = Annotated[str | None, typer.Option(help="Only this phone (its label).")]
AtOption = Annotated[
    str | None,
    typer.Option("--at", help="When: -5m, 14:05:30, or an ISO 8601 time; now if left out."),
]


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Run folder to make; must not exist yet.")] = Path(
        "shift-demo"
    ),
    seed: Annotated[int, typer.Option(help="Another seed is another day.")] = 1,
) -> None:
    """Three virtual phones on a courier's shift: polled, tagged, computed and published.

    Takes about a minute; no phone is needed.

    Example: rundown demo my-first-run
    """
    with reported():
        from collector.virtual.demo import run_demo

        folder_made = run_demo(folder, seed, _console(stderr=True))
        from analysis.cli import show_energy, show_published

        show_energy(folder_made.path)
        show_published(folder_made.path)


@app.command()
def phones(
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Attached phones: link, what each can report, and what to fix.

    Example: rundown phones
    """
    with reported():
        from collector.adb import AdbServer
        from collector.inventory import inventory, print_inventory

        found = inventory(AdbServer())
        print_inventory(found, _console(), as_json=as_json)
        raise typer.Exit(DONE if any(phone.usable for phone in found) else LINK)


@app.command()
def poll(
    out: Annotated[Path, typer.Option(help="Run folder to make.")],
    title: Annotated[str, typer.Option(help="Title of the run.")] = "",
    phone: Annotated[
        list[str] | None,
        typer.Option(
            help="LABEL=SERIAL of a phone to record, repeatable; all attached ones if left out."
        ),
    ] = None,
    capacity_mah: Annotated[
        list[str] | None,
        typer.Option(help="LABEL=MAH, rated capacity of a phone, repeatable."),
    ] = None,
    ambient_c: Annotated[
        float | None, typer.Option(min=-20, max=60, help="Room temperature, as measured.")
    ] = None,
    tick_s: Annotated[
        float, typer.Option(min=0.1, max=60, help="Time from one reading to the next.")
    ] = 1.0,
    give_up_min: Annotated[
        float, typer.Option(min=0, help="How long a lost phone is waited for.")
    ] = 30.0,
) -> None:
    """Record all attached phones until they shut off, or until Ctrl-C.

    Tag from a second terminal: rundown tag begin "voice call".

    Example: rundown poll --out monday --title "Monday shift" --ambient-c 21.5
    """
    with reported():
        from collector.adb import AdbServer
        from collector.bench import Bench, make_ready
        from collector.cautions import print_cautions
        from collector.clock import SystemClock
        from collector.poller import Patience
        from parsers.runfolder import RunFolder

        server, clock, run = AdbServer(), SystemClock(), RunFolder(out)
        console = _console(stderr=True)
        chosen = {serial: label for label, serial in _pairs(phone or [], "--phone")}
        capacities = {
            label: _number(value, "--capacity-mah")
            for label, value in _pairs(capacity_mah or [], "--capacity-mah")
        }
        print_cautions(console)
        ready = make_ready(server, chosen, capacities_mah=capacities, tick_ms=round(tick_s * 1000))
        patience = Patience(after_loss_s=give_up_min * 60)
        with Bench(
            run, server, ready, clock, title=title, ambient_c=ambient_c, patience=patience
        ) as bench:
            _watch(bench, run, console)
        _tidy_and_tell(run, console)
        broken = any(poller.watch.error for poller in bench.pollers)
        lost = any(p.watch.end and p.watch.end.what == "link_lost" for p in bench.pollers)
        raise typer.Exit(ATTENTION if broken or lost else DONE)


@app.command()
def tidy(
    run: Annotated[Path | None, typer.Argument(help="Run folder; the newest if left out.")] = None,
) -> None:
    """Rebuild a run's tables from its journals; repairs what a crash left behind.

    Example: rundown tidy monday
    """
    with reported():
        raise typer.Exit(_tidy_and_tell(_run_folder(run), _console(stderr=True)))


@tag_app.command("begin")
def tag_begin(
    name: Annotated[str, typer.Argument(help="What the phones are doing from now on.")],
    run: RunOption = None,
    phone: PhoneOption = None,
    at: AtOption = None,
    close: Annotated[bool, typer.Option("--close", help="End what is open first.")] = False,
) -> None:
    """Begin a segment.

    Example: rundown tag begin "voice call" --close
    """
    with reported():
        _tagger(run).begin(name, phone=phone, at=at, close_open=close)


@tag_app.command("end")
def tag_end(run: RunOption = None, phone: PhoneOption = None, at: AtOption = None) -> None:
    """End the open segment.

    Example: rundown tag end --at -30s
    """
    with reported():
        _tagger(run).end(phone=phone, at=at)


@tag_app.command("note")
def tag_note(
    text: Annotated[str, typer.Argument(help="The remark.")],
    run: RunOption = None,
    phone: PhoneOption = None,
    at: AtOption = None,
) -> None:
    """Keep a remark with its time.

    Example: rundown tag note "moved the phones out of the sun"
    """
    with reported():
        _tagger(run).note(text, phone=phone, at=at)


@tag_app.command("list")
def tag_list(
    run: RunOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Segments and notes of a run.

    Example: rundown tag list --run monday
    """
    with reported():
        from collector.tag_list import print_tags
        from parsers.tags import read_tags

        tags = read_tags(_run_folder(run).tags_path)
        print_tags(tags, _console(), as_json=as_json)
        raise typer.Exit(ATTENTION if tags.damage else DONE)


def _console(*, stderr: bool = False) -> "Console":
    from rich.console import Console

    return Console(stderr=stderr, highlight=False)


def _run_folder(path: Path | None) -> "RunFolder":
    from parsers.runfolder import RunFolder, newest_run

    if path is not None:
        return RunFolder(path)
    run = newest_run(Path())
    typer.echo(f"run: {run.path}", err=True)
    return run


def _tagger(path: Path | None) -> "Tagger":
    from collector.clock import SystemClock
    from collector.tags import Tagger

    return Tagger(_run_folder(path), SystemClock())


def _pairs(given: list[str], option: str) -> list[tuple[str, str]]:
    pairs = [item.partition("=") for item in given]
    for left, equals, right in pairs:
        if not (left and equals and right):
            raise typer.BadParameter(f"{option} needs LABEL=VALUE, such as alder-1=4000")
    return [(left, right) for left, _, right in pairs]


def _number(text: str, option: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 100 <= value <= 100_000:
        raise typer.BadParameter(f"{option}: '{text}' is not a capacity from 100 to 100000 mAh")
    return value


def _watch(bench: "Bench", run: "RunFolder", console: "Console") -> None:
    from collector.clock import SystemClock
    from collector.live import LiveView
    from parsers.tags import open_segments, read_tags

    console.print(f"recording into {run.path}; Ctrl-C stops", markup=False)
    try:
        with LiveView(console, SystemClock(), bench.pollers) as view:
            while not bench.wait(timeout_s=1.0):
                open_now = open_segments(read_tags(run.tags_path).records)
                view.show(open_now[-1].name if open_now else "")
    except KeyboardInterrupt:
        console.print("stopping; everything read so far is kept")


def _tidy_and_tell(run: "RunFolder", console: "Console") -> int:
    from collector.tidy import tidy as rebuild
    from parsers.text import printable

    done = rebuild(run)
    for phone in done:
        console.print(
            f"{phone.phone}: {phone.n_readings} readings, {phone.n_unread} lines not understood; "
            f"{phone.gauge.why}",
            markup=False,
        )
        for damage in phone.damage:
            console.print(f"{phone.phone}: {printable(damage)}", markup=False)
    return ATTENTION if any(phone.damage for phone in done) else DONE
