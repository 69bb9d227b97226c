// Keeps the page up to date; its curve is in curve.js. Without it the page still works: forms post, links lead.
"use strict";
const $ = (selector, within = document) => within.querySelector(selector);
const $$ = (selector, within = document) => [...within.querySelectorAll(selector)];
const SILENT_MS = 25000;
const BROKEN_MS = 6000;

// ---- telling -------------------------------------------------------------------------------------------------------
let toastTimer = 0;
function toast(text) {
  const box = $("#toast");
  box.textContent = text;
  clearTimeout(toastTimer);
  toastTimer = setTimeout(() => { box.textContent = ""; }, 9000);
}

function lost(text) {
  const box = $("#lost");
  if (box.textContent !== text) box.textContent = text;
  box.hidden = !text;
}

// ---- parts of the page that change -----------------------------------------------------------------------------------
function put(regions) {
  for (const [name, html] of Object.entries(regions)) {
    if (name.startsWith("curve-")) { curveChanged(name.slice(6), html); continue; }
    const place = $(`[data-live="${CSS.escape(name)}"]`);
    if (!place) continue;
    const focused = place.contains(document.activeElement) ? document.activeElement.id : "";
    const spoken = $(".sentence .badge", place)?.textContent;
    const open = $$("details[open][data-keep]", place).map((one) => one.dataset.keep);
    const made = document.createElement("template");
    made.innerHTML = html;
    if (same(came.get(place), made.content)) continue; // as the first answer of a stream mostly is
    came.set(place, made.content.cloneNode(true));
    place.replaceChildren(made.content);
    for (const kept of open) $(`[data-keep="${CSS.escape(kept)}"]`, place)?.setAttribute("open", "");
    if (focused) document.getElementById(focused)?.focus({preventScroll: true});
    const now = $(".sentence", place);
    if (now && $(".badge", now)?.textContent !== spoken) announce(now.textContent);
    timers();
  }
}

// The parts as they came, before timers and fingers change them: what says nothing new leaves the buttons where they are.
const came = new Map();

function same(before, made) {
  const [old, fresh] = [before, made].map((one) => [...one.childNodes]);
  return old.length === fresh.length && old.every((node, number) => node.isEqualNode(fresh[number]));
}

function announce(text) {
  const box = $("#announce");
  if (box) box.textContent = text.trim();
}

let lastHeard = Date.now();
let brokenAt = 0;
let stream = null;
let polling = 0;

function wanted() {
  return new URLSearchParams({box: document.body.dataset.box || "", page: document.body.dataset.follows || ""});
}

function watch() {
  if (!$("[data-live]") || !window.EventSource) return;
  stream = new EventSource(`/live?${wanted()}`);
  const heard = () => { lastHeard = Date.now(); brokenAt = 0; lost(""); };
  stream.addEventListener("open", heard);
  stream.addEventListener("beat", heard);
  stream.addEventListener("regions", (event) => { heard(); put(JSON.parse(event.data)); });
  stream.addEventListener("error", () => {
    brokenAt ||= Date.now();
    // Closed for good: the daemon took no further stream. Asking now and then does as well.
    if (stream.readyState === EventSource.CLOSED && !polling) polling = setInterval(ask, 5000);
  });
}

async function ask() {
  try {
    const answer = await fetch(`/regions?${wanted()}`);
    if (answer.status === 401) location.assign("/enter");
    if (!answer.ok) return;
    lastHeard = Date.now();
    brokenAt = 0;
    lost("");
    put(await answer.json());
  } catch { /* the look-out below tells it */ }
}

setInterval(() => {
  if (!$("[data-live]")) return;
  const silent = Date.now() - lastHeard;
  if (silent > SILENT_MS || (brokenAt && Date.now() - brokenAt > BROKEN_MS)) {
    const minutes = Math.floor(silent / 60000);
    lost(`No contact${minutes ? ` for ${minutes} min` : ""}. This page is out of date. Is kojimon running?`);
  }
  // A browser that has given a stream up does not come back to it by itself.
  if (silent > SILENT_MS && !polling && stream?.readyState !== EventSource.CONNECTING) { stream?.close(); watch(); }
}, 2000);

// ---- acts ------------------------------------------------------------------------------------------------------------
document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (form.dataset.photo !== undefined) { event.preventDefault(); photo(form); return; }
  if (form.getAttribute("action") !== "/act") return;
  event.preventDefault();
  const button = event.submitter;
  if (button) button.disabled = true;
  try {
    const answer = await fetch("/act", {
      method: "POST", headers: {Accept: "application/json"}, body: new URLSearchParams(new FormData(form)),
    });
    if (answer.status === 401) { location.assign("/enter"); return; }
    const said = await answer.json();
    if (said.goto) { location.assign(said.goto); return; }
    toast(said.text || said.error || "Done.");
    if (answer.ok) { form.reset(); freshKey(form); if (polling) ask(); }
  } catch {
    toast("No contact with kojimon. Nothing was done; try again in a moment.");
  } finally {
    if (button) button.disabled = false;
  }
});

// A form that stays on the page makes a new act each time; the buttons of steps and alarms carry keys of their own.
function freshKey(form) {
  const key = form.elements.idempotency;
  if (key && /^[0-9a-f]{32}$/.test(key.value)) key.value = crypto.getRandomValues(new Uint32Array(4)).reduce((text, n) => text + n.toString(16).padStart(8, "0"), "");
}

const PHOTO_MOST_PX = 2000;

// Made smaller here: a phone's photo has 5 to 30 MB, and says where it was taken.
async function smaller(file) {
  try {
    const picture = await createImageBitmap(file);
    const scale = Math.min(1, PHOTO_MOST_PX / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    picture.close();
    return await new Promise((done) => { canvas.toBlob((made) => done(made || file), "image/jpeg", 0.85); });
  } catch {
    return file; // no picture this browser can read: kojimon says which it takes
  }
}

async function photo(form) {
  const file = form.elements.photo.files[0];
  if (!file) return;
  const query = new URLSearchParams({incubator: form.dataset.photo, text: form.elements.text.value});
  const button = $("button", form);
  button.disabled = true;
  try {
    const body = await smaller(file);
    const answer = await fetch(`/photo?${query}`, {method: "POST", headers: {Accept: "application/json", "Content-Type": body.type || "image/jpeg"}, body});
    if (answer.status === 401) { location.assign("/enter"); return; }
    const said = await answer.json();
    toast(said.text || said.error);
    if (answer.ok) form.reset();
  } catch {
    toast("The photo was not sent; try again.");
  } finally {
    button.disabled = false;
  }
}

// ---- the kitchen timer -----------------------------------------------------------------------------------------------
let sound = null;
const rung = new Set();
const skewMs = Date.parse(document.body.dataset.now || "") - Date.now() || 0;

function timers() {
  const left = $$("[data-until]");
  const place = $(".timer");
  if (place && !$("[data-ring]", place) && left.length) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.ring = "";
    button.textContent = sound ? "It rings when time is up" : "Ring when time is up";
    button.setAttribute("aria-pressed", String(Boolean(sound)));
    button.addEventListener("click", () => {
      sound = sound ? null : new AudioContext();
      button.setAttribute("aria-pressed", String(Boolean(sound)));
      button.textContent = sound ? "It rings when time is up" : "Ring when time is up";
      if (sound) beep(0.1);
    });
    place.append(button);
  }
  for (const one of left) {
    const seconds = Math.round((Date.parse(one.dataset.until) - Date.now() - skewMs) / 1000);
    const shownS = Math.abs(seconds);
    const clock = [Math.floor(shownS / 3600), Math.floor(shownS / 60) % 60, shownS % 60].map((n) => String(n).padStart(2, "0")).join(":");
    one.textContent = seconds < 0 ? `over by ${clock}` : clock;
    one.classList.toggle("over", seconds < 0);
    if (seconds <= 0 && !rung.has(one.dataset.until)) {
      rung.add(one.dataset.until);
      if (seconds > -60) { announce(`${one.dataset.what}: time is up`); ring(); }
    }
  }
}

function beep(lasts) {
  const tone = sound.createOscillator();
  const loud = sound.createGain();
  tone.frequency.value = 880;
  loud.gain.value = 0.3;
  tone.connect(loud).connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + lasts);
}

function ring() {
  if (!sound) return;
  navigator.vibrate?.([400, 200, 400, 200, 400]);
  for (let i = 0; i < 6; i += 1) setTimeout(() => sound && beep(0.35), i * 700);
}

// ---- first things ----------------------------------------------------------------------------------------------------
function enterByLink() {
  const form = $("#enter");
  const code = location.hash.slice(1);
  if (!form || !code) return;
  history.replaceState(null, "", location.pathname);
  $("#code").value = code;
  form.submit();
}

function begin() {
  document.documentElement.classList.add("painted");
  for (const form of $$("form[data-photo]")) form.hidden = false;
  for (const place of $$("[data-live]")) came.set(place, place.cloneNode(true));
  curves();
  timers();
  setInterval(timers, 1000);
  watch();
}

document.addEventListener("visibilitychange", () => { if (!document.hidden) $$("[data-curve]").forEach(drawCurve); });
document.addEventListener("click", (event) => {
  const folded = event.target.closest?.('a[href^="#"]')?.hash;
  if (folded) $(`details${folded}`)?.setAttribute("open", "");
});
// This may lead elsewhere: before anything is painted.
enterByLink();
addEventListener("hashchange", enterByLink);
// What is there already is painted first: the second frame comes after that. A page in the background is never painted.
if (document.hidden) begin();
else requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(begin, 0)));
