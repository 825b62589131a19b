const SHEET = DATA;
// The rules of the sheet: numbers, catches, form rows, doubts, and the text of the sheet. Nothing here touches the page.

// The shortest text that reads back as the same number, written as the tray sheet writes it: 3, 10.2, 1e-06.
function numberText(number) {
  if (number === 0) return "0";
  const size = Math.abs(number);
  if (size >= 1e-4 && size < 1e16) return String(number);
  const [digits, power] = number.toExponential().split("e");
  return `${digits}e${power[0]}${power.slice(1).padStart(2, "0")}`;
}

// Text as one cell keeps it: no line ends or other control characters, nothing before or after.
function oneLine(text) {
  return text.replace(/[\u0000-\u001f\u007f-\u009f\u2028\u2029]+/g, " ").trim();
}

// What was typed for a tray -> { cell } or { fault }; a negative weight is { negative }.
function catchOf(text, column) {
  if (text.trim().toLowerCase() === "x") return { cell: "x" };
  const number = numberOf(text);
  if (number === null) return { fault: `"${text.trim()}" is not a weight; type digits, or press Blank or x` };
  if (number < 0) return { negative: numberText(number) };
  const inside = number * column.factor;
  if (inside > 0 && inside < SHEET.lowest || inside > SHEET.highest) {
    return { fault: `${text.trim()} ${column.unit} can't be right for one tray; check the number` };
  }
  return { cell: numberText(number) };
}

function weightIn(cells, row, column) {
  const cell = row in cells ? cells[row][column] : null;
  return cell === null || cell === "" || cell === "x" ? null : numberOf(cell);
}

// The weights to hold a new one against: the nearest tray on each side, and the same tray in the other passes.
function neighbours(cells, row, column) {
  const found = [];
  for (const step of [-1, 1]) {
    let at = row + step;
    while (at in cells && weightIn(cells, at, column) === null) at += step;
    if (at in cells) found.push(weightIn(cells, at, column));
  }
  SHEET.columns.forEach((other, at) => {
    const weight = weightIn(cells, row, at);
    if (at !== column && other.component === SHEET.columns[column].component && weight !== null) found.push(weight);
  });
  return found;
}

// A question where a weight is ten times, or a tenth of, everything beside it; "" where there is no doubt.
function doubtOf(cells, row, column, cell) {
  const beside = neighbours(cells, row, column);
  const weight = numberOf(cell);
  if (cell === "x" || !beside.length) return "";
  const low = Math.min(...beside), high = Math.max(...beside);
  const shown = `the trays beside it and its other passes have ${low === high ? numberText(low) : `${numberText(low)} to ${numberText(high)}`}`;
  if (high > 0 && weight >= SHEET.doubt * high) return `${cell} is ${SHEET.doubt} times as much or more: ${shown}. Is it right?`;
  if (beside.length > 1 && weight > 0 && weight * SHEET.doubt <= low) return `${cell} is a tenth or less: ${shown}. Is it right?`;
  return "";
}

// A row of the form as typed -> { value } as the sheet keeps it, or { fault }. An empty value is allowed unless required.
function detailOf(label, text, unit) {
  const value = oneLine(text);
  if (!value) return label.required ? { fault: "this row can't be empty" } : { value: "" };
  if (label.kind === "text" || label.kind === "date" && isDate(value)) return { value };
  if (label.kind === "date") return { fault: "write year-month-day, such as 2026-04-14" };
  if (label.kind === "choice") return label.choices.includes(value.toLowerCase()) ? { value } : { fault: "choose one" };
  if (label.kind === "passes") return passesOf(value);
  return quantityOf(label, value, unit);
}

function isDate(text) {
  if (!/^\d{4}-\d\d-\d\d$/.test(text)) return false;
  const date = new Date(`${text}T00:00:00Z`);
  return !Number.isNaN(date.getTime()) && date.toISOString().startsWith(text) && !text.startsWith("0000");
}

function passesOf(value) {
  const parts = value.split(/[;,\s]+/).filter(Boolean);
  const right = parts.every((part) => /^[1-9]\d{0,3}$/.test(part) && SHEET.columns.some((c) => c.pass === Number(part)));
  return right ? { value: parts.join("; ") } : { fault: "write pass numbers of this sheet, such as 2; 4" };
}

function quantityOf(label, value, unit) {
  const number = numberOf(value);
  if (number === null) return { fault: `"${value}" is not a number` };
  if (label.kind === "count" && !Number.isInteger(number)) return { fault: "write a whole number" };
  const [factor, shift] = label.units[unit] || [1, 0];
  const inside = number * factor + shift;
  const past = label.high === null ? false : inside > label.high;
  if (inside < label.low || past) {
    return { fault: `it must be ${label.high === null ? "at least" : "from"} ${label.low}${label.high === null ? "" : ` to ${label.high}`} ${label.inside}`.trim() };
  }
  return { value: numberText(number) };
}

function csvCell(cell) {
  return /[",\r\n]/.test(cell) ? `"${cell.replace(/"/g, '""')}"` : cell;
}

function csvRow(cells) {
  return `${cells.map(csvCell).join(",")}\n`;
}

// The whole tray sheet, byte for byte as the program writes it.
function sheetText(state) {
  const noted = state.notes.some((note) => note !== "");
  const note = (text) => (noted ? [text] : []);
  const rows = [SHEET.title, ...state.form.map(withoutEmptyEnd), []];
  const head = [
    ["tray", "offset", ...SHEET.columns.map((c) => c.name), ...note("note")],
    ["", SHEET.offsetUnit, ...SHEET.columns.map((c) => c.unit), ...note("")],
  ];
  const trays = SHEET.trays.map((tray, at) => [
    tray.name, tray.offset, ...state.cells[at].map((cell) => (cell === null ? "" : cell)), ...note(state.notes[at]),
  ]);
  return [...rows, ...head, ...trays].map(csvRow).join("");
}

function withoutEmptyEnd(cells) {
  const kept = [...cells];
  while (kept.length && kept[kept.length - 1] === "") kept.pop();
  return kept;
}
