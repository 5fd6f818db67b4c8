// What all parts of the page share: the scene as it was written, numbers, elements, symbols.

const ICONS = {                                  // drawn in a box of 24 by 24; earlier kinds hide later ones
  over: "M10 1h4l-.6 14h-2.8zM10 18h4v4h-4z",
  hot: "M10 1h4l-.6 14h-2.8zM10 18h4v4h-4z",
  start: "M7 4l12 8-12 8z",
  finish: "M6 4h2v16H6zM8 5h10v8H8z",
  night: "M15 4a8 8 0 1 0 5 12A8 8 0 0 1 15 4z",
  grade: "M3 19 10 6l4 6 2-3 5 10z",
  stop: "M7 5h4v14H7zM13 5h4v14h-4z",
  service: "M14 4a5 5 0 0 0-4 7l-6 6 3 3 6-6a5 5 0 0 0 7-5l-3 2-3-3 3-2z",
  fuel: "M12 3c4 5 6 8 6 11a6 6 0 0 1-12 0c0-3 2-6 6-11z",
  place: "M12 8a4 4 0 1 1 0 8 4 4 0 0 1 0-8z",
};
const RANK = Object.keys(ICONS);
const KIND_WORDS = { over: "Limit passed", hot: "Thin margin", start: "Start", finish: "Finish", grade: "Grade", night: "Night", stop: "Stop",
  service: "Service", fuel: "Fuel", place: "Place" };
const LEVELS = ["ample", "unknown", "thin", "exceeded"];

const SIGNS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz!#$%()*+,-./:;=?@[]^_{}";
const scene = JSON.parse(document.getElementById("scene-data").textContent);
const byId = (id) => document.getElementById(id);
const numbers = new Intl.NumberFormat(document.documentElement.lang);
const track = unpackTrack(scene.track);
const count = track.lat.length;

// Differences written as signs: small ones alternate in sign, "`" leads two signs of a larger one, "|" stands around the
// largest, "~" is a run of zeros, " " a gap.
function stepsOf(signs) {
  const made = [];
  for (let i = 0; i < signs.length; i++) {
    if (signs[i] === "~") made.push(String(SIGNS.indexOf(signs[++i])));
    else if (signs[i] === " ") made.push(null);
    else if (signs[i] === "|") {
      const end = signs.indexOf("|", i + 1);
      made.push(Number(signs.slice(i + 1, end)));
      i = end;
    } else {
      const wide = signs[i] === "`", place = SIGNS.indexOf(signs[wide ? i + 2 : i]) + (wide ? SIGNS.length * SIGNS.indexOf(signs[i + 1]) : 0);
      if (wide) i += 2;
      made.push(place % 2 ? -(place + 1) / 2 : place / 2);
    }
  }
  return made;
}

function unpack(column) {
  const scale = 10 ** column.digits, made = [];
  let total = 0;
  for (const step of stepsOf(column.signs)) {
    if (typeof step === "string") for (let left = Number(step); left > 0; left--) made.push(total / scale);
    else made.push(step === null ? null : (total += step) / scale);
  }
  return made;
}

function unpackTrack(packed) {
  const made = {};
  for (const name of ["lat", "lon", "distance", "elevation", "group", "day", "minutes"]) {
    if (packed[name]) made[name] = unpack(packed[name]);
  }
  const minutes = unpack(packed.clock.minutes), two = (number) => String(Math.floor(number)).padStart(2, "0");
  made.clock = unpack(packed.clock.numbers).map((number, i) => packed.clock.words[number].replace("{}", `${two(minutes[i] / 60)}:${two(minutes[i] % 60)}`));
  made.series = packed.series.map((one) => {
    const series = { label: one.label, unit: one.unit, dash: one.dash };
    for (const name of ["values", "limit", "low", "high"]) if (one[name]) series[name] = one[name] === "values" ? series.values : unpack(one[name]);
    return series;
  });
  return made;
}

// First and last point of a day; it begins where the day before ended.
function pointsOf(day) {
  if (day < 0 || !track.day.includes(day)) return [0, count - 1];
  return [Math.max(0, track.day.indexOf(day) - 1), track.day.lastIndexOf(day)];
}

// The same without the night after it.
function drivenOf(day) {
  const [first, last] = pointsOf(day), way = day < 0 ? [] : scene.days[day].way;
  return [first, way.length && way[way.length - 1] > first ? way[way.length - 1] : last];
}

function plain(value) {
  const step = Math.abs(value) < 10 ? 10 : 1;
  return numbers.format(Math.round(value * step) / step || 0);     // the last part turns -0 into 0
}

function far(i) {
  return `${plain(track.distance[i])} ${scene.distance_unit}`;
}

function duration(minutes) {
  const whole = Math.round(minutes);
  return whole < 60 ? `${whole} min` : `${Math.floor(whole / 60)} h ${String(whole % 60).padStart(2, "0")} min`;
}

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

function symbol(kind) {
  const disc = element("span", `disc pin-${kind}`);
  disc.appendChild(icon(kind));
  return disc;
}

// Width of bold text as a chart draws it.
const brush = document.createElement("canvas").getContext("2d"), BRUSH_PX = 12.5;
function widthOf(words) {
  brush.font = `600 ${BRUSH_PX}px ${getComputedStyle(document.body).fontFamily}`;
  return brush.measureText(words).width + 4;
}

// Boxes already in use; `put` takes the first of some boxes that is free.
function makeRoom(limits) {
  const taken = [];
  const clear = (box) => taken.every((t) => box[0] > t[2] || box[2] < t[0] || box[1] > t[3] || box[3] < t[1]);
  const within = (box) => !limits || (box[0] >= limits[0] && box[1] >= limits[1] && box[2] <= limits[2] && box[3] <= limits[3]);
  return {
    take: (box) => taken.push(box),
    clear,
    put(boxes) {
      const found = boxes.findIndex((box) => within(box) && clear(box));
      if (found >= 0) taken.push(boxes[found]);
      return found;
    },
  };
}
