"""The house rules: imports point downward, public functions are documented, start-up stays light."""

import ast
import importlib
import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest

import spreadcheck

PACKAGE = Path(spreadcheck.__file__).parent

# Every module imports only from modules that stand below it here.
LINES = [
    "cli",
    "report",
    "plots_confidence",
    "plots",
    "summaries",
    "plots_batch",
    "batch",
    "plots_blend",
    "plots_comparison",
    "plots_tuning",
    "results",
    "results_confidence",
    "card",
    "tables",
    "nutrients",
    "components",
    "economics",
    "wholefield",
    "fieldedge",
    "fieldpasses",
    "pricefile",
    "prices",
    "response",
    "fieldwork",
    "metering",
    "stripes",
    "tuning",
    "speedcurve",
    "comparison",
    "passfigures",
    "passspread",
    "passcount",
    "confidence",
    "steering",
    "assessment",
    "doubts",
    "plansheet",
    "plan",
    "wish",
    "ratereadings",
    "ratecheck",
    "rate",
    "product",
    "productfile",
    "granulesize",
    "chart",
    "segregation",
    "density",
    "sieve",
    "titledcells",
    "readings",
    "scatter",
    "pattern",
    "shapes",
    "advice",
    "peaks",
    "patternfigures",
    "quality",
    "agreement",
    "neighbours",
    "repeats",
    "conditions",
    "trayline",
    "finding",
    "plausible",
    "passes",
    "traymap",
    "noise",
    "widths",
    "overlap",
    "evenness",
    "profile",
    "throw",
    "release",
    "flight",
    "air",
    "entryform",
    "sheetlock",
    "answers",
    "recording",
    "doubt",
    "newsheet",
    "layout",
    "entry",
    "traysheet",
    "excel",
    "trayform",
    "traytable",
    "trayheader",
    "sheetcells",
    "csvrows",
    "files",
    "tomlfile",
    "traytest",
    "limits",
    "labels",
    "units",
    "errors",
]


def module_of(path: Path) -> str:
    """The line on which a file of the package stands."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports_of(path: Path) -> set[str]:
    """The modules of this package that a file imports, at the top or inside functions."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "spreadcheck":
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("spreadcheck.")}
    return found - {"__version__"}


FILES = sorted(p for p in PACKAGE.rglob("*.py") if p.name not in ("__init__.py", "__main__.py") or p.parent != PACKAGE)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_downward(path):
    here = module_of(path)
    assert here in LINES, f"{here} has no line in the map of modules yet"
    own = 0 if here in ("cli", "report") else 1  # files of a folder may use one another
    below = set(LINES[LINES.index(here) + own :])
    assert imports_of(path) <= below


def public_functions():
    """All public functions of the library, below the line of tables and reports."""
    for path in FILES:
        if module_of(path) in ("cli", "report"):
            continue
        module = importlib.import_module(f"spreadcheck.{path.stem}")
        for name, function in vars(module).items():
            if inspect.isfunction(function) and not name.startswith("_") and function.__module__ == module.__name__:
                yield pytest.param(function, id=f"{path.stem}.{name}")


@pytest.mark.parametrize("function", list(public_functions()))
def test_docstring_matches_signature(function):
    """Parameter names and order equal the signature; parameters and returns have units; there is an example."""
    text = inspect.getdoc(function) or ""
    section = re.search(r"^Parameters\n-+\n(.*?)(?=^\w[\w ]*\n-+\n|\Z)", text, re.M | re.S)
    documented = []
    if section:
        entries = re.split(r"(?m)^(?=\*{0,2}\w[\w, *]* : )", section[1])[1:]
        for entry in entries:
            documented += [name.strip(" *") for name in entry.split(" : ")[0].split(",")]
            assert re.search(r"\[[^\]]+\]", entry.split("\n", 1)[-1]), f"no unit in brackets: {entry}"
    assert documented == list(inspect.signature(function).parameters)
    returns = re.search(r"^Returns\n-+\n(.*?)(?=^\w[\w ]*\n-+\n|\Z)", text, re.M | re.S)
    assert returns, "no Returns section"
    assert re.search(r"\[[^\]]+\]", returns[1]), "no unit in the return"
    assert ">>>" in text, "no example"


def test_public_names_load():
    """Every public name is there, and the list of names is the whole of `dir`."""
    for name in spreadcheck.__all__:
        assert getattr(spreadcheck, name) is not None
    assert dir(spreadcheck) == sorted(spreadcheck.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = spreadcheck.nothing


@pytest.mark.parametrize("start", [["-c", "import spreadcheck"], ["-m", "spreadcheck", "--help"]])
def test_start_up_is_light(start):
    """Nothing heavy is imported before it is needed."""
    done = subprocess.run([sys.executable, "-X", "importtime", *start], capture_output=True, text=True, check=True)
    loaded = {line.split("|")[-1].strip().split(".")[0] for line in done.stderr.splitlines()}
    assert not loaded & {"numpy", "scipy", "pandas", "matplotlib"}
