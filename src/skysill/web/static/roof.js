// The roof page: the plan, what is moved and drawn on it, the spot that is asked about, the search, the card.

import { ApiError, cancelTask, follow, newestOnly, post, siteAddress } from "./api.js";
import { Draft, saveBar } from "./draft.js";
import { alertUser, bindFields, clearErrors, parseNumber, say, showError } from "./fields.js";
import { Drawing } from "./roof_drawing.js";
import { make, placeWords, showBeside, showFound, showSpot } from "./roof_panels.js";
import { removeShape, round, shapesOf, writeShape } from "./roof_shapes.js";
import { PlanView, element } from "./roof_view.js";
import { verdictMark } from "./verdict.js";

const byId = (id) => document.getElementById(id);
const STEP_M = 0.1;
const REST_MS = 350;
const NEW = "";

const name = document.body.dataset.site;
const draft = await Draft.open(name);
const view = new PlanView(byId("plan"));
const spot = { mount: NEW, east: 0, north: 0, height: 1, review: null };
let plan = null; // as the server drew it last
let found = null; // of the last search
let beside = [];
let satellite = null;
let drag = null;
let resting = 0;

const ask = (rest, body = {}) => post(siteAddress(name, rest), { edits: draft.edits, ...body });
function fail(fault) {
  const field = showError(document.querySelector("main"), fault, { focus: false });
  const closed = field?.closest("details");
  if (closed) closed.open = true;
  alertUser(fault.message);
}
const shapes = () => shapesOf(draft.site);
const mounts = () => draft.site.mounts ?? [];
const mountNamed = (wanted) => mounts().findIndex((one) => one.name === wanted);

// --- drawing the plan ----------------------------------------------------------------------------------------

function handle(key, label, [east, north], grip) {
  const unit = view.unit;
  const made = element("g", { class: "handle", role: "button", tabindex: 0, "data-key": key, "aria-label": `${label}, ${placeWords({ east_m: east, north_m: north })}`, transform: `translate(${east} ${-north}) scale(${unit})` });
  made.append(element("circle", { r: 24, fill: "transparent" }), grip);
  return made;
}

const dot = () => element("circle", { class: "grip", r: 6, fill: "#ffffff", stroke: "#000000", "stroke-width": 2.5 });

function mountGrip() {
  const grip = element("g", { class: "grip" });
  const answer = spot.review?.answers.find((one) => one.satellite === satellite);
  const mark = verdictMark(answer?.verdict ?? "unknown");
  mark.setAttribute("transform", "scale(1.3)");
  grip.append(element("circle", { class: "grip", r: 17, fill: "#ffffff", stroke: "#000000", "stroke-width": 3 }), mark);
  return grip;
}

function draw() {
  const layer = view.layers.edit;
  const focused = layer.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  const parts = [];
  const handles = [];
  for (const one of shapes()) {
    const points = drag?.key?.startsWith(`${one.key}.`) ? drag.points : one.points;
    const stroke = one.key === "outline" ? "#000000" : one.kind === "ridges" || one.kind === "valleys" ? "#7a3b00" : one.key.startsWith("keep_out") ? "#8f1d00" : "#444444";
    if (points.length > 1) parts.push(view.line(points, { closed: one.closed, stroke, width: one.key === "outline" ? 2.5 : 1.8, dash: one.key.startsWith("keep_out") ? [3, 3] : null, fill: one.key.startsWith("keep_out") ? "#8f1d00" : "none", opacity: 0.15, title: one.name }));
    if (one.key === "entry") parts.push(view.text(points[0][0], points[0][1], "cable entry", { size: 11, lift: -20 }));
    points.forEach((point, k) => handles.push(handle(`${one.key}.${k}`, points.length > 1 ? `${one.name}, point ${k + 1}` : one.name, point, dot())));
  }
  mounts().forEach((one) => {
    if (one.name === spot.mount || one.east_m === undefined) return;
    parts.push(view.line([[one.east_m, one.north_m], [one.east_m, one.north_m + 0.01]], { width: 9 }), view.text(one.east_m, one.north_m, one.name, { size: 11, lift: 10 }));
  });
  const drawn = drawing.points;
  if (drawn.length) {
    parts.push(view.line(drawn, { stroke: "#b4005a", width: 2.5, dash: [6, 4], closed: drawn.length > 2 && ["outline", "keep_out", "yards", "boundary", "building"].includes(drawing.tool) }));
    for (const [east, north] of drawn) parts.push(element("circle", { cx: east, cy: -north, r: 5 * view.unit, fill: "#b4005a" }));
  }
  if (drawing.cursor) {
    const [east, north] = drawing.cursor;
    const arm = 12 * view.unit;
    parts.push(view.line([[east - arm, north], [east + arm, north]], { stroke: "#b4005a", width: 2 }), view.line([[east, north - arm], [east, north + arm]], { stroke: "#b4005a", width: 2 }));
  }
  handles.push(handle("mount", `mount ${spot.mount || "not yet named"}`, [spot.east, spot.north], mountGrip()));
  layer.replaceChildren(...parts, ...view.scaleBar(), ...handles);
  if (focused) layer.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
}

function drawAll() {
  view.ground(plan, satellite);
  view.field(found, numberInFound(), chooseFound);
  draw();
}

const numberInFound = () => Math.max(0, found ? found.satellites.findIndex((one) => one.name === satellite) : 0);

const askPlan = newestOnly(
  () => ask("/plan"),
  (answer) => {
    const first = plan === null;
    plan = answer;
    clearErrors(document.querySelector("main"));
    if (plan.roof?.fault) alertUser(plan.roof.fault);
    byId("lines-caution").textContent = plan.cautions[0]; // overhead lines come first
    byId("general-cautions").replaceChildren(...plan.cautions.slice(1).map((text) => make("li", {}, text)));
    if (first) {
      view.extent = plan.home;
      view.all();
      if (mountNamed(spot.mount) < 0) [spot.east, spot.north] = view.centre.map(round); // a new spot: on the roof's middle
      fillChoices();
      askRelief();
    }
    drawAll();
    fillPoints();
    moved({ rest: true });
  },
  fail,
);

async function askRelief() {
  try {
    const relief = await ask("/hillshade", plan.extent);
    view.relief(relief);
    byId("relief").textContent = relief.said;
  } catch (fault) {
    byId("relief").textContent = fault.message;
  }
}

// --- the spot that is asked about ------------------------------------------------------------------------------

function question(moving) {
  const isThere = mountNamed(spot.mount) >= 0;
  const others = plan.satellites.map((one) => one.name);
  return {
    moving,
    key: spotKey(),
    body: {
      mount: isThere ? spot.mount : null,
      east_m: spot.east,
      north_m: spot.north,
      height_m: spot.height,
      max_height_m: parseNumber(byId("tallest").value),
      prove: moving ? null : satellite,
      satellites: moving ? [satellite] : others,
    },
  };
}

const spotKey = () => JSON.stringify([spot.mount, spot.east, spot.north, spot.height, draft.edits]);

function useReview(answer, isWhole) {
  spot.review = answer;
  showSpot(byId("answers"), answer);
  byId("answers").setAttribute("aria-busy", String(!isWhole));
  draw();
}

function reviewFailed(fault) {
  byId("answers").replaceChildren(make("p", { class: "caution" }, fault.message));
  byId("answers").setAttribute("aria-busy", "false");
}

// Two questions at once: a quick one that follows the pointer, and a slow one whose answer counts if nothing moved since.
const askQuick = newestOnly(({ body }) => ask("/spot", body), (answer, { key }) => {
  if (key !== spotKey() || spot.proofOf !== key) useReview(answer, false);
}, reviewFailed);
const askProof = newestOnly(({ body }) => ask("/spot", body), (answer, { key }) => {
  if (key !== spotKey()) return;
  spot.proofOf = key;
  useReview(answer, true);
}, (fault, { key }) => key === spotKey() && reviewFailed(fault));

// The spot moved: a quick answer now, the whole one when it rests.
function moved({ rest = false } = {}) {
  clearTimeout(resting);
  if (!plan?.satellites.length) {
    byId("answers").replaceChildren(make("p", { class: "note" }, "No satellite is chosen yet: choose one at the desk."));
    return;
  }
  byId("answers").setAttribute("aria-busy", "true");
  fillSpot();
  askQuick(question(true));
  resting = setTimeout(() => askProof(question(false)), rest ? 0 : REST_MS);
}

function fillSpot() {
  const values = { height: spot.height, "spot-east": spot.east.toFixed(2), "spot-north": spot.north.toFixed(2) };
  for (const [id, value] of Object.entries(values)) if (document.activeElement !== byId(id)) byId(id).value = value;
  byId("height-said").textContent = `${spot.height.toFixed(2)} m`;
  byId("use-spot").hidden = mountNamed(spot.mount) >= 0;
}

function takeMount(wanted) {
  const one = mounts()[mountNamed(wanted)];
  spot.mount = one ? wanted : NEW;
  if (one) {
    const there = plan?.mounts.find((m) => m.name === wanted);
    Object.assign(spot, { east: one.east_m ?? there?.east_m ?? 0, north: one.north_m ?? there?.north_m ?? 0, height: one.height_m ?? one.heights_m?.[0] ?? 2 });
  }
  byId("height").max = String(Math.max(6, one?.max_height_m ?? 0, spot.height));
  byId("which-mount").value = spot.mount;
}

// Writes where the mount stands into the draft: place, height, and the surface that the server found there.
async function keepMount(gesture) {
  const index = mountNamed(spot.mount);
  if (index < 0) return;
  const at = ["mounts", index];
  const before = mounts()[index];
  const isMoved = before.east_m !== round(spot.east) || before.north_m !== round(spot.north);
  if (!isMoved) {
    if (before.height_m !== spot.height) draft.set([...at, "height_m"], spot.height, { gesture });
    return;
  }
  const [east, north] = [round(spot.east), round(spot.north)];
  let surface;
  try {
    surface = (await ask("/spot", { ...question(true).body, east_m: east, north_m: north })).mount.given_surface_m;
  } catch (fault) {
    fail(fault);
    return;
  }
  const group = gesture ?? `mount ${Date.now()}`;
  for (const key of ["bearing_deg", "distance_m", "surface_height_m"]) draft.remove([...at, key], { group });
  draft.set([...at, "east_m"], east, { group, gesture });
  draft.set([...at, "north_m"], north, { group, gesture });
  if (surface === null) draft.remove([...at, "surface_elevation_m"], { group });
  else draft.set([...at, "surface_elevation_m"], round(surface), { group, gesture });
}

async function newMount({ name: wanted, east_m: east, north_m: north, height_m: height }) {
  const taken = new Set(mounts().map((one) => one.name));
  let called = wanted ?? "mount 1";
  for (let k = 2; taken.has(called); k += 1) called = `${wanted ?? "mount"} ${k}`;
  const answer = await ask("/spot", { mount: null, east_m: east, north_m: north, height_m: height, satellites: [satellite] });
  const surface = answer.mount.given_surface_m;
  draft.append(["mounts"], { name: called, east_m: round(east), north_m: round(north), ...(surface === null ? {} : { surface_elevation_m: round(surface) }), height_m: height });
  Object.assign(spot, { mount: called, east: round(east), north: round(north), height });
  fillChoices();
  say(`${called} is a mount of this site now. Save to keep it.`);
}

// --- moving points -------------------------------------------------------------------------------------------

function pointOf(key) {
  const [shapeKey, number] = key.split(".");
  const one = shapes().find((each) => each.key === shapeKey);
  return { one, number: Number(number) };
}

// A roof with a form stays a rectangle: the opposite corner and the directions of its sides stay.
function keptRectangle(points, number, to) {
  const at = (k) => points[(number + k) % 4];
  const fixed = at(2);
  const placed = [1, 3].map((k) => {
    const along = at(k).map((value, axis) => value - fixed[axis]);
    const length = Math.hypot(...along) || 1;
    const share = along.reduce((sum, value, axis) => sum + (value / length) * (to[axis] - fixed[axis]), 0);
    return along.map((value, axis) => (value / length) * share);
  });
  const made = [...points];
  [1, 3].forEach((k, side) => { made[(number + k) % 4] = fixed.map((value, axis) => value + placed[side][axis]); });
  made[number] = fixed.map((value, axis) => value + placed[0][axis] + placed[1][axis]);
  return made;
}

const isForm = (one) => one.key === "outline" && Boolean(draft.site.roof.shape) && one.points.length === 4;

function movedPoints({ one, number }, [east, north]) {
  if (isForm(one)) return keptRectangle(one.points, number, [east, north]);
  return one.points.map((point, k) => (k === number ? [east, north, ...point.slice(2)] : point));
}

async function dropPoint(key, points, gesture) {
  const { one, number } = pointOf(key);
  let placed = points;
  if (one.key === "outline" && byId("snap").checked) {
    try {
      const answer = await ask("/snap", { outline: points, edges: [(number + points.length - 1) % points.length, number], rectangle: isForm(one) });
      placed = answer.outline;
      say(answer.said);
    } catch (fault) {
      fail(fault);
    }
  }
  writeShape(draft, one, placed, gesture);
}

const svg = byId("plan");

svg.addEventListener("pointerdown", (event) => {
  if (event.button !== 0) return;
  const at = view.at(event);
  if (drawing.active) {
    drag = { kind: "draw", at, screen: [event.clientX, event.clientY] };
  } else {
    const grip = event.target.closest(".handle");
    if (grip) {
      const key = grip.dataset.key;
      grip.focus();
      drag = key === "mount" ? { kind: "mount", key } : { kind: "point", key, points: pointOf(key).one.points };
      event.preventDefault();
    } else if (event.target.closest(".mark")) return;
    else drag = { kind: "pan", at };
  }
  svg.setPointerCapture(event.pointerId);
});

svg.addEventListener("pointermove", (event) => {
  if (!drag) return;
  const at = view.at(event);
  drag.moved = true;
  if (drag.kind === "pan") {
    view.centre = view.centre.map((value, axis) => value - (at[axis] - drag.at[axis]));
    view.fit();
    view.ground(plan, satellite);
    draw();
  } else if (drag.kind === "mount") {
    [spot.east, spot.north] = at.map(round);
    draw();
    moved();
  } else if (drag.kind === "point") {
    drag.points = movedPoints(pointOf(drag.key), at.map(round));
    draw();
  }
});

function drop(event) {
  const ended = drag;
  drag = null;
  if (!ended) return;
  if (ended.kind === "draw" && event.type === "pointerup") drawing.add(view.at(event));
  else if (ended.kind === "mount" && ended.moved) keepMount();
  else if (ended.kind === "point" && ended.moved) dropPoint(ended.key, ended.points);
}
svg.addEventListener("pointerup", drop);
svg.addEventListener("pointercancel", drop);
svg.addEventListener("dblclick", () => drawing.active && drawing.finish());
svg.addEventListener("wheel", (event) => {
  event.preventDefault();
  view.zoom(event.deltaY > 0 ? 1.15 : 0.87, view.at(event));
  drawAll();
}, { passive: false });

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
svg.addEventListener("keydown", (event) => {
  const way = ARROWS[event.key];
  const by = (event.shiftKey ? 10 : 1) * STEP_M;
  if (drawing.active && event.target === svg) {
    drawing.cursor ??= view.centre.map(round);
    if (way) drawing.cursor = drawing.cursor.map((value, axis) => round(value + way[axis] * (event.shiftKey ? 1 : 0.5)));
    else if (event.key === " ") drawing.add(drawing.cursor);
    else if (event.key === "Enter") drawing.finish();
    else if (event.key === "Escape") drawing.choose("move", true);
    else return;
    if (way) say(placeWords({ east_m: drawing.cursor[0], north_m: drawing.cursor[1] }));
    draw();
  } else if (way && event.target.dataset.key === "mount") {
    spot.east = round(spot.east + way[0] * by);
    spot.north = round(spot.north + way[1] * by);
    draw();
    moved();
    keepMountSoon();
  } else if (way && event.target.dataset.key) {
    const key = event.target.dataset.key;
    const where = pointOf(key);
    const [east, north] = where.one.points[where.number];
    writeShape(draft, where.one, movedPoints(where, [east + way[0] * by, north + way[1] * by]), `keys ${key}`);
  } else if (way && event.target === svg) {
    view.centre = view.centre.map((value, axis) => value + way[axis] * view.width * 0.1);
    view.fit();
    drawAll();
  } else return;
  event.preventDefault();
});

let soon = 0;
function keepMountSoon() {
  clearTimeout(soon);
  soon = setTimeout(() => keepMount("mount by keys"), REST_MS);
}

// --- panels ----------------------------------------------------------------------------------------------------

function fillChoices() {
  byId("which-mount").replaceChildren(...mounts().map((one) => make("option", { value: one.name }, one.name)), make("option", { value: NEW }, "a new spot"));
  byId("which-satellite").replaceChildren(...(plan?.satellites ?? []).map((one) => make("option", { value: one.name }, one.visible ? one.name : `${one.name} (below the horizon)`)));
  satellite ??= plan?.satellites[0]?.name ?? null;
  byId("which-satellite").value = satellite ?? "";
  byId("which-mount").value = spot.mount;
}

function fillPoints() {
  const chosen = byId("shape");
  const all = shapes();
  const before = chosen.value;
  chosen.replaceChildren(...all.map((one) => make("option", { value: one.key }, one.name)));
  if (all.some((one) => one.key === before)) chosen.value = before;
  const one = all.find((each) => each.key === chosen.value);
  const body = byId("points").tBodies[0];
  if (body.contains(document.activeElement) && document.activeElement.tagName === "INPUT") return;
  byId("shape-delete").disabled = !one;
  body.replaceChildren(...(one?.points ?? []).map((point, k) => make("tr", {},
    make("th", { scope: "row" }, String(k + 1)),
    ...["east", "north", "elevation"].map((word, axis) => make("td", {}, axis < point.length ? pointInput(one, k, axis, word) : "-")),
    make("td", {}, make("span", { class: "row" },
      make("button", { type: "button", "aria-label": `Add a point after point ${k + 1}`, disabled: one.kind === "point" || one.path === null, onclick: () => insertPoint(one, k) }, "Add after"),
      make("button", { type: "button", "aria-label": `Take point ${k + 1} out`, disabled: one.points.length <= one.least, onclick: () => writeShape(draft, one, one.points.filter((_, other) => other !== k)) }, "Take out"))))));
}

function pointInput(one, k, axis, word) {
  const input = make("input", { value: String(one.points[k][axis]), inputMode: "decimal", autocomplete: "off", "aria-label": `Point ${k + 1}, ${word}, metres` });
  input.addEventListener("change", () => {
    const value = parseNumber(input.value);
    if (typeof value !== "number") {
      input.setAttribute("aria-invalid", "true");
      alertUser(`"${input.value}" is not a number. Write 12.5, for instance.`);
      return;
    }
    input.removeAttribute("aria-invalid");
    alertUser("");
    const typed = one.points[k].map((old, a) => (a === axis ? value : old));
    const points = isForm(one) ? keptRectangle(one.points, k, typed) : one.points.map((point, other) => (other === k ? typed : point));
    writeShape(draft, one, points);
  });
  return input;
}

function insertPoint(one, k) {
  const next = one.points[(k + 1) % one.points.length];
  const between = one.points[k].map((value, axis) => round((value + (next[axis] ?? value)) / 2));
  writeShape(draft, one, [...one.points.slice(0, k + 1), between, ...one.points.slice(k + 1)]);
}

function chooseFound(index) {
  const one = found.spots[index];
  const answer = one.answers[numberInFound()];
  if (answer.verdict === null) {
    say(`${one.name}: no mast may stand here: ${answer.refusal}.`);
    return;
  }
  Object.assign(spot, { mount: NEW, east: one.east_m, north: one.north_m, height: answer.height_m });
  byId("which-mount").value = NEW;
  byId("height").max = String(Math.max(6, spot.height));
  draw();
  moved({ rest: true });
  say(`${one.name} is shown.`);
}

function drawBeside() {
  byId("beside-none").hidden = beside.length > 0;
  showBeside(byId("beside"), beside, {
    remove: (k) => {
      beside = beside.filter((_, other) => other !== k);
      drawBeside();
      byId("keep-spot").focus();
    },
    show: (k) => {
      const { mount } = beside[k];
      Object.assign(spot, { mount: mountNamed(mount.name) >= 0 && mounts()[mountNamed(mount.name)].east_m === mount.east_m ? mount.name : NEW, east: mount.east_m, north: mount.north_m, height: mount.height_m });
      byId("which-mount").value = spot.mount;
      moved({ rest: true });
      draw();
    },
  });
}

// Long work with progress and a stop button; gives its result or null.
async function work(body, { start, stop, bar, said, words }) {
  let task = null;
  const stopNow = () => task && cancelTask(task).catch(() => {});
  byId(start).disabled = true;
  byId(stop).hidden = byId(bar).hidden = false;
  byId(bar).removeAttribute("value");
  byId(stop).addEventListener("click", stopNow);
  byId(said).textContent = "It has begun.";
  try {
    const result = await follow(body, (done, of) => {
      if (!of) return;
      byId(bar).max = of;
      byId(bar).value = done;
    }, (key) => { task = key; });
    byId(said).textContent = result === null ? "Stopped." : words(result);
    return result;
  } catch (fault) {
    if (!(fault instanceof ApiError)) throw fault;
    byId(said).textContent = fault.message;
    return null;
  } finally {
    byId(start).disabled = false;
    byId(stop).hidden = byId(bar).hidden = true;
    byId(stop).removeEventListener("click", stopNow);
  }
}

byId("search").addEventListener("click", async () => {
  const body = { kind: "roof-search", site: name, edits: draft.edits, satellites: satellite ? [satellite] : [], grid_step_m: parseNumber(byId("grid").value), max_height_m: parseNumber(byId("tallest").value) };
  const result = await work(body, {
    start: "search", stop: "search-stop", bar: "search-progress", said: "search-said",
    words: (made) => `${made.spots.length} spots, ${made.grid_step_m} m apart, for ${made.satellites.map((one) => one.name).join(", ")}. On the plan: least mast in metres in each mark; ! a caution at this spot; dotted ring: no mast may stand there.`,
  });
  if (!result) return;
  found = result;
  showFound(byId("found"), found, 0, chooseFound);
  drawAll();
});

byId("make-card").addEventListener("click", async () => {
  if (draft.changed) {
    byId("card-said").textContent = "The card is made of what is saved: save first.";
    return;
  }
  byId("card-links").replaceChildren();
  const body = { kind: "roof-card", site: name, day: byId("card-day").value || null, weeks: Number(byId("card-weeks").value), zone: byId("card-zone").value, grid_step_m: parseNumber(byId("grid").value) };
  const result = await work(body, {
    start: "make-card", stop: "card-stop", bar: "card-progress", said: "card-said",
    words: (made) => `The card is made: ${made.places} places.`,
  });
  if (!result) return;
  byId("card-links").replaceChildren(
    make("a", { class: "button", href: result.address, target: "_blank", rel: "noopener" }, "Open the card"), " ",
    make("a", { class: "button", href: `${result.address}?download=1`, download: `${name}-card.html` }, "Download the card"));
});

// --- events ----------------------------------------------------------------------------------------------------

const drawing = new Drawing(draft, {
  ground: () => plan?.site.ground_elevation_m ?? null,
  changed: () => plan && draw(),
  made: (tool, where) => (tool === "mount" ? newMount(where) : undefined),
});

byId("which-mount").addEventListener("change", () => {
  takeMount(byId("which-mount").value);
  draw();
  moved({ rest: true });
});
byId("which-satellite").addEventListener("change", () => {
  satellite = byId("which-satellite").value;
  if (found && !found.satellites.some((one) => one.name === satellite)) found = null;
  if (!found) byId("found").replaceChildren();
  drawAll();
  moved({ rest: true });
});
byId("height").addEventListener("input", () => {
  spot.height = Number(byId("height").value);
  moved();
});
byId("height").addEventListener("change", () => keepMount());
for (const [id, axis] of [["spot-east", "east"], ["spot-north", "north"]]) {
  byId(id).addEventListener("change", () => {
    const value = parseNumber(byId(id).value);
    if (typeof value !== "number") {
      alertUser(`"${byId(id).value}" is not a number. Write 12.5, for instance.`);
      return;
    }
    alertUser("");
    spot[axis] = value;
    draw();
    moved();
    keepMount();
  });
}
byId("use-spot").addEventListener("click", () => newMount({ east_m: spot.east, north_m: spot.north, height_m: spot.height }).catch(fail));
byId("keep-spot").addEventListener("click", () => {
  if (!spot.review) return;
  if (beside.length === 3) {
    say("Three spots stand side by side already: take one away first.");
    return;
  }
  const isNamed = mountNamed(spot.mount) >= 0;
  const kept = isNamed ? spot.review : { ...spot.review, mount: { ...spot.review.mount, name: `spot ${placeWords(spot.review.mount)}` } };
  beside = [...beside, kept];
  drawBeside();
  say(`${beside.length} of 3 spots side by side.`);
});
byId("shape").addEventListener("change", fillPoints);
byId("shape-delete").addEventListener("click", () => {
  const one = shapes().find((each) => each.key === byId("shape").value);
  if (one) removeShape(draft, one);
});
byId("snap-all").addEventListener("click", async () => {
  const one = shapes().find((each) => each.key === "outline");
  if (!one) {
    say("There is no outline to snap: draw it first.");
    return;
  }
  try {
    const answer = await ask("/snap", { outline: one.points, rectangle: isForm(one) });
    writeShape(draft, one, answer.outline);
    say(answer.said);
  } catch (fault) {
    fail(fault);
  }
});
for (const button of document.querySelectorAll("[data-zoom]")) {
  button.addEventListener("click", () => {
    const factor = Number(button.dataset.zoom);
    if (factor) view.zoom(factor);
    else view.all();
    drawAll();
  });
}
new ResizeObserver(() => plan && drawAll()).observe(svg);

draft.addEventListener("change", () => {
  fillChoices();
  if (mountNamed(spot.mount) >= 0 && !drag) takeMount(spot.mount);
  draw();
  fillPoints();
  askPlan({});
});

const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
if (zone && zone !== "UTC") byId("card-zone").append(make("option", { value: zone, selected: true }, zone));
const today = new Date();
byId("card-day").value = [today.getFullYear(), today.getMonth() + 1, today.getDate()].map((part) => String(part).padStart(2, "0")).join("-");

drawing.choose("move");
bindFields(byId("form-panel"), draft);
saveBar(draft, byId("save-bar"), (fault) => showError(document.querySelector("main"), fault));
takeMount(mounts()[0]?.name ?? NEW);
fillChoices();
askPlan({});
