// The curve on the page: drawn anew for the screen and as it grows, read at the pointer, zoomed, its lines switched.
// What the script asks for is what the server draws: there is one way to draw.
"use strict";
const CURVE_EVERY_MS = 7500;
const LIE_PX = 640; // from this width on the hours run across, as in curve/layout.py
const SELECT_PX = 12;
const shown = new Map(); // by box: when it was drawn, its tag, what is zoomed to and switched off

function stateOf(section) {
  const box = section.dataset.curve;
  if (!shown.has(box)) shown.set(box, {at: 0, waiting: 0, views: [], hidden: new Set()});
  return shown.get(box);
}

function curveChanged(box, version) {
  const section = $(`[data-curve="${CSS.escape(box)}"]`);
  if (!section || section.dataset.version === version || document.hidden) return;
  section.dataset.version = version;
  const state = stateOf(section);
  if (Date.now() - state.at > CURVE_EVERY_MS) drawCurve(section);
  else state.waiting ||= setTimeout(() => { state.waiting = 0; drawCurve(section); }, CURVE_EVERY_MS);
}

function sizeOf(section) {
  const width = Math.max(280, Math.floor($(".sheet", section).clientWidth));
  const high = width < LIE_PX ? Math.min(900, Math.max(640, innerHeight * 0.85)) : Math.min(620, Math.max(400, innerHeight * 0.68));
  return {width, height: Math.round(high)};
}

function fitting(sheet, width) {
  const there = $("svg.k-sheet", sheet);
  return there && Math.abs(Number(there.getAttribute("width")) - width) <= 2 ? there : null;
}

async function drawCurve(section) {
  const state = stateOf(section), sheet = $(".sheet", section);
  state.at = Date.now();
  const size = sizeOf(section), there = fitting(sheet, size.width);
  if (there) size.height = there.getAttribute("height"); // else it would jump as it is zoomed, or as a phone hides its bar
  const query = new URLSearchParams({...size, ...state.views.at(-1)});
  if (state.hidden.size) query.set("without", [...state.hidden].join(","));
  const address = `${section.dataset.address || `/curve/${encodeURIComponent(section.dataset.curve)}.svg`}?${query}`;
  const headers = state.tag && state.drawn === address ? {"If-None-Match": state.tag} : {};
  try {
    const answer = await fetch(address, {headers});
    if (answer.status === 304 || !answer.ok) return;
    const parsed = new DOMParser().parseFromString(await answer.text(), "image/svg+xml");
    if (parsed.documentElement.nodeName !== "svg") return;
    [state.tag, state.drawn] = [answer.headers.get("ETag"), address];
    const focused = document.activeElement?.dataset?.name;
    $("svg.k-sheet", sheet)?.remove();
    sheet.prepend(document.importNode(parsed.documentElement, true));
    ready(section);
    if (focused) $(`.k-entry[data-name="${CSS.escape(focused)}"]`, sheet)?.focus({preventScroll: true});
  } catch { /* the next version draws it */ }
}

// What a new picture needs: a legend that switches, and over the plot the part that is read and zoomed.
function ready(section) {
  const sheet = $(".sheet", section), svg = $("svg.k-sheet", sheet), state = stateOf(section);
  svg.setAttribute("role", "group");
  for (const entry of $$(".k-entry[data-name]", svg)) {
    entry.setAttribute("role", "button");
    entry.setAttribute("tabindex", "0");
    entry.setAttribute("aria-pressed", String(!state.hidden.has(entry.dataset.name)));
    entry.setAttribute("aria-label", `Show ${entry.textContent}`);
  }
  const reader = $(".reader", sheet) || reading(section);
  const area = $(".k-koji", svg).querySelector("svg"), last = $$(".k-strip > svg", svg).at(-1);
  const box = [area, last].map((one) => ["x", "y", "width", "height"].map((name) => Number(one.getAttribute(name))));
  reader.style.left = `${box[0][0]}px`;
  reader.style.top = `${box[0][1]}px`;
  reader.style.width = `${box[1][0] + box[1][2] - box[0][0]}px`;
  reader.style.height = `${box[1][1] + box[1][3] - box[0][1]}px`;
  $("[data-back]", section).hidden = !state.views.length;
  tip(section).hidden = true;
  sheet.dataset.drawn = "yes";
}

// ---- reading ---------------------------------------------------------------------------------------------------------
const parsedPaths = new WeakMap();
function pointsOf(path) {
  let found = parsedPaths.get(path);
  if (!found) {
    const numbers = (path.getAttribute("d").match(/-?\d*\.?\d+/g) || []).map(Number);
    let [x, y] = numbers;
    found = [[x, y]];
    for (let i = 2; i + 1 < numbers.length; i += 2) { x += numbers[i]; y += numbers[i + 1]; found.push([x, y]); }
    parsedPaths.set(path, found);
  }
  return found;
}

// Where a line lies across at a place along; null where nothing was read.
function acrossAt(track, along, axis) {
  for (const path of $$("path.k-line:not(.k-marker)", track)) {
    const points = pointsOf(path);
    if (along < points[0][axis] - 3 || along > points.at(-1)[axis] + 3) continue;
    let low = 0, high = points.length - 1;
    while (low < high) { const middle = (low + high) >> 1; if (points[middle][axis] < along) low = middle + 1; else high = middle; }
    return points[low][1 - axis];
  }
  return null;
}

function clockAt(svg, hour) {
  const seams = (svg.dataset.seams || "").split(" ").filter(Boolean).map((one) => one.split(":").map(Number));
  const seam = seams.findLast(([from]) => from <= hour) || seams[0];
  if (!seam) return "";
  const how = {timeZone: document.body.dataset.zone, weekday: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23"};
  return `, ${new Intl.DateTimeFormat("en-GB", how).format(seam[1] + (hour - seam[0]) * 3600000).replace(",", "")}`;
}

function svgPart(name, attributes) {
  const part = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) part.setAttribute(key, value);
  return part;
}

function tip(section) {
  const sheet = $(".sheet", section);
  let box = $(".reading", sheet);
  if (!box) { box = document.createElement("p"); box.className = "reading"; sheet.append(box); }
  return box;
}

function hourAt(svg, along) {
  const {from, begin, end, perHour} = svg.dataset;
  return Number(from) + (Math.min(Number(end), Math.max(Number(begin), along)) - Number(begin)) / Number(perHour);
}

// What stands at an hour: beside the pointer, on the lines, and for who listens.
function readAt(section, wanted, at) {
  const svg = $("svg.k-sheet", section);
  if (!svg) return;
  const {begin, end, from, perHour, lying} = svg.dataset, axis = lying ? 0 : 1;
  const along = Math.min(Number(end), Math.max(Number(begin), wanted));
  const parts = [], dots = [];
  for (const strip of $$(".k-strip", svg)) {
    const {low, high, atLow, atHigh, unit} = strip.dataset;
    for (const track of $$(".k-track[data-label]", strip)) {
      const across = $(".k-earlier", track) ? null : acrossAt(track, along, axis);
      if (across === null) continue;
      const value = Number(low) + (across - atLow) / (atHigh - atLow) * (high - low);
      parts.push(`${track.dataset.label} ${value.toFixed(unit === "%" ? 0 : 1)} ${unit}`);
      dots.push(lying ? [along, across] : [across, along]);
    }
  }
  const head = `Hour ${hourAt(svg, along).toFixed(1)}${clockAt(svg, hourAt(svg, along))}: `;
  const values = parts.length ? parts.map((one, number) => number < parts.length - 1 ? `${one}, ` : one) : ["nothing read"];
  $(".k-reading", svg)?.remove();
  const group = svgPart("g", {class: "k-reading"}), view = svg.viewBox.baseVal;
  group.append(svgPart("path", {class: "k-reading-line", d: lying ? `M${along} 24V${view.height - 24}` : `M24 ${along}H${view.width}`}));
  for (const [cx, cy] of dots) group.append(svgPart("circle", {class: "k-reading-dot", cx, cy, r: 4}));
  svg.append(group);
  const reader = $(".reader", section), hours = [Number(from), Number(from) + (end - begin) / perHour];
  reader.setAttribute("aria-valuemin", Math.floor(hours[0]));
  reader.setAttribute("aria-valuemax", Math.ceil(hours[1]));
  reader.setAttribute("aria-valuenow", hourAt(svg, along).toFixed(1));
  reader.setAttribute("aria-valuetext", head + values.join(""));
  section.dataset.readingAt = along;
  beside(section, [head, ...values], at || (dots[0] ?? (lying ? [along, view.height / 3] : [view.width / 3, along])), Boolean(at?.finger));
}

function beside(section, lines, [x, y], finger) {
  const box = tip(section), sheet = $(".sheet", section);
  box.replaceChildren(...lines.map((line, number) => {
    const part = document.createElement(number ? "span" : "b");
    part.textContent = line;
    return part;
  }));
  box.hidden = false;
  const frame = sheet.getBoundingClientRect(), wide = box.offsetWidth, tall = box.offsetHeight;
  const left = x + 14 + wide <= frame.width ? x + 14 : Math.max(0, x - 14 - wide);
  const top = finger ? y - tall - 26 : y - tall / 2;
  box.style.left = `${left}px`;
  box.style.top = `${Math.max(-frame.top + 4, Math.min(top, innerHeight - frame.top - tall - 4))}px`;
}

// ---- zooming ---------------------------------------------------------------------------------------------------------
function zoom(section, from, to) {
  if (to - from < 0.25) return;
  stateOf(section).views.push({from: from.toFixed(3), to: to.toFixed(3)});
  drawCurve(section);
}

function back(section) {
  const state = stateOf(section);
  state.views.pop();
  pressed(section, state.views.at(-1)?.last || (state.views.length ? null : ""));
  drawCurve(section);
}

function pressed(section, hours) {
  for (const one of $$(".zoom [data-hours]", section)) one.setAttribute("aria-pressed", String(one.dataset.hours === hours));
}

// A drag with the mouse chooses hours; two fingers stretch them; a finger or the pointer reads.
function reading(section) {
  const sheet = $(".sheet", section), reader = document.createElement("div");
  reader.className = "reader";
  for (const [name, value] of Object.entries({tabindex: 0, role: "slider", "aria-label": "Read the curve: arrow keys go through the hours, plus and minus zoom, Escape goes back", "aria-valuemin": 0, "aria-valuemax": 48, "aria-valuenow": 0, "aria-valuetext": "not read yet"})) reader.setAttribute(name, value);
  sheet.append(reader);
  const svg = () => $("svg.k-sheet", sheet);
  const place = (event) => { const frame = sheet.getBoundingClientRect(); return [event.clientX - frame.left, event.clientY - frame.top]; };
  const alongOf = (spot) => spot[svg().dataset.lying ? 0 : 1];
  let begun = null, fingers = null;
  const point = (event) => { const at = place(event); at.finger = event.pointerType === "touch"; readAt(section, alongOf(at), at); };
  reader.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse" && event.button === 0) { begun = alongOf(place(event)); reader.setPointerCapture(event.pointerId); }
    point(event);
  });
  reader.addEventListener("pointermove", (event) => {
    if (fingers) return;
    if (event.pointerType === "mouse" || event.buttons) point(event);
    if (begun === null) return;
    const now = alongOf(place(event)), [low, size] = [Math.min(begun, now), Math.abs(now - begun)], view = svg().viewBox.baseVal;
    $(".k-select", svg())?.remove();
    svg().append(svgPart("rect", {class: "k-select", ...(svg().dataset.lying ? {x: low, y: 0, width: size, height: view.height} : {x: 0, y: low, width: view.width, height: size})}));
  });
  reader.addEventListener("pointerup", (event) => {
    const from = begun, to = begun === null ? null : alongOf(place(event));
    begun = null;
    $(".k-select", svg())?.remove();
    if (from !== null && Math.abs(to - from) >= SELECT_PX) zoom(section, ...[from, to].map((one) => hourAt(svg(), one)).sort((a, b) => a - b));
  });
  reader.addEventListener("pointerleave", (event) => { if (event.pointerType === "mouse" && begun === null) tip(section).hidden = true; });
  const spots = (event) => [...event.touches].slice(0, 2).map((one) => alongOf(place(one))).sort((a, b) => a - b);
  reader.addEventListener("touchstart", (event) => {
    if (event.touches.length === 2) { const now = spots(event); fingers = {hours: now.map((one) => hourAt(svg(), one)), now}; }
  }, {passive: true});
  reader.addEventListener("touchmove", (event) => { if (fingers && event.touches.length === 2) { event.preventDefault(); fingers.now = spots(event); } }, {passive: false});
  reader.addEventListener("touchend", () => {
    if (!fingers) return;
    const {hours: [one, two], now: [a, b]} = fingers, {begin, end, perHour} = svg().dataset;
    fingers = null;
    if (b - a < SELECT_PX || Math.abs((b - a) / perHour - (two - one)) * perHour < SELECT_PX) return;
    const hours = (two - one) / (b - a);
    zoom(section, Math.max(-1, one - (a - begin) * hours), two + (end - b) * hours);
  });
  reader.addEventListener("keydown", (event) => {
    const {begin, end, perHour} = svg().dataset;
    const now = Number(section.dataset.readingAt || end);
    const steps = {ArrowUp: -0.25, ArrowLeft: -0.25, ArrowDown: 0.25, ArrowRight: 0.25, PageUp: -4, PageDown: 4};
    let next = null;
    if (event.key in steps) next = now + steps[event.key] * Number(perHour);
    if (event.key === "Home") next = Number(begin);
    if (event.key === "End") next = Number(end);
    if (next !== null) { event.preventDefault(); readAt(section, next); return; }
    if (event.key === "Escape") back(section);
    if ("+=-".includes(event.key)) {
      const span = (end - begin) / perHour * (event.key === "-" ? 2 : 0.5), middle = hourAt(svg(), now);
      zoom(section, Math.max(-1, middle - span / 2), middle + span / 2);
    }
  });
  return reader;
}

function toggle(section, name) {
  const hidden = stateOf(section).hidden;
  if (!hidden.delete(name)) hidden.add(name);
  drawCurve(section);
}

function curves() {
  for (const section of $$("[data-curve]")) {
    const sheet = $(".sheet", section), {width, height} = sizeOf(section);
    document.cookie = `width=${width}; path=/; max-age=31536000; SameSite=Strict`;
    document.cookie = `height=${height}; path=/; max-age=31536000; SameSite=Strict`;
    if (fitting(sheet, width)) { stateOf(section).at = Date.now(); ready(section); }
    else drawCurve(section);
    const entry = (event) => event.target.closest?.(".k-entry[data-name]");
    sheet.addEventListener("click", (event) => { if (entry(event)) toggle(section, entry(event).dataset.name); });
    sheet.addEventListener("keydown", (event) => { if (entry(event) && " Enter".includes(event.key)) { event.preventDefault(); toggle(section, entry(event).dataset.name); } });
    $("[data-back]", section).addEventListener("click", () => back(section));
    for (const button of $$(".zoom [data-hours]", section)) {
      button.addEventListener("click", () => {
        stateOf(section).views = button.dataset.hours ? [{last: button.dataset.hours}] : [];
        pressed(section, button.dataset.hours);
        drawCurve(section);
      });
    }
  }
  let resized = 0;
  addEventListener("resize", () => { clearTimeout(resized); resized = setTimeout(() => $$("[data-curve]").forEach(drawCurve), 300); });
}
