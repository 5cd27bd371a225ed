import re
import subprocess
import sys
from pathlib import Path

from analysis import compare, energy, load

ROOT = Path(__file__).parent.parent.parent
EXAMPLE = ROOT / "examples" / "compare_phones.py"


def test_the_example_does_what_it_says(run_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, EXAMPLE, run_path],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "PATH": ""},
    )
    assert done.returncode == 0, done.stderr
    report = energy(load(run_path))
    for phone in report.phones:
        assert (
            f"{phone.phone}: {phone.total.energy_mwh:.0f} mWh, left over 0.000000" in done.stdout
        )
    compared = compare([report]).between_phones
    said = re.findall(r": (\S+) against (\S+): (lower|higher|unresolved), ", done.stdout)
    assert said == [(c.one, c.other, c.verdict.name.lower()) for c in compared]
    assert len(said) == 9, "three pairs of phones: the whole run and two segments"


def test_it_can_be_cut_into_cells() -> None:
    cells = re.split(r"^# %% ", EXAMPLE.read_text("utf-8"), flags=re.MULTILINE)[1:]
    assert len(cells) >= 4
    assert all(cell.splitlines()[0].strip() for cell in cells), "each says what it does"
