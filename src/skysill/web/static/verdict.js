// A verdict as shape, word and colour; the shapes and colours of the library's pictures.

const SVG = "http://www.w3.org/2000/svg";

export const VERDICTS = {
  clear: { word: "Clear", colour: "#56B4E9", shape: "circle" },
  marginal: { word: "Marginal", colour: "#F0E442", shape: "triangle" },
  "needs-survey": { word: "Needs a survey", colour: "#CC79A7", shape: "diamond" },
  unknown: { word: "Unknown", colour: "#FFFFFF", shape: "square" },
  blocked: { word: "Blocked", colour: "#D55E00", shape: "cross" },
};

export const OUTLINES = {
  triangle: "M0-9 9 7-9 7Z",
  diamond: "M0-10 10 0 0 10-10 0Z",
  square: "M-8-8H8V8H-8Z",
  cross: "M-4-9 0-5 4-9 9-4 5 0 9 4 4 9 0 5-4 9-9 4-5 0-9-4Z",
  circle: "M-9 0a9 9 0 1 0 18 0a9 9 0 1 0-18 0Z",
};

// The shape of a verdict as an SVG path element, centred on 0, 0 and 20 wide.
export function verdictMark(verdict) {
  const style = VERDICTS[verdict] ?? VERDICTS.unknown;
  const path = document.createElementNS(SVG, "path");
  path.setAttribute("d", OUTLINES[style.shape]);
  path.setAttribute("fill", style.colour);
  path.setAttribute("stroke", "#000000");
  path.setAttribute("stroke-width", "1.6");
  return path;
}

// A badge with shape and word: <span class="verdict" data-verdict="clear">.
export function verdictBadge(verdict) {
  const badge = document.createElement("span");
  badge.className = "verdict";
  badge.dataset.verdict = verdict;
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "-12 -12 24 24");
  svg.setAttribute("width", "22");
  svg.setAttribute("height", "22");
  svg.setAttribute("aria-hidden", "true");
  svg.append(verdictMark(verdict));
  badge.append(svg, (VERDICTS[verdict] ?? VERDICTS.unknown).word);
  return badge;
}

// A picture of the library (SVG text) as an image element; its own styles stay its own.
const addresses = new WeakMap();
export function showPicture(image, svgText, description) {
  const old = addresses.get(image);
  const address = URL.createObjectURL(new Blob([svgText], { type: "image/svg+xml" }));
  image.src = address;
  image.alt = description;
  addresses.set(image, address);
  if (old) URL.revokeObjectURL(old);
}
