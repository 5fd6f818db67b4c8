// The map: the route in the lines of its levels, symbols, their names, and the cursor.

const LEVEL_WIDTH = { ample: 4, unknown: 6, thin: 7, exceeded: 9 };
const NAME_HEIGHT = 18, PICK_REACH_PX = 40, TOUCH = 22, ROUTE_STEP_PX = 9;
const POPUP = { maxWidth: 270, maxHeight: 230 };

function popupContent(title, text) {
  const box = element("div", "popup-text");
  box.appendChild(element("h3", "", title));
  for (const line of text.split("\n")) if (line.trim()) box.appendChild(element("p", "", line));
  return box;
}

function makeMap(onPick) {
  const pane = (name, level) => { map.createPane(name).style.zIndex = level; return name; };
  pane("ground", 210); pane("relief", 215); pane("rules", 220); pane("casing", 385);
  pane("route", 390); pane("alarm", 395); pane("hit", 420); pane("names", 380); pane("signs", 425); pane("cursor", 640);
  const fingers = window.matchMedia("(pointer: coarse)").matches;    // then one finger scrolls the page, two move the map
  if (fingers) map.dragging.disable();
  map.attributionControl.setPrefix(fingers ? "Two fingers move the map" : false);
  L.control.scale({ imperial: scene.distance_unit === "mi", metric: scene.distance_unit !== "mi" }).addTo(map);
  drawGround();
  const points = track.lat.map((lat, i) => [lat, track.lon[i]]), flat = points.map((one) => map.project(one, 0));
  L.polyline(points, { pane: "route", className: "route-plain", weight: 3, interactive: false }).addTo(map);
  const stretches = scene.stretches.map((one) => drawStretch(one, points, pick));
  const made = scene.markers.map(drawPin);
  const pins = [...made].sort((a, b) => RANK.indexOf(a.kind) - RANK.indexOf(b.kind));
  const names = makeNames();
  const cursor = L.circleMarker(points[0], { pane: "cursor", radius: 15, className: "cursor", interactive: false }).addTo(map);
  let shown = { first: 0, last: points.length - 1, day: -1 };
  const limits = map.options.maxBounds;

  // Without limits meanwhile: they start a gliding pan after every move, and one under way would carry the new view off.
  function fit() {
    const part = points.slice(shown.first, shown.last + 1);
    map.setMaxBounds(null);
    map.invalidateSize({ animate: false });
    map.fitBounds(L.latLngBounds(part), { paddingTopLeft: [28, 34], paddingBottomRight: [28, 58], maxZoom: 15, animate: false });
    map.panInsideBounds(limits, { animate: false });
    map.setMaxBounds(limits);
  }

  function show(first, last, day) {
    shown = { first, last, day };
    map.closePopup();
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
    const corner = map.containerPointToLayerPoint([0, 0]), far = corner.add(map.getSize());
    const view = [corner.x, corner.y, far.x, far.y], room = makeRoom(view);
    const ends = (pin) => pin.kind === "start" || pin.kind === "finish";
    const groups = [(pin) => pin.alarm || ends(pin), (pin) => !pin.alarm && !ends(pin)];
    const scale = [corner.x, far.y - 30, corner.x + 110, far.y], credit = [far.x - 160, far.y - 18, far.x, far.y];
    const here = map.latLngToLayerPoint(cursor.getLatLng()), ring = [here.x - 16, here.y - 16, here.x + 16, here.y + 16];
    for (const pin of pins) pin.box = touchBox(pin);
    const beside = pins.filter((pin) => !offDay(pin, shown.day) && meets(pin.box, view)).map((pin) => pin.box), way = routeBoxes(view);
    const better = [[ring, ...beside, ...way], [ring, ...beside], [ring]];
    groups.map((of) => pins.filter(of)).forEach((group, number) => {      // what is hot is named before the rest is drawn
      for (const pin of group) placePin(pin, room, shown.day);
      if (number) room.take(ring);
      for (const pin of group) if (!pin.hidden) placePinName(pin, room, meets(pin.box, view) ? better : []);
      room.take(scale);
      if (fingers) room.take(credit);
    });
    if (byId("ground-here").textContent) room.take([corner.x, corner.y, corner.x + 200, corner.y + 28]);
    names.drawRoads(room, map.getBounds());
    way.forEach((box) => room.take(box));              // names of the ground keep off the route
    names.draw(room, map.getBounds());
  }

  // What the route covers of the map shown.
  function routeBoxes([left, top, right, bottom]) {
    const made = [], scale = 2 ** map.getZoom(), origin = map.getPixelOrigin();
    let lastX = Infinity, lastY = Infinity;
    for (const one of flat) {
      const x = one.x * scale - origin.x, y = one.y * scale - origin.y;
      if (Math.abs(x - lastX) < ROUTE_STEP_PX && Math.abs(y - lastY) < ROUTE_STEP_PX) continue;
      [lastX, lastY] = [x, y];
      if (x > left && x < right && y > top && y < bottom) made.push([x - 4, y - 4, x + 4, y + 4]);
    }
    return made;
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
  byId("zoom-in").addEventListener("click", () => map.zoomIn(1));
  byId("zoom-out").addEventListener("click", () => map.zoomOut(1));
  const open = (index) => made[index].pin.openPopup();
  return { show, fit, declutter, open, move: (i) => cursor.setLatLng(points[i]) };
}

function drawStretch(one, points, pick) {
  const part = points.slice(one.start, one.end + 1), width = LEVEL_WIDTH[one.level];
  const pane = one.level === "ample" ? "route" : "alarm";        // small margins lie over ample ones, casings under all
  const line = (className, weight, more) =>
    L.polyline(part, { pane, interactive: false, className, weight, ...more }).addTo(map);
  const lines = [line("casing", width + 4, { pane: "casing" }), line(`level-${one.level}`, width)];
  if (one.level === "thin") lines.push(line("mark-thin", 3, { dashArray: "2 9", lineCap: "butt" }));
  if (one.level === "unknown") lines.push(line("mark-unknown", 3, { dashArray: "7 7", lineCap: "butt" }));
  if (one.level === "exceeded") lines.push(line("mark-exceeded", 2.5));
  if (!one.whole) return { day: one.day, lines };
  const hit = L.polyline(part, { pane: "hit", className: "hit", weight: 26, opacity: 0 }).on("click", pick).addTo(map);
  if (one.title || one.popup) hit.bindPopup(popupContent(one.title, one.popup), POPUP);
  return { day: one.day, lines };
}

function drawPin(marker) {
  const box = element("div", `pin pin-${marker.kind}`);
  const disc = element("span", "disc");
  disc.appendChild(icon(marker.kind));
  const name = element("span", "pin-name", marker.label);
  if (marker.detail) name.append(element("small", "", marker.detail));
  box.append(disc, name);
  const pin = L.marker([marker.lat, marker.lon], {
    icon: L.divIcon({ html: box, className: "pin-box", iconSize: [44, 44] }), riseOnHover: true,
    zIndexOffset: (RANK.length - RANK.indexOf(marker.kind)) * 1000,
  }).addTo(map);
  pin.getElement().setAttribute("aria-label", `${KIND_WORDS[marker.kind]}: ${[marker.label, marker.detail].filter((one) => one).join(", ")}`);
  pin.bindPopup(popupContent(marker.label, marker.text), { ...POPUP, offset: [0, -8] });
  const alarm = marker.kind === "hot" || marker.kind === "over";
  return { alarm, kind: marker.kind, day: marker.day, pin, name, width: name.offsetWidth, height: name.offsetHeight };
}

// A symbol keeps the room that a finger needs, so that no two can be mixed up.
function touchBox(one) {
  const at = map.latLngToLayerPoint(one.pin.getLatLng());
  return [at.x - TOUCH, at.y - TOUCH, at.x + TOUCH, at.y + TOUCH];
}

function offDay(one, day) {
  return day >= 0 && one.day !== null && one.day !== day;
}

function meets(one, other) {
  return one[0] <= other[2] && one[2] >= other[0] && one[1] <= other[3] && one[3] >= other[1];
}

function placePin(one, room, day) {
  const { box } = one;
  one.hidden = offDay(one, day) || !room.clear(box);
  one.pin.getElement().hidden = one.hidden;
  if (!one.hidden) room.take(box);
}

// A name also stands clear of the first of the lists of boxes in `better` that leaves it a place.
function placePinName(one, room, better) {
  const at = map.latLngToLayerPoint(one.pin.getLatLng()), half = one.height / 2, gap = one.alarm ? 24 : 23;
  const sides = {
    right: [at.x + gap, at.y - half, at.x + gap + one.width, at.y + half],
    left: [at.x - gap - one.width, at.y - half, at.x - gap, at.y + half],
    above: [at.x - one.width / 2, at.y - gap - one.height, at.x + one.width / 2, at.y - gap],
    below: [at.x - one.width / 2, at.y + gap, at.x + one.width / 2, at.y + gap + one.height],
    upright: [at.x - 10, at.y - gap - one.height, at.x - 10 + one.width, at.y - gap],
    upleft: [at.x + 10 - one.width, at.y - gap - one.height, at.x + 10, at.y - gap],
    downright: [at.x - 10, at.y + gap, at.x - 10 + one.width, at.y + gap + one.height],
    downleft: [at.x + 10 - one.width, at.y + gap, at.x + 10, at.y + gap + one.height],
  };
  const all = Object.entries(sides), free = (others) => ([, side]) => others.every((box) => box === one.box || !meets(box, side));
  let found;
  for (const others of better.length ? [...better, []] : []) {   // no lists: out of sight
    const some = all.filter(free(others));
    found = some[room.put(some.map(([, box]) => box))];
    if (found) break;
  }
  one.name.className = `pin-name ${found ? found[0] : "none"}`;
}
