// The page: talks with the server, fills the form, draws the views, leads through lessons.

import { PanelView } from "./view.js";
import { FlatMap, drawSection, thumbnail } from "./maps.js";

const $ = (id) => document.getElementById(id);
const token = new URLSearchParams(location.search).get("token") || "";
const state = { hello: null, panel: null, shapes: new Map(), pictures: new Map(), awaited: null, before: null,
  busy: false, view: null, other: null, map: null, lesson: null, lessonStep: 0, waits: [] };
window.simkit = state; // for tests and for the curious

function connect() {
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  const socket = new WebSocket(`${scheme}://${location.host}/talk?token=${token}`);
  socket.binaryType = "arraybuffer";
  state.socket = socket;
  socket.onmessage = (event) => {
    if (typeof event.data === "string") heard(JSON.parse(event.data));
    else shapeCame(new Float32Array(event.data));
  };
  socket.onclose = (event) => {
    status(event.code === 1008 ? "refused: the address is not complete" : "connection lost");
    if (event.code !== 1008) setTimeout(connect, 1200);
  };
}

function say(message) {
  if (state.socket.readyState === WebSocket.OPEN) state.socket.send(JSON.stringify(message));
}

function status(text) { $("status").textContent = text; }

function heard(message) {
  if (message.type === "hello") hello(message);
  if (message.type === "shape") state.awaited = message.node;
  if (message.type === "panel") panelCame(message);
  if (message.type === "forecast") forecastCame(message);
  if (message.type === "answer") answerCame(message);
  if (message.type === "busy") { state.busy = true; status(`computing: ${message.text}`); enable(); }
  if (message.type === "free") {
    state.busy = false; state.seconds = message.seconds;
    status(message.text || `ready (${message.seconds.toFixed(2)} s)`); enable();
  }
  if (message.type === "error") { status(message.text); state.error = message.text;
    for (const wait of state.waits.splice(0)) wait(); }
}

function hello(message) {
  state.hello = message;
  document.title = `simkit live: ${message.case.title}`;
  $("title").textContent = message.case.title;
  $("about").textContent = message.case.about;
  if (!state.map) {
    state.map = new FlatMap($("map"), message.rows, message.columns);
    state.map.ondrag = (x, y) => { $("x").value = x; $("y").value = y; section(); };
    state.map.onchoose = (x, y) => { $("x").value = x; $("y").value = y; chosen(); };
    state.view = new PanelView($("panel"), message.rows, message.columns);
    state.view.onpick = pick;
    state.view.onturn = (view) => {
      if (!state.other) return;
      Object.assign(state.other, { turn: view.turn, tilt: view.tilt, zoom: view.zoom });
      state.other.draw();
    };
  }
  tools();
  $("lessons").replaceChildren(new Option("none", ""),
    ...message.lessons.map((lesson) => new Option(lesson.title
      + (lesson.panel && lesson.panel !== message.case.title ? ` (panel: ${lesson.panel})` : ""),
    lesson.name)));
  $("watch").textContent = message.works
    ? `Others watch at ${location.origin}/?token=${message.view_token}` : "You are watching.";
  status("ready"); enable();
}

function tools() {
  const kind = $("kind").value, held = state.hello.case;
  const names = kind === "pull" || kind === "hold" ? held.tabs : held.tips;
  $("tool").replaceChildren(...names.map((name) => new Option(name)));
  $("by").hidden = kind !== "hold"; $("towards").hidden = kind === "hold";
}

function shapeCame(floats) {
  const node = state.awaited;
  state.shapes.set(node, floats);
  if (node === 0 && !state.before) { state.before = floats; state.view.setBefore(floats); }
  if (state.panel && state.panel.node === node) refresh();
  else if (state.panel) beside();
}

function panelCame(panel) {
  const last = state.panel;
  state.panel = panel;
  const names = Object.keys(panel.branches);
  $("branch").replaceChildren(...names.map((name) => new Option(name)));
  $("branch").value = panel.branch;
  const chosen = $("compare").value;
  $("compare").replaceChildren(new Option("nothing", ""), ...names.map((n) => new Option(n)));
  $("compare").value = names.includes(chosen) ? chosen : "";
  $("steps").replaceChildren(...panel.steps.map((step, k) => {
    const row = document.createElement("tr"), r = step.row;
    for (const cell of [`${k} ${step.operation}`, r.force_N?.toFixed(0) ?? "",
      r.max_low_mm.toFixed(2), r.max_high_mm.toFixed(2), r.slope_mrad.toFixed(1)]) {
      row.append(Object.assign(document.createElement("td"), { textContent: cell }));
    }
    if (state.shapes.has(step.node)) row.firstChild.prepend(pictureOf(step.node, k));
    if (step.node === panel.node) row.className = "now";
    row.title = `${r.outcome} ${r.reason}`;
    return row;
  }));
  if (last && last.node !== panel.node && $("guess").checked) judge();
  if (!last) worst();
  numbers(); refresh(); enable();
  for (const wait of state.waits.splice(0)) wait();
}

// The small map of a node in the list of steps; it is drawn once, as a canvas, because making a
// data address of it takes longer than all the rest of a new shape.
function pictureOf(node, k) {
  if (!state.pictures.has(node)) {
    state.pictures.set(node, thumbnail(state.shapes.get(node), state.hello.rows,
      state.hello.columns));
  }
  const picture = state.pictures.get(node);
  picture.setAttribute("role", "img");
  picture.setAttribute("aria-label", `map after step ${k}`);
  return picture;
}

function numbers() {
  const row = state.panel.steps.at(-1).row, parts = [
    ["low", `${row.max_low_mm.toFixed(2)} mm`], ["high", `${row.max_high_mm.toFixed(2)} mm`],
    ["slope", `${row.slope_mrad.toFixed(1)} mrad`],
    ["better", `${row.improvement_pct.toFixed(0)} %`],
    ["force", row.force_N === null ? "none" : `${row.force_N.toFixed(0)} N`],
    ["held", `${state.panel.held_N.toFixed(0)} N`], ["stage", row.stage || "none"],
    ["stretch", `${row.stretch_mm2.toFixed(1)} mm\u00b2`],
    ["strain of paint", row.max_face_strain.toFixed(3)],
    ["came to", row.outcome || "the dent"]];
  $("numbers").replaceChildren(...parts.map(([word, value]) => {
    const span = document.createElement("span");
    span.append(`${word} `, Object.assign(document.createElement("b"), { textContent: value }));
    return span;
  }));
  gauge(row.force_N ?? 0, row.operation);
}

function gauge(force, kind) {
  const limits = state.hello.case;
  const pulls = kind === "pull" || kind === "hold";
  const holds = limits.glue_holds_N[$("tool").value];
  const most = pulls ? Math.min(limits.pull_limit_N, holds ?? Infinity) : limits.push_limit_N;
  const share = force / most;
  $("gauge").parentElement.title = pulls && holds < limits.pull_limit_N
    ? `of ${most.toFixed(0)} N, what the glue holds at most on this tab`
    : `of ${most.toFixed(0)} N, the limit of the case`;
  $("gauge").style.width = `${Math.min(100, 100 * share)}%`;
  $("gauge").className = share > 0.8 ? "much" : "";
}

function refresh() {
  if (!state.panel) return;
  const now = state.shapes.get(state.panel.node);
  if (now) {
    state.view.setNow($("ideal").checked ? undamaged() : now);
    state.map.marks = $("guess").checked && !state.judged ? [] : state.panel.spots;
    state.map.setShape(now);
    section();
  }
  beside();
}

function undamaged() {
  // the undamaged sheet: points moved back along the normal, its own normals by differences
  const f = state.before, out = new Float32Array(f), nc = state.map.columns, nr = state.map.rows;
  for (let k = 0; k < f.length; k += 7) {
    for (let c = 0; c < 3; c++) out[k + c] = f[k + c] - f[k + 6] * f[k + 3 + c];
    out[k + 6] = 0;
  }
  const at = (i, j) => 7 * (i * nc + j);
  for (let i = 0; i < nr; i++) {
    for (let j = 0; j < nc; j++) {
      const a = at(i, Math.max(0, j - 1)), b = at(i, Math.min(nc - 1, j + 1));
      const c = at(Math.max(0, i - 1), j), d = at(Math.min(nr - 1, i + 1), j);
      const u = [0, 1, 2].map((m) => out[b + m] - out[a + m]);
      const v = [0, 1, 2].map((m) => out[d + m] - out[c + m]);
      const n = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
      const l = Math.hypot(...n) * Math.sign(n[2] || 1);
      for (let m = 0; m < 3; m++) out[at(i, j) + 3 + m] = n[m] / l;
    }
  }
  return out;
}

function section() {
  if (!state.map.floats) return;
  const alongX = $("axis").value === "x", now = state.map.floats;
  const lines = [{ points: state.map.section(alongX), colour: "#0072b2" }];
  if (state.before) {
    state.map.floats = state.before;
    lines.unshift({ points: state.map.section(alongX), colour: "#9aa5ab" });
    state.map.floats = now;
  }
  drawSection($("section"), lines, state.hello.case.tolerance_mm, state.map.at[alongX ? 0 : 1]);
  $("reading").textContent = `here ${state.map.value(...state.map.at).toFixed(2)} mm`;
}

function beside() {
  const name = $("compare").value, figure = $("second");
  figure.hidden = !name;
  if (!name) return;
  const node = state.panel.branches[name].at(-1);
  if (!state.other) {
    state.other = new PanelView($("other"), state.hello.rows, state.hello.columns);
    state.other.setBefore(state.before);
  }
  $("caption2").textContent = `Branch ${name}`;
  Object.assign(state.other.options, state.view.options);
  Object.assign(state.other, { turn: state.view.turn, tilt: state.view.tilt,
    zoom: state.view.zoom });
  if (state.shapes.has(node)) state.other.setNow(state.shapes.get(node));
  else if (state.asked !== node) { state.asked = node; say({ do: "shape", node }); }
}

function enable() {
  const works = state.hello?.works && !state.busy, p = state.panel;
  for (const id of ["go", "letdown", "fork", "save", "savecase", "branch", "counsel", "learn"]) {
    $(id).disabled = !works;
  }
  if (!(p?.steps.length > 1)) $("learn").disabled = true;
  $("undo").disabled = !works || !p?.can_undo;
  $("redo").disabled = !works || !p?.can_redo;
  $("letdown").disabled = !works || !(p?.held_N > 0);
  $("caption").textContent = p ? `Branch ${p.branch}, after ${p.steps.length - 1} steps` : "";
}

function chosen() {
  state.map.at = [Number($("x").value), Number($("y").value)];
  state.map.draw(); section();
  if ($("guess").checked && !state.judged) state.map.guesses.push([...state.map.at]);
  if (!state.hello.works || state.busy || $("kind").value === "hold") return;
  clearTimeout(state.later);
  state.later = setTimeout(() => {
    state.asked_at = performance.now();
    say({ do: "forecast", x_mm: state.map.at[0], y_mm: state.map.at[1],
      to_mm: Number($("to").value) });
    // the answer is computed while the forecast is looked at
    state.later = setTimeout(() => say({ do: "ahead", text: words($("kind").value) }), 150);
  }, 40);
}

function forecastCame(message) {
  state.forecast_ms = performance.now() - state.asked_at;
  state.forecast = message;
  const force = message.force_N, kind = $("kind").value;
  $("foreseen").textContent = `elastic forecast: ${Math.abs(force).toFixed(0)} N to bring it there; `
    + `then low ${message.low_mm.toFixed(2)}, high ${message.high_mm.toFixed(2)} mm under load`;
  gauge(Math.abs(force), kind);
}

// What readings after a step taught: each history with its weight, and what was surprising.
function answerCame(message) {
  state.answer = message;
  const share = (value) => `${(100 * value).toFixed(0)} %`;
  const lines = [...message.histories.map(([words, before, after]) =>
    `${share(before)} \u2192 ${share(after)}  ${words}`), ...message.sentences];
  if (message.branch) lines.push(`The work goes on on branch ${message.branch}.`);
  $("told").replaceChildren(...lines.map((text) =>
    Object.assign(document.createElement("p"), { textContent: text })));
  $("answers").open = true;
}

function pick(distance) {
  const f = state.map.floats;
  let best = 1e9, at = 0;
  for (let k = 0; k < f.length; k += 7) {
    const gap = distance(f[k], f[k + 1], f[k + 2]);
    if (gap < best) { best = gap; at = k; }
  }
  state.map.choose(f[at], f[at + 1]);
}

function worst() {
  const spot = state.panel.spots[0];
  if (!spot) return;
  state.map.choose(spot.x_mm, spot.y_mm);
}

function words(kind) {
  const turn = Number($("turn").value) ? ` turn ${Number($("turn").value)}` : "";
  const place = `${kind} ${$("tool").value} at ${Number($("x").value)},${Number($("y").value)}`;
  return kind === "hold" ? `${place} by ${Number($("force").value)}${turn}`
    : `${place} to ${Number($("to").value)}${turn}`;
}

function judge() {
  state.judged = true;
  const lows = state.panel.spots.filter((spot) => spot.kind === "low");
  const best = lows.map((spot) => Math.min(...state.map.guesses.map(([x, y]) =>
    Math.hypot(x - spot.x_mm, y - spot.y_mm)), 1e9));
  const near = best.filter((gap) => gap < 20).length;
  status(`${near} of ${lows.length} lows guessed within 20 mm`);
}

// lessons

function lesson(name) {
  state.lesson = state.hello.lessons.find((item) => item.name === name) || null;
  state.lessonStep = 0;
  showLesson();
}

function showLesson() {
  const place = $("words");
  place.replaceChildren();
  if (!state.lesson) return;
  const step = state.lesson.steps[state.lessonStep];
  const add = (tag, text) => place.appendChild(
    Object.assign(document.createElement(tag), { textContent: text }));
  add("p", step.say);
  if (step.question) {
    add("p", step.question).style.fontWeight = "600";
    for (const choice of step.choices || []) {
      add("button", choice).onclick = (e) => { e.target.style.background = "#fdf1d8"; };
    }
  }
  const reveal = () => { if (step.reveal) add("p", step.reveal); };
  if (step.do) {
    if (!step.branch && state.hello.works && !state.busy) say({ do: "ahead", text: step.do[0] });
    const button = add("button", "do it");
    button.disabled = !state.hello.works;
    button.onclick = async () => { button.disabled = true; await carryOut(step); reveal(); };
  } else reveal();
  if (state.lessonStep + 1 < state.lesson.steps.length) {
    add("button", "next").onclick = () => { state.lessonStep += 1; showLesson(); };
  }
}

const done = () => new Promise((resolve) => state.waits.push(resolve));

async function carryOut(step) {
  if (step.branch) {
    const known = step.branch in state.panel.branches;
    say(known ? { do: "switch", name: step.branch }
      : { do: "fork", name: step.branch, node: step.from_dent ? 0 : null });
    await done();
  }
  for (const text of step.do) { say({ do: "work", text }); await done(); }
}

// form

$("bench").onsubmit = (e) => {
  e.preventDefault(); state.judged = false;
  say({ do: "work", text: words($("kind").value) });
};
$("letdown").onclick = () => say({ do: "work", text: "let-down" });
$("undo").onclick = () => say({ do: "undo" });
$("redo").onclick = () => say({ do: "redo" });
$("save").onclick = () => say({ do: "save" });
$("savecase").onclick = () => {
  const name = $("name").value.trim();
  if (!name) { status("type a name for the case beside 'branch here' first"); return; }
  say({ do: "case", name }); $("name").value = "";
};
$("addplace").onclick = () => {
  const [x, y] = state.map.at, lines = $("readings").value.trimEnd();
  $("readings").value = `${lines}${lines ? "\n" : ""}${x.toFixed(1)} ${y.toFixed(1)} `;
  $("readings").focus();
};
$("learn").onclick = () => say({ do: "readings", text: $("readings").value,
  noise_mm: $("gaugeerror").value === "" ? null : Number($("gaugeerror").value) });
$("counsel").onclick = () => say({ do: "counsel" });
$("fork").onclick = () => { say({ do: "fork", name: $("name").value.trim() }); $("name").value = ""; };
$("branch").onchange = () => say({ do: "switch", name: $("branch").value });
$("compare").onchange = refresh;
$("deepest").onclick = worst;
$("kind").onchange = () => { tools(); chosen(); };
$("lessons").onchange = () => lesson($("lessons").value);
$("guess").onchange = () => { state.judged = false; state.map.guesses = []; refresh(); };
$("axis").onchange = section;
for (const id of ["x", "y", "to", "tool", "turn"]) $(id).onchange = chosen;
$("ideal").onchange = refresh;
for (const id of ["mix", "depth", "spacing", "lamps", "paint", "sideways"]) {
  $(id).oninput = () => {
    const hex = $("paint").value;
    Object.assign(state.view.options, { mixing: Number($("mix").value),
      depth: Number($("depth").value), spacing: Number($("spacing").value),
      lamps: Number($("lamps").value), sideways: $("sideways").checked,
      paint: [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16) / 255) });
    state.view.draw(); beside();
  };
}
connect();
