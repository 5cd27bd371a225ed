"""Files of one JSON object a line, read so that a damaged line hides nothing but itself."""

from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import BaseModel, ValidationError

from parsers.errors import RunDamagedError

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines(Generic[Model]):
    """What a file holds.

    Attributes:
        records: line number, from 1, and record, in file order.
        damage: one sentence per line that is not a record.
    """

    records: tuple[tuple[int, Model], ...] = ()
    damage: tuple[str, ...] = ()


def read_lines(path: Path, model: type[Model]) -> Lines[Model]:
    """All records of a file; a missing file holds none.

    A line that is not a record (a writer was killed, an editor got in) is named in `damage`.

    Raises:
        RunDamagedError: if the file cannot be read as text.
    """
    try:
        lines = path.read_text("utf-8").split("\n")
    except FileNotFoundError:
        return Lines()
    except UnicodeDecodeError as exc:
        raise RunDamagedError(str(path), f"not UTF-8 text at byte {exc.start}") from exc
    records, damage = [], []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            records.append((number, model.model_validate_json(line)))
        except ValidationError as exc:
            damage.append(f"{path.name} line {number}: {exc.errors(include_url=False)[0]['msg']}")
    return Lines(records=tuple(records), damage=tuple(damage))
