"""How much there is to read: characters and lines of what each hook and command says of every invented patient.

``python -m tests.demo.reading_load`` prints the table; the figures in the documents come from it. ``--show HOOK`` prints what is
read itself.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from statistics import median
from typing import Any

from click.testing import CliRunner
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.cli import main
from cds.cli.invocation.input_files import read_input
from cds.cli.text.brief import brief_text
from cds.defaults import DEFAULT_BASE
from cds.fhir.reading.code_map_loader import load_code_map
from cds.observability import logging
from cds.settings import Settings
from cds.site.catalogue import Catalogue
from rules.deciding.decider import Decider
from rules.loading.yaml_reader import YamlFile
from tests.shipped_content import RULESET

DEMO = Path(__file__).parents[2] / "demo_bundles"
INDEX = YamlFile.read(DEMO / "index.yaml").data["patients"]
HOOKS = {
    "collar-order-select": "order-select",
    "collar-order-sign": "order-sign",
    "collar-patient-view": "patient-view",
    "collar-discharge": "encounter-discharge",
}
Json = dict[str, Any]


@dataclass(frozen=True)
class Read:
    """One answer of a hook for one patient of the demo folder."""

    service: str
    file: str
    answer: Json

    @property
    def cards(self) -> list[Json]:
        found: list[Json] = self.answer["cards"]
        return found

    @property
    def decision(self) -> Json:
        found: Json = self.answer.get("extension", {}).get("org.example.nuque.decision", {})
        return found

    @property
    def is_ordinary(self) -> bool:
        """No critical caution and at most two warnings."""
        return is_ordinary([caution["severity"] for caution in self.decision.get("cautions", ())])


def call(service: str, file: str, templates: Mapping[str, str]) -> Json:
    """A call of ``service`` for the patient of ``file``: with an order for a collar, where the hook has orders.

    ``templates`` are the prefetch queries of discovery; the first query for a type brings all resources of it.
    """
    resources = [entry["resource"] for entry in json.loads((DEMO / file).read_text(encoding="utf-8"))["entry"]]
    (patient,) = (resource for resource in resources if resource["resourceType"] == "Patient")
    (encounter,) = (resource for resource in resources if resource["resourceType"] == "Encounter")
    prefetch: Json = {}
    brought: set[str] = set()
    for key, template in templates.items():
        kind = template.split("?")[0].split("/")[0]
        found = [] if kind in brought else [{"resource": each} for each in resources if each["resourceType"] == kind]
        prefetch[key] = {"resourceType": "Bundle", "type": "searchset", "entry": found} if found else None
        brought.add(kind)
    context = {"userId": "Practitioner/hm-1", "patientId": patient["id"], "encounterId": encounter["id"]}
    if service.startswith("collar-order"):
        context["draftOrders"] = {"resourceType": "Bundle", "entry": [{"resource": _order(patient["id"])}]}
    if service == "collar-order-select":
        context["selections"] = ["ServiceRequest/draft-collar"]
    return {
        "hook": HOOKS[service],
        "hookInstance": "9e228ba1-ba79-4211-a7bd-a0675d8861f9",
        "context": context,
        "prefetch": {**prefetch, "patient": patient, "encounter": encounter},
    }


def _order(patient: str) -> Json:
    """A draft of an adult's collar, so that the check before signing has something to say."""
    size = {"system": f"{DEFAULT_BASE}/CodeSystem/size-classes", "code": "adult H3 G2"}
    code = {"system": f"{DEFAULT_BASE}/CodeSystem/orders", "code": "neck-immobilisation"}
    return {
        "resourceType": "ServiceRequest",
        "id": "draft-collar",
        "status": "draft",
        "intent": "order",
        "subject": {"reference": f"Patient/{patient}"},
        "code": {"coding": [code], "text": "Rigid neck collar"},
        "orderDetail": [{"coding": [size]}],
    }


@contextmanager
def _service(clock: list[datetime]) -> Iterator[TestClient]:
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(
            store_url=f"sqlite:///{folder}/store.sqlite3",
            catalogue=DEMO / "catalogue.yaml",
            public_url="https://nuque.hollowmere.example",
        )
        with TestClient(create_app(settings, clock=lambda: clock[0])) as client:
            yield client


@cache
def all_read(*asking: str) -> tuple[Read, ...]:
    """What every hook answers for every patient of the demo folder, at that patient's moment.

    ``asking`` are the extensions of the request that ask for more than is sent unasked.
    """
    asked = {"extension": dict.fromkeys(asking, True)}
    clock, found = [datetime.now(UTC)], []
    with _service(clock) as client:
        offered = client.get("/cds-services").json()["services"]
        templates = {service["id"]: service["prefetch"] for service in offered}
        for service in HOOKS:
            for entry in INDEX:
                clock[0] = datetime.fromisoformat(entry["at"])
                sent = call(service, entry["file"], templates[service]) | asked
                answer = client.post(f"/cds-services/{service}", json=sent)
                assert answer.status_code == 200, (service, entry["file"], answer.text)
                found.append(Read(service, entry["file"], answer.json()))
    return tuple(found)


@cache
def all_decided() -> dict[str, tuple[bool, str]]:
    """What ``nuque decide`` prints of every patient, by file; and whether the patient is ordinary."""
    decider, codes = Decider(RULESET), load_code_map(RULESET)
    catalogue = Catalogue.load(DEMO / "catalogue.yaml", RULESET)
    found = {}
    for entry in INDEX:
        at = datetime.fromisoformat(entry["at"])
        given = read_input((DEMO / entry["file"]).read_bytes(), entry["file"], RULESET, lambda: codes, at, now=at)
        decision = decider.decide(given.facts, given.at, given.not_used)
        text = brief_text(RULESET, decision, given.title, catalogue.fitting(decision))
        found[entry["file"]] = is_ordinary([caution.severity for caution in decision.cautions]), text
    return found


def is_ordinary(severities: Sequence[str]) -> bool:
    """Whether a patient with cautions of these severities is ordinary: none critical, at most two warnings."""
    return "critical" not in severities and severities.count("warning") <= 2


@cache
def demo_table() -> str:
    """What ``nuque demo`` prints."""
    with tempfile.TemporaryDirectory() as folder:
        done = CliRunner().invoke(main, ["demo", "--out", folder])
    assert done.exit_code == 0, done.output
    return done.output


def table() -> str:
    """Median and greatest length of what is read, by hook (a card's detail, and all of one answer) and by command."""
    return "\n".join(
        [f"{'':22}{'texts':>6}   characters        lines            answer", *_hook_rows(), *_command_rows()]
    )


def _row(name: str, texts: Sequence[str], whole: Sequence[int] = ()) -> str:
    characters, lines = [len(text) for text in texts], [len(text.splitlines()) for text in texts]
    columns = [f"{median(each):>8.0f} to{max(each):>5}" for each in (characters, lines, whole) if each]
    return f"{name:22}{len(texts):>6}{''.join(columns)}"


def _hook_rows() -> Iterator[str]:
    for service in HOOKS:
        answers = [read for read in all_read() if read.service == service and read.cards]
        whole = [sum(len(card["detail"]) for card in read.cards) for read in answers]
        yield _row(service, [card["detail"] for read in answers for card in read.cards], whole)


def _command_rows() -> Iterator[str]:
    yield _row("nuque decide", [text for _, text in all_decided().values()])
    ordinary = [text for ordinary, text in all_decided().values() if ordinary]
    yield _row(f"of the {len(ordinary)} ordinary", ordinary)
    yield _row("nuque demo", [demo_table()])


def _show(service: str) -> Iterator[str]:
    for read in all_read():
        if read.service == service and read.cards:
            yield f"\n######## {read.file}{' (ordinary)' if read.is_ordinary else ''}"
            for card in read.cards:
                yield f"== {card['indicator']}: {card['summary']} [{len(card['detail'])}]\n{card['detail']}"


if __name__ == "__main__":
    logging.configure(sys.stderr, "error")
    print("\n".join(_show(sys.argv[2])) if sys.argv[1:2] == ["--show"] else table())
