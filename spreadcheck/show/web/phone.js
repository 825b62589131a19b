// The page: one tray at a time, the picture, the list of trays, the details, and saving.

let { state, trouble } = recall();
let saved = true; // whether everything entered so far is in storage or in a saved file

function say(text) { at("said").textContent = text; }

// A gentle question in the page; the first answer is the safe one and gets the focus.
function ask(text, answers) {
  at("asked").textContent = text;
  at("answers").replaceChildren(...answers.map(([label, act]) => {
    const button = make("button", label, { type: "button" });
    button.addEventListener("click", () => { closeQuestion(); act(); });
    return button;
  }));
  at("question").hidden = false;
  at("answers").firstChild.focus();
}

function closeQuestion() { at("question").hidden = true; }

function store() {
  saved = keep(state);
  at("kept").textContent = saved
    ? "Kept in this browser after every entry."
    : "This browser keeps nothing (private window, storage blocked or full). Do not close or reload this page before you have saved the sheet.";
  at("kept").classList.toggle("warning", !saved);
}

// Going somewhere, and taking an entry

function go(row, column) {
  state.row = row;
  state.column = column;
  closeQuestion();
  say("");
  store();
  showAll();
  at("weight").focus({ preventScroll: true });
  at("weight").select();
}

function enter(cell) {
  state.cells[state.row][state.column] = cell;
  const next = nextPlace(state);
  go(next ? next.row : state.row, next ? next.column : state.column);
  if (missing() === 0) say("Every tray is entered. Save the sheet.");
}

// Before going elsewhere: what is typed and not entered is never dropped in silence.
function leave(then) {
  const typed = at("weight").value.trim();
  if (!typed || typed === state.cells[state.row][state.column]) { then(); return; }
  ask(`${typed} is typed for ${SHEET.trays[state.row].name} and not entered yet.`, [["Stay", retype], ["Drop it", then]]);
}

function retype() {
  at("weight").focus();
  at("weight").select();
}

function take() {
  const typed = at("weight").value;
  const before = state.cells[state.row][state.column];
  closeQuestion();
  if (!typed.trim()) {
    if (before === "") enter(""); else say("Nothing typed: press Blank if this tray was not weighed, x if it is thrown out.");
    return;
  }
  const { cell, fault, negative } = catchOf(typed, SHEET.columns[state.column]);
  if (fault) { say(fault); retype(); return; }
  say("");
  if (negative) {
    ask(`${negative} is below nothing. Was the weight of the empty tray taken off twice? A sheet holds no negative catch.`,
      [["Correct it", retype], ["Keep it as x", () => enter("x")], ["Enter 0", () => enter("0")]]);
    return;
  }
  const doubt = cell === before ? "" : doubtOf(state.cells, state.row, state.column, cell);
  if (doubt) ask(doubt, [["Correct it", retype], [`Keep ${cell}`, () => enter(cell)]]); else enter(cell);
}

function back() {
  const row = state.row - state.step;
  if (row in SHEET.trays) { go(row, state.column); return; }
  const column = state.column - 1;
  if (column >= 0) go(state.step > 0 ? SHEET.trays.length - 1 : 0, column); else say("This is the first tray.");
}

function missing() {
  return SHEET.columns.reduce((sum, _, column) => sum + SHEET.trays.length - entered(state, column), 0);
}

// Showing

function showAll() {
  showHead();
  showEntry();
  drawPicture();
  showTrays();
}

function showHead() {
  const all = SHEET.trays.length * SHEET.columns.length;
  const done = all - missing();
  at("bar").max = all;
  at("bar").value = done;
  at("progress").textContent = `${done} of ${all} entered`;
  [...at("pass").options].forEach((option, column) => {
    option.textContent = `${SHEET.columns[column].name} (${entered(state, column)} of ${SHEET.trays.length})`;
  });
  at("pass").value = String(state.column);
}

function showEntry() {
  const tray = SHEET.trays[state.row], column = SHEET.columns[state.column];
  at("tray").textContent = visible(tray.name);
  at("place").textContent = `${tray.place}, ${column.name}`;
  at("way").textContent = column.reversed ? "This pass was driven the other way; the trays keep their names." : "";
  at("unit").textContent = column.unit;
  const cell = state.cells[state.row][state.column];
  at("weight").value = cell === null ? "" : cell;
  at("weight").placeholder = cell === "" ? "blank" : "";
  at("note").value = state.notes[state.row];
  showOrder();
}

function showOrder() {
  at("order").replaceChildren("Order", make("small", state.step > 0 ? "from the left" : "from the right"));
  at("order").setAttribute("aria-pressed", String(state.step < 0));
}

function cellShown(cell) { return cell === null ? "\u00b7" : cell === "" ? "blank" : cell; }

function showTrays() {
  const buttons = at("trays").children;
  SHEET.trays.forEach((tray, row) => {
    const button = buttons[row];
    button.lastChild.textContent = cellShown(state.cells[row][state.column]) + (state.notes[row] ? " *" : "");
    button.setAttribute("aria-current", String(row === state.row));
  });
}

// The picture: a bar a tray in this pass, a line for the mean of the other passes, a pointer below this tray

function drawPicture() {
  const heights = SHEET.trays.map((_, row) => weightIn(state.cells, row, state.column));
  const others = SHEET.trays.map((_, row) => othersMean(row));
  const top = Math.max(...heights, ...others, 0) || 1;
  const first = SHEET.trays[0].at, last = SHEET.trays[SHEET.trays.length - 1].at;
  const span = last - first || 1;
  const closest = Math.min(...SHEET.trays.slice(1).map((tray, i) => tray.at - SHEET.trays[i].at), span);
  const wide = Math.max(Math.min(closest / span * 540 * 0.7, 40), 1.5);
  const x = (row) => 30 + (SHEET.trays[row].at - first) / span * 540;
  const y = (weight) => 180 - weight / top * 145;
  const drawn = [shape("line", { class: "axis", x1: 0, x2: 600, y1: 180, y2: 180 })];
  SHEET.trays.forEach((_, row) => {
    const middle = x(row), cell = state.cells[row][state.column];
    if (heights[row] !== null) drawn.push(shape("rect", { class: "bar", x: middle - wide / 2, width: wide, y: y(heights[row]), height: 180 - y(heights[row]) }));
    if (cell === "x") drawn.push(shape("text", { x: middle, y: 174, "text-anchor": "middle" }, "x"));
    if (others[row] !== null) {
      const line = { x1: middle - wide * 0.65, x2: middle + wide * 0.65, y1: y(others[row]), y2: y(others[row]) };
      drawn.push(shape("line", { class: "halo", ...line }), shape("line", { class: "others", ...line }));
    }
  });
  const here = x(state.row);
  drawn.push(shape("polygon", { class: "here", points: `${here},184 ${here - 9},200 ${here + 9},200` }));
  drawn.push(shape("text", { x: 0, y: 224 }, "LEFT"), shape("text", { x: 600, y: 224, "text-anchor": "end" }, "RIGHT"));
  if (heights.some((weight) => weight !== null)) {
    drawn.push(shape("text", { x: 0, y: 20 }, `highest ${numberText(Math.max(...heights))} ${SHEET.columns[state.column].unit}`));
  }
  at("picture").replaceChildren(...drawn);
  at("picture").setAttribute("aria-label", `Catches of ${SHEET.columns[state.column].name}, left to right as seen when driving`);
  at("legend").textContent = `Bars: ${SHEET.columns[state.column].name}.`
    + (others.some((mean) => mean !== null) ? " Lines: mean of the other passes." : "") + " Pointer: this tray.";
}

function othersMean(row) {
  const own = SHEET.columns[state.column];
  const weights = SHEET.columns
    .map((column, at) => (at !== state.column && column.component === own.component ? weightIn(state.cells, row, at) : null))
    .filter((weight) => weight !== null);
  return weights.length ? weights.reduce((sum, weight) => sum + weight, 0) / weights.length : null;
}

// The details of the form

function rowOf(label) {
  const plain = (text) => text.toLowerCase().split(/\s+/).filter(Boolean).join(" ");
  return state.form.find((row) => plain(row[0]) === plain(label));
}

// Rows that the sheet has keep their place; new ones follow them in the order in which the form asks for them.
function setDetail(label, value, unit) {
  const row = rowOf(label.name);
  if (row) { row[1] = value; row[2] = unit; } else state.form.push([label.name, value, unit]);
  const own = state.form.slice(0, SHEET.form.length);
  const added = state.form.slice(SHEET.form.length).filter((more) => more[1] !== "");
  const order = SHEET.labels.map((known) => known.name);
  added.sort((one, other) => order.indexOf(one[0]) - order.indexOf(other[0]));
  state.form = [...own, ...added];
  store();
}

function detailField(label, number) {
  const [, value, unit] = rowOf(label.name) || [label.name, "", label.unit];
  const id = `detail-${number}`;
  const input = label.kind === "choice" ? choice(["", ...label.choices], value.toLowerCase()) : make("input", undefined, { maxlength: "500", autocomplete: "off" });
  const numeric = !["text", "choice", "date", "passes"].includes(label.kind);
  if (label.kind === "date" && /^(\d{4}-\d\d-\d\d)?$/.test(value)) input.type = "date"; else if (numeric && label.low >= 0) input.inputMode = "decimal";
  input.value = label.kind === "choice" ? value.toLowerCase() : value;
  input.id = id;
  const units = Object.keys(label.units);
  const proposed = unit || label.unit;
  const unitField = units.length > 1 ? choice(units, proposed, "unit") : make("span", proposed, { class: "unit" });
  const fault = make("span", "", { class: "fault", role: "alert" });
  const chosen = () => (units.length > 1 ? unitField.value : proposed);
  let before = [value, unit]; // what stood here last that was right: half of a number is never left behind
  const put = (final) => {
    const read = detailOf(label, input.value, chosen());
    if (read.fault === undefined) setDetail(label, read.value, rowOf(label.name) || read.value ? chosen() : "");
    else setDetail(label, ...before);
    if (final && read.fault === undefined) before = [read.value, chosen()];
    fault.textContent = read.fault && final ? `Not taken: ${read.fault}.` : "";
    if (label.name === "test") showName();
  };
  for (const field of [input, unitField]) {
    field.addEventListener("input", () => put(false));
    field.addEventListener("change", () => put(true));
  }
  const line = make("span", undefined, { class: "row" });
  line.append(input, ...(proposed ? [unitField] : []));
  const field = make("p");
  field.append(make("label", label.name, { for: id }), line, fault);
  return field;
}

function choice(options, chosen, name = "") {
  const select = make("select", undefined, name ? { class: name, "aria-label": name } : {});
  select.append(...options.map((option) => make("option", option, { value: option })));
  select.value = chosen;
  return select;
}

function showName() {
  const row = rowOf("test");
  at("name").textContent = visible(row && row[1] ? row[1] : SHEET.name);
  document.title = at("name").textContent;
}

// Saving

function save() {
  const left = missing();
  if (left) ask(`${left} cells are not entered; the sheet will have them blank. Save it so?`, [["Go on entering", retype], ["Save it so", download]]);
  else download();
}

function download() {
  const file = new Blob([sheetText(state)], { type: "text/csv" });
  const link = make("a", undefined, { href: URL.createObjectURL(file), download: SHEET.file });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  at("saved").textContent = `Handed to the browser as ${SHEET.file} (${file.size} bytes): look for it among the downloads. If it is not there, copy the sheet as text, below.`;
  fillText();
}

function fillText() { at("text").value = sheetText(state); }

function startOver() {
  ask("Everything entered on this phone for this test will be gone. Is the sheet saved?", [["Keep it", retype], ["Forget it", () => {
    forget();
    state = freshState();
    build();
    go(0, 0);
  }]]);
}

// Putting the page together

function build() {
  at("pass").replaceChildren(...SHEET.columns.map((_, column) => make("option", "", { value: String(column) })));
  at("trays").replaceChildren(...SHEET.trays.map((tray, row) => {
    const button = make("button", tray.name, { type: "button" });
    button.append(make("small", ""));
    button.addEventListener("click", () => leave(() => { go(row, state.column); at("where").scrollIntoView({ block: "center" }); }));
    return button;
  }));
  at("details").replaceChildren(...SHEET.labels.map(detailField));
  at("cautions").replaceChildren(...SHEET.cautions.map((caution) => make("li", caution)));
  at("judge").textContent = `spreadcheck analyse ${SHEET.file}`;
  showName();
}

function listen() {
  at("entry").addEventListener("submit", (event) => { event.preventDefault(); take(); });
  at("blank").addEventListener("click", () => enter(""));
  at("out").addEventListener("click", () => enter("x"));
  at("back").addEventListener("click", () => leave(back));
  at("order").addEventListener("click", () => { state.step = -state.step; store(); showOrder(); });
  at("pass").addEventListener("change", () => {
    const column = Number(at("pass").value);
    const row = firstMissing(state, column);
    at("pass").value = String(state.column); // until it is clear that one may leave
    leave(() => go(row === null ? 0 : row, column));
  });
  at("note").addEventListener("input", () => { state.notes[state.row] = oneLine(at("note").value); store(); showTrays(); });
  at("note").addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); retype(); } });
  at("save").addEventListener("click", () => leave(() => { showEntry(); save(); }));
  at("forget").addEventListener("click", startOver);
  at("as-text").addEventListener("toggle", fillText);
  window.addEventListener("beforeunload", (event) => { if (!saved) event.preventDefault(); });
  window.addEventListener("storage", (event) => {
    if (event.key !== KEY) return;
    ({ state } = recall());
    build();
    showAll();
    say("This form is open twice: what was entered on the other page was taken over. Close one of them.");
  });
}

build();
listen();
store();
showAll();
if (trouble) say(trouble);
