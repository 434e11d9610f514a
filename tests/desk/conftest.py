"""The desk is an extra: where its packages are not installed, its tests are left out."""

from __future__ import annotations

from importlib.util import find_spec

collect_ignore_glob = (
    [] if all(find_spec(m) for m in ("starlette", "uvicorn", "python_multipart", "httpx2")) else ["test_*.py"]
)
