"""Commands that deal with phones: demo, phones, poll, arm, collect, tag, tidy."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

import collector.cli_check
import collector.cli_plan
import collector.cli_tag
from collector.terminal import new_console, run_or_newest
from parsers.exits import ATTENTION, DONE, LINK, reported

if TYPE_CHECKING:
    from rich.console import Console

    from collector.adb import AdbServer
    from collector.driving.drive import Drive
    from collector.fairness.start import Start
    from collector.recording.bench import Bench, Ready
    from parsers.runfolder import RunFolder

LITTLE_ROOM_BYTES = 200_000_000
app = typer.Typer()
app.command()(collector.cli_check.check)
app.add_typer(collector.cli_plan.app, name="plan")
app.add_typer(collector.cli_tag.app, name="tag")

OutOption = Annotated[Path, typer.Option(help="Run folder to make.")]
TitleOption = Annotated[str, typer.Option(help="Title of the run.")]
PhonesOption = Annotated[
    list[str] | None,
    typer.Option(
        metavar="LABEL=SERIAL",
        help="A phone to record, repeatable; all attached ones if left out.",
    ),
]
CapacityOption = Annotated[
    list[str] | None, typer.Option(help="LABEL=MAH, rated capacity of a phone, repeatable.")
]
AmbientOption = Annotated[
    float | None, typer.Option(min=-20, max=60, help="Room temperature, as measured.")
]
TickOption = Annotated[
    float, typer.Option(min=0.1, max=60, help="Time from one reading to the next.")
]


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Run folder to make; must not exist yet.")] = Path(
        "shift-demo"
    ),
    seed: Annotated[int, typer.Option(help="Another seed is another day.")] = 1,
) -> None:
    """Show the whole job on three virtual phones: a courier's shift.

    Takes about a minute; no phone is needed.

    Example: rundown demo my-first-run
    """
    with reported():
        from collector.virtual.demo import run_demo

        folder_made = run_demo(folder, seed, new_console(stderr=True))
        from analysis.cli import show_energy, show_published

        show_energy(folder_made.path)
        show_published(folder_made.path)


@app.command()
def phones(
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    cost: Annotated[
        bool,
        typer.Option(
            help="Measure what recording takes from each phone: 12 minutes each, idle, unplugged."
        ),
    ] = False,
) -> None:
    """List attached phones: link, what they report, what to fix.

    Example: rundown phones
    """
    with reported():
        from collector.adb import AdbServer

        server, console = AdbServer(), new_console(stderr=True)
        collector.cli_check.tell_put_back(server, console)
        if cost:
            from collector.inventory.observing import observe_all

            raise typer.Exit(observe_all(server, new_console(), console, as_json=as_json))
        from collector.inventory.attached import inventory, print_inventory

        with console.status("asking the phones for everything they can tell"):
            found = inventory(server)
        print_inventory(found, new_console(), as_json=as_json)
        raise typer.Exit(DONE if any(phone.usable for phone in found) else LINK)


@app.command()
def poll(
    out: OutOption,
    plan: Annotated[
        str | None, typer.Argument(help="Plan to follow: file or shipped name.")
    ] = None,
    title: TitleOption = "",
    phone: PhonesOption = None,
    capacity_mah: CapacityOption = None,
    ambient_c: AmbientOption = None,
    tick_s: TickOption = 1.0,
    give_up_min: Annotated[
        float, typer.Option(min=0, help="How long a lost phone is waited for.")
    ] = 30.0,
    keep_raw: Annotated[
        bool,
        typer.Option(
            "--keep-raw", help="Keep what the phones print, private text and all; do not share it."
        ),
    ] = False,
    close_adb: Annotated[
        bool, typer.Option(help="In the end, stop phones from listening for adb on the network.")
    ] = False,
    luminance: collector.cli_check.LuminanceOption = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Agree beforehand: unfair, unattended, or incomplete.")
    ] = False,
) -> None:
    """Record all attached phones until they shut off.

    A lost link loses nothing: the phones record by themselves, and what they hold is fetched when
    they are back, or later with rundown collect. Tag with the keys shown, or from a second
    terminal: rundown tag begin "voice call".

    Example: rundown poll --out monday --title "Monday shift" --ambient-c 21.5
    """
    with reported():
        from collector.adb_server import start_server
        from collector.clock import SystemClock
        from collector.fairness.items import Given
        from collector.fairness.snapshot import Snapshots
        from collector.fairness.start import drive_for, keep_papers, leave_as_found, prepare
        from collector.recording.bench import Bench
        from collector.recording.exposure import listening, stop_listening
        from collector.recording.watch import Patience
        from parsers.runfolder import RunFolder

        run, console, clock = RunFolder(out), new_console(stderr=True), SystemClock()
        file = collector.cli_plan.plan_or_problems(plan) if plan else None
        light = collector.cli_check.lights(luminance)
        server, ready = _made_ready(phone, capacity_mah, tick_s, console)
        exposed = listening(server, ready)
        _tell_exposed(exposed, console, close_adb=close_adb)
        _tell_room(out, console)
        given = Given(ambient_c=ambient_c, luminance_cd_m2=light)
        start = prepare(server, ready, file, given, clock)
        collector.cli_check.agree(start, console, yes=yes)
        snapshots = Snapshots()
        drive = drive_for(server, start, snapshots, clock)
        with snapshots.held(one.entry.phone_hash for one in ready):
            try:
                with Bench(
                    run,
                    server,
                    ready,
                    clock,
                    title=title or (file.plan.title if file else ""),
                    ambient_c=ambient_c,
                    plan=file.name if file else None,
                    patience=Patience(after_loss_s=give_up_min * 60),
                    start_server=start_server,
                    keep_raw=keep_raw,
                ) as bench:
                    keep_papers(run, start, clock)
                    _watch(bench, run, start, drive, console)
            finally:
                done, failed = leave_as_found(server, start, drive, snapshots)
                collector.cli_check.tell_restored(done, failed, console)
        if close_adb:
            stop_listening(server, exposed)
        raise typer.Exit(_tell_end(bench, run, console))


@app.command()
def arm(
    out: OutOption,
    title: TitleOption = "",
    phone: PhonesOption = None,
    capacity_mah: CapacityOption = None,
    ambient_c: AmbientOption = None,
    tick_s: TickOption = 1.0,
) -> None:
    """Let all attached phones record by themselves; then unplug them.

    No link is needed until the phones are charged again: attach them and run rundown collect.
    Tags made on this computer meanwhile fit.

    Example: rundown arm --out monday --title "Monday shift"
    """
    with reported():
        from collector.clock import SystemClock
        from collector.fairness.snapshot import Snapshots
        from collector.recording.arming import arm as arm_phones
        from parsers.runfolder import RunFolder

        run, console = RunFolder(out), new_console(stderr=True)
        server, ready = _made_ready(phone, capacity_mah, tick_s, console)
        outcomes = arm_phones(run, server, ready, SystemClock(), title=title, ambient_c=ambient_c)
        armed = {outcome.label for outcome in outcomes if outcome.problem is None}
        hashes = [one.entry.phone_hash for one in ready if one.entry.label in armed]
        Snapshots().keep_for(run.read_manifest().run_id, hashes)
        for outcome in outcomes:
            said = outcome.problem or "records; unplug it now"
            console.print(f"{outcome.label}: {said}", markup=False)
        raise typer.Exit(LINK if any(outcome.problem for outcome in outcomes) else DONE)


@app.command()
def collect(
    run: Annotated[Path | None, typer.Argument(help="Run folder; the newest if left out.")] = None,
) -> None:
    """Fetch what the phones of a run have recorded.

    Armed phones, and phones whose link was lost while they were polled.

    Example: rundown collect monday
    """
    with reported():
        from collector.adb import AdbServer
        from collector.clock import SystemClock
        from collector.recording.arming import collect as collect_phones

        folder, console = run_or_newest(run), new_console(stderr=True)
        server, run_id = AdbServer(), folder.read_manifest().run_id
        left = collector.cli_check.tell_put_back(server, console)
        outcomes = collect_phones(folder, server, SystemClock())
        for outcome in outcomes:
            said = outcome.problem or f"{outcome.n_blocks} new readings; cleared from the phone"
            console.print(f"{outcome.label}: {said}", markup=False)
        left |= collector.cli_check.tell_put_back(server, console, fetched=run_id)
        code = _tidy_and_tell(folder, console)
        if not any(outcome.problem is None for outcome in outcomes):
            code = LINK
        needed = left or any(outcome.problem for outcome in outcomes)
        raise typer.Exit(ATTENTION if needed and not code else code)


@app.command()
def tidy(
    run: Annotated[Path | None, typer.Argument(help="Run folder; the newest if left out.")] = None,
    gauge: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LABEL=WORDS",
            help="What you know of a phone's gauge, repeatable: uA or mA; documented, inverted or "
            "absolute; counter:uAh (10uAh, 0.1mAh, mAh, none); x2 if it sees half the pack; auto "
            "goes back to the evidence.",
        ),
    ] = None,
) -> None:
    """Rebuild a run's tables from its journals, after a crash too.

    What --gauge states goes before all evidence and is kept in the run.

    Example: rundown tidy monday --gauge alder-1=mA,inverted
    """
    with reported():
        stated = dict(_pairs(gauge or [], "--gauge"))
        raise typer.Exit(_tidy_and_tell(run_or_newest(run), new_console(stderr=True), stated))


def _made_ready(
    phone: list[str] | None,
    capacity_mah: list[str] | None,
    tick_s: float,
    console: "Console",
) -> "tuple[AdbServer, list[Ready]]":
    from collector.adb import AdbServer
    from collector.cautions import print_cautions
    from collector.recording.bench import make_ready

    chosen = {serial: label for label, serial in _pairs(phone or [], "--phone")}
    capacities = {
        label: _number(value, "--capacity-mah")
        for label, value in _pairs(capacity_mah or [], "--capacity-mah")
    }
    print_cautions(console)
    server = AdbServer()
    collector.cli_check.tell_put_back(server, console)
    tick_ms = round(tick_s * 1000)
    return server, make_ready(server, chosen, capacities_mah=capacities, tick_ms=tick_ms)


def _tell_exposed(exposed: dict[str, str], console: "Console", *, close_adb: bool) -> None:
    for label in exposed:
        told = "it is closed in the end" if close_adb else "--close-adb ends that afterwards"
        console.print(
            f"{label}: its adb listens on the network, for everybody in it; {told}", markup=False
        )


def _tell_room(out: Path, console: "Console") -> None:
    import shutil

    existing = next(path for path in (out, *out.absolute().parents) if path.exists())
    free_bytes = shutil.disk_usage(existing).free
    if free_bytes < LITTLE_ROOM_BYTES:
        console.print(
            f"only {free_bytes // 1_000_000} MB are free on the disk of {existing}: a phone needs "
            "about 3 MB for eight hours at one reading a second",
            markup=False,
        )


def _tell_end(bench: "Bench", run: "RunFolder", console: "Console") -> int:
    watches = {poller.label: poller.watch for poller in bench.pollers}
    for label, watch in watches.items():
        if watch.error:
            console.print(f"{label}: {watch.error}", markup=False)
        if watch.left_on_phone:
            console.print(
                f"{label}: may hold more; when it is back: rundown collect {run.path}",
                markup=False,
                soft_wrap=True,
            )
    if bench.problem:
        console.print(bench.problem, markup=False)
        return ATTENTION
    _tidy_and_tell(run, console)
    lost = any(w.end is not None and w.end.what == "link_lost" for w in watches.values())
    return ATTENTION if lost or any(watch.error for watch in watches.values()) else DONE


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


def _watch(
    bench: "Bench", run: "RunFolder", start: "Start", drive: "Drive | None", console: "Console"
) -> None:
    from collector.clock import SystemClock
    from collector.screen.session import Session

    console.print(f"recording into {run.path}; Ctrl-C stops", markup=False)
    try:
        Session(run, bench, start.rules, SystemClock(), console, drive=drive).run()
    except KeyboardInterrupt:
        console.print("stopping; everything read so far is kept")


def _tidy_and_tell(
    run: "RunFolder", console: "Console", stated: dict[str, str] | None = None
) -> int:
    from collector.recording.tidy import tidy as rebuild
    from parsers.text import printable

    done = rebuild(run, stated)
    for phone in done:
        console.print(
            f"{phone.phone}: {phone.n_readings} readings, {phone.n_unread} lines not understood; "
            f"{phone.gauge.why}",
            markup=False,
        )
        for damage in phone.damage:
            console.print(f"{phone.phone}: {printable(damage, 300)}", markup=False)
        for missing in phone.missing:
            until = "the end" if missing.last_seq is None else str(missing.last_seq)
            console.print(
                f"{phone.phone}: missing from {missing.first_seq} to {until}: {missing.reason}",
                markup=False,
            )
    lost = any(missing.last_seq is not None for phone in done for missing in phone.missing)
    return ATTENTION if lost or any(phone.damage for phone in done) else DONE
