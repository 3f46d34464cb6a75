// The record page: cautions, field sheet, photographs, as-built values, records.

import { cancelTask, follow, get, newestOnly, post, send, siteAddress } from "./api.js";
import { alertUser, clearErrors, fieldError, say } from "./fields.js";
import { verdictBadge } from "./verdict.js";

const MOST_BYTES = 25_000_000; // of one photograph; the server refuses more
const site = document.body.dataset.site;
const element = (id) => document.getElementById(id);
const page = (rest) => `/sites/${encodeURIComponent(site)}${rest}`;
const made = (tag, text = "", kind = "") => Object.assign(document.createElement(tag), { textContent: text, className: kind });

function link(text, address, description) {
  const found = made("a", text, "button");
  found.href = address;
  found.target = "_blank";
  found.rel = "noopener";
  found.setAttribute("aria-label", `${description}, opens in a new tab`);
  return found;
}

function showError(form, fault) {
  const input = fault.field && form.querySelector(`[name="${CSS.escape(fault.field)}"]`);
  if (input) {
    fieldError(input, fault.message);
    input.focus();
  } else alertUser(fault.message);
}

// What stands in a form stays in this browser.
function keepTyped(form, place) {
  const inputs = () => [...form.querySelectorAll("[name]")].filter((input) => input.type !== "date");
  try {
    const kept = JSON.parse(localStorage.getItem(place)) ?? {};
    for (const input of inputs()) {
      if (!(input.name in kept)) continue;
      if (input.type === "checkbox") input.checked = kept[input.name];
      else input.value = kept[input.name];
    }
  } catch {
    // nothing was kept
  }
  form.addEventListener("input", () => {
    try {
      const typed = inputs().map((input) => [input.name, input.type === "checkbox" ? input.checked : input.value]);
      localStorage.setItem(place, JSON.stringify(Object.fromEntries(typed)));
    } catch {
      // private windows keep nothing
    }
  });
}

function valuesOf(form) {
  const values = Object.fromEntries(new FormData(form));
  for (const box of form.querySelectorAll('input[type="checkbox"][name]')) values[box.name] = box.checked;
  return values;
}

// --- state ---------------------------------------------------------------------------------------------------------

let now = null;

function showState(state) {
  now = state;
  element("cautions").replaceChildren(...state.cautions.map((text) => made("li", text)));
  const select = element("mount");
  if ([...select.options].map((one) => one.value).join("\n") !== state.mounts.join("\n")) {
    select.replaceChildren(...state.mounts.map((name) => new Option(name, name)));
  }
  select.value = state.mount;
  element("verdicts").replaceChildren(...state.verdicts.map((one) => {
    const item = document.createElement("li");
    item.append(verdictBadge(one.verdict), ` ${one.sentence}`);
    return item;
  }));
  element("sheet-revisit").disabled = !state.readings;
  showRecords(state.records);
  fillChoices();
}

function showRecords(records) {
  element("records").replaceChildren(...(records.length ? records.map((one) => {
    const item = document.createElement("li");
    const words = `${one.made}${one.number > 1 ? `, number ${one.number}` : ""}, ${one.mount}`;
    item.append(made("span", words), " ", ...["html", "pdf"].map((kind) =>
      link(kind.toUpperCase(), page(`/records/${encodeURIComponent(one[kind])}`), `Record of ${words} as ${kind.toUpperCase()}`)));
    return item;
  }) : [made("li", "None yet.")]));
}

const ask = newestOnly(
  (mount) => post(siteAddress(site, "/record"), mount ? { mount } : {}),
  showState,
  (fault) => alertUser(fault.message),
);
element("mount").addEventListener("change", () => {
  element("sheet-made").replaceChildren();
  ask(element("mount").value);
});

function warnOfUnsaved() {
  let kept = [];
  try {
    kept = [`skysill-draft:${site}`, `skysill-rows:${site}`].filter((place) => localStorage.getItem(place));
  } catch {
    kept = [];
  }
  element("unsaved").hidden = kept.length === 0;
  element("unsaved").textContent = "This browser holds unsaved changes of this site. Sheets and records are made from what is saved: save on "
    + "the page where you made them first.";
}
warnOfUnsaved();
window.addEventListener("focus", warnOfUnsaved);

// --- field sheet ---------------------------------------------------------------------------------------------------

const sheet = element("sheet");
keepTyped(sheet, "skysill-typed:sheet");
sheet.addEventListener("submit", async (event) => {
  event.preventDefault();
  clearErrors(sheet);
  const values = { ...valuesOf(sheet), mount: element("mount").value };
  const box = element("sheet-made");
  try {
    const found = await post(siteAddress(site, "/sheet"), values);
    const query = new URLSearchParams({ ...values, revisit: values.revisit ? "1" : "" });
    const words = values.revisit
      ? `Revisit: ${found.decide + found.check} azimuths to read, ${found.distances} distances to measure.`
      : `${found.decide} readings decide, ${found.check} check what is known. Bearings from ${found.bearings} north.`;
    const links = made("p", "", "row-tools");
    links.append(
      link("Open the sheet", page(`/sheet.html?${query}`), "Field sheet"),
      link("PDF", page(`/sheet.pdf?${query}`), "Field sheet as PDF"),
    );
    const table = made("a", "Table to fill in", "button");
    table.href = page(`/sheet.csv?${query}`);
    links.append(table);
    box.replaceChildren(made("p", words), links, ...found.notes.map((text) => made("p", text, "hint")));
  } catch (fault) {
    box.replaceChildren();
    showError(sheet, fault);
  }
});

// --- photographs ---------------------------------------------------------------------------------------------------

let photos = [];
let builtPhotos = new Set();

function showPhotos() {
  element("photos").replaceChildren(...photos.map((file, number) => {
    const item = document.createElement("li");
    const words = file.slice(file.indexOf("-photo-") + 7);
    const image = document.createElement("img");
    image.src = siteAddress(site, `/photos/${encodeURIComponent(file)}`);
    image.alt = `Photograph ${number + 1}: ${words}`;
    image.loading = "lazy";
    const label = made("label", "", "tick");
    const box = document.createElement("input");
    box.type = "checkbox";
    box.checked = builtPhotos.has(file);
    box.addEventListener("change", () => {
      if (box.checked) builtPhotos.add(file);
      else builtPhotos.delete(file);
      markBuilt();
    });
    label.append(box, " of the finished work");
    const remove = made("button", "Remove");
    remove.type = "button";
    remove.setAttribute("aria-label", `Remove photograph ${words}`);
    remove.addEventListener("click", () => removePhoto(file, words));
    item.append(image, made("p", words, "hint"), label, remove);
    return item;
  }));
}

async function removePhoto(file, words) {
  const dialog = document.createElement("dialog");
  dialog.setAttribute("aria-labelledby", "remove-title");
  const form = document.createElement("form");
  form.method = "dialog";
  const title = made("h2", `Remove the photograph ${words}?`);
  title.id = "remove-title";
  const row = made("p", "", "row-tools");
  for (const [word, value] of [["Keep it", ""], ["Remove it from the folder", "remove"]]) {
    const button = made("button", word);
    button.value = value;
    row.append(button);
  }
  form.append(title, made("p", "Its file is deleted; that cannot be undone here."), row);
  dialog.append(form);
  document.body.append(dialog);
  dialog.showModal();
  await new Promise((resolve) => { dialog.addEventListener("close", resolve); });
  dialog.remove();
  if (dialog.returnValue !== "remove") return;
  try {
    photos = (await send("DELETE", siteAddress(site, `/photos/${encodeURIComponent(file)}`))).photos;
    builtPhotos.delete(file);
    showPhotos();
    say(`${words} is removed.`);
    element("camera").focus();
  } catch (fault) {
    alertUser(fault.message);
  }
}

async function attach(file) {
  const item = made("li", `${file.name}: on its way…`);
  element("uploads").append(item);
  if (file.size > MOST_BYTES) {
    item.textContent = `${file.name} is ${(file.size / 1e6).toFixed(0)} MB; photographs have up to ${MOST_BYTES / 1e6} MB. Save it smaller, as JPEG.`;
    item.className = "field-error";
    return;
  }
  try {
    const name = encodeURIComponent(file.name.replaceAll(/[/\\]/g, "-") || "photo.jpg");
    const answer = await send("PUT", siteAddress(site, `/photos/${name}`), file);
    photos = answer.photos;
    item.textContent = `${file.name} is attached. ${answer.facts.join(" ")}`;
    showPhotos();
  } catch (fault) {
    item.textContent = fault.message.includes(file.name) ? fault.message : `${file.name}: ${fault.message}`;
    item.className = "field-error";
    if (fault.status === 0) {
      const again = made("button", "Try again");
      again.type = "button";
      again.addEventListener("click", () => {
        item.remove();
        attach(file);
      });
      item.append(" ", again);
    }
  }
}

for (const id of ["camera", "pictures"]) {
  element(id).addEventListener("change", async (event) => {
    const chosen = [...event.target.files];
    event.target.value = "";
    for (const file of chosen) await attach(file);
  });
}

// --- as built ------------------------------------------------------------------------------------------------------

const FIELDS = [
  ["date", "Day of the work", "date"],
  ["by", "By"],
  ["satellite", "Satellite", "satellites"],
  ["mount", "Mount", "mounts"],
  ["height_m", "Dish centre above what it stands on, m", "number"],
  ["east_m", "Mast east of the site's position, m", "number"],
  ["north_m", "Mast north of it, m", "number"],
  ["position", "or its position, in any notation"],
  ["azimuth_deg", "Azimuth as set, °", "number"],
  ["bearings", "Azimuth counts from", ["true", "magnetic", "survey"]],
  ["elevation_deg", "Elevation as set, °", "number"],
  ["polarization_tilt_deg", "Polarisation tilt, °", "number"],
  ["signal", "Signal", "number"],
  ["signal_unit", "Unit of the signal"],
  ["signal_before_tightening", "Signal, best while turning by hand", "number"],
  ["signal_after_tightening", "Signal, all bolts tight", "number"],
  ["signal_after_release", "Signal, rim pushed and let go", "number"],
  ["cable_run_m", "Cable as laid, m", "number"],
  ["bonding", "Bonding: by whom, how"],
  ["cable_entry_seal", "Cable entry sealed, drip loop"],
  ["note", "Note"],
];
const built = element("built");
const builtPlace = `skysill-typed:built:${site}`;
let builtRevision = "new";
let isBuiltChanged = false;

for (const [name, word, kind] of FIELDS) {
  const box = made("div", "", "field");
  const label = made("label", word);
  const isChoice = Array.isArray(kind) || kind === "satellites" || kind === "mounts";
  const input = document.createElement(isChoice ? "select" : "input");
  input.id = `built-${name}`;
  input.name = name;
  label.htmlFor = input.id;
  if (isChoice) {
    input.add(new Option("not stated", ""));
    if (Array.isArray(kind)) for (const one of kind) input.add(new Option(one === "survey" ? "the survey's compass" : one, one));
  } else {
    input.type = kind === "date" ? "date" : "text";
    input.autocomplete = "off";
    if (kind === "number") input.inputMode = name.endsWith("_m") && name !== "height_m" ? "text" : "decimal";
  }
  box.append(label, input);
  element("built-fields").append(box);
}

function setChoice(select, value) {
  if (value && ![...select.options].some((one) => one.value === value)) select.add(new Option(value, value));
  select.value = value ?? "";
}

function fillChoices() {
  for (const [id, values] of [["built-satellite", now.satellites], ["built-mount", now.mounts]]) {
    const select = element(id);
    for (const value of values) if (![...select.options].some((one) => one.value === value)) select.add(new Option(value, value));
  }
}

function tapeRow(corner = "", distance = "") {
  const number = element("tapes").children.length + 1;
  const row = made("div", "", "tape");
  for (const [kind, word, value] of [["corner", "From which corner", corner], ["distance", "Metres", distance]]) {
    const label = made("label", `${word} (${number})`);
    const input = document.createElement("input");
    input.className = kind;
    input.value = value;
    input.autocomplete = "off";
    if (kind === "distance") input.inputMode = "decimal";
    input.id = `tape-${kind}-${number}`;
    label.htmlFor = input.id;
    const box = made("div", "", "field");
    box.append(label, input);
    row.append(box);
  }
  element("tapes").append(row);
  return row;
}

const typedTapes = () => [...element("tapes").children].map((row) => [row.querySelector(".corner").value, row.querySelector(".distance").value]);
const typedBuilt = () => Object.fromEntries(FIELDS.map(([name]) => [name, element(`built-${name}`).value]));

function fillBuilt(values, tapes) {
  for (const [name] of FIELDS) {
    const input = element(`built-${name}`);
    if (input.tagName === "SELECT") setChoice(input, values[name] ?? "");
    else input.value = values[name] ?? "";
  }
  element("tapes").replaceChildren();
  for (const [corner, distance] of tapes) tapeRow(corner, distance);
  if (!tapes.length) tapeRow();
}

function markBuilt() {
  isBuiltChanged = true;
  element("built-said").textContent = "Not saved yet; kept in this browser.";
  try {
    localStorage.setItem(builtPlace, JSON.stringify({ revision: builtRevision, values: typedBuilt(), tapes: typedTapes(), photos: [...builtPhotos] }));
  } catch {
    // private windows keep nothing
  }
}

function takeBuilt(answer) {
  builtRevision = answer.revision;
  builtPhotos = new Set(answer.photos);
  fillBuilt(answer.values, answer.tapes);
  isBuiltChanged = false;
  element("built-said").textContent = answer.revision === "new" ? "" : `Saved in ${answer.file}.`;
  try {
    localStorage.removeItem(builtPlace);
  } catch {
    // nothing was kept
  }
  showPhotos();
}

async function openBuilt() {
  const answer = await get(siteAddress(site, "/as-built"));
  let kept = null;
  try {
    kept = JSON.parse(localStorage.getItem(builtPlace));
  } catch {
    kept = null;
  }
  takeBuilt(answer);
  if (!kept?.values) return;
  fillBuilt(kept.values, kept.tapes ?? []);
  builtPhotos = new Set(kept.photos ?? []);
  builtRevision = kept.revision ?? answer.revision;
  markBuilt();
  showPhotos();
}

built.addEventListener("input", markBuilt);
element("tape-add").addEventListener("click", () => tapeRow().querySelector("input").focus());
built.addEventListener("submit", async (event) => {
  event.preventDefault();
  clearErrors(built);
  element("tape_m-error").textContent = "";
  try {
    const body = { revision: builtRevision, values: typedBuilt(), tapes: typedTapes(), photos: [...builtPhotos] };
    takeBuilt(await send("PUT", siteAddress(site, "/as-built"), body));
  } catch (fault) {
    if (fault.status === 409 && fault.body.values) conflict(fault);
    else builtErrors(fault);
  }
});

function builtErrors(fault) {
  const faults = Object.entries(fault.body?.faults ?? {});
  if (!faults.length) {
    alertUser(fault.message);
    return;
  }
  for (const [name, text] of faults) {
    const input = element(`built-${name}`);
    if (input) fieldError(input, text);
    else element("tape_m-error").textContent = text;
  }
  (element(`built-${faults[0][0]}`) ?? element("tapes").querySelector("input")).focus();
}

// Somebody else saved: their values stand beside those of mine that differ; saving again puts mine in.
function conflict(fault) {
  const theirs = fault.body;
  builtRevision = theirs.revision;
  alertUser(`${fault.message} Where both differ, theirs is shown under the field; save again to keep yours.`);
  for (const [name] of FIELDS) {
    const input = element(`built-${name}`);
    const other = theirs.values[name] ?? "";
    if (other !== input.value) fieldError(input, `Theirs: ${other || "nothing"}`);
  }
  if (JSON.stringify(theirs.tapes) !== JSON.stringify(typedTapes().filter(([corner]) => corner))) {
    element("tape_m-error").textContent = `Theirs: ${theirs.tapes.map((one) => one.join(" ")).join(", ") || "nothing"}`;
  }
  markBuilt();
}

// --- records -------------------------------------------------------------------------------------------------------

const record = element("record");
keepTyped(record, "skysill-typed:record");
record.addEventListener("submit", async (event) => {
  event.preventDefault();
  clearErrors(record);
  const [bar, stop, button] = [element("record-progress"), element("record-stop"), element("record-make")];
  if (isBuiltChanged) {
    alertUser("The as-built values are not saved yet: save them first, or empty their fields.");
    element("built").scrollIntoView();
    return;
  }
  button.disabled = true;
  bar.hidden = stop.hidden = false;
  let task = null;
  stop.onclick = () => task && cancelTask(task);
  try {
    const body = { kind: "record", site, mount: element("mount").value, ...valuesOf(record) };
    const found = await follow(body, (done) => { bar.value = done; }, (key) => { task = key; });
    if (found) showMade(found);
    else say("Stopped; nothing was written.");
    ask(element("mount").value);
  } catch (fault) {
    showError(record, fault);
  } finally {
    button.disabled = false;
    bar.hidden = stop.hidden = true;
  }
});

function showMade(found) {
  const box = element("record-made");
  const links = made("p", "", "row-tools");
  links.append(...["html", "pdf"].map((kind) => link(kind === "html" ? "Open the record" : "PDF",
    page(`/records/${encodeURIComponent(found.record[kind])}`), `The record just made, as ${kind.toUpperCase()}`)));
  const verdicts = document.createElement("ul");
  for (const one of found.verdicts) {
    const item = document.createElement("li");
    item.append(verdictBadge(one.verdict), ` ${one.name}`);
    verdicts.append(item);
  }
  const parts = [made("p", "The record is made."), links, verdicts];
  if (found.changes !== null) {
    const list = document.createElement("ul");
    list.append(...found.changes.map((text) => made("li", text)));
    parts.push(made("h3", found.changes_heading), list);
  } else parts.push(made("p", "It is the first one: there is nothing to compare it with."));
  box.replaceChildren(...parts);
}

try {
  photos = (await get(siteAddress(site, "/photos"))).photos;
  await openBuilt();
} catch (fault) {
  alertUser(fault.message);
}
ask("");
