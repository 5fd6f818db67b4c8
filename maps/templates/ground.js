// Under the route: land, lakes, borders, the trip's other roads, towns, and the names of all that.

const NAME_LINE = 17, COUNTRY_ZOOM = 4.5, SIGN_APART_PX = 170, SIGN_LEAST_PX = 60;
const RELIEF_CLEAR = 8.5, RELIEF_FULL = 5.5;     // zooms: nearer than the first the coarse cells would only blur the map

function unpackLine(steps) {
  const scale = 10 ** scene.base.digits, made = [];
  let x = 0, y = 0;
  for (let k = 0; k < steps.length; k += 2) { x += steps[k]; y += steps[k + 1]; made.push([y / scale, x / scale]); }
  return made;
}

function drawGround() {
  const rings = (name) => scene.base[name].map((steps) => [unpackLine(steps)]);
  const quiet = { pane: "ground", interactive: false, stroke: false };
  L.polygon(rings("land"), { ...quiet, className: "land" }).addTo(map);
  if (scene.relief) {
    const relief = L.imageOverlay(`data:image/png;base64,${scene.relief.png}`, scene.relief.box, { pane: "relief", interactive: false, className: "relief" }).addTo(map);
    map.on("zoomend", () => relief.setOpacity(Math.min(1, Math.max(0, (RELIEF_CLEAR - map.getZoom()) / (RELIEF_CLEAR - RELIEF_FULL)))));
  }
  const rules = (name, weight) => L.polyline(scene.base[name].map(unpackLine),
    { pane: "rules", interactive: false, className: name, weight }).addTo(map);
  rules("states", 1);
  rules("borders", 1.6);
  L.polygon(rings("lakes"), { ...quiet, pane: "rules", className: "lakes" }).addTo(map);
  rules("coasts", 1);
  L.polyline(scene.roads.map((one) => unpackLine(one.line)), { pane: "rules", interactive: false, className: "roads", weight: 1.6 }).addTo(map);
}

function quietName(className, words, pane = "names") {
  const text = element("span", "", words);
  const mark = L.marker([0, 0], {
    icon: L.divIcon({ html: text, className, iconSize: [0, 0] }), pane, interactive: false, keyboard: false,
  }).addTo(map);
  mark.getElement().setAttribute("aria-hidden", "true");
  const width = text.offsetWidth + 4;
  mark.getElement().hidden = true;
  return { mark, width };
}

// Names of countries, states, lakes, towns and roads; each stands where there is room for it, the important ones first.
function makeNames() {
  const areas = scene.base.labels.map((one) => ({ ...one, ...quietName(`area-name ${one.kind}-name`, one.text) }));
  const towns = [...scene.towns].sort((a, b) => b[3] - a[3])
    .map(([text, lat, lon]) => ({ lat, lon, ...quietName("town-name", text) }));
  const roads = roadNames().map((one) => ({ ...one, ...quietName("road-name", one.text, "signs") }));

  function far(at, drawn) {
    return drawn.every((other) => Math.hypot(other.x - at.x, other.y - at.y) > SIGN_APART_PX);
  }

  function place(one, spots, room) {
    const shown = room.put(spots.map(([, box]) => box));
    const node = one.mark.getElement();
    node.hidden = shown < 0;
    if (shown < 0) return null;
    one.mark.setLatLng(map.layerPointToLatLng(spots[shown][0]));
    return spots[shown][0];
  }
  const around = (at, one, height) => [at, [at.x - one.width / 2, at.y - height / 2, at.x + one.width / 2, at.y + height / 2]];

  function drawRoads(room, view) {
    const wide = (256 / 360) * 2 ** map.getZoom(), drawn = {};
    for (const one of roads) {
      const seen = one.length * wide < SIGN_LEAST_PX ? [] : one.spots.filter((spot) => view.contains(spot));
      const at = seen.map((spot) => map.latLngToLayerPoint(spot)).filter((spot) => far(spot, drawn[one.text] || []));
      const shown = place(one, at.map((spot) => around(spot, one, NAME_LINE)), room);
      if (shown) (drawn[one.text] ||= []).push(shown);
    }
  }

  function draw(room, view) {
    const zoom = map.getZoom(), wide = (256 / 360) * 2 ** zoom;
    const first = zoom < COUNTRY_ZOOM ? "country" : "state";
    const order = [...areas].sort((a, b) => (b.kind === first) - (a.kind === first) || b.size - a.size);
    for (const one of towns) {
      const at = map.latLngToLayerPoint([one.lat, one.lon]), half = NAME_LINE / 2;
      const beside = [at.x - 4, at.y - half, at.x + 6 + one.width, at.y + half];
      place(one, zoom < 6.5 || !view.contains([one.lat, one.lon]) ? [] : [[at, beside]], room);
    }
    for (const one of order) {
      const fits = one.size * wide > one.width * (one.kind === "country" ? 0.7 : 0.85);
      const spots = fits ? one.spots.filter((spot) => view.contains(spot)) : [];
      place(one, spots.map((spot) => around(map.latLngToLayerPoint(spot), one, NAME_LINE)), room);
    }
    const middle = map.getCenter();
    byId("ground-here").textContent = zoom < 6 ? "" : nearestName(middle.lat, middle.lng);
  }
  return { draw, drawRoads };
}

// The number of a road stands on each stretch that bears it, in its middle if there is room; `length` is that of the whole road.
function roadNames() {
  const made = [], whole = {};
  for (const one of scene.roads) {
    if (!one.name || one.name.length > 14) continue;
    const line = unpackLine(one.line), ends = [0];
    for (let k = 1; k < line.length; k++) ends.push(ends[k - 1] + Math.hypot(line[k][0] - line[k - 1][0], line[k][1] - line[k - 1][1]));
    const length = ends[ends.length - 1];
    const at = (share) => {
      const k = Math.max(1, ends.findIndex((end) => end >= share * length)), step = ends[k] - ends[k - 1] || 1;
      return line[k - 1].map((value, axis) => value + (line[k][axis] - value) * (share * length - ends[k - 1]) / step);
    };
    whole[one.name] = (whole[one.name] || 0) + length;
    if (line.length > 1) made.push({ text: one.name, own: length, spots: [0.5, 0.35, 0.65, 0.2, 0.8].map(at) });
  }
  return made.sort((a, b) => b.own - a.own).map((one) => ({ ...one, length: whole[one.text] }));
}

function nearestName(lat, lon) {
  const shrink = Math.cos((lat * Math.PI) / 180);
  let found = "", least = 6;                     // degrees; farther off nothing is known
  for (const [name, y, x] of scene.base.crossed) {
    const away = Math.hypot(y - lat, (x - lon) * shrink);
    if (away < least) { least = away; found = name; }
  }
  return found;
}
