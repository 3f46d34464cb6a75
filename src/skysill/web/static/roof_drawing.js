// Drawing something new on the plan, point by point: with the pointer, with the arrow keys, or by numbers.

import { post, siteAddress } from "./api.js";
import { alertUser, parseNumber, say } from "./fields.js";
import { round } from "./roof_shapes.js";

const byId = (id) => document.getElementById(id);

// What each tool makes. points: least number; height: what the height field asks for, or null
export const TOOLS = {
  move: { hint: "Drag a point, or go to it with Tab and press the arrow keys: 0.1 m, with Shift 1 m. Drag the ground to move the plan." },
  mount: { word: "mount", least: 1, most: 1, height: "Dish above what it stands on, m", usual: 1 },
  outline: { word: "roof outline", least: 3, height: null },
  ridges: { word: "ridge", least: 2, height: "Height above the site's ground, m", fromRaster: true },
  eaves: { word: "eaves", least: 2, height: "Height above the site's ground, m", fromRaster: true },
  valleys: { word: "valley", least: 2, height: "Height above the site's ground, m", fromRaster: true },
  yards: { word: "yard", least: 3, height: null },
  boundary: { word: "property boundary", least: 3, height: null },
  keep_out: { word: "keep-out area", least: 3, height: null },
  entry: { word: "cable entry", least: 1, most: 1, height: "Height above the site's ground, m", usual: 1.5 },
  tree: { word: "tree", least: 1, most: 1, height: "Height above its ground, m", crown: true },
  building: { word: "building", least: 3, height: "Height above its ground, m" },
  wall: { word: "wall", least: 2, height: "Height above its ground, m" },
  wire: { word: "overhead line", least: 2, height: "Height above the ground, m" },
  pole: { word: "pole", least: 1, most: 1, height: "Height above its ground, m" },
};

const HINT = "Press on the plan for each point, or move the cross with the arrow keys and press Space; or type east and north. Enter finishes, Escape cancels.";

export class Drawing {
  // draft: of the site; ground: () -> metres or null; changed: () called when what is drawn changed; made: (tool, where)
  constructor(draft, { ground, changed, made }) {
    Object.assign(this, { draft, ground, changed, made, tool: "move", points: [], cursor: null });
    byId("new-thing").addEventListener("submit", (event) => {
      event.preventDefault();
      this.finish();
    });
    byId("new-point").addEventListener("click", () => this.addTyped());
    byId("new-back").addEventListener("click", () => this.back());
    byId("new-cancel").addEventListener("click", () => this.choose("move", true));
    for (const radio of document.querySelectorAll("[name=tool]")) radio.addEventListener("change", () => this.choose(radio.value));
  }

  get active() {
    return this.tool !== "move";
  }

  choose(tool, focus = false) {
    this.tool = tool;
    this.points = [];
    this.cursor = null;
    const about = TOOLS[tool];
    document.querySelector(`[name=tool][value=${tool}]`).checked = true;
    if (focus) document.querySelector(`[name=tool][value=${tool}]`).focus();
    byId("tool-hint").textContent = about.hint ?? HINT;
    byId("plan").classList.toggle("drawing", this.active);
    byId("new-thing").hidden = !this.active;
    byId("new-title").textContent = `New ${about.word ?? ""}`;
    byId("new-name").closest(".field").hidden = !["mount", "tree", "building", "wall", "wire", "pole"].includes(tool);
    byId("new-height-field").hidden = !about.height;
    byId("new-height-field").querySelector("label").textContent = about.height ?? "";
    byId("new-height").value = about.usual ?? "";
    byId("new-height").placeholder = about.fromRaster ? "as the raster has it" : "";
    byId("new-crown-field").hidden = !about.crown;
    alertUser("");
    this.tell();
  }

  tell() {
    const count = this.points.length;
    const least = TOOLS[this.tool].least ?? 0;
    byId("new-points").textContent = count === 0 ? "No point yet." : `${count} ${count === 1 ? "point" : "points"}, the last ${this.points.at(-1).map((v) => v.toFixed(1)).join(" east, ")} north.${count < least ? ` It takes ${least}.` : ""}`;
    this.changed();
  }

  add(point) {
    const { most } = TOOLS[this.tool];
    if (most === 1) this.points = [];
    this.points.push(point.map(round));
    this.tell();
  }

  addTyped() {
    const point = [byId("new-east"), byId("new-north")].map((input) => parseNumber(input.value));
    if (point.some((value) => typeof value !== "number")) return alertUser("Type east and north in metres, for instance 4.5 and -2.");
    alertUser("");
    this.add(point);
    return byId("new-east").focus();
  }

  back() {
    this.points.pop();
    this.tell();
  }

  async finish() {
    const about = TOOLS[this.tool];
    if (this.points.length < about.least) return alertUser(`A ${about.word} takes ${about.least} ${about.least === 1 ? "point" : "points"} or more.`);
    const height = parseNumber(byId("new-height").value);
    const crown = parseNumber(byId("new-crown").value);
    if (about.height && !about.fromRaster && typeof height !== "number") {
      byId("new-height").focus();
      return alertUser(`${about.height.replace(/, m$/, "")} is not known. Type metres.`);
    }
    try {
      await this.#put(this.tool, { height, crown, name: byId("new-name").value.trim() });
    } catch (fault) {
      return alertUser(fault.message);
    }
    say(`The ${about.word} is on the plan.`);
    byId("new-name").value = "";
    return this.choose("move", true);
  }

  async #put(tool, { height, crown, name }) {
    const { draft, points } = this;
    const [east, north] = points[0];
    const named = name || undefined;
    if (tool === "mount") return this.made("mount", { name: named, east_m: east, north_m: north, height_m: height });
    if (tool === "outline") draft.set(["roof", "outline"], points);
    else if (tool === "keep_out" || tool === "yards") draft.append(["roof", tool], points);
    else if (tool === "boundary") draft.set(["property_boundary", "outline"], points);
    else if (tool === "entry") draft.set(["roof", "cable_entry"], [east, north, this.#elevation(height)]);
    else if (["ridges", "valleys", "eaves"].includes(tool)) draft.append(["roof", tool], await this.#withElevations(points, height));
    else {
      const thing = { kind: tool, name: named ?? this.#freeName(TOOLS[tool].word), height_m: height };
      if (tool === "building") thing.outline = points;
      else if (tool === "tree" || tool === "pole") Object.assign(thing, { east_m: east, north_m: north });
      else thing.line = points;
      if (tool === "tree" && typeof crown === "number") thing.crown_radius_m = crown;
      draft.append(["obstacle"], thing);
    }
    return this.made(tool);
  }

  #freeName(word) {
    const taken = new Set((this.draft.site.obstacle ?? []).map((one) => one.name));
    for (let k = 1; ; k += 1) if (!taken.has(`${word} ${k}`)) return `${word} ${k}`;
  }

  #elevation(height) {
    const ground = this.ground();
    if (ground === null) throw new Error("The ground's elevation is not known. Give ground_elevation_m at the desk first.");
    return round(ground + height);
  }

  async #withElevations(points, height) {
    if (typeof height === "number") return points.map((point) => [...point, this.#elevation(height)]);
    const { elevations_m: found } = await post(siteAddress(this.draft.name, "/elevations"), { edits: this.draft.edits, points });
    if (found.some((value) => value === null)) throw new Error("No surface raster has an elevation there. Type the height.");
    return points.map((point, k) => [...point, round(found[k])]);
  }
}
