"""The house rules: imports point downward, public functions are documented, start-up stays light."""

import ast
import functools
import graphlib
import importlib
import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest

import spreadcheck
from spreadcheck.cli import COMMANDS

PACKAGE = Path(spreadcheck.__file__).parent

# Each room imports from rooms to its left only; rooms between the same two bars stand side by side.
ROOMS = (
    "units errors limits | sheet | spread | passes | pattern doubts | judge | "
    "improve money product crew | field | show | cli"
)
FLOOR = {room: floor for floor, rooms in enumerate(ROOMS.split(" | ")) for room in rooms.split()}
MOST_AT_THE_TOP = 16  # beside __init__, __main__ and py.typed
FILES = sorted(p for p in PACKAGE.rglob("*.py") if p.parent != PACKAGE or not p.name.startswith("__"))


@functools.cache
def imports_of(path: Path) -> set[str]:
    """The modules of this package that a file imports, at the top or inside functions: "spread.profile", "units"."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "spreadcheck":
            module = node.module.removeprefix("spreadcheck").removeprefix(".")
            for alias in node.names:
                inner = f"{module}.{alias.name}".removeprefix(".")
                is_file = (PACKAGE / f"{inner.replace('.', '/')}.py").exists()
                found.add(inner if is_file else module)
        elif isinstance(node, ast.Import):
            found |= {a.name.removeprefix("spreadcheck.") for a in node.names if a.name.startswith("spreadcheck.")}
    return found - {""}


def name_of(path: Path) -> str:
    """The dotted name of a file below the package; a room's own file has the room's name."""
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__")


def test_imports_point_one_way():
    """A room imports from rooms before it, and from its own."""
    wrong = [
        f"{name_of(path)} imports {other}"
        for path in FILES
        for other in sorted(imports_of(path))
        if other.split(".")[0] != name_of(path).split(".")[0]
        and FLOOR[other.split(".")[0]] >= FLOOR[name_of(path).split(".")[0]]
        and name_of(path) not in ("errors", "units", "limits")
    ]
    assert wrong == []


def test_no_circle_inside_a_room():
    """The imports between files have no circle anywhere, rooms' insides included."""
    graph = {name_of(path): imports_of(path) for path in FILES}
    list(graphlib.TopologicalSorter(graph).static_order())


def test_the_house_stays_findable():
    """Few rooms, one storey deep, none named as an exported function."""
    rooms = {path.relative_to(PACKAGE).parts[0].removesuffix(".py") for path in FILES}
    assert rooms == set(FLOOR)
    assert len(rooms) <= MOST_AT_THE_TOP
    assert all(len(path.relative_to(PACKAGE).parts) <= 2 for path in FILES)
    assert rooms.isdisjoint(spreadcheck.__all__)


def test_every_command_has_its_file_and_shows_itself_in_one_of_that_name():
    """A command NAME lives in cli/NAME.py; what it shows in show/NAME.py."""
    for name in COMMANDS:
        assert (PACKAGE / "cli" / f"{name}.py").exists()
        assert (PACKAGE / "show" / f"{name}.py").exists()


def test_frozen_dataclasses_are_records():
    """Each dataclass that writes its own methods costs half a millisecond of every start; `record` is the one way."""
    lines = [(name_of(path), line) for path in FILES for line in path.read_text(encoding="utf-8").splitlines()]
    assert [name for name, line in lines if line.startswith("@dataclass(frozen")] == []


# Modules that are formulas from end to end: a reader checks them against a book, so each function says all.
FORMULAS = {
    "spread.evenness",
    "product.flight",
    "money.response",
}  # fmt: skip


def library_functions():
    """All functions without underscore of the library, below what shows them: (name, function)."""
    for path in FILES:
        module = importlib.import_module(f"spreadcheck.{name_of(path)}")
        for name, function in vars(module).items():
            if inspect.isfunction(function) and not name.startswith("_") and function.__module__ == module.__name__:
                yield f"{name_of(path)}.{name}", function


def needs_all(name):
    """Whether a function is exported or a formula, and so has the full docstring."""
    module, _, own = name.rpartition(".")
    return module in FORMULAS or spreadcheck._PUBLIC.get(own) == module


def documented(function):
    """The parameter names and the text of a docstring's Parameters section, and its Returns section."""
    text = inspect.getdoc(function) or ""
    section = re.search(r"^Parameters\n-+\n(.*?)(?=^\w[\w ]*\n-+\n|\Z)", text, re.M | re.S)
    returns = re.search(r"^Returns\n-+\n(.*?)(?=^\w[\w ]*\n-+\n|\Z)", text, re.M | re.S)
    entries = re.split(r"(?m)^(?=\*{0,2}\w[\w, *]* : )", section[1])[1:] if section else []
    names = [name.strip(" *") for entry in entries for name in entry.split(" : ")[0].split(",")]
    return names, entries, returns[1] if returns else None


FUNCTIONS = list(library_functions())


@pytest.mark.parametrize("function", [pytest.param(f, id=name) for name, f in FUNCTIONS if needs_all(name)])
def test_exported_functions_and_formulas_say_all(function):
    """Parameter names and order equal the signature; parameters and returns have units; there is an example."""
    names, entries, returns = documented(function)
    assert names == list(inspect.signature(function).parameters)
    assert [entry for entry in entries if not re.search(r"\[[^\]]+\]", entry.split("\n", 1)[-1])] == []
    assert returns, "no Returns section"
    assert re.search(r"\[[^\]]+\]", returns), "no unit in the return"
    assert ">>>" in inspect.getdoc(function), "no example"


def test_every_function_says_what_it_is():
    """The rest has at least one line; where parameters are listed, they are those of the signature."""
    assert [name for name, function in FUNCTIONS if not (inspect.getdoc(function) or "").strip()] == []
    listed = {name: (documented(f)[0], list(inspect.signature(f).parameters)) for name, f in FUNCTIONS}
    assert {name: both for name, both in listed.items() if both[0] and both[0] != both[1]} == {}


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


def test_words_leave_by_one_way():
    """Commands print through `cli.terminal`, whose gate makes hidden and steering signs visible."""
    ways = re.compile(r"\b(click\.(s?echo|echo_via_pager)|print)\(")
    found = []
    for path in FILES:
        lines = path.read_text(encoding="utf-8").splitlines()
        found += [name_of(path) for line in lines if ways.search(line) and not line.lstrip().startswith((">>>", "..."))]
    assert set(found) == {"cli.terminal"}
