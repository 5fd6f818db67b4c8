// The map: outlines, the route in the colours of its levels, symbols, names, and the cursor.

const ICONS = {                                  // drawn in a box of 24 by 24; earlier kinds hide later ones
  over: "M10 1h4l-.6 14h-2.8zM10 18h4v4h-4z",
  hot: "M10 1h4l-.6 14h-2.8zM10 18h4v4h-4z",
  start: "M7 4l12 8-12 8z",
  finish: "M6 4h2v16H6zM8 5h10v8H8z",
  night: "M15 4a8 8 0 1 0 5 12A8 8 0 0 1 15 4z",
  grade: "M3 19 10 6l4 6 2-3 5 10z",
  stop: "M7 5h4v14H7zM13 5h4v14h-4z",
  service: "M14 4a5 5 0 0 0-4 7l-6 6 3 3 6-6a5 5 0 0 0 7-5l-3 2-3-3 2-3z",
  fuel: "M12 3c4 5 6 8 6 11a6 6 0 0 1-12 0c0-3 2-6 6-11z",
  place: "M12 8a4 4 0 1 1 0 8 4 4 0 0 1 0-8z",
};
const RANK = Object.keys(ICONS);
const KIND_WORDS = { over: "Limit passed", hot: "Thin margin", start: "Start", finish: "Finish", grade: "Grade", night: "Night", stop: "Stop",
  service: "Service", fuel: "Fuel", place: "Place" };
const LEVEL_WIDTH = { ample: 4, unknown: 6, thin: 7, exceeded: 9 };
const NAME_HEIGHT = 18, PICK_REACH_PX = 40, NEAR_ZOOM = 9;
const POPUP = { maxWidth: 270, maxHeight: 230 };

function element(tag, className, text) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

function svg(tag, attributes, parent) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  if (parent) parent.appendChild(made);
  return made;
}

function icon(kind) {
  const picture = svg("svg", { viewBox: "0 0 24 24", "aria-hidden": "true" });
  svg("path", { d: ICONS[kind] }, picture);
  return picture;
}

function popupContent(title, text) {
  const box = element("div", "popup-text");
  box.appendChild(element("h3", "", title));
  for (const line of text.split("\n")) if (line.trim()) box.appendChild(element("p", "", line));
  return box;
}

function makeMap(scene, track, onPick) {
  const pane = (name, level) => { map.createPane(name).style.zIndex = level; return name; };
  pane("ground", 210); pane("rules", 220); pane("casing", 385);
  pane("route", 390); pane("alarm", 395); pane("hit", 420); pane("names", 590); pane("cursor", 640);
  map.attributionControl.setPrefix(false);
  map.zoomControl.setPosition("bottomright");     // within reach of a thumb, clear of the popups
  L.control.scale({ imperial: scene.distance_unit === "mi", metric: scene.distance_unit !== "mi" }).addTo(map);
  drawGround(scene.base);
  const points = track.lat.map((lat, i) => [lat, track.lon[i]]);
  L.polyline(points, { pane: "route", className: "route-plain", weight: 3, interactive: false }).addTo(map);
  const stretches = scene.stretches.map((one) => drawStretch(one, points, pick));
  const made = scene.markers.map(drawPin);
  const pins = [...made].sort((a, b) => RANK.indexOf(a.kind) - RANK.indexOf(b.kind));
  const names = scene.base.labels.map(drawName);
  const cursor = L.circleMarker(points[0], { pane: "cursor", radius: 15, className: "cursor", interactive: false }).addTo(map);
  let shown = { first: 0, last: points.length - 1, day: -1 };
  const limits = map.options.maxBounds;

  // Without limits meanwhile: they start a gliding pan after every move, and one under way would carry the new view off.
  function fit() {
    const part = points.slice(shown.first, shown.last + 1);
    map.setMaxBounds(null);
    map.invalidateSize({ animate: false });
    map.fitBounds(L.latLngBounds(part), { padding: [26, 26], maxZoom: 15, animate: false });
    map.panInsideBounds(limits, { animate: false });
    map.setMaxBounds(limits);
  }

  function show(first, last, day) {
    shown = { first, last, day };
    map.setMinZoom(0);
    fit();
    if (day < 0) {
      const covering = map.getBoundsZoom(limits, true);
      map.setMinZoom(Math.min(map.getZoom(), Math.max(0, covering)));
    }
    for (const one of stretches) for (const line of one.lines) {
      const path = line.getElement();
      if (path) path.classList.toggle("faded", day >= 0 && one.day !== day);
    }
    declutter();
  }

  function declutter() {
    const taken = [], corner = map.containerPointToLayerPoint([0, 0]), far = corner.add(map.getSize());
    const free = (box) => taken.every((t) => box[0] > t[2] || box[2] < t[0] || box[1] > t[3] || box[3] < t[1]);
    const roomy = (box) => box[0] > corner.x && box[1] > corner.y && box[2] < far.x && box[3] < far.y && free(box);
    for (const pin of pins) placePin(pin, taken, free, shown.day);
    for (const pin of pins) if (!pin.hidden) placePinName(pin, taken, roomy);
    for (const name of names) placeName(name, taken, roomy);
  }

  function pick(event) {
    const shrink = Math.cos((event.latlng.lat * Math.PI) / 180);
    let best = -1, least = Infinity;
    for (let i = shown.first; i <= shown.last; i++) {
      const north = points[i][0] - event.latlng.lat, east = (points[i][1] - event.latlng.lng) * shrink;
      const away = north * north + east * east;
      if (away < least) { least = away; best = i; }
    }
    const reach = map.latLngToContainerPoint(points[best]).distanceTo(event.containerPoint);
    if (reach < PICK_REACH_PX) onPick(best, event.type === "click");
  }
  map.on("mousemove click", pick);
  map.on("moveend", declutter);
  map.on("popupopen", (event) => {               // a long text scrolls, so keys must reach it
    event.popup.getElement().querySelector(".leaflet-popup-content").tabIndex = 0;
  });
  function open(index) {
    map.setView(made[index].pin.getLatLng(), Math.max(map.getZoom(), NEAR_ZOOM), { animate: false });
    made[index].pin.openPopup();
  }
  return { show, fit, declutter, open, move: (i) => cursor.setLatLng(points[i]) };
}

function drawGround(base) {
  const scale = 10 ** base.digits;
  const lines = (packed) => packed.map((steps) => {
    let x = 0, y = 0;
    const made = [];
    for (let k = 0; k < steps.length; k += 2) { x += steps[k]; y += steps[k + 1]; made.push([y / scale, x / scale]); }
    return made;
  });
  const quiet = { pane: "ground", interactive: false };
  L.polygon(lines(base.land).map((ring) => [ring]), { ...quiet, className: "land", stroke: false }).addTo(map);
  for (const name of ["coasts", "states", "borders"]) {
    L.polyline(lines(base[name]), { pane: "rules", interactive: false, className: name, weight: 1 }).addTo(map);
  }
}

function drawStretch(one, points, pick) {
  const part = points.slice(one.start, one.end + 1), width = LEVEL_WIDTH[one.level];
  const pane = one.level === "ample" ? "route" : "alarm";        // small margins lie over ample ones, casings under all
  const line = (className, weight, more) =>
    L.polyline(part, { pane, interactive: false, className, weight, ...more }).addTo(map);
  const lines = [line("casing", width + 4, { pane: "casing" }), line(`level-${one.level}`, width)];
  if (one.level === "unknown") lines.push(line("mark-unknown", 3, { dashArray: "7 7", lineCap: "butt" }));
  if (one.level === "thin") lines.push(line("mark-thin", 3, { dashArray: "2 9", lineCap: "butt" }));
  if (one.level === "exceeded") lines.push(line("mark-exceeded", 2.5));
  const hit = L.polyline(part, { pane: "hit", className: "hit", weight: 26, opacity: 0 }).on("click", pick).addTo(map);
  if (one.title || one.popup) hit.bindPopup(popupContent(one.title, one.popup), POPUP);
  return { day: one.day, lines };
}

function drawPin(marker) {
  const box = element("div", `pin pin-${marker.kind}`);
  const disc = element("span", "disc");
  disc.appendChild(icon(marker.kind));
  const name = element("span", "pin-name", marker.label);
  box.append(disc, name);
  const pin = L.marker([marker.lat, marker.lon], {
    icon: L.divIcon({ html: box, className: "pin-box", iconSize: [44, 44] }), riseOnHover: true,
    zIndexOffset: (RANK.length - RANK.indexOf(marker.kind)) * 1000,
  }).addTo(map);
  pin.getElement().setAttribute("aria-label", `${KIND_WORDS[marker.kind]}: ${marker.label}`);
  pin.bindPopup(popupContent(marker.label, marker.text), { ...POPUP, offset: [0, -8] });
  const alarm = marker.kind === "hot" || marker.kind === "over";
  return { alarm, kind: marker.kind, day: marker.day, pin, name, width: name.offsetWidth };
}

function drawName(label) {
  const text = element("span", "", label.text);
  const mark = L.marker([label.lat, label.lon], {
    icon: L.divIcon({ html: text, className: "area-name", iconSize: [0, 0] }),
    pane: "names", interactive: false, keyboard: false,
  }).addTo(map);
  mark.getElement().setAttribute("aria-hidden", "true");
  return { mark, size: label.size, width: text.offsetWidth };
}

function placePin(one, taken, free, day) {
  const far = map.getZoom() < 5 ? 9 : 0;          // seen from far, fewer symbols leave the line in sight
  const at = map.latLngToLayerPoint(one.pin.getLatLng()), half = (one.kind === "place" ? 7 : one.alarm ? 21 : 13) + far;
  const box = [at.x - half, at.y - half, at.x + half, at.y + half];
  const otherDay = day >= 0 && one.day !== null && one.day !== day;
  one.hidden = otherDay || !free(box);
  one.pin.getElement().hidden = one.hidden;
  if (!one.hidden) taken.push(box);
}

function placePinName(one, taken, free) {
  const at = map.latLngToLayerPoint(one.pin.getLatLng()), half = NAME_HEIGHT / 2, gap = one.alarm ? 24 : 15;
  const sides = {
    right: [at.x + gap, at.y - half, at.x + gap + one.width, at.y + half],
    left: [at.x - gap - one.width, at.y - half, at.x - gap, at.y + half],
    above: [at.x - one.width / 2, at.y - gap - NAME_HEIGHT, at.x + one.width / 2, at.y - gap],
    below: [at.x - one.width / 2, at.y + gap, at.x + one.width / 2, at.y + gap + NAME_HEIGHT],
  };
  const found = Object.keys(sides).find((side) => free(sides[side]));
  one.name.className = `pin-name ${found || "none"}`;
  if (found) taken.push(sides[found]);
}

function placeName(one, taken, free) {
  const at = map.latLngToLayerPoint(one.mark.getLatLng()), half = one.width / 2;
  const box = [at.x - half, at.y - 8, at.x + half, at.y + 8];
  const room = one.size * (256 / 360) * 2 ** map.getZoom();      // width of the area on the screen
  const visible = room > one.width * 0.9 && free(box);
  one.mark.getElement().hidden = !visible;
  if (visible) taken.push(box);
}
