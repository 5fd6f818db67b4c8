// The profile along the road: terrain, levels of the legs, temperatures, and nights as handles.

import { byId, element, state, svg } from "/static/api.js";

const WIDE = 900, HIGH = 250, LEFT = 46, RIGHT = 46, TOP = 26, BOTTOM = 40, STRIP = 9;

export function makeProfile(moveNight, chooseLeg) {
  let geometry = null, lines = null, marked = -1, held = null;
  const box = byId("profile");

  function ends(now) { return [0, now.stops[now.stops.length - 1].far || 1]; }

  function draw() {
    const now = state.now;
    if (!geometry || !now || !now.legs || geometry.key !== now.geometry) return;
    const [, far] = ends(now), x = (d) => LEFT + ((WIDE - LEFT - RIGHT) * d) / far, floor = HIGH - BOTTOM;
    const picture = svg("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, role: "group", "aria-label": "Profile of the road with the levels of its legs" });
    const heights = geometry.profile.map((one) => one[1]), low = Math.min(0, ...heights), top = Math.max(...heights, low + 1);
    const y = (h) => floor - ((floor - TOP) * (h - low)) / (top - low) * 0.98;
    const shape = geometry.profile.map(([d, h]) => `${x(d).toFixed(1)},${y(h).toFixed(1)}`).join(" ");
    svg("polygon", { points: `${LEFT},${floor} ${shape} ${x(far)},${floor}`, class: "ground-shape" }, picture);
    label(picture, LEFT - 4, y(top) + 10, `${Math.round(top)} ${now.units.elevation}`, "end");
    label(picture, LEFT - 4, floor, `${Math.round(low)}`, "end");
    label(picture, x(far), HIGH - 4, `${Math.round(far)} ${now.units.distance}`, "end");
    drawTemperatures(picture, now, x, floor);
    now.legs.forEach((leg, number) => drawLeg(picture, now, leg, number, x, floor));
    now.stops.filter((stop) => stop.night).forEach((stop) => drawNight(picture, now, stop, x, far));
    const focus = box.contains(document.activeElement) ? document.activeElement.dataset.key : null;
    box.replaceChildren(picture, legend(now));
    if (focus) box.querySelector(`[data-key="${focus}"]`)?.focus();
  }

  function label(picture, x, y, text, anchor) {
    svg("text", { x, y, "text-anchor": anchor, class: "axis" }, picture).textContent = text;
  }

  function drawLeg(picture, now, leg, number, x, floor) {
    const a = x(now.stops[number].far), b = x(now.stops[number + 1].far);
    const strip = svg("rect", { x: a, y: floor + 2, width: Math.max(b - a - 0.6, 0.6), height: STRIP, class: `strip level-${leg.level || "none"}` }, picture);
    svg("title", {}, strip).textContent = `${leg.from} to ${leg.to}: ${now.levels[leg.level] || "being computed"}`;
    const hit = svg("rect", { x: a, y: TOP, width: Math.max(b - a, 1), height: floor - TOP + STRIP + 4, class: `leg-hit${number === marked ? " chosen" : ""}` }, picture);
    hit.addEventListener("click", () => chooseLeg(number));
  }

  function drawTemperatures(picture, now, x, floor) {
    const one = lines && lines.fluids[Number(byId("fluid").value) || 0];
    if (!one) return;
    const all = [...one.expected, ...one.upper, ...one.limit], low = Math.min(...all), high = Math.max(...all);
    const y = (t) => floor - ((floor - TOP) * (t - low)) / (high - low || 1);
    const path = (values) => values.map((t, n) => `${n ? "L" : "M"}${x(lines.far[n]).toFixed(1)} ${y(t).toFixed(1)}`).join("");
    const old = now.stage === "quick" || now.stage === "none" ? " old" : "";
    for (const name of ["limit", "upper", "expected"]) svg("path", { d: path(one[name]), class: `temp temp-${name}${old}` }, picture);
    label(picture, WIDE - RIGHT + 3, y(high) + 10, `${Math.round(high)} ${now.units.temperature}`, "start");
    label(picture, WIDE - RIGHT + 3, y(low), `${Math.round(low)}`, "start");
  }

  // A night: dragged along the road, or moved by the arrow keys, from stop to stop.
  function drawNight(picture, now, stop, x, far) {
    const group = svg("g", { class: "night-handle", tabindex: "0", role: "slider", "data-key": `night-${stop.stop}`, "aria-label": "Night at", "aria-valuetext": stop.name,
      "aria-valuenow": stop.stop, "aria-valuemin": 1, "aria-valuemax": now.stops.length - 2 }, picture);
    const place = (at) => group.setAttribute("transform", `translate(${x(now.stops[at].far)} 0)`);
    svg("line", { x1: 0, x2: 0, y1: TOP - 2, y2: HIGH - BOTTOM + STRIP + 2 }, group);
    svg("circle", { cx: 0, cy: 13, r: 12 }, group);
    svg("path", { d: "M15 4a8 8 0 1 0 5 12A8 8 0 0 1 15 4z", transform: "translate(-9 4) scale(.75)" }, group);
    svg("title", {}, group).textContent = `Night at ${stop.name}`;
    place(stop.stop);
    const others = now.stops.filter((one) => one.night).map((one) => one.stop);
    const low = Math.max(0, ...others.filter((at) => at < stop.stop)) + 1;
    const high = Math.min(now.stops.length - 1, ...others.filter((at) => at > stop.stop)) - 1;
    if (!now.editable) return;
    group.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
      const to = stop.stop + (step || 0);
      if (!step || to < low || to > high) return;
      event.preventDefault();
      group.dataset.key = `night-${to}`;
      moveNight(stop.stop, to);
    });
    group.addEventListener("pointerdown", (event) => {
      held = stop.stop;
      let at = stop.stop;
      group.setPointerCapture(event.pointerId);
      const move = (moved) => {
        const frame = picture.getBoundingClientRect(), d = (((moved.clientX - frame.left) / frame.width) * WIDE - LEFT) / (WIDE - LEFT - RIGHT) * far;
        at = stop.stop;
        for (let n = low; n <= high; n++) if (Math.abs(now.stops[n].far - d) < Math.abs(now.stops[at].far - d)) at = n;
        place(at);
        group.querySelector("title").textContent = `Night at ${now.stops[at].name}`;
      };
      group.addEventListener("pointermove", move);
      group.addEventListener("pointerup", () => { group.removeEventListener("pointermove", move); held = null; moveNight(stop.stop, at); }, { once: true });
    });
  }

  function legend(now) {
    const made = element("p", "legend-line");
    for (const [level, words] of Object.entries(now.levels)) {
      const part = element("span", "");
      part.append(element("span", `key level-${level}`), words);
      made.append(part);
    }
    return made;
  }

  return {
    lay(found) { geometry = found; draw(); },
    temperatures(found) { lines = found; draw(); },
    show() { if (held === null) draw(); },
    mark(number) { marked = number; draw(); },
    draw,
  };
}
