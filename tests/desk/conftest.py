"""The desk is an extra: where its packages are not installed, its tests are left out."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

collect_ignore_glob = (
    [] if all(find_spec(m) for m in ("starlette", "uvicorn", "python_multipart", "httpx2")) else ["test_*.py"]
)


@pytest.fixture(scope="session")
def finished(finished_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo season, run to its end; leave it as you found it."""
    root = tmp_path_factory.mktemp("desk")
    shutil.copytree(finished_demo, root / "demo")
    # A copied file was changed at the moment of copying, as far as the disk can tell: the run came after it.
    os.utime(root / "demo" / "results" / "run.json")
    return root


@pytest.fixture
def people(browser: Any) -> Iterator[Any]:
    """Opens desks and browsers, and ends them all."""
    from served import Person, Served

    opened: list[Any] = []

    def visit(desk: Any, **options: Any) -> Any:
        opened.append(Person(browser, desk, **options))
        return opened[-1]

    def serve(root: Path, *options: str) -> Any:
        opened.append(Served(root, *options))
        return opened[-1]

    visit.serve = serve  # type: ignore[attr-defined]
    yield visit
    for one in reversed(opened):
        one.context.close() if isinstance(one, Person) else one.close()
