// The sky view from the library's numbers: the horizon all around, and each satellite where it stands.
// Elevation is linear from the rim (0 degrees) to the middle (90), north up, east right, as in the library's picture.

import { verdictMark, VERDICTS } from "./verdict.js";

const SVG = "http://www.w3.org/2000/svg";
const RIM = 90;
const SOURCES = {
  measured: { word: "measured", colour: "#0072B2", fill: "#CFE3F0", hatch: "M0 6 6 0" },
  terrain: { word: "terrain", colour: "#00694D", fill: "#D3EBE3", hatch: "M1 2h1M4 5h1" },
  obstacle: { word: "obstacle", colour: "#8A4B00", fill: "#F8E3B5", hatch: "M0 0 6 6M0 6 6 0" },
  "": { word: "not measured", colour: "#6B6B6B", fill: "#FFFFFF", hatch: "M0 0 6 6" },
};

function made(name, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

function at(azimuth_deg, elevation_deg) {
  const radius = Math.min(90 - elevation_deg, RIM);
  const turn = (azimuth_deg * Math.PI) / 180;
  return [radius * Math.sin(turn), -radius * Math.cos(turn)];
}

const points = (list) => list.map(([x, y]) => `${x.toFixed(2)} ${y.toFixed(2)}`).join("L");

// Runs of neighbouring azimuths with one source, closed along the rim.
function areas(horizon) {
  const { azimuth_deg: azimuths, elevation_deg: elevations, source: sources } = horizon;
  const step = azimuths.length > 1 ? azimuths[1] - azimuths[0] : 1;
  const found = [];
  for (let first = 0; first < azimuths.length;) {
    let last = first;
    while (last + 1 < azimuths.length && sources[last + 1] === sources[first]) last += 1;
    const top = [];
    const rim = [];
    for (let index = first; index <= last; index += 1) {
      for (const side of [-step / 2, step / 2]) {
        const elevation = elevations[index] === null ? (sources[first] === "" ? 6 : 0) : Math.max(elevations[index], 0);
        top.push(at(azimuths[index] + side, elevation));
        rim.push(at(azimuths[index] + side, 0));
      }
    }
    found.push({ source: sources[first], d: `M${points(top)}L${points(rim.reverse())}Z` });
    first = last + 1;
  }
  return found;
}

function pattern(name, style) {
  return made("pattern", { id: `hatch-${name || "none"}`, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "scale(0.7)" },
    made("rect", { width: 6, height: 6, fill: style.fill }), made("path", { d: style.hatch, stroke: style.colour, "stroke-width": 0.8, fill: "none" }));
}

function text(x, y, words, attributes = {}) {
  return made("text", { x, y, "font-size": 6, "text-anchor": "middle", "dominant-baseline": "central", fill: "#000", ...attributes }, words);
}

// Draws into an element. results: of a check; horizon: of a check asked with "profile"; kept from the last one if null.
export function drawSky(element, results, horizon) {
  const svg = made("svg", { viewBox: "-104 -104 208 222", role: "img" });
  const said = results.map((one) => `${one.satellite.name} at azimuth ${one.look.azimuth_deg?.toFixed(1)}, elevation ${one.look.elevation_apparent_deg.toFixed(1)}: ${VERDICTS[one.verdict].word}`);
  svg.setAttribute("aria-label", `Sky view. ${said.join(". ")}.`);
  const used = Object.keys(SOURCES).filter((name) => horizon?.source.includes(name));
  svg.append(made("defs", {}, ...used.map((name) => pattern(name, SOURCES[name]))));
  svg.append(made("circle", { r: RIM, fill: "#fff", stroke: "#3C3C3C", "stroke-width": 1 }));
  for (const area of horizon ? areas(horizon) : []) {
    svg.append(made("path", { d: area.d, fill: `url(#hatch-${area.source || "none"})`, stroke: SOURCES[area.source].colour, "stroke-width": 0.5 }));
  }
  for (const elevation of [30, 60]) {
    svg.append(made("circle", { r: 90 - elevation, fill: "none", stroke: "#8C8C8C", "stroke-width": 0.5 }), text(0, -(90 - elevation) + 4, `${elevation}°`, { "font-size": 5, fill: "#3C3C3C" }));
  }
  for (let azimuth = 0; azimuth < 360; azimuth += 30) {
    svg.append(made("path", { d: `M${points([at(azimuth, 60), at(azimuth, 0)])}`, stroke: "#C4C4C4", "stroke-width": 0.4 }));
    const [x, y] = at(azimuth, 0).map((part) => part * 1.08);
    svg.append(text(x, y, { 0: "N", 90: "E", 180: "S", 270: "W" }[azimuth] ?? `${azimuth}`, { "font-size": azimuth % 90 ? 5 : 8, "font-weight": azimuth % 90 ? "normal" : "bold" }));
  }
  const seen = results.filter((one) => one.look.visible && one.look.azimuth_deg !== null)
    .map((one) => ({ one, place: at(one.look.azimuth_deg, one.look.elevation_apparent_deg) }))
    .sort((first, second) => first.place[0] - second.place[0]);
  seen.forEach(({ one, place: [x, y] }, number) => {
    const mark = verdictMark(one.verdict);
    mark.setAttribute("transform", `translate(${x} ${y}) scale(0.42)`);
    // names point away from the middle one, whose own stands above it; above, too, where they would leave the picture
    const width = one.satellite.name.length * 3.9;
    const side = number < (seen.length - 1) / 2 ? -1 : 1;
    const middle = seen.length > 1 && number === (seen.length - 1) / 2;
    const fits = !middle && Math.abs(x + side * (7 + width)) < 103;
    const place = fits ? { x: x + side * 7, y, "text-anchor": side < 0 ? "end" : "start" } : { x: Math.max(-100 + width / 2, Math.min(100 - width / 2, x)), y: y - 9, "text-anchor": "middle" };
    svg.append(mark, text(place.x, place.y, one.satellite.name, { "text-anchor": place["text-anchor"], "font-weight": "bold", "font-size": 6.5, stroke: "#fff", "stroke-width": 2.2, "paint-order": "stroke" }));
  });
  used.forEach((name, number) => {
    const x = -100 + (number % 4) * 50;
    svg.append(made("rect", { x, y: 106, width: 9, height: 7, fill: `url(#hatch-${name || "none"})`, stroke: SOURCES[name].colour, "stroke-width": 0.6 }), text(x + 11, 109.8, SOURCES[name].word, { "text-anchor": "start", "font-size": 5.6 }));
  });
  element.replaceChildren(svg);
}
