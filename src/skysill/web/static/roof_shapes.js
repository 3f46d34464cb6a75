// What can be moved on the plan, read from the site's values: outlines, lines, points. Each has a path in the site file.

export const round = (value) => Math.round(value * 1000) / 1000;

const LINES = { ridges: "ridge", valleys: "valley", eaves: "eaves" };
const AREAS = { keep_out: "keep-out area", yards: "yard" };

function shape(key, name, kind, path, points, closed) {
  return { key, name, kind, path, points, closed, least: closed ? 3 : kind === "point" ? 1 : 2 };
}

// The shapes of a site: {key, name, kind, path, points, closed, least}; an obstacle at a point has path null and index.
export function shapesOf(site) {
  const found = [];
  const roof = site.roof;
  if (roof?.outline) found.push(shape("outline", "roof outline", "outline", ["roof", "outline"], roof.outline, true));
  for (const [list, word] of Object.entries(LINES)) {
    (roof?.[list] ?? []).forEach((line, k) => found.push(shape(`${list}-${k}`, `${word} ${k + 1}`, list, ["roof", list, k], line, false)));
  }
  for (const [list, word] of Object.entries(AREAS)) {
    (roof?.[list] ?? []).forEach((ring, k) => found.push(shape(`${list}-${k}`, `${word} ${k + 1}`, list, ["roof", list, k], ring, true)));
  }
  if (roof?.cable_entry) found.push(shape("entry", "cable entry", "point", ["roof", "cable_entry"], [roof.cable_entry], false));
  if (site.property_boundary?.outline) {
    found.push(shape("boundary", "property boundary", "boundary", ["property_boundary", "outline"], site.property_boundary.outline, true));
  }
  (site.obstacle ?? []).forEach((one, k) => {
    const name = one.name ?? one.kind ?? `obstacle ${k + 1}`;
    if (one.outline) found.push(shape(`obstacle-${k}`, name, "obstacle", ["obstacle", k, "outline"], one.outline, true));
    else if (one.line) found.push(shape(`obstacle-${k}`, name, "obstacle", ["obstacle", k, "line"], one.line, false));
    else if (one.east_m !== undefined || one.north_m !== undefined) {
      found.push({ ...shape(`obstacle-${k}`, name, "obstacle", null, [[one.east_m ?? 0, one.north_m ?? 0]], false), least: 1, index: k });
    }
  });
  return found;
}

// Writes points of a shape into the draft, as one step of undo.
export function writeShape(draft, one, points, gesture) {
  const clean = points.map((point) => point.map(round));
  if (one.path === null) {
    const group = gesture ?? `move ${one.key} ${Date.now()}`;
    draft.set(["obstacle", one.index, "east_m"], clean[0][0], { gesture, group });
    draft.set(["obstacle", one.index, "north_m"], clean[0][1], { gesture, group });
  } else draft.set(one.path, one.kind === "point" ? clean[0] : clean, { gesture });
}

// Takes a shape out of the site.
export function removeShape(draft, one) {
  if (one.key.startsWith("obstacle-")) draft.remove(["obstacle", Number(one.key.split("-")[1])]);
  else if (one.key === "outline") draft.remove(["roof"]);
  else if (one.key === "boundary") draft.remove(["property_boundary"]);
  else draft.remove(one.path);
}
