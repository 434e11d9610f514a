"""A SLURM of two nodes on this one host, from Debian's packages slurm-wlm and munge.

The daemons listen on the loopback only and keep their state in a folder that is deleted afterwards. The
configuration stands at the default path, since a job step does not inherit SLURM_CONF.
"""

from __future__ import annotations

import os
import secrets
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

DEFAULT = Path("/etc/slurm/slurm.conf")
NEEDED = ("munged", "slurmctld", "slurmd", "sbatch", "srun", "squeue", "sinfo")


def why_not() -> str:
    """Why SLURM cannot be started here, "" where it can."""
    absent = [name for name in NEEDED if shutil.which(name) is None]
    if absent:
        return f"not installed: {', '.join(absent)} (Debian packages slurm-wlm and munge)"
    if os.geteuid() != 0:
        return "the daemons have to be started as root"
    if DEFAULT.exists():
        return f"{DEFAULT} exists: this machine has a SLURM of its own"
    return ""


def _configuration(folder: Path, ports: list[int]) -> str:
    host = socket.gethostname()
    nodes = "".join(
        f"NodeName=n{i} NodeHostname={host} NodeAddr=127.0.0.1 Port={ports[i]} CPUs=1 RealMemory=4000\n"
        for i in (1, 2)
    )
    return f"""ClusterName=crossproof
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={ports[0]}
SlurmUser=root
CommunicationParameters=NoInAddrAny,NoCtldInAddrAny
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket
CredType=cred/munge
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
MpiDefault=none
ReturnToService=2
MinJobAge=600
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool-%n
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd-%n.pid
{nodes}PartitionName=main Nodes=n1,n2 Default=YES MaxTime=INFINITE State=UP
"""


def _free_ports(count: int) -> list[int]:
    held = [socket.socket() for _ in range(count)]
    for s in held:
        s.bind(("127.0.0.1", 0))
    ports = [s.getsockname()[1] for s in held]
    for s in held:
        s.close()
    return ports


@contextmanager
def slurm_host(folder: Path) -> Iterator[None]:
    """Have SLURM run for as long as the block does; raises RuntimeError with its logs where it does not."""
    folder.mkdir(mode=0o755, parents=True)
    (folder / "state").mkdir()
    key = folder / "munge.key"
    key.write_bytes(secrets.token_bytes(128))
    key.chmod(0o600)
    DEFAULT.parent.mkdir(exist_ok=True)
    DEFAULT.write_text(_configuration(folder, _free_ports(3)), encoding="utf-8")
    commands = [
        [
            "munged", "--foreground", "--force", f"--socket={folder}/munge.socket", f"--key-file={key}",
            f"--pid-file={folder}/munge.pid", f"--log-file={folder}/munge.log", f"--seed-file={folder}/seed",
        ],
        ["slurmctld", "-D"],
        ["slurmd", "-D", "-N", "n1"],
        ["slurmd", "-D", "-N", "n2"],
    ]  # fmt: skip
    running: list[subprocess.Popen[bytes]] = []
    try:
        for number, command in enumerate(commands):
            with (folder / f"{number}-{command[0]}.log").open("wb") as log:
                running.append(subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True))
            time.sleep(1)
        _wait_for_nodes(folder)
        yield
    finally:
        for process in reversed(running):
            process.terminate()
        for process in running:
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                process.kill()
        DEFAULT.unlink(missing_ok=True)


def _wait_for_nodes(folder: Path) -> None:
    for _ in range(60):
        said = subprocess.run(["sinfo", "-h", "-N", "-o", "%t"], capture_output=True, text=True)
        if said.stdout.split() == ["idle", "idle"]:
            return
        time.sleep(1)
    logs = "".join(p.read_text(errors="replace")[-2000:] for p in sorted(folder.glob("*.log")))
    raise RuntimeError(f"SLURM did not come up: {said.stdout}{said.stderr}\n{logs}")
