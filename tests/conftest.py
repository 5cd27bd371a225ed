"""For all tests: rewriting goldens on request, and references that name their source."""

import os

import pytest


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
        for mark in item.iter_markers("reference"):
            missing = [name for name in ("source", "locator") if not mark.kwargs.get(name)]
            if missing:
                raise pytest.UsageError(
                    f"{item.nodeid}: a reference names its {' and '.join(missing)}"
                )


@pytest.fixture(scope="session")
def update_goldens(request: pytest.FixtureRequest) -> bool:
    """True when expected files are to be rewritten instead of compared."""
    return bool(request.config.getoption("--update-goldens"))
