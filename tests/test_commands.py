"""Every command explains itself, refuses nonsense with a sentence, and starts fast."""

import errno
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

import rundown
from parsers.exits import DAMAGED, reported

ROOT = Path(__file__).parent.parent
runner = CliRunner()


def commands() -> list[tuple[str, ...]]:
    found: list[tuple[str, ...]] = []
    root = typer.main.get_command(rundown.app)
    for name, command in sorted(root.commands.items()):  # type: ignore[attr-defined]
        children = getattr(command, "commands", None)
        found += [(name, child) for child in sorted(children)] if children else [(name,)]
    return found


@pytest.mark.parametrize("command", commands(), ids=" ".join)
def test_help_has_an_example(command: tuple[str, ...]) -> None:
    shown = runner.invoke(rundown.app, [*command, "--help"])
    assert shown.exit_code == 0
    assert f"Example: rundown {' '.join(command)}" in " ".join(shown.stdout.split()) or (
        f"rundown {' '.join(command)}" in shown.stdout and "Example:" in shown.stdout
    )


@pytest.mark.parametrize("command", commands(), ids=" ".join)
def test_the_readme_shows_every_command(command: tuple[str, ...]) -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    table = readme.split("## Commands", 1)[1].split("##", 1)[0]
    if command[0] == "tag":
        row = next(line for line in table.splitlines() if "rundown tag" in line)
        assert command[1] in row
    else:
        assert f"`rundown {command[0]}" in table


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["energy", "nowhere"], 2, "no run.json"),
        (["energy"], 2, "no run in this folder"),
        (["tidy", "nowhere"], 2, "no run.json"),
        (["tag", "begin", "x", "--run", "nowhere"], 2, "no run.json"),
        (["tag", "list"], 2, "no run in this folder"),
        (["read", "nowhere.txt"], 2, "nowhere.txt: No such file or directory; name a file"),
        (["read", "."], 2, ".: Is a directory; name a file that is there"),
        (["frobnicate"], 2, "No such command"),
        (["poll"], 2, "--out"),
        (["poll", "--out", "x", "--phone", "alder-1"], 2, "LABEL=VALUE"),
        (["poll", "--out", "x", "--capacity-mah", "alder-1=much"], 2, "not a capacity"),
        (["poll", "--out", "x", "--tick-s", "0"], 2, "greater than or equal"),
    ],
)
def test_wrong_use_is_refused_with_a_sentence(
    words: list[str], code: int, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = runner.invoke(rundown.app, words)
    assert done.exit_code == code, done.output
    assert said in done.output.replace("\n", " ") + done.stderr
    assert "Traceback" not in done.output
    assert not list(tmp_path.iterdir()), "nothing is left behind"


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError(errno.ENOSPC, "No space left on device", "a.csv"), "a.csv: No space left"),
        (PermissionError(errno.EACCES, "Permission denied", "a.csv"), "a.csv: Permission denied"),
    ],
    ids=["disk full", "not allowed"],
)
def test_what_is_no_slip_of_the_user_stays_apart(
    error: OSError, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(typer.Exit) as ended, reported():
        raise error
    assert ended.value.exit_code == DAMAGED
    shown = capsys.readouterr().err
    assert said in shown
    assert "name a file" not in shown


def test_no_server_is_said_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ANDROID_ADB_SERVER_PORT", "9")
    for words in (["phones"], ["poll", "--out", "x"]):
        done = runner.invoke(rundown.app, words)
        assert done.exit_code == 3
        assert "adb start-server" in done.stderr


def test_read_tells_what_it_understood(tmp_path: Path) -> None:
    dump = tmp_path / "battery.txt"
    dump.write_text(
        "Current Battery Service state:\n  AC powered: false\n  level: 47\n  scale: 100\n"
        "  voltage: 3871\n  temperature: 296\n  never heard of this: 5\n"
    )
    done = runner.invoke(rundown.app, ["read", str(dump)])
    assert done.exit_code == 1, "a line was not understood"
    assert "3871 mV" in done.stdout
    assert "line 7 not understood" in done.stdout


def test_read_takes_standard_input() -> None:
    dump = "POWER_SUPPLY_NAME=battery\nPOWER_SUPPLY_TYPE=Battery\n"
    done = runner.invoke(rundown.app, ["read", "-", "--json"], input=dump)
    assert done.exit_code in (0, 1), done.stderr
    assert '"kind": "power_supply"' in done.stdout
