// A list of addresses: dropped, screened with progress, shown on a map and in a table, filtered, sorted, downloaded.

import { cancelTask, follow, send } from "./api.js";
import { clearErrors, fieldError, parseNumber, say, showError } from "./fields.js";
import { VerdictMap } from "./map.js";
import { VERDICTS, verdictBadge } from "./verdict.js";

const byId = (id) => document.getElementById(id);
const form = byId("list-form");
const PAGE_ROWS = 100;
const SHOWN_FIRST = ["id", "verdict", "satellite", "margin_deg", "least_height_m", "reason"];

let made = null; // the result of the last screening
let order = []; // numbers of the rows that are shown, sorted
let sorting = { column: null, descending: false };
let rowsShown = PAGE_ROWS;
let task = null;
let dropped = null;
const hiddenVerdicts = new Set();
const map = new VerdictMap(byId("map"), pick);

function chosenFile() {
  return dropped ?? byId("list").files[0] ?? null;
}

const drop = byId("drop");
for (const [kind, over] of [["dragover", true], ["dragleave", false], ["drop", false]]) {
  drop.addEventListener(kind, (event) => {
    event.preventDefault();
    drop.classList.toggle("over", over);
    if (kind === "drop" && event.dataTransfer.files.length) {
      [dropped] = event.dataTransfer.files;
      say(`${dropped.name} is ready.`);
    }
  });
}
byId("list").addEventListener("change", () => { dropped = null; });

function given() {
  const satellites = byId("satellites").value.split(/[,;]/).map((text) => text.trim()).filter(Boolean);
  return {
    kind: "screen",
    like: byId("like").value || null,
    satellites: satellites.length ? satellites : null,
    height_m: parseNumber(byId("height").value) ?? null,
    position_kind: byId("kind").value,
    format: byId("format").value,
  };
}

function progress(done, of) {
  const bar = byId("progress");
  if (of) [bar.max, bar.value] = [of, done];
  byId("counted").textContent = of ? `${done.toLocaleString("en")} of ${of.toLocaleString("en")} addresses` : "";
}

function busy(is) {
  byId("progress").hidden = byId("cancel").hidden = !is;
  form.querySelector("[type=submit]").disabled = is;
  if (!is) byId("counted").textContent = "";
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  clearErrors(form);
  const file = chosenFile();
  if (!file) {
    fieldError(byId("list"), "Choose a list, or drop one here.");
    byId("list").focus();
    return;
  }
  busy(true);
  byId("progress").removeAttribute("value");
  say(`Screening ${file.name}...`);
  try {
    const { list } = await send("POST", "/api/lists", file, { headers: { "X-File-Name": encodeURIComponent(file.name) } });
    const result = await follow({ ...given(), list }, progress, (key) => { task = key; });
    if (result === null) say("Cancelled.");
    else show(result, file.name);
  } catch (fault) {
    say("");
    showError(form, fault);
  } finally {
    task = null;
    busy(false);
  }
});

byId("cancel").addEventListener("click", () => task && cancelTask(task).catch((fault) => showError(form, fault)));

function cell(name, row) {
  return row[made.columns.indexOf(name)] ?? "";
}

function show(result, name) {
  made = result;
  hiddenVerdicts.clear();
  sorting = { column: null, descending: false };
  say("");
  byId("results").hidden = false;
  const left = result.left_out ? ` The first ${result.rows.length.toLocaleString("en")} are shown here, the download has all.` : "";
  byId("summary").textContent = `${name}: ${result.screened.toLocaleString("en")} of ${result.addresses.toLocaleString("en")} addresses screened, ${result.rejected.toLocaleString("en")} rejected.${left}`;
  byId("download").href = result.download;
  byId("rejects-download").hidden = !result.rejects_download;
  if (result.rejects_download) byId("rejects-download").href = result.rejects_download;
  byId("notes").replaceChildren(...result.notes.map((line) => Object.assign(document.createElement("li"), { textContent: line })));
  byId("rejected").hidden = result.rejects.length === 0;
  byId("rejects").replaceChildren(...result.rejects.map((row) => tableRow(row.map((text, index) => [text, index === 0 ? "number" : ""]))));
  map.show(result.rows.map((row, index) => ({ latitude: result.latitude_deg[index], longitude: result.longitude_deg[index], verdict: cell("verdict", row) })));
  filters();
  heads();
  arrange();
  byId("results-title").focus();
}

function tableRow(cells) {
  const line = document.createElement("tr");
  for (const [content, kind] of cells) {
    const box = document.createElement("td");
    if (kind) box.className = kind;
    box.append(content);
    if (typeof content === "string") box.title = content;
    line.append(box);
  }
  return line;
}

function filters() {
  const boxes = Object.entries(VERDICTS).map(([verdict]) => {
    const count = made.counts[verdict] ?? 0;
    const label = document.createElement("label");
    const box = document.createElement("input");
    box.type = "checkbox";
    box.checked = true;
    box.disabled = count === 0;
    box.addEventListener("change", () => {
      if (box.checked) hiddenVerdicts.delete(verdict);
      else hiddenVerdicts.add(verdict);
      arrange();
    });
    const counted = document.createElement("span");
    counted.className = "count";
    counted.textContent = count.toLocaleString("en");
    label.append(box, verdictBadge(verdict), counted);
    return label;
  });
  const legend = byId("filters").querySelector("legend");
  byId("filters").replaceChildren(legend, ...boxes);
}

function columns() {
  const first = SHOWN_FIRST.filter((name) => made.columns.includes(name));
  return [...first, ...made.columns.filter((name) => !first.includes(name))];
}

function heads() {
  const line = document.createElement("tr");
  for (const name of columns()) {
    const head = document.createElement("th");
    head.scope = "col";
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name.replaceAll("_", " ");
    button.addEventListener("click", () => {
      sorting = { column: name, descending: sorting.column === name && !sorting.descending };
      for (const other of line.children) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", sorting.descending ? "descending" : "ascending");
      arrange();
    });
    head.append(button);
    line.append(head);
  }
  const head = document.createElement("th");
  head.textContent = "open";
  line.append(head);
  byId("table").tHead.replaceChildren(line);
}

function compared(one, other, column) {
  if (column === "verdict") {
    const ranks = Object.keys(VERDICTS);
    return ranks.indexOf(cell(column, made.rows[one])) - ranks.indexOf(cell(column, made.rows[other]));
  }
  const [first, second] = [cell(column, made.rows[one]), cell(column, made.rows[other])];
  if (first === "" || second === "") return (first === "") - (second === ""); // nothing known goes last
  const [a, b] = [Number(first), Number(second)];
  return Number.isFinite(a) && Number.isFinite(b) ? a - b : first.localeCompare(second);
}

// Filter and sort; the first page of rows.
function arrange() {
  const wanted = byId("find").value.trim().toLowerCase();
  order = made.rows.map((_, index) => index).filter((index) => {
    const row = made.rows[index];
    return !hiddenVerdicts.has(cell("verdict", row)) && (!wanted || row.some((text) => text.toLowerCase().includes(wanted)));
  });
  if (sorting.column) {
    const sign = sorting.descending ? -1 : 1;
    order.sort((one, other) => sign * compared(one, other, sorting.column));
  }
  rowsShown = PAGE_ROWS;
  map.only(order);
  byId("map").setAttribute("aria-label", `Map of ${order.length} addresses. The table below has the same rows.`);
  rows();
}

function rows() {
  const names = columns();
  const shown = order.slice(0, rowsShown).map((index) => {
    const row = made.rows[index];
    const cells = names.map((name) => {
      const text = cell(name, row);
      if (name === "verdict") return [verdictBadge(text), ""];
      return [text, name === "reason" ? "reason" : text !== "" && Number.isFinite(Number(text)) && name !== "id" ? "number" : ""];
    });
    const link = document.createElement("a");
    const at = new URLSearchParams({ position: `${made.latitude_deg[index]}, ${made.longitude_deg[index]}`, like: byId("like").value });
    link.href = `/#${at}`;
    link.textContent = "desk";
    link.setAttribute("aria-label", `Open ${cell("id", row)} at the desk`);
    const line = tableRow([...cells, [link, ""]]);
    line.dataset.index = String(index);
    return line;
  });
  byId("table").tBodies[0].replaceChildren(...shown);
  byId("shown").textContent = `${order.length.toLocaleString("en")} of ${made.rows.length.toLocaleString("en")} rows${order.length > rowsShown ? `, the first ${rowsShown} below` : ""}.`;
  byId("more-rows").hidden = order.length <= rowsShown;
}

function pick(index) {
  const row = made.rows[index];
  byId("picked").textContent = `${cell("id", row)}: ${VERDICTS[cell("verdict", row)].word}`;
  for (const line of byId("table").tBodies[0].rows) line.classList.toggle("picked", Number(line.dataset.index) === index);
}

byId("find").addEventListener("input", () => made && arrange());
byId("more-rows").addEventListener("click", () => {
  rowsShown += PAGE_ROWS;
  rows();
});
byId("zoom-in").addEventListener("click", () => map.zoomBy(1.6));
byId("zoom-out").addEventListener("click", () => map.zoomBy(1 / 1.6));
byId("zoom-all").addEventListener("click", () => map.all());
