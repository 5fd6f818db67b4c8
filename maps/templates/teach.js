// What readings teach, as the program that made the page learns from them: unknowns as straight lines with a bend, the
// forecast's own error alike from reading to reading, a Kalman update taken again about what was found.

const teaching = scene.teaching ? unpackTeaching(scene.teaching) : null;

function unpackTeaching(packed) {
  const made = { ...packed, nodes: unpack(packed.nodes), slower: unpack(packed.slower_min), changes: {} };
  made.channels = packed.channels.map((one) => ({ ...one, slopes: one.slopes.map(unpack), along: unpack(one.along), curves: one.curves.map(unpack),
    hot_slopes: one.hot_slopes.map(unpack), gap: unpack(one.gap), wider: one.wider.map(unpack), error: unpack(one.error), varies: unpack(one.varies) }));
  for (const [key, one] of Object.entries(packed.changes)) made.changes[key] = { moves: one.moves.map(unpack), air: unpack(one.air) };
  made.peaks = packed.peaks.map(([leg, channel, node, edge, expected, upper, limit, lost, ...rise]) => ({ leg, channel, node, edge, expected, upper, limit, lost, rise }));
  made.fluids = made.channels.slice(0, -1);
  made.unknowns = made.fluids[0].slopes.length;
  return made;
}

// Nodes before and after a point of the track, and the share of the way from one to the other.
function between(i) {
  const { nodes } = teaching;
  let after = nodes.findIndex((node) => node >= i);
  if (after < 0) after = nodes.length - 1;
  if (nodes[after] === i || after === 0) return [after, after, 0];
  const [a, b] = [nodes[after - 1], nodes[after]], clock = track.minutes;
  const span = clock[b] - clock[a], share = span > 0 ? (clock[i] - clock[a]) / span : (i - a) / (b - a);
  return [after - 1, after, share];
}

const LEAST_SHARE = 0.5;                          // of all slopes, along the way the curve was tried; less is another direction

const mixed = (column, [a, b, share]) => (1 - share) * column[a] + share * column[b];
const sum = (values) => values.reduce((a, b) => a + b, 0);
const dot = (a, b) => { let total = 0; for (let i = 0; i < a.length; i++) total += a[i] * b[i]; return total; };
const through = (matrix, vector) => matrix.map((row) => dot(row, vector));

// Solves for several right sides at once; the matrix is symmetric and positive.
function cholesky(matrix) {
  const root = matrix.map((row) => row.map(() => 0));
  for (let i = 0; i < matrix.length; i++) {
    for (let j = 0; j <= i; j++) {
      let left = matrix[i][j];
      for (let k = 0; k < j; k++) left -= root[i][k] * root[j][k];
      root[i][j] = i === j ? Math.sqrt(Math.max(left, 1e-9)) : left / root[j][j];
    }
  }
  return root;
}

function solved(root, right) {
  const made = [...right], n = made.length;
  for (let i = 0; i < n; i++) { for (let k = 0; k < i; k++) made[i] -= root[i][k] * made[k]; made[i] /= root[i][i]; }
  for (let i = n - 1; i >= 0; i--) { for (let k = i + 1; k < n; k++) made[i] -= root[k][i] * made[k]; made[i] /= root[i][i]; }
  return made;
}

// Every number read, where it lies among the nodes.
function numbersOf(readings) {
  const found = [], rules = teaching.rules;
  readings.forEach((reading, row) => {
    const place = between(reading.point), late = reading.late || 0;
    const more = rules.late_per_h * Math.max(late - rules.late_min, 0) / 60;
    teaching.channels.forEach((channel, c) => {
      const read = reading.values[channel.key], isAir = c === teaching.fluids.length;
      if (!channel.key || read === undefined || (!isAir && reading.point === 0)) return;
      const series = base[channel.series].values[reading.point];
      if (series === null) return;
      found.push({ row, c, isAir, place, point: reading.point, read, zero: series, day: track.day[reading.point], minute: track.minutes[reading.point],
        own: channel.sd ** 2 + more ** 2 + (isAir ? 0 : mixed(channel.varies, place) ** 2), scale: isAir ? 0 : mixed(channel.error, place) });
    });
  });
  return found;
}

// Slopes of a series at a place on a day, by all unknowns: the car's, then the air of every day that was read.
function slopesAt(c, place, day, days) {
  const n = teaching.unknowns - 1, isAir = c === teaching.fluids.length, channel = teaching.channels[c];
  const slope = Array(n + days.length).fill(0), its = days.indexOf(day), last = isAir ? teaching.day_sd[day] : mixed(channel.slopes[n], place);
  if (!isAir) for (let k = 0; k < n; k++) slope[k] = mixed(channel.slopes[k], place);
  if (its >= 0) slope[n + its] = last;
  const bend = isAir ? null : bendAt(channel, place), free = its < 0;
  if (bend) {
    const hot = Array(n + days.length).fill(0), hotLast = mixed(channel.hot_slopes[n], place);
    for (let k = 0; k < n; k++) hot[k] = mixed(channel.hot_slopes[k], place);
    if (!free) hot[n + its] = hotLast;
    return { slope, rest: free ? last ** 2 : 0, curve: straight, bend: { ...bend, hot, rest: free ? hotLast ** 2 : 0, both: free ? last * hotLast : 0 } };
  }
  return { slope, rest: free ? last ** 2 : 0, curve: isAir ? straight : curveAt(channel, place, Math.hypot(...slope, free ? last : 0)) };
}

const straight = { of: (sway) => sway, slope: () => 1, bend: () => 0, beyond: () => false };

// What a series does when all its slopes add up to `sway`: a parabola near the plan, a straight line where it is hotter.
// Where what heats the fluid most elsewhere says little, it is straight.
function curveAt(channel, place, whole) {
  const along = mixed(channel.along, place), [low, high, far] = channel.curves.map((column) => mixed(column, place));
  const [, near, most] = teaching.rules.curve_at;
  if (!(along > LEAST_SHARE * whole)) return { ...straight, beyond: (sway) => sway > most * whole };
  const a = (high - low) / (2 * near), b = (high + low) / (2 * near ** 2), steep = (far - high) / (most - near);
  const more = (t) => (t > near ? high + steep * (t - near) : t < -near ? low : a * t + b * t * t);
  const turn = (t) => (t > near ? steep : t < -near ? 0 : a + 2 * b * t);
  const of = (sway) => sway + more(sway / along);
  return {
    of, slope: (sway) => Math.max(0.1, 1 + turn(sway / along) / along), bend: (sway) => (Math.abs(sway / along) > near ? 0 : 2 * b / along ** 2),
    beyond: (sway) => sway / along > most,
  };
}

// What a place makes of the unknowns: shift from the forecast, slope there, and what the curve adds.
function lineAt(place, mean, spread) {
  if (place.bend) return bentLine(place, mean, spread);
  const { slope, curve } = place;
  const sway = dot(slope, mean), steep = curve.slope(sway), bend = curve.bend(sway), heard = through(spread, slope);
  return { sway, shift: curve.of(sway), curved: 0.5 * bend * dot(slope, heard), slope: slope.map((one) => one * steep), bend, plain: slope, heard, rough: 0 };
}

// Errors of the readings that are not the car's: the forecast's own, alike from reading to reading, and each one's.
function errorsOf(numbers, share) {
  const [car, day, road, quick] = teaching.rules.alike;
  return numbers.map((a, i) => numbers.map((b, j) => {
    let made = i === j ? a.own : 0;
    if (a.c === b.c && !a.isAir) {
      const apart = Math.abs(a.minute - b.minute) / teaching.channels[a.c].lasting_min;
      const alike = car + (a.day === b.day ? day : 0) + road * Math.exp(-apart) + quick * Math.exp(-apart / teaching.rules.quick);
      made += alike * a.scale * b.scale * share[a.c] ** 2;
    }
    return made;
  }));
}

const plus = (a, b) => a.map((row, i) => row.map((value, j) => value + b[i][j]));
const part = (matrix, use) => use.map((i) => use.map((j) => matrix[i][j]));

function learnFrom(readings) {
  const numbers = numbersOf(readings), days = [...new Set(numbers.map((one) => one.day))], size = teaching.unknowns - 1 + days.length;
  const unit = Array.from({ length: size }, (_, i) => Array.from({ length: size }, (__, j) => (i === j ? 1 : 0)));
  const known = { days, mean: Array(size).fill(0), spread: unit, share: teaching.channels.map(() => 1), numbers };
  if (!numbers.length) return known;
  const places = numbers.map((one) => slopesAt(one.c, one.place, one.day, days));
  const linesOf = () => places.map((one) => lineAt(one, known.mean, known.spread));
  let lines = linesOf();
  const ownOf = (some) => some.map((a) => some.map((b) => 0.5 * a.bend * b.bend * dot(a.heard, b.plain) ** 2 + (a === b ? a.rough : 0)));
  const plain = plus(lines.map((a) => lines.map((b) => dot(a.slope, b.slope))), ownOf(lines));
  const whole = plus(plain, errorsOf(numbers, known.share));
  numbers.forEach((one, i) => {
    one.expected = one.zero + lines[i].shift + lines[i].curved;
    one.sd = Math.sqrt(whole[i][i]);
    one.believed = Math.abs(one.read - one.expected) <= teaching.rules.beyond * one.sd;
  });
  const use = numbers.flatMap((one, i) => (one.believed ? [i] : []));
  if (use.length) {
    weighError(known, numbers, use, plain);
    const error = errorsOf(numbers, known.share);
    for (let round = 0; round < 3; round++) {
      if (round) lines = linesOf();
      const h = use.map((i) => lines[i].slope), own = part(plus(ownOf(lines), error), use);
      const root = cholesky(plus(h.map((a) => h.map((b) => dot(a, b))), own));
      const left = use.map((i, n) => numbers[i].read - numbers[i].zero - lines[i].shift - lines[i].curved + dot(h[n], known.mean));
      const weights = solved(root, left), gains = h[0].map((_, k) => solved(root, h.map((row) => row[k])));
      known.mean = h[0].map((_, k) => dot(h.map((row) => row[k]), weights));
      known.spread = unit.map((row, k) => row.map((value, l) => value - dot(gains[k], h.map((one) => one[l]))));
    }
  }
  linesOf().forEach((line, i) => { numbers[i].after = numbers[i].zero + line.shift; });
  known.stands = standingOff(known);
  return known;
}

// How large the forecast's own error is on this car, channel by channel: the mean over what its readings leave likely.
function weighError(known, numbers, use, plain) {
  const { shares, middle, width } = teaching.rules;
  for (const c of new Set(use.map((i) => numbers[i].c))) {
    if (c === teaching.fluids.length) continue;
    const rows = use.filter((i) => numbers[i].c === c);
    const odds = shares.map((share) => {
      known.share[c] = share;
      const root = cholesky(part(plus(plain, errorsOf(numbers, known.share)), rows));
      const left = rows.map((i) => numbers[i].read - numbers[i].expected);
      const sign = 2 * sum(root.map((row, i) => Math.log(row[i]))) + dot(left, solved(root, left));
      return -0.5 * sign - 0.5 * (Math.log(share / middle) / width) ** 2;
    });
    const most = Math.max(...odds), weight = odds.map((one) => Math.exp(one - most));
    known.share[c] = Math.max(Math.sqrt(sum(weight.map((w, i) => w * shares[i] ** 2)) / sum(weight)), teaching.channels[c].stays);
  }
}

// How far each fluid stands off where the car as learnt would be, at the last place read on a day: a gauge also says how
// warm the car is there and then, to within its error and a moment's.
function standingOff(known) {
  const last = known.numbers.filter((one) => one.believed && !one.isAir).reduce((a, b) => (a && (a.day > b.day || (a.day === b.day && a.minute > b.minute)) ? a : b), null);
  if (!last) return null;
  const some = known.numbers.filter((one) => one.believed && !one.isAir && one.row === last.row), n = teaching.unknowns - 1;
  const lines = teaching.fluids.map((_, c) => lineAt(slopesAt(c, last.place, last.day, known.days), known.mean, known.spread).slope.slice(0, n));
  const cars = known.spread.slice(0, n).map((row) => row.slice(0, n));
  const alike = (a, b) => dot(lines[a], through(cars, lines[b]));
  const root = cholesky(some.map((a) => some.map((b) => alike(a.c, b.c) + (a === b ? teaching.channels[a.c].sd ** 2 + teaching.rules.moment ** 2 : 0))));
  const toFluids = (left) => { const weights = solved(root, left); return teaching.fluids.map((_, c) => dot(weights, some.map((one) => alike(c, one.c)))); };
  const heard = some.map((one) => through(cars, lines[one.c]));
  return { day: last.day, minute: last.minute, some, toFluids, off: toFluids(some.map((one) => one.read - one.after)),
    sure: (one, other) => dot(heard.map((row) => dot(row, one)), solved(root, heard.map((row) => dot(row, other)))) };
}

const EDGE_ROUNDS = 4;                           // towards the likeliest of all ways to come so high

// Where the slopes add up to `sway`, unsure by `spread` squared: how far the upper edge lies above what is expected, and
// whether it lies beyond what was computed.
function edgeOf(curve, sway, spread, own) {
  const z = teaching.rules.upper;
  let steep = curve.slope(sway), edge = sway, whole = 0;
  for (let round = 0; round < EDGE_ROUNDS; round++) {
    whole = Math.sqrt(steep ** 2 * spread + own);
    if (!(whole > 0)) return { width: 0, beyond: false };
    edge = sway + z * steep * spread / whole;
    steep = 0.5 * (steep + curve.slope(edge));
  }
  return { width: curve.of(edge) - curve.of(sway) + z * own / whole, beyond: curve.beyond(edge) };
}

// By channel and node what readings make of it: all slopes together, how unsure that is, before and after, and how far the
// last place read stands off.
function learntAt(known) {
  const n = teaching.unknowns - 1, { nodes } = teaching, mute = !known.numbers.some((one) => one.believed), { stands } = known;
  return teaching.fluids.map((channel, c) => nodes.map((point, node) => {
    const day = track.day[point], { slope, rest, curve, bend } = slopesAt(c, [node, node, 0], day, known.days), own = channel.error[node] ** 2;
    if (bend) return bentAt(known, c, node, { slope, rest, bend, own, mute });
    const before = rest + dot(slope, slope), made = { curve, sway: 0, before, after: before, own, ownAfter: own, off: 0, ...edgeOf(curve, 0, before, own) };
    made.hot = hotWidths(c, node, made);
    if (mute) return made;
    made.sway = dot(slope, known.mean);
    made.after = rest + dot(slope, through(known.spread, slope));
    made.ownAfter = own * known.share[c] ** 2;
    const since = stands && stands.day === day ? track.minutes[point] - stands.minute : -1;
    if (since < 0) return made;
    const left = Math.exp(-since / channel.lag_min);
    made.off = stands.off[c] * left;
    made.after = Math.max(made.after - (2 * left - left ** 2) * stands.sure(slope.slice(0, n), slope.slice(0, n)), 0);
    return made;
  }));
}

// How much larger the forecast's own error is where a fluid is moved from the plan, squared.
function grownAt(c, node, move) {
  const { grows_from: from, least, error, series } = teaching.fluids[c], planned = base[series].values[teaching.nodes[node]];
  if (planned === null || !(error[node] > 0)) return 1;
  const beyond = Math.sqrt(Math.max(error[node] ** 2 - least ** 2, 0)), grown = Math.max(beyond, teaching.rules.grows * (planned + move - from));
  return grown > beyond ? (error[node] ** 2 - beyond ** 2 + grown ** 2) / error[node] ** 2 : 1;
}

// The width that the curve gives in each hotter air that was computed, against the plan's.
function hotWidths(c, node, one) {
  return teaching.rules.hotter.map((key) => {
    const move = teaching.changes[key].moves[c][node], { width } = edgeOf(one.curve, 0, one.before, one.own * grownAt(c, node, move));
    return one.width > 0 && width > 0 ? width / one.width : 1;
  });
}

// What the curve leaves out of a width in hotter air: by how much it was computed to grow in each, over the curve's.
function widening(hot, node, air, grown) {
  return along(hot.map((ratio, k) => [teaching.changes[teaching.rules.hotter[k]].air[node], grown[k] / ratio]), air, 1);
}

// A line through the start and some points, level before it and after the last.
function along(points, x, start = 0) {
  let [from, low] = [0, start];
  for (const [to, high] of points) {
    if (x <= to) return x <= from ? low : low + (high - low) * (x - from) / (to - from);
    [from, low] = [to, high];
  }
  return low;
}

// The same with what switches add: shift from the plan, width of the band against the plan's, and whether it was tried.
function movedAt(learnt, changed, air) {
  return learnt.map((nodes, c) => nodes.map((one, node) => {
    const change = changed[c][node], { move, lines } = change, car = one.bend ? one.bend.of(one.a, one.b) : one.curve.of(one.sway);
    const read = car + one.off, shift = read + move + together(one, lines), { series, wider: more } = teaching.fluids[c], point = teaching.nodes[node];
    const still = one.bend ? !one.a && !one.b : !one.sway, same = still && !move && one.after === one.before && one.ownAfter === one.own;
    if (same) return { shift, read, ratio: 1, curved: 1, same, air: air[node], hot: [], beyond: false };
    const [a, b] = one.bend ? [one.a + lines.a, one.b + lines.b] : [], plan = one.bend ? plannedWidths(c, node, one) : one;
    const now = one.bend ? { width: bentWidth(c, node, one.bend, [a, b], one.after, one.ownAfter, shift), beyond: bentBeyond(c, node, one, b) }
      : edgeOf(one.curve, one.sway, one.after, one.ownAfter * grownAt(c, node, shift));
    const plain = base[series].high[point] - base[series].values[point], curved = plan.width > 0 ? now.width / plan.width : 1;
    const wider = plain > 0 ? widening(plan.hot, node, air[node], more.map((column) => Math.max(1 + column[node] / plain, 0))) : 1;
    return { shift, read, ratio: curved * wider, curved, same, air: air[node], hot: plan.hot, beyond: now.beyond };
  }));
}

// What switches add by channel and node, from a point of the track on, that day alone. What cools comes no sooner than
// the fluid can follow; a gauge read that day has seen what heats; what a slower grade does ends with the grade.
function changedAt(switches, here, grade, { learnt, known: { stands } }) {
  const { nodes, changes } = teaching, day = track.day[here], clock = track.minutes, start = grade && between(grade.start);
  const end = grade ? gradeEnd(grade) : -1, seen = stands && stands.day === day && clock[here] >= stands.minute;
  const lasting = switches.filter((one) => !one.grade), none = { move: 0, lines: { a: 0, b: 0, apart: 0 } };
  const all = (c) => nodes.map((_, node) => sum(lasting.map((one) => one.share * changes[one.change].moves[c][node])) + together(learnt[c][node], linesChanged(c, node, lasting)));
  const before = seen && lasting.length ? stands.toFluids(stands.some.map((one) => Math.max(0, mixed(all(one.c), one.place)))) : null;
  return teaching.fluids.map((channel, c) => nodes.map((point, node) => {
    if (!switches.length || point < here || track.day[point] !== day) return none;
    const late = before ? before[c] * Math.exp((stands.minute - clock[point]) / channel.lag_min) : 0, felt = switches.filter((one) => !one.grade || (grade && point >= grade.start && point <= end));
    const move = sum(felt.map((one) => {
      let its = one.share * changes[one.change].moves[c][node];
      if (one.grade) its -= mixed(changes[one.change].moves[c], start) * Math.exp((clock[grade.start] - clock[point]) / channel.lag_min);
      return its < 0 ? its * (1 - Math.exp((clock[here] - clock[point]) / channel.lag_min)) : its;
    })) - late;
    return { move, lines: linesChanged(c, node, felt) };
  }));
}

function movedWith(switches, here, grade) {
  const { learnt, known } = figures;
  return movedAt(learnt, changedAt(switches, here, grade, figures), airAt(known, switches, here));
}

function airAt(known, switches, here) {
  const n = teaching.unknowns - 1;
  return teaching.nodes.map((point, node) => {
    const day = track.day[point], its = known.days.indexOf(day), read = its < 0 ? 0 : known.mean[n + its] * teaching.day_sd[day];
    return point < here || day !== track.day[here] ? read : read + sum(switches.map((one) => one.share * teaching.changes[one.change].air[node]));
  });
}

// The gravest of what a margin is called; one that was not known, or moved further than was tried, is never ample.
// Of a day that is different the figures are estimates (docs/page-check.md): a margin is ample only from one and a quarter
// of the band.
const ESTIMATED = 1.25;
function levelOf(margin, lost, unsure, different) {
  if (margin < 0) return "exceeded";
  if (margin < teaching.band) return "thin";
  return unsure || margin - lost < teaching.band * (different ? ESTIMATED : 1) ? "unknown" : "ample";
}

// How much hotter than forecast a fluid may be beyond a point of the track, until a reading too hot to believe is checked.
function doubtAt(known, c, point) {
  return known.numbers.reduce((most, one) => (one.c === c && !one.believed && !one.isAir && point > one.point ? Math.max(most, one.read - one.expected) : most), 0);
}

// What may be lost over roads of unknown heights: of what lies behind a reading of that day the gauge has told.
function lostAt(known, { channel, leg, lost, node }) {
  const day = track.day[teaching.nodes[node]];
  const told = known.numbers.some((one) => {
    const at = track.group[one.point], first = scene.places.some((place) => place.point === one.point) ? at + 1 : at;
    return one.c === channel && one.believed && one.day === day && first <= leg && !teaching.blind.some((blind) => blind >= first && blind <= leg);
  });
  return told ? Math.min(lost, teaching.told[leg]) : lost;
}

// Every leg's smallest margin with what moved it: at the plan's own peak, or wherever on the leg it is smaller now. Readings
// that only confirm narrow what may be reached; no warning falls by that alone.
function movedPeaks(moved, known, different) {
  return teaching.peaks.map((peak) => {
    const { channel, limit } = peak, open = lostAt(known, peak), planned = levelOf(limit - peak.upper, open, false), lost = Math.max(open, doubtAt(known, channel, teaching.nodes[peak.node]));
    const { values, high } = base[teaching.channels[channel].series];
    const at = (node, was, ratio = moved[channel][node].ratio) => {
      const { shift, read, beyond } = moved[channel][node], expected = was.expected + shift, width = was.upper - was.expected;
      const held = read > -teaching.rules.note ? Math.max(ratio, 1) : ratio;
      return { expected, upper: expected + width * ratio, limit: was.limit, node, sure: expected + width * held, beyond };
    };
    const limits = track.series[teaching.channels[channel].series].limit;
    const others = legNodes(peak.leg).map((node) => { const i = teaching.nodes[node]; return at(node, { expected: values[i], upper: high[i], limit: limits[i] }); });
    const near = at(peak.node, peak), there = peakAt(peak), edge = at(there.edge, there, peakRatio(there, moved[channel][there.edge]));
    const least = (some, of) => some.reduce((a, b) => (b.limit - of(b) < a.limit - of(a) ? b : a));
    const worst = least([edge, ...others], (one) => one.upper), hottest = least([near, ...others], (one) => one.expected);
    const levels = [edge, worst].map((one) => levelOf(one.limit - one.sure, lost, one.beyond || planned === "unknown", different));
    return { ...peak, ...hottest, upper: Math.max(hottest.limit - worst.limit + worst.upper, hottest.expected), lost,
      level: LEVELS[Math.max(...levels.map((level) => LEVELS.indexOf(level)))] };
  });
}

// A peak where its upper edge comes nearest the limit.
function peakAt(peak) {
  const { series } = teaching.fluids[peak.channel], point = teaching.nodes[peak.edge], expected = base[series].values[point];
  if (expected === null) return { ...peak, edge: peak.node };
  const limit = track.series[series].limit[point];
  return { ...peak, expected, limit, upper: peak.upper + limit - peak.limit };
}

// The width of a leg's margin against the plan's, with what it was computed to be in hotter air.
function peakRatio({ channel, edge, expected, upper, rise }, { curved, same, air, hot }) {
  const width = upper - expected;
  if (same || !(width > 0)) return curved;
  return curved * widening(hot, edge, air, rise.map((value, k) => Math.max((width + value - teaching.changes[teaching.rules.hotter[k]].moves[channel][edge]) / width, 0)));
}

const nodesByLeg = new Map();

function legNodes(leg) {
  if (!nodesByLeg.size) {
    teaching.nodes.forEach((point, node) => {
      const its = track.group[point];
      if (base.some((one) => one.values[point] === null)) return;
      nodesByLeg.set(its, [...(nodesByLeg.get(its) || []), node]);
    });
  }
  return nodesByLeg.get(leg) || [];
}
