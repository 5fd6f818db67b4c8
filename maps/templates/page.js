// Puts the page together: its four views, the days, and what links map, profile and the reader's place.

let chosenDay = -1, view = "", returnTo = null, whenThere = null;
document.body.classList.add("live");
const wideScreen = window.matchMedia("(min-width: 1000px)");
const mapView = makeMap(pointAt);
const now = makeNow(settle);
const readings = makeReadings(() => { now.say(now.at(at)); drawProfile(); });
const memory = makeMemory();
const profiles = new Map();

function profileOf(day) {
  const host = byId(`profile-${day + 1}`);
  if (!host || profiles.has(day)) return profiles.get(day);
  const name = day < 0 ? "Point along the whole way" : `Point along day ${day + 1}`;
  profiles.set(day, makeProfile(host, name, pointAt));
  return profiles.get(day);
}

function shownProfile() {
  return view === "map" ? -1 : Math.max(chosenDay, 0);
}

function drawProfile() {
  const day = shownProfile(), profile = profileOf(day);
  if (!profile || !byId(`profile-${day + 1}`).clientWidth) return;
  const closest = day < 0 ? [...new Set(scene.days.flatMap((one) => one.closest.slice(0, 1)))] : scene.days[day].closest;
  profile.show(...drivenOf(day), closest);
  profile.move(at);
}

// --- where the reader points, and where they are ---

let at = 0;
function moveTo(i) {
  at = i;
  mapView.move(i);
  const profile = profiles.get(shownProfile());
  if (profile) profile.move(i);
}

function pointAt(i, chosen) {
  if (chosen) settle(i); else moveTo(i);
}

function settle(i, quiet) {
  if (chosenDay >= 0 && track.day[i] !== chosenDay) showDay(track.day[i]);
  readings.settle(i);
  moveTo(i);
  if (view === "map" || wideScreen.matches) mapView.declutter();
  const words = now.at(i);
  if (quiet) return;
  memory.keep(i);
  now.say(words);
}

// --- days and views ---

function showDay(day) {
  chosenDay = day;
  const [first, last] = pointsOf(day);
  byId("day-choice").value = day;
  byId("day-before").disabled = day < 0;
  byId("day-after").disabled = day >= scene.days.length - 1;
  mapView.show(first, last, day);
  document.querySelectorAll(".sheet.day").forEach((sheet, number) => sheet.classList.toggle("chosen", number === Math.max(day, 0)));
  for (const tab of document.querySelectorAll(".tabs a")) {
    if (tab.dataset.view === "day") tab.textContent = day < 0 ? "Day" : `Day ${day + 1}`;
  }
  if (at < first || at > last) moveTo(first);
  drawProfile();
}

function showView(name, focus) {
  view = name;
  document.body.dataset.view = name;
  for (const tab of document.querySelectorAll(".tabs a")) {
    if (tab.dataset.view === name) tab.setAttribute("aria-current", "page"); else tab.removeAttribute("aria-current");
  }
  if (name === "day" && chosenDay < 0) showDay(Math.max(0, track.day[at]));
  if (name === "map" || wideScreen.matches) mapView.fit();
  drawProfile();
  showMore();
  scrollTo(0, 0);
  const heading = name === "day" ? byId(`day-${chosenDay + 1}-title`) : byId({ now: "now-title", alarms: "alarms-title", map: "trip-title" }[name]);
  if (focus && heading) heading.focus({ preventScroll: true });
}

// The address names the view, so that the browser's own way back works and a day can be linked to.
function follow(focus) {
  const wanted = location.hash.slice(1), day = /^day-(\d+)$/.exec(wanted);
  if (day && scene.days[day[1] - 1]) {
    if (chosenDay !== day[1] - 1) showDay(day[1] - 1);
    arrive("day", focus);
    return true;
  }
  if (!["now", "day", "alarms", "map"].includes(wanted)) return false;
  if (wanted === "map" && view !== "map") showDay(-1);
  arrive(wanted, focus);
  return true;
}

function arrive(name, focus) {
  showView(name, focus);
  if (whenThere) whenThere();
  whenThere = null;
}

function go(name, focus) {
  if (location.hash === `#${name}`) follow(focus); else location.hash = name;
}

function chooseDay(day) {
  if (day < 0) { showDay(-1); go("map"); return; }
  showDay(day);
  if (wideScreen.matches || view === "day") go(`day-${day + 1}`); else link(day);
}

// On a phone the map stays when a day is chosen, and offers its sheet.
function link(day) {
  const words = element("a", "to-sheet", `Open the sheet of day ${day + 1}`);
  words.href = `#day-${day + 1}`;
  byId("status").replaceChildren(words);
}

function openSpot(button, marker, point) {
  returnTo = button;
  const day = track.day[point];
  if (chosenDay !== day) showDay(day);
  settle(point, true);
  whenThere = wideScreen.matches ? () => mapView.open(marker) : null;
  go(`day-${day + 1}`, true);
  now.say(`${button.textContent}. ${adviceAt(Math.max(point - 1, 0))[0]}`);
}

// --- legend and lists ---

function drawLegend() {
  const item = (picture, words) => {
    const box = element("span", "legend-item");
    box.append(picture, element("span", "", words));
    byId("legend").appendChild(box);
    return box;
  };
  const used = (kind) => scene.markers.some((marker) => marker.kind === kind);
  LEVELS.forEach((level, index) => {
    if (level !== "ample" && !scene.stretches.some((one) => one.level === level)) return;
    const picture = svg("svg", { viewBox: "0 0 44 16", class: "swatch", "aria-hidden": "true" });
    const line = (className, width, dash) => svg("line", { x1: 3, x2: 41, y1: 8, y2: 8, class: className,
      "stroke-width": width, "stroke-dasharray": dash || "none" }, picture);
    line("casing", LEVEL_WIDTH[level] + 4);
    line(`level-${level}`, LEVEL_WIDTH[level]);
    if (level === "thin") line("mark-thin", 3, "2 9");
    if (level === "unknown") line("mark-unknown", 3, "7 7");
    if (level === "exceeded") line("mark-exceeded", 2.5);
    const box = item(picture, scene.level_words[index]);
    const kind = { thin: "hot", exceeded: "over" }[level];
    if (kind && used(kind)) box.prepend(symbol(kind));
  });
  for (const kind of RANK.slice(2).filter(used)) item(symbol(kind), KIND_WORDS[kind]);
  if (scene.roads.length) {
    const picture = svg("svg", { viewBox: "0 0 44 16", class: "swatch", "aria-hidden": "true" });
    svg("line", { x1: 3, x2: 41, y1: 8, y2: 8, class: "roads", "stroke-width": 1.6 }, picture);
    item(picture, "Other road of the trip's list");
  }
}

function drawSpots() {
  document.querySelectorAll(".spots li").forEach((line, number) => {
    const button = element("button", "", line.textContent), marker = Number(line.dataset.marker);
    button.type = "button";
    button.prepend(symbol(scene.markers[marker].kind));
    button.addEventListener("click", () => openSpot(button, marker, scene.spots[number]));
    line.replaceChildren(button);
  });
}

// A line of a timetable leads the cursor to its place.
function followTimetables() {
  document.querySelectorAll(".sheet.day").forEach((sheet, day) => {
    for (const row of sheet.querySelectorAll(".way tbody tr")) {
      row.addEventListener("click", () => moveTo(scene.days[day].way[row.dataset.line]));
    }
  });
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
  byId("status").textContent = "No map pictures could be fetched, so the drawn ground is back.";
});
byId("ground-choice").addEventListener("change", (event) => {
  byId("status").textContent = "";
  chooseGround(event.target.value);
});
byId("day-choice").addEventListener("change", (event) => chooseDay(Number(event.target.value)));
byId("day-before").addEventListener("click", () => chooseDay(chosenDay - 1));
byId("day-after").addEventListener("click", () => chooseDay(chosenDay + 1));
for (const tab of document.querySelectorAll(".tabs a")) {
  tab.addEventListener("click", (event) => {
    event.preventDefault();
    const name = tab.dataset.view;
    go(name === "day" ? `day-${(chosenDay < 0 ? track.day[at] : chosenDay) + 1}` : name, true);
  });
}
window.addEventListener("hashchange", () => follow(true));
document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  map.closePopup();
  if (!returnTo || view !== "day") return;
  const button = returnTo;
  returnTo = null;
  whenThere = () => button.focus();
  go("map");
});
for (const frame of document.querySelectorAll(".table-frame")) frame.addEventListener("scroll", showMore);
for (const fold of document.querySelectorAll("details")) fold.addEventListener("toggle", showMore);

// Sizes change with the window, and with a scroll bar that comes or goes.
const sizes = new Map();
const watch = new ResizeObserver((changed) => {
  if (document.body.classList.contains("printing")) return;
  for (const { target } of changed) {
    const size = `${target.clientWidth} ${target === byId("map_route") ? target.clientHeight : ""}`;
    if (!target.clientWidth || sizes.get(target) === size) continue;
    sizes.set(target, size);
    if (target === byId("map_route")) mapView.fit(); else { drawProfile(); showMore(); }
  }
});
watch.observe(byId("map_route"));
watch.observe(document.querySelector(".views"));

// --- paper: every day with its profile ---

window.addEventListener("beforeprint", () => {
  document.body.classList.add("printing");
  document.body.dataset.view = "map";              // a hidden map cannot be measured
  scene.days.forEach((day, number) => {
    const host = byId(`profile-${number + 1}`), box = element("div", "print-chart");
    if (!host) return;
    const shown = new Set(day.closest.length ? day.closest : track.series.keys());
    box.appendChild(profilePicture(...drivenOf(number), shown, 700, HEIGHTS.paper).root);
    host.appendChild(box);
  });
  byId("view-map").insertBefore(byId("ground"), byId("view-map").children[1]);
  mapView.show(0, count - 1, -1);
});
window.addEventListener("afterprint", () => {
  document.body.classList.remove("printing");
  for (const box of document.querySelectorAll(".print-chart")) box.remove();
  document.querySelector(".shell").prepend(byId("ground"));
  document.body.dataset.view = view;
  mapView.show(...pointsOf(chosenDay), chosenDay);
});

const [south, west, north, east] = [Math.min(...track.lat), Math.min(...track.lon), Math.max(...track.lat),
  Math.max(...track.lon)];
document.body.classList.toggle("wide", (east - west) * Math.cos((north * Math.PI) / 180) > 1.2 * (north - south));
drawLegend();
drawSpots();
followTimetables();

function start() {
  const kept = memory.kept(), planned = memory.byClock(), here = kept ?? planned ?? 0;
  readings.begin();
  showDay(-1);
  settle(here, true);
  now.note(kept !== null ? "At the place picked last."
    : planned !== null ? "By this device's clock and the plan."
      : "Pick the place you passed last, or tap “Find me”, which asks this device; nothing is sent anywhere.");
  if (planned !== null) { chosenDay = track.day[here]; showDay(chosenDay); moveTo(here); }
  if (!follow(false)) showView(planned === null ? (wideScreen.matches ? "now" : "map") : "now", false);
}
start();
showMore();
