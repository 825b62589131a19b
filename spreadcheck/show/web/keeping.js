// What is entered, and keeping it in the browser's own storage after every entry.

const KEY = `spreadcheck entry form 1 ${SHEET.fingerprint}`;

function freshState() {
  const cells = SHEET.trays.map((tray) => tray.cells.map((cell) => (cell === "" ? null : cell)));
  return {
    cells, // a tray: null not entered yet, "" not weighed, "x" thrown out, or the catch
    notes: SHEET.trays.map((tray) => tray.note),
    form: SHEET.form.map((row) => [...row]),
    row: 0, column: 0, step: 1,
  };
}

// Whether what was kept still fits this sheet: storage may hold anything.
function fits(kept) {
  const text = (cell) => typeof cell === "string";
  const index = (at, length) => Number.isInteger(at) && at >= 0 && at < length;
  return Boolean(kept) && Array.isArray(kept.cells) && kept.cells.length === SHEET.trays.length
    && kept.cells.every((row) => Array.isArray(row) && row.length === SHEET.columns.length && row.every((c) => c === null || text(c)))
    && Array.isArray(kept.notes) && kept.notes.length === SHEET.trays.length && kept.notes.every(text)
    && Array.isArray(kept.form) && kept.form.every((row) => Array.isArray(row) && row.length === 3 && row.every(text))
    && index(kept.row, SHEET.trays.length) && index(kept.column, SHEET.columns.length) && Math.abs(kept.step) === 1;
}

// -> { state, trouble }: what was kept, or a fresh start and why.
function recall() {
  let kept = null;
  try {
    kept = localStorage.getItem(KEY);
  } catch (error) {
    return { state: freshState(), trouble: "" }; // keep() says that nothing can be kept
  }
  if (kept === null) return { state: freshState(), trouble: "" };
  try {
    const state = JSON.parse(kept);
    if (fits(state)) return { state, trouble: "" };
  } catch (error) {
    // told below
  }
  return { state: freshState(), trouble: "What this phone had kept of this test can't be read; the form starts from the sheet." };
}

// Put everything into storage and read it back; false where the browser refuses or forgets.
function keep(state) {
  const text = JSON.stringify(state);
  try {
    localStorage.setItem(KEY, text);
    return localStorage.getItem(KEY) === text;
  } catch (error) {
    return false;
  }
}

function forget() {
  try {
    localStorage.removeItem(KEY);
  } catch (error) {
    // nothing was kept
  }
}

function entered(state, column) {
  return state.cells.filter((row) => row[column] !== null).length;
}

// The next place to fill in, walking on from here: this pass first, then the next ones; null when all is entered.
function nextPlace(state) {
  const rows = SHEET.trays.length, columns = SHEET.columns.length;
  const on = state.row + state.step;
  if (on >= 0 && on < rows) return { row: on, column: state.column };
  for (let turn = 0; turn < columns; turn += 1) {
    const column = (state.column + turn) % columns;
    const row = firstMissing(state, column);
    if (row !== null) return { row, column };
  }
  return null;
}

function firstMissing(state, column) {
  const order = SHEET.trays.map((_, at) => at);
  if (state.step < 0) order.reverse();
  const row = order.find((at) => state.cells[at][column] === null);
  return row === undefined ? null : row;
}
