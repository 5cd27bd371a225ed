"""A run to pass on: everything needed to compute its table again, and nothing personal."""

import hashlib
import io
import json
import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analysis.outputs import wording
from analysis.outputs.arrow import parquet
from analysis.outputs.columns import Column, dictionary, recorded
from analysis.outputs.spreadsheet import separated
from analysis.outputs.tables import Table, tables
from analysis.readings.run import Run
from analysis.report import EnergyReport
from parsers.runfolder import Manifest, RunFolder
from parsers.schema import TABLES

FILE_NAME = "data-package.zip"
_PLAN = "plan.toml"
_TEXTS = ("tags.jsonl", _PLAN, "checks.jsonl", "slips.jsonl")
"""Files of the run that go along where there are any."""
_CONTEXT = (
    *("screen", "wakefulness", "foreground", "thermal_status", "brightness", "brightness_mode"),
    *("battery_saver", "refresh_hz", "call", "network", "cycle_count", "charge_full_mah"),
)
"""What of the context is about the test; all else stays at home."""
_NUMBER = re.compile(r"""(["'])(?:tel:)?\+?[\d\s()./-]{5,}\1""")
_ZIP_EPOCH = (1980, 1, 1, 0, 0, 0)
_README = """# {title}

Energy per activity of {n} phones, with what is needed to compute it again.

- `data/energy.csv`, `data/phones.csv`: the result; columns in `data-dictionary.md`.
  `data/budget.csv`: what the uncertainty of each energy is made of. All three also as Parquet.
- `tables/`: every reading, as Parquet. `run.json`: phones, gauges, clocks. `tags.jsonl`: what was
  marked, with every later correction.

With the program `rundown` {version} or later, `rundown energy .` in this folder computes the table
from the readings. Phones are named by their labels; the hashes in `run.json` were made for this
package and mean nothing outside it.
"""


def packed(run: Run, report: EnergyReport, author: str | None = None) -> bytes:
    """The package as a zip file, the same bytes for the same run.

    Args:
        run: the run, for its files.
        report: its energies.
        author: who wants to be cited; None to leave that open.
    """
    results = tables(report)
    contents = dict(_files(run, report, results, author))
    descriptor = _descriptor(run, report, results, contents)
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        for name, body in {"datapackage.json": descriptor, **contents}.items():
            entry = zipfile.ZipInfo(name, _ZIP_EPOCH)
            entry.external_attr = 0o644 << 16
            dense = name.endswith(".parquet")
            entry.compress_type = zipfile.ZIP_STORED if dense else zipfile.ZIP_DEFLATED
            archive.writestr(entry, body)
    return data.getvalue()


def _files(
    run: Run, report: EnergyReport, results: Sequence[Table], author: str | None
) -> Iterator[tuple[str, bytes]]:
    folder = RunFolder(run.path)
    for table in results:
        yield f"data/{table.name}.csv", separated(table.columns, table.rows).encode()
        yield f"data/{table.name}.parquet", parquet(table.columns, table.rows)
    names = {f"tables/{name}": recorded(name) for name in TABLES}
    computed = {f"data/{table.name}.csv": table.columns for table in results}
    yield "data-dictionary.md", dictionary({**computed, **names}).encode()
    yield "CITATION.cff", _citation(report, author).encode()
    version = report.tool_version
    readme = _README.format(title=wording.title(report), n=len(report.phones), version=version)
    yield "README.md", readme.encode()
    hashes = _hashes(run.manifest)
    manifest = _impersonal(run.manifest, hashes)
    yield "run.json", manifest.model_dump_json(indent=2).encode() + b"\n"
    for name in _TEXTS:
        path = folder.path / name
        if path.is_file():
            text = path.read_text("utf-8", errors="replace")
            yield name, (_without_numbers(text) if name == _PLAN else text).encode()
    for recording in run.recordings:
        if recording.calibration is not None:
            new = hashes[recording.entry.phone_hash]
            known = recording.calibration.model_copy(
                update={"phone_hash": new, "meter": "a meter"}
            )
            yield f"calibrations/{new}.json", known.model_dump_json(indent=2).encode() + b"\n"
    for path in sorted(folder.tables.glob("*/phone=*/*.parquet")):
        if path.parts[-3] in TABLES and not path.name.startswith("."):
            yield path.relative_to(folder.path).as_posix(), _table(path)


def _hashes(manifest: Manifest) -> dict[str, str]:
    """A new hash for each phone, told apart within the package only."""
    return {
        p.phone_hash: hashlib.sha256(f"{manifest.run_id}/{p.label}".encode()).hexdigest()[:16]
        for p in manifest.phones
        if p.phone_hash
    }


def _impersonal(manifest: Manifest, hashes: Mapping[str, str]) -> Manifest:
    phones = tuple(
        p.model_copy(update={"phone_hash": hashes.get(p.phone_hash, "")}) for p in manifest.phones
    )
    clocks = manifest.clocks.model_copy(update={"host_boot": ""})
    came_from = None if manifest.imported_from is None else "a log"
    return manifest.model_copy(
        update={"phones": phones, "clocks": clocks, "imported_from": came_from}
    )


def _without_numbers(text: str) -> str:
    """The text with quoted telephone numbers left out."""
    return _NUMBER.sub('"number left out"', text)


def _table(path: Path) -> bytes:
    """A table's file; of the context only what is about the test."""
    if path.parts[-3] != "context":
        return path.read_bytes()
    table = pq.ParquetFile(path).read()
    kept = table.filter(pc.is_in(table["name"].cast("string"), value_set=pa.array(_CONTEXT)))
    data = io.BytesIO()
    pq.write_table(kept, data, compression="zstd")
    return data.getvalue()


def _citation(report: EnergyReport, author: str | None) -> str:
    """Citation File Format 1.2.0; a JSON string is a YAML string."""
    lines = {
        "cff-version": "1.2.0",
        "message": "Please cite this data set as below.",
        "type": "dataset",
        "title": wording.title(report),
        "date-released": f"{report.began_utc:%Y-%m-%d}",
        "version": report.run,
    }
    text = "".join(f"{key}: {json.dumps(value)}\n" for key, value in lines.items())
    name = author or "whoever publishes this data set: put your name here"
    return f"{text}authors:\n  - name: {json.dumps(name)}\n"


def _descriptor(
    run: Run, report: EnergyReport, results: Sequence[Table], contents: Mapping[str, bytes]
) -> bytes:
    """The Frictionless descriptor (Data Package): every file with its size and hash."""
    computed = {f"data/{table.name}.csv": table for table in results}
    resources = [_resource(name, body, computed.get(name)) for name, body in contents.items()]
    document = {
        "name": f"rundown-{re.sub(r'[^a-z0-9._-]', '-', run.manifest.run_id.lower())}",
        "title": wording.title(report),
        "description": "Energy per activity of phones run down side by side.",
        "created": report.began_utc.isoformat().replace("+00:00", "Z"),
        "keywords": ["battery", "energy", "phone"],
        "resources": resources,
    }
    return (json.dumps(document, indent=1, ensure_ascii=False) + "\n").encode()


def _resource(name: str, body: bytes, table: Table | None) -> dict[str, Any]:
    resource: dict[str, Any] = {
        "name": re.sub(r"[^a-z0-9._-]+", "-", name.lower()),
        "path": name,
        "format": name.rsplit(".", 1)[-1],
        "bytes": len(body),
        "hash": f"sha256:{hashlib.sha256(body).hexdigest()}",
    }
    if table is None:
        return {**resource, "type": "file"}
    columns = [
        {"name": c.name, "type": c.type, "description": c.meaning, **_unit(c)}
        for c in table.columns
    ]
    return {
        **resource,
        "type": "table",
        "title": table.title,
        "encoding": "utf-8",
        "mediatype": "text/csv",
        "schema": {"fields": columns, "missingValues": [""]},
    }


def _unit(column: Column) -> dict[str, str]:
    return {"unit": column.unit} if column.unit else {}
