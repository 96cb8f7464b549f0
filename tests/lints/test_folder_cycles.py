"""The contract on folders finds those that import each other, and leaves the others alone."""

import pytest
from grimp import ImportGraph

from tests.lints.folder_cycles import AcyclicFolders


def checked(*imports: str) -> tuple[bool, list[str]]:
    """Whether the contract is kept where ``a.b imports c.d``, and the way round where it is not."""
    graph = ImportGraph()
    for one in imports:
        importer, _, imported = one.partition(" imports ")
        for module in (importer, imported):
            parts = module.split(".")
            for count in range(1, len(parts) + 1):
                graph.add_module(".".join(parts[:count]))
        graph.add_import(importer=importer, imported=imported)
    found = AcyclicFolders("folders", {"root_packages": ["cds"]}, {}).check(graph, verbose=False)
    return found.kept, list(found.metadata.get("way", []))


@pytest.mark.parametrize(
    "imports",
    [
        ["cds.cli imports cds.cli.commands", "cds.cli.commands.decide imports cds.cli.options"],
        ["cds.a.one imports cds.b.one", "cds.b.two imports cds.a.two"],
        ["cds.a.one imports cds.b.one", "cds.b.two imports cds.c.one", "cds.c.two imports cds.a.two"],
    ],
    ids=["a folder and one within", "two", "three"],
)
def test_folders_that_import_each_other_break_it(imports: list[str]) -> None:
    kept, way = checked(*imports, "cds.z.one imports cds.a.one")
    assert not kept
    assert way[0] == way[-1] and "cds.z" not in way and len(way) == len(imports) + 1


@pytest.mark.parametrize(
    "imports",
    [
        ["cds.a.one imports cds.a.two", "cds.a.two imports cds.a.three"],
        ["cds.cli imports cds.cli.commands", "cds.cli.commands.decide imports cds.cli.invocation.options"],
        ["cds.__main__ imports cds.cli.commands", "cds.cli.commands imports cds.settings"],
    ],
    ids=["within one folder", "down only", "the start of the program"],
)
def test_imports_that_go_down_only_keep_it(imports: list[str]) -> None:
    assert checked(*imports) == (True, [])


def test_what_breaks_it_is_told_import_by_import(capsys: pytest.CaptureFixture[str]) -> None:
    graph = ImportGraph()
    for module in ("cds.a", "cds.a.one", "cds.b", "cds.b.one"):
        graph.add_module(module)
    graph.add_import(importer="cds.a.one", imported="cds.b.one")
    graph.add_import(importer="cds.b.one", imported="cds.a.one")
    contract = AcyclicFolders("folders", {"root_packages": ["cds"]}, {})
    contract.render_broken_contract(contract.check(graph, verbose=False))
    told = capsys.readouterr().out
    assert "cds.a.one imports cds.b.one" in told and "cds.b.one imports cds.a.one" in told
