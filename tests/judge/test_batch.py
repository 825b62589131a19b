"""Batches: order, faults that never stop the rest, resuming after a kill, and files that are whole or not there."""

import csv
import errno
import io
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

import spreadcheck
from spreadcheck.cli import main
from spreadcheck.judge import batch as batch_module
from spreadcheck.judge.batch import BatchOptions, Journal, SheetResult, find_sheets, run_batch, summarise
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traysheet import write_sheet
from spreadcheck.sheet.traytest import tray_test
from spreadcheck.show.batch import trend_figure

SAMPLES = Path(__file__).parents[2] / "sample_trays"


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture
def season(tmp_path):
    """Copies of samples in folders, one broken sheet, one workbook that is none, and files that are no sheets."""
    for number, name in enumerate(("lopsided", "even_trapezoid", "us_units")):
        place = tmp_path / "season" / f"{9 - number}"
        place.mkdir(parents=True)
        shutil.copy(SAMPLES / f"{name}.csv", place / f"{name}.csv")
    folder = tmp_path / "season"
    (folder / "broken.csv").write_text("spreadcheck tray sheet,1\ntray width,0,m\n", encoding="utf-8")
    (folder / "odd.xlsx").write_bytes(b"not a workbook")
    (folder / "prices.csv").write_text("product,price\nurea,1\n", encoding="utf-8")
    (folder / ".hidden.csv").write_text("spreadcheck tray sheet,1\n", encoding="utf-8")
    return folder


def test_sheets_are_found_in_order(season):
    sheets, others = find_sheets(season)
    assert sheets == ("7/us_units.csv", "8/even_trapezoid.csv", "9/lopsided.csv", "broken.csv", "odd.xlsx")
    assert others == ("prices.csv",)


@pytest.mark.parametrize("workers", [1, 2, 3])
def test_rows_are_those_of_single_analyses(season, workers):
    """Whatever the number of processes, the rows come in order and hold what one analysis gives."""
    results = list(run_batch(season, find_sheets(season)[0], workers=workers))
    assert [result.sheet for result in results] == list(find_sheets(season)[0])
    for result in results[:3]:
        single = spreadcheck.assess(spreadcheck.read_sheet(season / result.sheet))
        assert result.row["effective_width_back_and_forth_m"] == single.effective_width_m("back-and-forth")
        assert result.row["cv_round_and_round_pct"] == single.bouts["round-and-round"].cv_pct
        assert result.row["verdict"] == single.verdict.state
    assert [bool(result.faults) for result in results] == [False, False, False, True, True]


def test_command_lists_the_bad_ones_at_the_end(season, tmp_path):
    result = run("batch", season, "--summary", tmp_path / "s.csv", "--workers", "1")
    assert result.exit_code == 3
    rows = list(csv.DictReader(io.StringIO((tmp_path / "s.csv").read_text(encoding="utf-8"))))
    assert [row["sheet"] for row in rows] == ["7/us_units.csv", "8/even_trapezoid.csv", "9/lopsided.csv"]
    assert "3 sheets summarised, 2 can't be used, 1 other file passed over (prices.csv)" in result.stderr
    assert f"{season / 'broken.csv'}: " in result.stderr
    assert "odd.xlsx" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] in (["season", "s.csv"], ["s.csv", "season"])


def test_json_and_printed_rows(season):
    data = json.loads(run("batch", season, "--json", "-", "--workers", "1").stdout)
    assert data["schema"] == "spreadcheck/batch/1"
    assert len(data["tests"]) == 3
    assert [bad["sheet"] for bad in data["bad"]] == ["broken.csv", "odd.xlsx"]
    printed = list(csv.DictReader(io.StringIO(run("batch", season, "--workers", "1").stdout)))
    assert [row["sheet"] for row in printed] == [row["sheet"] for row in data["tests"]]


def test_widths_that_lie_close_together_stay_inside_the_picture():
    def row(day):
        widths = {f"effective_width_{method.replace('-', '_')}_m": 23.4 + day / 20 for method in METHODS}
        return {**widths, "date": f"2026-04-1{day}", "machine": "Twin disc", "driving": ""}

    axes = trend_figure(SheetResult(f"{day}.csv", row(day)) for day in range(3)).axes[0]
    assert axes.get_ylim()[0] == 0
    assert axes.get_ylim()[1] > 24  # the widest is 23.5 m
    one_day = trend_figure([SheetResult("0.csv", row(0))]).axes[0].get_xlim()
    assert one_day[1] - one_day[0] < 60  # days, for tests that were all run on one


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_a_terminal_shows_a_table(season):
    """A person gets a line a sheet that fits 80 columns, with the verdict; `--summary -` prints the rows there too."""
    import pty

    def seen(*more):
        mine, theirs = pty.openpty()
        command = [sys.executable, "-m", "spreadcheck", "batch", str(season), "--workers", "1", *more]
        subprocess.run(command, stdout=theirs, stderr=subprocess.DEVNULL, check=False)
        os.close(theirs)
        with open(mine, "rb", buffering=0) as end:
            return end.read(65_536).decode()

    table = seen()
    lines = [line.split() for line in table.splitlines()]
    assert ["9/lopsided.csv", "21", "27.7", "13.4", "not", "even", "enough", "off-centre"] in lines
    assert max(map(len, table.splitlines())) <= 80
    assert "9/lopsided.csv,Lopsided: drop point too far left," in seen("--summary", "-")


def test_parquet_holds_the_same(season, tmp_path):
    """pandas reads back what the CSV says."""
    import pandas as pd

    assert run("batch", season, "--summary", tmp_path / "s.parquet", "--workers", "1").exit_code == 3
    assert run("batch", season, "--summary", tmp_path / "s.csv", "--workers", "1").exit_code == 3
    parquet, text = pd.read_parquet(tmp_path / "s.parquet"), pd.read_csv(tmp_path / "s.csv")
    assert list(parquet.columns) == list(text.columns)
    assert parquet.cv_back_and_forth_pct.tolist() == pytest.approx(text.cv_back_and_forth_pct.tolist(), abs=1e-6)


def test_typed_text_is_never_a_formula(tmp_path):
    text = (SAMPLES / "lopsided.csv").read_text(encoding="utf-8")
    text = text.replace("Granular urea", "=cmd()").replace("Trailed twin-disc", '"@a, ""b"" c"')
    (tmp_path / "x.csv").write_text(text, encoding="utf-8")
    row = next(csv.DictReader(io.StringIO(run("batch", tmp_path, "--workers", "1").stdout)))
    assert row["product"] == "'=cmd()"
    assert row["machine"] == '\'@a, "b" c'


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs POSIX files")
@pytest.mark.parametrize("workers", ["1", "2"])
def test_nothing_ends_a_batch(season, monkeypatch, workers):
    """A name that is no text, a pipe nobody writes to, a socket, a device, links in circles, a closed folder."""
    sheet = (season / "9" / "lopsided.csv").read_bytes()
    (season / os.fsdecode(b"m\xfcller\x1b[2J.csv")).write_bytes(sheet)
    os.mkfifo(season / "pipe.csv")
    (season / "null.csv").symlink_to("/dev/null")
    (season / "self.csv").symlink_to("self.csv")
    (season / "gone.csv").symlink_to("nowhere.csv")
    (season / "up").symlink_to(season)
    with socket.socket(socket.AF_UNIX) as waits:
        monkeypatch.chdir(season)  # the name of a socket is short
        waits.bind("socket.csv")
        (season / "closed").mkdir()
        real = os.scandir

        def closed(path):
            if os.fspath(path).endswith("closed"):
                raise PermissionError(errno.EACCES, "Permission denied", path)
            return real(path)

        monkeypatch.setattr(os, "scandir", closed)
        done = run("batch", season, "--workers", workers)
    assert done.exit_code == 3
    assert "4 sheets summarised, 8 can't be used" in done.stderr
    assert "m\\xfcller\\x1b[2J.csv," in done.stdout
    for name, why in {
        "pipe.csv": "is not a plain file",
        "socket.csv": "is not a plain file",
        "null.csv": "is not a plain file",
        "self.csv": "is a link that leads nowhere",
        "gone.csv": "is a link that leads nowhere",
        "closed": "the folder can't be looked into",
    }.items():
        assert f"{season / name}: {why}; " in done.stderr
    assert "gone.csv: is a link that leads nowhere; put the link right, or take it out of the folder" in done.stderr


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.parametrize("end", ["raises", "dies"])
def test_an_error_in_one_sheet(season, monkeypatch, workers, end):
    """A fault of the program itself, and a process that the system ends, are faults of that sheet."""
    if workers == 1 and end == "dies":
        pytest.skip("the program itself would die")
    real = batch_module.read_sheet

    def read(path, **more):
        if path.name == "even_trapezoid.csv":
            if end == "dies":
                os._exit(9)
            raise ZeroDivisionError("by zero")
        return real(path, **more)

    monkeypatch.setattr(batch_module, "read_sheet", read)
    results = list(run_batch(season, find_sheets(season)[0], workers=workers))
    assert [result.sheet for result in results] == list(find_sheets(season)[0])
    assert [bool(result.faults) for result in results] == [False, True, False, True, True]
    wanted = "a fault of this program (ZeroDivisionError: by zero)" if end == "raises" else "its reading ended the proc"
    assert wanted in results[1].faults[0]


def test_a_sheet_with_thousands_of_faults(tmp_path):
    lines = "".join(f"T{n},{n / 100},-1\n" for n in range(5000))
    head = "spreadcheck tray sheet,1\ntray width,0.5,m\ntray length,0.5,m\n\ntray,offset,pass 1\n,m,g\n"
    (tmp_path / "bad.csv").write_text(head + lines, encoding="utf-8")
    for command in ("batch", "analyse"):
        said = run(command, tmp_path if command == "batch" else tmp_path / "bad.csv").stderr.splitlines()
        assert len([line for line in said if "is negative" in line]) == 30
        assert said[-1].endswith("bad.csv: and 4970 more faults; put these right first")


def test_every_tray_sheet_of_a_workbook(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    write_sheet(spreadcheck.read_sheet(SAMPLES / "lopsided.csv"), tmp_path / "year.xlsx")
    book = openpyxl.load_workbook(tmp_path / "year.xlsx")
    book.copy_worksheet(book.active).title = "second"
    book.save(tmp_path / "year.xlsx")
    target = tmp_path / "s.csv"
    assert run("batch", tmp_path, "--summary", target, "--workers", "1").exit_code == 0
    names = [row["sheet"] for row in csv.DictReader(io.StringIO(target.read_text(encoding="utf-8")))]
    assert names == ["year.xlsx [tray sheet]", "year.xlsx [second]"]
    journal = Journal(tmp_path / "j", tmp_path, BatchOptions())
    both = summarise(str(tmp_path), "year.xlsx", BatchOptions())
    journal.add(both[0])
    journal.load()
    assert journal.known == {}  # half a workbook is done again
    journal.add(both[1])
    journal.load()
    assert [result.row for result in journal.known["year.xlsx"]] == [result.row for result in both]
    book["second"].append(["one more", "far"])
    book.save(tmp_path / "year.xlsx")
    fault = summarise(str(tmp_path), "year.xlsx", BatchOptions())[1].faults[0]
    assert fault.startswith(f"{tmp_path / 'year.xlsx [second]'}: row ")


@pytest.mark.parametrize(
    "line",
    ["\0\xff", "{}", "[]", "null", '["a"]', "[" * 100_000, '[1, 2, 3, 4, 5, 6, 7]', '["x", "x", 1, [], {}, {}, []]',
     '["x.csv", "x.csv", 1, [], {"limit_pct": 15.0, "bout_width_m": null, "tails": "taper"}, {"sheet": "x"}, []]',
     '["x.csv", "x.csv", "1", [], {"limit_pct": 15.0, "bout_width_m": null, "tails": "taper"}, null, 5]'],
)  # fmt: skip
def test_a_damaged_journal(season, line):
    """Lines of another program, and of this one with holes in them, count for nothing."""
    journal = Journal(season / "j", season, BatchOptions())
    journal.path.write_text(f"{line}\n", encoding="utf-8", errors="replace")
    journal.add(*summarise(str(season), "9/lopsided.csv", BatchOptions()))
    journal.load()
    assert list(journal.known) == ["9/lopsided.csv"]


def test_resume_does_only_what_is_missing(season, tmp_path, monkeypatch):
    """A journal of one good and one bad sheet, its last line cut off; a sheet changed since; another limit asked."""
    target = tmp_path / "s.csv"
    done = []

    def counted(folder, sheet, options):
        done.append(sheet)
        return summarise(folder, sheet, options)

    monkeypatch.setattr(batch_module, "summarise", counted)
    journal = Journal(Path(f"{target}.journal"), season, BatchOptions())
    for sheet in ("7/us_units.csv", "broken.csv", "9/lopsided.csv"):
        journal.add(*summarise(str(season), sheet, BatchOptions()))
    with journal.path.open("a", encoding="utf-8") as file:
        file.write('["8/even_tr')
    shutil.copy(SAMPLES / "double_peaked.csv", season / "9" / "lopsided.csv")
    refused = run("batch", season, "--summary", target, "--workers", "1")
    assert refused.exit_code == 2
    assert "is there from a run that was stopped; add --resume to go on with it, or --overwrite" in refused.stderr
    assert done == []
    assert run("batch", season, "--summary", target, "--workers", "1", "--resume").exit_code == 3
    assert done == ["8/even_trapezoid.csv", "9/lopsided.csv", "odd.xlsx"]
    fresh = run("batch", season, "--summary", tmp_path / "fresh.csv", "--workers", "1")
    assert fresh.exit_code == 3
    assert target.read_bytes() == (tmp_path / "fresh.csv").read_bytes()
    assert not journal.path.exists()


def test_a_killed_run_goes_on(tmp_path):
    """kill -9 in the middle: no summary, a journal; --resume ends with what an undisturbed run gives."""
    folder = tmp_path / "many"
    folder.mkdir()
    for number in range(60):
        shutil.copy(SAMPLES / "double_peaked.csv", folder / f"{number:04}.csv")
    target, journal = tmp_path / "s.csv", tmp_path / "s.csv.journal"
    command = [sys.executable, "-m", "spreadcheck", "batch", str(folder), "--summary", str(target), "--workers", "1"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and (not journal.exists() or journal.stat().st_size < 500):
        time.sleep(0.005)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert not target.exists()
    before = journal.read_bytes().count(b"\n")
    assert 0 < before < 60
    assert run("batch", folder, "--summary", target, "--resume", "--workers", "1").exit_code == 0
    assert run("batch", folder, "--summary", tmp_path / "t.csv", "--workers", "1").exit_code == 0
    assert target.read_bytes() == (tmp_path / "t.csv").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nowhere"], "nowhere: is not a folder; give the folder that holds the tray sheets"),
        ([""], '"": is not a folder; give the folder that holds the tray sheets'),
        ([".", "--summary", "s.txt"], 's.txt: a summary can\'t be written as ".txt"; end the name in .csv or .parquet'),
        ([".", "--resume"], "option --resume: there is no summary file to go on with; add --summary FILE"),
        ([".", "--plot", "t.gif"], 't.gif: a plot can\'t be written as ".gif"'),
        ([".", "--bout-width", "24"], 'option --bout-width: "24" has no unit'),
    ],
)
def test_bad_values(arguments, message, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run("batch", *arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_nothing_usable_is_a_failure(tmp_path):
    result = run("batch", tmp_path)
    assert result.exit_code == 2
    assert "0 sheets summarised" in result.stderr


def test_trend_picture(season, tmp_path):
    assert run("batch", season, "--workers", "1", "--plot", tmp_path / "t.svg").exit_code == 3
    text = (tmp_path / "t.svg").read_text(encoding="utf-8")
    assert "Effective width over time (3 dated tests)" in text
    assert "Trailed twin-disc" in text


def test_no_width_is_told_as_if_it_held(tmp_path):
    """Tails missed: least and most, or "at least" (no most); a test that can't be judged has no width at all."""
    fan = [max(0.0, 8 - abs(at)) for at in range(-6, 7)]  # the end trays still catch a quarter of the peak
    for name, target in (("open.csv", "400 kg/ha"), ("blocked.csv", "3000 kg/ha")):
        form = {"bout width": "6 m", "target rate": target}
        write_sheet(tray_test(range(-6, 7), fan, tray_width="0.5 m", tray_length="0.5 m", form=form), tmp_path / name)
    rows = {found.sheet: found.row for found in run_batch(tmp_path, ["open.csv", "blocked.csv"], workers=1)}
    for method in ("back_and_forth", "round_and_round"):
        keys = [f"effective_width_{method}_{end}" for end in ("m", "least_m", "most_m")]
        single, least, most = (rows["open.csv"][key] for key in keys)
        assert single is None
        assert least is not None or most is not None
        assert most is None or least is None or least < most
        assert [rows["blocked.csv"][key] for key in keys] == [None, None, None]
    assert rows["blocked.csv"]["blocking"]
    assert not rows["open.csv"]["blocking"]
    assert rows["open.csv"]["within_limit"] is True
    assert rows["blocked.csv"]["within_limit"] is None  # its CV is the same: no "no" where nothing is known
    assert rows["blocked.csv"]["cv_back_and_forth_pct"] == rows["open.csv"]["cv_back_and_forth_pct"]
