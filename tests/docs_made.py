"""What in docs/ is made by the tool itself: the command reference and the pictures.

Run `python tests/docs_made.py` after a change of commands, options or plots; a test fails while they differ.
"""

import subprocess
import sys
from pathlib import Path

import click
from test_house import FLOOR as ROOMS

from spreadcheck.cli import COMMANDS, main

DOCS = Path(__file__).parent.parent / "docs"
SAMPLES = Path(__file__).parent.parent / "sample_trays"
PICTURES = ("field.png", "compare.png", "tune.png", "lopsided.png", "report.png", "report-pictures.png")


def command_reference():
    """docs/commands.md: the help of every command, as the command itself prints it."""
    parts = [
        "# Command reference\n",
        "Made from the commands' own help by `python tests/docs_made.py`.\n",
        f"```text\n{help_of(main, 'spreadcheck')}```\n",
    ]
    context = click.Context(main, info_name="spreadcheck")
    for name in COMMANDS:
        command = main.get_command(context, name)
        parts.append(f"## {name}\n\n```text\n{help_of(command, f'spreadcheck {name}')}```\n")
    return "\n".join(parts)


def help_of(command, name):
    """The help text of one command, 80 columns wide."""
    context = click.Context(command, info_name=name, terminal_width=80, max_content_width=80)
    return command.get_help(context) + "\n"


def pictures():
    """docs/pictures: name -> content, each drawn from a sample sheet."""
    from spreadcheck import assess, compare, field_figure, read_boundary, read_sheet, read_track, study_field, tune
    from spreadcheck.show.compare import comparison_figure
    from spreadcheck.show.pages import document_pdf
    from spreadcheck.show.plots import analysis_figure, figure_bytes
    from spreadcheck.show.report import report
    from spreadcheck.show.tune import tuning_figure

    lopsided = assess(read_sheet(SAMPLES / "lopsided.csv"))
    pdf = document_pdf(report(lopsided)).data
    to_picture = ("pdftoppm", "-png", "-r", "100", "-singlefile", "-f")
    words, drawn = (
        subprocess.run((*to_picture, page, "-"), input=pdf, capture_output=True, check=True).stdout for page in "12"
    )
    vanes = [read_sheet(SAMPLES / f"{when}_vane_change.csv") for when in ("before", "after")]
    series = [read_sheet(path) for path in sorted((SAMPLES / "speed_series").glob("*.csv"))]
    ground = read_boundary(SAMPLES / "field_boundary.geojson")
    track = read_track(SAMPLES / "field_track.csv", zone=ground.zone)
    driven = study_field(read_sheet(SAMPLES / "even_trapezoid.csv"), boundary=ground, track=track)
    figures = (
        field_figure(driven),
        comparison_figure(compare(vanes)),
        tuning_figure(tune(series)),
        analysis_figure(lopsided),
    )
    return dict(zip(PICTURES, (*(figure_bytes(figure, "png") for figure in figures), words, drawn), strict=True))


SHAPES_START, SHAPES_END = "<!-- shapes: made by tests/docs_made.py -->", "<!-- end of shapes -->"


def shapes_section():
    """Kinds, shapes, signs and checks of docs/pattern-reading.md, made from the data."""
    from spreadcheck.pattern.advice import CAUSES, SIGNS, SPREADERS
    from spreadcheck.pattern.shape import SHAPES

    parts = ["### What is normal for each kind\n", "| spreader type | normal | standing |\n| --- | --- | --- |"]
    parts += [f"| {kind.name} | {kind.normal} | {kind.standing} |" for kind in SPREADERS.values()]
    parts.append("\n### The shapes\n\n| shape | what it is | rule | in the overlap |\n| --- | --- | --- | --- |")
    parts += [f"| {s.name} | {s.meaning} | {s.rule} | {s.effect} |" for s in SHAPES.values()]
    parts.append("\n### What may lie behind each sign\n")
    parts.append(
        "The share is how much of the sign the cause is usually behind; shares of one kind are put to 100 %.\n"
    )
    for kind in SPREADERS:
        parts.append(f"**{kind}**\n\n| sign | causes, likeliest first |\n| --- | --- |")
        own = [cause for cause in CAUSES if kind in cause.kinds]
        for sign, words in SIGNS.items():
            causes = sorted((c for c in own if sign in c.signs), key=lambda c: -c.signs[sign][0])
            if causes:
                whole = sum(c.signs[sign][0] for c in causes)
                told = [f"{c.part} {100 * c.signs[sign][0] / whole:.0f} % ({c.signs[sign][1]})" for c in causes]
                parts.append(f"| {words} | {'; '.join(told)} |")
        parts.append("")
    parts.append(
        "### The checks\n\n| part | kinds | look for | usually done | standing |\n| --- | --- | --- | --- | --- |"
    )
    parts += [
        f"| {c.part} | {'all' if len(c.kinds) == len(SPREADERS) else ', '.join(c.kinds)} | {c.look} | {c.adjust} "
        f"| {c.standing} |"
        for c in CAUSES
    ]
    return "\n".join(parts) + "\n"


ROOMS_START, ROOMS_END = "<!-- rooms: made by tests/docs_made.py -->", "<!-- end of rooms -->"


def rooms_map():
    """The map of DEVELOPERS.md: every room with the first line of its docstring, and so every file below it."""
    package = DOCS.parent / "spreadcheck"
    lines = []
    for room in ROOMS:
        if (package / f"{room}.py").exists():
            continue
        lines.append(f"{room + '/':<10} {first_line(package / room / '__init__.py')}")
        files = sorted(path for path in (package / room).glob("*.py") if path.stem != "__init__")
        lines += [f"  {path.stem:<14} {first_line(path)}" for path in files]
    return "```text\n" + "\n".join(lines) + "\n```"


def first_line(path):
    """The first line of a module's docstring."""
    return path.read_text(encoding="utf-8").removeprefix("r").removeprefix('"""').split('"""')[0].splitlines()[0]


def between(page, start, end, text):
    """A page with the text between two marks replaced."""
    before, rest = page.read_text(encoding="utf-8").split(start)
    return f"{before}{start}\n{text}\n{end}{rest.split(end)[1]}"


if __name__ == "__main__":
    shapes = DOCS / "pattern-reading.md"
    shapes.write_text(between(shapes, SHAPES_START, SHAPES_END, f"\n{shapes_section()}"), encoding="utf-8")
    house = DOCS.parent / "DEVELOPERS.md"
    house.write_text(between(house, ROOMS_START, ROOMS_END, rooms_map()), encoding="utf-8")
    (DOCS / "commands.md").write_text(command_reference(), encoding="utf-8")
    for name, content in pictures().items():
        (DOCS / "pictures" / name).write_bytes(content)
    sys.stdout.write("docs/commands.md and docs/pictures are up to date\n")
