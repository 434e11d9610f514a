"""The whole pipeline: what it costs, against what else, and how that grows.

    python benchmarks/pipeline.py [--plates 20 100] [--cores 2] [--folder DIR] [--vcf]

For each number of plates: an invented season (preset thousand_plates), `crossproof run` on it, the pandas
script of `naive_pandas.py`, and reading and unpacking its genotype files, all in one go on one machine, so
that ratios mean something on a busy one too. Processor seconds are those of all processes; memory is the
largest sum of proportional set sizes (shared pages count once) of all processes of the run, looked at four
times a second.
"""

from __future__ import annotations

import argparse
import compileall
import dataclasses
import datetime as dt
import gzip
import os
import platform
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

import crossproof
from crossproof.inference.family.compiled_rounds import load
from crossproof.simulate import simulate_season, write_season
from crossproof.simulate.plan import BatchFormat
from crossproof.simulate.presets import preset

HERE = Path(__file__).parent


@dataclasses.dataclass(frozen=True)
class Cost:
    """Seconds by the clock and of the processors, and most memory in MiB (0 where it was not watched)."""

    wall: float
    cpu: float
    memory: float = 0.0


def family_of(root: int) -> list[int]:
    """Processes that descend from `root`, itself included."""
    children: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            children.setdefault(int(fields[1]), []).append(int(entry.name))
    found, todo = [], [root]
    while todo:
        process = todo.pop()
        found.append(process)
        todo += children.get(process, [])
    return found


def memory_of(root: int) -> float:
    """Proportional set size of a process and its descendants, MiB."""
    total = 0
    for process in family_of(root):
        try:
            text = Path(f"/proc/{process}/smaps_rollup").read_text()
        except OSError:
            continue
        match = re.search(r"^Pss:\s+(\d+) kB", text, flags=re.MULTILINE)
        total += int(match.group(1)) if match else 0
    return total / 1024


def run_watched(command: list[str]) -> Cost:
    """Run a command to its end; raises CalledProcessError where it fails."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    started = time.monotonic()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    most, ended = [0.0], threading.Event()

    def watch() -> None:
        while not ended.wait(0.25):
            most[0] = max(most[0], memory_of(process.pid))

    watcher = threading.Thread(target=watch)
    watcher.start()
    code = process.wait()
    ended.set()
    watcher.join()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if code:
        raise subprocess.CalledProcessError(code, command)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(time.monotonic() - started, cpu, most[0])


def read_bytes(season: Path) -> Cost:
    """Read and unpack every genotype file of a season."""
    wall, cpu = time.monotonic(), time.process_time()
    for path in sorted((season / "genotypes").iterdir()):
        with gzip.open(path) if path.name.endswith("gz") else path.open("rb") as handle:
            while handle.read(1 << 20):
                pass
    return Cost(time.monotonic() - wall, time.process_time() - cpu)


def make_season(folder: Path, plates: int, vcf: bool) -> int:
    """An invented season of about this many plates; the number of plants."""
    plan = dataclasses.replace(preset("thousand_plates"), n_crosses=10 * plates)
    if vcf:
        plan = dataclasses.replace(plan, formats=(BatchFormat.VCF_DEPTH,), compress=True)
    write_season(simulate_season(plan, np.random.default_rng(5)), folder)
    return plan.n_crosses * plan.plants_per_cross


def by_rule(season: Path) -> dict[str, float]:
    """Processor seconds of each rule's jobs, from their logs."""
    found: dict[str, float] = {}
    for log in (season / ".crossproof" / "logs").rglob("*.log"):
        for rule, seconds in re.findall(r"^(\w+): ([\d.]+) s of processor", log.read_text(), flags=re.M):
            found[rule] = found.get(rule, 0.0) + float(seconds)
    return dict(sorted(found.items(), key=lambda item: -item[1]))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--plates", type=int, nargs="+", default=[20, 100])
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--folder", type=Path, help="where to put the seasons (default: a temporary folder)")
    parser.add_argument("--vcf", action="store_true", help="genotypes as VCF.gz with depths")
    given = parser.parse_args()
    # As an installation has it: what is compiled once is not what is measured.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    compileall.compile_dir(Path(crossproof.__file__).parent, quiet=2)
    load()
    folder = given.folder or Path(tempfile.mkdtemp(prefix="crossproof-bench-"))
    busy = ", ".join(f"{x:.1f}" for x in os.getloadavg())
    print(
        f"{dt.date.today()}  {platform.machine()}, {os.cpu_count()} cores, "
        f"Python {platform.python_version()}, load before: {busy}"
    )
    print("plates  plants  what            wall s    cpu s   MiB   cpu / pandas  cpu / bytes")
    sizes, costs = [], []
    for plates in given.plates:
        season = folder / f"plates{plates}"
        shutil.rmtree(season, ignore_errors=True)
        plants = make_season(season, plates, given.vcf)
        naive = run_watched([sys.executable, str(HERE / "naive_pandas.py"), str(season)])
        raw = read_bytes(season)
        ours = run_watched(
            [
                sys.executable, "-m", "crossproof.cli", "run", str(season), "--cores", str(given.cores),
                "--allow-findings",
            ]
        )  # fmt: skip
        for name, cost in (("read the bytes", raw), ("pandas script", naive), ("crossproof run", ours)):
            print(
                f"{plates:6d} {plants:7d}  {name:14s} {cost.wall:7.1f} {cost.cpu:8.2f} {cost.memory:6.0f}"
                f" {cost.cpu / naive.cpu:12.1f} {cost.cpu / max(raw.cpu, 1e-3):12.1f}"
            )
        rules = by_rule(season)
        print("        " + ", ".join(f"{rule} {seconds:.1f}" for rule, seconds in rules.items()))
        sizes.append(plates)
        costs.append(ours.cpu)
    if len(sizes) > 1:
        slope = np.polyfit(np.log(sizes), np.log(costs), 1)[0]
        print(f"growth: processor seconds ~ plates^{slope:.2f}")


if __name__ == "__main__":
    main()
