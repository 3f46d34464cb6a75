// The first page: a place typed in any notation to a verdict, and the list of sites.

import { cancelTask, follow, get, post, siteAddress } from "./api.js";
import { Answers } from "./answers.js";
import { clearErrors, showError } from "./fields.js";

const form = document.getElementById("place");
const byId = (id) => document.getElementById(id);
const KEY = "skysill-place";
let satellites = []; // {text, chosen}

function given() {
  return {
    position: byId("position").value.trim(),
    like: byId("like").value || null,
    satellites: satellites.filter((one) => one.chosen).map((one) => one.text),
    height_m: answers.heightOf(),
  };
}

const answers = new Answers(byId("answers"), (question, signal) => {
  const { only, turn, then, moving, ...rest } = question;
  const place = given();
  if (only) place.satellites = place.satellites.filter((text) => only.includes(nameOf(text)));
  return post("/api/place/check", { ...place, ...rest }, { signal });
});

const nameOf = (text) => (text.includes("=") ? text.slice(0, text.lastIndexOf("=")).trim() : text.trim());

function keep() {
  try {
    sessionStorage.setItem(KEY, JSON.stringify({ position: byId("position").value, like: byId("like").value, satellites, height: byId("height").value }));
  } catch {
    // nothing is kept in a private window
  }
}

function showSatellites() {
  byId("satellites").replaceChildren(...satellites.map((one) => {
    const label = document.createElement("label");
    label.className = "choice";
    const box = document.createElement("input");
    box.type = "checkbox";
    box.checked = one.chosen;
    box.addEventListener("change", () => {
      one.chosen = box.checked;
      again();
    });
    label.append(box, nameOf(one.text));
    return label;
  }));
}

async function satellitesOf(like) {
  if (!like) return JSON.parse(byId("like").dataset.started ?? "[]");
  const { site } = await get(siteAddress(like));
  return (site.satellites ?? []).filter((one) => one.longitude !== undefined).map((one) => `${one.name ?? one.longitude}=${one.longitude}`);
}

async function takeLike() {
  try {
    satellites = (await satellitesOf(byId("like").value)).map((text) => ({ text, chosen: true }));
    showSatellites();
    again();
  } catch (fault) {
    showError(form, fault);
  }
}

function again() {
  keep();
  answers.forget();
  if (byId("position").value.trim()) answers.rest();
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  clearErrors(form);
  again();
  if (!byId("position").value.trim()) showError(form, { field: "position", message: "Type the position of the place." });
});
byId("like").addEventListener("change", takeLike);
byId("position").addEventListener("change", () => again());

function addSatellite() {
  const input = byId("satellite");
  const text = input.value.trim();
  if (!text) return;
  satellites.push({ text, chosen: true });
  input.value = "";
  showSatellites();
  again();
}
byId("add-satellite").addEventListener("click", addSatellite);
byId("satellite").addEventListener("keydown", (event) => {
  if (event.key !== "Enter") return;
  event.preventDefault();
  addSatellite();
});

byId("make").addEventListener("click", async () => {
  clearErrors(form);
  try {
    const made = await post("/api/sites", { ...given(), name: byId("name").value });
    location.href = `/sites/${encodeURIComponent(made.name)}/desk`;
  } catch (fault) {
    showError(form, fault);
  }
});

let finding = null;
byId("find-property")?.addEventListener("click", async (event) => {
  clearErrors(form);
  event.target.disabled = true;
  byId("stop-finding").hidden = false;
  byId("finding").textContent = "Reading the sources around the place...";
  const words = ["Reading the sources around the place...", "Opening the rasters...", "Finding roof, buildings and trees...", "Writing the site..."];
  try {
    const asked = { ...given(), kind: "property", name: byId("name").value };
    const found = await follow(asked, (done) => { byId("finding").textContent = words[done] ?? words[0]; }, (key) => { finding = key; });
    byId("finding").textContent = found === null ? "Cancelled." : "";
    if (found) location.href = `/sites/${encodeURIComponent(found.name)}/desk`;
  } catch (fault) {
    byId("finding").textContent = "";
    showError(form, fault);
  } finally {
    event.target.disabled = false;
    byId("stop-finding").hidden = true;
  }
});
byId("stop-finding")?.addEventListener("click", () => cancelTask(finding));

byId("find")?.addEventListener("input", (event) => {
  const wanted = event.target.value.trim().toLowerCase();
  for (const item of byId("sites").children) item.hidden = !item.textContent.toLowerCase().includes(wanted);
});

async function begin() {
  const linked = new URLSearchParams(location.hash.slice(1));
  if (linked.get("position")) {
    byId("position").value = linked.get("position");
    if ([...byId("like").options].some((one) => one.value === (linked.get("like") ?? ""))) byId("like").value = linked.get("like") ?? "";
    if (linked.get("height_m")) answers.setHeight(linked.get("height_m"), 10);
    history.replaceState(null, "", "/");
    await takeLike();
    return;
  }
  let kept = null;
  try {
    kept = JSON.parse(sessionStorage.getItem(KEY));
  } catch {
    kept = null;
  }
  if (kept && [...byId("like").options].some((one) => one.value === kept.like)) {
    byId("position").value = kept.position;
    byId("like").value = kept.like;
    answers.setHeight(kept.height, 10);
    satellites = kept.satellites;
    showSatellites();
    again();
  } else await takeLike();
}

begin();
