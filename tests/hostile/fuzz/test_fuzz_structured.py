"""Well-formed files with wrong things in them: one node of a good document replaced, moved, lost.

Bytes at random rarely get past the parser (`test_fuzz_coverage_guided.py` does that
part); here every file is valid JSON, and what stands in it is not.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import pytest
from fuzz_readers import reader, seeds
from hypothesis import given, settings
from hypothesis import strategies as st

HOSTILE = [
    None, True, 0, -1, 1.5, 1e-320, -1e-30, 1e30, 1e300, -1e308, 10**250, "", "x", "\x1b[2J\0",
    "../../x", "/etc/passwd", "1e999", "freeair-fit/1", [], [[]], {}, {"": None}, [1.0, 2.0],
    [0.0] * 4, "2026-13-45T99:99:99+01:00", "\u202e", "a" * 5000,
]  # fmt: skip


def places(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Paths of every node; of long lists the first, the second and the last."""
    yield path
    if isinstance(node, dict):
        for key, child in node.items():
            yield from places(child, (*path, key))
    elif isinstance(node, list):
        for index in sorted({0, 1, len(node) - 1} & set(range(len(node)))):
            yield from places(node[index], (*path, index))


def spoilt(document: Any, path: tuple[Any, ...], how: str, value: Any) -> Any:
    if not path:
        return value
    document = copy.deepcopy(document)
    node = document
    for step in path[:-1]:
        node = node[step]
    if how == "replaced":
        node[path[-1]] = value
    elif how == "lost":
        del node[path[-1]]
    elif isinstance(node, dict):
        node[f"{path[-1]} "] = node.pop(path[-1])
    else:
        node.append(node[path[-1]])
    return document


@pytest.mark.parametrize("name", ["take", "fit", "part", "plan", "guide", "mark"])
def test_only_our_errors_come_out(name, tmp_path_factory):
    folder = tmp_path_factory.mktemp(name)
    read = reader(name, folder)
    documents = [json.loads(content) for content in seeds(name)]
    where = [(document, path) for document in documents for path in places(document)]

    @given(
        st.lists(
            st.tuples(
                st.integers(0, len(where) - 1),
                st.sampled_from(["replaced", "replaced", "lost", "moved"]),
                st.sampled_from(HOSTILE),
            ),
            min_size=1, max_size=1,
        )
    )  # fmt: skip
    @settings(max_examples=120, deadline=None, derandomize=True)
    def check(changes: list[tuple[int, str, Any]]) -> None:
        for index, how, value in changes:
            document, path = where[index]
            read(json.dumps(spoilt(document, path, how, value)).encode())

    check()
