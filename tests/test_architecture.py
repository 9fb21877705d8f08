"""The order of the layers: imports point downwards, and libraries stay in the layers that need them."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "econmodel"
BELOW = ("records", "errors", "arrays", "wording", "package", "numbers", "texts", "workbooks", "files", "runs")
LAYERS = (*BELOW, *"parameters evidence model economics uncertainty programme reporting workflow interfaces".split())
HEAVY = ("scipy.stats", "scipy.optimize", "statsmodels", "lifelines", "matplotlib", "openpyxl", "SALib", "numba", "docx", "typst")
MODULES = sorted(PACKAGE.rglob("*.py"))
APP = [path for path in [ROOT / "app.py"] if path.exists()]


@cache
def imports(source: str, folder: tuple[str, ...] = ()) -> list[tuple[str, int]]:
    """Every module imported anywhere in a source, with its line; relative imports resolved from ``folder``."""
    return list(_imports(ast.parse(source), folder))


def _imports(tree: ast.AST, folder: tuple[str, ...]) -> Iterator[tuple[str, int]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = folder[: len(folder) - node.level + 1] if node.level else ()
            stem = ".".join((*base, *filter(None, [node.module])))
            yield stem, node.lineno
            yield from ((f"{stem}.{alias.name}", node.lineno) for alias in node.names)


def layer_of(module: str) -> int | None:
    """Rank of a module of the package; None for any other module and for the package itself."""
    parts = module.split(".")
    return LAYERS.index(parts[1]) if parts[0] == "econmodel" and len(parts) > 1 and parts[1] in LAYERS else None


def upward(source: str, module: str) -> list[str]:
    """List the imports of a module that point to a higher layer."""
    mine = layer_of(module)
    if mine is None:
        return []
    found = imports(source, tuple(module.split(".")[:-1]))
    return sorted({f"{module}, line {line}: {name}" for name, line in found if (rank := layer_of(name)) is not None and rank > mine})


def uses(source: str, names: tuple[str, ...]) -> list[str]:
    """List the imports of any of the given libraries."""
    found = imports(source)
    return sorted({f"line {line}: {name}" for name, line in found if any(name == n or name.startswith(f"{n}.") for n in names)})


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


@cache
def read(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_imports_point_downwards(path: Path) -> None:
    """No module imports from a higher layer, not even inside a function or for typing."""
    assert upward(read(path), module_name(path)) == []


@pytest.mark.parametrize(
    "planted",
    [
        "from econmodel.economics.evaluate import evaluate",
        "import econmodel.reporting.tables.results",
        "from econmodel import interfaces",
        "from ..uncertainty import sampling",
        "def late():\n    from econmodel.programme import budget",
        "if TYPE_CHECKING:\n    from econmodel.economics import prices",
    ],
)
def test_a_planted_upward_import_is_seen(planted: str) -> None:
    """Negative control: an upward import in a model module is found, however it is written."""
    assert upward(f"import numpy\n{planted}\n", "econmodel.model.cohort")


def test_downward_imports_pass() -> None:
    """Negative control of the other side: imports from lower layers and from the package itself are allowed."""
    fine = "import econmodel\nfrom econmodel.errors import ModelError\nfrom econmodel.parameters import load_case\n"
    assert upward(fine, "econmodel.model.cohort") == []


def circles(graph: dict[str, set[str]]) -> list[str]:
    """Modules that import themselves through others: what is left once modules without open imports are taken away."""
    left = {module: set(needs) for module, needs in graph.items()}
    while free := [module for module, needs in left.items() if not needs & left.keys()]:
        for module in free:
            del left[module]
    while unused := [module for module in left if not any(module in needs for other, needs in left.items() if other != module)]:
        for module in unused:
            del left[module]
    return sorted(left)


def imported(path: Path) -> set[str]:
    """Modules of the package that a module imports, anywhere in it."""
    mine = module_name(path)
    names = {name for name, _ in imports(read(path), tuple(mine.split(".")[:-1]))}
    return {module_name(other) for other in MODULES} & names - {mine}


def test_no_module_imports_itself_through_others() -> None:
    """The modules can be read in an order in which each stands on those before it."""
    assert circles({module_name(path): imported(path) for path in MODULES}) == []


def test_a_planted_circle_is_seen() -> None:
    """Negative control: a circle of two behind a module that only uses it, and before one that it only uses."""
    assert circles({"user": {"a"}, "a": {"b", "tool"}, "b": {"a"}, "tool": set()}) == ["a", "b"]
    assert circles({"a": {"b"}, "b": {"c"}, "c": set()}) == []


def test_every_part_of_the_package_has_a_layer() -> None:
    """Nothing stands beside the layers."""
    parts = {p.stem for p in PACKAGE.iterdir() if p.suffix == ".py" or (p / "__init__.py").exists()}
    assert parts - {"__init__"} <= set(LAYERS)


@pytest.mark.parametrize("path", APP, ids=module_name)
def test_the_app_computes_nothing(path: Path) -> None:
    """``app.py`` uses no array or table library: it shows what the package computed."""
    assert uses(read(path), ("numpy", "pandas", "scipy")) == []


def test_figures_are_drawn_from_reporting_up() -> None:
    """Only reporting and interfaces import matplotlib."""
    low = [p for p in MODULES if (rank := layer_of(module_name(p))) is not None and rank < LAYERS.index("reporting")]
    assert {module_name(p): found for p in low if (found := uses(read(p), ("matplotlib",)))} == {}
    assert uses("def draw():\n    import matplotlib.pyplot as plt\n", ("matplotlib",))


def test_streamlit_stays_in_the_dashboard() -> None:
    """Only ``app.py``, the dashboard and the command that starts it import Streamlit."""
    others = [p for p in MODULES if not any(part.startswith("dashboard") for part in p.relative_to(PACKAGE).parts)]
    assert {module_name(p): found for p in others if (found := uses(read(p), ("streamlit",)))} == {}


def at_import(source: str) -> ast.Module:
    """Keep what runs when a module is imported: no function bodies, nothing for typing alone."""
    tree = ast.parse(source)
    tree.body = [node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)]
    return tree


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_heavy_libraries_wait_until_needed(path: Path) -> None:
    """No module loads a heavy library on import; the function that needs it does.

    The compiled loops are one such library: their module loads the compiler, and is itself loaded only when needed.
    """
    if "dashboard" in path.parts:
        return
    heavy = tuple(name for name in HEAVY if name != "numba") if path.name == "kernel.py" else (*HEAVY, "econmodel.model.kernel")
    assert uses(ast.unparse(at_import(read(path))), heavy) == []


def test_the_core_loads_light() -> None:
    """Loading the path from inputs to results brings in no plotting, table, test-statistic or web library."""
    code = (
        "import sys; import econmodel.economics.evaluate, econmodel.economics.results; "
        "heavy = ('pandas', 'matplotlib', 'scipy.stats', 'statsmodels', 'streamlit'); "
        "print([m for m in heavy if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"


def printed(source: str) -> list[int]:
    """Lines that call the built-in print."""
    return [
        node.lineno
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]


def test_the_package_does_not_print() -> None:
    """The package returns data; only the command line's console writes."""
    assert {module_name(p): lines for p in MODULES if (lines := printed(read(p)))} == {}
    assert printed("def f():\n    print(1)\n") == [2]


def test_test_files_have_unique_names() -> None:
    """Two test files of one name would hide each other."""
    names = [p.name for p in (ROOT / "tests").rglob("test_*.py")]
    assert len(names) == len(set(names))


def test_top_level_is_the_layout() -> None:
    """Nothing but the agreed files and folders stands at the top, dot-files aside: no stray output is kept."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    tops = {line.split("/")[0] for line in listed.stdout.splitlines()}
    wanted = {"README.md", "DEVELOPERS.md", "pyproject.toml", "app.py", "econmodel", "params", "tests", "reports"}
    assert {top for top in tops if not top.startswith(".")} == wanted
