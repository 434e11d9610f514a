"""A desk on a folder and a browser that it has let in, without a network."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from crossproof.desk.app import make_app
from crossproof.desk.pages import Desk
from crossproof.desk.security import FORM_KEY, cookie_name

PORT = 8123
OWN = f"http://127.0.0.1:{PORT}"
DEMO = Path(__file__).parents[2] / "demo_genotypes"
LEFT_BEHIND = ("results", ".crossproof", ".snakemake", "calibration.json")


def copy_of_demo(folder: Path) -> Path:
    """The demo season without what runs leave in it."""
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns(*LEFT_BEHIND))
    return folder


class Visitor:
    """A browser that the desk let in: sends the cookie, the origin and the form's key."""

    def __init__(self, root: Path) -> None:
        self.desk = Desk(root, PORT)
        self.app = make_app(self.desk)
        self.client = TestClient(self.app, base_url=OWN, follow_redirects=False)
        self.client.cookies.set(cookie_name(PORT), self.desk.keys.session)

    def get(self, path: str, **options: Any) -> Any:
        """A page."""
        return self.client.get(path, **options)

    def post(self, path: str, data: dict[str, Any] | None = None, **options: Any) -> Any:
        """A form sent from one of the desk's pages."""
        headers = {"origin": OWN, **options.pop("headers", {})}
        return self.client.post(
            path, data={FORM_KEY: self.desk.keys.form, **(data or {})}, headers=headers, **options
        )


def words(response: Any) -> str:
    """The text of a page without markup, blanks made one."""
    text = re.sub(r"<(script|style)\b.*?</\1>", " ", response.text, flags=re.S)
    return " ".join(re.sub(r"<[^>]+>", " ", text).split())
