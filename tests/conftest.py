"""For all tests: examples that are always alike, goldens, references that name their source."""

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from threadpoolctl import threadpool_limits

REFERENCES = Path(__file__).parent / "reference"

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # What a script starts in the background ignores Ctrl-C and hands that down to what it starts.
    signal.signal(signal.SIGINT, signal.default_int_handler)

# How fast examples are drawn says only how busy the machine is.
settings.register_profile(
    "alike", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("random", settings.get_profile("alike"), derandomize=False)
settings.load_profile("alike")  # `--hypothesis-profile=random` draws others each time


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--update-goldens",
        action="store_true",
        help="rewrite expected files from what we read now",
    )


def pytest_configure(config: pytest.Config) -> None:
    if config.getoption("--update-goldens") and os.environ.get("CI"):
        raise pytest.UsageError("goldens are not rewritten in CI")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if REFERENCES in item.path.parents and item.get_closest_marker("reference") is None:
            raise pytest.UsageError(f"{item.nodeid}: name its source, with the mark `reference`")
        for mark in item.iter_markers("reference"):
            missing = [name for name in ("source", "locator") if not mark.kwargs.get(name)]
            if missing:
                raise pytest.UsageError(
                    f"{item.nodeid}: a reference names its {' and '.join(missing)}"
                )


@pytest.fixture(scope="session", autouse=True)
def one_thread() -> Iterator[None]:
    """As in the program: matrices are small, and tests run side by side."""
    with threadpool_limits(1, user_api="blas"):
        yield


@pytest.fixture(scope="session")
def update_goldens(request: pytest.FixtureRequest) -> bool:
    """True when expected files are to be rewritten instead of compared."""
    return bool(request.config.getoption("--update-goldens"))
