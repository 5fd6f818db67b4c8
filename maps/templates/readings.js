// Gauges read on the way, kept on this device; what is different today; and what both make of all figures.

const base = track.series.map((one) => ({ values: one.values, high: one.high || one.values }));
const figures = { known: null, learnt: null, moved: null, peaks: [], on: [] };

function makeReadings(onChange) {
  const name = scene.key ? `grademargin-readings-${scene.key}` : "";
  let kept = [], here = 0;

  function load() {
    try {
      const found = JSON.parse(localStorage.getItem(name) || "[]");
      kept = Array.isArray(found) ? found.filter((one) => one && typeof one.values === "object" && one.values) : [];
    } catch { kept = []; }
  }

  // False where the browser forbids it.
  function save() {
    if (!name) return false;
    try { localStorage.setItem(name, JSON.stringify(kept)); return true; } catch { return false; }
  }

  const inPlan = (one) => teaching.known.includes([one.place || `${one.from}>${one.to}`,
    ...teaching.channels.filter((channel) => channel.key).map(({ key }) => (key in one.values ? Number(one.values[key]).toFixed(1) : ""))].join("|"));

  // The readings that lie on this page's road and are not in its plan already, in driving order.
  function used() {
    return kept.filter((one) => !inPlan(one)).map((one) => ({ ...one, point: pointOf(one) })).filter((one) => one.point !== null)
      .sort((a, b) => a.point - b.point);
  }

  function learn() {
    if (!teaching) return;
    const some = used();
    figures.known = learnFrom(some);
    figures.known.readings = some;
    figures.learnt = learntAt(figures.known);
    move();
  }

  function move() {
    if (!teaching) return;
    figures.moved = movedWith(figures.on, here, nextGrade(here));
    figures.peaks = movedPeaks(figures.moved, figures.known, figures.on.length > 0);
    moveSeries(airAt(figures.known, figures.on, here));
    moveTimetables();
    byId("moved").textContent = movedWords(figures.known.numbers.filter((one) => one.believed).length);
  }

  function toggle(one) {
    const was = figures.on.includes(one);
    figures.on = figures.on.filter((other) => other.group !== one.group).concat(was ? [] : [one]);
    for (const button of byId("today").querySelectorAll("button")) {
      button.setAttribute("aria-pressed", figures.on.includes(teaching.switches[button.dataset.number]));
    }
    byId("today-note").textContent = todayWords(figures.on);
    move();
    onChange();
  }

  function drawSwitches() {
    teaching.switches.forEach((one, number) => {
      const button = element("button", "", one.label);
      button.type = "button";
      button.dataset.number = number;
      button.setAttribute("aria-pressed", "false");
      button.addEventListener("click", () => toggle(one));
      byId("today").appendChild(button);
    });
  }

  function drawFields() {
    for (const channel of teaching.channels.filter((one) => one.key)) {
      const label = element("label", "", `${channel.label}, ${track.series[channel.series].unit}`), field = element("input");
      field.inputMode = "decimal";
      field.autocomplete = "off";
      field.name = channel.key;
      label.appendChild(field);
      byId("read-fields").appendChild(label);
    }
  }

  function take(event) {
    event.preventDefault();
    const values = {}, say = byId("read-said"), form = byId("read-form");
    say.className = "";
    for (const channel of teaching.channels.filter((one) => one.key)) {
      const field = form.elements[channel.key], text = field.value.trim(), value = Number(text.replace(",", "."));
      field.removeAttribute("aria-invalid");
      if (!text) continue;
      if (!Number.isFinite(value) || value < channel.low || value > channel.high) {
        say.className = "refused";
        say.textContent = `${channel.label}: read “${text}”, not used; enter a number from ${plain(channel.low)} to ${plain(channel.high)} `
          + `${track.series[channel.series].unit}.`;
        field.setAttribute("aria-invalid", "true");
        field.focus();
        return;
      }
      values[channel.key] = value;
    }
    if (!Object.keys(values).length) { say.className = "refused"; say.textContent = "Write at least one number."; return; }
    const one = { ...placeOf(here), ...momentOf(here), values };
    kept.push(one);
    const safe = save();
    form.reset();
    learn();
    draw();
    onChange();
    const doubts = figures.known.numbers.filter((number) => !number.believed && sameReading(figures.known.readings[number.row], one));
    say.className = doubts.length ? "refused" : "";
    say.textContent = [...doubts.map(doubtWords), doubts.length < Object.keys(values).length ? "Taken." : "",
      here === 0 ? "The trip starts here, cold: only the air counts in the first half hour; other readings are not used." : "",
      safe ? "" : "This browser keeps nothing: copy the text before you close the page."].filter((words) => words).join(" ");
  }

  function remove(one) {
    kept = kept.filter((other) => other !== one);
    save();
    learn();
    draw();
    onChange();
    byId("read-said").className = "";
    byId("read-said").textContent = "Removed.";
    byId("read-title").focus();
  }

  function draw() {
    const lines = kept.map((one) => {
      const line = element("li"), button = element("button", "", "Remove"), where = whereWords(one);
      line.append(element("span", "", `${where}: ${valueWords(one, inPlan(one))}`), button);
      button.type = "button";
      button.setAttribute("aria-label", `Remove the reading at ${where}`);
      button.addEventListener("click", () => remove(one));
      return line;
    });
    byId("read-list").replaceChildren(...lines);
    byId("read-out").hidden = !kept.length;
    byId("read-text").value = fileText(kept);
    byId("read-learnt").replaceChildren(...learntWords().map((words) => element("li", "", words)));
    byId("read-title").textContent = kept.length ? `Read the gauges (${kept.length} kept)` : "Read the gauges";
  }

  function begin() {
    if (!teaching) return;
    load();
    drawSwitches();
    drawFields();
    byId("teach").hidden = false;
    byId("read-form").addEventListener("submit", take);
    byId("read-save").addEventListener("click", () => download(fileText(kept)));
    byId("read-copy").addEventListener("click", () => copy(byId("read-text")));
    const file = () => new File([fileText(kept)], teaching.file, { type: "text/csv" });
    try { byId("read-share").hidden = !(navigator.canShare && navigator.canShare({ files: [file()] })); } catch { byId("read-share").hidden = true; }
    byId("read-share").addEventListener("click", () => navigator.share({ files: [file()] }).catch(() => {}));
    learn();
    draw();
  }

  return { begin, settle: (i) => {
    here = i;
    if (!teaching) return;
    if (figures.on.length) move();
    byId("read-where").textContent = `At ${whereWords(placeOf(i))}.`;
  } };
}

// --- where and when ---

// A place of the way, or so far along one of its legs.
function placeOf(i) {
  const stop = scene.places.findIndex((one) => one.point === i), date = (scene.days[track.day[i]] || {}).date || "";
  if (stop >= 0) return { place: teaching.stops[stop], date };
  const leg = Math.max(scene.places.findLastIndex((one) => one.point <= i), 0);
  const along = Math.round((track.distance[i] - track.distance[scene.places[leg].point]) * 10) / 10;
  if (leg >= teaching.stops.length - 1) return { place: teaching.stops[teaching.stops.length - 1], date };
  return { from: teaching.stops[leg], to: teaching.stops[leg + 1], along, date };
}

function pointOf(one) {
  const { stops } = teaching, found = [];
  stops.forEach((key, k) => {
    if (one.place ? key === one.place : key === one.from && stops[k + 1] === one.to) {
      let point = scene.places[k].point;
      const last = one.place ? point : scene.places[k + 1].point, wanted = track.distance[point] + (one.along || 0);
      while (point < last && track.distance[point] < wanted - 0.051) point++;
      found.push(point);
    }
  });
  return found.find((point) => scene.days[track.day[point]].date === one.date) ?? found[0] ?? null;
}

const twoDigits = (number) => String(number).padStart(2, "0");

// The device's own time, where it fits the plan; else none, or the plan's where the way passes more than once.
function momentOf(i) {
  const { rules, stops } = teaching, now = new Date(), where = placeOf(i);
  const late = scene.start_s === null || !track.minutes ? Infinity : Math.abs(now / 60000 - scene.start_s / 60 - track.minutes[i]);
  if (late <= rules.far_min) {
    const date = [now.getFullYear(), twoDigits(now.getMonth() + 1), twoDigits(now.getDate())].join("-");
    return { when: `${date} ${twoDigits(now.getHours())}:${twoDigits(now.getMinutes())}`, late };
  }
  const often = stops.filter((key, k) => (where.place ? key === where.place : key === where.from && stops[k + 1] === where.to)).length;
  const clock = /\d\d:\d\d/.exec(track.clock[i]);
  return { when: often > 1 && clock ? `${where.date} ${clock[0]}` : "", late: 0 };
}

const sameReading = (a, b) => a.when === b.when && a.place === b.place && a.along === b.along && JSON.stringify(a.values) === JSON.stringify(b.values);

// --- in words ---

function titleOf(key) {
  const k = teaching.stops.indexOf(key);
  return k < 0 ? key : scene.places[k].title;
}

function whereWords(one) {
  const where = one.place ? titleOf(one.place) : `${plain(one.along)} ${scene.distance_unit} past ${titleOf(one.from)}`;
  return one.when ? `${where}, ${one.when}` : where;
}

const gap = (value) => (plain(Math.abs(value)) === "0" ? "as expected" : `${plain(Math.abs(Math.round(value)))} ${value > 0 ? "above" : "below"} expected`);

function valueWords(one, already) {
  const row = figures.known.readings.findIndex((other) => sameReading(other, one));
  const said = teaching.channels.filter(({ key }) => key in one.values).map((channel) => {
    const number = figures.known.numbers.find((other) => other.row === row && teaching.channels[other.c] === channel);
    const words = `${channel.label.toLowerCase()} ${plain(one.values[channel.key])}`;
    if (!number) return words;
    return `${words} (${number.believed ? gap(number.read - number.expected) : "not used"})`;
  });
  if (already) said.push("in the plan already");
  else if (row < 0) said.push("not on this page's road, not used");
  return said.join(", ");
}

function doubtWords(number) {
  const channel = teaching.channels[number.c], { unit } = track.series[channel.series], hot = number.read > number.expected;
  const look = hot ? "the unit, whether it is that gauge, its sender and ground. If the gauge is right, the car has a fault: stop where it is safe and check before driving on"
    : "the unit, whether it is that gauge, its sender and ground, a thermostat that stays open, a level too low to reach the sender";
  return `${channel.label} ${plain(number.read)} ${unit} is ${hot ? "too hot" : "too cold"} for this car here, ${plain(number.expected)} ± ${plain(number.sd)} expected: `
    + `not used. Check ${look}.${hot ? " Until then its margin ahead is not known." : ""}`;
}

function learntWords() {
  const { known } = figures, { note } = teaching.rules;
  return teaching.channels.flatMap((channel, c) => {
    const used = known.numbers.filter((one) => one.c === c && one.believed), { unit } = track.series[channel.series];
    if (!used.length || c === teaching.fluids.length) return [];
    const runs = sum(used.map((one) => one.after - one.expected)) / used.length, read = sum(used.map((one) => one.read - one.expected)) / used.length;
    const count = `${used.length} reading${used.length > 1 ? "s" : ""}, ${gap(read)}${used.length > 1 ? " on average" : ""}`;
    if (Math.abs(runs) < note && Math.abs(read) >= 2 * note) return [`${channel.label}: ${count}. A forecast may be that far off: it counts as planned.`];
    const like = Math.abs(runs) < note ? "as planned" : `${plain(Math.abs(runs))} ${unit} ${runs > 0 ? "hotter" : "cooler"} than planned`;
    return [`${channel.label} runs ${like}; ${count}.`];
  }).concat(known.days.flatMap((day, index) => {
    const shift = known.mean[teaching.unknowns - 1 + index] * teaching.day_sd[day];
    return Math.abs(shift) < note ? [] : [`Air of day ${day + 1}: ${plain(Math.abs(shift))} ${track.series[0].unit} ${shift > 0 ? "hotter" : "cooler"} than planned; that day alone.`];
  }));
}

function todayWords(on) {
  const notes = on.map((one) => one.note).filter((words) => words);
  if (on.length > 1) notes.push("Each change was computed alone; together they are added up, which is less sure.");
  return notes.join(" ");
}

function movedWords(count) {
  const parts = [];
  if (count) parts.push(`${count} gauge reading${count > 1 ? "s" : ""} of this device`);
  if (figures.on.length) parts.push(`today's changes (${figures.on.map((one) => one.label).join(", ")})`);
  if (!parts.length) return "";
  return `Moved by ${parts.join(" and ")}: Now, profiles, timetables. Sentences, map and alarm card are as planned.`
    + (figures.moved.some((nodes) => nodes.some((one) => one.beyond)) ? " Some lie beyond what was computed: they are extrapolated, and called unknown at best." : "");
}

// --- figures of the whole page ---

function moveSeries(air) {
  let after = 0;
  const { nodes, fluids, channels } = teaching;
  const places = track.lat.map((_, i) => {
    while (after < nodes.length - 1 && nodes[after] < i) after++;
    const a = Math.max(after - 1, 0), [from, to] = [nodes[a], nodes[after]], clock = track.minutes || track.distance;
    if (to <= i || to === from) return [after, after, 0];
    return [a, after, clock[to] > clock[from] ? (clock[i] - clock[from]) / (clock[to] - clock[from]) : (i - from) / (to - from)];
  });
  fluids.forEach((channel, c) => {
    const shift = figures.moved[c].map((one) => one.shift), ratio = figures.moved[c].map((one) => one.ratio);
    const series = track.series[channel.series], { values, high } = base[channel.series];
    series.values = values.map((one, i) => (one === null ? null : one + mixed(shift, places[i])));
    series.high = values.map((one, i) => (one === null ? null : series.values[i] + (high[i] - one) * mixed(ratio, places[i])));
    series.low = series.values;
  });
  const { series } = channels[channels.length - 1];
  track.series[series].values = base[series].values.map((one, i) => (one === null ? null : one + mixed(air, places[i])));
}

const planned = new Map();

// The hottest figures and the smallest margin of every line of the timetables.
function moveTimetables() {
  const moved = figures.on.length > 0 || figures.known.numbers.length > 0;
  document.querySelectorAll(".sheet.day").forEach((sheet, day) => {
    for (const row of sheet.querySelectorAll(".way tbody tr")) {
      if (!planned.has(row)) planned.set(row, { cells: [...row.cells].map((cell) => cell.textContent), level: row.className });
      const was = planned.get(row), leg = track.group[scene.days[day].way[row.dataset.line]];
      const peaks = row.dataset.line === "0" ? [] : figures.peaks.filter((one) => one.leg === leg);
      if (!moved || !peaks.length) { [...row.cells].forEach((cell, k) => { cell.textContent = was.cells[k]; }); row.className = was.level; continue; }
      for (const peak of peaks) row.cells[5 + peak.channel].textContent = Math.round(peak.expected);
      const worst = gravest(peaks);
      row.cells[5 + teaching.fluids.length].textContent = marginWords(worst, teaching.channels[worst.channel].short);
      row.className = `is-${worst.level}`;
    }
  });
}

const roomOf = (peak) => peak.limit - peak.upper - (peak.level === "unknown" ? peak.lost : 0);

function gravest(peaks) {
  return peaks.reduce((a, b) => {
    const apart = LEVELS.indexOf(b.level) - LEVELS.indexOf(a.level);
    return apart > 0 || (apart === 0 && roomOf(b) < roomOf(a)) ? b : a;
  });
}

function marginWords(peak, name) {
  if (peak.level === "unknown") return `${name}, unknown`;
  return `${Math.round(peak.limit - peak.upper)} ${name}${peak.level === "ample" ? "" : `, ${peak.level}`}`;
}

// --- the file ---

function fileText(kept) {
  const columns = teaching.channels.filter((one) => one.key).map((one) => one.key);
  const cell = (words) => (/[",\n\r]/.test(words) ? `"${words.replaceAll('"', '""')}"` : words);
  const lines = kept.map((one) => [one.when || "", one.place || "", one.place ? "" : `${one.from}>${one.to}: ${one.along} ${scene.distance_unit}`,
    ...columns.map((key) => (key in one.values ? String(one.values[key]) : "")), ""].map(cell).join(","));
  return `${["when,place,along", ...columns.map((key) => `${key} [${teaching.unit}]`), "note"].join(",")}\n${lines.map((line) => `${line}\n`).join("")}`;
}

function download(text) {
  const link = element("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
  link.download = teaching.file;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}

function copy(field) {
  const done = () => { byId("read-said").className = ""; byId("read-said").textContent = `Copied: paste it into ${teaching.file} of the trip's folder.`; };
  const byHand = () => { field.focus(); field.select(); if (document.execCommand("copy")) done(); };
  if (navigator.clipboard) navigator.clipboard.writeText(field.value).then(done, byHand); else byHand();
}
