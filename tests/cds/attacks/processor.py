"""The processor time that the running service has used: it tells work from waiting on a machine that others keep busy."""

import os

from tests.cds.live_service import LiveService

TICK = os.sysconf("SC_CLK_TCK")


def processor_seconds(live: LiveService) -> float:
    """What the process of the service has used so far (proc(5), fields utime and stime)."""
    with open(f"/proc/{live.process.pid}/stat") as stat:
        fields = stat.read().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICK
