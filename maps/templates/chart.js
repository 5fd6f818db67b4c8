// A profile: temperatures over the height of the road, limits and lines named where they run, and the cursor.

const LEFT = 62, RIGHT = 10, TOP = 8, GAP = 20, AXIS = 22, JOINED_PX = 16, HATCH = 9;
const HEIGHTS = { phone: [145, 62], desk: [230, 96], paper: [108, 48] };
const PAGE_STEP = 20, NEAR = 4;

function niceTicks(low, high, about) {
  const raw = (high - low) / about || 1, power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 2.5, 5, 10].map((m) => m * power).find((s) => s >= raw);
  const ticks = [];
  for (let k = Math.ceil(low / step); k * step <= high + step * 1e-9; k++) ticks.push(k * step);
  return ticks;
}

// What is drawn: from `first` to `last`, the series in `shown`.
function profilePicture(first, last, shown, width, heights) {
  const lines = track.series.map((one, index) => ({ ...one, index, className: `series-${index % 8}` })).filter((one) => shown.has(one.index));
  const units = [...new Set(lines.map((one) => one.unit))];
  const panels = units.map((unit) => ({ unit, height: heights[0], lines: lines.filter((one) => one.unit === unit) }));
  panels.push({ unit: scene.elevation_unit, height: heights[1], area: true,
    lines: [{ values: track.elevation, className: "elevation", dash: "" }] });
  const view = { first, last };
  let top = TOP;
  for (const panel of panels) {
    panel.top = top;
    panel.bottom = top + panel.height;
    top = panel.bottom + GAP;
    scalePanel(panel, view);
  }
  const bottom = panels[panels.length - 1].bottom, height = bottom + AXIS;
  const root = svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" });
  const low = track.distance[first], span = track.distance[last] - low || 1;
  const x = (i) => LEFT + ((track.distance[i] - low) / span) * (width - LEFT - RIGHT);
  const room = makeRoom([LEFT, 0, width, height]);
  drawAxis(root, panels, low, span, width);
  drawParts(root, panels, view, x, room);
  for (const panel of panels) drawPanel(root, panel, view, x, width);
  for (const panel of panels) if (!panel.area) nameLines(root, panel, view, x, width, room);
  nameGrades(root, panels[panels.length - 1], view, x, room);
  const cursor = svg("g", { class: "chart-cursor" }, root);
  return { root, x, panels, low, span, width, cursor, bottom };
}

function makeProfile(host, name, onPick) {
  const readout = element("p", "readout"), chart = element("div", "chart");
  const more = byId(host.id.replace("profile", "lines")), buttons = element("div", "series");
  chart.tabIndex = 0;
  chart.setAttribute("role", "slider");
  chart.setAttribute("aria-label", name);
  readout.setAttribute("aria-hidden", "true");     // the slider's own text says the same
  buttons.setAttribute("role", "group");
  buttons.setAttribute("aria-label", "Lines of the profile");
  more.append(element("summary", "", "Lines of the profile"), buttons, element("p", "note",
    `Hatched: a limit. Shaded, from the line up: ${scene.band_words}. Dark ground: a climb. Below the frame: still warming up.`));
  host.append(readout, chart);
  const shown = new Set();
  let first = 0, last = count - 1, at = 0, plot = null;

  function draw() {
    const width = Math.max(280, host.clientWidth);
    plot = profilePicture(first, last, shown, width, width < 560 ? HEIGHTS.phone : HEIGHTS.desk);
    chart.replaceChildren(plot.root);
    move(at);
  }
  function show(from, to, series) {
    [first, last] = [from, to];
    shown.clear();
    for (const index of series.length ? series : track.series.keys()) shown.add(index);
    [...buttons.children].forEach((button, index) => button.setAttribute("aria-pressed", String(shown.has(index))));
    chart.setAttribute("aria-valuemin", first);
    chart.setAttribute("aria-valuemax", last);
    at = Math.min(Math.max(at, first), last);
    draw();
  }
  function move(i) {
    at = i;
    const inside = i >= first && i <= last;
    readout.replaceChildren(...readoutOf(i, [...shown]));
    chart.setAttribute("aria-valuenow", Math.min(Math.max(i, first), last));
    chart.setAttribute("aria-valuetext", readout.textContent);
    if (!plot) return;
    plot.cursor.replaceChildren();
    if (!inside) return;
    svg("line", { x1: plot.x(i), x2: plot.x(i), y1: 0, y2: plot.bottom }, plot.cursor);
    for (const panel of plot.panels) for (const line of panel.lines) {
      if (line.values[i] !== null) svg("circle", { cx: plot.x(i), cy: panel.y(line.values[i]), r: 4.5, class: `dot ${line.className}` }, plot.cursor);
    }
  }
  function point(event) {
    const edge = chart.firstChild.getBoundingClientRect();
    const share = (event.clientX - edge.left - LEFT) / (plot.width - LEFT - RIGHT);
    const wanted = plot.low + Math.min(1, Math.max(0, share)) * plot.span;
    let low = first, high = last;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (track.distance[middle] < wanted) low = middle; else high = middle;
    }
    onPick(wanted - track.distance[low] < track.distance[high] - wanted ? low : high);
  }
  function keyed(event) {
    const steps = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: PAGE_STEP, PageDown: -PAGE_STEP };
    const wanted = event.key === "Home" ? first : event.key === "End" ? last : steps[event.key] ? at + steps[event.key] : null;
    if (wanted === null) return;
    event.preventDefault();
    onPick(Math.min(Math.max(wanted, first), last));
  }
  for (const kind of ["pointerdown", "pointermove", "click"]) chart.addEventListener(kind, point);
  chart.addEventListener("keydown", keyed);
  track.series.forEach((one, index) => buttons.appendChild(seriesButton(one, index, (pressed) => {
    if (pressed) shown.add(index); else shown.delete(index);
    draw();
  })));
  return { show, move, draw };
}

function seriesButton(one, index, onChange) {
  const button = element("button", `series-${index % 8}`);
  button.type = "button";
  const picture = svg("svg", { viewBox: "0 0 40 10", class: "swatch", "aria-hidden": "true" });
  svg("line", { x1: 0, x2: 40, y1: 5, y2: 5, class: "line", "stroke-dasharray": one.dash || "none" }, picture);
  button.append(picture, element("span", "", one.label));
  button.addEventListener("click", () => {
    const pressed = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(pressed));
    onChange(pressed);
  });
  return button;
}

// The point in words: where, when, how high, and the lines shown.
function readoutOf(i, order) {
  const where = element("b", "", `${far(i)}, ${track.clock[i]}, ${plain(track.elevation[i])} ${scene.elevation_unit}`);
  const words = order.map((index) => {
    const one = track.series[index], known = (column) => column && column[i] !== null;
    if (!known(one.values)) return `${one.label} not known`;
    const more = [["up to", one.high], ["limit", one.limit]].filter(([, column]) => known(column));
    return [`${one.label} ${plain(one.values[i])}`, ...more.map(([word, column]) => `${word} ${plain(column[i])}`)].join(" ");
  });
  return [where, ` ${words.join("; ")}.`];
}

function scalePanel(panel, view) {
  let low = Infinity, high = -Infinity;
  for (const line of panel.lines) for (const column of [line.values, line.limit, line.low, line.high]) {
    for (let i = view.first; column && i <= view.last; i++) {
      if (column[i] === null) continue;
      low = Math.min(low, column[i]);
      high = Math.max(high, column[i]);
    }
  }
  if (low > high) { low = 0; high = 1; }
  if (!panel.area) low = Math.max(low, warmFrom(panel, view, low));
  const under = (high - low || 1) * 0.06, over = (high - low || 1) * (panel.area ? 0.3 : 0.1);
  [panel.min, panel.max] = [low - under, high + over];
  panel.y = (value) => Math.min(panel.bottom, panel.bottom - ((value - panel.min) / (panel.max - panel.min)) * panel.height);
}

// A profile begins where the fluids are warm: the tenth part of their values that is coldest lies below the frame.
function warmFrom(panel, view, low) {
  const known = panel.lines.filter((one) => one.limit).flatMap((one) => one.values.slice(view.first, view.last + 1)).filter((value) => value !== null);
  return known.length ? known.sort((a, b) => a - b)[Math.floor(known.length / 10)] : low;
}

function label(parent, text, x, y, anchor, className) {
  svg("text", { x, y, "text-anchor": anchor, class: className || "" }, parent).textContent = text;
}

function drawAxis(root, panels, low, span, width) {
  const last = panels[panels.length - 1], group = svg("g", { class: "axis" }, root);
  for (const tick of niceTicks(low, low + span, Math.max(2, Math.floor(width / 90)))) {
    const x = LEFT + ((tick - low) / span) * (width - LEFT - RIGHT);
    for (const panel of panels) svg("line", { x1: x, x2: x, y1: panel.top, y2: panel.bottom }, group);
    const words = `${plain(tick)} ${scene.distance_unit}`;
    label(group, words, Math.max(LEFT, Math.min(x, width - RIGHT - words.length * 3.4)), last.bottom + 16, "middle");
  }
}

const PART_WORDS = { unknown: "not known", thin: "thin", exceeded: "past its limit" };

// Parts of the way whose margin is not ample: a bar over the panel, wider and doubled as it gets worse, with its word.
function drawParts(root, panels, view, x, room) {
  const group = svg("g", {}, root), top = panels[0].top, bottom = panels[panels.length - 1].bottom;
  const named = [];
  for (const one of scene.stretches) {
    if (one.level === "ample" || one.end <= view.first || one.start >= view.last) continue;
    const from = x(Math.max(one.start, view.first)), wide = Math.max(3, x(Math.min(one.end, view.last)) - from);
    svg("rect", { x: from, y: top, width: wide, height: bottom - top, class: `part part-${one.level}` }, group);
    svg("rect", { x: from, y: top, width: wide, height: one.level === "exceeded" ? 7 : 4, class: `strip level-${one.level}` }, group);
    const before = named.findLast((other) => other.level === one.level);
    if (before && from - before.to < JOINED_PX && before.from - from < JOINED_PX) before.to = Math.max(before.to, from + wide);
    else named.push({ level: one.level, words: PART_WORDS[one.level], graver: Object.keys(PART_WORDS).indexOf(one.level), from, to: from + wide });
  }
  const under = panels[0].bottom + 15;
  for (const { words, from, to } of named.sort((a, b) => b.graver - a.graver || b.to - b.from - a.to + a.from)) {  // the gravest finds room first
    const half = widthOf(words) / 2;
    const middle = Math.max(LEFT + half, Math.min((from + to) / 2, x(view.last) - half));
    if (room.put([[middle - half, under - 11, middle + half, under + 3]]) >= 0) label(group, words, middle, under, "middle", "part-word");
  }
}

function drawPanel(root, panel, view, x, width) {
  const group = svg("g", {}, root), axis = svg("g", { class: "axis" }, group);
  const ticks = niceTicks(panel.min, panel.max, Math.max(2, panel.height / 42));
  ticks.forEach((tick, number) => {
    const y = panel.y(tick), unit = number === ticks.length - 1 ? ` ${panel.unit.slice(0, 2)}` : "";
    svg("line", { x1: LEFT, x2: width - RIGHT, y1: y, y2: y }, axis);
    label(axis, plain(tick) + unit, LEFT - 4, y + 4, "end");
  });
  for (const line of panel.lines) {
    if (line.low) {
      svg("path", { d: bandPath(line, panel, view, x), class: `band ${line.className}` }, group);
      svg("path", { d: columnPath(line.high, panel, view, x), class: `edge ${line.className}` }, group);
    }
    if (line.limit) {
      svg("path", { d: columnPath(line.limit, panel, view, x), class: `limit ${line.className}` }, group);
      svg("path", { d: hatchPath(line.limit, panel, view, x), class: `hatch ${line.className}` }, group);
    }
    const path = columnPath(line.values, panel, view, x);
    if (panel.area && path) {
      const closed = `${path}L${x(view.last).toFixed(1)} ${panel.bottom}L${x(view.first).toFixed(1)} ${panel.bottom}Z`;
      svg("path", { d: closed, class: "area" }, group);
      for (const grade of scene.grades) drawGrade(group, grade, panel, view, x);
    }
    svg("path", { d: path, class: `line ${line.className}`, "stroke-dasharray": line.dash || "none" }, group);
  }
}

function drawGrade(group, grade, panel, view, x) {
  if (grade.start < view.first || grade.end > view.last) return;
  const part = { first: grade.start, last: grade.end };
  const path = columnPath(track.elevation, panel, part, x);
  svg("path", { d: `${path}L${x(grade.end).toFixed(1)} ${panel.bottom}L${x(grade.start).toFixed(1)} ${panel.bottom}Z`, class: "climb" }, group);
}

// Limits and lines are named beside themselves, where no other line or name runs.
function nameLines(root, panel, view, x, width, room) {
  const group = svg("g", { class: "line-names" }, root);
  for (const line of panel.lines) for (const values of [line.values, line.limit]) {
    if (values) for (const one of columns(values, view, x)) if (one.column % 6 === 0) {
      const y = panel.y(values[one.first]);
      room.take([one.column - 2, y - 1, one.column + 2, y + 1]);
    }
  }
  const put = (words, className, at, value) => {
    const half = widthOf(words) / 2, y = panel.y(value), spots = [];
    for (const down of [-5, 13, -18, 26, -31, 39, 52, 65, -44, 78, -57, 91, -70, 104]) {
      if (y + down - 12 < panel.top - TOP || y + down + 2 > panel.bottom) continue;
      for (const place of [at, at - half, at + half, width - RIGHT - half, LEFT + half + 4, (LEFT + width) / 2]) {
        const middle = Math.min(Math.max(place, LEFT + half + 2), width - RIGHT - half);
        spots.push([middle - half, y + down - 10, middle + half, y + down + 3]);
      }
    }
    const found = room.put(spots);
    if (found >= 0) label(group, words, (spots[found][0] + spots[found][2]) / 2, spots[found][3] - 3, "middle", className);
    return found >= 0;
  };
  for (const line of panel.lines) {
    if (!line.limit || line.limit[view.last] === null) continue;
    const value = line.limit[view.last], name = line.label.toLowerCase();
    [`limit, ${name} ${plain(value)}`, `limit, ${name}`, "limit"].some((words) => put(words, line.className, width, value));
  }
  for (const line of panel.lines) {
    let top = -1;
    for (let i = view.first; i <= view.last; i++) if (line.values[i] !== null && (top < 0 || line.values[i] > line.values[top])) top = i;
    if (top < 0) continue;
    const upper = line.high ? `, up to ${plain(highestAbout(line.high, top))}` : "";
    const name = `${line.label.toLowerCase()} ${plain(line.values[top])}`;
    [`${name}${upper}`, name, line.label.toLowerCase()].some((words) => put(words, line.className, x(top), line.values[top]));
  }
}

// The upper edge about a point on its leg: it may be highest a point or two beside the highest expected one.
function highestAbout(high, at) {
  return Math.max(...high.filter((_, i) => Math.abs(i - at) <= NEAR && track.group[i] === track.group[at]));
}

function nameGrades(root, panel, view, x, room) {
  const group = svg("g", { class: "line-names" }, root);
  const inside = scene.grades.filter((one) => one.start >= view.first && one.end <= view.last)
    .sort((a, b) => track.elevation[b.end] - track.elevation[a.end]);
  for (const one of inside) {
    const words = `${one.title} ${plain(track.elevation[one.end])}`, half = widthOf(words) / 2;
    const middle = Math.min(Math.max(x(one.end), LEFT + half), LEFT + 1e6), y = panel.y(track.elevation[one.end]);
    const spots = [];
    for (const up of [2, 15, 28]) if (y - up - 13 >= panel.top - GAP) for (const at of [middle, x(one.end) - half, x(one.end) - half - 6]) spots.push([at - half, y - up - 13, at + half, y - up]);
    const found = room.put(spots);
    if (found >= 0) label(group, words, spots[found][0] + half, spots[found][3] - 3, "middle", "grade-word");
  }
}

// First, lowest, highest and last value of every pixel column, so that no peak is lost at any width.
function columns(values, view, x) {
  const made = [];
  let now = null;
  for (let i = view.first; i <= view.last; i++) {
    if (values[i] === null) { now = null; continue; }
    const column = Math.floor(x(i));
    if (!now || now.column !== column) {
      now = { column, joined: now !== null, first: i, low: i, high: i, last: i };
      made.push(now);
    }
    if (values[i] < values[now.low]) now.low = i;
    if (values[i] > values[now.high]) now.high = i;
    now.last = i;
  }
  return made;
}

function columnPath(values, panel, view, x) {
  let path = "";
  for (const one of columns(values, view, x)) {
    const order = [...new Set([one.first, one.low, one.high, one.last])].sort((a, b) => a - b);
    order.forEach((i, k) => {
      path += `${k === 0 && !one.joined ? "M" : "L"}${x(i).toFixed(1)} ${panel.y(values[i]).toFixed(1)}`;
    });
  }
  return path;
}

// Short strokes on the far side of a limit.
function hatchPath(values, panel, view, x) {
  let path = "", last = -Infinity;
  for (const one of columns(values, view, x)) {
    if (one.column < last + HATCH) continue;
    last = one.column;
    path += `M${x(one.first).toFixed(1)} ${panel.y(values[one.first]).toFixed(1)}l4 -5`;
  }
  return path;
}

function bandPath(line, panel, view, x) {
  const corner = (i, values) => `${x(i).toFixed(1)} ${panel.y(values[i]).toFixed(1)}`;
  const over = columns(line.high, view, x).map((one) => corner(one.high, line.high));
  const under = columns(line.low, view, x).map((one) => corner(one.low, line.low)).reverse();
  return over.length ? `M${[...over, ...under].join("L")}Z` : "";
}
