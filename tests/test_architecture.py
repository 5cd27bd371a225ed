"""The rules of the packages, read off the import statements."""

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("collector", "parsers", "analysis")
MAY_IMPORT = {
    "parsers": {"parsers"},
    "collector": {"parsers", "collector"},
    "analysis": {"parsers", "analysis"},
}
COMMAND_FILES = {f"{package}/cli.py" for package in PACKAGES}
HEAVY = ("pandas", "pyarrow", "scipy", "numpy", "jinja2", "adbutils", "pydantic")


def modules() -> list[Path]:
    return [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]


def imported(path: Path) -> set[str]:
    tree = ast.parse(path.read_text("utf-8"))
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return names


def shown(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("path", modules(), ids=shown)
def test_who_may_import_whom(path: Path) -> None:
    ours = {name for name in imported(path) if name.split(".")[0] in PACKAGES}
    if shown(path) not in COMMAND_FILES:
        allowed = MAY_IMPORT[shown(path).split("/")[0]]
        foreign = {name for name in ours if name.split(".")[0] not in allowed}
        assert not foreign, f"{shown(path)} must not import {sorted(foreign)}"
        commands = {name for name in ours if name.endswith(".cli")}
        assert not commands, "only rundown.py mounts the command files"


def test_only_the_adapter_talks_to_adbutils() -> None:
    users = [
        shown(p) for p in modules() if any(n.split(".")[0] == "adbutils" for n in imported(p))
    ]
    assert users == ["collector/adb.py"]


def test_every_module_says_what_it_is() -> None:
    silent = [shown(p) for p in modules() if not ast.get_docstring(ast.parse(p.read_text()))]
    assert silent == []


def loaded_by(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint('\\n'.join(m for m in sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, cwd=ROOT, check=True
    )
    return {name.split(".")[0] for name in done.stdout.splitlines()}


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import rundown\nsys.argv = ['rundown', '--help']\n"
        "try: rundown.main()\nexcept SystemExit: pass"
    )
    heavy = loaded_by(code) & (set(HEAVY) - loaded_by("import typer, rich"))
    assert heavy == set()


def test_polling_loads_no_analysis_stack() -> None:
    loaded = loaded_by(
        "import collector.recording.bench, collector.screen.live, collector.tagging.tags"
    )
    assert loaded & {"pandas", "pyarrow", "scipy", "numpy", "jinja2"} == set()


@pytest.mark.parametrize("package", PACKAGES)
def test_packages_open_light(package: str) -> None:
    assert loaded_by(f"import {package}") & set(HEAVY) == set()


@pytest.mark.parametrize(
    ("mark", "said"),
    [
        ("", "name its source"),
        ('@pytest.mark.reference(source="x")', "a reference names its locator"),
        ('@pytest.mark.reference(source="x", locator="y")', ""),
    ],
    ids=["none", "half", "whole"],
)
def test_a_reference_without_its_source_is_not_collected(
    tmp_path: Path, mark: str, said: str
) -> None:
    folder = tmp_path / "tests" / "reference"
    folder.mkdir(parents=True)
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path / "tests")
    (folder / "test_one.py").write_text(f"import pytest\n{mark}\ndef test_one(): pass\n")
    words = [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode == 0) == (not said), done.stdout + done.stderr
    assert said in done.stderr
