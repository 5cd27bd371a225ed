"""The command `plan`: writes, shows and checks test plans."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from collector.terminal import new_console
from parsers.exits import DONE, WRONG_USE, reported

if TYPE_CHECKING:
    from collector.planning.file import PlanFile

app = typer.Typer(
    help="Write down what a test consists of, and see its timetable.", no_args_is_help=True
)

PlanArgument = Annotated[str, typer.Argument(help="File, or name of a shipped plan.")]


@app.command()
def new(
    file: Annotated[Path, typer.Argument(help="File to write; must not exist yet.")],
    like: Annotated[
        str, typer.Option("--like", help="Shipped plan to begin with; see rundown plan show.")
    ] = "quick-look",
) -> None:
    """Write a plan to change: a copy of a shipped one.

    Example: rundown plan new monday.toml --like courier-shift
    """
    with reported():
        from collector.planning.file import read_plan

        text = read_plan(like).text
        try:
            with file.open("x", encoding="utf-8") as target:
                target.write(text)
        except FileExistsError:
            raise typer.BadParameter(f"{file} exists already; name another file") from None
        typer.echo(f"{file}: change it, then rundown plan validate {file}", err=True)


@app.command()
def show(
    plan: Annotated[
        str | None, typer.Argument(help="File or shipped plan; all shipped ones if left out.")
    ] = None,
    sent: Annotated[
        bool, typer.Option("--sent", help="Print what would be sent to the phones; sends nothing.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Print a plan's timetable and total.

    Example: rundown plan show europe-endurance
    """
    with reported():
        from collector.planning.file import parse_plan, shipped_plans
        from collector.planning.show import print_plan, print_shipped

        if sent and plan is not None:
            from collector.driving.drive import rehearse

            typer.echo("\n".join(rehearse(plan_or_problems(plan).plan)) or "nothing is sent")
        elif plan is None:
            plans = {name: parse_plan(text, name) for name, text in shipped_plans().items()}
            print_shipped(plans, new_console())
        else:
            print_plan(plan_or_problems(plan), new_console(), as_json=as_json)


@app.command()
def validate(plan: PlanArgument) -> None:
    """Say what is wrong with a plan, by line and key.

    Example: rundown plan validate monday.toml
    """
    with reported():
        from collector.planning.show import span, total_s

        file = plan_or_problems(plan)
        n = len(file.plan.segments)
        typer.echo(f"{plan}: good, {n} segments, {span(total_s(file.plan))} h")
        raise typer.Exit(DONE)


def plan_or_problems(source: str) -> "PlanFile":
    """The plan; its mistakes are printed one a line, and the command ends."""
    from collector.errors import PlanError
    from collector.planning.file import read_plan

    try:
        return read_plan(source)
    except PlanError as exc:
        for problem in exc.problems:
            typer.echo(f"rundown: {exc.path}: {problem}", err=True)
        raise typer.Exit(WRONG_USE) from None
