// Puts the page together: reads the data block, links map, chart, slider and readout, and switches days.

const scene = JSON.parse(document.getElementById("scene-data").textContent);
const byId = (id) => document.getElementById(id);
const track = unpackTrack(scene.track);
const numbers = new Intl.NumberFormat(document.documentElement.lang);
const count = track.lat.length;
let chosenDay = -1;
document.body.classList.add("live");

function unpack(column) {
  const scale = 10 ** column.digits;
  let total = 0;
  return column.steps.map((step) => (step === null ? null : (total += step) / scale));
}

function unpackTrack(packed) {
  const made = {};
  for (const name of ["lat", "lon", "distance", "elevation", "group", "day", "minutes"]) {
    if (packed[name]) made[name] = unpack(packed[name]);
  }
  made.clock = unpack({ digits: 0, steps: packed.clock.steps }).map((number) => packed.clock.words[number]);
  made.series = packed.series.map((one) => {
    const series = { label: one.label, unit: one.unit, dash: one.dash };
    for (const name of ["values", "limit", "low", "high"]) {
      if (one[name]) series[name] = one[name] === "values" ? series.values : unpack(one[name]);
    }
    return series;
  });
  return made;
}

function plain(value) {
  const step = Math.abs(value) < 10 ? 10 : 1;
  return numbers.format(Math.round(value * step) / step || 0);     // the last part turns -0 into 0
}

const mapView = makeMap(scene, track, pointAt);
const chart = makeChart(scene, track, byId("chart"), pointAt);
const now = makeNow(scene, track, settle);
const readout = makeReadout();

function makeReadout() {
  const rows = new Map();
  const row = (key, words, className) => {
    const box = element("div", className);
    box.append(element("dt", "", words), element("dd", ""));
    byId("readout").appendChild(box);
    rows.set(key, box.lastChild);
  };
  if (scene.track.group_labels.length) row("group", "Leg", "wide");
  row("distance", "Distance", "");
  row("clock", "Clock", "");
  row("elevation", "Elevation", "");
  track.series.forEach((one, index) => row(index, one.label, `keyed series-${index % 8}`));
  return rows;
}

function describe(i) {
  const words = {
    distance: [`${plain(track.distance[i])} ${scene.distance_unit}`],
    clock: [track.clock[i]],
    elevation: [`${plain(track.elevation[i])} ${scene.elevation_unit}`],
  };
  if (readout.has("group")) words.group = [scene.track.group_labels[track.group[i]]];
  track.series.forEach((one, index) => {
    const value = one.values[i];
    words[index] = [value === null ? "not known" : `${plain(value)} ${one.unit}`];
    const more = [["up to", one.high], ["limit", one.limit]].filter(([, column]) => column && column[i] !== null);
    if (more.length) words[index].push(more.map(([word, column]) => `${word} ${plain(column[i])}`).join(", "));
  });
  return words;
}

function moveTo(i) {
  const words = describe(i), slider = byId("along");
  for (const [key, cell] of readout) {
    cell.textContent = words[key][0];
    if (words[key][1]) cell.append(" ", element("small", "", words[key][1]));
  }
  slider.value = i;
  const series = track.series.map((one, index) => [one.label, ...words[index]].join(" "));
  const spoken = [...words.distance, ...words.clock, ...words.elevation, ...series].join(", ");
  slider.setAttribute("aria-valuetext", spoken);
  mapView.move(i);
  chart.move(i);
}

// Pointing moves the marks; settling also tells what holds there now.
function pointAt(i, chosen) {
  if (chosen) settle(i); else moveTo(i);
}

function settle(i, quiet) {
  if (i < Number(byId("along").min) || i > Number(byId("along").max)) showDay(track.day[i]);
  moveTo(i);
  const words = now.at(i);
  if (!quiet) now.say(words);
}

function showDay(day) {
  chosenDay = day;
  const first = day < 0 ? 0 : Math.max(0, track.day.indexOf(day));
  const last = day < 0 || !track.day.includes(day) ? count - 1 : track.day.lastIndexOf(day);
  byId("day-choice").value = day;
  byId("day-before").disabled = day < 0;
  byId("day-after").disabled = day >= scene.days.length - 1;
  byId("along").min = first;
  byId("along").max = last;
  mapView.show(first, last, day);
  chart.show(first, last);
  redraw();
  moveTo(first);
  now.at(first);
}

function redraw() {
  chart.draw(Math.max(280, byId("chart").clientWidth));
}

function symbol(kind) {
  const disc = element("span", `disc pin-${kind}`);
  disc.appendChild(icon(kind));
  return disc;
}

function drawLegend() {
  const levels = ["ample", "thin", "exceeded"];
  const item = (picture, words) => {
    const box = element("span", "legend-item");
    box.append(picture, element("span", "", words));
    byId("legend").appendChild(box);
  };
  const used = (kind) => scene.markers.some((marker) => marker.kind === kind);
  levels.forEach((level, index) => {
    if (level !== "ample" && !scene.stretches.some((one) => one.level === level)) return;
    const picture = svg("svg", { viewBox: "0 0 44 16", class: "swatch", "aria-hidden": "true" });
    const line = (className, width, dash) => svg("line", { x1: 3, x2: 41, y1: 8, y2: 8, class: className,
      "stroke-width": width, "stroke-dasharray": dash || "none" }, picture);
    line("casing", LEVEL_WIDTH[level] + 4);
    line(`level-${level}`, LEVEL_WIDTH[level]);
    if (level === "thin") line("mark-thin", 3, "2 9");
    if (level === "exceeded") line("mark-exceeded", 2.5);
    item(picture, scene.level_words[index]);
    const kind = { thin: "hot", exceeded: "over" }[level];
    if (kind && used(kind)) byId("legend").lastChild.prepend(symbol(kind));
  });
  for (const kind of RANK.slice(2).filter(used)) item(symbol(kind), KIND_WORDS[kind]);
}

function drawSpots() {
  for (const line of document.querySelectorAll(".spots li")) {
    const button = element("button", "", line.textContent);
    button.type = "button";
    button.prepend(symbol(scene.markers[line.dataset.marker].kind));
    button.addEventListener("click", () => {
      showDay(-1);
      mapView.open(Number(line.dataset.marker));
      byId("map-title").parentElement.scrollIntoView();
    });
    line.replaceChildren(button);
  }
}

function drawSeriesButtons() {
  track.series.forEach((one, index) => {
    const button = element("button", `series-${index % 8}`);
    button.type = "button";
    button.setAttribute("aria-pressed", "true");
    const picture = svg("svg", { viewBox: "0 0 40 10", class: "swatch", "aria-hidden": "true" });
    svg("line", { x1: 0, x2: 40, y1: 5, y2: 5, class: "line", "stroke-dasharray": one.dash || "none" }, picture);
    button.append(picture, element("span", "", one.label));
    button.addEventListener("click", () => {
      button.setAttribute("aria-pressed", String(chart.toggle(index)));
      redraw();
    });
    byId("series").appendChild(button);
  });
  const notes = [];
  if (track.series.some((one) => one.limit)) notes.push("Dotted thin line: the limit of the line in the same colour.");
  if (track.series.some((one) => one.low)) notes.push(`Shaded, from the line up: ${scene.band_words}.`);
  if (scene.stretches.length) notes.push("Strip: margin, higher where it is smaller.");
  byId("chart-note").textContent = notes.join(" ");
}

// A table that goes on beyond the edge fades there.
function showMore() {
  for (const frame of document.querySelectorAll(".table-frame")) {
    frame.classList.toggle("more", frame.scrollLeft + frame.clientWidth < frame.scrollWidth - 2);
  }
}

function chooseGround(wanted) {
  const online = wanted === "topo";
  document.body.classList.toggle("online", online);
  if (online) topo.addTo(map); else topo.remove();
  byId("ground-choice").value = wanted;
}

topo.on("tileerror", () => {
  if (byId("ground-choice").value !== "topo") return;
  chooseGround("outlines");
  byId("status").textContent = "No map pictures could be fetched, so the outlines are back.";
});
byId("ground-choice").addEventListener("change", (event) => {
  byId("status").textContent = "";
  chooseGround(event.target.value);
});
byId("day-choice").addEventListener("change", (event) => showDay(Number(event.target.value)));
byId("day-before").addEventListener("click", () => showDay(chosenDay - 1));
byId("day-after").addEventListener("click", () => showDay(chosenDay + 1));
byId("along").addEventListener("input", (event) => moveTo(Number(event.target.value)));
byId("along").addEventListener("change", (event) => settle(Number(event.target.value)));
for (const button of document.querySelectorAll("button[data-day]")) {
  button.addEventListener("click", () => {
    showDay(Number(button.dataset.day));
    byId("map-title").parentElement.scrollIntoView();
  });
}

for (const frame of document.querySelectorAll(".table-frame")) frame.addEventListener("scroll", showMore);
let lastWidth = 0;
window.addEventListener("resize", () => {
  if (byId("chart").clientWidth === lastWidth) return;
  lastWidth = byId("chart").clientWidth;
  showMore();
  redraw();
  mapView.fit();
});
window.addEventListener("beforeprint", () => {
  document.body.classList.add("printing");
  mapView.fit();
  chart.draw(700);
});
window.addEventListener("afterprint", () => {
  document.body.classList.remove("printing");
  mapView.fit();
  redraw();
});

const [south, west, north, east] = [Math.min(...track.lat), Math.min(...track.lon), Math.max(...track.lat),
  Math.max(...track.lon)];
document.body.classList.toggle("wide", (east - west) * Math.cos((north * Math.PI) / 180) > 1.2 * (north - south));
lastWidth = byId("chart").clientWidth;
drawLegend();
drawSpots();
drawSeriesButtons();
showDay(-1);
showMore();
