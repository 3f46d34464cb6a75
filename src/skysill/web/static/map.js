// Verdicts on a map from latitudes and longitudes alone: degrees to a plane that is true to shape in the middle.

import { OUTLINES, VERDICTS } from "./verdict.js";

const EARTH_M_PER_DEGREE = 111_320;
const PAD = 26;

export class VerdictMap {
  // picked(index): called with the number of the address that was pressed
  constructor(canvas, picked) {
    this.canvas = canvas;
    this.picked = picked;
    this.places = [];
    this.shown = [];
    this.zoom = 1;
    this.centre = null;
    this.#listen();
    new ResizeObserver(() => this.draw()).observe(canvas);
  }

  // places: [{latitude, longitude, verdict}] in the order of the rows
  show(places) {
    this.places = places;
    const latitudes = places.map((one) => one.latitude);
    const first = places[0]?.longitude ?? 0;
    const longitudes = places.map((one) => first + ((((one.longitude - first) % 360) + 540) % 360) - 180); // across the date line
    const middle = (list) => (list.reduce((low, one) => Math.min(low, one), Infinity) + list.reduce((high, one) => Math.max(high, one), -Infinity)) / 2;
    this.centre = places.length ? [middle(latitudes), middle(longitudes)] : [0, 0];
    const narrow = Math.max(Math.cos((this.centre[0] * Math.PI) / 180), 0.02);
    this.plane = places.map((one, index) => [(longitudes[index] - this.centre[1]) * narrow, -(latitudes[index] - this.centre[0])]);
    this.shown = places.map((_, index) => index);
    this.all();
  }

  only(indices) {
    this.shown = indices;
    this.draw();
  }

  all() {
    this.zoom = 1;
    this.moved = [0, 0];
    this.draw();
  }

  zoomBy(factor) {
    this.zoom = Math.min(Math.max(this.zoom * factor, 1), 400);
    if (this.zoom === 1) this.moved = [0, 0];
    this.draw();
  }

  #scale() {
    const [width, height] = [this.canvas.clientWidth, this.canvas.clientHeight];
    let wide = 1e-4;
    let high = 1e-4;
    for (const [x, y] of this.plane) {
      wide = Math.max(wide, Math.abs(x));
      high = Math.max(high, Math.abs(y));
    }
    return this.zoom * Math.min((width / 2 - PAD) / wide, (height / 2 - PAD) / high);
  }

  #pixel(index, scale) {
    const [x, y] = this.plane[index];
    return [this.canvas.clientWidth / 2 + (x + this.moved[0]) * scale, this.canvas.clientHeight / 2 + (y + this.moved[1]) * scale];
  }

  draw() {
    if (!this.centre || !this.canvas.clientWidth) return;
    const ratio = window.devicePixelRatio || 1;
    const [width, height] = [this.canvas.clientWidth, this.canvas.clientHeight];
    this.canvas.width = width * ratio;
    this.canvas.height = height * ratio;
    const pen = this.canvas.getContext("2d");
    pen.scale(ratio, ratio);
    pen.fillStyle = "#fff";
    pen.fillRect(0, 0, width, height);
    const scale = this.#scale();
    const size = Math.min(Math.max(90 / Math.sqrt(this.shown.length + 1), 3.5), 9) / 10;
    const outlines = Object.fromEntries(Object.entries(VERDICTS).map(([name, style]) => [name, new Path2D(OUTLINES[style.shape])]));
    const order = Object.keys(VERDICTS);
    const ranked = [...this.shown].sort((one, other) => order.indexOf(this.places[one].verdict) - order.indexOf(this.places[other].verdict));
    for (const index of ranked) {
      const [x, y] = this.#pixel(index, scale);
      if (x < -10 || y < -10 || x > width + 10 || y > height + 10) continue;
      const large = index === this.chosen ? 1.8 : 1;
      pen.save();
      pen.translate(x, y);
      pen.scale(size * large, size * large);
      pen.fillStyle = VERDICTS[this.places[index].verdict].colour;
      pen.fill(outlines[this.places[index].verdict]);
      pen.lineWidth = index === this.chosen ? 4 : 1.6;
      pen.strokeStyle = "#000";
      pen.stroke(outlines[this.places[index].verdict]);
      pen.restore();
    }
    this.#rule(pen, scale, height, width);
  }

  // Length of a round distance, and north.
  #rule(pen, scale, height, width) {
    const wanted_m = (90 / scale) * EARTH_M_PER_DEGREE;
    const power = 10 ** Math.floor(Math.log10(wanted_m));
    const length_m = [5, 2, 1].map((part) => part * power).find((part) => part <= wanted_m) ?? power;
    const pixels = (length_m / EARTH_M_PER_DEGREE) * scale;
    pen.fillStyle = "#000";
    pen.strokeStyle = "#000";
    pen.lineWidth = 2;
    pen.font = "13px sans-serif";
    pen.beginPath();
    pen.moveTo(12, height - 12);
    pen.lineTo(12 + pixels, height - 12);
    pen.moveTo(width - 18, 34);
    pen.lineTo(width - 18, 12);
    pen.lineTo(width - 22, 19);
    pen.moveTo(width - 18, 12);
    pen.lineTo(width - 14, 19);
    pen.stroke();
    pen.fillText(length_m >= 1000 ? `${length_m / 1000} km` : `${length_m} m`, 12, height - 18);
    pen.fillText("N", width - 23, 48);
  }

  #listen() {
    let from = null;
    let travelled = 0;
    this.canvas.addEventListener("pointerdown", (event) => {
      from = [event.offsetX, event.offsetY];
      travelled = 0;
      this.canvas.setPointerCapture(event.pointerId);
    });
    this.canvas.addEventListener("pointermove", (event) => {
      if (!from) return;
      const scale = this.#scale();
      const [x, y] = [event.offsetX - from[0], event.offsetY - from[1]];
      travelled += Math.abs(x) + Math.abs(y);
      this.moved = [this.moved[0] + x / scale, this.moved[1] + y / scale];
      from = [event.offsetX, event.offsetY];
      this.draw();
    });
    this.canvas.addEventListener("pointerup", (event) => {
      from = null;
      if (travelled < 8) this.#pick(event.offsetX, event.offsetY);
    });
    this.canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoomBy(event.deltaY < 0 ? 1.25 : 0.8);
    }, { passive: false });
  }

  #pick(x, y) {
    const scale = this.#scale();
    let best = null;
    let least = 24 ** 2;
    for (const index of this.shown) {
      const [px, py] = this.#pixel(index, scale);
      const away = (px - x) ** 2 + (py - y) ** 2;
      if (away < least) [best, least] = [index, away];
    }
    this.chosen = best;
    this.draw();
    if (best !== null) this.picked(best);
  }
}
