from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from analysis import energy, load
from analysis.lasting.outlook import outlook
from analysis.outputs import page
from analysis.outputs.sections import Section, sections
from parsers.checks import CheckRecord, Finding
from parsers.runfolder import RunFolder
from parsers.slips import SlipRecord


def by_title(path: Path) -> dict[str, Section]:
    run = load(path)
    return {section.title: section for section in sections(run, outlook(run))}


def test_what_nobody_looked_at_is_said(run_path: Path) -> None:
    found = by_title(run_path)
    assert list(found) == ["Outlook", "Fairness", "Slips"]
    assert "Nobody checked" in found["Fairness"].lines[0]
    assert found["Slips"].lines == ("None was noted while it was recorded.",)


@pytest.fixture
def checked(run_path: Path) -> Path:
    folder = RunFolder(run_path)
    began = folder.read_manifest().clocks.utc
    record = CheckRecord(
        made_utc=began,
        when="start",
        luminance_cd_m2={"alder-1": 198.6},
        findings=(
            Finding(item="saver", outcome="good", found={"alder-1": "off"}),
            Finding(
                item="brightness",
                outcome="wrong",
                found={"alder-1": "120", "birch-1": "<b>80</b>"},
                why="not alike",
            ),
            Finding(item="case", outcome="ask"),
        ),
        set_by_adb=("alder-1: rotation off",),
        not_set=("birch-1: volume",),
    )
    folder.checks_path.write_text(record.model_dump_json() + "\n", "utf-8")
    slips: list[tuple[int, dict[str, Any]]] = [
        (61, {"what": "began", "id": "1", "kind": "cable", "text": "a cable was in"}),
        (90, {"what": "over", "id": "1", "kind": "cable", "text": ""}),
        (300, {"what": "began", "id": "2", "kind": "hot", "text": "46 °C"}),
    ]
    lines = [
        SlipRecord(phone="birch-1", at_utc=began + timedelta(seconds=at_s), **slip)
        for at_s, slip in slips
    ]
    text = "\n".join(line.model_dump_json() for line in lines)
    folder.slips_path.write_text(f"{text}\nno record\n", "utf-8")
    return run_path


def test_checks_and_slips_are_shown(checked: Path) -> None:
    found = by_title(checked)
    assert found["Fairness"].lines == (
        "Checked before it began: 1 of 3 items were good.",
        "alder-1: a white patch shone with 199 cd/m², as measured.",
        "alder-1: rotation off",
        "could not be set: birch-1: volume",
    )
    assert found["Fairness"].rows == (
        ("before it began", "brightness", "alder-1: 120; birch-1: <b>80</b>", "not alike"),
        ("before it began", "case", "–", "adb cannot tell"),
    )
    assert found["Slips"].rows == (
        ("0:01:01", "0:01:30", "birch-1", "–", "a cable was in"),
        ("0:05:00", "the end", "birch-1", "–", "46 °C"),
    )
    assert len(found["Slips"].lines) == 1, "the line that is no record"


def test_they_reach_the_page_as_text(checked: Path) -> None:
    run = load(checked)
    text = page.render(energy(run), sections(run, None))
    assert "&lt;b&gt;80&lt;/b&gt;" in text
    assert "<b>80" not in text
    assert text.index("<h2>Over time") < text.index("<h2>Fairness") < text.index("<h2>Cautions")
