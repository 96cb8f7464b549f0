"""Runs every command of an installation: it works, or says in one sentence which extra is missing and ends with 2.

``python -m tests.packaging.every_command --extras gate,workbench FOLDER COMMAND...`` runs COMMAND, which stands for ``nuque``
(a path, or whatever enters a container first), in the empty FOLDER. The commands are taken from the command line itself, so
that one without a call here fails. ``serve`` is asked as in use: a signed hook over the wire is answered, an unsigned
one is refused.
"""

import argparse
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click
import httpx

from cds.cli import main
from cds.site.code_worksheet import HEADS
from tests.cds import ehr
from tests.rules.small import FRAME, RULES

DEMO = Path(__file__).resolve().parents[2] / "demo_bundles"
PATIENT = DEMO / "03_between_two_heights.json"
HOOK = "/cds-services/collar-order-select"
_STARTED = re.compile(r"running on (http://[0-9.:]+)")
_CHECK_SECONDS = 1800
_PATIENCE_SECONDS = 180


@dataclass(frozen=True)
class Call:
    """Arguments of a command in the folder of the run, the extra that it needs, and the exit codes of success."""

    arguments: str
    extra: str = ""
    codes: tuple[int, ...] = (0,)
    writes: str = ""


CALLS = [
    Call("codes read filled.csv -o codes.yaml", writes="codes.yaml"),
    Call("codes worksheet -o worksheet.csv", writes="worksheet.csv"),
    Call("decide patient.json"),
    Call("demo --out demo", writes="demo/03_between_two_heights.fhir.json"),
    Call("explain sizing.girth.measured_g4"),
    Call("facts"),
    Call("fit fit.json"),
    Call("orders patient.json -o orders.json", writes="orders.json"),
    Call("orders patient.json --as omg -o orders.hl7", "hl7v2", writes="orders.hl7"),
    Call("publish published", writes="published/PlanDefinition"),
    Call("rules check", "gate"),
    Call("rules compare --overlay site.yaml --generated 20", codes=(1,)),
    Call("rules evidence"),
    Call("rules explain patient.json"),
    Call("rules map --svg map.svg", "workbench", writes="map.svg"),
    Call("rules mutate --knowledge small", "gate", codes=(1,)),
    Call("rules prove --knowledge small", "gate"),
    Call("rules replay export --out replayed --workers 1", "workbench", writes="replayed/summary.html"),
    Call("rules sheet --pdf sheet.pdf", "workbench", writes="sheet.pdf"),
    Call("rules test"),
    Call("rules transparency"),
    Call("settings"),
    Call("store upgrade"),
    Call("store purge"),
    Call("store silent"),
    Call("store export audit -o audit.ndjson", writes="audit.ndjson"),
    Call("store export feedback --format parquet -o feedback.parquet", "workbench", writes="feedback.parquet"),
]


def commands(command: click.Command, path: tuple[str, ...] = ()) -> Iterator[str]:
    """The names of all commands below ``command`` that are not groups."""
    if not isinstance(command, click.Group):
        yield " ".join(path)
        return
    context = click.Context(command)
    for name in command.list_commands(context):
        found = command.get_command(context, name)
        assert found is not None
        yield from commands(found, (*path, name))


def prepare(folder: Path) -> None:
    """Write into ``folder`` what the calls read."""
    (folder / "patient.json").write_bytes(PATIENT.read_bytes())
    (folder / "site.yaml").write_bytes((DEMO / "site.yaml").read_bytes())
    (folder / "fit.json").write_text(json.dumps({"size": "adult H2 G2", "findings": {"no_finger_gap": True}}))
    filled = dict(zip(HEADS, [""] * len(HEADS), strict=True)) | {"kind": "fact", "name": "tracheostomy", "says": "True"}
    filled |= {"your system": "https://records.example.org/codes", "your code": "TRACHY"}
    (folder / "filled.csv").write_text("\n".join([",".join(HEADS), ",".join(filled.values())]) + "\n")
    (folder / "export").mkdir()
    # Whether the shipped rules can be proved is shown by the tests; a small rule set shows that the command works.
    (folder / "small" / "cases").mkdir(parents=True)
    (folder / "small" / "frame.yaml").write_text(FRAME)
    (folder / "small" / "small.yaml").write_text("rules:" + RULES)
    case = "{name: low, shows: a, source: b, facts: {height_mm: 50}, fires: [small.a], silent: [small.b]}"
    (folder / "small" / "cases" / "low.yaml").write_text(f"cases:\n  - {case}\n")
    lines = defaultdict(list)
    for entry in json.loads(PATIENT.read_bytes())["entry"]:
        lines[entry["resource"]["resourceType"]].append(json.dumps(entry["resource"]))
    for kind, resources in lines.items():
        (folder / "export" / f"{kind}.ndjson").write_text("\n".join(resources) + "\n")


class Installation:
    """One installation of Nuque: what starts it, which extras it has, and the folder that it may write to."""

    def __init__(self, command: list[str], extras: set[str], folder: Path) -> None:
        self.command = command
        self.extras = extras
        self.folder = folder
        self.environment = {**os.environ, "NUQUE_STORE_URL": f"sqlite:///{folder}/store.sqlite3"}

    def problem(self, call: Call) -> str | None:
        """What is wrong with what ``call`` does; None where nothing is."""
        ended = subprocess.run(
            [*self.command, *call.arguments.split()],
            cwd=self.folder,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=900,
        )
        said = ended.stderr.strip()
        if call.extra and call.extra not in self.extras:
            named = f"'nuque[{call.extra}]'" in said or (call.extra == "workbench" and "'nuque[gate]'" in said)
            return (
                None if (ended.returncode, said.count("\n"), named) == (2, 0, True) else f"{ended.returncode}: {said}"
            )
        if ended.returncode not in call.codes or not ended.stdout + said:
            return f"{ended.returncode}: {said or ended.stdout[-500:]}"
        return f"wrote no {call.writes}" if call.writes and not (self.folder / call.writes).exists() else None

    def problem_of_the_service(self) -> str | None:
        """What is wrong with ``serve``, which asks for signed calls; None where nothing is."""
        trust = {
            "NUQUE_TRUST": "jwt",
            "NUQUE_CLIENTS": str(ehr.clients_file(self.folder)),
            "NUQUE_AUDIENCES": ehr.BASE,
            "NUQUE_PSEUDONYM_KEY": "0" * 64,
        }
        log = self.folder / "serve.log"
        command = [*self.command, "serve", "--host", "127.0.0.1", "--port", "0"]
        with log.open("w") as opened:
            process = subprocess.Popen(
                command, cwd=self.folder, env={**self.environment, **trust}, stderr=opened, start_new_session=True
            )
        try:
            return _problem_over_the_wire(process, log)
        finally:
            # The group: what enters a container first may not hand a signal on.
            os.killpg(process.pid, signal.SIGTERM)
            process.wait(timeout=_PATIENCE_SECONDS)


def _problem_over_the_wire(process: "subprocess.Popen[bytes]", log: Path) -> str | None:
    until = time.monotonic() + _PATIENCE_SECONDS
    while (started := _STARTED.search(log.read_text())) is None:
        if process.poll() is not None or time.monotonic() > until:
            return f"did not start: {log.read_text()[-1000:]}"
        time.sleep(0.1)
    url = started[1] + HOOK
    # The content is checked first, where no verdict on it came along.
    while "content" in httpx.get(f"{started[1]}/health/ready", timeout=60).json().get("failing", {}):
        if time.monotonic() > until + _CHECK_SECONDS:
            return f"the content did not pass the gate: {log.read_text()[-1000:]}"
        time.sleep(1)
    body = json.loads((DEMO / "hooks" / "collar-order-select.json").read_bytes())
    now = time.time()
    token = ehr.token(ehr.claims(aud=ehr.BASE + HOOK, iat=now, exp=now + 120))
    unsigned = httpx.post(url, json=body, timeout=60)
    signed = httpx.post(url, json=body, timeout=60, headers={"Authorization": f"Bearer {token}"})
    if (unsigned.status_code, signed.status_code) != (401, 200) or not signed.json()["cards"]:
        return f"unsigned {unsigned.status_code}, signed {signed.status_code}: {signed.text[:500]}"
    print(f"  the hook was answered: {signed.json()['cards'][0]['summary']}")
    return None


def run(installation: Installation) -> list[str]:
    """Run every command; print what each did, and give what went wrong."""
    problems = []
    known = {command: [c for c in CALLS if f"{c.arguments} ".startswith(f"{command} ")] for command in commands(main)}
    for command, calls in known.items():
        if command == "serve":
            found = [installation.problem_of_the_service()]
        else:
            found = [installation.problem(call) for call in calls] or [
                "has no call in tests/packaging/every_command.py"
            ]
        lacking = [call.extra for call in calls if call.extra and call.extra not in installation.extras]
        outcome = f"asks for the extra {lacking[0]}" if lacking else "works"
        wrong = [problem for problem in found if problem is not None]
        print(f"{command}: {'; '.join(wrong) or outcome}", flush=True)
        problems += [f"{command}: {problem}" for problem in wrong]
    return problems


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--extras", default="", help="extras that are installed, with commas between")
    parser.add_argument("folder", type=Path)
    parser.add_argument("command", nargs=argparse.REMAINDER)
    asked = parser.parse_args()
    prepare(asked.folder)
    sys.exit(1 if run(Installation(asked.command, set(asked.extras.split(",")), asked.folder)) else 0)
