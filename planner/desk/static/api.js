// Requests to the desk: one change after the other, each on the newest state; text reaches the page as text alone.

export const state = { now: null, before: null };
const watchers = [];
const waiting = new Map();
let tail = Promise.resolve();

export const byId = (id) => document.getElementById(id);

export function element(tag, className, text) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text !== undefined && text !== null) made.textContent = text;
  return made;
}

export function button(text, work, className, label) {
  const made = element("button", className, text);
  made.type = "button";
  if (label) made.setAttribute("aria-label", label);
  made.addEventListener("click", work);
  return made;
}

export function svg(tag, attributes, parent) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  if (parent) parent.append(made);
  return made;
}

export function bullets(list, lines) {
  list.replaceChildren(...lines.map((line) => element("li", "", line)));
}

export function choices(select, pairs, chosen) {
  select.replaceChildren(...pairs.map(([value, text]) => {
    const option = element("option", "", text);
    option.value = value;
    return option;
  }));
  if (chosen !== undefined) select.value = chosen;
}

export function complain(lines) {
  const box = byId("trouble");
  box.hidden = !lines.length;
  box.replaceChildren(...lines.map((line) => element("p", "", line)));
}

async function answerOf(response) {
  let data = {};
  try { data = await response.json(); } catch { data = { problems: [await response.text().catch(() => "no response")] }; }
  if (response.ok) return data;
  const error = new Error((data.problems || ["no response"]).join("\n"));
  error.status = response.status;
  error.problems = data.problems || ["The desk did not respond."];
  throw error;
}

const gone = { problems: ["The desk has stopped. Start it again in the terminal: grademargin desk."] };

async function request(name, options) {
  return answerOf(await fetch(`/api/${name}`, options).catch(() => Promise.reject(Object.assign(new Error("gone"), gone))));
}

const post = (name, type, body) => request(name, { method: "POST", headers: { "Content-Type": type }, body });

export const ask = (name) => request(name);
export const send = (name, data) => post(name, "application/json", JSON.stringify(data));
export const upload = (name, file) => post(`${name}?name=${encodeURIComponent(file.name.slice(-100))}`, "application/octet-stream", file);

export function onNews(work) { watchers.push(work); }

export function take(overview) {
  if (state.now && overview.revision < state.now.revision) return;
  if (state.now && overview.revision !== state.now.revision) state.before = state.now;
  state.now = overview;
  for (const work of watchers) work(overview);
}

export async function refresh() { take(await ask("view")); }

// A change of the trip; a refusal is shown with the current state. Of several waiting changes of the same value only the
// newest is sent.
export function change(name, data) {
  const { kind, leg, column, day, key, stop, from } = data, target = JSON.stringify([name, kind, leg, column, day, key, stop, from]);
  const mine = {};
  waiting.set(target, mine);
  const made = async () => {
    if (name === "edit" && kind !== "reading" && waiting.get(target) !== mine) return true;
    byId("stage").textContent = "Applying the change.";
    try {
      take(await send(name, { ...data, revision: state.now.revision }));
      complain([]);
      return true;
    } catch (error) {
      complain(error.problems || [String(error.message)]);
      if (error.status !== 500) await refresh().catch(() => {});
      for (const work of watchers) work(state.now);
      return false;
    }
  };
  tail = tail.then(made, made);
  return tail;
}

export const edit = (kind, data) => change("edit", { kind, ...data });

export async function tried(work, note) {
  try {
    complain([]);
    return await work();
  } catch (error) {
    complain(error.problems || [String(error.message)]);
    return null;
  } finally {
    if (note) note.textContent = "";
  }
}
