// The trip: editable tables of days and legs, thin places, remedies, stops.

import { ask, bullets, button, byId, change, choices, edit, element, onNews, state } from "/static/api.js";
import { makeGround } from "/static/ground.js";
import { makeProfile } from "/static/profile.js";

let ground = null, profile = null, geometry = null, asked = "", linesOf = "";
let legRows = [], dayRows = [], chosenLeg = -1, built = "";

export function startTrip() {
  ground = makeGround(moveNight, chooseStop);
  profile = makeProfile(moveNight, chooseLeg);
  byId("stop-form").addEventListener("submit", setHalt);
  byId("stop-night").addEventListener("click", toggleNight);
  byId("stop-choice").addEventListener("change", fillStop);
  byId("fluid").addEventListener("change", () => profile.draw());
  onNews(show);
}

function show(now) {
  if (!now.legs) return;
  fetchGround(now);
  fetchLines(now);
  showSpots(now);
  showRemedies(now);
  showDays(now);
  showLegs(now);
  showStops(now);
  showLegForm(now);
  bullets(byId("doubts"), now.doubts);
  bullets(byId("assumed"), now.assumed);
  ground.show(now);
  profile.show(now);
}

async function fetchGround(now) {
  if (asked === now.geometry) return;
  asked = now.geometry;
  geometry = await ask("geometry");
  ground.lay(geometry, state.now);
  profile.lay(geometry);
  const base = await ask("ground");
  byId("sources").textContent = base.sources.join(" ");
  ground.under(base);
}

async function fetchLines(now) {
  const key = `${now.revision}`;
  if ((now.stage !== "full" && now.stage !== "whole") || linesOf === key) return;
  linesOf = key;
  const lines = await ask("lines");
  if (!lines.fluids) return;
  const select = byId("fluid"), chosen = select.value;
  choices(select, lines.fluids.map((one, number) => [String(number), one.label]));
  if (chosen) select.value = chosen;
  profile.temperatures(lines);
}

// --- thin places and remedies ---

function showSpots(now) {
  const list = byId("spots");
  if (now.stage === "none" || now.stage === "quick") {
    list.classList.add("old");
    if (now.stage === "none" && !list.childElementCount) bullets(list, ["Being computed."]);
    return;
  }
  list.classList.remove("old");
  const unknown = now.spots.filter((spot) => spot.level === "unknown"), small = now.spots.filter((spot) => spot.level !== "unknown");
  list.replaceChildren(...small.map(spotLine));
  byId("unknown-title").textContent = `Where margins are not known (${unknown.length})`;
  byId("unknown-box").hidden = !unknown.length;
  byId("unknown").replaceChildren(...unknown.map(spotLine));
  if (!now.spots.length) bullets(list, ["No leg is thin or unknown. The gauge takes precedence over the model."]);
  else if (!small.length) bullets(list, ["No leg is thin."]);
}

function spotLine(spot) {
  const line = element("li", `is-${spot.level}`);
  line.append(button(spot.words, () => chooseLeg(spot.leg), "link"));
  if (spot.more) {
    const more = element("details");
    more.append(element("summary", "", "why"), element("p", "", spot.more));
    line.append(more);
  }
  return line;
}

function showRemedies(now) {
  const box = byId("remedies");
  box.classList.toggle("old", now.stage !== "whole");
  if (now.stage !== "whole") return;
  box.replaceChildren(...now.remedies.map(dayRemedies));
  if (!now.remedies.length) box.append(element("p", "", "Nothing needs a remedy."));
}

function dayRemedies(day) {
  const box = element("div", "remedy-day");
  box.append(element("h4", "", `Day ${day.day + 1}, ${day.fluid}`));
  if (day.none) box.append(element("p", "", day.none));
  const list = element("ul", "remedy-list"), shown = day.choices.slice(0, 4), rest = day.choices.slice(4);
  list.append(...shown.map((one) => remedyLine(day, one)));
  box.append(list);
  if (rest.length) {
    const more = element("details"), inner = element("ul", "remedy-list");
    inner.append(...rest.map((one) => remedyLine(day, one)));
    more.append(element("summary", "", `${rest.length} more`), inner);
    box.append(more);
  }
  return box;
}

function remedyLine(day, one) {
  const line = element("li", one.suffices ? "suffices" : "");
  const words = `${one.words}: ${one.minutes} min lost, day's margin ${one.margin}, passing a limit: ${one.chance}${one.suffices ? "" : "; not enough alone"}.`;
  line.append(element("span", "", words));
  if (one.can && state.now.editable) {
    line.append(button("Do this", () => change("apply", { number: day.number, choice: one.choice }), "", `Do this: ${one.words}`));
  }
  return line;
}

// --- tables ---

function headings(table, names) {
  const row = element("tr");
  row.append(...names.map((name) => { const cell = element("th", "", name); cell.scope = "col"; return cell; }));
  const head = element("thead");
  head.append(row);
  table.replaceChildren(head, element("tbody"));
  return table.tBodies[0];
}

function margin(cell, one, before, unit) {
  cell.className = `margin is-${one.level || "none"}`;
  if (one.margin === null) { cell.textContent = "being computed"; return; }
  const word = state.now.levels[one.level];
  const moved = before && before.margin !== null && before.margin !== undefined ? one.margin - before.margin : 0;
  const figure = one.level === "unknown" ? "" : ` ${one.margin.toFixed(0)} ${unit}`;
  const parts = [element("span", "word", `${word}${figure}`), element("small", "", one.fluid)];
  if (Math.abs(moved) >= 0.5) parts.push(element("small", "moved-by", `change ${moved > 0 ? "+" : "−"}${Math.abs(moved).toFixed(0)} ${unit}`));
  cell.replaceChildren(...parts);
}

function input(label, kind, work) {
  const made = element("input");
  made.type = kind;
  made.setAttribute("aria-label", label);
  made.addEventListener("change", () => work(made.value));
  return made;
}

function put(field, value) { if (document.activeElement !== field || field.value === "") field.value = value; }

function showDays(now) {
  const key = `${now.days.length}`, table = byId("days");
  if (dayRows.key !== key) {
    const body = headings(table, ["day", "date", "from", "to", "depart", "arrive", `distance [${now.units.distance}]`, "driving [h]", "smallest margin", "night at"]);
    dayRows = now.days.map((_, number) => {
      const row = element("tr"), cells = Array.from({ length: 10 }, () => element("td"));
      const off = input(`Departure of day ${number + 1}`, "time", (at) => edit("morning", { day: number, at }));
      const night = element("select");
      night.setAttribute("aria-label", `Night after day ${number + 1}`);
      night.addEventListener("change", () => moveNight(state.now.days[number].last + 1, Number(night.value)));
      cells[4].append(off);
      if (number + 1 < now.days.length) cells[9].append(night);
      row.append(...cells);
      body.append(row);
      return { cells, off, night };
    });
    dayRows.key = key;
  }
  now.days.forEach((day, number) => {
    const { cells, off, night } = dayRows[number], old = state.before && state.before.days && state.before.days[number];
    [`${number + 1}`, day.date, day.from, day.to].forEach((text, at) => { cells[at].textContent = text; });
    put(off, day.depart);
    off.disabled = !now.editable;
    cells[5].textContent = day.arrive;
    cells[6].textContent = day.distance;
    cells[7].textContent = day.driving;
    margin(cells[8], day, old, now.units.temperature);
    const first = day.first + 1, next = now.days[number + 1], last = next ? next.last : day.last + 1;
    choices(night, now.stops.slice(first, last + 1).map((stop) => [String(stop.stop), stop.name]), String(day.last + 1));
    night.disabled = !now.editable;
  });
}

function showLegs(now) {
  const table = byId("legs"), key = `${now.geometry}${now.editable}`;
  if (built !== key) {
    built = key;
    const body = headings(table, ["day", "from", "to", "road", `distance [${now.units.distance}]`, "depart", "arrive", `speed [${now.speed_unit}]`, `air [${now.units.temperature}]`, "smallest margin", ""]);
    legRows = now.legs.map((leg, number) => {
      const row = element("tr"), cells = Array.from({ length: 11 }, () => element("td"));
      const speed = input(`Speed from ${leg.from} to ${leg.to}`, "text", (value) => edit("leg", { leg: number, column: "speed", value }));
      speed.inputMode = "decimal";
      speed.size = 5;
      const show = () => { chooseLeg(number); byId("leg-form").querySelector("select, input")?.focus(); };
      const more = button("more", show, "", `More settings of the leg from ${leg.from} to ${leg.to}`);
      if (now.editable && !leg.carried) { cells[7].append(speed); cells[10].append(more); }
      row.append(...cells);
      body.append(row);
      return { row, cells, speed };
    });
  }
  const unit = now.units.temperature;
  now.legs.forEach((leg, number) => {
    const { row, cells, speed } = legRows[number];
    const old = state.before && state.before.geometry === now.geometry ? state.before.legs[number] : null;
    [`${leg.day + 1}`, leg.from, leg.to, leg.road, leg.distance, leg.depart, leg.arrive].forEach((text, at) => { cells[at].textContent = text; });
    put(speed, leg.cells ? leg.cells.speed : leg.speed);
    speed.title = leg.slowed ? "The car cannot hold this speed on the whole leg" : "";
    if (!now.editable) cells[7].textContent = leg.speed;
    cells[8].textContent = leg.air;
    margin(cells[9], leg, old, unit);
    cells[9].title = leg.margins.map(([fluid, left, level]) => `${fluid}: ${now.levels[level]}${level === "unknown" ? "" : `, ${left} ${unit}`}`).join("\n");
    row.classList.toggle("chosen", number === chosenLeg);
  });
}

function chooseLeg(number) {
  chosenLeg = number;
  legRows.forEach((one, at) => one.row.classList.toggle("chosen", at === number));
  showLegForm(state.now, true);
  legRows[number]?.row.scrollIntoView({ block: "nearest" });
  ground.mark(number);
  profile.mark(number);
}

const SWITCHES = {
  air_conditioning: ["A/C", ["", "yes", "no"], "as for the trip"], heater: ["Heater on full", ["", "yes", "no"], "no"],
  low_gear: ["One gear lower", ["", "yes", "no"], "no"],
  highest_gear: ["Highest gear", ["", "overdrive off", "1", "2", "3", "4", "5", "6", "7", "8"], "any"],
  flow: ["Traffic", ["", "free", "town", "stop-and-go"], "free"],
};

function showLegForm(now, anew) {
  const form = byId("leg-form"), leg = now.legs[chosenLeg];
  form.hidden = !leg || !leg.cells;
  if (form.hidden || (form.contains(document.activeElement) && !anew)) return;
  const fields = Object.entries(SWITCHES).flatMap(([column, [label, words, empty]]) => {
    const select = element("select"), name = element("label", "", label);
    select.id = `leg-${column}`;
    name.htmlFor = select.id;
    choices(select, words.map((one) => [one, one || `not given: ${empty}`]), leg.cells[column]);
    select.addEventListener("change", () => edit("leg", { leg: chosenLeg, column, value: select.value }));
    return [name, select];
  });
  form.replaceChildren(element("h4", "", `${leg.from} to ${leg.to}`), ...fields);
}

// --- stops ---

function showStops(now) {
  const select = byId("stop-choice"), chosen = select.value || "1";
  choices(select, now.stops.slice(1).map((stop) => [String(stop.stop), `${stop.name}${stop.night ? " (night)" : ""}${stop.halt ? ` (halt ${stop.halt} min)` : ""}`]), chosen);
  if (!byId("stop-form").contains(document.activeElement)) fillStop();
  for (const field of byId("stop-form").elements) field.disabled = !now.editable;
  byId("stop-night").textContent = now.stops[Number(select.value)]?.night ? "Cancel the requested night" : "Night here";
}

function fillStop() {
  const stop = state.now.stops[Number(byId("stop-choice").value)];
  if (!stop) return;
  byId("stop-minutes").value = stop.halt;
  byId("stop-night").textContent = stop.night ? "Cancel the requested night" : "Night here";
}

function chooseStop(number) {
  byId("stop-choice").value = String(number);
  fillStop();
}

function setHalt(event) {
  event.preventDefault();
  const minutes = Number(byId("stop-minutes").value) || 0;
  edit("halt", { stop: Number(byId("stop-choice").value), minutes: Math.round(minutes), engine: byId("stop-engine").value });
}

function toggleNight() {
  const number = Number(byId("stop-choice").value), stop = state.now.stops[number];
  edit("night", stop.night ? { from: number, to: -1 } : { from: -1, to: number });
}

function moveNight(from, to) {
  if (from === to) { show(state.now); return; }
  edit("night", { from, to });
}
