// The plan as SVG: metres east and north of the site's position, north up. Draws; decides nothing.

import { verdictMark } from "./verdict.js";

const SVG = "http://www.w3.org/2000/svg";
const WIRE = "#b34700";

export function element(name, attributes = {}, ...children) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) if (value !== null && value !== undefined) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

export const path = (points, closed) => `M${points.map(([east, north]) => `${east} ${-north}`).join("L")}${closed ? "Z" : ""}`;

export class PlanView {
  constructor(svg) {
    this.svg = svg;
    this.layers = {};
    for (const name of ["relief", "ground", "field", "edit"]) {
      this.layers[name] = element("g", { class: `layer-${name}` });
      svg.append(this.layers[name]);
    }
    this.extent = { west: -20, east: 20, south: -20, north: 20 };
    this.all();
  }

  // Shows all of the extent.
  all() {
    const { west, east, south, north } = this.extent;
    this.centre = [(west + east) / 2, (south + north) / 2];
    this.width = Math.max(east - west, north - south);
    this.fit();
  }

  fit() {
    const half = this.width / 2;
    this.svg.setAttribute("viewBox", `${this.centre[0] - half} ${-this.centre[1] - half} ${this.width} ${this.width}`);
  }

  zoom(factor, at = this.centre) {
    const width = Math.min(Math.max(this.width * factor, 4), 6 * (this.extent.east - this.extent.west));
    const change = width / this.width;
    this.centre = this.centre.map((value, axis) => at[axis] + (value - at[axis]) * change);
    this.width = width;
    this.fit();
  }

  // Metres that one pixel of the screen shows.
  get unit() {
    const box = this.svg.getBoundingClientRect();
    return this.width / Math.max(Math.min(box.width, box.height), 1);
  }

  at(event) {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return [point.x, -point.y];
  }

  text(east, north, words, { size = 13, anchor = "middle", weight = "normal", lift = 0 } = {}) {
    const unit = this.unit;
    const made = element("text", { x: east, y: -north - lift * unit, "font-size": size * unit, "text-anchor": anchor, "font-weight": weight, "stroke-width": 3 * unit });
    made.textContent = words;
    return made;
  }

  line(points, { closed = false, stroke = "#000000", width = 1.5, dash = null, fill = "none", title = null, opacity = null } = {}) {
    const unit = this.unit;
    const made = element("path", { d: path(points, closed), fill, stroke, "stroke-width": width * unit, "stroke-dasharray": dash?.map((d) => d * unit).join(" "), "fill-opacity": opacity });
    if (title) made.append(Object.assign(element("title"), { textContent: title }));
    return made;
  }

  relief(found) {
    this.layers.relief.replaceChildren();
    if (!found?.png) return;
    this.layers.relief.append(element("image", { href: found.png, x: found.west, y: -found.north, width: found.width_m, height: found.height_m, preserveAspectRatio: "none", "image-rendering": "auto" }));
  }

  // What stands there, and where the satellites are: from the server's plan.
  ground(plan, satellite) {
    const layer = this.layers.ground;
    layer.replaceChildren();
    if (!plan) return;
    const unit = this.unit;
    const named = [];
    for (const one of plan.obstacles) {
      const isWire = one.kind === "wire";
      const title = `${one.name} (${one.kind}), ${one.height_m.toFixed(1)} m`;
      if (one.shape === "circle") {
        layer.append(element("circle", { cx: one.at[0], cy: -one.at[1], r: one.radius_m, fill: one.kind === "tree" ? "#3f8f5a" : "#8a4b00", "fill-opacity": 0.35, stroke: "#00694d", "stroke-width": unit }, Object.assign(element("title"), { textContent: title })));
        named.push([one.at, one.name]);
      } else if (one.shape === "area") {
        for (const ring of one.rings) layer.append(this.line(ring, { closed: true, stroke: "#8a4b00", fill: "#f0d9a8", opacity: 0.35, width: 1.2, title }));
      } else {
        layer.append(this.line(one.line, { stroke: isWire ? WIRE : "#8a4b00", width: isWire ? 3 : 2.5, dash: isWire ? [4, 4] : null, title }));
        named.push([one.line[0].map((value, axis) => (value + one.line.at(-1)[axis]) / 2), one.name]);
      }
    }
    if (plan.boundary.length) layer.append(this.line(plan.boundary, { closed: true, stroke: "#0072b2", dash: [10, 4, 2, 4], width: 1.5, title: "property boundary" }));
    if (plan.roof) {
      for (const yard of plan.roof.yards) layer.append(this.line(yard, { closed: true, dash: [5, 4], title: "yard" }));
      for (const edge of plan.roof.edges) layer.append(this.line(edge, { width: 1.2, stroke: "#333333" }));
    }
    for (const [[east, north], words] of named) {
      if (this.width < 60) layer.append(this.text(east, north, words, { size: 11 }));
    }
    this.#way(plan, satellite);
  }

  #way(plan, satellite) {
    const found = plan.satellites.find((one) => one.name === satellite);
    if (!found?.visible || found.azimuth_deg === null) return;
    const turn = (found.azimuth_deg * Math.PI) / 180;
    const [east, north] = [Math.sin(turn), Math.cos(turn)];
    const far = this.width * 0.42;
    const tip = [this.centre[0] + east * far, this.centre[1] + north * far];
    const unit = this.unit;
    const foot = [tip[0] - east * 40 * unit, tip[1] - north * 40 * unit];
    const side = [north * 7 * unit, -east * 7 * unit];
    const back = [tip[0] - east * 14 * unit, tip[1] - north * 14 * unit];
    this.layers.ground.append(
      this.line([foot, tip], { stroke: "#0072b2", width: 3 }),
      this.line([tip, [back[0] + side[0], back[1] + side[1]], [back[0] - side[0], back[1] - side[1]]], { closed: true, stroke: "#0072b2", fill: "#0072b2" }),
      this.text(foot[0], foot[1], `to ${satellite}`, { size: 12, lift: -14 }),
    );
  }

  // Every spot of a search by its verdict and least mast. chosen(index) is called for a press.
  field(found, number, chosen) {
    const layer = this.layers.field;
    layer.replaceChildren();
    if (!found) return;
    const unit = this.unit;
    const radius = Math.min(14, (found.grid_step_m / unit) * 0.42);
    found.spots.forEach((spot, index) => {
      const answer = spot.answers[number];
      const mark = element("g", { class: "mark", "data-spot": index, transform: `translate(${spot.east_m} ${-spot.north_m}) scale(${unit})` });
      if (answer.verdict === null) {
        mark.append(element("circle", { r: 4, fill: "none", stroke: "#000000", "stroke-dasharray": "2 2" }));
      } else {
        const shape = verdictMark(answer.verdict);
        shape.setAttribute("transform", `scale(${radius / 10})`);
        mark.append(shape);
        if (answer.least_height_m !== null && radius >= 9) {
          const words = element("text", { y: 4, "font-size": 11, "text-anchor": "middle" });
          words.textContent = String(Math.round(answer.least_height_m * 100) / 100);
          mark.append(words);
        }
        if (answer.cautions) mark.append(Object.assign(element("text", { x: radius, y: radius + 2, "font-size": 14, "font-weight": "bold" }), { textContent: "!" }));
      }
      const title = element("title");
      title.textContent = `${spot.name}: ${answer.verdict ?? answer.refusal}`;
      mark.append(title);
      mark.addEventListener("click", () => chosen(index));
      layer.append(mark);
    });
    found.satellites[number].best.forEach((index, rank) => {
      const spot = found.spots[index];
      const words = element("text", { y: 4, "font-size": 11, "text-anchor": "middle", "font-weight": "bold" });
      words.textContent = String(rank + 1);
      words.style.fill = "#ffffff";
      layer.append(element("g", { class: "rank", transform: `translate(${spot.east_m} ${-spot.north_m}) scale(${unit}) translate(13 -13)` }, element("circle", { r: 8, fill: "#000000" }), words));
    });
  }

  scaleBar() {
    const unit = this.unit;
    const metres = [1, 2, 5, 10, 20, 50, 100, 200].find((m) => m / unit >= 60) ?? 500;
    const left = this.centre[0] - this.width / 2 + 14 * unit;
    const low = this.centre[1] - this.width / 2 + 14 * unit;
    const top = this.centre[1] + this.width / 2 - 14 * unit;
    return [
      this.line([[left, low], [left + metres, low]], { width: 4 }),
      this.text(left, low, `${metres} m`, { anchor: "start", lift: 6 }),
      this.line([[left + 6 * unit, top - 30 * unit], [left + 6 * unit, top], [left, top - 12 * unit], [left + 12 * unit, top - 12 * unit], [left + 6 * unit, top]], { width: 2.5, fill: "#000000" }),
      this.text(left + 20 * unit, top - 20 * unit, "N", { anchor: "start", weight: "bold" }),
    ];
  }
}
