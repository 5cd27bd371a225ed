"""Writes what a run amounts to: results for programs, pages and tables for people."""

import io
import json
from pathlib import Path

import pandas as pd

from analysis.outputs import OUTPUTS
from analysis.outputs.spreadsheet import rows
from analysis.report import EnergyReport, to_json
from parsers.runfolder import RunFolder, replace_file


def publish(report: EnergyReport, path: Path) -> list[Path]:
    """Writes results and published files into the run folder; gives their paths.

    Raises:
        OSError: if a file cannot be written.
    """
    folder = RunFolder(path)
    body = json.dumps(to_json(report), indent=2, allow_nan=False, ensure_ascii=False)
    table = io.BytesIO()
    pd.DataFrame(rows(report)).to_parquet(table, index=False)
    written = {
        folder.results / "energy.json": body.encode() + b"\n",
        folder.results / "energy.parquet": table.getvalue(),
        **{
            folder.published / output.FILE_NAME: output.render(report).encode()
            for output in OUTPUTS
        },
    }
    for file, data in written.items():
        replace_file(file, data)
    return list(written)
