"""Pictures: no setting from outside, no sign that hides, none that the font lacks without a word."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from spreadcheck import assess, read_sheet, tray_test
from spreadcheck.cli import main
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.plots import analysis_figure, figure_bytes

SHEETS = Path(__file__).parents[2] / "sample_trays"
USER = "text.usetex: True\nfont.size: 30\naxes.facecolor: red\nno.such.key: 1\nbackend: nonsense\n"


def _analyse(folder: Path, plot: str, sheet: Path = SHEETS / "lopsided.csv") -> subprocess.CompletedProcess[str]:
    """In a process of its own, as matplotlib reads its file once, while it is loaded."""
    call = [sys.executable, "-m", "spreadcheck", "analyse", str(sheet), "--plot", plot]
    return subprocess.run(call, cwd=folder, capture_output=True, text=True, check=False)


def test_a_matplotlibrc_in_the_folder_changes_no_byte(tmp_path: Path) -> None:
    (tmp_path / "matplotlibrc").write_text(USER, encoding="utf-8")
    done = _analyse(tmp_path, "plot.svg")
    assert (done.returncode, done.stderr) == (0, "plot.svg written\n")
    figure = analysis_figure(assess(read_sheet(SHEETS / "lopsided.csv")))
    assert (tmp_path / "plot.svg").read_bytes() == figure_bytes(figure, "svg")


def test_a_matplotlibrc_that_is_no_text_is_one_message(tmp_path: Path) -> None:
    (tmp_path / "matplotlibrc").write_bytes(b"font.size: \xff\n")
    done = _analyse(tmp_path, "plot.png")
    assert done.returncode == 2
    assert "matplotlibrc" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("command", ["analyse", "confidence"])
def test_words_of_a_sheet_go_through_the_gate_into_a_picture(tmp_path: Path, command: str) -> None:
    text = (SHEETS / "lopsided.csv").read_text(encoding="utf-8")
    name = next(line for line in text.splitlines() if line.startswith("test,"))
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(text.replace(name, "test,back\u202eward \u65e5$x$"), encoding="utf-8")
    few = ["--draws", "100"] if command == "confidence" else []
    for kind, told in (("svg", False), ("png", True))[: 1 if few else 2]:
        plot = tmp_path / f"plot.{kind}"
        done = CliRunner().invoke(main, [command, str(sheet), *few, "--plot", str(plot)])
        assert plot.exists(), done.output
        assert (
            "no sign for \u65e5" in done.stderr
        ) is told  # Japanese: not in the font; an SVG is drawn with the reader's
    drawn = (tmp_path / "plot.svg").read_text(encoding="utf-8")
    assert r"back\u202eward \u65e5$x$".replace(r"\u65e5", "\u65e5") in drawn
    assert "\u202e" not in drawn


def test_the_cv_panel_shows_the_curve_where_every_cv_is_high() -> None:
    """Two heaps with nothing between: no CV comes below 60 %, and the axis follows; the curve is the one searched."""
    x = np.arange(-12, 13)
    test = tray_test(x, np.where(np.abs(x) == 8, 9.0, 0.01), tray_width="1 m", tray_length="1 m",
                     form={"bout width": "13 m"})  # fmt: skip
    result = assess(test)
    axes = analysis_figure(result).axes[2]
    lowest, highest = axes.get_ylim()
    for method in METHODS:
        curve = result.curves[method]
        line = next(line for line in axes.lines if line.get_label().startswith(method))
        drawn = dict(zip(line.get_xdata().tolist(), line.get_ydata().tolist(), strict=True))
        assert [drawn[width] for width in curve.width_m.tolist()] == pytest.approx(curve.cv_pct.tolist())
        wide = curve.cv_pct[curve.width_m > 10]
        assert lowest == 0
        assert wide.min() > 60
        assert highest > curve.cv_at(13)


def test_points_stand_at_whole_spacings_only() -> None:
    test = read_sheet(SHEETS / "lopsided.csv")
    axes = analysis_figure(assess(test, width_m=[10, 10.5, 11, 12.25, 13])).axes[2]
    points = next(line for line in axes.lines if "points" in line.get_label())
    assert points.get_xdata().tolist() == [10, 11, 13]


def test_a_picture_carries_the_verdict() -> None:
    figure = analysis_figure(assess(read_sheet(SHEETS / "lopsided.csv")))
    assert any("not even enough" in text.get_text() for text in figure.texts)


def test_the_legend_of_the_width_curve_hides_no_curve():
    """It stands above the axes, and the title above it."""
    figure = analysis_figure(assess(read_sheet(SHEETS / "boom_blocked_outlet.csv")))
    figure.canvas.draw()
    axes = figure.axes[2]
    legend, title = (artist.get_window_extent() for artist in (axes.get_legend(), axes.title))
    assert legend.y0 >= axes.get_window_extent().y1 - 1
    assert title.y0 >= legend.y1 - 1
