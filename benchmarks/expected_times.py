"""What a season would take on more cores, computed from the measured times of its own jobs.

    python benchmarks/expected_times.py SEASON [--cores 2 16 64] [--start 3] [--job 0.06] [--times 10]

SEASON has been run from nothing. Each job's processor seconds stand in its log. Jobs are put on the cores
longest first; a stage waits for the one before it, as in the rules, with `drift` beside the judging.
`--start` is what a run costs before its first job, `--job` what each job costs on top of its own time (both
in seconds; measured with 20 plates). `--times` stands for a season of so many times as many plates: as many
more buckets of the same size, and single jobs so many times as long. That is a calculation, not a
measurement, and says so; it is too much for `panel`, which looks at a limited number of families.

What a job shared among processes is taken to be shared among as many as its rule asks for where there are so
many cores (`threads_of_examine` and its like in workflow/rules/common.smk). Page, workbook,
labels and summary are of different length: the longest, the workbook, is taken for half of them.
"""

from __future__ import annotations

import argparse
import heapq
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

STAGES = (("part",), ("ingest",), ("panel",), ("verify", "drift"), ("examine",), ("verdicts",), ("rates",),
          ("report",), ("gate",))  # fmt: skip
"""Rules that may run side by side; every stage needs the one before it."""
BUCKETED = ("part", "ingest", "verify")
LONGEST = {"report": 0.5}
"""Share of what several processes do that the longest of them does, where it cannot be cut evenly."""
LINE = re.compile(
    r"^(\w+): ([\d.]+) s of processor time, \d+ MiB at most(?:; ([\d.]+) s of it by (\d+) processes)?",
    re.MULTILINE,
)


@dataclass(frozen=True)
class Job:
    """Seconds of one job: `alone` by one process, `shared` by as many as `processes`."""

    rule: str
    alone: float
    shared: float = 0.0
    processes: int = 1

    def seconds(self, cores: int) -> float:
        """By the clock, where the job has these cores."""
        return self.alone + self.shared * max(1 / min(self.processes, cores), LONGEST.get(self.rule, 0.0))


def processes_of(rule: str, plates: int) -> int:
    """Processes that the job of a rule asks for in a season of so many genotype files."""
    if rule == "verdicts":
        return min(8, 1 + plates // 50)
    if rule == "examine":
        return min(16, 1 + plates // 50)
    return 4 if rule == "report" and plates >= 50 else 1


def jobs_of(season: Path, times: int = 1) -> list[Job]:
    """All jobs whose times stand in the logs of a season."""
    found = []
    plates = times * len(list((season / "genotypes").iterdir()))
    for log in sorted((season / ".crossproof" / "logs").rglob("*.log")):
        for rule, total, shared, processes in LINE.findall(log.read_text(encoding="utf-8")):
            apart = float(shared or 0.0)
            asked = max(int(processes or 1), processes_of(rule, plates)) if apart else 1
            found.append(Job(rule, max(float(total) - apart, 0.0), apart, asked))
    return found


def grown(jobs: Sequence[Job], times: int) -> list[Job]:
    """The jobs of a season with `times` as many plates."""
    out: list[Job] = []
    for job in jobs:
        if job.rule in BUCKETED:
            out += [job] * times
        else:
            out.append(Job(job.rule, job.alone * times, job.shared * times, job.processes))
    return out


def clock(jobs: Sequence[Job], cores: int, start: float, per_job: float) -> float:
    """Seconds by the clock on so many cores."""
    now = start
    for stage in STAGES:
        free = [now] * cores
        heapq.heapify(free)
        mine = sorted((j.seconds(cores) + per_job for j in jobs if j.rule in stage), reverse=True)
        ends = [now]
        for seconds in mine:
            end = heapq.heappop(free) + seconds
            ends.append(end)
            heapq.heappush(free, end)
        now = max(ends)
    return now


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("season", type=Path)
    parser.add_argument("--cores", type=int, nargs="+", default=[2, 16, 64])
    parser.add_argument("--start", type=float, default=3.0)
    parser.add_argument("--job", type=float, default=0.06)
    parser.add_argument("--times", type=int, default=1)
    given = parser.parse_args()
    jobs = grown(jobs_of(given.season, given.times), given.times)
    if not jobs:
        raise SystemExit(f"{given.season} has no logs of jobs: run it first.")
    total = sum(j.alone + j.shared + given.job for j in jobs) + given.start
    said = (
        "computed from measured jobs" if given.times == 1 else f"calculated for {given.times} times as much"
    )
    print(f"{len(jobs)} jobs, {total:.0f} processor seconds ({said})")
    for cores in given.cores:
        print(f"{cores:4d} cores {clock(jobs, cores, given.start, given.job):8.0f} s")
    print(f"critical path {clock(jobs, 10_000, given.start, given.job):8.0f} s, of it:")
    for stage in STAGES:
        mine = [j.seconds(64) for j in jobs if j.rule in stage]
        if mine:
            print(f"  {' and '.join(stage):18s} {max(mine):8.2f} s in the longest of {len(mine)} jobs")


if __name__ == "__main__":
    main()
