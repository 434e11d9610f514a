"""The desk is an extra: where its packages are not installed, its tests are left out."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import pytest

collect_ignore_glob = (
    [] if all(find_spec(m) for m in ("starlette", "uvicorn", "python_multipart", "httpx2")) else ["test_*.py"]
)


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo season, run to its end; leave it as you found it."""
    from desks import copy_of_demo

    from crossproof.runner.workflow import run_season

    root = tmp_path_factory.mktemp("finished")
    run_season(copy_of_demo(root / "demo"))
    return root
