"""What it takes to stop the program: mutated sheets, other files, kills while recording, hostile words in every output.

    python tests/studies/reliability_study.py sheets 1000000
    python tests/studies/reliability_study.py files 100000
    python tests/studies/reliability_study.py kills 500
    python tests/studies/reliability_study.py texts 300

Every case follows from its number alone. What was done is kept in reliability.json beside this file after every block, and the
same command goes on from there; a part that has another result than wanted ends with the number of the case.
"""

# ruff: noqa: E501, PT017  (lists of pieces and words are read best on long lines)
import contextlib
import io
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from pathlib import Path

import numpy as np

from spreadcheck.errors import SpreadcheckError, hidden_in, shown
from spreadcheck.sheet.traysheet import read_sheet, sheet_text, write_sheet

HERE = Path(__file__).parent
SAMPLES = HERE.parents[1] / "sample_trays"
KEPT = HERE / "reliability.json"
BLOCK = {"sheets": 5000, "files": 1000, "kills": 20, "texts": 30}
LONGEST_S = 5.0


# --- the reader ------------------------------------------------------------------------------------------------------

PIECES = (
    *"0123456789,;.\t-+xXeE\"'\n\r ", "\r\n", "1e999", "nan", "inf", "-0", "0,5", "1.000,5", "=1+1", "\0", "\x1b[2J", "\u202e",
    "\ufeff", "\u2212", "½", "m", "ft", "58 ft 4 in", "g", "ml", "oz", "kg/ha", "pass 1", "pass 1001", "pass 2 / potash", "note",
    "tare", "tray", "offset", "weighing,cumulative", "date,3/10/2026", "reversed passes,2; 4", "runs per catch,0", "x" * 5000,
)  # fmt: skip


def bases():
    """Sample sheets, the long ones cut to their form and twelve trays: a case is read in well under a millisecond."""
    found = []
    for path in sorted(SAMPLES.rglob("*.csv")):
        text = path.read_text(encoding="utf-8")
        if text.startswith("spreadcheck tray sheet"):
            form, _, table = text.partition("\n\n")
            found.append(f"{form}\n\n" + "\n".join(table.splitlines()[:14]) + "\n")
    return found


def mutated(number, texts):
    """A sheet with one to eight changes: signs, pieces, cells and lines put in, taken out, doubled, moved; its bytes."""
    rng = random.Random(f"sheet {number}")
    text = rng.choice(texts)
    for _ in range(rng.randint(1, 8)):
        at, lines = rng.randrange(len(text) + 1), text.split("\n")
        kind, line = rng.randrange(7), rng.randrange(len(lines))
        if kind == 0:
            text = text[:at] + rng.choice(PIECES) + text[at + rng.randrange(3) :]
        elif kind == 1:
            text = text[:at] + text[at + rng.randrange(40) :]
        elif kind == 2:
            lines.insert(rng.randrange(len(lines) + 1), lines[line])
            text = "\n".join(lines)
        elif kind == 3:
            del lines[line]
            text = "\n".join(lines)
        elif kind == 4:
            cells = lines[line].split(",")
            cells[rng.randrange(len(cells))] = rng.choice(PIECES)
            lines[line] = ",".join(cells)
            text = "\n".join(lines)
        elif kind == 5:
            text = text.replace(
                *rng.choice(((",", ";"), (".", ","), ("\n", "\r\n"), (",", "\t"), ("g", "oz"), ("m", "ft")))
            )
        else:
            text = text[:at] + chr(rng.choice((rng.randrange(256), rng.randrange(0x110000 - 0x800)))) + text[at:]
    data = text.encode(rng.choice(("utf-8", "utf-8", "utf-8", "utf-16", "cp1252")), "replace")
    if rng.random() < 0.2:
        data = bytes(rng.randrange(256) if rng.random() < 0.003 else byte for byte in data)
    return data


def books():
    """A workbook of each kind as bytes."""
    test = read_sheet(io.StringIO(bases()[0]))
    with tempfile.TemporaryDirectory() as folder:
        write_sheet(test, f"{folder}/a.xlsx")
        found = [Path(folder, "a.xlsx").read_bytes()]
    rows = [line.split(",") for line in sheet_text(test).split("\n")]
    with contextlib.suppress(ImportError):
        import xlwt

        book, file = xlwt.Workbook(), io.BytesIO()
        sheet = book.add_sheet("tests")
        for at, row in enumerate(rows):
            for column, cell in enumerate(row):
                sheet.write(at, column, cell)
        book.save(file)
        found.append(file.getvalue())
    with contextlib.suppress(ImportError):
        import pandas as pd

        file = io.BytesIO()
        pd.DataFrame([row + [""] * (9 - len(row)) for row in rows]).to_excel(
            file, header=False, index=False, engine="odf"
        )
        found.append(file.getvalue())
    return found


STARTS = (b"", b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"%PDF-1.7\n", b"\x89PNG\r\n\x1a\n", b"{", b"<html>", b"\xff\xfe", b"\xfe\xff",
          b"\xef\xbb\xbf", b"spreadcheck tray sheet,1\n", b'"spreadcheck tray sheet";1\r\n', b"tray,offset\n")  # fmt: skip


def other(number, whole):
    """A file that is no sheet: noise behind the first bytes of some kind, or a workbook with bytes or parts changed."""
    rng = random.Random(f"file {number}")
    if rng.random() < 0.7:
        signs = rng.choice((bytes(range(256)), b"0123456789,;.\n", b'abc ,\n"<>&', b"\0"))
        return rng.choice(STARTS) + bytes(rng.choices(signs, k=int(10 ** rng.uniform(0, 3.6))))
    data = rng.choice(whole)
    if data[:2] == b"PK" and rng.random() < 0.7:
        return _part_changed(rng, data)
    cut = data[: rng.randrange(len(data))] if rng.random() < 0.3 else data
    changed = bytearray(cut)
    for _ in range(rng.randint(1, 20) if changed else 0):
        changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


def _part_changed(rng, data):
    file = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new:
        names = old.namelist()
        chosen = rng.choice(names)
        for name in names:
            content = old.read(name)
            if name == chosen:
                at, piece = (
                    rng.randrange(len(content) + 1),
                    rng.choice((b"<", b">", b'"', b"9", b"-", b"1e999", b"</c>", b"&x;", b"\xff")),
                )
                content = content[:at] + piece + content[at + rng.randrange(12) :]
            if name != chosen or rng.random() > 0.05:
                new.writestr(name, content)
    return file.getvalue()


def read_case(data, number):
    """A test that survives being written, or faults that each name place, problem and remedy; anything else is wrong."""
    start = time.process_time()
    try:
        test = read_sheet(io.BytesIO(data))
        if number % 20 == 0:
            with contextlib.suppress(SpreadcheckError):  # words that a sheet can't hold are refused when it is written
                assert read_sheet(io.StringIO(sheet_text(test))) == test, number
        found = "read"
    except SpreadcheckError as error:
        assert error.faults, number
        for fault in error.faults:
            assert fault.place, number
            assert fault.problem, number
            assert fault.remedy, number
            assert not hidden_in(str(fault)), number
        found = "refused"
    took = time.process_time() - start
    assert took < LONGEST_S, (number, took)
    return found, took


# --- kills -----------------------------------------------------------------------------------------------------------


def kill_case(number, folder):
    """A recording that is killed at a random moment: every weight that was confirmed is in the sheet, nothing is half."""
    from spreadcheck.cli import main
    from spreadcheck.crew.lock import lock_sheet
    from spreadcheck.sheet.traytest import tray_test

    rng = random.Random(f"kill {number}")
    path = Path(folder, f"field{number}{'.xlsx' if number % 2 else '.csv'}")
    nan = np.full((12, 1), np.nan)
    write_sheet(tray_test(np.arange(12) - 5.5, nan, tray_width="0.5 m", tray_length="0.5 m"), path)
    typed, said = os.pipe(), os.pipe()
    child = os.fork()
    if child == 0:
        os.dup2(typed[0], 0)
        os.dup2(said[1], 1)
        for handle in (*typed, *said):
            os.close(handle)
        sys.stdin, sys.stdout = open(0, encoding="utf-8"), open(1, "w", encoding="utf-8")  # noqa: SIM115
        try:
            main(["record", str(path)])
        finally:
            os._exit(0)
    os.close(typed[0])
    os.close(said[1])
    os.write(typed[1], b"".join(b"%d.5\n" % tray for tray in range(10, 22)))
    heard, after = b"", rng.randrange(12)
    while heard.count(b".5 g\n") < after:
        heard += os.read(said[0], 4096)
    time.sleep(rng.uniform(0, 0.05 if number % 2 else 0.01))  # a save takes about that long
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with open(said[0], "rb") as rest:
        confirmed = len(re.findall(rb", pass 1: \d+\.5 g", heard + rest.read()))
    os.close(typed[1])
    left = [name for name in os.listdir(folder) if name.startswith(f".{path.name}.") and name.endswith(".recording")]
    weights = read_sheet(path).catch[:, 0]
    in_sheet = int((~np.isnan(weights)).sum())
    assert weights[:in_sheet].tolist() == [10.5 + tray for tray in range(in_sheet)], number
    assert in_sheet >= confirmed, (number, in_sheet, confirmed)
    with lock_sheet(path):  # the next recording is let in and clears what the dead one left
        pass
    assert not [name for name in os.listdir(folder) if name.startswith(f".{path.name}.")], number
    path.unlink()
    return "while weighing" if 0 < confirmed < 12 else "before or after", bool(left)


# --- hostile words ---------------------------------------------------------------------------------------------------

HOSTILE = (
    "<script>{hook}</script>", "<img src=x onerror={hook}>", "\"><svg onload={hook}>", "' onmouseover='{hook}' x='", "</title><script>{hook}</script>",
    "</script><script>{hook}</script>", "<!--<script>{hook}//-->", "javascript:{hook}", "<a href=javascript:{hook}>x</a>", "]]><script>{hook}</script>",
    "<iframe srcdoc='<script>parent.{hook}</script>'>", "</style><script>{hook}</script>", "{{{{constructor.constructor('{hook}')()}}}}",
    "<body onload={hook}>", "<style>@import 'http://example.invalid/x'</style>", "<meta http-equiv=refresh content=0;url=data:text/html,x>",
    "\\u003cscript\\u003e{hook}\\u003c/script\\u003e", "`;{hook};`", "';{hook};'", "\";{hook};\"", "<svg><script>{hook}</script></svg>",
    "<math><mi//xlink:href='data:x,<script>{hook}</script>'>", "<input autofocus onfocus={hook}>", "<details open ontoggle={hook}>",
    "#panic() #eval(\"{hook}\")", "$ \\frac{{1}}{{0}} $ {hook}", "=cmd|' /C {hook}'!A0", "@SUM({hook})", "\x1b]0;{hook}\x07\x1b[2J", "\u202e{hook}\u2066\u200b",
    "![x](javascript:{hook})", "[x](javascript:{hook})", "| {hook} | <script>{hook}</script> |", "&lt;script&gt;{hook}&lt;/script&gt;", "%3Cscript%3E{hook}%3C/script%3E",
)  # fmt: skip


def hostile(number):
    """A hostile text: one of the list, its case, place and neighbours varied by its number."""
    rng = random.Random(f"text {number}")
    text = HOSTILE[number % len(HOSTILE)].format(hook=f"window.hooked={number}")
    if rng.random() < 0.3:
        text = "".join(
            c.upper() if rng.random() < 0.5 and "hooked" not in text[max(0, i - 8) : i + 8] else c
            for i, c in enumerate(text)
        )
    return rng.choice(("", "x", '"', "'", ">", "\n", "\t", "北")) + text + rng.choice(("", "x", '"', "'", "<", "--"))


def text_block(first, count, folder):
    """Sheets whose words are hostile, through every output; pages and pictures are opened in a browser."""
    from dataclasses import replace

    from click.testing import CliRunner

    from spreadcheck.cli import main
    from spreadcheck.sheet.traytest import FormRow

    texts = [hostile(number) for number in range(first, first + count)]
    test = read_sheet(SAMPLES / "lopsided.csv")
    words = iter(texts * 2)
    given = {"test", "machine", "product", "place", "operator", "notes", "vanes", "drop point", "surface"}
    form = [row for row in test.form if row.label not in given]
    form += [FormRow(label, next(words)) for label in sorted(given)] + [FormRow(f"own {next(words)}", next(words))]
    trays = tuple(" ".join(f"{name} {next(words)}".split()) if at < 15 else name for at, name in enumerate(test.tray))
    notes = tuple(next(words, "") if at < 15 else "" for at, _ in enumerate(test.tray))
    sheet = Path(folder, f"sheet{first}.csv")
    write_sheet(replace(test, form=tuple(form), tray=trays, note=notes), sheet)
    made = {name: str(Path(folder, f"{first}-{name}")) for name in
            ("report.html", "report.pdf", "card.html", "card.md", "card.pdf", "plot.svg", "form.html", "form.pdf", "table.csv", "all.json")}  # fmt: skip
    run = CliRunner()
    asked = [
        ["analyse", str(sheet), "--advice", "--report", made["report.html"], "--report", made["report.pdf"], "--plot", made["plot.svg"],
         "--card", made["card.html"], "--csv", made["table.csv"], "--json", made["all.json"]],
        ["analyse", str(sheet), "--card", made["card.md"]],
        ["analyse", str(sheet), "--card", made["card.pdf"]],
        ["form", str(sheet), "--html", made["form.html"], "--pdf", made["form.pdf"]],
        ["batch", str(folder), "--workers", "1"],
        ["record", str(sheet)],
    ]  # fmt: skip
    for line in asked:
        done = run.invoke(main, line, input="show\nfinish\n")
        assert done.exit_code == 0, (first, line[0], done.output[-300:], done.exception)
        assert hidden_in(done.stdout + done.stderr) <= {"\n"}, (first, line)
    for name in ("card.md", "table.csv", "all.json"):
        assert hidden_in(Path(made[name]).read_text(encoding="utf-8")) <= {"\n"}, (first, name)
    escapes = {shown(sign) for sign in hidden_in("".join(texts)) - {"\n", "\t"}}
    for name in ("report.pdf", "card.pdf", "form.pdf"):
        data = Path(made[name]).read_bytes()
        assert not re.search(rb"/(JavaScript|JS|Launch|OpenAction|AA|URI)\b", data), (first, name)
        words = subprocess.run(["pdftotext", "-raw", made[name], "-"], capture_output=True, check=True).stdout.decode()
        words = words.replace("\u200b", "")  # where the template lets long words break
        assert hidden_in(words) <= {"\n", "\f"}, (first, name, hidden_in(words))
        assert name == "card.pdf" or missing(escapes, words) == set(), (first, name, missing(escapes, words))
    pages = [made[name] for name in ("report.html", "card.html", "form.html", "plot.svg")]
    for page in pages:
        assert hidden_in(Path(page).read_text(encoding="utf-8")) <= {"\n"}, (first, page)
    return pages, escapes


def missing(escapes, words):
    """The escapes that can't be read in a text, wherever its lines break."""
    whole = "".join(words.split())
    return {escape for escape in escapes if escape not in whole}


def browse(pages, escapes):
    """What pages do in a browser: how many were opened; none may run a word, ask for anything, leave or hide a sign."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu"):
        options.add_argument(word)
    browser = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": (
            "window.alert=window.confirm=window.prompt=()=>{window.hooked='dialog'};"
            "window.fetch=()=>{window.hooked='fetch'};"
        )})  # fmt: skip
        for page in pages:
            address = Path(page).as_uri()
            browser.get(address)
            assert browser.execute_script("return window.hooked === undefined"), page
            words = browser.execute_script(
                "const r = document.body || document.documentElement; return r.innerText || r.textContent"
            )
            assert hidden_in(words) <= {"\n", "\t"}, (page, hidden_in(words))
            assert "report" not in Path(page).name or missing(escapes, words) == set(), (page, missing(escapes, words))
            assert browser.current_url == address, page
            # whatever waits for an event is set off by hand
            browser.execute_script(
                "for (const e of document.querySelectorAll('*')) for (const n of ['mouseover','focus','toggle','error','load'])"
                " e.dispatchEvent(new Event(n))"
            )
            assert browser.execute_script("return window.hooked === undefined"), page
            loaded = browser.execute_script("return performance.getEntriesByType('resource').map(e => e.name)")
            assert not [name for name in loaded if not name.startswith(("data:", "blob:"))], (page, loaded)
    finally:
        browser.quit()
    return len(pages)


# --- the parts, block by block ---------------------------------------------------------------------------------------


def run_block(part, first, count):
    """The counts of one block."""
    counts = {}

    def add(name, value=1):
        counts[name] = counts.get(name, 0) + value

    if part in ("sheets", "files"):
        source = bases() if part == "sheets" else books()
        for number in range(first, first + count):
            data = mutated(number, source) if part == "sheets" else other(number, source)
            found, took = read_case(data, number)
            add(found)
            counts["longest_s"] = max(counts.get("longest_s", 0.0), round(took, 3))
    elif part == "kills":
        with tempfile.TemporaryDirectory() as folder:
            for number in range(first, first + count):
                when, left = kill_case(number, folder)
                add(when)
                add("with a temporary file left, then cleared", int(left))
    else:
        with tempfile.TemporaryDirectory() as folder:
            add("pages opened", browse(*text_block(first, count, folder)))
    return counts


def main(part, wanted):
    """Go on with a part until as many cases are done."""
    kept = json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {}
    done = kept.setdefault(part, {"cases": 0})
    if part == "kills":  # all that a recording imports, so that a child starts at once
        subprocess.run([sys.executable, "-c", "pass"], check=True)
        import spreadcheck.cli.record
        import spreadcheck.show.record  # noqa: F401
    while done["cases"] < wanted:
        count = min(BLOCK[part], wanted - done["cases"])
        for name, value in run_block(part, done["cases"], count).items():
            done[name] = max(done.get(name, 0.0), value) if name == "longest_s" else done.get(name, 0) + value
        done["cases"] += count
        others = json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {}
        KEPT.write_text(json.dumps(others | {part: done}, indent=1) + "\n", encoding="utf-8")
    print(part, done)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
