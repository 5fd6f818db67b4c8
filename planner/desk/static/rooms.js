// The other rooms: new trip, car, rules of the trip, readings, comparison, logs, files.

import { ask, bullets, button, byId, choices, complain, edit, element, onNews, refresh, send, state, tried, upload } from "/static/api.js";

let go = () => {};
const shown = (name) => document.body.dataset.room === name;

function drops(box, field, work) {
  const take = async (files) => { for (const file of files) await tried(() => work(file)); field.value = ""; };
  field.addEventListener("change", () => take([...field.files]));
  box.addEventListener("dragover", (event) => { event.preventDefault(); box.classList.add("over"); });
  box.addEventListener("dragleave", () => box.classList.remove("over"));
  box.addEventListener("drop", (event) => { event.preventDefault(); box.classList.remove("over"); take([...event.dataTransfer.files]); });
}

// --- a new trip ---

const start = {
  begin(open) {
    go = open;
    drops(byId("start-drop"), byId("start-file"), async (file) => {
      const got = await upload("track", file);
      bullets(byId("start-tracks"), got.tracks.map((name) => `${name} taken`));
    });
    byId("start-form").addEventListener("submit", (event) => {
      event.preventDefault();
      const hours = byId("start-hours").value.trim();
      this.make({ base: byId("start-base").value, start: byId("start-when").value, driving: hours ? `${hours.replace(/ *h$/, "")} h` : "" });
    });
    byId("start-copy").addEventListener("click", () => this.make({ example: byId("start-example").value }));
  },
  async show() {
    const data = await ask("start");
    byId("start-folder").textContent = data.folder;
    choices(byId("start-base"), data.classes.map((one) => [one.name, one.about]), data.base);
    choices(byId("start-example"), data.examples.map((one) => [one, one]));
    byId("start-when").value = data.departure;
    bullets(byId("start-tracks"), data.tracks.map((name) => `${name} taken`));
  },
  async make(asked) {
    const made = await tried(() => send("new", asked));
    if (!made) return;
    await refresh();
    go("trip");
  },
};

// --- the car ---

function field(row, save) {
  const box = element("div", "value"), id = `v-${row.key}`;
  const label = element("label", "", row.what || row.key);
  label.htmlFor = id;
  let typed;
  if (row.words && row.words.length) {
    typed = element("select");
    choices(typed, ["", ...row.words].filter((one, at, all) => all.indexOf(one) === at).map((one) => [one, one || "not given"]), row.value);
  } else {
    typed = element("input");
    typed.value = row.value;
  }
  typed.id = id;
  typed.addEventListener("change", () => save(typed.value, typed));
  box.append(label, typed);
  return [box, typed];
}

const car = {
  begin() {
    byId("car-base").addEventListener("change", () => edit("car", { key: "base", value: byId("car-base").value, source: "" }).then(() => this.show()));
    byId("car-rank").addEventListener("click", async () => {
      byId("car-note").textContent = "Simulating the trip once per value.";
      const data = await tried(() => send("rank", {}), byId("car-note"));
      if (data) this.fill(data);
    });
    let seen = 0;
    onNews((now) => { if (shown("car") && now.revision !== seen) { seen = now.revision; if (!byId("room-car").contains(document.activeElement)) this.show(); } });
  },
  async show() { const data = await tried(() => ask("car")); if (data) this.fill(data); },
  fill(data) {
    byId("car-title").textContent = data.name;
    choices(byId("car-base"), data.classes.map((one) => [one.name, one.about]), data.base);
    byId("car-first").replaceChildren(...data.values.slice(0, data.first).map((row) => this.row(row)));
    byId("car-more").replaceChildren(...data.values.slice(data.first).map((row) => this.row(row)));
    byId("car-more-title").textContent = `All other values (${Math.max(data.values.length - data.first, 0)})`;
    if (!data.ranked) byId("car-note").textContent = "In default order.";
  },
  row(row) {
    const source = element("input", "source"), [box, typed] = field({ ...row, words: row.options }, (value) => {
      edit("car", { key: row.key, value, source: source.value === row.source ? "" : source.value });
    });
    source.value = row.own ? row.source : "";
    source.placeholder = "How do you know?";
    source.setAttribute("aria-label", `How you know: ${row.what}`);
    source.addEventListener("change", () => edit("car", { key: row.key, value: typed.value, source: source.value }));
    const note = [row.key, row.range ? `plausible ${row.range}` : "", row.how, row.own ? "yours" : `class: ${row.source}`, row.moves ? `changes the smallest margin by ${row.moves}` : ""];
    box.append(source, element("p", "note", note.filter((one) => one).map((one) => one.replace(/\.$/, "")).join(". ")));
    return box;
  },
};

// --- rules ---

const settings = {
  begin() {},
  async show() {
    const data = await tried(() => ask("settings"));
    if (!data) return;
    byId("settings").replaceChildren(...data.settings.map((row) => {
      const [box] = field({ ...row, what: row.what || row.key }, (value) => edit("setting", { key: row.key, value }).then((done) => { if (!done) this.show(); }));
      box.append(element("p", "note", row.key));
      return box;
    }));
  },
};

// --- readings ---

const readings = {
  begin() {
    byId("reading-form").addEventListener("submit", async (event) => {
      event.preventDefault();
      const cells = {};
      for (const one of byId("reading-fields").querySelectorAll("[data-column]")) if (one.value.trim()) cells[one.dataset.column] = one.value.trim().replace("T", " ");
      if (await edit("reading", { cells })) this.show();
    });
    onNews((now) => { if (shown("readings")) bullets(byId("learnt"), now.learnt && now.learnt.length ? now.learnt : ["Nothing yet."]); });
  },
  async show() {
    const data = await tried(() => ask("readings"));
    if (!data) return;
    byId("reading-fields").replaceChildren(...data.columns.map((one) => {
      const label = element("label", "", one.heading);
      let typed = element("input");
      if (one.column === "place") {
        typed = element("select");
        choices(typed, [["", "not at a place"], ...data.places.map((place) => [place.key, place.name])]);
      } else if (one.column === "when") typed.type = "datetime-local";
      else typed.placeholder = one.example;
      typed.dataset.column = one.column;
      label.append(typed);
      return label;
    }));
    bullets(byId("learnt"), data.learnt.length ? data.learnt : ["Nothing yet."]);
    byId("reading-text").textContent = data.text || "There is no readings.csv yet.";
  },
};

// --- comparison ---

const compare = {
  begin() {
    for (const id of ["state-a", "state-b"]) byId(id).addEventListener("change", () => this.draw());
    let kept = "";
    onNews((now) => { if (shown("compare") && kept !== `${now.revision}${now.stage}`) { kept = `${now.revision}${now.stage}`; this.show(); } });
  },
  async show() {
    const data = await tried(() => ask("states"));
    if (!data) return;
    this.states = data.states;
    const pairs = this.states.map((one, at) => [String(at), `${at + 1}. ${one.words}`]);
    const [a, b] = [byId("state-a").value, byId("state-b").value];
    choices(byId("state-a"), pairs, a && Number(a) < pairs.length ? a : String(Math.max(pairs.length - 2, 0)));
    choices(byId("state-b"), pairs, b && b !== a && Number(b) < pairs.length ? b : String(pairs.length - 1));
    this.draw();
  },
  draw() {
    const a = this.states[Number(byId("state-a").value)], b = this.states[Number(byId("state-b").value)], table = byId("compare");
    if (!a || !b) { table.replaceChildren(); return; }
    const said = (one, name) => { const [left, level] = one.fluids[name] || []; return level === undefined ? "" : `${state.now.levels[level]}${level === "unknown" ? "" : `, ${left.toFixed(0)} ${one.unit}`}`; };
    const rows = [["", a.words, b.words, "change"], ["margins of the legs", a.headline, b.headline, ""], ["depart", a.departure, b.departure, ""], ["days", a.days, b.days, ""],
      ["driving [h]", a.driving, b.driving, (b.driving - a.driving).toFixed(1)], [`distance [${a.distance_unit}]`, a.distance, b.distance, b.distance - a.distance]];
    for (const name of Object.keys({ ...a.fluids, ...b.fluids })) {
      const both = a.fluids[name] && b.fluids[name] ? (b.fluids[name][0] - a.fluids[name][0]).toFixed(0) : "";
      rows.push([`${name}, smallest margin`, said(a, name), said(b, name), both]);
    }
    table.replaceChildren(...rows.map((cells, at) => {
      const row = element("tr");
      row.append(...cells.map((cell, n) => { const made = element(at === 0 || n === 0 ? "th" : "td", "", String(cell)); if (n === 0 && at) made.scope = "row"; return made; }));
      return row;
    }));
  },
};

// --- logs ---

const logs = {
  begin() {
    drops(byId("log-file").closest(".drop"), byId("log-file"), async (file) => { await upload("log", file); await this.show(); });
    for (const name of ["fit", "review"]) byId(name).addEventListener("click", async () => {
      byId("logs-note").textContent = "This takes some minutes on long logs.";
      const data = await tried(() => send(name, {}), byId("logs-note"));
      if (!data) return;
      bullets(byId("logs-said"), data.sentences);
      byId("plots").replaceChildren(...(data.plots || []).map((address) => Object.assign(element("img", "plot"), { src: address, alt: "Log and model, before and after the fit" })));
    });
  },
  async show() {
    const data = await tried(() => ask("logs"));
    if (!data) return;
    byId("logs").replaceChildren(...data.logs.map((one) => this.box(one)));
    if (!data.logs.length) byId("logs").append(element("p", "", "There is no log yet."));
  },
  box(one) {
    const box = element("fieldset", "log");
    box.append(element("legend", "", one.name), element("pre", "plain", one.preview.join("\n")));
    const list = element("ul");
    bullets(list, one.sentences);
    box.append(list);
    if (one.confirmed || one.fault) return box;
    const units = {}, out = new Set(), answer = { time: false };
    for (const open of one.unsure) {
      const line = element("p", "unsure", `${open.channel || "time"} from ${open.column}: ${open.why}. `);
      if (open.channel) {
        const unit = element("input");
        unit.value = open.unit;
        unit.setAttribute("aria-label", `Unit of ${open.channel}`);
        unit.size = 8;
        units[open.channel] = unit;
        line.append(unit, this.tick("leave it out", (on) => { if (on) out.add(open.channel); else out.delete(open.channel); }));
      } else line.append(this.tick("This is correct", (on) => { answer.time = on; }));
      box.append(line);
    }
    box.append(button("Confirm this mapping", async () => {
      const said = Object.fromEntries(Object.entries(units).map(([name, unit]) => [name, unit.value]));
      if (await tried(() => send("log-confirm", { name: one.name, units: said, left_out: [...out], time: answer.time }))) this.show();
    }));
    return box;
  },
  tick(words, work) {
    const label = element("label", "tick"), tick = element("input");
    tick.type = "checkbox";
    tick.addEventListener("change", () => work(tick.checked));
    label.append(tick, words);
    return label;
  },
};

// --- files ---

const WORDS = { "trip.html": "Map page with the day sheets, to print or copy to a phone", "forecast.csv": "Table of the legs", "plan.json": "The whole plan as data", "trip.gpx": "Track and places for a navigator", "trip.ics": "Calendar", "trip.geojson": "For map programs" };

const files = {
  begin() {
    byId("make").addEventListener("click", async () => {
      byId("make-note").textContent = "Writing the files.";
      const data = await tried(() => send("outputs", {}), byId("make-note"));
      if (!data) return;
      complain([]);
      byId("make-note").textContent = `Written to ${data.folder}.`;
      byId("made").replaceChildren(...data.files.map((one) => {
        const line = element("li"), link = Object.assign(element("a", "", one.name), { href: one.address, target: "_blank", rel: "noopener" });
        line.append(link, `: ${WORDS[one.name] || ""} `);
        if (one.name.endsWith(".html")) line.append(Object.assign(element("a", "", "save it"), { href: `${one.address}?save=1` }));
        return line;
      }));
    });
  },
  show() {},
};

export const rooms = { start, car, settings, readings, compare, logs, files };
