// The survey page: rows, what they show, and the values of the site file that belong to a survey.

import { ApiError, newestOnly, post, siteAddress } from "./api.js";
import { Draft, saveBar } from "./draft.js";
import { alertUser, bindFields, clearErrors, say, showError } from "./fields.js";
import { ItemList } from "./item_list.js";
import { ReadingRows } from "./reading_rows.js";
import { RowDraft } from "./row_draft.js";
import { showPicture, verdictBadge, VERDICTS } from "./verdict.js";

const MOST_BYTES = 900_000; // of a table taken in; the server takes 1 MB
const site = document.body.dataset.site;
const main = document.getElementById("main");
const element = (id) => document.getElementById(id);

// Site file and rows as one thing to undo, save and discard.
class Both extends EventTarget {
  constructor(draft, rows) {
    super();
    this.draft = draft;
    this.rows = rows;
    this.order = [];
    this.back = [];
    this.quiet = false;
    let [steps, rowSteps] = [draft.done.length, rows.done.length];
    const note = (part, now, before) => {
      if (!this.quiet && now > before) {
        this.order.push(part);
        this.back = [];
      }
      this.dispatchEvent(new Event("change"));
    };
    draft.addEventListener("change", () => {
      note(draft, draft.done.length, steps);
      steps = draft.done.length;
    });
    rows.addEventListener("change", () => {
      note(rows, rows.done.length, rowSteps);
      rowSteps = rows.done.length;
    });
  }

  get file() {
    return this.rows.changed && !this.draft.changed ? this.rows.file : this.draft.changed ? this.draft.file : `${this.draft.file} and ${this.rows.file}`;
  }

  get changed() {
    return this.draft.changed || this.rows.changed;
  }

  get pending() {
    return { length: this.draft.pending.length + this.rows.pendingCount };
  }

  get canUndo() {
    return this.draft.canUndo || this.rows.done.length > 0;
  }

  get canRedo() {
    return this.draft.canRedo || this.rows.undone.length > 0;
  }

  #step(from, to, act, can) {
    let part = from.pop();
    while (part && !can(part)) part = from.pop();
    part ??= [this.rows, this.draft].find(can);
    if (!part) return;
    this.quiet = true;
    part[act]();
    this.quiet = false;
    to.push(part);
    this.dispatchEvent(new Event("change"));
  }

  undo() {
    this.#step(this.order, this.back, "undo", (part) => part.done.length > 0);
  }

  redo() {
    this.#step(this.back, this.order, "redo", (part) => part.undone.length > 0);
  }

  async discard() {
    await this.rows.discard();
    await this.draft.discard();
  }

  async save() {
    const answer = await this.rows.save();
    if (answer && !answer.named) this.draft.set(["survey", "horizon"], answer.file);
    const saved = await this.draft.save();
    this.rows.named = true;
    return saved;
  }
}

const [draft, rows] = await Promise.all([Draft.open(site), RowDraft.open(site)]).catch((fault) => {
  alertUser(fault.message);
  throw fault;
});
const both = new Both(draft, rows);
let latest = null;

function suggestions() {
  const found = (latest?.satellites ?? []).flatMap((one) => [...(one.unmeasured?.to_read ?? []), ...(one.unmeasured?.to_check ?? [])]);
  const typed = new Set(rows.rows.map((row) => Number((row.cells.azimuth_deg ?? "").replace(",", "."))));
  return [...new Set(found)].filter((azimuth) => !typed.has(azimuth));
}

// The next unmeasured azimuth clockwise of the last row's.
function suggest() {
  const left = suggestions();
  if (!left.length) return "";
  const last = Number((rows.rows.at(-1)?.cells.azimuth_deg ?? "").replace(",", "."));
  const from = Number.isFinite(last) && rows.rows.length ? last : left[0];
  return String(left.reduce((best, one) => (((one - from + 360) % 360) < ((best - from + 360) % 360) ? one : best)));
}

async function pasted(text, id, isRowText) {
  if (new Blob([text]).size > MOST_BYTES) {
    alertUser(`That is more than ${MOST_BYTES / 1000} kB: no table of readings is that long. Take in fewer rows.`);
    return;
  }
  try {
    const found = (await post(siteAddress(site, "/readings/pasted"), { text })).rows;
    if (isRowText) {
      rows.replaceText(id, found.length ? found : [{ cells: {}, text }]);
      return;
    }
    const added = rows.add(rows.row(id) ? id : null, found);
    alertUser("");
    say(`${added} ${added === 1 ? "row" : "rows"} added${added < found.length ? `, ${found.length - added} were there already` : ""}.`);
    list.focus(null);
  } catch (fault) {
    alertUser(fault.message);
  }
}

const list = new ReadingRows(element("rows"), rows, { suggest, pasted });

// --- what the rows show -----------------------------------------------------------------------------------------

const cards = new Map();

function card(name) {
  if (cards.has(name)) return cards.get(name);
  const article = document.createElement("article");
  article.className = "satellite";
  const heading = document.createElement("h3");
  const badge = document.createElement("span");
  badge.className = "badge";
  heading.append(badge, ` ${name}`);
  const where = document.createElement("p");
  where.className = "hint";
  const sentence = document.createElement("p");
  sentence.className = "sentence";
  const lacking = document.createElement("p");
  lacking.className = "lacking";
  const chips = document.createElement("p");
  chips.className = "chips";
  const figure = document.createElement("figure");
  const image = document.createElement("img");
  image.className = "picture";
  image.alt = "";
  image.width = 560;
  image.height = 600;
  figure.append(image);
  figure.hidden = true;
  article.append(heading, where, sentence, lacking, chips, figure);
  element("satellites").append(article);
  const parts = { article, badge, where, sentence, lacking, chips, figure, image };
  cards.set(name, parts);
  return parts;
}

function showSatellite(one, bearings) {
  const parts = card(one.name);
  parts.badge.replaceChildren(verdictBadge(one.verdict));
  const frame = bearings === "true" ? "" : `, ${one.bearing_deg?.toFixed(0)}° as your compass shows it`;
  parts.where.textContent = !one.visible ? "It never rises here." : one.azimuth_deg === null ? "It stands straight up."
    : `At azimuth ${one.azimuth_deg.toFixed(1)}° true${frame}, ${one.elevation_deg.toFixed(1)}° up.`;
  parts.sentence.textContent = one.sentence;
  parts.lacking.textContent = one.unmeasured?.text ?? "";
  const left = [...(one.unmeasured?.to_read ?? []), ...(one.unmeasured?.to_check ?? [])];
  const decides = new Set(one.unmeasured?.to_read ?? []);
  parts.chips.replaceChildren(...left.slice(0, 40).map((azimuth) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "chip";
    button.textContent = `${azimuth}°`;
    button.setAttribute("aria-label", `Add a row at ${azimuth} degrees, ${decides.has(azimuth) ? "which decides" : "a check"}`);
    if (decides.has(azimuth)) button.classList.add("decides");
    button.addEventListener("click", () => {
      const there = rows.rows.find((row) => Number(row.cells.azimuth_deg) === azimuth);
      const row = there ?? rows.insert(null, [{ cells: { azimuth_deg: String(azimuth) } }])[0];
      list.focus(row.id, "elevation_deg");
    });
    return button;
  }));
  parts.figure.hidden = !one.visible;
}

function showList(root, texts) {
  root.replaceChildren(...texts.map((text) => {
    const item = document.createElement("li");
    item.textContent = text;
    return item;
  }));
}

function showSightings(now) {
  element("correction").textContent = now.correction;
  const box = element("left-over");
  box.replaceChildren();
  if (!now.sightings.length) return;
  const table = document.createElement("table");
  const head = table.createTHead().insertRow();
  for (const word of ["Sighting", "True", "Compass showed", "Left over"]) {
    const cell = document.createElement("th");
    cell.scope = "col";
    cell.textContent = word;
    head.append(cell);
  }
  const body = table.createTBody();
  for (const one of now.sightings) {
    const row = body.insertRow();
    row.insertCell().textContent = one.name;
    for (const value of [one.azimuth_deg, one.bearing_deg]) row.insertCell().textContent = `${value.toFixed(1)}°`;
    const left = Math.abs(one.left_deg).toFixed(1);
    row.insertCell().textContent = Number(left) === 0 ? "0.0°" : `${one.left_deg > 0 ? "+" : "−"}${left}°`;
  }
  box.append(table);
}

function showMounts(now) {
  const select = element("mount");
  if ([...select.options].map((one) => one.value).join("\n") !== now.mounts.join("\n")) {
    select.replaceChildren(...now.mounts.map((name) => new Option(name, name)));
  }
  select.value = now.mount;
}

let told = "";

function show(now, question) {
  latest = now;
  clearErrors(main);
  if (question.rows === rows.rows) list.showFaults(now.faults);
  showMounts(now);
  element("count").textContent = `${now.count} of ${rows.rows.length} ${rows.rows.length === 1 ? "row" : "rows"} read`;
  element("bearing-head").textContent = now.bearings === "magnetic" ? "Magnetic °" : now.bearings === "true" ? "True °" : "Bearing °";
  element("held").hidden = !now.held;
  element("held").textContent = now.held ?? "";
  element("lacking-fault").textContent = now.lacking_fault ?? "";
  const names = new Set(now.satellites.map((one) => one.name));
  for (const [name, parts] of cards) if (!names.has(name)) { parts.article.remove(); cards.delete(name); }
  for (const one of now.satellites) showSatellite(one, now.bearings);
  showSightings(now);
  showList(element("cautions"), now.cautions);
  list.suggestNext();
  const words = now.satellites.map((one) => {
    const left = one.unmeasured?.to_read.length ?? 0;
    return `${one.name}: ${VERDICTS[one.verdict].word.toLowerCase()}${left ? `, ${left} unmeasured` : ""}`;
  }).join("; ");
  if (words !== told) say(words);
  told = words;
  drawStrips(question, now);
}

const question = () => ({
  rows: rows.rows,
  body: { edits: draft.edits, rows: rows.sent, mount: element("mount").value || undefined },
});

// One strip after the other, that nearest to the last edited row first; a newer question stops the rest.
const drawn = new Map();
let drawing = 0;

async function drawStrips(asked, now) {
  const mine = (drawing += 1);
  const last = Number((rows.rows.at(-1)?.cells.azimuth_deg ?? "").replace(",", ".")) || 0;
  const far = (one) => Math.abs(((one.bearing_deg ?? 0) - last + 540) % 360 - 180);
  const order = now.satellites.filter((one) => one.visible).sort((a, b) => far(a) - far(b));
  for (const one of order) {
    const key = JSON.stringify(asked.body);
    if (drawn.get(one.name) === key) continue;
    try {
      const made = await post(siteAddress(site, "/survey/strip"), { ...asked.body, satellite: one.name });
      if (mine !== drawing) return;
      const parts = card(one.name);
      if (made.svg) showPicture(parts.image, made.svg, made.description);
      drawn.set(one.name, key);
    } catch (fault) {
      if (mine !== drawing) return;
      if (fault instanceof ApiError && fault.status !== 422) alertUser(fault.message);
      return;
    }
  }
}

const ask = newestOnly(
  ({ body }) => post(siteAddress(site, "/survey"), body),
  show,
  (fault) => {
    clearErrors(main);
    showError(main, fault, { focus: false });
    element("held").hidden = false;
    element("held").textContent = "No verdict is given before what is marked here is mended.";
  },
);

let timer;
function again() {
  clearTimeout(timer);
  timer = setTimeout(() => ask(question()), 60);
}

both.addEventListener("change", again);
element("mount").addEventListener("change", again);

// --- the rest of the page ---------------------------------------------------------------------------------------

element("file").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (file) await takeIn(file);
  event.target.value = "";
});

async function takeIn(file) {
  if (file.size > MOST_BYTES) {
    alertUser(`${file.name} is ${(file.size / 1e6).toFixed(1)} MB: a table of readings has at most ${MOST_BYTES / 1000} kB.`);
    return;
  }
  const bytes = new Uint8Array(await file.arrayBuffer());
  const wide = bytes[0] === 0xff && bytes[1] === 0xfe ? "utf-16le" : bytes[0] === 0xfe && bytes[1] === 0xff ? "utf-16be" : "utf-8";
  try {
    await pasted(new TextDecoder(wide, { fatal: true }).decode(bytes), null, false);
  } catch {
    alertUser(`${file.name} is not text. Save it as CSV, UTF-8.`);
  }
}

const taking = document.querySelector(".taking");
for (const kind of ["dragover", "dragleave", "drop"]) {
  document.addEventListener(kind, (event) => {
    if (![...(event.dataTransfer?.types ?? [])].includes("Files")) return;
    event.preventDefault(); // a file dropped beside the table must not replace the page
    taking.classList.toggle("over", kind === "dragover");
    if (kind === "drop" && event.dataTransfer.files.length) takeIn(event.dataTransfer.files[0]);
  });
}

element("paste-add").addEventListener("click", async () => {
  const box = element("paste");
  if (box.value.trim()) await pasted(box.value, null, false);
  if (!element("alert").textContent) box.value = "";
});
element("more").addEventListener("change", (event) => taking.classList.toggle("with-more", event.target.checked));
if (rows.rows.some((row) => row.cells.station)) element("more").click();
element("new-row").addEventListener("click", () => list.focus(null));
element("all-rows").addEventListener("click", (event) => {
  const short = element("rows").classList.toggle("short");
  event.target.textContent = short ? "Show all rows" : "Show the last rows only";
  event.target.setAttribute("aria-expanded", String(!short));
});

function showStations() {
  element("stations").replaceChildren(...(draft.value(["stations"]) ?? []).map((one) => new Option(one.name, one.name)));
}
draft.addEventListener("change", showStations);
showStations();

bindFields(main, draft);
new ItemList(element("landmarks"), draft, {
  path: ["landmarks"],
  noun: "Landmark",
  fields: [
    { name: "name", word: "Name" },
    { name: "position", word: "Position", hint: "Any notation: 58.0375 N 24.6480 W" },
    { name: "measured_bearing_deg", word: "Compass showed, °", kind: "number" },
  ],
});
new ItemList(element("sun"), draft, {
  path: ["sun_sightings"],
  noun: "Sighting",
  title: (item) => (typeof item.time === "string" ? `${item.time.slice(0, 16).replace("T", " ")} UTC` : ""),
  fields: [
    { name: "time", word: "Time, UTC", kind: "time" },
    { name: "shadow_bearing_deg", word: "Shadow by the compass, °", kind: "number" },
  ],
});
new ItemList(element("station-list"), draft, {
  path: ["stations"],
  noun: "Station",
  fields: [
    { name: "name", word: "Name" },
    { name: "east_m", word: "East, m", kind: "number", mode: "text" },
    { name: "north_m", word: "North, m", kind: "number", mode: "text" },
    { name: "instrument_height_m", word: "Instrument above ground, m", kind: "number" },
  ],
});
new ItemList(element("obstacles"), draft, {
  path: ["obstacle"],
  noun: "Obstacle",
  shown: (item) => "bearing_deg" in item,
  hidden: "with a place on the plan: see there",
  fields: [
    { name: "kind", word: "Kind", kind: "choice", options: ["tree", "pole", "mast", "chimney", "flue", "tank"] },
    { name: "name", word: "Name" },
    { name: "bearing_deg", word: "Bearing, °", kind: "number" },
    { name: "distance_m", word: "Level distance, m", kind: "number" },
    { name: "inclination_deg", word: "Inclination of its top, °", kind: "number", mode: "text" },
    { name: "height_m", word: "or height, m", kind: "number" },
    { name: "growth_m_per_year", word: "Growth, m a year", kind: "number" },
  ],
});
saveBar(both, element("save"), (fault) => {
  if (fault.body?.faults) {
    list.showFaults(fault.body.faults);
    list.focusFault(fault.row, fault.field);
    alertUser(fault.message);
  } else showError(main, fault);
});
if (rows.restoredNote) alertUser(rows.restoredNote);
ask(question());
