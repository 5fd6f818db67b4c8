// The chart: one panel for each unit, elevation below, levels as a strip, and the cursor.

const PANEL_HEIGHT = 190, ELEVATION_HEIGHT = 92, STRIP_HEIGHT = 10, GAP = 34, TOP = 42, LEFT = 50, RIGHT = 12, AXIS = 26;

function niceTicks(low, high, about) {
  const raw = (high - low) / about || 1, power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 2.5, 5, 10].map((m) => m * power).find((s) => s >= raw);
  const ticks = [];
  for (let k = Math.ceil(low / step); k * step <= high + step * 1e-9; k++) ticks.push(k * step);
  return ticks;
}

function makeChart(scene, track, host, onPick) {
  const hidden = new Set();
  let view = { first: 0, last: track.lat.length - 1 }, at = 0, plot = null;

  function draw(width) {
    const panels = layout(scene, track, view, hidden);
    const height = panels[panels.length - 1].bottom + STRIP_HEIGHT + AXIS;
    const root = svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img",
      "aria-label": "Chart of the lines named below over distance; the slider below reads it point by point" });
    const low = track.distance[view.first], span = track.distance[view.last] - low || 1;
    const x = (i) => LEFT + ((track.distance[i] - low) / span) * (width - LEFT - RIGHT);
    drawAxis(root, scene, panels, low, span, width);
    drawDays(root, scene, track, view, panels, x, width);
    for (const panel of panels) drawPanel(root, panel, view, x, width);
    drawStrip(root, scene, view, panels[panels.length - 1].bottom + 5, x);
    const cursor = svg("g", { class: "chart-cursor" }, root);
    plot = { x, panels, low, span, width, cursor, height };
    host.replaceChildren(root);
    root.addEventListener("pointerdown", point);
    root.addEventListener("click", point);
    root.addEventListener("pointermove", point);
    move(at);
  }
  function point(event) {
    const edge = host.firstChild.getBoundingClientRect();
    const share = (event.clientX - edge.left - LEFT) / (plot.width - LEFT - RIGHT);
    const wanted = plot.low + Math.min(1, Math.max(0, share)) * plot.span;
    let low = view.first, high = view.last;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (track.distance[middle] < wanted) low = middle; else high = middle;
    }
    onPick(wanted - track.distance[low] < track.distance[high] - wanted ? low : high, event.type === "click");
  }
  function move(i) {
    at = i;
    if (!plot) return;
    const x = plot.x(i);
    plot.cursor.replaceChildren();
    svg("line", { x1: x, x2: x, y1: TOP - 6, y2: plot.height - AXIS + 2 }, plot.cursor);
    for (const panel of plot.panels) for (const line of panel.lines) {
      const value = line.values[i];
      if (value === null) continue;
      svg("circle", { cx: x, cy: panel.y(value), r: 5, class: `dot ${line.className}` }, plot.cursor);
    }
  }
  return {
    draw, move,
    show(first, last) { view = { first, last }; },
    toggle(index) { if (!hidden.delete(index)) hidden.add(index); return !hidden.has(index); },
  };
}

function layout(scene, track, view, hidden) {
  const lines = track.series.map((one, index) => ({ ...one, index, className: `series-${index % 8}` }))
    .filter((one) => !hidden.has(one.index));
  const units = [...new Set(lines.map((one) => one.unit))];
  const panels = units.map((unit) => ({ unit, height: PANEL_HEIGHT, lines: lines.filter((one) => one.unit === unit) }));
  panels.push({ unit: scene.elevation_unit, title: "Elevation", height: ELEVATION_HEIGHT, area: true,
    lines: [{ values: track.elevation, className: "elevation", dash: "" }] });
  let top = TOP;
  for (const panel of panels) {
    panel.top = top;
    panel.bottom = top + panel.height;
    top = panel.bottom + GAP;
    scalePanel(panel, view);
  }
  return panels;
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
  const room = (high - low || 1) * 0.06;
  [panel.min, panel.max] = [low - room, high + room];
  panel.y = (value) => panel.bottom - ((value - panel.min) / (panel.max - panel.min)) * panel.height;
}

function label(parent, text, x, y, anchor, className) {
  svg("text", { x, y, "text-anchor": anchor, class: className || "" }, parent).textContent = text;
}

function drawAxis(root, scene, panels, low, span, width) {
  const last = panels[panels.length - 1], group = svg("g", { class: "axis" }, root);
  for (const tick of niceTicks(low, low + span, Math.max(2, Math.floor(width / 110)))) {
    const x = LEFT + ((tick - low) / span) * (width - LEFT - RIGHT);
    for (const panel of panels) svg("line", { x1: x, x2: x, y1: panel.top, y2: panel.bottom }, group);
    const words = `${plain(tick)} ${scene.distance_unit}`;
    label(group, words, Math.min(x, width - RIGHT - words.length * 3.6), last.bottom + STRIP_HEIGHT + 21, "middle");
  }
}

function drawDays(root, scene, track, view, panels, x, width) {
  const group = svg("g", { class: "day-lines" }, root);
  let free = -Infinity;
  for (let i = view.first; i <= view.last; i++) {
    if (i > view.first && track.day[i] === track.day[i - 1]) continue;
    const words = `Day ${track.day[i] + 1}`, at = x(i), end = at + 4 + words.length * 7.5;
    if (i > view.first) svg("line", { x1: at, x2: at, y1: 0, y2: panels[panels.length - 1].bottom }, group);
    if (at > free && end < width && scene.days.length > 1) { label(group, words, at + 4, 12, "start"); free = end; }
  }
}

function drawPanel(root, panel, view, x, width) {
  const group = svg("g", {}, root), axis = svg("g", { class: "axis" }, group);
  for (const tick of niceTicks(panel.min, panel.max, panel.area ? 4 : 5)) {
    const y = panel.y(tick);
    svg("line", { x1: LEFT, x2: width - RIGHT, y1: y, y2: y }, axis);
    label(axis, plain(tick), LEFT - 6, y + 4, "end");
  }
  label(axis, panel.title ? `${panel.title}, ${panel.unit}` : panel.unit, 2, panel.top - 9, "start", "unit");
  for (const line of panel.lines) {
    if (line.low) {
      svg("path", { d: bandPath(line, panel, view, x), class: `band ${line.className}` }, group);
      svg("path", { d: columnPath(line.high, panel, view, x), class: `edge ${line.className}` }, group);
    }
    if (line.limit) svg("path", { d: columnPath(line.limit, panel, view, x), class: `limit ${line.className}` }, group);
    const path = columnPath(line.values, panel, view, x);
    if (panel.area && path) {
      const closed = `${path}L${x(view.last).toFixed(1)} ${panel.bottom}L${x(view.first).toFixed(1)} ${panel.bottom}Z`;
      svg("path", { d: closed, class: "area" }, group);
    }
    svg("path", { d: path, class: `line ${line.className}`, "stroke-dasharray": line.dash || "none" }, group);
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

function bandPath(line, panel, view, x) {
  const corner = (i, values) => `${x(i).toFixed(1)} ${panel.y(values[i]).toFixed(1)}`;
  const over = columns(line.high, view, x).map((one) => corner(one.high, line.high));
  const under = columns(line.low, view, x).map((one) => corner(one.low, line.low)).reverse();
  return over.length ? `M${[...over, ...under].join("L")}Z` : "";
}

function drawStrip(root, scene, view, top, x) {
  const group = svg("g", {}, root), share = { ample: 0.35, unknown: 0.5, thin: 0.7, exceeded: 1 };
  for (const one of scene.stretches) {
    if (one.end <= view.first || one.start >= view.last) continue;
    const from = x(Math.max(one.start, view.first)), to = x(Math.min(one.end, view.last));
    const height = STRIP_HEIGHT * share[one.level];
    svg("rect", { x: from, y: top + STRIP_HEIGHT - height, width: Math.max(1, to - from), height,
      class: `strip level-${one.level}` }, group);
  }
}
