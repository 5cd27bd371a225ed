import hashlib
import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analysis import energy, load
from analysis.calibrating import calibration
from analysis.calibrating.calibration import Calibration
from analysis.outputs import datapackage
from analysis.report import EnergyReport
from analysis.report_json import to_json
from parsers.runfolder import RunFolder
from parsers.tables import read_table

SECRETS = (
    "R58N30SECRET",  # a serial
    "Bakery upstairs",  # a network's name
    "02:00:5e:10:00:fe",
    "/home/rider/phones",
    "+49 151 5550100",
    "b9a24910278dcacb",  # the hash that recognises a phone at home
    "e184df4acc4eb036",  # the computer's boot session
)


@pytest.fixture
def private(run_path: Path) -> Path:
    """A run in which whatever can hold something personal does."""
    folder = RunFolder(run_path)
    manifest = folder.read_manifest()
    phones = tuple(
        p.model_copy(update={"phone_hash": f"{SECRETS[5][:-1]}{k}" if k else SECRETS[5]})
        for k, p in enumerate(manifest.phones)
    )
    clocks = manifest.clocks.model_copy(update={"host_boot": SECRETS[6]})
    folder.write_manifest(
        manifest.model_copy(
            update={"phones": phones, "clocks": clocks, "imported_from": f"{SECRETS[3]}/log.csv"}
        )
    )
    for path in (folder.tables / "context").glob("*/*.parquet"):
        table = pq.ParquetFile(path).read()
        rows = table.to_pylist()
        rows += [{**rows[-1], "name": "ssid", "value": SECRETS[1]}]
        rows += [{**rows[-1], "name": "bssid", "value": SECRETS[2]}]
        pq.write_table(pa.Table.from_pylist(rows, schema=table.schema), path)
    (run_path / "journal").mkdir()
    (run_path / "journal" / "alder-1.journal").write_text(" ".join(SECRETS))
    (folder.tables / "unread.jsonl").write_text(json.dumps(SECRETS))
    (run_path / "plan.toml").write_text(
        f"[call]\nnumber = '{SECRETS[4]}'\nother = \"tel:{SECRETS[4]}\"\nlength_s = 600\n"
    )
    (run_path / "notes-to-self.txt").write_text(SECRETS[0])
    return run_path


def packed(path: Path) -> tuple[EnergyReport, zipfile.ZipFile]:
    run = load(path)
    report = energy(run)
    return report, zipfile.ZipFile(io.BytesIO(datapackage.packed(run, report, "A. Rider")))


def strings(archive: zipfile.ZipFile) -> Iterator[tuple[str, str]]:
    """Every text of a package, tables spelled out."""
    for name in archive.namelist():
        body = archive.read(name)
        yield name, body.decode("utf-8", errors="replace")
        if name.endswith(".parquet"):
            table = pq.read_table(io.BytesIO(body))
            yield name, json.dumps(table.to_pylist(), default=str)
            yield name, str(table.schema.metadata)


def test_nothing_personal_is_in_it(private: Path) -> None:
    _, archive = packed(private)
    for name, text in strings(archive):
        for secret in (*SECRETS, str(private), str(Path.home()), private.parent.name):
            assert secret not in text, f"{secret} in {name}"
    assert "plan.toml" in archive.namelist()
    assert b"length_s = 600" in archive.read("plan.toml")


def test_it_gives_the_same_numbers(private: Path, tmp_path: Path) -> None:
    report, archive = packed(private)
    archive.extractall(tmp_path / "package")
    again = energy(load(tmp_path / "package"))
    assert to_json(again) == to_json(report)
    context = read_table(tmp_path / "package" / "tables" / "context").to_pandas()
    assert set(context["name"]) == {"screen", "foreground"}


def test_calibrations_go_along(
    private: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calibration, "folder", lambda: tmp_path / "at-home")
    plain = energy(load(private))
    calibration.keep(
        Calibration(
            phone_hash=SECRETS[5],
            gain=1.05,
            offset_mw=3.0,
            gain_u=0.002,
            offset_u_mw=1.0,
            correlation=-0.5,
            low_mw=100.0,
            high_mw=4000.0,
            run="earlier",
            run_utc=plain.began_utc,
            meter=f"{SECRETS[3]}/meter.csv",
        )
    )
    report, archive = packed(private)
    assert report.phones[0].total.energy_mwh < plain.phones[0].total.energy_mwh * 0.97
    archive.extractall(tmp_path / "package")
    monkeypatch.setattr(calibration, "folder", lambda: tmp_path / "elsewhere")
    assert to_json(energy(load(tmp_path / "package"))) == to_json(report)
    assert not any(SECRETS[5] in text or SECRETS[3] in text for _, text in strings(archive))


def test_the_validator_accepts_it(private: Path, tmp_path: Path) -> None:
    from frictionless import Package  # noqa: PLC0415 - slow to load

    _, archive = packed(private)
    archive.extractall(tmp_path)
    found = Package(str(tmp_path / "datapackage.json")).validate()
    assert found.valid, found.flatten(["title", "message", "note"])
    assert {task.name for task in found.tasks} >= {"data-energy.csv", "run.json", "tags.jsonl"}
    broken = tmp_path / "data" / "energy.csv"
    broken.write_bytes(broken.read_bytes().replace(b"navigation", b"navigatiom"))
    assert not Package(str(tmp_path / "datapackage.json")).validate().valid


def test_the_descriptor_names_every_file_with_size_and_hash(private: Path) -> None:
    _, archive = packed(private)
    document = json.loads(archive.read("datapackage.json"))
    named = {r["path"]: r for r in document["resources"]}
    assert set(named) == set(archive.namelist()) - {"datapackage.json"}
    for path, resource in named.items():
        body = archive.read(path)
        assert resource["bytes"] == len(body)
        assert resource["hash"] == f"sha256:{hashlib.sha256(body).hexdigest()}"
    fields = named["data/energy.csv"]["schema"]["fields"]
    table = pd.read_csv(io.BytesIO(archive.read("data/energy.csv")))
    assert [f["name"] for f in fields] == table.columns.tolist()
    assert next(f for f in fields if f["name"] == "energy_mwh")["unit"] == "mWh"
    text = archive.read("data-dictionary.md").decode()
    assert all(f"`{f['name']}`" in text for f in fields)


def test_the_same_run_gives_the_same_bytes(run_path: Path) -> None:
    run = load(run_path)
    report = energy(run)
    assert datapackage.packed(run, report) == datapackage.packed(run, report)


def test_hostile_titles_make_no_other_citation(run_path: Path) -> None:
    run = load(run_path)
    report: Any = replace(energy(run), title='x"\nauthors:\n  - name: "Mallory\u202e')
    data = datapackage.packed(run, report, 'A "Quick" Rider\nversion: 7')
    text = zipfile.ZipFile(io.BytesIO(data)).read("CITATION.cff").decode()
    assert text.count("\nauthors:\n") == 1
    assert text.count("\n") == 8
    assert "\u202e" not in text
    assert 'name: "A \\"Quick\\" Rider\\nversion: 7"' in text
