"""The docs stay true: the reference is what the commands print, links lead somewhere, README's outputs are real."""

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner
from docs_made import PICTURES, ROOMS_END, ROOMS_START, between, command_reference, rooms_map

from spreadcheck.cli import COMMANDS, main

ROOT = Path(__file__).parent.parent
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "sample_trays" / "README.md",
    *sorted((ROOT / "docs").glob("*.md")),
]


def test_command_reference_is_current():
    """docs/commands.md is made by `python tests/docs_made.py`."""
    assert (ROOT / "docs" / "commands.md").read_text(encoding="utf-8") == command_reference()


def test_the_map_of_rooms_is_current():
    """The map in DEVELOPERS.md is made from the docstrings of the rooms."""
    page = ROOT / "DEVELOPERS.md"
    assert page.read_text(encoding="utf-8") == between(page, ROOMS_START, ROOMS_END, rooms_map())


def test_developers_are_sent_to_files_that_exist():
    named = re.findall(
        r"`((?:[a-z_.]+/)*[a-z_]+(?:\.py|\.md|/))`", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    )
    assert "show/card.py" in named
    assert not [name for name in named if not (ROOT / name).exists() and not (ROOT / "spreadcheck" / name).exists()]


def test_pictures_are_there():
    """Every picture of the docs is one that `python tests/docs_made.py` makes, and a page shows it."""
    on_file = {path.name: path.read_bytes() for path in (ROOT / "docs" / "pictures").iterdir()}
    assert set(on_file) == set(PICTURES)
    shown = "".join(page.read_text(encoding="utf-8") for page in PAGES)
    for name, content in on_file.items():
        assert content.startswith(b"\x89PNG\r\n")
        assert f"pictures/{name})" in shown


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    for link in re.findall(r"\]\(([^)#\s]+)", text):
        if "://" not in link:
            assert (page.parent / link).exists(), f"{page.name}: {link}"


def shown_outputs():
    """Every `$ spreadcheck ...` in the pages with the output that stands below it."""
    for page in PAGES:
        for block in re.findall(r"```console\n(.*?)```", page.read_text(encoding="utf-8"), re.S):
            for part in re.split(r"^\$ ", block, flags=re.M)[1:]:
                command, _, output = part.partition("\n")
                if command.startswith("spreadcheck ") and output.strip():
                    yield pytest.param(command, output, id=f"{page.name}: {command}")


@pytest.mark.parametrize(("command", "output"), list(shown_outputs()))
def test_shown_outputs_are_real(command, output, monkeypatch, tmp_path):
    """Docs quote only what a command printed; `...` on a line of its own stands for lines left out."""
    if "sample_trays" in command or command.endswith("--help"):
        monkeypatch.chdir(ROOT)
    else:
        monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, shlex.split(command)[1:])
    expected = [re.escape(line.rstrip()) for line in output.rstrip().splitlines()]
    pattern = "\n".join(".*" if line == re.escape("...") else line for line in expected)
    printed = "\n".join(line.rstrip() for line in result.output.rstrip().splitlines())
    assert re.fullmatch(pattern, printed, re.S), printed


def test_every_command_is_in_the_guide():
    """README names every command, and so does a page of the docs besides the reference."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    pages = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "docs").glob("*.md") if p.name != "commands.md")
    for name in COMMANDS:
        assert f"spreadcheck {name}" in readme
        assert f"spreadcheck {name}" in pages


def test_every_page_is_reachable_from_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for page in (ROOT / "docs").glob("*.md"):
        assert f"docs/{page.name}" in readme


def test_functions_that_a_page_says_it_rests_on_are_there():
    """A name in the column "function" of a table is one of the package still."""
    code = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "spreadcheck").rglob("*.py"))
    named = []
    for page in PAGES:
        at = None
        for line in page.read_text(encoding="utf-8").splitlines():
            cells = [cell.strip() for cell in line.strip("|").split("|")] if line.startswith("|") else []
            at = None if not cells else cells.index("function") if "function" in cells else at
            named += re.findall(r"`(\w+)`", cells[at]) if at is not None and len(cells) > at else []
    assert len(named) > 15
    there = {name for pair in re.findall(r"\b(?:def|class) (\w+)|^(\w+)\b.*=", code, re.M) for name in pair}
    assert [name for name in named if name not in there] == []
