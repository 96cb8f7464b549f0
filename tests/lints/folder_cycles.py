"""A contract for import-linter: no two folders of modules import each other, not by way of others either.

A folder is the modules that stand directly in it. ``__main__`` starts the program and nothing imports it, so it is left out.
"""

from __future__ import annotations

import graphlib
from collections import defaultdict
from itertools import pairwise

from grimp import ImportGraph
from importlinter import Contract, ContractCheck, output


class AcyclicFolders(Contract):
    """Holds for all packages that import-linter looks at; it takes no options of its own."""

    type_name = "acyclic_folders"

    def check(self, graph: ImportGraph, verbose: bool) -> ContractCheck:
        """Look for a way from a folder back to it."""
        imports = _imports_between_folders(graph)
        try:
            graphlib.TopologicalSorter({folder: set(below) for folder, below in imports.items()}).prepare()
        except graphlib.CycleError as error:
            way = error.args[1][::-1]
            steps = [imports[one][other] for one, other in pairwise(way)]
            return ContractCheck(kept=False, metadata={"way": way, "steps": steps})
        return ContractCheck(kept=True)

    def render_broken_contract(self, check: ContractCheck) -> None:
        """Print the way round, and an import for each step."""
        output.print_error(" -> ".join(check.metadata["way"]))
        for importer, imported in check.metadata["steps"]:
            output.indent_cursor()
            output.print_error(f"{importer} imports {imported}", bold=False)


def _imports_between_folders(graph: ImportGraph) -> dict[str, dict[str, tuple[str, str]]]:
    """Each folder with the folders that it imports from, each with one such import: who, and what."""
    own = {module for module in graph.modules if not graph.is_module_squashed(module)}
    found: dict[str, dict[str, tuple[str, str]]] = defaultdict(dict)
    for importer in sorted(module for module in own if not module.endswith(".__main__")):
        for imported in sorted(own & graph.find_modules_directly_imported_by(importer)):
            one, other = _folder(graph, importer), _folder(graph, imported)
            if one != other:
                found[one].setdefault(other, (importer, imported))
    return found


def _folder(graph: ImportGraph, module: str) -> str:
    """The package whose folder holds ``module``; a package holds its own ``__init__``."""
    return module if graph.find_children(module) else module.rpartition(".")[0]
