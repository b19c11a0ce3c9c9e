// The phone as a second sounder: armed by one tap, played from the table the board serves.
import { keepAwake } from "./awake.js";

const EDGE_S = 0.01; // a soft edge, so that a tone does not click
const LOUD = 0.9;

let context = null;
let table = null;
let playing = null; // { signal, timer }
let prompts = null;
let silent = false;
let running = false;
let verdict = "";
let speaking = false;

// Plays one round of a pattern from `at` on any audio context; returns when it ends [s].
export function schedule(audio, pattern, at) {
  let time = at;
  for (const { hz, on_s, off_s } of pattern.pulses) {
    const tone = audio.createOscillator();
    const level = audio.createGain();
    tone.frequency.value = hz;
    level.gain.setValueAtTime(0, time);
    level.gain.linearRampToValueAtTime(LOUD, time + EDGE_S);
    level.gain.setValueAtTime(LOUD, time + on_s - EDGE_S);
    level.gain.linearRampToValueAtTime(0, time + on_s);
    tone.connect(level).connect(audio.destination);
    tone.start(time);
    tone.stop(time + on_s);
    time += on_s + off_s;
  }
  return time;
}

export function listen(section) {
  if (!section) return () => {};
  const at = (id) => document.getElementById(`sound-${id}`);
  const words = section.dataset;
  const stayAwake = keepAwake(section);
  section.hidden = false;

  const showState = () => {
    const on = sounds();
    const blocked = context && table;
    at("state").textContent = !window.AudioContext ? words.none : on ? words.on : blocked ? words.blocked : words.off;
    at("arm").textContent = on ? words.disarm : words.arm;
    at("arm").hidden = !window.AudioContext;
    at("test").hidden = !on;
    at("speak").hidden = !window.speechSynthesis;
    at("speak").textContent = speaking ? words.speakOff : words.speak;
    at("speak").setAttribute("aria-pressed", String(speaking));
    section.dataset.armed = on ? "yes" : "no";
  };

  const armed = () => {
    showState();
    if (sounds() && playing) again();
  };

  at("arm").addEventListener("click", async () => {
    if (sounds()) {
      context.onstatechange = null;
      await context.close();
      context = null;
    } else {
      context ??= new AudioContext();
      context.onstatechange = armed;
      // Not awaited: where the browser refuses sound, this promise stays open for ever.
      context.resume();
      stayAwake(true);
      table ??= await (await fetch("/sounds.json")).json();
    }
    armed();
  });
  at("test").addEventListener("click", () => play("prompt"));
  at("speak").addEventListener("click", () => {
    speaking = !speaking;
    if (speaking) say(verdict);
    else speechSynthesis.cancel();
    showState();
  });
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "hidden" && context) at("missed").hidden = false;
    else if (context && context.state !== "running") context.resume();
  });
  showState();
  return hear;
}

// Not before the board's table is here: a phone that says it will sound must.
function sounds() {
  return context?.state === "running" && table !== null;
}

function hear(news) {
  if (news.silent) {
    silent = running;
    want(silent ? "monitor silent" : null);
    speak();
    return;
  }
  silent = false;
  running = Boolean(news.run);
  want(news.sound ?? null);
  if (prompts !== null && news.prompts > prompts && !news.sound) play("prompt");
  if (news.prompts !== undefined) prompts = news.prompts;
  speak();
}

function want(signal) {
  if (playing?.signal === signal) return;
  stop();
  if (signal) repeat(signal);
}

function repeat(signal) {
  play(signal);
  const every = table?.[signal]?.every_s ?? 5;
  playing = { signal, timer: setInterval(() => play(signal), every * 1000) };
}

// An alarm that was already due is heard at once when the phone is armed.
function again() {
  const { signal } = playing;
  stop();
  repeat(signal);
}

function stop() {
  if (playing) clearInterval(playing.timer);
  playing = null;
}

function play(signal) {
  if (!sounds() || !table[signal]) return;
  schedule(context, table[signal], context.currentTime + 0.02);
  navigator.vibrate?.(table[signal].pulses.flatMap(({ on_s, off_s }) => [on_s * 1000, off_s * 1000]));
}

function speak() {
  const now = document.querySelector(".verdict")?.textContent ?? "";
  if (now === verdict) return;
  verdict = now;
  if (speaking) say(now);
}

function say(words) {
  if (!window.speechSynthesis) return;
  const utterance = new SpeechSynthesisUtterance(words);
  utterance.lang = document.documentElement.lang === "fr" ? "fr-CA" : "en-US";
  speechSynthesis.cancel();
  speechSynthesis.speak(utterance);
}
