"""The clients file: what is read, and every problem with its place."""

from pathlib import Path

import pytest

from cds.security.clients import Client, ClientsError, read_clients

TWO = """\
clients:
  - iss: https://ehr.example
    jku: [https://ehr.example/keys]
    tenants: [north, south]
    calls_per_minute: 600
  - iss: https://lab.example
    keys_file: keys.json
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "clients.yaml"
    path.write_text(text)
    return path


def test_clients_are_read_by_their_iss(tmp_path: Path) -> None:
    assert read_clients(written(tmp_path, TWO)) == {
        "https://ehr.example": Client(
            iss="https://ehr.example",
            jku=("https://ehr.example/keys",),
            tenants=("north", "south"),
            calls_per_minute=600,
        ),
        "https://lab.example": Client(iss="https://lab.example", keys_file=Path("keys.json")),
    }


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            TWO + "  - {iss: https://ehr.example, keys_file: x}\n",
            ["8: clients.2: iss 'https://ehr.example' is given twice"],
        ),
        (
            TWO + "  - {iss: '', keys_file: x, secret: y}\n  - {iss: z}\n",
            [
                "8: clients.2.iss: String should have at least 1 character",
                "8: clients.2.secret: Extra inputs are not permitted",
                "9: clients.3: give jku, keys_file, or both",
            ],
        ),
        ("[]", ["1: must be an object of keys and values, not a list"]),
        ("\nclients: [", ["3: not valid YAML: did not find expected node content"]),
    ],
)
def test_every_problem_is_told_with_its_place(tmp_path: Path, text: str, expected: list[str]) -> None:
    path = written(tmp_path, text)
    with pytest.raises(ClientsError) as error:
        read_clients(path)
    told = str(error.value).splitlines()
    assert [line for line in told if "Tuple should have" not in line] == [f"{path}:{line}" for line in expected]


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    path = tmp_path / "none.yaml"
    with pytest.raises(ClientsError) as error:
        read_clients(path)
    assert str(error.value).startswith(f"{path}: cannot be read")
