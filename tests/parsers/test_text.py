"""Words for the user."""

import pytest

from parsers.text import so_many


@pytest.mark.parametrize(("n", "said"), [(0, "0 lines"), (1, "1 line"), (2, "2 lines")])
def test_so_many_of_a_thing(n: int, said: str) -> None:
    assert so_many(n, "line") == said
