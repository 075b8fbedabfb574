// The review page with a little help: compare, zoom, measure, correct a rim, single keys.
// Everything that records an answer works without this file.
"use strict";

const SVG = "http://www.w3.org/2000/svg";
const one = (selector, root = document) => root.querySelector(selector);
const all = (selector, root = document) => Array.from(root.querySelectorAll(selector));
const still = window.matchMedia("(prefers-reduced-motion: reduce)");
const coarse = window.matchMedia("(pointer: coarse)");
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
    if (still.matches) say(`Shown: the photo of ${one(over.hasAttribute("hidden") ? ".now .day" : ".then .day").textContent}.`);
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

  // ---------------------------------------------------------------- drawing: the rim, and how far each sign reaches
  // A layer is what a person draws of one thing: patches of corners in mm, y downwards, and what they were before.
  const fields = { rim: one("#rim"), extent: one("#extent") };
  const correct = one("#correct");
  const draws = all("[data-draw]");
  const tools = one("#drawing");
  const layers = new Map();
  let active = "", handles = [], sketch = null;
  const words = (name) => (name === "rim" ? "rim" : one(`[name=sign][value=${name}]`).dataset.words);
  const starter = (name) => (name === "rim" ? correct : draws.find((button) => button.dataset.draw === name));
  const ticked = (name) => name === "rim" || one(`[name=sign][value=${name}]`).checked;
  const parsePoints = (text) => text.trim().split(" ").map((p) => p.split(",").map(Number)).map(([x, y]) => [x, -y]);

  function sizeHandles() {
    const radius = Math.max(0.2, (coarse.matches ? 9 : 6) * box[2] / Math.max(1, now.clientWidth));
    for (const handle of handles) handle.setAttribute("r", handle.classList.contains("grip") ? radius * 1.4 : radius);
  }
  function shapes(name) {  // what the page had drawn of it, with the dark line under each
    const lines = all(`.shapes .line.${name === "rim" ? "aperture" : name}`, now);
    return lines.flatMap((line) => [line.previousElementSibling, line]);
  }
  function begin(name) {
    if (active === name) return;
    if (active) rest();
    setMeasuring(false);
    if (viewer.dataset.mode === "blink") setMode("side");
    if (!layers.has(name)) {
      const given = (starter(name).dataset.points || "").split(";").filter((text) => text.trim());
      layers.set(name, { patches: given.map(parsePoints), past: [] });
    }
    active = name;
    if (name === "rim") one("[name=rim_right]").checked = false;
    else {
      const tick = one(`[name=sign][value=${name}]`);
      tick.checked = one("[name=verdict][value=sign]").checked = true;
      const right = one(`[name=extent_right][value=${name}]`);
      if (right) right.checked = false;
    }
    starter(name).setAttribute("aria-pressed", "true");
    tools.hidden = false;
    one("#drawing-what").textContent = words(name);
    for (const button of all("[data-patch]", tools)) button.hidden = name === "rim";
    viewer.classList.add("drawing");
    now.setAttribute("role", "group");  // a picture may hold nothing that takes the focus
    const layer = layers.get(name);
    drawAll();
    const seen = now.getBoundingClientRect();
    if (seen.top < 0 || seen.bottom > window.innerHeight) tools.scrollIntoView({ block: "start" });
    if (name !== "rim" && !layer.patches.length) setSketching(true);
    else say(`${count(layer)}. Drag the corners; or Tab to one and move it with the arrow keys.`);
  }
  const count = (layer) => `${layer.patches.reduce((sum, patch) => sum + patch.length, 0)} corners`;
  function setSketching(on) {
    sketch = on ? [] : null;
    viewer.classList.toggle("busy", on || measuring);
    one("#sketch").setAttribute("aria-pressed", String(on));
    if (on) say(`Press and drag round the ${words(active)}; or put a patch in the middle with the button or Insert.`);
  }
  function rest() {  // leave the drawing as it is
    if (!active) return;
    setSketching(false);
    starter(active).setAttribute("aria-pressed", "false");
    viewer.classList.remove("drawing");
    now.setAttribute("role", "img");
    tools.hidden = true;
    const layer = layers.get(active), name = active;
    active = "";
    if (!layer.patches.length) layers.delete(name);
    drawAll();
  }
  function drop() {  // leave everything as the page had it
    const name = active;
    layers.get(name).patches = [];
    rest();
    say(`The ${words(name)} is left as it was.`);
    starter(name).focus();
  }
  function remember() {
    const layer = layers.get(active);
    layer.past.push(JSON.stringify(layer.patches));
    if (layer.past.length > 200) layer.past.shift();
  }
  function back() {
    const layer = layers.get(active);
    if (!layer.past.length) { say("There is no step to take back."); return; }
    layer.patches = JSON.parse(layer.past.pop());
    drawAll();
    say(`One step taken back; ${count(layer)}.`);
  }
  const middleOf = (patch) => [0, 1].map((axis) => patch.reduce((sum, p) => sum + p[axis], 0) / patch.length);
  const element = (name, kind) => {
    const made = document.createElementNS(SVG, name);
    made.setAttribute("class", kind);
    return made;
  };
  function drawAll(focus = null) {
    for (const old of all(".layer", now)) old.remove();
    handles = [];
    for (const name of ["rim", ...draws.map((button) => button.dataset.draw)]) {
      const layer = layers.get(name);
      for (const shape of shapes(name)) shape.toggleAttribute("hidden", Boolean(layer && layer.patches.length));
      if (!layer) continue;
      const group = element("g", `layer${name === active ? " active" : ""}`);
      layer.patches.forEach((patch, k) => {
        const halo = element("polygon", "halo"), line = element("polygon", "own");
        line.setAttribute("fill", name !== "rim" && one(`#now-${name}`) ? `url(#now-${name})` : "none");
        group.append(halo, line);
        if (name === active) patch.forEach((_, i) => group.append(cornerOf(name, k, i)));
        if (name === active && name !== "rim") group.append(gripOf(name, k));
      });
      now.append(group);
    }
    placeAll();
    if (focus) {
      const target = handles.find((h) => Number(h.dataset.patch) === focus[0] && h.dataset.corner === String(focus[1]));
      if (target) target.focus();
    }
  }
  function placeAll() {
    for (const [name, layer] of layers) {
      const lines = name === active ? all(".layer.active polygon", now) : [];
      layer.patches.forEach((patch, k) => {
        const text = patch.map(([x, y]) => `${x.toFixed(2)},${y.toFixed(2)}`).join(" ");
        for (const line of lines.slice(2 * k, 2 * k + 2)) line.setAttribute("points", text);
      });
    }
    let at = 0;  // resting layers were drawn in the same order
    const resting = all(".layer:not(.active) polygon", now);
    for (const name of ["rim", ...draws.map((button) => button.dataset.draw)]) {
      const layer = layers.get(name);
      if (!layer || name === active) continue;
      for (const patch of layer.patches) {
        const text = patch.map(([x, y]) => `${x.toFixed(2)},${y.toFixed(2)}`).join(" ");
        for (const line of resting.slice(at, at + 2)) line.setAttribute("points", text);
        at += 2;
      }
    }
    for (const handle of handles) {
      const patch = layers.get(active).patches[handle.dataset.patch];
      const grip = handle.classList.contains("grip");
      const [x, y] = grip ? middleOf(patch) : patch[handle.dataset.corner];
      handle.setAttribute("cx", x);
      handle.setAttribute("cy", y);
      const where = `${x.toFixed(1)} mm right, ${(-y).toFixed(1)} mm up`;
      const which = layers.get(active).patches.length > 1 ? ` of patch ${Number(handle.dataset.patch) + 1}` : "";
      handle.setAttribute("aria-label", grip
        ? `Whole patch ${Number(handle.dataset.patch) + 1}: ${where}. Arrow keys move it, Page Up and Page Down change its size, Delete takes it away.`
        : `Corner ${Number(handle.dataset.corner) + 1} of ${patch.length}${which}: ${where}`);
    }
    sizeHandles();
    write();
  }
  function write() {
    const plain = (patch) => patch.map(([x, y]) => [Number(x.toFixed(2)), Number((-y).toFixed(2))]);
    const sent = {};  // what was only looked at is not sent: calling it right has a box of its own
    for (const [name, layer] of layers) {
      if (layer.patches.length && (layer.past.length || layer.kept) && ticked(name)) sent[name] = layer.patches.map(plain);
    }
    const { rim, ...extents } = sent;
    fields.rim.value = rim ? JSON.stringify(rim[0]) : "";
    fields.extent.value = Object.keys(extents).length ? JSON.stringify(extents) : "";
  }
  function dragging(handle, moved) {
    handle.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      event.stopPropagation();
      handle.focus();
      handle.setPointerCapture(event.pointerId);
      remember();
      let last = place(now, event);
      const move = (to) => { const here = place(now, to); moved(here, last); last = here; placeAll(); };
      handle.addEventListener("pointermove", move);
      for (const name of ["pointerup", "pointercancel"])
        handle.addEventListener(name, () => { handle.removeEventListener("pointermove", move); warn(); }, { once: true });
    });
  }
  function handleOf(kind, k, i) {
    const handle = element("circle", kind);
    handle.dataset.patch = k;
    handle.dataset.corner = i;
    handle.setAttribute("tabindex", "0");
    handle.setAttribute("role", "button");
    handles.push(handle);
    return handle;
  }
  function cornerOf(name, k, i) {
    const handle = handleOf("handle", k, i), layer = layers.get(name);
    dragging(handle, (here) => { layer.patches[k][i] = here; });
    handle.addEventListener("keydown", (event) => cornerKey(event, layer.patches[k], k, i));
    return handle;
  }
  function gripOf(name, k) {
    const handle = handleOf("handle grip", k, "all"), layer = layers.get(name);
    const shift = (dx, dy) => { layer.patches[k] = layer.patches[k].map(([x, y]) => [x + dx, y + dy]); };
    dragging(handle, (here, last) => shift(here[0] - last[0], here[1] - last[1]));
    handle.addEventListener("keydown", (event) => {
      const step = steps(event);
      const sizes = { PageUp: 1.1, PageDown: 1 / 1.1 };
      if (step) { remember(); shift(...step); placeAll(); }
      else if (sizes[event.key]) {
        remember();
        const [cx, cy] = middleOf(layer.patches[k]), factor = sizes[event.key];
        layer.patches[k] = layer.patches[k].map(([x, y]) => [cx + (x - cx) * factor, cy + (y - cy) * factor]);
        placeAll();
      } else if (event.key === "Delete") takeAway(k);
      else return;
      event.preventDefault();
      event.stopPropagation();
    });
    return handle;
  }
  function steps(event) {
    const step = event.shiftKey ? 0.1 : 0.5;
    return { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
  }
  function cornerKey(event, patch, k, i) {
    const step = steps(event);
    if (step) {
      remember();
      patch[i] = [patch[i][0] + step[0], patch[i][1] + step[1]];
      placeAll();
    } else if (event.key === "Delete" && patch.length > 3) {
      remember();
      patch.splice(i, 1);
      drawAll([k, Math.min(i, patch.length - 1)]);
    } else if (event.key === "Insert") {
      remember();
      const next = patch[(i + 1) % patch.length];
      patch.splice(i + 1, 0, [(patch[i][0] + next[0]) / 2, (patch[i][1] + next[1]) / 2]);
      drawAll([k, i + 1]);
    } else return;
    event.preventDefault();
    event.stopPropagation();
  }
  function takeAway(k) {
    const layer = layers.get(active);
    if (!layer.patches.length) return;
    remember();
    layer.patches.splice(k, 1);
    drawAll();
    say(layer.patches.length ? "One patch taken away." : "No patch is left.");
    one("#sketch").focus();
  }
  function addPatch(patch) {
    const layer = layers.get(active);
    if (layer.patches.length >= 12) { say("A sign has at most 12 patches."); return; }
    remember();
    layer.patches.push(patch);
    setSketching(false);
    drawAll([layer.patches.length - 1, "all"]);
    say(`Patch ${layer.patches.length} with ${patch.length} corners. Drag them; or Tab to one and move it with the arrow keys.`);
    warn();
  }
  function putPatch() {
    const [x, y] = [box[0] + box[2] / 2, box[1] + box[3] / 2], radius = Math.min(box[2], box[3]) / 12;
    addPatch(Array.from({ length: 10 }, (_, i) => [x + radius * Math.cos(0.628 * i), y + radius * Math.sin(0.628 * i)]));
  }
  // Takes away the corner that changes the outline least, until few are left (Visvalingam & Whyatt 1993).
  function fewer(line, corners) {
    const points = line.slice();
    const loss = (i) => {
      const [a, b, c] = [points[(i + points.length - 1) % points.length], points[i], points[(i + 1) % points.length]];
      return Math.abs((b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]));
    };
    while (points.length > corners) {
      let least = 0;
      for (let i = 1; i < points.length; i += 1) if (loss(i) < loss(least)) least = i;
      points.splice(least, 1);
    }
    return points;
  }
  function crosses(patch) {
    const side = (p, q, r) => Math.sign((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]));
    const size = patch.length;
    for (let i = 0; i < size; i += 1) {
      for (let j = i + 2; j < size; j += 1) {
        if (i === 0 && j === size - 1) continue;
        const [a, b, c, d] = [patch[i], patch[i + 1], patch[j], patch[(j + 1) % size]];
        if (side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0) return true;
      }
    }
    return false;
  }
  function warn() {
    if (layers.get(active).patches.some(crosses)) say("This outline crosses itself: drag its corners apart, or take the step back.");
  }
  now.addEventListener("pointerdown", (event) => {
    if (!sketch || event.target.closest(".handle")) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    now.setPointerCapture(event.pointerId);
    sketch = [place(now, event)];
    const trace = element("polyline", "own trace");
    now.append(trace);
    const move = (to) => {
      const here = place(now, to), last = sketch[sketch.length - 1];
      if (Math.hypot(here[0] - last[0], here[1] - last[1]) < box[2] / 300) return;
      sketch.push(here);
      trace.setAttribute("points", sketch.map((p) => p.join(",")).join(" "));
    };
    now.addEventListener("pointermove", move);
    const end = (to) => {
      now.removeEventListener("pointermove", move);
      trace.remove();
      const line = fewer(sketch || [], 20);
      sketch = [];
      if (to.type === "pointerup" && line.length >= 5) addPatch(line);
      else say("That was too short: drag all the way round it.");
    };
    for (const name of ["pointerup", "pointercancel"]) now.addEventListener(name, end, { once: true });
  }, { capture: true });
  if (correct) {
    correct.addEventListener("click", () => (active === "rim" ? drop() : begin("rim")));
    one("[name=rim_right]").addEventListener("change", (event) => {
      if (!event.target.checked) return;
      if (active === "rim") rest();
      layers.delete("rim");
      drawAll();
    });
  }
  for (const button of draws) {
    button.addEventListener("click", () => (active === button.dataset.draw ? rest() : begin(button.dataset.draw)));
  }
  for (const box of all("[name=extent_right]")) {
    box.addEventListener("change", () => {
      if (!box.checked) return;
      one(`[name=sign][value=${box.value}]`).checked = one("[name=verdict][value=sign]").checked = true;
      if (active === box.value) rest();
      layers.delete(box.value);
      drawAll();
    });
  }
  if (tools) {
    one("#sketch").addEventListener("click", () => setSketching(!sketch));
    one("#put-patch").addEventListener("click", putPatch);
    one("#take-patch").addEventListener("click", () => takeAway(layers.get(active).patches.length - 1));
    one("#step-back").addEventListener("click", back);
    one("#drawn").addEventListener("click", () => { const name = active; rest(); starter(name).focus(); });
    // a form that came back keeps what was drawn
    const flipped = (patch) => patch.map(([x, y]) => [x, -y]);
    const kept = fields.extent.value ? JSON.parse(fields.extent.value) : {};
    if (fields.rim.value) layers.set("rim", { patches: [flipped(JSON.parse(fields.rim.value))], past: [], kept: true });
    for (const name of Object.keys(kept)) layers.set(name, { patches: kept[name].map(flipped), past: [], kept: true });
    drawAll();
    if (layers.has("rim") && correct) begin("rim");
  }

  // ---------------------------------------------------------------- answers
  const form = one("#answer");
  if (form) {
    for (const tick of all("[name=sign]", form)) {
      tick.addEventListener("change", () => {
        if (tick.checked) one("[name=verdict][value=sign]", form).checked = true;
        write();
      });
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
    write();
    tick.focus();
  };
  const outline = () => {  // the next ticked sign that nobody outlined yet, or the first one
    const wanted = draws.map((button) => button.dataset.draw).filter(ticked);
    const name = wanted.find((sign) => !layers.has(sign)) || wanted.find((sign) => sign !== active);
    if (name) begin(name);
    else if (!active) say("Tick a sign first, then outline it.");
  };
  const press = (selector) => { const target = one(selector); if (target) target.click(); };
  const acts = {
    1: () => pick("sign"), 2: () => pick("not"), 3: () => pick("unsure"),
    q: () => toggle("green_film"), a: () => toggle("white_mycelium"), z: () => toggle("conk"),
    x: () => toggle("dark_bleeding"), c: () => toggle("sunken_bark"),
    n: () => press("#next"), p: () => press("#previous"), u: () => press("#undo"), o: () => press("#show-shapes"),
    w: () => press(".modes [data-mode=wipe]"), b: () => press(".modes [data-mode=blink]"), s: () => setMode("side"),
    f: () => press("#near"), m: () => press("#measure"), r: () => press("#correct"), e: outline,
    "+": () => setZoom(Number(zoom.value) * 1.5), "-": () => setZoom(Number(zoom.value) / 1.5), 0: () => setZoom(1),
    "?": () => { window.location.href = "/help"; },
  };
  document.addEventListener("keydown", (event) => {
    if ((event.ctrlKey || event.metaKey) && event.key === "z" && active && !event.target.matches("textarea, input[name=note]")) {
      event.preventDefault();
      back();
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey || !keysOn()) return;
    const target = event.target;
    if (event.key === "Escape") {
      if (active) drop();
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
    if (event.key === "Insert" && active && active !== "rim") { event.preventDefault(); putPatch(); return; }
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
