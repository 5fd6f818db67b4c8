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
    const there = scene.places.some((one) => one.point === i);
    const where = `${far(i)}, ${track.clock[i]}, ${plain(track.elevation[i])} ${scene.elevation_unit}.${there ? "" : ` ${leg}`}`;
    put("now-where", where);
    const grade = nextGrade(i), peaks = grade ? gradePeaks(grade) : [];
    put("now-grade", ...gradeWords(grade, i, peaks));
    put("now-gauges", ...hereWords(i), ...gaugeTable(grade, i, peaks));
    const advice = allAdvice(i, measures(grade, i, peaks));
    if (teaching) drawLegsAhead(i);
    putAdvice(advice);
    const lines = [];
    for (const group of scene.ahead) {
      lines.push([group.heading, told(group.milestones.find((one) => one.point > i), i)]);
      if (group.behind) lines.push([group.behind, told(group.milestones.findLast((one) => one.point <= i), i)]);
    }
    const tomorrow = nextStart(i);
    if (tomorrow) lines.splice(1, 0, ["Next day starts", tomorrow]);       // after the first sort, the fuel
    put("now-ahead", ...lines.flatMap(([heading, words]) => [element("dt", "", heading), element("dd", "", words)]));
    const reads = track.series.map((one) => `${one.label} ${one.values[i] === null ? "not known" : plain(one.values[i])}`);
    return [where, `Expect ${reads.join(", ")}`, byId("now-grade").textContent, advice[0], ...lines.slice(0, 1).map((pair) => pair.join(": "))]
      .join(". ").replaceAll("..", ".");
  }

  // The first line is enough to act on; the others fold away.
  function putAdvice(advice) {
    const [first, ...others] = advice.map((line) => element("li", "", line));
    put("now-advice", first);
    put("now-others", ...others);
    byId("now-more").hidden = !others.length;
    byId("now-more-title").textContent = `or ${others.length} other${others.length > 1 ? "s" : ""}`;
  }

  return { at, say: (words) => put("now-said", words), note: (words) => { note.textContent = words; } };
}

function lasting(from, to) {
  return track.minutes && track.day[from] === track.day[to] ? `, ${duration(track.minutes[to] - track.minutes[from])}` : "";
}

// A word on the figures under "Here" where the plan does not call this part of the way ample.
function hereWords(i) {
  const part = scene.stretches.find((one) => one.level !== "ample" && one.start <= i && i < one.end);
  if (!part) return [];
  const said = element("p", "", part.level === "unknown" ? "Something is missing in the plan for this part of the way: figures under Here may be too low. " : "");
  said.prepend(element("span", `badge is-${part.level}`, `Here: ${scene.level_words[LEVELS.indexOf(part.level)].toLowerCase()}`), " ");
  return [said];
}

function nextGrade(i) {
  return scene.grades.find((one) => one.end > i);
}

function gradeWords(grade, i, peaks) {
  if (!grade) return [element("h3", "", "Next grade: none"), element("p", "", "No grade is left on the way.")];
  const on = grade.start <= i, point = on ? grade.end : grade.start;
  const apart = `${plain(track.distance[point] - track.distance[i])} ${scene.distance_unit}`;
  const head = element("h3", "", `${on ? "On the grade" : "Next grade"}: ${grade.title}`);
  const level = gradeLevel(grade, peaks);
  if (level !== "ample") head.append(" ", element("span", `badge is-${level}`, scene.level_words[LEVELS.indexOf(level)]));
  const when = on ? `${apart} to the top${lasting(i, point)}` : `${apart} to its foot${lasting(i, point)}, ${track.clock[point]} by the plan`;
  const alarm = alarmWords(peaks);
  return [head, element("p", "", `${when}; ${grade.text}.`), ...(alarm ? [element("p", "", alarm)] : []),
    ...(level === "ample" ? [element("p", "", "Margins there are ample: the plan changes nothing. If an alarm sounds, ease off: the gauge outranks the plan.")] : [])];
}

// The plan's own level, unless the page moved its figures.
function gradeLevel(grade, peaks) {
  const levels = peaks.map((one) => one.level).filter((level) => level);
  if (!teaching || !levels.length) return grade.level;
  const least = grade.level === "unknown" ? "unknown" : "ample";
  return LEVELS[Math.max(...[least, ...levels].map((level) => LEVELS.indexOf(level)))];
}

// Whether the alarms at the caution marks of the card are likely to sound.
function alarmWords(peaks) {
  const named = (some) => some.map((one) => `${one.label.toLowerCase()} (caution ${plain(one.caution)})`).join(", ");
  const marked = peaks.filter((one) => one.caution !== undefined && one.caution !== null && one.upper !== null);
  if (!marked.length) return "";
  const will = marked.filter((one) => one.expect >= one.caution), may = marked.filter((one) => one.expect < one.caution && one.upper >= one.caution);
  if (!will.length && !may.length) return "Alarms at the caution marks: none expected to sound.";
  return ["Alarms at the caution marks:", [will.length ? `${named(will)} likely to sound` : "", may.length ? `${named(may)} may sound` : ""]
    .filter((words) => words).join("; ")].join(" ") + ".";
}

// Fluids are hottest on a grade or within minutes after its top: they lag.
function gradeEnd(grade) {
  let last = grade.end;
  while (track.minutes && last + 1 < count && track.minutes[last + 1] <= track.minutes[grade.end] + LAG_MIN
    && track.day[last + 1] === track.day[grade.end]) last++;
  return last;
}

function gradePeaks(grade) {
  const last = gradeEnd(grade);
  const part = (column, pick) => {
    const known = column ? column.slice(grade.start, last + 1).filter((value) => value !== null) : [];
    return known.length ? pick(known) : null;
  };
  const most = (known) => known.reduce((a, b) => Math.max(a, b)), least = (known) => known.reduce((a, b) => Math.min(a, b));
  const made = track.series.map((one) => ({ label: one.label, expect: part(one.values, most), upper: part(one.high, most), limit: part(one.limit, least) }));
  if (teaching) teaching.fluids.forEach((channel, c) => judge(made[channel.series], channel, c, grade, last));
  return made;
}

// The track's figures are thinned by up to this; the plan's peaks are exact.
const THINNED = 1.5;

// Of the grade's own figures and those of the plan's peaks there the graver counts.
function judge(one, channel, c, grade, last) {
  const there = (peak) => peak.channel === c && teaching.nodes[peak.node] >= grade.start && teaching.nodes[peak.node] <= last;
  const peaks = figures.peaks.filter(there), at = between(grade.end);
  const near = between(grade.end), [shift, ratio] = ["read", "ratio"].map((which) => mixed(figures.moved[c].map((node) => node[which]), near));
  const upper = shift > -teaching.rules.note && ratio < 1 ? one.expect + (one.upper - one.expect) / ratio : one.upper;
  const beyond = figures.moved[c].some((node, k) => node.beyond && teaching.nodes[k] >= grade.start && teaching.nodes[k] <= last);
  const level = levelOf(one.limit - upper, doubtAt(figures.known, c, grade.end), beyond || grade.level === "unknown", figures.on.length > 0);
  const worst = [...peaks].sort((a, b) => a.limit - a.upper - b.limit + b.upper)[0];
  if (worst && Math.abs(worst.upper - one.upper) <= THINNED) [one.upper, one.limit] = [worst.upper, worst.limit];
  else one.upper = Math.max(one.upper, ...peaks.map((peak) => peak.upper));
  one.level = LEVELS[Math.max(...[level, ...peaks.map((peak) => peak.level)].map((word) => LEVELS.indexOf(word)))];
  one.caution = channel.caution;
}

// What to do with the grade's tightest fluid, each with the figure it leads to.
function measures(grade, i, peaks) {
  if (!teaching || !grade) return [];
  const judged = teaching.fluids.map((channel, c) => ({ c, channel, peak: peaks[channel.series] })).filter(({ peak }) => peak.level);
  const tight = judged.filter(({ peak }) => peak.level !== "ample").sort((a, b) => LEVELS.indexOf(b.peak.level) - LEVELS.indexOf(a.peak.level)
    || a.peak.limit - a.peak.upper - b.peak.limit + b.peak.upper)[0];
  if (!tight) return [];
  const { c, channel, peak } = tight, { unit } = track.series[channel.series], last = gradeEnd(grade);
  return teaching.switches.filter((one) => ["ac", "slower"].includes(one.group) && !figures.on.includes(one)).map((one) => {
    const then = movedWith([...figures.on, one], i, grade)[c], { values } = track.series[channel.series];
    const moves = then.map((node, k) => node.shift - figures.moved[c][k].shift);
    const points = values.flatMap((value, point) => (point >= Math.max(grade.start, i) && point <= last && value !== null ? [point] : []));
    const hottest = (plus) => points.reduce((most, point) => Math.max(most, values[point] + plus(point)), -Infinity);
    const move = points.length ? hottest((point) => mixed(moves, between(point))) - hottest(() => 0) : 0, name = channel.label.toLowerCase();
    const cost = one.grade ? minutesLost(grade, i) : 0;
    if (move > -teaching.rules.note / 4) return `${one.label}: does nothing for the ${name}${move > teaching.rules.note ? ", which gets hotter" : ""}.`;
    return `${one.label}: ${name} ${plain(peak.expect + move)}, up to ${plain(peak.upper + move)} ${unit}; limit ${plain(peak.limit)}${cost ? `; ${plain(cost)} min more` : ""}.`;
  });
}

function minutesLost(grade, i) {
  const whole = mixed(teaching.slower, between(grade.end)) - mixed(teaching.slower, between(grade.start));
  const span = track.distance[grade.end] - track.distance[grade.start], left = track.distance[grade.end] - Math.max(track.distance[grade.start], track.distance[i]);
  return Math.round(span > 0 ? whole * left / span : whole);
}

// What is left of today, leg by leg: the fluid that comes nearest its limit.
function drawLegsAhead(i) {
  const day = track.day[i], legs = [...new Set(figures.peaks.map((one) => one.leg))]
    .map((leg) => ({ leg, end: scene.places[leg + 1].point })).filter(({ end }) => end > i && track.day[end] === day);
  const worst = legs.map(({ leg }) => gravest(figures.peaks.filter((one) => one.leg === leg)));
  const table = element("table"), body = element("tbody"), head = element("tr"), grave = worst.filter((one) => one.level !== "ample").length;
  head.append(...["To", "Gauge", "Expect", "Up to", "Limit", "Margin"].map((words) => { const made = element("th", "", words); made.scope = "col"; return made; }));
  worst.forEach((one) => {
    const row = element("tr", `is-${one.level}`), channel = teaching.channels[one.channel];
    row.append(...[scene.places[one.leg + 1].title, channel.short, plain(one.expected), plain(one.upper), plain(one.limit),
      one.level === "ample" ? plain(one.limit - one.upper) : one.level].map((words) => element("td", "", words)));
    body.appendChild(row);
  });
  table.append(element("caption", "hidden", "Legs ahead today"), element("thead"), body);
  table.tHead.appendChild(head);
  byId("legs-title").textContent = `Legs ahead today: ${legs.length}${grave ? `, ${grave} not ample` : ""}`;
  byId("legs-table").replaceChildren(...(legs.length ? [table] : [element("p", "", "None.")]));
}

function gaugeTable(grade, i, found) {
  const table = element("table", "gauges"), head = element("tr"), body = element("tbody");
  const peaks = grade ? found : null, judged = Boolean(peaks && teaching);
  const units = new Set(track.series.map((one) => one.unit)), alone = units.size === 1;
  table.appendChild(element("caption", "", `The gauges should read${alone ? `, ${[...units][0]}` : ""}`));
  const cell = (tag, words, scope, small) => {
    const made = element(tag, "", words);
    if (scope) made.scope = scope;
    if (small) made.append(" ", element("small", "", small));
    return made;
  };
  const show = (value) => (value === null || value === undefined ? "–" : plain(value));
  const upTo = (value) => (value === null || value === undefined ? "" : `(${plain(value)})`);
  head.append(...["Gauge", "Here (up to)", ...(peaks ? ["On grade (up to)"] : []), "Limit", ...(judged ? ["Margin there"] : [])].map((words) => cell("th", words, "col")));
  table.appendChild(element("thead")).appendChild(head);
  track.series.forEach((one, index) => {
    const row = element("tr", `series-${index % 8}`);
    row.append(cell("th", alone ? one.label : `${one.label}, ${one.unit}`, "row"), cell("td", show(one.values[i]), "", upTo(one.high && one.high[i])));
    if (peaks) row.append(cell("td", show(peaks[index].expect), "", upTo(peaks[index].upper)));
    row.append(cell("td", show(peaks && peaks[index].limit !== null ? peaks[index].limit : one.limit && one.limit[i])));
    if (judged) {
      const { level, limit, upper } = peaks[index];
      row.append(cell("td", !level ? "–" : level === "unknown" ? level : plain(limit - upper), "", level && level !== "unknown" ? level : ""));
      if (level) row.classList.add(`is-${level}`);
    }
    body.appendChild(row);
  });
  table.appendChild(body);
  return [table, element("p", "note", `Up to: ${scene.band_words}.`)];
}

// What to do from here on today; what was for a part already driven is left out.
function adviceLeft(i) {
  const day = scene.days[track.day[i]], all = day ? day.advice : [];
  return { all, left: all.filter((one) => one.until < 0 || one.until > i) };
}

function adviceAt(i) {
  const { all, left } = adviceLeft(i);
  if (left.length) return left.map((one) => one.text);
  return [all.length ? "Nothing more today: what was to be done lies behind you." : "Nothing special today."];
}

// What changes a temperature comes first: the plan's, then the page's own measures; what is only to be watched comes last.
function allAdvice(i, helps) {
  const { left } = adviceLeft(i);
  if (!helps.length) return adviceAt(i);
  const texts = (watch) => left.filter((one) => one.watch === watch).map((one) => one.text);
  return [...texts(false), ...helps, ...texts(true)];
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
