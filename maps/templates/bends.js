// Fluids with a thermostat: two straight lines, of which the higher counts, and what a band of cars makes of them.

// A fluid whose thermostat is wide open in hotter air: it goes by the higher of two straight lines, of which the second
// passes `gap` below the forecast.
function bendAt(channel, place) {
  const gap = channel.gap.length ? mixed(channel.gap, place) : 0;
  return gap > teaching.rules.bends ? { gap, of: (a, b) => higher(a, b - gap) - higher(0, -gap) } : null;
}

function higher(a, b) {
  const { soft } = teaching.rules;
  return Math.max(a, b) + soft * Math.log1p(Math.exp(-Math.abs(a - b) / soft));
}

// Share of a normal below x standard deviations (Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26; from
// memory), and its density.
function below(x) {
  const t = 1 / (1 + 0.3275911 * Math.abs(x) / Math.SQRT2);
  const tail = 0.5 * t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))) * Math.exp(-0.5 * x * x);
  return x > 0 ? 1 - tail : tail;
}
const density = (x) => 0.3989422804014327 * Math.exp(-0.5 * x * x);

// Mean, slope and leftover variance of the higher of two normals (Clark, Operations Research 9, 1961; from memory).
function bentLine({ slope, bend }, mean, spread) {
  const { gap, hot, of } = bend, a = dot(slope, mean), b = dot(hot, mean) - gap, heard = through(spread, slope), hotHeard = through(spread, hot);
  const [va, vb, both] = [dot(slope, heard), dot(hot, hotHeard), dot(slope, hotHeard)], apart = Math.sqrt(Math.max(va + vb - 2 * both, 1e-9));
  const share = below((a - b) / apart), peak = apart * density((a - b) / apart), expected = a * share + b * (1 - share) + peak;
  const whole = (a * a + va) * share + (b * b + vb) * (1 - share) + (a + b) * peak - expected ** 2, mix = slope.map((one, k) => share * one + (1 - share) * hot[k]);
  const shift = of(a, b + gap), first = higher(0, -gap);
  return { sway: a, shift, curved: expected - first - shift, slope: mix, bend: 0, plain: slope, heard, rough: Math.max(whole - dot(mix, through(spread, mix)), 0) };
}

// The same where two lines cross: where each lies for the car as learnt, and how unsure both are.
function bentAt(known, c, node, { slope, rest, bend, own, mute }) {
  const { hot } = bend, n = teaching.unknowns - 1, { stands } = known, point = teaching.nodes[node], channel = teaching.fluids[c];
  const before = [rest + dot(slope, slope), bend.rest + dot(hot, hot), bend.both + dot(slope, hot)];
  const made = { bend, a: 0, b: 0, before, after: before, own, ownAfter: own, off: 0 };
  if (mute) return made;
  const hotHeard = through(known.spread, hot);
  Object.assign(made, { a: dot(slope, known.mean), b: dot(hot, known.mean), ownAfter: own * known.share[c] ** 2 });
  made.after = [rest + dot(slope, through(known.spread, slope)), bend.rest + dot(hot, hotHeard), bend.both + dot(slope, hotHeard)];
  const since = stands && stands.day === track.day[point] ? track.minutes[point] - stands.minute : -1;
  if (since < 0) return made;
  const left = Math.exp(-since / channel.lag_min), gone = 2 * left - left ** 2, [cars, hots] = [slope.slice(0, n), hot.slice(0, n)];
  made.off = stands.off[c] * left;
  const [va, vb, both] = [[cars, cars], [hots, hots], [cars, hots]].map(([x, y], i) => made.after[i] - gone * stands.sure(x, y));
  made.after = [Math.max(va, 0), Math.max(vb, 0), both];
  return made;
}

const STEPS = Array.from({ length: 21 }, (_, i) => 0.3 * (i - 10)), ACROSS = [[-Math.sqrt(3), 1 / 6], [0, 2 / 3], [Math.sqrt(3), 1 / 6]];
const EACH = STEPS.map((x) => density(x) / sum(STEPS.map(density)));

// How far the upper edge lies above what is expected, of the higher of two lines with its own error.
function bentWidth(c, node, bend, [a, b], [va, vb, both], own, shift) {
  const along = Math.sqrt(Math.max(vb, 1e-9)), slope = both / along, across = Math.sqrt(Math.max(va - slope ** 2, 0)), middle = bend.of(a, b), some = [];
  let [mean, square] = [0, 0];
  STEPS.forEach((x, i) => ACROSS.forEach(([y, share]) => {
    const to = bend.of(a + slope * x + across * y, b + along * x) - middle, weight = EACH[i] * share, error = own * grownAt(c, node, shift + to);
    some.push([to, weight, Math.sqrt(Math.max(error, 0.01))]);
    mean += weight * to;
    square += weight * (to * to + error);
  }));
  const sd = Math.sqrt(Math.max(square - mean ** 2, 1e-6)), share = below(teaching.rules.upper);
  let edge = mean + teaching.rules.upper * sd;
  for (let round = 0; round < 5; round++) {
    let [under, steep] = [-share, 0];
    for (const [to, weight, error] of some) { const x = (edge - to) / error; under += weight * below(x); steep += weight * density(x) / error; }
    edge -= Math.min(Math.max(under / Math.max(steep, 1e-6), -sd), sd);
  }
  return Math.max(edge, 0);
}

const bentWidths = new Map();                     // of the plan's car, in the plan's air and in each hotter one

function plannedWidths(c, node, one) {
  const key = c * teaching.nodes.length + node;
  if (!bentWidths.has(key)) {
    const widths = [null, ...teaching.rules.hotter].map((name) => {
      const moves = name ? linesMoved(c, node, { group: "air", change: name, share: 1 }) : [0, 0], shift = name ? teaching.changes[name].moves[c][node] : 0;
      return bentWidth(c, node, one.bend, moves, one.before, one.own, shift);
    });
    bentWidths.set(key, { width: widths[0], hot: widths.slice(1).map((wide) => (widths[0] > 0 && wide > 0 ? wide / widths[0] : 1)) });
  }
  return bentWidths.get(key);
}

const MOST_STEEPER = 3;

// What a change does to both lines: hotter air by the slopes to it, anything else as hotter air that would do the same.
function linesMoved(c, node, { group, change, share }) {
  const { slopes, hot_slopes: hots } = teaching.fluids[c], n = teaching.unknowns - 1, one = teaching.changes[change], a = slopes[n][node], b = hots[n][node];
  if (group === "air" || group === "late") {
    const air = share * one.air[node] / teaching.day_sd[track.day[teaching.nodes[node]]];
    return [air * a, air * b];
  }
  const move = share * one.moves[c][node];
  return [move, move * Math.min(Math.max(b / a, 1) || 1, MOST_STEEPER)];
}

// What changes do to both lines together, and what each would have done alone.
function linesChanged(c, node, switches) {
  const bend = bendAt(teaching.fluids[c], [node, node, 0]), made = { a: 0, b: 0, apart: 0 };
  if (!bend) return made;
  for (const one of switches) {
    const [a, b] = linesMoved(c, node, one);
    made.a += a;
    made.b += b;
    made.apart += bend.of(a, b);
  }
  return made;
}

// How much more changes do to the car as learnt, all at once, than each alone to the plan's.
function together({ bend, a, b }, lines) {
  return bend ? bend.of(a + lines.a, b + lines.b) - bend.of(a, b) - lines.apart : 0;
}

// Beyond the air in which the second line was tried, with a car as far from its class as was tried.
function bentBeyond(c, node, one, b) {
  const { hot_air: air, curve_at: at } = teaching.rules, day = track.day[teaching.nodes[node]];
  return b > air / teaching.day_sd[day] * teaching.fluids[c].hot_slopes[teaching.unknowns - 1][node] + at[1] * Math.sqrt(one.before[1]);
}
