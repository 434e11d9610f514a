"""What the source must not contain for SECURITY.md to hold."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FILES = sorted((ROOT / "src").rglob("*.py")) + sorted((ROOT / "workflow").rglob("*.py"))
RULES = sorted((ROOT / "workflow").rglob("*.smk")) + [ROOT / "workflow" / "Snakefile", ROOT / "Snakefile"]
FORBIDDEN_MODULES = {"pickle", "cPickle", "dill", "cloudpickle", "shelve", "marshal", "joblib", "telnetlib"}
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "os.system", "os.popen", "subprocess.getoutput"}
YAML_LOADERS = {"yaml.load", "yaml.load_all", "yaml.unsafe_load", "yaml.full_load", "yaml.unsafe_load_all"}


def dotted(node: ast.expr) -> str:
    parts = []
    while isinstance(node, ast.Attribute):
        parts.append(node.attr)
        node = node.value
    return ".".join([node.id, *parts[::-1]]) if isinstance(node, ast.Name) else ""


def faults(text: str) -> list[str]:
    """What is forbidden in a piece of Python."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            found += [a.name for a in node.names if a.name.split(".")[0] in FORBIDDEN_MODULES]
        elif isinstance(node, ast.ImportFrom):
            found += [node.module or ""] if (node.module or "").split(".")[0] in FORBIDDEN_MODULES else []
        elif isinstance(node, ast.Call):
            name = dotted(node.func)
            if name in FORBIDDEN_CALLS or name in YAML_LOADERS or name.endswith("read_pickle"):
                found.append(name)
            for keyword in node.keywords:
                value = keyword.value.value if isinstance(keyword.value, ast.Constant) else None
                if (keyword.arg, value) in {("shell", True), ("allow_pickle", True)}:
                    found.append(f"{keyword.arg}=True")
                if keyword.arg == "Loader" and not dotted(keyword.value).endswith("SafeLoader"):
                    found.append("Loader")
            if name in ("np.load", "numpy.load") and not any(
                k.arg == "allow_pickle" and isinstance(k.value, ast.Constant) and k.value.value is False
                for k in node.keywords
            ):
                found.append("np.load without allow_pickle=False")
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_no_pickle_no_eval_no_shell(path: Path) -> None:
    assert faults(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "text",
    [
        "import pickle",
        "from joblib import load",
        "eval('1')",
        "import subprocess\nsubprocess.run('ls', shell=True)",
        "import yaml\nyaml.load(x, Loader=yaml.Loader)",
        "np.load('x')",
        "np.load('x', allow_pickle=True)",
        "pd.read_pickle('x')",
    ],
)
def test_the_rule_sees_what_it_forbids(text: str) -> None:
    assert faults(text)


SAFE = {"log", "threads", "wildcards.bucket", "wildcards.digest", "wildcards.part"}
"""A bucket, a part and threads are numbers, a digest is hexadecimal."""


def test_rules_of_the_workflow_put_no_name_into_a_shell() -> None:
    """A shell line may hold the log, numbers and digests, and nothing that a user named."""
    lines = 0
    for path in RULES:
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"^\s+(run|script|notebook|wrapper):", text, flags=re.MULTILINE), path
        for match in re.finditer(r"shell:\s*\n\s*[\"'](.*)[\"']\n", text):
            lines += 1
            assert set(re.findall(r"\{([^}]*)\}", match.group(1))) <= SAFE, match.group(1)
    assert lines >= 9


def test_the_only_network_code_is_that_of_fetch_and_publish() -> None:
    users = {
        p.relative_to(ROOT / "src" / "crossproof").as_posix()
        for p in FILES
        if re.search(
            r"\b(urllib\.request|http\.client|(?<!starlette\.)requests|socket)\b",
            p.read_text(encoding="utf-8"),
        )
    }
    # runner/ask.py talks to runner/warm.py through a socket file; the desk's server listens and asks nobody.
    ours = {"runner/warm.py", "runner/ask.py", "runner/workflow.py", "runner/support.py", "desk/sockets.py"}
    assert {u for u in users if not u.startswith("exchange/")} <= ours
    assert "exchange/brapi_http.py" in users
