"""`rundown read`: values with units, unread lines, JSON for a pipe, and redacted text."""

import json
import subprocess
import sys
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console
from typer.testing import CliRunner

import rundown
from parsers.shown import print_dump, print_json, read_dump
from parsers.text import decode

ROOT = Path(__file__).parents[2]
DUMPS = ROOT / "fixtures" / "dumps"
READABLE = [
    case
    for case in sorted(DUMPS.glob("*/*.txt"))
    if "error" not in json.loads(case.with_suffix(".expected.json").read_text())
]
runner = CliRunner()


def shown(text: str, width: int = 80) -> str:
    file = StringIO()
    print_dump(
        read_dump(text), Console(file=file, width=width, force_terminal=True, color_system=None)
    )
    return file.getvalue()


@pytest.mark.parametrize("case", READABLE, ids=lambda case: f"{case.parent.name}/{case.stem}")
def test_every_dump_can_be_shown(case: Path) -> None:
    told = shown(decode(case.read_bytes()))
    assert told.startswith("kind: ")
    assert all(char == "\n" or char.isprintable() for char in told)
    assert max(map(len, told.splitlines())) <= 80


def test_lists_are_tables_where_there_is_room_and_lines_elsewhere() -> None:
    text = decode((DUMPS / "battery_checkin" / "history.txt").read_bytes())
    wide, narrow = shown(text, 200), shown(text, 60)
    assert "epoch_s       level_pct  status" in wide
    assert "- epoch_s 1935561600 s, level_pct 63 %" in narrow
    assert "…" not in narrow


def test_a_long_history_is_cut_on_the_screen_and_whole_in_json() -> None:
    records = "".join(f"9,h,1000,Bl={k % 100}\n" for k in range(500))
    text = f"9,h,0:TIME:1935561600000\n{records}"
    assert "… and 460 more; --json has them all" in shown(text)
    assert len(read_dump(text)["values"]["history"]) == 500


def test_json_is_plain_ascii_and_complete() -> None:
    file = StringIO()
    text = "Current Battery Service state:\n  level: 47\n  scale: 100\n  Gerät\x1b[2J: ü\u202e\n"
    dump = read_dump(text)
    print_json(dump, Console(file=file, width=20, force_terminal=True))
    assert file.getvalue().isascii()
    assert "\x1b" not in file.getvalue()
    assert json.loads(file.getvalue()) == dump


def test_a_reader_that_goes_away_is_no_error(tmp_path: Path) -> None:
    long = tmp_path / "long.txt"
    long.write_text("9,h,0:TIME:1\n" + "".join(f"9,h,1,Bl={k % 100}\n" for k in range(20_000)))
    reading = subprocess.Popen(
        [sys.executable, ROOT / "rundown.py", "read", long, "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=tmp_path,
    )
    assert reading.stdout is not None
    assert reading.stderr is not None
    assert reading.stdout.readline() == b"{\n"
    reading.stdout.close()
    assert reading.stderr.read() == b""
    reading.wait(timeout=15)
    reading.stderr.close()


PRIVATE_DUMP = (
    "Current Battery Service state:\n  AC powered: false\n  level: 47\n  scale: 100\n"
    "  voltage: 3871\n  Owner: Greta Lindqvist\n  cell serial: R5CT70ABCDE\n"
)


def test_redacted_text_reads_the_same(tmp_path: Path) -> None:
    file = tmp_path / "battery.txt"
    file.write_text(PRIVATE_DUMP)
    done = runner.invoke(rundown.app, ["read", "--redact", str(file)])
    assert done.exit_code == 0, done.output
    assert "Greta" not in done.stdout
    assert "R5CT" not in done.stdout
    assert "  voltage: 3871\n" in done.stdout
    assert "  Xxxxx: Xxxxx Xxxxxxxxx\n  cell xxxxxx: X0XX00XXXXX\n" in done.stdout
    before, after = read_dump(PRIVATE_DUMP), read_dump(done.stdout)
    assert before["values"] == after["values"]
    assert [u["line"] for u in before["unread"]] == [u["line"] for u in after["unread"]]


def test_what_is_no_dump_is_not_redacted() -> None:
    done = runner.invoke(rundown.app, ["read", "--redact", "-"], input="Dear Greta,\n")
    assert done.exit_code == 2
    assert "Greta" not in done.output
    assert "not a dump of a known kind" in done.output


def test_json_and_redact_exclude_each_other() -> None:
    done = runner.invoke(rundown.app, ["read", "--redact", "--json", "-"], input=PRIVATE_DUMP)
    assert done.exit_code == 2
    assert "choose one" in done.output


def test_a_file_without_last_line_end_may_be_cut() -> None:
    cut = PRIVATE_DUMP[: PRIVATE_DUMP.index("\n  Owner")]
    done = runner.invoke(rundown.app, ["read", "-"], input=cut)
    assert done.exit_code == 1
    assert "line 5 not understood:   voltage: 3871" in done.stdout
