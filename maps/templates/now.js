// Now: where the reader is; what the gauges should read here and on the next grade, what to do, and what comes next.

const EARTH_KM = 6371, FAR_KM = 5, LAG_MIN = 10, KEPT_H = 18, AFTER_H = 6;

function makeNow(onSettle) {
  const choice = byId("now-place"), find = byId("now-find"), note = byId("now-note");
  const put = (id, ...children) => byId(id).replaceChildren(...children);
  scene.places.forEach((one, index) => {
    const option = element("option", "", `${far(one.point)}: ${one.title}`);
    option.value = index;
    choice.appendChild(option);
  });
  choice.addEventListener("change", () => {
    note.textContent = "";
    onSettle(scene.places[choice.value].point);
  });
  find.addEventListener("click", locate);

  function locate() {
    if (!navigator.geolocation) { note.textContent = "This device tells no position. Pick a place instead."; return; }
    note.textContent = "Asking this device …";
    navigator.geolocation.getCurrentPosition((found) => {
      const here = nearest(found.coords.latitude, found.coords.longitude);
      note.textContent = here.km > FAR_KM ? `You are about ${plain(here.km)} km off the route; its nearest point is shown.`
        : "Found. The position stays on this page.";
      onSettle(here.point);
    }, () => { note.textContent = "No position was given. Pick a place instead."; }, { timeout: 20000, maximumAge: 60000 });
  }

  function nearest(lat, lon) {
    const radian = Math.PI / 180, shrink = Math.cos(lat * radian);
    let point = 0, least = Infinity;
    track.lat.forEach((one, i) => {
      const east = ((((track.lon[i] - lon + 180) % 360) + 360) % 360) - 180;
      const away = Math.hypot(one - lat, east * shrink);
      if (away < least) { least = away; point = i; }
    });
    return { point, km: least * radian * EARTH_KM };
  }

  function told(one, i) {
    if (!one) return "none";
    const apart = `${plain(Math.abs(track.distance[one.point] - track.distance[i]))} ${scene.distance_unit}`;
    const words = [one.title, one.text].filter((part) => part).join(": ").replace(/\.$/, "");
    if (one.point <= i) return `${words}. ${apart} back.`;
    return `${words}. ${apart} ahead${lasting(i, one.point)}, ${track.clock[one.point]}.`;
  }

  function at(i) {
    const passed = scene.places.filter((one) => one.point <= i).length - 1;
    choice.value = Math.max(passed, 0);
    const leg = scene.track.group_labels[track.group[i]] || "";
    const where = `${far(i)}, ${track.clock[i]}, ${plain(track.elevation[i])} ${scene.elevation_unit}. ${leg}`;
    put("now-where", where);
    const grade = scene.grades.find((one) => one.end > i);
    put("now-grade", ...gradeWords(grade, i));
    put("now-gauges", ...gaugeTable(grade, i));
    const advice = adviceAt(i);
    put("now-advice", ...advice.map((line) => element("li", "", line)));
    const lines = [];
    for (const group of scene.ahead) {
      lines.push([group.heading, told(group.milestones.find((one) => one.point > i), i)]);
      if (group.behind) lines.push([group.behind, told(group.milestones.findLast((one) => one.point <= i), i)]);
    }
    const tomorrow = nextStart(i);
    if (tomorrow) lines.push(["Next day starts", tomorrow]);
    put("now-ahead", ...lines.flatMap(([heading, words]) => [element("dt", "", heading), element("dd", "", words)]));
    const reads = track.series.map((one) => `${one.label} ${one.values[i] === null ? "not known" : plain(one.values[i])}`);
    return [where, `Expect ${reads.join(", ")}`, byId("now-grade").textContent, advice[0], ...lines.slice(0, 1).map((pair) => pair.join(": "))]
      .join(". ").replaceAll("..", ".");
  }

  return { at, say: (words) => put("now-said", words), note: (words) => { note.textContent = words; } };
}

function lasting(from, to) {
  return track.minutes && track.day[from] === track.day[to] ? `, ${duration(track.minutes[to] - track.minutes[from])}` : "";
}

function gradeWords(grade, i) {
  if (!grade) return [element("h3", "", "Next grade: none"), element("p", "", "No grade is left on the way.")];
  const on = grade.start <= i, point = on ? grade.end : grade.start;
  const apart = `${plain(track.distance[point] - track.distance[i])} ${scene.distance_unit}`;
  const head = element("h3", "", `${on ? "On the grade" : "Next grade"}: ${grade.title}`);
  if (grade.level !== "ample") {
    head.append(" ", element("span", `badge is-${grade.level}`, scene.level_words[LEVELS.indexOf(grade.level)]));
  }
  const when = on ? `${apart} to the top${lasting(i, point)}` : `${apart} to its foot${lasting(i, point)}, ${track.clock[point]} by the plan`;
  return [head, element("p", "", `${when}; ${grade.text}.`)];
}

// Hottest on a grade, or within ten minutes after its top: fluids lag.
function gradePeaks(grade) {
  let last = grade.end;
  while (track.minutes && last + 1 < count && track.minutes[last + 1] <= track.minutes[grade.end] + LAG_MIN
    && track.day[last + 1] === track.day[grade.end]) last++;
  const part = (column, pick) => {
    const known = column ? column.slice(grade.start, last + 1).filter((value) => value !== null) : [];
    return known.length ? pick(known) : null;
  };
  const most = (known) => known.reduce((a, b) => Math.max(a, b)), least = (known) => known.reduce((a, b) => Math.min(a, b));
  return track.series.map((one) => ({ expect: part(one.values, most), upper: part(one.high, most), limit: part(one.limit, least) }));
}

function gaugeTable(grade, i) {
  const table = element("table", "gauges"), head = element("tr"), body = element("tbody");
  const peaks = grade ? gradePeaks(grade) : null;
  const units = new Set(track.series.map((one) => one.unit)), alone = units.size === 1;
  table.appendChild(element("caption", "", `The gauges should read${alone ? `, ${[...units][0]}` : ""}`));
  const cell = (tag, words, scope, small) => {
    const made = element(tag, "", words);
    if (scope) made.scope = scope;
    if (small) made.append(" ", element("small", "", small));
    return made;
  };
  const show = (value) => (value === null || value === undefined ? "–" : plain(value));
  const upTo = (value) => (value === null || value === undefined ? "" : `up to ${plain(value)}`);
  head.append(...["Gauge", "Here", ...(peaks ? ["On the grade"] : []), "Limit"].map((words) => cell("th", words, "col")));
  table.appendChild(element("thead")).appendChild(head);
  track.series.forEach((one, index) => {
    const row = element("tr", `series-${index % 8}`);
    row.append(cell("th", alone ? one.label : `${one.label}, ${one.unit}`, "row"), cell("td", show(one.values[i]), "", upTo(one.high && one.high[i])));
    if (peaks) row.append(cell("td", show(peaks[index].expect), "", upTo(peaks[index].upper)));
    row.append(cell("td", show(peaks && peaks[index].limit !== null ? peaks[index].limit : one.limit && one.limit[i])));
    body.appendChild(row);
  });
  table.appendChild(body);
  return [table, element("p", "note", `Up to: ${scene.band_words}.`)];
}

// What to do from here on today; what was for a part already driven is left out.
function adviceAt(i) {
  const day = scene.days[track.day[i]], all = day ? day.advice : [];
  const left = all.filter((one) => one.until < 0 || one.until > i).map((one) => one.text);
  if (left.length) return left;
  return [all.length ? "Nothing more today: what was to be done lies behind you." : "Nothing special today."];
}

function nextStart(i) {
  const day = track.day[i] + 1;
  if (!track.day.includes(day)) return "";
  const first = pointsOf(day)[0], place = scene.places.findLast((one) => one.point <= first);
  return `${track.clock[first]}${place ? ` at ${place.title}` : ""}`;
}

// Where the page opens: at the place picked last, else where the plan has the car at this device's time.
function makeMemory() {
  const name = scene.key ? `grademargin-place-${scene.key}` : "";
  const now = () => Date.now() / 1000;
  function keep(i) {
    if (!name) return;
    try { localStorage.setItem(name, JSON.stringify({ along: track.distance[i], day: track.day[i], at: now() })); } catch { /* a browser may forbid it */ }
  }
  function kept() {
    try {
      const found = JSON.parse(localStorage.getItem(name) || "null");
      if (!found || !(now() - found.at < KEPT_H * 3600)) return null;
      const [first, last] = pointsOf(found.day);
      let best = first;
      for (let i = first; i <= last; i++) if (track.distance[i] <= found.along) best = i;
      return best;
    } catch { return null; }
  }
  function byClock() {
    if (scene.start_s === null || !track.minutes) return null;
    const minutes = (now() - scene.start_s) / 60;
    if (minutes < -AFTER_H * 60 || minutes > track.minutes[count - 1] + AFTER_H * 60) return null;
    let best = 0;
    while (best + 1 < count && track.minutes[best + 1] <= minutes) best++;
    return best;
  }
  return { keep, kept, byClock };
}
