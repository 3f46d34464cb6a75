// What is said of a spot, of the spots side by side, and of the search: built from the server's answers.

import { verdictBadge } from "./verdict.js";

export function make(tag, given = {}, ...children) {
  const made = document.createElement(tag);
  for (const [key, value] of Object.entries(given)) {
    if (key === "class") made.className = value;
    else if (key in made) made[key] = value;
    else made.setAttribute(key, value);
  }
  made.append(...children.filter((one) => one !== null && one !== undefined));
  return made;
}

const metres = (value) => `${value.toFixed(2)} m`;
const side = (value, plus, minus) => `${Math.abs(value).toFixed(1)} m ${value >= 0 ? plus : minus}`;
export const placeWords = (mount) => `${side(mount.east_m, "east", "west")}, ${side(mount.north_m, "north", "south")}`;

export function leastWords(answer, found) {
  if (found.notes.length) return "not known: no elevation is known here";
  if (answer.least_height_m === null) return `none up to ${metres(found.max_height_m)}`;
  return answer.proved ? metres(answer.least_height_m) : `${metres(answer.least_height_m)} or more`;
}

export function cableWords(found) {
  if (found.cable_run_m === null) return "not known: no cable entry is given";
  const limit = found.cable_limit_m === null ? "no limit is given" : `limit ${found.cable_limit_m} m`;
  return `${found.cable_run_m.toFixed(1)} m (${found.cable_ok === false ? "too long, " : ""}${limit})`;
}

const standsOn = ({ mount }) => (mount.surface_elevation_m === null ? "on ground of unknown elevation" : `on ${metres(mount.surface_elevation_m)} (${mount.surface_source})`);

// The answer for a spot that is shown beside the plan. Cautions come first.
export function showSpot(root, found) {
  const parts = [];
  if (found.refusal) parts.push(make("p", { class: "caution" }, make("strong", {}, `No mast may stand here: ${found.refusal}.`)));
  for (const one of found.cautions) parts.push(make("p", { class: "caution" }, one.text));
  for (const answer of found.answers) {
    const margin = answer.margin_deg === null ? "" : ` Margin ${answer.margin_deg.toFixed(1)}°.`;
    parts.push(make("div", { class: "answer" },
      make("h3", {}, answer.satellite, " ", verdictBadge(answer.verdict)),
      make("p", {}, `Dish ${metres(found.mount.height_m)} up.${margin} ${answer.controls === null ? "" : `Controls: ${answer.controls}.`}`),
      make("p", { class: "proved" }, `Least mast: ${leastWords(answer, found)}.`),
      make("p", { class: answer.proved ? "hint whole" : "hint" }, answer.sentence)));
  }
  parts.push(make("p", {}, `Cable: ${cableWords(found)}. Stands ${standsOn(found)}.`));
  for (const note of found.notes) parts.push(make("p", { class: "hint" }, note));
  root.replaceChildren(...parts);
}

// Up to three spots in columns.
export function showBeside(root, spots, { remove, show }) {
  if (!spots.length) return root.replaceChildren();
  const head = make("tr", {}, make("td"), ...spots.map((found, k) => make("th", { scope: "col" }, `${k + 1}: ${found.mount.name}`)));
  const rows = [["Place", (found) => placeWords(found.mount)], ["Dish above its surface", (found) => metres(found.mount.height_m)]];
  spots[0].answers.forEach(({ satellite }) => {
    const of = (found) => found.answers.find((one) => one.satellite === satellite);
    rows.push([satellite, (found) => (of(found) ? verdictBadge(of(found).verdict) : "not asked")]);
    rows.push([`Least mast, ${satellite}`, (found) => (of(found) ? leastWords(of(found), found) : "not asked")]);
    rows.push([`Margin, ${satellite}`, (found) => (of(found)?.margin_deg === undefined || of(found).margin_deg === null ? "-" : `${of(found).margin_deg.toFixed(1)}°`)]);
  });
  rows.push(["Cable", cableWords]);
  rows.push(["Safety", (found) => {
    const said = [...(found.refusal ? [`No mast may stand here: ${found.refusal}.`] : []), ...found.cautions.map((one) => one.text)];
    return said.length ? make("ul", {}, ...said.map((text) => make("li", {}, text))) : "no caution of this spot alone";
  }]);
  rows.push(["", (found, k) => make("span", { class: "row" },
    make("button", { type: "button", "aria-label": `Show spot ${k + 1} on the plan`, onclick: () => show(k) }, "Show"),
    make("button", { type: "button", "aria-label": `Take spot ${k + 1} away`, onclick: () => remove(k) }, "Take away"))]);
  const body = rows.map(([word, cell]) => make("tr", {}, make(word ? "th" : "td", word ? { scope: "row" } : {}, word), ...spots.map((found, k) => make("td", {}, cell(found, k)))));
  return root.replaceChildren(make("table", {}, make("caption", { class: "visually-hidden" }, "Spots side by side"), make("thead", {}, head), make("tbody", {}, ...body)));
}

// The best spots of a search for one satellite, and a list of all.
export function showFound(root, found, number, chosen) {
  const { name, best } = found.satellites[number];
  const rows = best.map((index, rank) => {
    const spot = found.spots[index];
    const answer = spot.answers[number];
    const mast = answer.least_height_m === null ? `none up to ${metres(answer.max_height_m)}` : metres(answer.least_height_m);
    return make("tr", {},
      make("th", { scope: "row" }, make("button", { type: "button", onclick: () => chosen(index) }, `${rank + 1}: ${spot.name}`)),
      make("td", {}, verdictBadge(answer.verdict), make("br"), mast),
      make("td", { class: "number" }, answer.cable_run_m === null ? "not known" : `${answer.cable_run_m.toFixed(1)} m${answer.cable_ok === false ? ", too long" : ""}`),
      make("td", {}, answer.cautions ? String(answer.cautions) : "-"));
  });
  const heads = ["Spot", "Verdict, least mast", "Cable", "Cautions"].map((word) => make("th", { scope: "col" }, word));
  const list = make("select", { id: "all-spots" }, make("option", { value: "" }, "choose"), ...found.spots.map((spot, index) => {
    const answer = spot.answers[number];
    const said = answer.verdict === null ? `no mast: ${answer.refusal}` : `${answer.verdict}, ${answer.least_height_m === null ? `none up to ${metres(answer.max_height_m)}` : metres(answer.least_height_m)}`;
    return make("option", { value: String(index) }, `${spot.name}: ${said}`);
  }));
  list.addEventListener("change", () => list.value !== "" && chosen(Number(list.value)));
  root.replaceChildren(
    rows.length
      ? make("div", { class: "scroll", tabIndex: 0, role: "region", "aria-label": "Best spots" }, make("table", {}, make("caption", {}, `Best spots for ${name}`), make("thead", {}, make("tr", {}, ...heads)), make("tbody", {}, ...rows)))
      : make("p", {}, `No mast may stand at any spot for ${name}.`),
    make("div", { class: "field" }, make("label", { htmlFor: "all-spots" }, `All ${found.spots.length} spots`), list),
    ...found.notes.slice(0, 4).map((note) => make("p", { class: "hint" }, note)));
}
