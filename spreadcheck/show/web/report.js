// The page: a slider for the bout width, the driving method, the figures and the picture that follow.

const PROFILE = profileFrom(DATA);
const PARTS = DATA.parts.map((part) => ({ profile: profileFrom(part), share: part.share })); // of a blend: they decide
const BACK = "back-and-forth";
// Not so narrow that hundreds of passes overlap: with thousands of trays the slider would no longer answer at once.
const LOW = Math.min(DATA.width, Math.max(2 * PROFILE.reach / 200, Math.min(2 * PROFILE.spacing, DATA.narrowest)));
const HIGH = DATA.widest;
const [HERE, THERE] = DATA.lengths; // the unit system of the report, and the one in brackets
const state = { width: DATA.width, method: DATA.method, figures: null };

// Numbers as the rest of the report rounds them

function trimmed(number, digits) { return number.toFixed(digits).replace(/\.?0+$/, ""); }

function lengthText(metres) {
  const there = `${(metres / THERE.worth).toFixed(1)} ${THERE.unit}`;
  return `${trimmed(metres / HERE.worth, 2)} ${HERE.unit} (${there})`;
}

function rateText(rate) {
  const [here, there] = DATA.rates;
  const said = `${(rate / here.worth).toFixed(1)} ${here.unit}`;
  return there ? `${said} (${(rate / there.worth).toFixed(1)} ${there.unit})` : said;
}

function percentText(value, digits) { return Number.isNaN(value) ? "-" : `${value.toFixed(digits)} %`; }

// The CV that is judged: of the pattern, or of the worst part of a blend.
function judgedCv() {
  const { width, method } = state;
  if (!PARTS.length) return state.figures.cv;
  const cvs = PARTS.map(({ profile, share }) => share * cvOnAverage(cvByLine(piecesOf(profile, width, method === BACK)), width, profile.spacing));
  return Math.max(...cvs);
}

function verdict() {
  const cv = judgedCv();
  if (DATA.blocking.length) return `Can't be judged. What blocks it: ${DATA.blocking.join(", ")}.`;
  const start = `At ${lengthText(state.width)}, driven ${state.method}:`;
  if (Number.isNaN(cv)) return `${start} can't be judged, fewer than two trays lie in one bout.`;
  const within = cv <= DATA.limit;
  return `${start} ${within ? "even enough" : "NOT even enough"}, CV ${percentText(cv, 1)}, ${within ? "within" : "over"} the limit of ${DATA.limit} %.`;
}

// Going to a width or a method

function go(width, method) {
  state.width = width;
  state.method = method;
  state.figures = figuresAt(PROFILE, width, method === BACK);
  refuse("");
  show();
}

function refuse(text) {
  at("refused").textContent = text;
  at("typed").setAttribute("aria-invalid", String(text !== ""));
}

let speaking = 0;

function show() {
  const { figures } = state;
  at("slider").value = state.width / HERE.worth;
  at("slider").setAttribute("aria-valuetext", lengthText(state.width));
  if (document.activeElement !== at("typed")) at("typed").value = trimmed(state.width / HERE.worth, 2);
  for (const radio of document.querySelectorAll("input[name=method]")) radio.checked = radio.value === state.method;
  at("verdict").textContent = verdict();
  at("now-cv").textContent = percentText(judgedCv(), 1);
  const spacings = state.width / PROFILE.spacing; // between whole ones CV by trays jumps each time a tray enters the bout
  at("now-cv-trays").textContent = percentText(Math.abs(spacings - Math.round(spacings)) <= 1e-3 ? figures.cvTrays : NaN, 1);
  at("now-cv-line").textContent = percentText(figures.cvLine, 1);
  for (const name of ["mean", "least", "most"]) at(`now-${name}`).textContent = rateText(figures[name]);
  at("now-within-10").textContent = percentText(figures.within10, 0);
  at("now-within-20").textContent = percentText(figures.within20, 0);
  draw();
  // A screen reader is told once the slider rests, rather than at every step of it.
  clearTimeout(speaking);
  speaking = setTimeout(() => { at("spoken").textContent = `${verdict()} Mean ${rateText(figures.mean)}.`; }, 300);
}

// The picture: three bouts of the overlapped deposit, and the three passes that make most of it

const VIEW = { left: 46, right: 474, top: 34, bottom: 252 };
// A step of 1, 2 or 5 times a power of ten that divides a span into at most so many parts.
function niceStep(span, parts) {
  const power = 10 ** Math.floor(Math.log10(span / parts));
  return power * [1, 2, 5, 10].find((step) => span / (power * step) <= parts);
}

// The pieces of bout -1, 0 or 1; back-and-forth, the bouts beside this one are its mirror image.
function boutPoints(pieces, number) {
  const { width, method } = state;
  const points = pieces.flatMap((p) => [[p.start, p.left], [p.start + p.length, p.right]]);
  if (method === BACK && number !== 0) return points.map(([x, y]) => [number * width - x, y]).reverse();
  return points.map(([x, y]) => [number * width + x, y]);
}

function pathOf(points, toX, toY) {
  return `M${points.map(([x, y]) => `${toX(x).toFixed(2)} ${toY(y).toFixed(2)}`).join("L")}`;
}

function draw() {
  const { width, method, figures } = state;
  const half = 1.5 * width, highest = 1.12 * figures.most;
  const toX = (x) => VIEW.left + (x + half) / (2 * half) * (VIEW.right - VIEW.left);
  const toY = (y) => VIEW.bottom - y / highest * (VIEW.bottom - VIEW.top);
  const line = [-1, 0, 1].flatMap((number) => boutPoints(figures.pieces, number));
  const top = pathOf(line, toX, toY);
  at("deposit").setAttribute("d", top);
  at("under").setAttribute("d", `${top}L${VIEW.right} ${VIEW.bottom}L${VIEW.left} ${VIEW.bottom}Z`);
  at("mean").setAttribute("d", `M${VIEW.left} ${toY(figures.mean)}H${VIEW.right}`);
  for (const number of [-1, 0, 1]) {
    const turned = method === BACK && number !== 0 ? -1 : 1;
    const knots = PROFILE.x.map((x, i) => [number * width + turned * x, PROFILE.y[i]]);
    const ends = PROFILE.cut ? [[knots[0][0], 0], ...knots, [knots[knots.length - 1][0], 0]] : knots;
    at(`pass${number}`).setAttribute("d", pathOf(ends, toX, toY));
    at(`way${number}`).textContent = turned < 0 ? "\u2193" : "\u2191";
  }
  at("edges").setAttribute("d", [-0.5, 0.5].map((edge) => `M${toX(edge * width)} ${VIEW.top}V${VIEW.bottom}`).join(""));
  drawScales(half, highest, toX, toY);
  at("picture-words").textContent = `${verdict()} Least ${rateText(figures.least)}, most ${rateText(figures.most)}.`;
}

function drawScales(half, highest, toX, toY) {
  const marks = [];
  const across = niceStep(2 * half / HERE.worth, 6), up = niceStep(highest / DATA.rates[0].worth, 5);
  for (let x = Math.ceil(-half / HERE.worth / across) * across; x <= half / HERE.worth + 1e-9; x += across) {
    marks.push(shape("text", { x: toX(x * HERE.worth), y: VIEW.bottom + 18, "text-anchor": "middle" }, trimmed(x, 2).replace("-", "\u2212")));
  }
  for (let y = 0; y <= highest / DATA.rates[0].worth; y += up) {
    const height = toY(y * DATA.rates[0].worth);
    marks.push(shape("text", { x: VIEW.left - 5, y: height + 4, "text-anchor": "end" }, trimmed(y, 4)));
    marks.push(shape("path", { d: `M${VIEW.left} ${height}H${VIEW.right}`, class: "rule" }));
  }
  at("scales").replaceChildren(...marks);
}

// Wiring

function prepare() {
  const slider = at("slider"), typed = at("typed");
  // whole steps inside the range; a width between them can be typed
  slider.min = trimmed(Math.ceil(LOW / HERE.worth / HERE.step - 1e-9) * HERE.step, 6);
  slider.max = trimmed(Math.floor(HIGH / HERE.worth / HERE.step + 1e-9) * HERE.step, 6);
  slider.step = HERE.step;
  slider.addEventListener("input", () => go(Number(slider.value) * HERE.worth, state.method));
  typed.addEventListener("input", () => {
    const width = numberOf(typed.value) * HERE.worth;
    const usable = width >= LOW * (1 - 1e-9) && width <= HIGH * (1 + 1e-9);
    if (usable) go(width, state.method); else refuse(`Type a width from ${lengthText(LOW)} to ${lengthText(HIGH)}.`);
  });
  typed.addEventListener("blur", () => { refuse(""); show(); });
  for (const radio of document.querySelectorAll("input[name=method]")) {
    radio.addEventListener("change", () => go(state.width, radio.value));
  }
  for (const button of document.querySelectorAll("button[data-width]")) {
    button.addEventListener("click", () => go(Number(button.dataset.width), button.dataset.method));
  }
  at("try").hidden = false;
  go(state.width, state.method);
}

prepare();
