"""The command `tag`: says what the phones are doing, and puts it right afterwards."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from collector.terminal import new_console, run_or_newest
from parsers.exits import ATTENTION, DONE, reported

if TYPE_CHECKING:
    from collector.tagging.tags import Tagger
    from parsers.runfolder import RunFolder
    from parsers.tags import TagRecord

app = typer.Typer(
    help="Say what the phones are doing, while polling or afterwards.",
    no_args_is_help=True,
)

RunOption = Annotated[
    Path | None,
    typer.Option("--run", help="Run folder; the newest one in this folder if left out."),
]
PhoneOption = Annotated[str | None, typer.Option(help="Only this phone (its label).")]
AtOption = Annotated[
    str | None,
    typer.Option("--at", help="When: -5m, 14:05:30, or an ISO 8601 time; now if left out."),
]
SegmentArgument = Annotated[
    str | None,
    typer.Argument(help="Its name, or NAME#2 for the second of that name; else the latest."),
]


@app.command()
def begin(
    name: Annotated[str, typer.Argument(help="What the phones are doing from now on.")],
    run: RunOption = None,
    phone: PhoneOption = None,
    at: AtOption = None,
    until: Annotated[str | None, typer.Option(help="When it ended, if it is over.")] = None,
    close: Annotated[bool, typer.Option("--close", help="End what is open first.")] = False,
) -> None:
    """Begin a segment.

    Example: rundown tag begin "voice call" --close
    """
    with reported():
        folder = run_or_newest(run)
        tagger = _tagger(folder)
        _said(folder, [tagger.begin(name, phone=phone, at=at, until=until, close_open=close)])


@app.command()
def end(run: RunOption = None, phone: PhoneOption = None, at: AtOption = None) -> None:
    """End the open segment.

    Example: rundown tag end --at -30s
    """
    with reported():
        folder = run_or_newest(run)
        _said(folder, [_tagger(folder).end(phone=phone, at=at)])


@app.command()
def note(
    text: Annotated[str, typer.Argument(help="The remark.")],
    run: RunOption = None,
    phone: PhoneOption = None,
    at: AtOption = None,
) -> None:
    """Keep a remark with its time.

    Example: rundown tag note "moved the phones out of the sun"
    """
    with reported():
        folder = run_or_newest(run)
        _said(folder, [_tagger(folder).note(text, phone=phone, at=at)])


@app.command()
def undo(run: RunOption = None) -> None:
    """Take the last tagging command back; again takes back the one before.

    Example: rundown tag undo
    """
    with reported():
        folder = run_or_newest(run)
        done = _tagger(folder).undo()
        typer.echo("taken back:", err=True)
        _said(folder, done)


@app.command()
def move(
    segment: SegmentArgument = None,
    start: Annotated[
        str | None, typer.Option(help="New beginning: -5m and +30s count from the old one.")
    ] = None,
    end: Annotated[
        str | None, typer.Option(help="New end: -5m and +30s count from the old one.")
    ] = None,
    run: RunOption = None,
    phone: PhoneOption = None,
) -> None:
    """Move a border of a segment; a neighbour that shares it follows.

    Example: rundown tag move game --start -5m
    """
    with reported():
        if (start is None) == (end is None):
            raise typer.BadParameter("give either --start or --end")
        folder = run_or_newest(run)
        tagger = _tagger(folder)
        if start is not None:
            _said(folder, tagger.move(segment, "start", start, phone=phone))
        elif end is not None:
            _said(folder, tagger.move(segment, "end", end, phone=phone))


@app.command()
def rename(
    segment: Annotated[str, typer.Argument(help="Its name, or NAME#2.")],
    name: Annotated[str, typer.Argument(help="Its new name.")],
    run: RunOption = None,
    phone: PhoneOption = None,
) -> None:
    """Give a segment another name.

    Example: rundown tag rename navigaton navigation
    """
    with reported():
        folder = run_or_newest(run)
        _said(folder, [_tagger(folder).rename(segment, name, phone=phone)])


@app.command()
def split(
    at: Annotated[str, typer.Option("--at", help="Where: -5m, 14:05:30, or an ISO 8601 time.")],
    segment: SegmentArgument = None,
    name: Annotated[str | None, typer.Option("--name", help="Name of the later half.")] = None,
    run: RunOption = None,
    phone: PhoneOption = None,
) -> None:
    """Make two segments of one.

    Example: rundown tag split navigation --at 14:20 --name "voice call"
    """
    with reported():
        folder = run_or_newest(run)
        _said(folder, [_tagger(folder).split(segment, at, name, phone=phone)])


@app.command()
def drop(
    segment: SegmentArgument = None, run: RunOption = None, phone: PhoneOption = None
) -> None:
    """Take a segment away; its time becomes untagged.

    Example: rundown tag drop game
    """
    with reported():
        folder = run_or_newest(run)
        _said(folder, [_tagger(folder).drop(segment, phone=phone)])


@app.command()
def cut(
    begin: Annotated[str, typer.Option("--from", help="Where the part to leave out begins.")],
    until: Annotated[str, typer.Option("--to", help="Where it ends.")],
    segment: SegmentArgument = None,
    run: RunOption = None,
    phone: PhoneOption = None,
) -> None:
    """Leave a span out of a segment, on all phones or on one.

    Example: rundown tag cut navigation --from 14:03 --to 14:05 --phone alder-1
    """
    with reported():
        folder = run_or_newest(run)
        _said(folder, [_tagger(folder).cut(segment, begin, until, phone=phone)])


@app.command()
def slips(
    run: RunOption = None,
    cut: Annotated[
        int | None, typer.Option("--cut", help="Cut this slip out of the segment it fell into.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show what went wrong meanwhile, and offer to cut it out.

    Example: rundown tag slips --cut 1
    """
    with reported():
        import sys

        from collector.slips.cut import cut_slip, slip_numbered
        from collector.slips.listing import cuttable, print_slips
        from parsers.slips import read_slips

        folder = run_or_newest(run)
        folder.read_manifest()
        if cut is not None:
            slip = slip_numbered(folder, cut)
            typer.echo(cut_slip(_tagger(folder), folder, slip.begin.id), err=True)
            return
        found = read_slips(folder.slips_path)
        print_slips(found, new_console(), as_json=as_json)
        for number, slip in cuttable(found, folder):
            if as_json or not sys.stdin.isatty():
                break
            if typer.confirm(f"cut slip {number} out of '{slip.begin.segment}'?", err=True):
                typer.echo(cut_slip(_tagger(folder), folder, slip.begin.id), err=True)
        raise typer.Exit(ATTENTION if found.slips or found.damage else DONE)


@app.command("list")
def list_tags(
    run: RunOption = None,
    history: Annotated[
        bool, typer.Option("--history", help="Every command as it was given, edits included.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Segments and notes of a run.

    Example: rundown tag list --run monday --history
    """
    with reported():
        from collector.tagging.listing import print_history, print_tags
        from parsers.tags import read_tags

        tags = read_tags(run_or_newest(run).tags_path)
        show = print_history if history else print_tags
        show(tags, new_console(), as_json=as_json)
        raise typer.Exit(ATTENTION if tags.damage else DONE)


def _tagger(folder: "RunFolder") -> "Tagger":
    from collector.clock import SystemClock
    from collector.tagging.tags import Tagger

    return Tagger(folder, SystemClock())


def _said(folder: "RunFolder", records: list["TagRecord"]) -> None:
    from collector.tagging.listing import say
    from parsers.tags import read_tags

    say(records, read_tags(folder.tags_path), new_console(stderr=True))
