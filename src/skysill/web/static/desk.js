// The desk of a site: its mounts and satellites to a verdict; what is typed is an edit of the site file.

import { post, siteAddress } from "./api.js";
import { Answers } from "./answers.js";
import { Draft, saveBar } from "./draft.js";
import { bindFields, clearErrors, fieldError, showError } from "./fields.js";

const byId = (id) => document.getElementById(id);
const form = byId("site-form");
const unchosen = new Set();
let draft;
let answers;
let mount = 0;
let asked = "";

const nameOf = (satellite) => satellite.name ?? String(satellite.longitude ?? satellite.orbit);

function satellites() {
  return (draft.site.satellites ?? []).map(nameOf).filter((name) => !unchosen.has(name));
}

function heightPath() {
  return ["mounts", mount, "height_m"];
}

function mountNames() {
  const mounts = draft.site.mounts ?? [];
  return mounts.map((one, index) => one.name ?? (mounts.length === 1 ? "mount" : `mount ${index + 1}`));
}

function ask(question, signal) {
  const { only, turn, then, moving, height_m, ...rest } = question;
  const several = draft.value(["mounts", mount, "heights_m"]);
  const names = mountNames();
  return post(siteAddress(draft.name, "/check"), {
    edits: draft.edits.filter((edit) => JSON.stringify(edit.path) !== JSON.stringify(heightPath())),
    mount: names.length && !several ? names[mount] : undefined,
    height_m,
    satellites: only ?? satellites(),
    ...rest,
  }, { signal });
}

function showSatellites() {
  const boxes = (draft.site.satellites ?? []).map((satellite) => {
    const name = nameOf(satellite);
    const label = document.createElement("label");
    label.className = "choice";
    const box = document.createElement("input");
    box.type = "checkbox";
    box.checked = !unchosen.has(name);
    box.addEventListener("change", () => {
      if (box.checked) unchosen.delete(name);
      else unchosen.add(name);
      answers.forget();
      answers.rest();
    });
    label.append(box, name);
    return label;
  });
  byId("satellites").replaceChildren(...boxes);
}

function showMount() {
  const value = draft.value(heightPath()) ?? draft.value(["mounts", mount, "heights_m", 0]) ?? 2;
  const most = draft.value(["mounts", mount, "max_height_m"]) ?? Math.max(10, Math.ceil(value * 1.5));
  answers.setHeight(value, most);
}

function showAll() {
  const names = mountNames();
  byId("mount").replaceChildren(...(names.length ? names : ["at the position"]).map((name, index) => new Option(name, String(index), false, index === mount)));
  showSatellites();
}

function addSatellite() {
  const input = byId("satellite");
  const text = input.value.trim();
  if (!text) return;
  const [name, longitude] = text.includes("=") ? text.split("=") : [text, text];
  draft.append(["satellites"], { name: name.trim(), longitude: longitude.trim() });
  input.value = "";
}

async function begin() {
  try {
    draft = await Draft.open(document.body.dataset.site);
  } catch (fault) {
    showError(document, fault);
    return;
  }
  answers = new Answers(byId("answers"), ask);
  answers.onHeight = (height_m) => {
    if (draft.value(["mounts", mount, "heights_m"]) === undefined) draft.set(heightPath(), height_m, { gesture: `height ${mount}` });
  };
  if (draft.fault) showError(document, { message: draft.fault });
  bindFields(form, draft);
  showAll();
  showMount();
  saveBar(draft, byId("save"), (fault) => {
    const height = fault.path?.at(-1) === "height_m";
    if (height) fieldError(byId("height"), fault.message);
    else showError(form, fault);
  });
  draft.addEventListener("change", () => {
    showAll();
    if (document.activeElement !== byId("height") && document.activeElement !== byId("height-slider")) showMount();
    const now = JSON.stringify([draft.edits.filter((edit) => edit.path[0] !== "mounts"), draft.revision]);
    if (now !== asked) {
      asked = now;
      clearErrors(form);
      answers.forget();
      answers.rest();
    } else if (document.activeElement !== byId("height") && document.activeElement !== byId("height-slider")) answers.rest();
  });
  byId("mount").addEventListener("change", (event) => {
    mount = Number(event.target.value);
    showMount();
    answers.rest();
  });
  byId("add-satellite").addEventListener("click", addSatellite);
  byId("satellite").addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    addSatellite();
  });
  form.addEventListener("submit", (event) => event.preventDefault());
  answers.rest();
}

begin();
