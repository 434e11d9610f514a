"""Shared by all tests: where the project and the material beside it are."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder with reference values and real data, outside the project; skips where it is absent."""
    folder = Path(os.environ.get("CROSSPROOF_SHARED", ROOT.parent / "shared"))
    if not folder.is_dir():
        pytest.skip(f"{folder} is not on this machine")
    return folder
