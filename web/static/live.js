// Keeps the page at the present: renews its parts from the stream, and says so when it cannot.
import { morph } from "./morph.js";

const SILENT_MS = 8000; // said well within ten seconds of the last fresh word
const LOOK_MS = 500;
const RETRY_MS = 2000;
const body = document.body;

const fresh = { wall: Date.now(), steady: performance.now() };
const parts = {}; // the newest HTML of each; a stream tells those that changed
let stream = null;

// A phone's steady clock stops while it sleeps and its wall clock may step: the longer one counts.
function quietMs() {
  return Math.max(Date.now() - fresh.wall, performance.now() - fresh.steady);
}

export function follow(told) {
  open(told);
  setInterval(() => {
    if (quietMs() > SILENT_MS) fallSilent(told);
    if (stream.readyState !== EventSource.CLOSED) return;
    knock();
    open(told);
  }, LOOK_MS);
  addEventListener("pageshow", (event) => {
    if (!event.persisted) return;
    fallSilent(told);
    open(told);
  });
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible" && quietMs() > RETRY_MS) open(told);
  });
}

function open(told) {
  if (stream) stream.close();
  stream = new EventSource(body.dataset.stream);
  stream.onmessage = (event) => show(JSON.parse(event.data), told);
}

// Where reading asks for a code, a new one turns this phone away: its door says so.
async function knock() {
  const answer = await fetch(body.dataset.stream, { method: "HEAD" }).catch(() => null);
  if (answer?.status === 401) location.reload();
}

function show(news, told) {
  if (news.version !== body.dataset.version && reloadOnce(news.version)) return;
  Object.assign(parts, news.parts);
  for (const [name, html] of Object.entries(parts)) {
    for (const place of document.querySelectorAll(`[data-part="${name}"]`)) morph(place, html);
  }
  body.dataset.mood = news.mood;
  body.dataset.seq = news.seq ?? "";
  body.toggleAttribute("data-silent", false);
  if (news.live) {
    fresh.wall = Date.now();
    fresh.steady = performance.now();
    body.dataset.lively = "yes";
  } else {
    delete body.dataset.lively;
  }
  if (news.mood && parts.sentence) document.title = titled();
  told(news);
}

// A page of an older edition loads itself anew, once per edition.
function reloadOnce(version) {
  if (sessionStorage.getItem("reloaded") === version) return false;
  sessionStorage.setItem("reloaded", version);
  location.reload();
  return true;
}

// The server's own "no data" stands as it is; only a page that looked live must be taken back.
function fallSilent(told) {
  if (body.dataset.lively !== "yes") return;
  delete body.dataset.lively;
  const words = document.getElementById("silent-words").content.cloneNode(true);
  const time = new Date(fresh.wall);
  words.querySelector("time").textContent = [time.getHours(), time.getMinutes(), time.getSeconds()]
    .map((part) => String(part).padStart(2, "0"))
    .join(":");
  const said = document.createElement("div");
  said.append(words);
  morph(document.querySelector('[data-part="sentence"]'), said.innerHTML);
  body.dataset.mood = "silent";
  body.toggleAttribute("data-silent", true);
  document.title = titled();
  told({ silent: true });
}

function titled() {
  const verdict = document.querySelector(".verdict");
  const press = document.title.split(" – ").pop();
  return verdict ? `${verdict.textContent.replace(/\s*:$/, "")} – ${press}` : document.title;
}
