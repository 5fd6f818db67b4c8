// The desk: its rooms, notification of changes, undo.

import { ask, bullets, byId, change, complain, onNews, refresh, send, state } from "/static/api.js";
import { startTrip } from "/static/trip.js";
import { rooms } from "/static/rooms.js";

const STAGES = {
  none: "Computing the forecast.",
  quick: "Quick estimate from a few draws. The full forecast follows.",
  full: "Full forecast. Computing remedies.",
  whole: "Full forecast, remedies tried.",
};

function showHead(now) {
  byId("title").textContent = now.title || now.folder || "grademargin";
  document.title = `${now.title || "grademargin"}: desk`;
  byId("headline").textContent = now.headline || (state.before && state.before.headline) || "";
  byId("headline").classList.toggle("old", !now.headline && now.stage !== "whole");
  byId("last").textContent = now.revision > 1 ? `Last change: ${now.words}` : "";
  bullets(byId("cautions"), now.cautions);
  for (const [id, words] of [["undo", now.undo], ["redo", now.redo]]) {
    byId(id).disabled = !words;
    byId(id).title = words;
  }
  if (now.problems.length) complain(now.problems);
  tellStage(now);
}

function tellStage(now) {
  const words = now.problems.length ? "Correct the problems above; the desk reads the files again when they change." : STAGES[now.stage];
  byId("stage").textContent = words + (now.doing && now.stage !== "whole" && !now.problems.length ? ` (${now.doing})` : "");
}

function open(name) {
  for (const room of document.querySelectorAll(".room")) room.hidden = room.id !== `room-${name}`;
  for (const button of document.querySelectorAll("[data-room]")) {
    if (button.dataset.room === name) button.setAttribute("aria-current", "page");
    else button.removeAttribute("aria-current");
  }
  document.body.dataset.room = name;
  if (rooms[name]) rooms[name].show();
  window.dispatchEvent(new Event("resize"));
}

function listen() {
  const events = new EventSource("/api/events");
  events.onmessage = (event) => {
    const told = JSON.parse(event.data), now = state.now;
    if (!now || told.revision !== now.revision || told.stage !== now.stage) refresh().catch(() => {});
    else { now.doing = told.doing; tellStage(now); }
  };
  events.onerror = () => { byId("stage").textContent = "The desk does not respond. It may have been stopped in the terminal."; };
}

async function begin() {
  for (const button of document.querySelectorAll("[data-room]")) button.addEventListener("click", () => open(button.dataset.room));
  byId("undo").addEventListener("click", () => change("back", {}));
  byId("redo").addEventListener("click", () => change("back", { again: true }));
  byId("stop").addEventListener("click", async () => {
    await send("stop", {}).catch(() => {});
    document.body.replaceChildren(Object.assign(document.createElement("p"), { textContent: "The desk has stopped. This window can be closed.", className: "stopped" }));
  });
  document.addEventListener("keydown", (event) => {
    const typing = /INPUT|TEXTAREA|SELECT/.test(document.activeElement.tagName);
    if (!typing && (event.ctrlKey || event.metaKey) && event.key === "z") { event.preventDefault(); change("back", {}); }
  });
  onNews(showHead);
  startTrip();
  for (const room of Object.values(rooms)) room.begin(open);
  const start = await ask("start");
  if (start.empty) open("start"); else { await refresh(); open("trip"); }
  listen();
}

begin().catch((error) => complain([String(error.message)]));
