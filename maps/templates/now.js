// Now: the reader says where they are; this tells what the gauges should read, what comes next and what to do.

const EARTH_KM = 6371, FAR_KM = 5;

function duration(minutes) {
  const whole = Math.round(minutes);
  return whole < 60 ? `${whole} min` : `${Math.floor(whole / 60)} h ${String(whole % 60).padStart(2, "0")} min`;
}

function makeNow(scene, track, onSettle) {
  const choice = document.getElementById("now-place"), find = document.getElementById("now-find");
  const put = (id, ...children) => document.getElementById(id).replaceChildren(...children);
  const far = (i) => `${plain(track.distance[i])} ${scene.distance_unit}`;
  scene.places.forEach((one, index) => {
    const option = element("option", "", `${far(one.point)}: ${one.title}`);
    option.value = index;
    choice.appendChild(option);
  });
  choice.addEventListener("change", () => onSettle(scene.places[choice.value].point));
  find.addEventListener("click", locate);

  function locate() {
    const note = document.getElementById("now-note");
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
      const east = ((track.lon[i] - lon + 540) % 360) - 180;
      const away = Math.hypot(one - lat, east * shrink);
      if (away < least) { least = away; point = i; }
    });
    return { point, km: least * radian * EARTH_KM };
  }

  function gauges(i) {
    const cell = (tag, words, scope) => {
      const made = element(tag, "", words);
      if (scope) made.scope = scope;
      return made;
    };
    const table = element("table"), head = element("tr"), body = element("tbody");
    table.appendChild(element("caption", "", "The gauges should read"));
    head.append(...["Gauge", "Expect", "Up to", "Limit"].map((words) => cell("th", words, "col")));
    table.appendChild(element("thead")).appendChild(head);
    track.series.forEach((one, index) => {
      const show = (column) => (column && column[i] !== null ? plain(column[i]) : "–");
      const row = element("tr", `series-${index % 8}`);
      row.append(cell("th", `${one.label}, ${one.unit}`, "row"), cell("td", show(one.values)), cell("td", show(one.high)),
        cell("td", show(one.limit)));
      body.appendChild(row);
    });
    table.appendChild(body);
    return [table, element("p", "note", `Up to: ${scene.band_words}.`)];
  }

  function told(one, i) {
    if (!one) return "none";
    const apart = `${plain(Math.abs(track.distance[one.point] - track.distance[i]))} ${scene.distance_unit}`;
    const words = [one.title, one.text].filter((part) => part).join(": ").replace(/\.$/, "");
    if (one.point <= i) return `${words}. ${apart} back.`;
    const sameDay = track.minutes && track.day[one.point] === track.day[i];
    const lasting = sameDay ? ` in ${duration(track.minutes[one.point] - track.minutes[i])}` : "";
    return `${words}. ${apart} ahead${lasting}, ${track.clock[one.point]} by the plan.`;
  }

  function at(i) {
    const passed = scene.places.filter((one) => one.point <= i).length - 1;
    choice.value = Math.max(passed, 0);
    const leg = scene.track.group_labels[track.group[i]] || "";
    const where = `${far(i)}, ${track.clock[i]}, ${plain(track.elevation[i])} ${scene.elevation_unit}. ${leg}`;
    put("now-where", where);
    put("now-gauges", ...gauges(i));
    const lines = [];
    for (const group of scene.ahead) {
      lines.push([group.heading, told(group.milestones.find((one) => one.point > i), i)]);
      if (group.behind) lines.push([group.behind, told(group.milestones.findLast((one) => one.point <= i), i)]);
    }
    put("now-ahead", ...lines.flatMap(([heading, words]) => [element("dt", "", heading), element("dd", "", words)]));
    const day = scene.days[track.day[i]];
    put("now-advice", ...[...(day ? day.advice : []), ...scene.rules].map((line) => element("li", "", line)));
    const reads = track.series.map((one) => `${one.label} ${one.values[i] === null ? "not known" : plain(one.values[i])}`);
    return [where, `Expect ${reads.join(", ")}`, ...lines.slice(0, 2).map((pair) => pair.join(": "))].join(". ").replaceAll("..", ".");
  }

  return { at, say: (words) => put("now-said", words) };
}
