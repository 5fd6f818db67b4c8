// The map: legs in the line style of their levels, nights that can be dragged, every stop.

import { byId, element, state, svg } from "/static/api.js";

const MOON = "M15 4a8 8 0 1 0 5 12A8 8 0 0 1 15 4z", PAUSE = "M7 5h4v14H7zM13 5h4v14h-4z", DOT = "M12 8a4 4 0 1 1 0 8 4 4 0 0 1 0-8z";
const WIDTH = { ample: 4, unknown: 6, thin: 7, exceeded: 9, "": 4 };

function icon(path, kind) {
  const box = element("div", `pin pin-${kind}`), disc = element("span", "disc"), picture = svg("svg", { viewBox: "0 0 24 24", "aria-hidden": "true" });
  svg("path", { d: path }, picture);
  disc.append(picture);
  box.append(disc);
  return L.divIcon({ html: box, className: "pin-box", iconSize: [44, 44] });
}

export function makeGround(moveNight, chooseStop) {
  const map = L.map("map", { zoomSnap: 0.25, attributionControl: false, zoomControl: true, keyboard: true });
  map.setView([40, -100], 4);
  const base = L.layerGroup().addTo(map), road = L.layerGroup().addTo(map), pins = L.layerGroup().addTo(map), chosen = L.layerGroup().addTo(map);
  let geometry = null, key = "", fitted = false;

  function lay(found, now) {
    geometry = found;
    fitted = false;
    show(now);
    fit();
  }

  function fit() {
    if (!geometry || fitted || !byId("map").offsetWidth) return;
    map.invalidateSize({ animate: false });
    map.fitBounds(L.latLngBounds(geometry.legs.flat()), { padding: [24, 24], animate: false });
    fitted = true;
  }

  function under(found) {
    base.clearLayers();
    const area = (rings, className) => rings.forEach((ring) => L.polygon(ring, { className, interactive: false, stroke: false }).addTo(base));
    const line = (parts, className, weight) => parts.forEach((one) => L.polyline(one, { className, weight, interactive: false }).addTo(base));
    area(found.land, "land"); area(found.lakes, "lake");
    line(found.states, "state", 1); line(found.borders, "border", 1.5);
    base.eachLayer((one) => one.bringToBack && one.bringToBack());
    base.getLayers().slice(0, found.land.length).forEach((one) => one.bringToBack());
  }

  function show(now) {
    if (!geometry || geometry.key !== now.geometry) return;
    const next = JSON.stringify([now.legs.map((leg) => leg.level), now.stops.map((stop) => [stop.night, stop.halt])]);
    if (next === key && road.getLayers().length) return;
    key = next;
    road.clearLayers();
    pins.clearLayers();
    const order = { "": 0, ample: 0, unknown: 1, thin: 2, exceeded: 3 };
    const legs = now.legs.map((leg, number) => [leg, number]).sort((a, b) => order[a[0].level] - order[b[0].level]);
    for (const [leg, number] of legs) drawLeg(leg, geometry.legs[number]);
    now.stops.forEach(drawStop);
  }

  function drawLeg(leg, points) {
    const line = (className, weight, more) => L.polyline(points, { className, weight, interactive: false, ...more }).addTo(road);
    line("casing", WIDTH[leg.level] + 4);
    line(leg.level ? `level-${leg.level}` : "route-plain", WIDTH[leg.level]);
    if (leg.level === "thin") line("mark-thin", 3, { dashArray: "2 9", lineCap: "butt" });
    if (leg.level === "unknown") line("mark-unknown", 3, { dashArray: "7 7", lineCap: "butt" });
    if (leg.level === "exceeded") line("mark-exceeded", 2.5);
  }

  function drawStop(stop) {
    const end = stop.stop === 0 || stop.stop === state.now.stops.length - 1;
    const kind = stop.night ? "night" : stop.halt ? "stop" : "place", path = stop.night ? MOON : stop.halt ? PAUSE : DOT;
    const said = `${stop.name}${stop.night ? ", night; drag it to another place" : ""}${stop.halt ? `, halt of ${stop.halt} min` : ""}`;
    if (kind === "place" && !end) {
      const dot = L.circleMarker([stop.lat, stop.lon], { radius: 4, className: "stop-dot" }).addTo(pins);
      dot.bindTooltip(said).on("click", () => chooseStop(stop.stop));
      return;
    }
    const pin = L.marker([stop.lat, stop.lon], { icon: icon(path, kind), draggable: stop.night && state.now.editable, title: said, alt: said, riseOnHover: true }).addTo(pins);
    pin.on("click", () => stop.stop && chooseStop(stop.stop));
    pin.on("dragend", () => moveNight(stop.stop, nearest(pin.getLatLng(), stop.stop)));
  }

  // The stop nearest to where a night was dropped, between the nights before and after it.
  function nearest(at, from) {
    const stops = state.now.stops;
    let low = from - 1, high = from + 1;
    while (low > 0 && !stops[low].night) low--;
    while (high < stops.length - 1 && !stops[high].night) high++;
    let best = from, least = Infinity;
    for (let n = low + 1; n < high; n++) {
      const away = map.latLngToLayerPoint([stops[n].lat, stops[n].lon]).distanceTo(map.latLngToLayerPoint(at));
      if (away < least) { least = away; best = n; }
    }
    key = "";
    return best;
  }

  function mark(number) {
    chosen.clearLayers();
    if (geometry && geometry.legs[number]) L.polyline(geometry.legs[number], { className: "chosen-leg", weight: 14, opacity: 0.45, interactive: false }).addTo(chosen);
  }

  let wide = 0;
  window.addEventListener("resize", () => {
    map.invalidateSize({ animate: false });
    if (byId("map").offsetWidth && byId("map").offsetWidth !== wide) { wide = byId("map").offsetWidth; fitted = false; }
    fit();
  });
  return { lay, under, show, mark };
}
