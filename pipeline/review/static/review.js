// The review page with a little help: compare, zoom, measure, correct a rim, single keys.
// Everything that records an answer works without this file.
"use strict";

const SVG = "http://www.w3.org/2000/svg";
const one = (selector, root = document) => root.querySelector(selector);
const all = (selector, root = document) => Array.from(root.querySelectorAll(selector));
const still = window.matchMedia("(prefers-reduced-motion: reduce)");
for (const part of all(".script")) part.hidden = false;

const KEYS = "woundwood-keys";
const keysOn = () => localStorage.getItem(KEYS) !== "off";
const keysBox = one("#keys-on");
if (keysBox) {
  keysBox.checked = keysOn();
  keysBox.addEventListener("change", () => localStorage.setItem(KEYS, keysBox.checked ? "on" : "off"));
}

const viewer = one(".viewer");
if (viewer) startCase();

function startCase() {
  const now = one("#now");
  const barks = all(".bark", viewer);
  const said = one("#said");
  const say = (words) => { said.textContent = words; };
  const home = now.dataset.home.split(" ").map(Number);
  let box = home.slice();

  // ---------------------------------------------------------------- compare
  const over = one(".over", now);
  const edge = one(".edge", now);
  const cut = one(".cut", now);
  const wipe = one("#wipe");
  const modes = all(".modes button");
  let blinking = 0;

  function setMode(mode) {
    clearInterval(blinking);
    blinking = 0;
    viewer.dataset.mode = mode;
    for (const button of modes) button.setAttribute("aria-pressed", String(button.dataset.mode === mode));
    one("#wipe-slide").hidden = mode !== "wipe";
    if (!over) return;
    over.toggleAttribute("hidden", mode === "side");
    edge.toggleAttribute("hidden", mode !== "wipe");
    if (mode === "wipe") {
      setWipe();
      say(`Left of the line: the photo of ${one(".then .day").textContent}.`);
    }
    if (mode === "blink") {
      cut.setAttribute("x", home[0]);
      cut.setAttribute("width", home[2]);
      if (still.matches) say("Press b to change between the two photos.");
      else blinking = setInterval(flip, 900);
    }
    if (mode === "side") say("");
  }
  function flip() {
    over.toggleAttribute("hidden");
    if (still.matches) say(over.hasAttribute("hidden") ? "Shown: the last photo." : "Shown: the earlier photo.");
  }
  function setWipe() {
    const at = home[0] + home[2] * Number(wipe.value) / 100;
    cut.setAttribute("x", home[0]);
    cut.setAttribute("width", Math.max(0, at - home[0]));
    edge.setAttribute("x1", at);
    edge.setAttribute("x2", at);
  }
  for (const button of modes) {
    button.addEventListener("click", () => {
      if (button.dataset.mode === "blink" && viewer.dataset.mode === "blink") {
        if (still.matches) flip();
        else setMode("side");
      } else setMode(button.dataset.mode);
    });
  }
  if (wipe) wipe.addEventListener("input", setWipe);

  // ---------------------------------------------------------------- zoom
  const zoom = one("#zoom");
  function show() {
    for (const bark of barks) bark.setAttribute("viewBox", box.join(" "));
    viewer.classList.toggle("zoomed", box[2] < home[2] - 0.01);
    sizeHandles();
  }
  const wound = one(".shapes .line.aperture", now);
  function middle() {  // the wound, as long as all of the bark is shown; then what the person looks at
    if (!wound || viewer.classList.contains("zoomed")) return [box[0] + box[2] / 2, box[1] + box[3] / 2];
    const rim = wound.getBBox();
    return [rim.x + rim.width / 2, rim.y + rim.height / 2];
  }
  function setZoom(factor, x, y) {
    const centred = x === undefined;
    if (centred) [x, y] = middle();
    factor = Math.min(8, Math.max(1, factor));
    const old = home[2] / box[2];
    const width = home[2] / factor, height = home[3] / factor;
    box = centred ? [x - width / 2, y - height / 2, width, height]
      : [x - (x - box[0]) * old / factor, y - (y - box[1]) * old / factor, width, height];
    keepInside();
    zoom.value = String(factor);
    show();
  }
  function keepInside() {
    box[0] = Math.min(Math.max(box[0], home[0]), home[0] + home[2] - box[2]);
    box[1] = Math.min(Math.max(box[1], home[1]), home[1] + home[3] - box[3]);
  }
  zoom.addEventListener("input", () => setZoom(Number(zoom.value)));
  const near = one("#near");
  near.addEventListener("click", () => {
    const on = near.getAttribute("aria-pressed") !== "true";
    near.setAttribute("aria-pressed", String(on));
    for (const image of all(".skin", viewer)) {
      image.dataset.far = image.dataset.far || image.getAttribute("href");
      const wanted = on ? image.dataset.near : image.dataset.far;
      const ahead = new Image();
      ahead.onload = () => { image.setAttribute("href", wanted); say(on ? "All pixels of the photo are shown." : ""); };
      ahead.onerror = () => say("The original of this photo cannot be unrolled again.");
      if (on) say("Unrolling the photo again …");
      ahead.src = wanted;
    }
  });

  const place = (bark, event) => {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(bark.getScreenCTM().inverse());
    return [point.x, point.y];
  };
  for (const bark of barks) {
    bark.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && !viewer.classList.contains("zoomed")) return;
      event.preventDefault();
      setZoom(Number(zoom.value) * (event.deltaY < 0 ? 1.25 : 0.8), ...place(bark, event));
    }, { passive: false });
    let from = null;
    bark.addEventListener("pointerdown", (event) => {
      if (event.target.closest(".handle")) return;
      if (measuring) { beginRuler(bark, event); return; }
      if (!viewer.classList.contains("zoomed")) return;
      from = [event.clientX, event.clientY, box[0], box[1]];
      bark.setPointerCapture(event.pointerId);
    });
    bark.addEventListener("pointermove", (event) => {
      if (ruler && ruler.bark === bark) { moveRuler(event); return; }
      if (!from) return;
      const scale = box[2] / bark.clientWidth;
      box[0] = from[2] - (event.clientX - from[0]) * scale;
      box[1] = from[3] - (event.clientY - from[1]) * scale;
      keepInside();
      show();
    });
    for (const name of ["pointerup", "pointercancel"]) bark.addEventListener(name, () => { from = null; ruler = null; });
  }

  // ---------------------------------------------------------------- measure
  const measure = one("#measure");
  let measuring = false, ruler = null;
  function setMeasuring(on) {
    measuring = on;
    measure.setAttribute("aria-pressed", String(on));
    viewer.classList.toggle("busy", on);
    if (on) say("Drag from one point to another.");
    else { for (const old of all(".ruler", viewer)) old.remove(); say(""); }
  }
  measure.addEventListener("click", () => setMeasuring(!measuring));
  function beginRuler(bark, event) {
    event.preventDefault();
    for (const old of all(".ruler", viewer)) old.remove();
    const group = document.createElementNS(SVG, "g");
    group.setAttribute("class", "ruler");
    const lines = ["under", ""].map((name) => {
      const line = document.createElementNS(SVG, "line");
      line.setAttribute("class", name);
      group.append(line);
      return line;
    });
    bark.append(group);
    bark.setPointerCapture(event.pointerId);
    ruler = { bark, lines, from: place(bark, event) };
    moveRuler(event);
  }
  function moveRuler(event) {
    const to = place(ruler.bark, event);
    for (const line of ruler.lines) {
      line.setAttribute("x1", ruler.from[0]); line.setAttribute("y1", ruler.from[1]);
      line.setAttribute("x2", to[0]); line.setAttribute("y2", to[1]);
    }
    const long = Math.hypot(to[0] - ruler.from[0], to[1] - ruler.from[1]);
    say(`${long.toFixed(1)} mm (${Math.abs(to[0] - ruler.from[0]).toFixed(1)} round the trunk, ${Math.abs(to[1] - ruler.from[1]).toFixed(1)} along it)`);
  }

  // ---------------------------------------------------------------- the rim
  const correct = one("#correct");
  const field = one("#rim");
  let corners = null, outline = null, handles = [];
  function sizeHandles() {
    const radius = Math.max(0.2, 6 * box[2] / Math.max(1, now.clientWidth));
    for (const handle of handles) handle.setAttribute("r", radius);
  }
  function startRim() {
    setMeasuring(false);
    if (viewer.dataset.mode === "blink") setMode("side");
    const text = field.value ? JSON.parse(field.value) : correct.dataset.points.trim().split(" ").map((p) => p.split(",").map(Number));
    corners = text.map(([x, y]) => [x, -y]);
    viewer.classList.add("drawing");
    correct.setAttribute("aria-pressed", "true");
    one("[name=rim_right]").checked = false;
    drawRim();
    say(`${corners.length} corners. Drag them; or Tab to one and move it with the arrow keys.`);
  }
  function drawRim(focus = -1) {
    if (outline) outline.remove();
    outline = document.createElementNS(SVG, "g");
    const halo = document.createElementNS(SVG, "polygon"), line = document.createElementNS(SVG, "polygon");
    halo.setAttribute("class", "halo");
    line.setAttribute("class", "own");
    outline.append(halo, line);
    handles = corners.map((corner, i) => {
      const handle = document.createElementNS(SVG, "circle");
      handle.setAttribute("class", "handle");
      handle.setAttribute("tabindex", "0");
      handle.setAttribute("role", "button");
      handle.addEventListener("pointerdown", (event) => {
        event.preventDefault();
        handle.focus();
        handle.setPointerCapture(event.pointerId);
        const move = (moved) => { corners[i] = place(now, moved); placeRim(); };
        handle.addEventListener("pointermove", move);
        for (const name of ["pointerup", "pointercancel"])
          handle.addEventListener(name, () => handle.removeEventListener("pointermove", move), { once: true });
      });
      handle.addEventListener("keydown", (event) => rimKey(event, i));
      outline.append(handle);
      return handle;
    });
    now.append(outline);
    placeRim();
    if (focus >= 0) handles[focus].focus();
  }
  function placeRim() {
    const text = corners.map(([x, y]) => `${x.toFixed(2)},${y.toFixed(2)}`).join(" ");
    for (const polygon of all("polygon", outline)) polygon.setAttribute("points", text);
    handles.forEach((handle, i) => {
      handle.setAttribute("cx", corners[i][0]);
      handle.setAttribute("cy", corners[i][1]);
      handle.setAttribute("aria-label", `Corner ${i + 1} of ${corners.length}: ${corners[i][0].toFixed(1)} mm right, ${(-corners[i][1]).toFixed(1)} mm up`);
    });
    sizeHandles();
    field.value = JSON.stringify(corners.map(([x, y]) => [Number(x.toFixed(2)), Number((-y).toFixed(2))]));
  }
  function rimKey(event, i) {
    const step = event.shiftKey ? 0.1 : 0.5;
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (moves[event.key]) {
      corners[i] = [corners[i][0] + moves[event.key][0], corners[i][1] + moves[event.key][1]];
      placeRim();
    } else if (event.key === "Delete" && corners.length > 3) {
      corners.splice(i, 1);
      drawRim(Math.min(i, corners.length - 1));
    } else if (event.key === "Insert") {
      const next = corners[(i + 1) % corners.length];
      corners.splice(i + 1, 0, [(corners[i][0] + next[0]) / 2, (corners[i][1] + next[1]) / 2]);
      drawRim(i + 1);
    } else return;
    event.preventDefault();
    event.stopPropagation();
  }
  function stopRim() {
    if (!corners) return;
    corners = null;
    outline.remove();
    outline = null;
    handles = [];
    field.value = "";
    viewer.classList.remove("drawing");
    correct.setAttribute("aria-pressed", "false");
    say("The rim is left as it was.");
    correct.focus();
  }
  if (correct) {
    correct.addEventListener("click", () => (corners ? stopRim() : startRim()));
    one("[name=rim_right]").addEventListener("change", (event) => { if (event.target.checked && corners) stopRim(); });
    if (field.value) startRim();
  }

  // ---------------------------------------------------------------- answers
  const form = one("#answer");
  if (form) {
    for (const tick of all("[name=sign]", form)) {
      tick.addEventListener("change", () => { if (tick.checked) one("[name=verdict][value=sign]", form).checked = true; });
    }
    let sent = false;
    form.addEventListener("submit", (event) => {
      if (sent) event.preventDefault();  // a second press of Enter is not a second answer
      sent = true;
    });
    window.addEventListener("pageshow", () => { sent = false; });
  }
  const pick = (value) => { const radio = one(`[name=verdict][value=${value}]`); if (radio) { radio.checked = true; radio.focus(); } };
  const toggle = (value) => {
    const tick = one(`[name=sign][value=${value}]`);
    if (!tick) return;
    one("[name=verdict][value=sign]").checked = true;
    tick.checked = !tick.checked;
    tick.focus();
  };
  const press = (selector) => { const target = one(selector); if (target) target.click(); };
  const acts = {
    1: () => pick("sign"), 2: () => pick("not"), 3: () => pick("unsure"),
    q: () => toggle("green_film"), a: () => toggle("white_mycelium"), z: () => toggle("conk"),
    x: () => toggle("dark_bleeding"), c: () => toggle("sunken_bark"),
    n: () => press("#next"), p: () => press("#previous"), u: () => press("#undo"), o: () => press("#show-shapes"),
    w: () => press(".modes [data-mode=wipe]"), b: () => press(".modes [data-mode=blink]"), s: () => setMode("side"),
    f: () => press("#near"), m: () => press("#measure"), r: () => press("#correct"),
    "+": () => setZoom(Number(zoom.value) * 1.5), "-": () => setZoom(Number(zoom.value) / 1.5), 0: () => setZoom(1),
    "?": () => { window.location.href = "/help"; },
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || !keysOn()) return;
    const target = event.target;
    if (event.key === "Escape") {
      if (corners) stopRim();
      else if (measuring) setMeasuring(false);
      return;
    }
    const writes = target.matches("textarea, select, input:not([type=radio]):not([type=checkbox]):not([type=range])");
    if (writes) return;
    if (event.key === "Enter" && form && !target.closest("a, button, summary")) {
      event.preventDefault();
      form.requestSubmit(one("button.main", form));
      return;
    }
    const act = acts[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (act) {
      event.preventDefault();
      act();
    }
  });

  // the next case's picture, so that it is there when it is asked for
  if (viewer.dataset.next) window.addEventListener("load", () => { new Image().src = viewer.dataset.next; });
  window.addEventListener("resize", sizeHandles);
}
