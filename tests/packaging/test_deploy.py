"""The files for deployment: linted, and held to the settings that exist and to the privileges that they should not have.

No container engine and no cluster is needed here; ``.ci/parts/image`` builds the image and runs it.
"""

import configparser
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from cds.security.clients import read_clients
from cds.settings import Settings
from tests.cds.live_service import AS_DEPLOYED

DEPLOY = Path(__file__).resolve().parents[2] / "docs" / "deploy"
VARIABLES = {f"NUQUE_{name.upper()}" for name in Settings.model_fields}


@pytest.mark.parametrize("path", sorted(DEPLOY.iterdir()), ids=lambda path: path.name)
def test_every_setting_that_is_named_exists(path: Path) -> None:
    named = set(re.findall(r"\bNUQUE_[A-Z_]+(?<!_)\b", path.read_text()))
    assert named <= VARIABLES


def linted(linter: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """What an outside linter says; each carries all that it needs in its package."""
    command = [str(Path(sys.executable).with_name(linter)), *arguments]
    return subprocess.run(command, cwd=DEPLOY, capture_output=True, text=True, timeout=600)


def test_a_linter_finds_nothing_in_the_containerfile() -> None:
    assert linted("hadolint", "Containerfile").stdout == ""


def test_a_linter_would_find_something_in_a_containerfile(tmp_path: Path) -> None:
    (tmp_path / "Containerfile").write_text("FROM debian:latest\nRUN cd /tmp && sudo apt-get install gcc\nUSER root\n")
    said = linted("hadolint", str(tmp_path / "Containerfile")).stdout
    assert {"DL3007", "DL3004", "DL3002"} <= set(re.findall(r"DL\d+", said))


def remarks_of_compose_lint(file: Path) -> set[tuple[str, str]]:
    """Rule and service of each remark."""
    said = json.loads(linted("compose-lint", "--format", "json", str(file)).stdout)
    return {(finding["rule_id"], finding["service"]) for finding in said["findings"]}


def test_a_linter_asks_of_the_compose_file_no_more_than_digests(tmp_path: Path) -> None:
    """Which build of an image is trusted is for the site to say. Looked at away from this checkout, wherever that lies."""
    services = ("nuque-1", "nuque-2", "store")
    copied = Path(shutil.copy(DEPLOY / "compose.yaml", tmp_path))
    assert remarks_of_compose_lint(copied) == {("CL-0019", service) for service in services}


def test_a_linter_would_find_a_writable_root_and_privileges_in_a_compose_file(tmp_path: Path) -> None:
    loose = tmp_path / "compose.yaml"
    kept = (line for line in (DEPLOY / "compose.yaml").read_text().splitlines() if "read_only" not in line)
    loose.write_text("\n".join(line for line in kept if "cap_drop" not in line))
    assert {("CL-0006", "store"), ("CL-0007", "nuque-1")} <= remarks_of_compose_lint(loose)


MANIFESTS = ("kubernetes.yaml", "kubernetes-postgresql.yaml")


def test_the_manifests_are_what_the_schemas_of_kubernetes_allow() -> None:
    done = linted("kubernetes-validate", "--strict", *MANIFESTS)
    assert done.returncode == 0, done.stdout + done.stderr
    assert (done.stdout + done.stderr).count(" passed ") == len(manifests())


def test_a_slip_of_the_pen_in_a_manifest_would_be_found(tmp_path: Path) -> None:
    text = (DEPLOY / "kubernetes.yaml").read_text()
    (tmp_path / "wrong.yaml").write_text(text.replace("readOnlyRootFilesystem", "readonlyRootFilesystem"))
    assert linted("kubernetes-validate", "--strict", str(tmp_path / "wrong.yaml")).returncode != 0


def manifests() -> list[dict[str, Any]]:
    texts = ((DEPLOY / name).read_text() for name in MANIFESTS)
    return [document for text in texts for document in yaml.safe_load_all(text) if document]


def pods() -> list[dict[str, Any]]:
    found = []
    for manifest in manifests():
        if manifest["kind"] in ("Deployment", "StatefulSet"):
            found.append(manifest["spec"]["template"]["spec"])
        if manifest["kind"] == "CronJob":
            found.append(manifest["spec"]["jobTemplate"]["spec"]["template"]["spec"])
    return found


def test_every_pod_is_without_root_and_without_a_writable_root() -> None:
    assert len(pods()) == 3
    for pod in pods():
        assert pod["securityContext"]["runAsNonRoot"] is True
        assert pod["automountServiceAccountToken"] is False
        for container in pod["containers"]:
            context = container["securityContext"]
            assert context["readOnlyRootFilesystem"] is True
            assert context["allowPrivilegeEscalation"] is False
            assert context["capabilities"] == {"drop": ["ALL"]}


def test_every_manifest_is_named_and_in_the_namespace() -> None:
    assert len(list(manifests())) > 3
    for manifest in manifests():
        assert manifest["apiVersion"] and manifest["metadata"]["name"]
        assert manifest["kind"] == "Namespace" or manifest["metadata"]["namespace"] == "nuque"


def test_the_database_is_reached_by_the_pods_of_the_service_and_no_others() -> None:
    policies = [manifest for manifest in manifests() if manifest["kind"] == "NetworkPolicy"]
    (policy,) = [policy for policy in policies if policy["metadata"]["name"] != "nuque"]
    ((source,),) = [rule["from"] for rule in policy["spec"]["ingress"]]
    (allowed,) = source["podSelector"]["matchExpressions"]
    templates = [
        m["spec"].get("template") or m["spec"].get("jobTemplate", {}).get("spec", {}).get("template")
        for m in manifests()
        if m["kind"] in ("Deployment", "CronJob")
    ]
    assert {template["metadata"]["labels"]["app"] for template in templates} == set(allowed["values"])
    (database,) = [m for m in manifests() if m["kind"] == "StatefulSet"]
    assert policy["spec"]["podSelector"]["matchLabels"] == database["spec"]["template"]["metadata"]["labels"]


def test_the_service_is_reached_from_named_places_and_calls_out_to_few_ports() -> None:
    (policy,) = [m for m in manifests() if m["kind"] == "NetworkPolicy" and m["metadata"]["name"] == "nuque"]
    (service,) = [m for m in manifests() if m["kind"] == "Deployment"]
    assert policy["spec"]["podSelector"]["matchLabels"] == service["spec"]["template"]["metadata"]["labels"]
    assert policy["spec"]["policyTypes"] == ["Ingress", "Egress"]
    assert all(rule["from"] for rule in policy["spec"]["ingress"])
    assert {port["port"] for rule in policy["spec"]["egress"] for port in rule["ports"]} == {53, 443, 5432}


def test_no_secret_stands_in_a_manifest() -> None:
    variables = [variable for pod in pods() for variable in pod["containers"][0]["env"]]
    secret = [
        variable
        for variable in variables
        if any(word in variable["name"] for word in ("KEY", "TOKEN", "STORE_URL", "PASSWORD"))
    ]
    assert secret
    assert [variable for variable in variables if "valueFrom" in variable] == secret


def test_the_probes_ask_for_routes_that_are_open() -> None:
    container = pods()[0]["containers"][0]
    asked = {container[probe]["httpGet"]["path"] for probe in ("readinessProbe", "livenessProbe", "startupProbe")}
    assert asked == {"/health/live", "/health/ready"}


def test_the_time_to_stop_is_longer_than_the_service_takes() -> None:
    takes = Settings.model_fields["shutdown_seconds"].default
    assert pods()[0]["terminationGracePeriodSeconds"] > takes
    assert int(unit()["Service"]["TimeoutStopSec"]) > takes
    assert int(compose()["services"]["nuque-1"]["stop_grace_period"].removesuffix("s")) > takes


def compose() -> dict[str, Any]:
    found = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
    assert isinstance(found, dict)
    return found


def test_compose_runs_two_processes_on_one_postgresql_reached_from_this_machine_only() -> None:
    services = compose()["services"]
    assert set(services) == {"nuque-1", "nuque-2", "store"}
    for service in services.values():
        assert service["read_only"] is True and service["cap_drop"] == ["ALL"]
    for name in ("nuque-1", "nuque-2"):
        service = services[name]
        assert all(port.startswith("127.0.0.1:") for port in service["ports"])
        assert service["environment"]["NUQUE_STORE_URL"].startswith("postgresql+psycopg://")
        assert (DEPLOY / service["build"]["context"] / service["build"]["dockerfile"]).exists()
    assert "ports" not in services["store"]


def instructions() -> list[tuple[str, str]]:
    text = (DEPLOY / "Containerfile").read_text().replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    return [(line.split(None, 1)[0], line.split(None, 1)[1]) for line in lines]


def test_the_image_is_built_from_the_lock_and_runs_without_root() -> None:
    known = {"ARG", "FROM", "SHELL", "RUN", "WORKDIR", "COPY", "USER", "ENV", "EXPOSE", "HEALTHCHECK"}
    known |= {"ENTRYPOINT", "CMD"}
    found = instructions()
    assert {name for name, _ in found} <= known
    installs = [text for name, text in found if name == "RUN" and "install" in text and "apt-get" not in text]
    assert any(".requirements/install /opt/nuque/bin/python service" in text for text in installs)
    # Only Nuque itself is installed by pip directly, and that resolves nothing.
    assert [text for text in installs if "pip install" in text and "--no-deps --no-build-isolation ." not in text] == []
    last_stage = found[max(i for i, (name, _) in enumerate(found) if name == "FROM") :]
    assert ("USER", "10001:10001") in last_stage
    assert not any("gcc" in text for _, text in last_stage)
    (check,) = [text for name, text in last_stage if name == "HEALTHCHECK"]
    assert "/health/live" in check
    for name, text in last_stage:
        if name in ("ENTRYPOINT", "CMD"):
            assert isinstance(json.loads(text), list)


def test_what_the_image_copies_is_in_the_repository() -> None:
    copied = [
        source
        for name, text in instructions()
        if name == "COPY" and not text.startswith("--from")
        for source in shlex.split(text)[:-1]
    ]
    assert copied
    assert [source for source in copied if not (DEPLOY.parent.parent / source).exists()] == []


def unit() -> configparser.ConfigParser:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read(DEPLOY / "nuque.service")
    return parser


@pytest.fixture(scope="module")
def verify() -> Callable[[Path], str]:
    """What systemd itself says of a unit. In CI it must be there; elsewhere tests without it are skipped."""
    command = shutil.which("systemd-analyze")
    if command is None:
        if os.environ.get("CI"):
            pytest.fail("systemd-analyze was not found: apt-get install systemd")
        pytest.skip("needs systemd-analyze: apt-get install systemd")

    def said(unit: Path) -> str:
        done = subprocess.run([command, "verify", "--man=no", unit], capture_output=True, text=True, timeout=60)
        return done.stdout + done.stderr

    return said


def test_systemd_finds_nothing_in_the_unit(verify: Callable[[Path], str], tmp_path: Path) -> None:
    # Verified for a command that is here; on the site it is where the site installed it.
    text = (DEPLOY / "nuque.service").read_text().replace("/opt/nuque/bin/nuque", "/bin/true")
    path = tmp_path / "nuque.service"
    path.write_text(text)
    assert verify(path) == ""
    path.write_text(text.replace("ProtectSystem", "ProtectSytem"))
    assert "ProtectSytem" in verify(path)


def test_the_unit_is_confined_and_reloads_by_the_signal_that_the_service_takes() -> None:
    service = unit()["Service"]
    assert service["ExecReload"] == "/bin/kill -HUP $MAINPID"
    assert (
        service["ProtectSystem"] == "strict" and service["DynamicUser"] == "yes" and service["NoNewPrivileges"] == "yes"
    )


def test_the_example_of_the_clients_file_can_be_read() -> None:
    assert list(read_clients(DEPLOY / "clients.yaml")) == ["https://ehr.hospital.example"]


def test_the_soak_runs_with_the_memory_settings_of_the_deployment() -> None:
    assert AS_DEPLOYED
    for name, value in AS_DEPLOYED.items():
        for file in ("Containerfile", "nuque.service"):
            assert f"{name}={value}" in (DEPLOY / file).read_text()
