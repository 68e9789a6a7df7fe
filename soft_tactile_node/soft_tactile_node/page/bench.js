// The bench page: takes signals and words from the server, shows them, and asks for what the buttons say.
import { Columns, Strip } from "./charts.js";

const VALUES = ["force_x", "force_y", "force_z", "sigma_x", "sigma_y", "sigma_z", "probability", "in_contact", "bend", "pressure"];
const LONGEST_LIST = 100;
const DEGREES = 180 / Math.PI;

const at = (id) => document.getElementById(id);
const value = (channels, name) => 3 * channels + VALUES.indexOf(name);
const parts = (part, scale) => (channels) =>
  Array.from({ length: channels }, (_, k) => ({ signal: part * channels + k, scale, label: `${k + 1}`, colour: k % 6 }));
const force = (channels) =>
  ["x", "y", "z"].map((axis, k) => ({
    signal: value(channels, `force_${axis}`), sigma: value(channels, `sigma_${axis}`), scale: 1, label: axis, colour: k,
  }));
const single = (name, scale, colour) => (channels) => [{ signal: value(channels, name), scale, label: name, colour }];

const CHARTS = [
  { title: "Force (N), band: 2 σ", about: "force on the pad along x, y and z with its band of two standard deviations", lines: force, least: 0.4, estimated: true },
  { title: "Contact probability", about: "probability of a touch", lines: single("probability", 1, 2), fixed: [0, 1.02], estimated: true },
  { title: "Contact (‰)", about: "what the touch changes in each coil", lines: parts(2, 1e3), least: 0.5, estimated: true },
  { title: "Bending (‰)", about: "what the finger's own bending changes in each coil", lines: parts(1, 1e3), least: 0.5, estimated: true },
  { title: "Raw, off its mean (nH)", about: "inductance of each coil, off its mean over the time shown", lines: parts(0, 1e9), least: 5, centred: true },
  { title: "Pressure (kPa)", about: "gauge pressure in the finger", lines: single("pressure", 1e-3, 0), least: 2 },
  { title: "Bend (°)", about: "bend angle of the finger", lines: single("bend", DEGREES, 4), least: 2, estimated: true },
];

let socket = null;
let fingers = [];
let chosen = 0;
let spanS = 20;
let dirty = false;
let held = false;
let statuses = [];
const theme = {};
let palette = [];
const events = [];
const dark = window.matchMedia("(prefers-color-scheme: dark)");
const still = window.matchMedia("(prefers-reduced-motion: reduce)");

function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function show(element, shown) {
  element.hidden = !shown;
}

function number(given, scale, digits, unit = "") {
  if (given === null || given === undefined) return "not known";
  const text = (given * scale).toFixed(digits);
  return `${Number(text) ? text : (0).toFixed(digits)}${unit && ` ${unit}`}`; // no minus before a zero
}

function ask(command) {
  socket.send(JSON.stringify({ finger: chosen, ...command }));
}

// -- what comes

function connect() {
  const address = new URL("feed", window.location.href);
  address.protocol = address.protocol.replace("http", "ws");
  socket = new WebSocket(address);
  socket.binaryType = "arraybuffer";
  socket.onmessage = (message) => {
    if (message.data instanceof ArrayBuffer) {
      const finger = fingers[new Uint32Array(message.data, 0, 1)[0]];
      finger.columns.take(message.data);
      dirty = true;
    } else {
      hear(JSON.parse(message.data));
    }
  };
  socket.onclose = () => {
    at("link").className = "lost";
    say(at("link"), "the page has lost its server: is soft-tactile page still running?");
    window.setTimeout(connect, 1000);
  };
}

function hear(words) {
  if (words.hello) meet(words.hello);
  if (words.span_s) {
    spanS = words.span_s;
    at("span").value = `${spanS}`;
    fingers.forEach((finger) => finger.columns.clear());
  }
  if (words.events) {
    events.push(...words.events);
    words.events.filter((event) => event.finger === chosen).forEach(list);
  }
  if (words.status) {
    statuses = words.status;
    tell();
  }
  if (words.notice) say(at("trouble"), words.notice);
}

function meet(hello) {
  at("link").className = "";
  say(at("link"), "connected");
  palette = hello.colours;
  paint();
  window.history.replaceState(null, "", window.location.pathname); // the token stays out of sight
  events.length = 0;
  fingers = hello.fingers.map((finger) => ({ ...finger, columns: new Columns(hello.columns) }));
  at("span").replaceChildren(...hello.spans_s.map((span) => new Option(`${span} s`, `${span}`)));
  document.querySelectorAll(".cautions").forEach((place) => place.replaceChildren(...hello.cautions.map(line)));
  at("preparations").replaceChildren(...hello.preparations.map(line));
  show(at("fingers"), fingers.length > 1);
  at("fingers").replaceChildren(...fingers.map(card));
  choose(Math.min(chosen, fingers.length - 1));
}

function line(text) {
  const item = document.createElement("li");
  item.textContent = text;
  return item;
}

function card(finger, index) {
  const button = document.createElement("button");
  button.type = "button";
  finger.name_at = document.createElement("strong");
  finger.words_at = document.createElement("span");
  const canvas = document.createElement("canvas");
  canvas.setAttribute("aria-hidden", "true");
  finger.name_at.textContent = finger.name;
  button.append(finger.name_at, canvas, finger.words_at);
  button.onclick = () => choose(index);
  finger.strip = new Strip(canvas, { lines: (c) => [force(c)[2]], least: 0.4, small: true });
  finger.button = button;
  return button;
}

function choose(index) {
  chosen = index;
  fingers.forEach((finger, k) => finger.button.setAttribute("aria-pressed", `${k === chosen}`));
  say(at("name"), fingers[chosen].name);
  say(at("source"), fingers[chosen].source);
  say(at("saved"), "");
  at("events").replaceChildren();
  events.filter((event) => event.finger === chosen).slice(-LONGEST_LIST).forEach(list);
  legends = 0;
  dirty = true;
  tell();
}

function list(event) {
  const item = document.createElement("li");
  item.className = event.kind;
  item.dataset.stamp = event.stamp_s;
  const hundredths = Math.round(100 * event.time_s);
  const seconds = ((hundredths % 6000) / 100).toFixed(2).padStart(5, "0");
  const texts = [`${Math.floor(hundredths / 6000)}:${seconds}`, event.kind, event.text];
  item.append(...texts.map((text) => Object.assign(document.createElement("span"), { textContent: text })));
  at("events").prepend(item);
  while (at("events").childElementCount > LONGEST_LIST) at("events").lastElementChild.remove();
  if (["recording", "calibration", "refused"].includes(event.kind)) {
    say(at(event.kind === "refused" ? "trouble" : "saved"), event.text);
    if (event.kind !== "refused") say(at("trouble"), "");
  }
}

// -- words

function tell() {
  fingers.forEach((finger, k) => {
    const status = statuses[k] || {};
    const fz = status.force_n ? `, ${number(status.force_n[2], 1, 2, "N")}` : "";
    say(finger.words_at, `${status.failure || status.fault || status.state || "waiting"}${fz}`);
  });
  const status = statuses[chosen];
  if (!status || !status.state) {
    if (status && status.failure) say(at("trouble"), status.failure);
    return;
  }
  const refusal = status.tare_refusal && ` (${status.tare_refusal})`;
  say(at("state"), status.failure || status.fault || status.state + refusal);
  at("state").className = status.touched ? "touched" : "";
  say(at("record"), status.recording ? "Stop recording" : "Record");
  at("record").className = status.recording ? "going" : "";
  at("record").disabled = Boolean(status.calibrating);
  at("tare").disabled = !status.calibration || Boolean(status.calibrating);
  at("tare").title = status.calibration ? "" : "a tare needs a calibration";
  at("calibrate").disabled = Boolean(status.calibrating);
  show(at("report"), Boolean(status.report));
  if (status.report) at("report").href = `reports/${status.report}`;
  strips.forEach((strip) => show(strip.figure, !strip.kind.estimated || status.force_n !== undefined));
  tellNow(status);
  tellFlags(status);
  tellChannels(status.channels);
  tellGuide(status.calibrating);
}

function tellNow(status) {
  const known = status.force_n !== undefined;
  const rows = known
    ? ["x", "y", "z"].map((axis, k) => [
        `Force ${axis}`,
        `${number(status.force_n[k], 1, 2)} ± ${number(status.sigma_n[k] === null ? null : 2 * status.sigma_n[k], 1, 2, "N")}`,
      ])
    : [];
  if (known) {
    rows.push(["Contact probability", number(status.probability, 1, 2)]);
    rows.push(["Bend", number(status.bend_rad, DEGREES, 1, "°")]);
    rows.push(["Bend, of the full one", number(status.bend_fraction, 100, 0, "%")]);
  }
  rows.push(["Pressure", number(status.pressure_pa, 1e-3, 2, "kPa")]);
  rows.push(["Scans", `${status.rate_hz.toFixed(0)} Hz, ${status.lost} lost`]);
  rows.push(["Latency, scan to estimate", status.latency_s === null ? "not known"
    : `${number(status.latency_s, 1e3, 1)} ms, at most ${number(status.latency_most_s, 1e3, 1)} ms`]);
  rows.push(["Calibration", status.calibration || "none"]);
  if (status.recording) rows.push(["Recording to", status.recording]);
  fill(at("now"), rows.flat(), (k) => document.createElement(k % 2 ? "dd" : "dt"));
}

function fill(place, texts, make) {
  while (place.childElementCount > texts.length) place.lastElementChild.remove();
  texts.forEach((text, k) => {
    if (!place.children[k]) place.append(make(k));
    say(place.children[k], text);
  });
}

function tellFlags(status) {
  const found = [...status.flags, ...status.remarks.map((text) => [0, text])];
  const words = found.length ? found.map(([, text]) => text) : ["nothing"];
  fill(at("flags"), words, () => document.createElement("li"));
  words.forEach((_, k) => {
    at("flags").children[k].className = found.length ? ["", "care", "bad"][found[k][0]] : "";
  });
}

function tellChannels(channels) {
  const cells = channels.map((one, k) =>
    [`${k + 1}`, number(one.raw_h, 1e6, 4), number(one.bending, 1e3, 2), number(one.contact, 1e3, 2), one.words]);
  while (at("channels").childElementCount > cells.length) at("channels").lastElementChild.remove();
  cells.forEach((texts, k) => {
    if (!at("channels").children[k]) at("channels").append(document.createElement("tr"));
    fill(at("channels").children[k], texts, (cell) => {
      const made = document.createElement(cell ? "td" : "th");
      if (!cell) made.scope = "row";
      return made;
    });
  });
}

function tellGuide(guide) {
  show(at("guide"), Boolean(guide));
  if (!guide) return;
  const newton = (given) => (given ? `${given.map((one) => number(one, 1, 2)).join("  ")} N` : "keep off");
  say(at("instruction"), guide.instruction);
  say(at("phase"), guide.phase);
  at("progress").value = guide.fraction;
  say(at("pressure-name"), guide.by_hand ? "Pressure, set by you" : "Pressure");
  say(at("wanted-pressure"), number(guide.wanted_pressure_pa, 1e-3, 1, "kPa"));
  say(at("read-pressure"), number(guide.pressure_pa, 1e-3, 1, "kPa"));
  say(at("wanted-force"), newton(guide.wanted_force_n));
  say(at("read-force"), newton(guide.force_n));
}

// -- charts

let legends = 0;
let drawn = 0;
const strips = CHARTS.map((kind) => {
  const figure = document.createElement("figure");
  const canvas = document.createElement("canvas");
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", `Strip chart: ${kind.about}; the numbers stand under Now and Channels`);
  const caption = document.createElement("figcaption");
  const title = Object.assign(document.createElement("strong"), { textContent: kind.title });
  caption.append(title);
  figure.append(caption, canvas);
  at("charts").append(figure);
  return Object.assign(new Strip(canvas, kind), { figure, caption, title });
});

function label(channels) {
  legends = channels;
  strips.forEach((strip) => {
    const lines = strip.kind.lines(channels);
    const names = lines.length < 2 ? [] : lines.map((one) => {
      const name = document.createElement("span");
      const swatch = document.createElement("span");
      swatch.className = "swatch";
      swatch.style.backgroundColor = theme.colours[one.colour];
      name.append(swatch, strip.kind.lines === force ? one.label : `coil ${one.label}`);
      return name;
    });
    strip.caption.replaceChildren(strip.title, ...names);
  });
}

function draw(now) {
  window.requestAnimationFrame(draw);
  if (!dirty || held || !fingers.length || (still.matches && now - drawn < 250)) return;
  dirty = false;
  drawn = now;
  const columns = fingers[chosen].columns;
  if (columns.channels && columns.channels !== legends) label(columns.channels);
  strips.filter((strip) => !strip.figure.hidden).forEach((strip) => strip.draw(columns, spanS, theme));
  if (fingers.length > 1) fingers.forEach((finger) => finger.strip.draw(finger.columns, spanS, theme));
}

function paint() {
  const style = window.getComputedStyle(document.documentElement);
  for (const name of ["ink", "quiet", "line"]) theme[name] = style.getPropertyValue(`--${name}`).trim();
  const [blue, orange, green, pink, sky, red] = palette;
  theme.colours = dark.matches ? [sky, orange, green, pink, blue, red] : palette; // blue is hard to see on black
  legends = 0;
  dirty = true;
}

// -- buttons

at("tare").onclick = () => ask({ do: "tare" });
at("record").onclick = () => ask({ do: statuses[chosen].recording ? "stop" : "record" });
at("cancel").onclick = () => ask({ do: "cancel" });
at("span").onchange = () => socket.send(JSON.stringify({ span_s: Number(at("span").value) }));
at("hold").onclick = () => {
  held = !held;
  at("hold").setAttribute("aria-pressed", `${held}`);
};
at("mark").onsubmit = (event) => {
  event.preventDefault();
  ask({ do: "mark", text: at("mark-text").value });
  at("mark-text").value = "";
};
at("calibrate").onclick = () => {
  const simulated = fingers[chosen].kind === "simulated";
  if (fingers[chosen].not_led) { // refused, with the reason, before anybody reads on
    ask({ do: "calibrate", max_pressure_pa: 0, full_force_n: 0, read: false });
    return;
  }
  say(at("ask-how"), simulated
    ? "The simulated bench sets the pressure and presses by itself, faster than real time."
    : "You set the pressure and press as the page asks, for about ten minutes; the force cell and the pressure are read.");
  if (simulated && !at("most").value) [at("most").value, at("full").value] = ["60", "5"];
  at("read").checked = false;
  at("ask").showModal();
};
at("start").onclick = () => {
  if (!at("start").form.reportValidity()) return;
  const [kpa, newton] = [Number(at("most").value), Number(at("full").value)];
  ask({ do: "calibrate", max_pressure_pa: 1e3 * kpa, full_force_n: newton, read: at("read").checked });
  at("ask").close();
};

paint();
dark.addEventListener("change", paint);
window.addEventListener("resize", () => { dirty = true; });
window.requestAnimationFrame(draw);
connect();
