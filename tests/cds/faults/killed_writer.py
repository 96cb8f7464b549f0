"""A process that writes feedback until it is killed, again and again.

``python -m tests.cds.faults.killed_writer URL KILLS`` forks a writer, kills it with SIGKILL at a random moment, and starts the
next. Prints a line of JSON: the ids that were acknowledged, and how many kills struck between the start of a write and its
acknowledgement.
"""

from __future__ import annotations

import json
import os
import random
import select
import signal
import sys
import time
import uuid
from datetime import UTC, datetime

from cds.protocol.feedback import FeedbackItem
from cds.security.pseudonymisation import Secrecy
from cds.settings import StoreSettings
from cds.storage.database import Store
from tests.cds.storage.databases import card_memory

_PATIENCE_SECONDS = 600


def write(url: str, out: int) -> None:
    """Write feedback; say ``+id`` when one is begun and ``=id`` when it is acknowledged."""
    settings = StoreSettings(store_url=url, pseudonym_key="k" * 32)
    with Store(settings) as store:
        memory = card_memory(store, Secrecy(settings, made_up=False))
        while True:
            card = str(uuid.uuid4())
            item = FeedbackItem.model_validate(
                {"card": card, "outcome": "overridden", "outcomeTimestamp": "2026-01-31T10:00:00Z"}
            )
            os.write(out, f"+{card}\n".encode())
            memory.keep("collar-order-sign", [item], datetime.now(UTC))
            os.write(out, f"={card}\n".encode())


def one_life(url: str, chance: random.Random) -> bytes:
    """All that one writer said before it was killed."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        try:
            write(url, writing)
        finally:
            os._exit(1)
    os.close(writing)
    said = b""
    # Its first acknowledgement shows that it is at work; then it dies at any point of a later write.
    while b"=" not in said:
        if not select.select([reading], [], [], _PATIENCE_SECONDS)[0]:
            break
        part = os.read(reading, 65536)
        if not part:
            break
        said += part
    time.sleep(chance.uniform(0, 0.02))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    while part := os.read(reading, 65536):
        said += part
    os.close(reading)
    return said


def main(url: str, kills: int) -> None:
    """Kill ``kills`` writers."""
    chance = random.Random(7)
    acknowledged: list[str] = []
    struck = 0
    for _ in range(kills):
        lines = one_life(url, chance).decode().splitlines()
        acknowledged += [line[1:] for line in lines if line.startswith("=")]
        struck += bool(lines) and lines[-1].startswith("+")
    print(json.dumps({"acknowledged": acknowledged, "struck": struck}))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
