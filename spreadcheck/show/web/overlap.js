// What the field gets at any bout width: the formulas of the analysis once more, in the page. Nothing here touches the page.
// All in m, kg/ha and %. "taper": beyond the end trays the profile runs to zero over the last spacing; "cut": it stops.

const SAME_PLACE = 1e-6; // of the smallest tray spacing: offsets closer than this are one place
const ROUNDING = 1e-11; // of the lengths at hand: kinks closer than this are one kink

function profileFrom({ offset, rate, tails }) {
  const last = offset.length - 1;
  let spacing = Infinity, widest = 0;
  for (let i = 0; i < last; i += 1) {
    const gap = offset[i + 1] - offset[i];
    spacing = Math.min(spacing, gap);
    widest = Math.max(widest, gap);
  }
  const cut = tails === "cut";
  const x = cut ? offset : [2 * offset[0] - offset[1], ...offset, 2 * offset[last] - offset[last - 1]];
  const y = cut ? rate : [0, ...rate, 0];
  let area = 0;
  for (let i = 0; i + 1 < x.length; i += 1) area += (y[i] + y[i + 1]) * (x[i + 1] - x[i]) / 2;
  return {
    x, y, cut, spacing, area,
    slack: cut ? SAME_PLACE * spacing : 0, // an end tray counts, whatever rounding does
    reach: Math.max(Math.abs(x[0]), Math.abs(x[x.length - 1])),
    anchor: widest - spacing <= SAME_PLACE * spacing || onOneLine(offset, spacing) ? offset[0] : 0,
  };
}

// Whether trays stand on an even line with gaps.
function onOneLine(offset, spacing) {
  return offset.every((at) => {
    const steps = (at - offset[0]) / spacing;
    return Math.abs(steps - Math.round(steps)) <= SAME_PLACE * offset.length;
  });
}

// What one pass leaves at a distance from its own centre line, right positive as that pass sees it.
function onePass({ x, y, slack }, away) {
  let low = 0, high = x.length - 1;
  if (away < x[0] - slack || away > x[high] + slack) return 0;
  if (away <= x[0]) return y[0];
  if (away >= x[high]) return y[high];
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (x[middle] <= away) low = middle; else high = middle;
  }
  return y[low] + (away - x[low]) / (x[high] - x[low]) * (y[high] - y[low]);
}

// The sum of all passes at a point; back-and-forth, every second pass is mirrored.
function depositAt(profile, at, width, back) {
  const reach = profile.reach * (1 + SAME_PLACE);
  const first = Math.ceil((at - reach) / width);
  const last = Math.max(Math.floor((at + reach) / width), first);
  let sum = 0;
  for (let pass = first; pass <= last; pass += 1) {
    const away = at - pass * width;
    sum += onePass(profile, back && pass % 2 !== 0 ? -away : away);
  }
  return sum;
}

// The kinks of the deposit in one bout, in order and with both edges: every knot of the profile folds to one of them.
function kinksOf(profile, width, back) {
  const period = back ? 2 * width : width;
  const folded = profile.x.map((knot) => {
    const at = (knot / period - Math.round(knot / period)) * period;
    return back && Math.abs(at) > width / 2 ? Math.sign(at) * width - at : at;
  });
  folded.push(-width / 2, width / 2);
  folded.sort((a, b) => a - b);
  const closest = ROUNDING * (width + profile.reach);
  return folded.filter((at, i) => i === 0 || at - folded[i - 1] > closest);
}

// The deposit over one bout as linear pieces, steps between them kept.
function piecesOf(profile, width, back) {
  const kinks = kinksOf(profile, width, back);
  const at = (x) => depositAt(profile, x, width, back);
  const values = profile.cut ? null : kinks.map(at);
  return kinks.slice(1).map((end, i) => {
    const start = kinks[i], length = end - start;
    if (values) return { start, length, left: values[i], right: values[i + 1] };
    // a step may stand on a kink, so look a quarter inside and extend the straight line to both ends
    const near = at(start + 0.25 * length), far = at(start + 0.75 * length);
    return { start, length, left: Math.max(1.5 * near - 0.5 * far, 0), right: Math.max(1.5 * far - 0.5 * near, 0) };
  });
}

function meanOf(pieces) {
  let area = 0, length = 0;
  for (const p of pieces) { area += p.length * (p.left + p.right) / 2; length += p.length; }
  return { mean: area / length, length };
}

// CV by line: the exact integral over the pieces; NaN where nothing fell.
function cvByLine(pieces) {
  const { mean, length } = meanOf(pieces);
  if (!(mean > 0)) return NaN;
  let squares = 0;
  for (const p of pieces) {
    const a = p.left / mean - 1, b = p.right / mean - 1;
    squares += p.length * (a * a + a * b + b * b) / 3;
  }
  return 100 * Math.sqrt(squares / length);
}

// Share of the bout whose deposit lies within so many % of its mean.
function shareWithin(pieces, percent) {
  const { mean, length } = meanOf(pieces);
  const low = 1 - percent / 100, high = 1 + percent / 100;
  let inside = 0;
  for (const p of pieces) {
    const bottom = Math.min(p.left, p.right) / mean, top = Math.max(p.left, p.right) / mean, rise = top - bottom;
    if (rise <= 1e-12) inside += bottom >= low - 1e-9 && top <= high + 1e-9 ? p.length : 0;
    else inside += p.length * Math.max(Math.min(top, high) - Math.max(bottom, low), 0) / rise;
  }
  return 100 * inside / length;
}

// CV by trays, with n - 1: the line of tray offsets inside one bout, an offset on its edge counts half.
function cvByTrays(profile, width, back) {
  const { spacing, anchor } = profile, half = width / 2;
  const first = Math.ceil((-half - anchor) / spacing - SAME_PLACE);
  const last = Math.max(Math.floor((half - anchor) / spacing + SAME_PLACE), first);
  const values = [], weights = [];
  let n = 0, sum = 0;
  for (let step = first; step <= last; step += 1) {
    const at = anchor + step * spacing;
    const weight = Math.abs(Math.abs(at) - half) <= SAME_PLACE * spacing ? 0.5 : 1;
    const value = depositAt(profile, at, width, back);
    values.push(value);
    weights.push(weight);
    n += weight;
    sum += weight * value;
  }
  const mean = sum / n;
  if (!(n > 2 - 1e-9 && mean > 0)) return NaN;
  const squares = values.reduce((total, value, i) => total + weights[i] * (value / mean - 1) ** 2, 0);
  return 100 * Math.sqrt(squares / (n - 1));
}

// What trays read on average over where the line happens to lie, the CV that is judged; NaN for fewer than two trays.
function cvOnAverage(cvLine, width, spacing) {
  const n = width / spacing;
  return n > 2 - 1e-9 ? cvLine * Math.sqrt(n / (n - 1)) : NaN;
}

// Everything the page shows at one bout width.
function figuresAt(profile, width, back) {
  const pieces = piecesOf(profile, width, back);
  let least = Infinity, most = 0;
  for (const p of pieces) {
    least = Math.min(least, p.left, p.right);
    most = Math.max(most, p.left, p.right);
  }
  return {
    pieces,
    cv: cvOnAverage(cvByLine(pieces), width, profile.spacing),
    cvTrays: cvByTrays(profile, width, back),
    cvLine: cvByLine(pieces),
    mean: profile.area / width,
    least,
    most,
    within10: shareWithin(pieces, 10),
    within20: shareWithin(pieces, 20),
  };
}
